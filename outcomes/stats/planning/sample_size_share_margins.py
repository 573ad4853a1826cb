"""Sample size and power to show that proportions differ by less than a margin: equivalence and non-inferiority.

By the normal approximation with each group's own variance; no library that the package rests on has it.
"""

from __future__ import annotations

import math

from scipy import special

from outcomes.stats.planning.margin_planning import check_within, room_to_margin, sized, tost_power
from outcomes.stats.planning.plans import (
    PlannedPower,
    SampleSize,
    check_plan,
    check_share,
    round_up,
    smallest,
    two_sizes,
    z_of,
)
from outcomes.stats.planning.sample_size_means import power_of_shift
from outcomes.stats.testing.equivalence import Better


def size_non_inferiority_proportions(
    p1: float,
    p0: float,
    margin: float,
    *,
    better: Better,
    power: float = 0.8,
    alpha: float = 0.025,
    ratio: float = 1.0,
) -> SampleSize:
    """Return the sizes of two groups that show a proportion not to be worse by the margin.

    Parameters
    ----------
    p1, p0 : float
        Shares expected in groups 1 and 0, between 0 and 1.
    margin : float
        Difference of shares, between 0 and 1.
    better : {"higher", "lower"}
        Whether a higher or a lower share is better.
    power, alpha, ratio
        As for :func:`size_non_inferiority_means`.

    Returns
    -------
    SampleSize
        By the normal formula with each group's own variance, an approximation.

    Raises
    ------
    EstimationError
        When the expected difference is itself as bad as the margin.

    References
    ----------
    Chow SC, Shao J, Wang H. Sample Size Calculations in Clinical Research, 2003, section 4.2.

    Examples
    --------
    (1.96 + 0.84)^2 x 2 x 0.85 x 0.15 / 0.1^2 = 200.1:

    >>> size_non_inferiority_proportions(0.85, 0.85, 0.1, better="higher").groups
    (201, 201)
    """
    check_plan(alpha, "one", power, ratio)
    room, own = _shares_room(p1, p0, margin, better), _own(p1, p0, ratio)
    n0 = float(((z_of(alpha, "one") + special.ndtri(power)) / room) ** 2 * own)
    groups = (max(round_up(n0 * ratio), 2), max(round_up(n0), 2))
    reached = power_non_inferiority_proportions(*groups, p1, p0, margin, better=better, alpha=alpha)
    return sized(reached, groups, (n0 * ratio, n0), power)


def power_non_inferiority_proportions(
    n1: int, n0: int, p1: float, p0: float, margin: float, *, better: Better, alpha: float = 0.025
) -> PlannedPower:
    """Return the power of two groups to show a proportion not to be worse by the margin.

    Parameters
    ----------
    n1, n0 : int
        Sizes, 2 or more.
    p1, p0, margin, better, alpha
        As for :func:`size_non_inferiority_proportions`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_non_inferiority_proportions`.

    Examples
    --------
    >>> round(power_non_inferiority_proportions(201, 201, 0.85, 0.85, 0.1, better="higher").power, 3)
    0.802
    """
    check_plan(alpha, "one")
    first, second = two_sizes(n1, n0)
    error = math.sqrt(_own(p1, p0, first / second) / second)
    shift = _shares_room(p1, p0, margin, better) / error
    return PlannedPower(
        design="non-inferiority of a proportion", solved_for="power", effect=margin, groups=(first, second),
        power=power_of_shift(shift, math.inf, alpha, "one"), alpha=alpha, sided="one",
        method="unpooled normal approximation",
        assumed=(f"a margin of {margin:g}", f"shares of {p1:g} and {p0:g}"),
    )  # fmt: skip


def size_equivalence_proportions(
    p1: float, p0: float, margin: float, *, power: float = 0.8, alpha: float = 0.05, ratio: float = 1.0
) -> SampleSize:
    """Return the sizes of two groups that show two proportions to differ by less than the margin.

    Parameters
    ----------
    p1, p0 : float
        Shares expected, between 0 and 1, less than the margin apart.
    margin : float
        Difference of shares, between 0 and 1.
    power, alpha, ratio
        As for :func:`size_equivalence_means`.

    Returns
    -------
    SampleSize
        Power of both tests by the normal with each group's own variance, an approximation.

    Raises
    ------
    EstimationError
        When the expected difference is not within the margin.

    References
    ----------
    Chow SC, Shao J, Wang H. Sample Size Calculations in Clinical Research, 2003, section 4.2.

    Examples
    --------
    (1.645 + 1.282)^2 x 2 x 0.25 / 0.2^2 = 107.05 with beta 0.2 halved, exact at equal shares:

    >>> size_equivalence_proportions(0.5, 0.5, 0.2).groups
    (108, 108)
    """
    check_plan(alpha, "one", power, ratio)
    check_within(margin, p1 - p0)
    own = _own(p1, p0, ratio)
    n0 = smallest(
        lambda n: tost_power(margin, p1 - p0, math.sqrt(own / n), math.inf, alpha), power, 2 / min(ratio, 1.0)
    )
    groups = (max(round_up(n0 * ratio), 2), max(round_up(n0), 2))
    reached = power_equivalence_proportions(*groups, p1, p0, margin, alpha=alpha)
    return sized(reached, groups, (n0 * ratio, n0), power)


def power_equivalence_proportions(
    n1: int, n0: int, p1: float, p0: float, margin: float, *, alpha: float = 0.05
) -> PlannedPower:
    """Return the power of two groups to show two proportions to differ by less than the margin.

    Parameters
    ----------
    n1, n0 : int
        Sizes, 2 or more.
    p1, p0, margin, alpha
        As for :func:`size_equivalence_proportions`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_equivalence_proportions`.

    Examples
    --------
    >>> round(power_equivalence_proportions(108, 108, 0.5, 0.5, 0.2).power, 4)
    0.8045
    """
    check_plan(alpha, "one")
    check_within(margin, p1 - p0)
    first, second = two_sizes(n1, n0)
    error = math.sqrt(_own(p1, p0, first / second) / second)
    return PlannedPower(
        design="equivalence of proportions", solved_for="power", effect=margin, groups=(first, second),
        power=tost_power(margin, p1 - p0, error, math.inf, alpha), alpha=alpha, sided="one",
        method="two one-sided tests, unpooled normal approximation",
        assumed=(f"a margin of {margin:g}", f"shares of {p1:g} and {p0:g}"),
    )  # fmt: skip


def _shares_room(p1: float, p0: float, margin: float, better: str) -> float:
    """Return how far two shares are from the margin on the harmful side."""
    _own(p1, p0, 1.0)
    return room_to_margin(margin, p1 - p0, better)


def _own(p1: float, p0: float, ratio: float) -> float:
    """Return the variance of a difference of shares, times the size of group 0."""
    check_share(p1, "p1")
    check_share(p0, "p0")
    return p1 * (1 - p1) / ratio + p0 * (1 - p0)
