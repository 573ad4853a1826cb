"""A printed estimate, its interval and its p against one another; and each from the others.

An interval of a difference is symmetric about it, an interval of a ratio symmetric on the log scale, when it is
estimate plus or minus a multiple of the standard error; then two of estimate, limits and p give the third. Intervals by
score, exact, profile or bootstrap methods are not symmetric: say so, and only order and side are checked.
"""

from __future__ import annotations

import math
from typing import Literal

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_choice, check_level
from outcomes.stats.numerics.inputs import two_sided_p
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.printed.printed_tests import compare_p
from outcomes.stats.printed.printed_text import (
    SLACK,
    Printed,
    PrintedCheck,
    judge_p,
    read_printed,
    read_printed_p,
)

Scale = Literal["difference", "ratio"]
Limits = tuple[float, float]
LARGEST_LOG = 700.0  # beyond it a ratio is no finite number


def p_from_interval(
    estimate: float,
    conf_low: float,
    conf_high: float,
    *,
    level: float = 0.95,
    scale: Scale = "difference",
    df: float = math.inf,
) -> Estimate:
    """Return standard error and p of an estimate from its interval.

    Parameters
    ----------
    estimate, conf_low, conf_high : float
        Point estimate and limits.
    level : float
        Confidence level of the limits.
    scale : {"difference", "ratio"}
        For a ratio all is done on the log scale, and the standard error is that of the log ratio.
    df : float
        Degrees of freedom of the t that the authors multiplied by; infinity for the normal.

    Returns
    -------
    Estimate

    Raises
    ------
    EstimationError
        Limits out of order, ratios that are not above 0.

    References
    ----------
    Altman DG, Bland JM. How to obtain the P value from a confidence interval. BMJ 2011; 343: d2304.

    Examples
    --------
    Half the width is 3.92, so the error is 2 and z is 1:

    >>> found = p_from_interval(2.0, -1.92, 5.92)
    >>> round(found.std_error, 3), round(found.p_value, 3)
    (2.0, 0.317)
    """
    check_choice(scale, ("difference", "ratio"), "scale")
    if not all(map(math.isfinite, (estimate, conf_low, conf_high))) or conf_low >= conf_high:
        raise EstimationError("conf_low must be below conf_high, all finite", code="bad_limits")
    value, low, high = (_on_scale(x, scale) for x in (estimate, conf_low, conf_high))
    if not math.isfinite(low + value):
        raise EstimationError("a ratio and its limits must be above 0", code="bad_limits")
    std_error = (high - low) / 2 / _quantile(level, df)
    return Estimate(
        value=estimate, conf_low=conf_low, conf_high=conf_high, level=level, std_error=std_error,
        df=None if math.isinf(df) else df, p_value=two_sided_p(value / std_error, df),
        unit="ratio" if scale == "ratio" else "", method="from the interval",
    )  # fmt: skip


def interval_from_p(
    estimate: float, p: float, *, level: float = 0.95, scale: Scale = "difference", df: float = math.inf
) -> Estimate:
    """Return standard error and interval of an estimate from its exact p.

    Parameters
    ----------
    estimate : float
        Point estimate.
    p : float
        Exact two-sided p, between 0 and 1.
    level, scale, df
        As for :func:`p_from_interval`.

    Returns
    -------
    Estimate
        Not estimable when the estimate is no effect: p does not depend on the error.

    Raises
    ------
    EstimationError
        p outside 0 to 1, a ratio that is not above 0.

    References
    ----------
    Altman DG, Bland JM. How to obtain the confidence interval from a P value. BMJ 2011; 343: d2090.

    Examples
    --------
    >>> found = interval_from_p(2.0, 0.3173105)
    >>> round(found.conf_low, 3), round(found.conf_high, 3)
    (-1.92, 5.92)
    """
    check_choice(scale, ("difference", "ratio"), "scale")
    quantile = _quantile(level, df)
    if not 0 < p < 1:
        raise EstimationError("p must be strictly between 0 and 1, two-sided", code="bad_p")
    value, unit = _on_scale(estimate, scale), "ratio" if scale == "ratio" else ""
    if not math.isfinite(value):
        raise EstimationError("estimate must be finite, and a ratio above 0", code="bad_summary")
    if value == 0:
        return Estimate.not_estimable("no effect at all: p does not depend on the error", unit=unit)
    std_error = abs(value) / float(-t_quantile(p / 2, df))
    low, high = value - quantile * std_error, value + quantile * std_error
    reason = ""
    if scale == "ratio" and max(abs(low), abs(high)) > LARGEST_LOG:
        reason = "p so near 1 leaves the interval of a ratio beyond all numbers"
    back = math.exp if scale == "ratio" else float
    return Estimate(
        value=estimate, conf_low=None if reason else back(low), conf_high=None if reason else back(high),
        level=level, std_error=std_error, p_value=p, df=None if math.isinf(df) else df, unit=unit, method="from p",
        reason=reason,
    )  # fmt: skip


def judge_interval(
    estimate: str | int,
    conf_low: str | int,
    conf_high: str | int,
    p: str | None = None,
    *,
    level: float = 0.95,
    scale: Scale = "difference",
    df: float = math.inf,
    symmetric: bool = True,
    alpha: float = 0.05,
) -> PrintedCheck:
    """Say whether a printed estimate, its limits and its p can belong together.

    Parameters
    ----------
    estimate, conf_low, conf_high : str or int
        As printed.
    p : str, optional
        As printed, two-sided, of no difference or a ratio of 1.
    level : float
        Confidence level of the limits.
    scale : {"difference", "ratio"}
        Ratios are compared on the log scale.
    df : float
        Degrees of freedom when the authors may have used t: p by t and by the normal are both accepted.
    symmetric : bool
        False for intervals by score, exact, profile or bootstrap methods: then p need only lie on the
        side of 1 - level that the interval shows.
    alpha : float
        Level of significance for the decision.

    Returns
    -------
    PrintedCheck
        Checked in turn: limits in order, estimate between them, estimate in the middle, p. The note says
        when another sign of a limit would agree: a minus sign is easily lost in print.

    Raises
    ------
    EstimationError
        Numbers that are not as described.

    References
    ----------
    Altman DG, Bland JM. BMJ 2011; 343: d2304.

    Examples
    --------
    >>> print(judge_interval("-1.67", "-3.58", "-0.24", ".09"))
    estimate and interval, -1.67 (-3.58 to -0.24), p = .09: inconsistent; p from the printed numbers 0.0486 to 0.0514; the estimate is not in the middle of its interval; would agree with 0.24 as upper limit
    >>> judge_interval("1.05", "0.51", "2.19", ".89", scale="ratio").finding
    'consistent'
    """
    check_choice(scale, ("difference", "ratio"), "scale")
    _quantile(level, df)
    numbers = [
        read_printed(text, name)
        for text, name in ((estimate, "estimate"), (conf_low, "conf_low"), (conf_high, "conf_high"))
    ]
    if scale == "ratio" and any(number.value < 0 or number.high <= 0 for number in numbers):
        raise EstimationError("a ratio and its limits must not be below 0", code="bad_limits")
    value, low, high = numbers
    words = f"{value.text} ({low.text} to {high.text})"
    said = None if p is None else read_printed_p(p)
    reason = _out_of_place(numbers, scale, symmetric)
    limits = _p_limits(numbers, level, scale, df) if symmetric else _p_side(numbers, level, scale)
    note = ""
    if reason:
        note = _other_sign(numbers, scale, symmetric)
    if said is None or limits is None:
        return PrintedCheck(
            check="estimate and interval", printed=words if said is None else f"{words}, p {said.text}",
            finding="inconsistent" if reason else "consistent", reason=reason, note=note,
        )  # fmt: skip
    agrees = not reason and judge_p(said, *limits, alpha)[0] == "consistent"
    return compare_p(
        said, *limits, alpha, check="estimate and interval", printed=words, reason=reason, note=note,
        agrees=agrees, halve=symmetric and not reason, method="p from the interval",
    )  # fmt: skip


def _quantile(level: float, df: float) -> float:
    """Return the multiplier of the standard error."""
    check_level(level)
    if not df > 0:
        raise EstimationError("df must be above 0; infinity for the normal", code="bad_df")
    return float(t_quantile((1 + level) / 2, df))


def _on_scale(value: float, scale: str) -> float:
    """Return a value on the scale where its interval is symmetric; minus infinity for a ratio of 0 or less."""
    if scale == "difference":
        return float(value)
    return math.log(value) if value > 0 else -math.inf


def _range(number: Printed, scale: str) -> Limits:
    """Return the limits of a printed number on the scale where the interval is symmetric."""
    return _on_scale(float(number.low), scale), _on_scale(float(number.high), scale)


def _out_of_place(numbers: list[Printed], scale: str, symmetric: bool) -> str:
    """Return what is wrong with the places of estimate and limits; empty when nothing."""
    value, low, high = numbers
    if low.low > high.high:
        return "the lower limit is above the upper one"
    if value.high < low.low or value.low > high.high:
        return "the estimate is outside of its interval"
    if not symmetric:
        return ""
    (low0, low1), (high0, high1), (value0, value1) = (_range(x, scale) for x in (low, high, value))
    slack = 1e-9 * max(1.0, abs(high1))
    if (low0 + high0) / 2 > value1 + slack or (low1 + high1) / 2 < value0 - slack:
        return "the estimate is not in the middle of its interval"
    return ""


def _other_sign(numbers: list[Printed], scale: str, symmetric: bool) -> str:
    """Return which limit with another sign would put everything in its place."""
    value, low, high = numbers
    if scale == "ratio":
        return ""
    for place, changed in (("lower", 1), ("upper", 2)):
        other = numbers[changed]
        flipped = read_printed(other.text[1:] if other.value < 0 else f"-{other.text.lstrip('+')}")
        tried = [value, flipped, high] if changed == 1 else [value, low, flipped]
        if not _out_of_place(tried, scale, symmetric):
            return f"would agree with {flipped.text} as {place} limit"
    return ""


def _p_limits(numbers: list[Printed], level: float, scale: str, df: float) -> Limits | None:
    """Return the limits of p by estimate over error, by t and by the normal; None without a width."""
    value, low, high = (_range(number, scale) for number in numbers)
    widest, narrowest = (high[1] - low[0]) / 2, max((high[0] - low[1]) / 2, 0.0)
    if not widest > 0 or math.isnan(widest):
        return None
    least = 0.0 if value[0] <= 0 <= value[1] else min(abs(value[0]), abs(value[1]))
    most = max(abs(value[0]), abs(value[1]))
    smallest = 0.0 if math.isinf(widest) else least / widest
    largest = most / narrowest if narrowest > 0 else math.inf
    every = [
        two_sided_p(ratio * _quantile(level, freedom), freedom)
        for ratio in (smallest, largest)
        for freedom in (df, math.inf)
    ]
    return min(every), max(every)


def _p_side(numbers: list[Printed], level: float, scale: str) -> Limits:
    """Return the limits of p that the interval shows by holding no effect or not."""
    nothing = 1 if scale == "ratio" else 0
    low, high = numbers[1], numbers[2]
    edge = round(1 - level, 12)
    # off the edge by more than the slack of the comparison, which would blur it
    if low.low > nothing or high.high < nothing:
        return 0.0, edge * (1 - 3 * SLACK)
    if low.high < nothing < high.low:
        return edge * (1 + 3 * SLACK), 1.0
    return 0.0, 1.0
