"""Means and SDs from what a paper prints instead: errors, intervals, p, quartiles, ranges, subgroups.

Each result says step by step how it was made and what had to be assumed, so that a table of pooled
studies can show where a number is not the authors' own. Printed numbers only, closed formulas; no
library that the package rests on has them. A printed number that cannot be what it is said to be raises
EstimationError, which names it.

References: Higgins JPT, Li T, Deeks JJ. Cochrane Handbook for Systematic Reviews of Interventions, chapter 6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice, check_level
from outcomes.stats.numerics.inputs import whole
from outcomes.stats.numerics.one_number import check_number
from outcomes.stats.numerics.student import t_quantile

Reference = Literal["t", "normal"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivedNumber:
    """One number worked out from printed ones.

    Attributes
    ----------
    value : float or None
        None where `reason` says why.
    quantity : str
        What it is, e.g. ``"SD"``.
    steps : tuple of str
        How it was made, from the printed numbers to the value.
    assumed : tuple of str
        What had to be assumed; empty for plain algebra.
    source, reason : str
        Where the formula is published; why there is no value.
    """

    value: float | None
    quantity: str
    steps: tuple[str, ...]
    assumed: tuple[str, ...] = ()
    source: str = ""
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names and the trace."""
        row = {"contrast": self.quantity, "estimate": self.value, "how": "; ".join(self.steps)}
        return pd.DataFrame([row | {"assumed": "; ".join(self.assumed), "source": self.source}])

    def __str__(self) -> str:
        """Return value and trace in one sentence."""
        if self.value is None:
            return f"{self.quantity}: not estimable ({self.reason})"
        return f"{self.quantity} {self.value:.4g} ({_trace(self.steps, self.assumed)})"


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivedGroup:
    """Size, mean and SD of one group, worked out from printed numbers.

    Attributes
    ----------
    n : int
    mean, sd : float
        As :func:`outcomes.stats.groups.means.mean_difference_from_summary` takes them.
    steps, assumed : tuple of str
        As for :class:`DerivedNumber`.
    source : str
    """

    n: int
    mean: float
    sd: float
    steps: tuple[str, ...]
    assumed: tuple[str, ...] = ()
    source: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names and the trace."""
        row = {"contrast": "mean", "estimate": self.mean, "sd": self.sd, "n": self.n}
        trace = {"how": "; ".join(self.steps), "assumed": "; ".join(self.assumed), "source": self.source}
        return pd.DataFrame([row | trace])

    def __str__(self) -> str:
        """Return numbers and trace in one sentence."""
        return f"mean {self.mean:.4g}, SD {self.sd:.4g}, n = {self.n} ({_trace(self.steps, self.assumed)})"


def sd_from_se(std_error: float, n: int) -> DerivedNumber:
    """Return the SD of a group from the standard error of its mean.

    Parameters
    ----------
    std_error : float
        Standard error of one group's mean, above 0.
    n : int
        Size of the group, 2 or more.

    References
    ----------
    Higgins JPT, Li T, Deeks JJ. Cochrane Handbook, chapter 6, 6.5.2.2.

    Examples
    --------
    >>> print(sd_from_se(1.2, 25))
    SD 6 (SE x sqrt(25))
    """
    size = _size(n, "n")
    value = _positive(std_error, "std_error") * math.sqrt(size)
    return _number("SD", value, (f"SE x sqrt({size})",), "Cochrane Handbook 6.5.2.2")


def sd_from_interval(
    conf_low: float, conf_high: float, n: int, level: float = 0.95, *, reference: Reference = "t"
) -> DerivedNumber:
    """Return the SD of a group from the confidence interval of its mean.

    Parameters
    ----------
    conf_low, conf_high : float
        Limits of one group's mean, on the scale of the data (not of its logarithm).
    n : int
        Size of the group, 2 or more.
    level : float
        Confidence level of the limits.
    reference : {"t", "normal"}
        What the authors multiplied the error by: t with n - 1 degrees of freedom, or the normal quantile
        (3.92 in a 95 % interval), which the Handbook takes for large groups.

    References
    ----------
    Cochrane Handbook, chapter 6, 6.5.2.2.

    Examples
    --------
    Limits 30 +/- 1.96, n = 100: the error is 1, the SD 10:

    >>> round(sd_from_interval(28.04, 31.96, 100, reference="normal").value, 3)
    10.0
    """
    size = _size(n, "n")
    width = _width(conf_low, conf_high)
    quantile, words = _quantile(level, size - 1, reference)
    steps = (
        f"SE = width of the {level * 100:g} % interval / (2 x {quantile:.4g}, {words})",
        f"SE x sqrt({size})",
    )
    assumed = (f"the interval is by {words}, symmetric about the mean",)
    return _number(
        "SD", width / (2 * quantile) * math.sqrt(size), steps, "Cochrane Handbook 6.5.2.2", assumed
    )


def sd_from_difference_se(std_error: float, n1: int, n0: int) -> DerivedNumber:
    """Return the SD common to two groups from the standard error of the difference of their means.

    Parameters
    ----------
    std_error : float
        Standard error of the difference, above 0.
    n1, n0 : int
        Sizes of the groups, 1 or more, 3 or more together.

    References
    ----------
    Cochrane Handbook, chapter 6, 6.5.2.3.

    Examples
    --------
    >>> print(sd_from_difference_se(2.0, 8, 8))
    SD 4 (SE / sqrt(1/8 + 1/8); assumed: both groups have this SD)
    """
    first, second = _two_sizes(n1, n0)
    value = _positive(std_error, "std_error") / math.sqrt(1 / first + 1 / second)
    return _number("SD", value, _common_steps(first, second), "Cochrane Handbook 6.5.2.3", (SAME_SD,))


def sd_from_difference_interval(
    conf_low: float, conf_high: float, n1: int, n0: int, level: float = 0.95, *, reference: Reference = "t"
) -> DerivedNumber:
    """Return the SD common to two groups from the interval of the difference of their means.

    Parameters
    ----------
    conf_low, conf_high : float
        Limits of the difference.
    n1, n0 : int
        Sizes of the groups, 1 or more, 3 or more together.
    level : float
        Confidence level of the limits.
    reference : {"t", "normal"}
        t with n1 + n0 - 2 degrees of freedom, or normal.

    References
    ----------
    Cochrane Handbook, chapter 6, 6.5.2.3.

    Examples
    --------
    >>> round(sd_from_difference_interval(-1.96, 1.96, 8, 8, reference="normal").value, 3)
    2.0
    """
    first, second = _two_sizes(n1, n0)
    quantile, words = _quantile(level, first + second - 2, reference)
    value = _width(conf_low, conf_high) / (2 * quantile) / math.sqrt(1 / first + 1 / second)
    steps = (f"SE = width of the {level * 100:g} % interval / (2 x {quantile:.4g}, {words})",)
    assumed = (f"the interval is by {words}", SAME_SD)
    return _number("SD", value, steps + _common_steps(first, second), "Cochrane Handbook 6.5.2.3", assumed)


def sd_from_p(difference: float, p: float, n1: int, n0: int) -> DerivedNumber:
    """Return the SD common to two groups from their difference and the p of a t test.

    Parameters
    ----------
    difference : float
        Difference of the means.
    p : float
        Exact two-sided p, between 0 and 1. A p known only as "< 0.05" gives no SD; entered as 0.05 it
        gives the largest SD that fits.
    n1, n0 : int
        Sizes of the groups, 1 or more, 3 or more together.

    Returns
    -------
    DerivedNumber
        Not estimable when the difference is 0: every SD has p = 1.

    References
    ----------
    Cochrane Handbook, chapter 6, 6.5.2.3.

    Examples
    --------
    The Handbook's example, p = 0.008, 25 and 22 patients, difference 3.8:

    >>> print(sd_from_p(3.8, 0.008, 25, 22).steps[0])
    t = 2.776 (45 df) from p = 0.008
    """
    first, second = _two_sizes(n1, n0)
    check_number(p, "p", "0.008")
    check_number(difference, "difference")
    if not 0 < p < 1:
        raise EstimationError("p must be strictly between 0 and 1, two-sided", code="bad_p")
    if not math.isfinite(difference):
        raise EstimationError("difference must be finite", code="bad_summary")
    df = first + second - 2
    t = float(-t_quantile(p / 2, df))
    steps = (
        f"t = {t:.4g} ({df} df) from p = {p:g}",
        f"SE = {abs(difference):g} / t",
        *_common_steps(first, second),
    )
    if difference == 0:
        reason = "the difference is 0, so that p does not depend on the SD"
        return DerivedNumber(value=None, quantity="SD", steps=steps, reason=reason)
    value = abs(difference) / t / math.sqrt(1 / first + 1 / second)
    assumed = ("p is of the two-sided pooled t test", SAME_SD)
    return _number("SD", value, steps, "Cochrane Handbook 6.5.2.3", assumed)


def sd_of_change(sd_before: float, sd_after: float, correlation: float) -> DerivedNumber:
    """Return the SD of a change from the SDs before and after and an assumed correlation.

    Parameters
    ----------
    sd_before, sd_after : float
        SDs of the same patients, above 0.
    correlation : float
        Between before and after, from -1 to 1, from another study that printed all three SDs.

    Returns
    -------
    DerivedNumber
        The correlation stands among what was assumed; repeat with others.

    References
    ----------
    Cochrane Handbook, chapter 6, 6.5.2.8.

    Examples
    --------
    Uncorrelated SDs of 3 and 4:

    >>> sd_of_change(3, 4, 0).value
    5.0
    """
    before, after = _positive(sd_before, "sd_before"), _positive(sd_after, "sd_after")
    if not -1 <= correlation <= 1:
        raise EstimationError("correlation must be between -1 and 1", code="bad_correlation")
    # (b - a)^2 + 2 (1 - r) a b: never below 0, unlike b^2 + a^2 - 2 r a b after rounding
    value = math.sqrt((before - after) ** 2 + 2 * (1 - correlation) * before * after)
    steps = (f"sqrt({before:g}^2 + {after:g}^2 - 2 x {correlation:g} x {before:g} x {after:g})",)
    assumed = (f"correlation {correlation:g} between before and after",)
    return _number("SD of change", value, steps, "Cochrane Handbook 6.5.2.8", assumed)


def correlation_from_change(sd_before: float, sd_after: float, sd_change: float) -> DerivedNumber:
    """Return the correlation between before and after that three printed SDs imply.

    Parameters
    ----------
    sd_before, sd_after, sd_change : float
        SDs of the same patients; the first two above 0, that of the change 0 or more.

    Returns
    -------
    DerivedNumber
        Not estimable when no correlation fits: the three SDs are not of the same patients, or wrong.

    References
    ----------
    Cochrane Handbook, chapter 6, 6.5.2.8.

    Examples
    --------
    >>> correlation_from_change(3, 4, 5).value
    0.0
    >>> print(correlation_from_change(3, 4, 8))
    correlation: not estimable (no correlation from -1 to 1 gives these three SDs)
    """
    before, after = _positive(sd_before, "sd_before"), _positive(sd_after, "sd_after")
    if not (math.isfinite(sd_change) and sd_change >= 0):
        raise EstimationError("sd_change must be finite and 0 or more", code="bad_summary")
    steps = (f"({before:g}^2 + {after:g}^2 - {sd_change:g}^2) / (2 x {before:g} x {after:g})",)
    # in units of a power of two, which costs no digit: squares of large numbers are beyond arithmetic
    size = math.frexp(max(before, after, sd_change))[1]
    a, b, change = (math.ldexp(sd, -size) for sd in (before, after, sd_change))
    value = (a**2 + b**2 - change**2) / (2 * a * b) if a * b > 0 else math.inf
    if 1 + 1e-12 < abs(value) < math.inf:
        reason = "no correlation from -1 to 1 gives these three SDs"
        return DerivedNumber(value=None, quantity="correlation", steps=steps, reason=reason)
    kept = value if math.isinf(value) else max(-1.0, min(1.0, value))
    return _number("correlation", kept, steps, "Cochrane Handbook 6.5.2.8")


SAME_SD = "both groups have this SD"


def _trace(steps: tuple[str, ...], assumed: tuple[str, ...]) -> str:
    """Return steps and assumptions as one clause."""
    return "; ".join(steps) + (f"; assumed: {', '.join(assumed)}" if assumed else "")


def _number(
    quantity: str, value: float, steps: tuple[str, ...], source: str, assumed: tuple[str, ...] = ()
) -> DerivedNumber:
    """Return a derived number, which must be finite."""
    if not math.isfinite(value):
        reason = "the numbers given are too large or too small for arithmetic"
        return DerivedNumber(value=None, quantity=quantity, steps=steps, reason=reason)
    return DerivedNumber(value=value, quantity=quantity, steps=steps, assumed=assumed, source=source)


def _positive(value: float, name: str) -> float:
    """Return a printed number that must be above 0."""
    check_number(value, name)
    if not (math.isfinite(value) and value > 0):
        raise EstimationError(f"{name} must be finite and above 0", code="bad_summary")
    return float(value)


def _size(n: float, name: str) -> int:
    """Return the size of a group that has an SD."""
    size = whole(n, name)
    if size < 2:
        raise EstimationError(f"{name} must be 2 or more for an SD to exist", code="too_few")
    return size


def _two_sizes(n1: float, n0: float) -> tuple[int, int]:
    """Return the sizes of two groups that leave at least one degree of freedom."""
    first, second = whole(n1, "n1"), whole(n0, "n0")
    if min(first, second) < 1 or first + second < 3:
        raise EstimationError("n1 and n0 must be 1 or more each and 3 or more together", code="too_few")
    return first, second


def _width(low: float, high: float) -> float:
    """Return the width of a printed interval."""
    check_number(low, "conf_low")
    check_number(high, "conf_high")
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise EstimationError("conf_low must be below conf_high, both finite", code="bad_limits")
    return float(high) - float(low)


def _quantile(level: float, df: int, reference: str) -> tuple[float, str]:
    """Return the multiplier of a standard error, and what it is called."""
    check_level(level)
    check_choice(reference, ("t", "normal"), "reference")
    used = float(df) if reference == "t" else math.inf
    return float(t_quantile((1 + level) / 2, used)), f"t with {df} df" if reference == "t" else "the normal"


def _common_steps(first: int, second: int) -> tuple[str, ...]:
    """Return the step from the error of a difference to the common SD."""
    return (f"SE / sqrt(1/{first} + 1/{second})",)
