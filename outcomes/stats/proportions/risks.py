"""One proportion and the comparison of two: differences, ratios and their intervals.

No interval here is a Wald interval of a proportion, and nothing is added to an empty cell: what
cannot be estimated says so.
"""

from __future__ import annotations

import math
from typing import Literal

from scipy import special

from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_choice, check_level
from outcomes.stats.numerics.inputs import events_of, normal_quantile, two_sided_p
from outcomes.stats.proportions.contingency import chi_squared, fisher_exact, no_comparison

ShareUnit = Literal["proportion", "percent"]
DifferenceUnit = Literal["proportion", "percentage points"]
OddsMethod = Literal["auto", "woolf", "conditional exact"]

__all__ = [
    "chi_squared", "clopper_pearson", "fisher_exact", "odds_ratio", "risk_difference", "risk_ratio", "wilson",
]  # fmt: skip


def wilson(
    events: float, n: float, level: float = 0.95, *, contrast: str = "", unit: ShareUnit = "proportion"
) -> Estimate:
    """Return a proportion with Wilson's score interval.

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
        Not estimable when there are no cases. The interval covers its level on average; where only one event
        or so is expected it can fall below 90 % for 95 %, and :func:`clopper_pearson` does not.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Wilson EB. Journal of the American Statistical Association 1927; 22: 209-212.

    Examples
    --------
    0 of n: the upper limit is z^2 / (n + z^2), here 3.8415 / 13.8415:

    >>> share = wilson(0, 10)
    >>> share.conf_low, round(share.conf_high, 4)
    (0.0, 0.2775)
    """
    check_choice(unit, ("proportion", "percent"), "unit")
    z = normal_quantile(level)
    e, total = events_of(events, n)
    if total == 0:
        return Estimate.not_estimable("no patients", contrast=contrast, unit=unit, method="Wilson")
    low, high = _wilson_limits(e, total, z)
    return _share(e / total, low, high, level, contrast, unit, total, "Wilson")


def clopper_pearson(
    events: float, n: float, level: float = 0.95, *, contrast: str = "", unit: ShareUnit = "proportion"
) -> Estimate:
    """Return a proportion with the exact interval, which never covers less than its level.

    Parameters
    ----------
    events, n, level, contrast, unit
        As for :func:`wilson`.

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
    Clopper CJ, Pearson ES. Biometrika 1934; 26: 404-413.

    Examples
    --------
    0 of n: the upper limit is 1 - 0.025^(1/n):

    >>> round(clopper_pearson(0, 10).conf_high, 4), round(1 - 0.025 ** 0.1, 4)
    (0.3085, 0.3085)
    """
    check_choice(unit, ("proportion", "percent"), "unit")
    check_level(level)
    e, total = events_of(events, n)
    if total == 0:
        return Estimate.not_estimable("no patients", contrast=contrast, unit=unit, method="Clopper-Pearson")
    tail = (1 - level) / 2
    low = 0.0 if e == 0 else float(special.betaincinv(e, total - e + 1, tail))
    high = 1.0 if e == total else float(special.betaincinv(e + 1, total - e, 1 - tail))
    return _share(e / total, low, high, level, contrast, unit, total, "Clopper-Pearson")


def risk_difference(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    level: float = 0.95,
    *,
    contrast: str = "group 1 minus group 0",
    unit: DifferenceUnit = "proportion",
) -> Estimate:
    """Return the difference between two proportions with Newcombe's hybrid score interval.

    Parameters
    ----------
    events1, n1, events0, n0 : int
        Events and cases of either group.
    level : float
        Confidence level.
    contrast : str
        What is subtracted from what.
    unit : {"proportion", "percentage points"}
        Scale of value and limits; a margin in percentage points needs the second.

    Returns
    -------
    Estimate
        Method 10 of the paper, without continuity correction; no p (use :func:`fisher_exact` or
        :func:`chi_squared`). Not estimable when a group has no cases.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Newcombe RG. Interval estimation for the difference between independent proportions. Statistics in
    Medicine 1998; 17: 873-890.

    Examples
    --------
    With no events at all, each limit is the upper Wilson limit of one group:

    >>> none = risk_difference(0, 10, 0, 20)
    >>> round(none.conf_low, 4), round(none.conf_high, 4)
    (-0.1611, 0.2775)
    """
    check_choice(unit, ("proportion", "percentage points"), "unit")
    z = normal_quantile(level)
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    n = total1 + total0
    if total1 == 0 or total0 == 0:
        reason = no_comparison(e1, total1, e0, total0)
        return Estimate.not_estimable(reason, contrast=contrast, unit=unit, n=n, method="Newcombe")
    p1, p0 = e1 / total1, e0 / total0
    low1, high1 = _wilson_limits(e1, total1, z)
    low0, high0 = _wilson_limits(e0, total0, z)
    value = p1 - p0
    low = value - math.hypot(p1 - low1, high0 - p0)
    high = value + math.hypot(high1 - p1, p0 - low0)
    scale = 100.0 if unit == "percentage points" else 1.0
    return Estimate(
        value=value * scale, conf_low=max(low, -1.0) * scale, conf_high=min(high, 1.0) * scale, level=level,
        contrast=contrast, unit=unit, n=n, method="Newcombe",
    )  # fmt: skip


def risk_ratio(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    level: float = 0.95,
    *,
    contrast: str = "group 1 over group 0",
) -> Estimate:
    """Return the ratio of two proportions with Katz's interval on the log scale.

    Parameters
    ----------
    events1, n1, events0, n0, level, contrast
        As for :func:`risk_difference`, but divided.

    Returns
    -------
    Estimate
        `std_error` is that of the log ratio, and p that of the log ratio over it (normal). Not estimable
        when a group has no cases or no events: nothing is added to an empty cell. Without limits when
        everybody had the event.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Katz D, Baptista J, Azen SP, Pike MC. Biometrics 1978; 34: 469-474.

    Examples
    --------
    Risks 0.2 and 0.1; squared error of the log 1/20 - 1/100 + 1/10 - 1/100:

    >>> ratio = risk_ratio(20, 100, 10, 100)
    >>> ratio.value, round(ratio.std_error ** 2, 12)
    (2.0, 0.13)
    """
    z = normal_quantile(level)
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    n = total1 + total0
    reason = "" if total1 and total0 else no_comparison(e1, total1, e0, total0)
    if not reason and not (e1 and e0):
        reason = f"no events in {'either group' if e1 == e0 else 'group 1' if e1 == 0 else 'group 0'}"
    if reason:
        return Estimate.not_estimable(reason, contrast=contrast, unit="ratio", n=n, method="Katz log")
    value = (e1 / total1) / (e0 / total0)
    if e1 == total1 and e0 == total0:
        return Estimate(
            value=1.0, conf_low=None, conf_high=None, level=level, contrast=contrast, unit="ratio", n=n,
            method="Katz log", reason="every patient in both groups had the event: no interval",
        )  # fmt: skip
    std_error = math.sqrt((total1 - e1) / (total1 * e1) + (total0 - e0) / (total0 * e0))
    return _log_interval(value, std_error, z, level, contrast, n, "Katz log")


def odds_ratio(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    level: float = 0.95,
    *,
    method: OddsMethod = "auto",
    contrast: str = "group 1 over group 0",
) -> Estimate:
    """Return the ratio of two odds: Woolf's interval, or the exact one when the table is sparse.

    Parameters
    ----------
    events1, n1, events0, n0, level, contrast
        As for :func:`risk_ratio`.
    method : {"auto", "woolf", "conditional exact"}
        "auto" is exact when a cell is empty or an expected count is below 5, else Woolf.

    Returns
    -------
    Estimate
        `method` says which was used. Woolf: `std_error` and p as for :func:`risk_ratio`; not estimable
        with an empty cell. Exact: as in :func:`fisher_exact`, with central p.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Woolf B. Annals of Human Genetics 1955; 19: 251-253. Exact: Cornfield J. Proc 3rd Berkeley Symposium
    1956; 4: 135-148. Rule of five: Cochran WG. Biometrics 1954; 10: 417-451.

    Examples
    --------
    Odds 20/80 and 10/90; squared error of the log 1/20 + 1/80 + 1/10 + 1/90:

    >>> ratio = odds_ratio(20, 100, 10, 100)
    >>> ratio.value, round(ratio.std_error ** 2, 12), round(1/20 + 1/80 + 1/10 + 1/90, 12)
    (2.25, 0.173611111111, 0.173611111111)
    """
    check_choice(method, ("auto", "woolf", "conditional exact"), "method")
    z = normal_quantile(level)
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    n, m = total1 + total0, e1 + e0
    reason = no_comparison(e1, total1, e0, total0)
    if reason:
        return Estimate.not_estimable(reason, contrast=contrast, unit="ratio", n=n)
    cells = (e1, total1 - e1, e0, total0 - e0)
    sparse = min(cells) == 0 or min(m, n - m) * min(total1, total0) < 5 * n
    if method == "conditional exact" or (method == "auto" and sparse):
        return fisher_exact(e1, total1, e0, total0, level=level, contrast=contrast).odds_ratio
    if min(cells) == 0:
        reason = "an empty cell: Woolf's interval needs cases in all four; use 'conditional exact'"
        return Estimate.not_estimable(reason, contrast=contrast, unit="ratio", n=n, method="Woolf log")
    value = cells[0] * cells[3] / (cells[1] * cells[2])
    std_error = math.sqrt(math.fsum(1 / cell for cell in cells))
    return _log_interval(value, std_error, z, level, contrast, n, "Woolf log")


def _wilson_limits(events: int, n: int, z: float) -> tuple[float, float]:
    """Return Wilson's limits, exactly 0 or 1 where they are."""
    p, z2 = events / n, z * z
    half = z * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    low, high = (p + z2 / (2 * n) - half) / (1 + z2 / n), (p + z2 / (2 * n) + half) / (1 + z2 / n)
    return (0.0 if events == 0 else low), (1.0 if events == n else high)


def _share(
    value: float, low: float, high: float, level: float, contrast: str, unit: str, n: int, method: str
) -> Estimate:
    """Return one proportion on the scale asked for."""
    scale = 100.0 if unit == "percent" else 1.0
    return Estimate(
        value=value * scale, conf_low=low * scale, conf_high=high * scale, level=level, contrast=contrast,
        unit=unit, n=n, method=method,
    )  # fmt: skip


def _log_interval(
    value: float, std_error: float, z: float, level: float, contrast: str, n: int, method: str
) -> Estimate:
    """Return a ratio with limits that are symmetric on the log scale."""
    return Estimate(
        value=value, conf_low=value * math.exp(-z * std_error), conf_high=value * math.exp(z * std_error),
        level=level, std_error=std_error, p_value=two_sided_p(math.log(value) / std_error), contrast=contrast,
        unit="ratio", n=n, method=method,
    )  # fmt: skip
