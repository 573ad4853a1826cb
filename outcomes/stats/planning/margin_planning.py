"""What plans against a margin share: power of two one-sided tests, room to the margin, refusals.

Equivalence is two one-sided tests; its exact power by t is an integral over the SD that the sample will have.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special, stats

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.planning.plans import PlannedPower, SampleSize, check_positive

NODES, NODE_WEIGHTS = special.roots_legendre(120)


def tost_power(margin: float, difference: float, error: float, df: float, alpha: float) -> float:
    """Return the power of two one-sided tests against both margins, exact for normal values.

    Given the SD that the sample will have, both tests reject when the difference lies within a shorter
    interval, whose chance is normal; the SD is then averaged over its chi distribution.

    Parameters
    ----------
    margin, difference, error : float
        Margin on either side, expected difference, true standard error of the estimate.
    df : float
        Degrees of freedom, infinity when the error is known.
    alpha : float
        Of each test.

    References
    ----------
    Phillips KF. J Pharmacokinet Biopharm 1990; 18: 137-144.

    Examples
    --------
    >>> round(tost_power(2.0, 0.0, 0.5, float("inf"), 0.05), 4)
    0.9815
    """
    beyond = float(-t_quantile(alpha, df))
    up, down = (margin - difference) / error, -(margin + difference) / error
    if math.isinf(df):
        return max(float(special.ndtr(up - beyond) - special.ndtr(down + beyond)), 0.0)
    # s / sigma beyond which no difference is within both limits
    most = (up - down) / (2 * beyond) if beyond > 0 else math.inf
    low, high = (float(stats.chi2.ppf(p, df)) for p in (1e-15, 1 - 1e-15))
    ends = math.sqrt(low / df), min(math.sqrt(high / df), most)
    if ends[1] <= ends[0]:
        return 0.0
    s = ends[0] + (ends[1] - ends[0]) * (NODES + 1) / 2
    density = np.exp(np.log(2 * s * df) + stats.chi2.logpdf(s * s * df, df))
    inside = special.ndtr(up - beyond * s) - special.ndtr(down + beyond * s)
    return float((density * np.maximum(inside, 0) * NODE_WEIGHTS).sum() * (ends[1] - ends[0]) / 2)


def sized(
    reached: PlannedPower, groups: tuple[int, int], unrounded: tuple[float, float], target: float
) -> SampleSize:
    """Return rounded sizes with the power that they reach.

    Examples
    --------
    >>> reached = PlannedPower(
    ...     design="a", solved_for="power", power=0.81, effect=1, groups=(9, 9), alpha=0.05, sided="one", method="z"
    ... )
    >>> sized(reached, (9, 9), (8.5, 8.5), 0.8).n
    18
    """
    return SampleSize(
        design=reached.design, groups=groups, n=sum(groups), unrounded=unrounded, power=reached.power,
        target_power=target, effect=reached.effect, alpha=reached.alpha, sided=reached.sided,
        method=reached.method, assumed=reached.assumed,
    )  # fmt: skip


def room_to_margin(margin: float, difference: float, better: str) -> float:
    """Return how far the expected difference is from the margin on the harmful side.

    Raises
    ------
    EstimationError
        A margin of 0 or less, or a difference that is as bad as the margin.

    Examples
    --------
    >>> room_to_margin(2.0, 0.5, "higher"), room_to_margin(2.0, 0.5, "lower")
    (2.5, 1.5)
    """
    check_choice(better, ("higher", "lower"), "better")
    check_positive(margin, "margin")
    room = margin + (difference if better == "higher" else -difference)
    if not (math.isfinite(difference) and room > 0):
        raise EstimationError(
            "the expected difference is as bad as the margin or worse: no number of patients shows non-inferiority; "
            "check the sign (group 1 minus group 0), better and margin",
            code="margin_not_beyond",
        )
    return room


def check_within(margin: float, difference: float) -> None:
    """Refuse an expected difference that is not within the margin.

    Raises
    ------
    EstimationError
        A margin of 0 or less, or a difference beyond it.

    Examples
    --------
    >>> check_within(2.0, -1.5)
    """
    check_positive(margin, "margin")
    if not abs(difference) < margin:
        raise EstimationError(
            "the expected difference is not within the margin: no number of patients shows equivalence; take a "
            "margin beyond the expected difference",
            code="margin_not_beyond",
        )
