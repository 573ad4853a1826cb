"""Exact tests and intervals with the mid-p: the observed result counts half.

Less cautious than Clopper-Pearson and Fisher: the coverage is near its level on average and may lie below it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import special

from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import SMALLEST_P, events_of
from outcomes.stats.proportions.contingency import conditional_chances, no_comparison
from outcomes.stats.proportions.risks import ShareUnit

HALVINGS = 75
FARTHEST = 100.0  # log odds ratios beyond this do not occur


def mid_p_share(
    events: float, n: float, level: float = 0.95, *, contrast: str = "", unit: ShareUnit = "proportion"
) -> Estimate:
    """Return a proportion with the mid-p interval.

    Parameters
    ----------
    events, n : int
        Cases with the event, and all cases.
    level : float
        Confidence level.
    contrast : str
        What the proportion is of.
    unit : {"proportion", "percent"}
        Scale of value and limits.

    Returns
    -------
    Estimate
        Not estimable when there are no cases.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Lancaster HO. Journal of the American Statistical Association 1961; 56: 223-234. Interval: Berry G,
    Armitage P. The Statistician 1995; 44: 417-423.

    Examples
    --------
    0 of n: half of (1 - u)^n is 0.025.

    >>> round(mid_p_share(0, 10).conf_high, 6), round(1 - 0.05**0.1, 6)
    (0.258866, 0.258866)
    """
    check_choice(unit, ("proportion", "percent"), "unit")
    check_level(level)
    e, total = events_of(events, n)
    if total == 0:
        return Estimate.not_estimable("no patients", contrast=contrast, unit=unit, method="mid-p exact")
    tail = (1 - level) / 2

    def above(p: float) -> float:
        # P(X > e) + P(X = e) / 2 increases with p from 0 or 1/2 to 1/2 or 1
        more = float(special.bdtrc(e, total, p)) if e < total else 0.0
        at_least = float(special.bdtrc(e - 1, total, p)) if e > 0 else 1.0
        return (more + at_least) / 2

    low = 0.0 if e == 0 else _crossing(lambda p: above(p) < tail, 0.0, e / total)
    high = 1.0 if e == total else _crossing(lambda p: above(p) < 1 - tail, e / total, 1.0)
    scale = 100.0 if unit == "percent" else 1.0
    return Estimate(
        value=e / total * scale, conf_low=low * scale, conf_high=high * scale, level=level, contrast=contrast,
        unit=unit, n=total, method="mid-p exact",
    )  # fmt: skip


def mid_p_odds_ratio(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    level: float = 0.95,
    *,
    contrast: str = "group 1 over group 0",
) -> Estimate:
    """Return the conditional odds ratio with mid-p test and interval.

    Parameters
    ----------
    events1, n1, events0, n0 : int
        Events and cases of either group.
    level : float
        Confidence level.
    contrast : str
        What is divided by what.

    Returns
    -------
    Estimate
        Conditional maximum likelihood as in :func:`outcomes.stats.proportions.contingency.fisher_exact`; p is twice the
        smaller mid-tail and agrees with the limits. With an empty cell the limit that exists.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Lancaster HO. Journal of the American Statistical Association 1961; 56: 223-234. Hirji KF, Tan SJ, Elashoff
    RM. Statistics in Medicine 1991; 10: 1137-1153.

    Examples
    --------
    Weights 1, 16, 36, 16, 1 of 70; 3 v 1: twice (1 + 16 / 2) / 70.

    >>> round(mid_p_odds_ratio(3, 4, 1, 4).p_value * 70, 9)
    18.0
    """
    check_level(level)
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    n, method = total1 + total0, "conditional maximum likelihood, mid-p interval"
    reason = no_comparison(e1, total1, e0, total0)
    if reason:
        return Estimate.not_estimable(reason, contrast=contrast, unit="ratio", n=n, method=method)
    chances, at, support = conditional_chances(e1, total1, e0, total0)
    tail, last = (1 - level) / 2, support.size - 1

    def upper(theta: float) -> float:
        return _mid_tail(chances(theta), at)

    def mean(theta: float) -> float:
        return float(chances(theta) @ support)

    value = 0.0 if at == 0 else None
    if 0 < at < last:
        value = math.exp(_crossing(lambda t: mean(t) < support[at], -FARTHEST, FARTHEST))
    low = 0.0 if at == 0 else math.exp(_crossing(lambda t: upper(t) < tail, -FARTHEST, FARTHEST))
    high = None
    if at < last:
        high = math.exp(_crossing(lambda t: upper(t) < 1 - tail, -FARTHEST, FARTHEST))
    p = 2 * min(upper(0.0), _mid_tail(chances(0.0)[::-1], last - at))
    return Estimate(
        value=value, conf_low=low, conf_high=high, level=level, p_value=min(max(p, SMALLEST_P), 1.0),
        contrast=contrast, unit="ratio", n=n, method=method,
        reason="" if high is not None else "a zero cell: the odds ratio has no finite value or upper limit",
    )  # fmt: skip


def _mid_tail(chance: FloatArray, at: int) -> float:
    """Return the chance of more than the observed result and half that of the result itself."""
    return float(np.sum(chance[at + 1 :])) + float(chance[at]) / 2


def _crossing(before: Callable[[float], bool], low: float, high: float) -> float:
    """Return where a condition that holds at the low end ceases to hold."""
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if before(middle) else (low, middle)
    return (low + high) / 2
