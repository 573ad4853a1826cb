"""Agreement of two methods of measurement: bias and limits of agreement of paired values.

Closed formulas on the differences; no library that the package rests on has the exact intervals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level, check_same_order
from outcomes.stats.numerics.inputs import normal_quantile, numbers, two_sided_p
from outcomes.stats.numerics.moments import moments
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.numerics.tolerance import end_factors, tolerance_factor

LimitInterval = Literal["exact", "exact for the pair", "approximate", "approximate 1986"]
INTERVALS = ("exact", "exact for the pair", "approximate", "approximate 1986")
NO_SPREAD = "the differences do not vary"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsOfAgreement:
    """Bias and limits of agreement, with what to look at beside them.

    Attributes
    ----------
    bias : Estimate
        Mean of the differences, first minus second; t interval and p that it is 0.
    lower, upper : Estimate
        Limits of agreement: bias -/+ multiplier x SD, each with its interval.
    sd : float or None
        Of the differences.
    multiplier : float
    slope : Estimate
        Change of the difference for one unit of the mean of both, by least squares: proportional bias. It also
        leaves 0 when one method merely has the larger error or range.
    n, n_missing : int
        Pairs, and pairs left out because a value was missing.
    """

    bias: Estimate
    lower: Estimate
    upper: Estimate
    sd: float | None
    multiplier: float
    slope: Estimate
    n: int
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return a row each for bias, lower and upper limit and slope, with the common column names."""
        return estimate_rows((self.bias, self.lower, self.upper, self.slope)).assign(sd=self.sd)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return limits_sentence(self.bias, self.lower, self.upper)


def limits_of_agreement(
    first: Any,
    second: Any,
    *,
    interval: LimitInterval = "exact",
    level: float = 0.95,
    multiplier: float | None = None,
    unit: str = "",
) -> LimitsOfAgreement:
    """Return bias and limits of agreement of two methods, one pair a subject.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Values of the two methods, in the same unit; NaN where missing.
    interval : {"exact", "exact for the pair", "approximate", "approximate 1986"}
        Of each limit. Exact: noncentral t. Exact for the pair: two-sided tolerance factors, so that the outer
        limits hold 95 % of differences with the upper half of `level`, the inner ones do not with the lower.
        Approximate: t with SE = SD root(1/n + z^2 / (2 (n - 1))) (Bland and Altman 1999), or root(3 SD^2 / n)
        (1986).
    level : float
        Confidence level of the intervals.
    multiplier : float, optional
        1.96 to all digits by default; 2 as in the paper of 1986.
    unit : str

    Returns
    -------
    LimitsOfAgreement
        Not estimable below 2 pairs; without intervals where the differences do not vary.

    Raises
    ------
    EstimationError
        When lengths differ, values are no numbers or infinite, or an option is unknown.

    Notes
    -----
    Assumes that the differences are normal with one mean and SD over the whole range: look at the plot and at
    `slope`. Pairs of the same subject are not independent: see
    :func:`outcomes.stats.agreement.bland_altman_repeated.repeated_limits_of_agreement`.

    References
    ----------
    Bland JM, Altman DG. Lancet 1986; i: 307-310; Statistical Methods in Medical Research 1999; 8: 135-160.
    Carkeet A. Optometry and Vision Science 2015; 92: e71-e80 (exact).

    Examples
    --------
    Differences -1, 0, 1: mean 0, SD 1, limits -/+ 1.96:

    >>> found = limits_of_agreement([1, 2, 4], [2, 2, 3], unit="mm")
    >>> found.sd, round(found.upper.value, 2)
    (1.0, 1.96)
    """
    check_choice(interval, INTERVALS, "interval")
    check_level(level)
    z = normal_quantile(0.95) if multiplier is None else float(multiplier)
    if not (math.isfinite(z) and z > 0):
        raise EstimationError("multiplier must be finite and above 0", code="bad_multiplier")
    a, b, n_missing = paired(first, second)
    # in a fixed order, so that a permutation of pairs changes no digit
    order = np.lexsort((b, a))
    a, b = a[order], b[order]
    m = moments(a - b)
    shared: dict[str, Any] = {"unit": unit, "n": m.n, "n_missing": n_missing}
    bias = _bias(m.mean, m.variance, level, _rounding(a, b), shared)
    sd = None if m.variance is None or m.mean is None else math.sqrt(m.variance)
    if sd is not None and sd <= _rounding(a, b):
        sd = 0.0
    lower, upper = _limits(m.mean, sd, z, interval, level, shared)
    return LimitsOfAgreement(
        bias=bias, lower=lower, upper=upper, sd=sd, multiplier=z, slope=_slope(a, b, level, shared), n=m.n,
        n_missing=n_missing,
    )  # fmt: skip


def paired(first: Any, second: Any) -> tuple[FloatArray, FloatArray, int]:
    """Return the complete pairs of two columns and how many were not complete.

    Raises
    ------
    EstimationError
        Columns that are not numeric, infinite, of different lengths, or Series with the same labels in another order.

    Examples
    --------
    >>> paired([1, None, 3], [1, 2, 4])
    (array([1., 3.]), array([1., 4.]), 1)
    """
    check_same_order(first=first, second=second)
    a = numbers(first, "first: every value must be a number, NaN or None; convert the column first")
    b = numbers(second, "second: every value must be a number, NaN or None; convert the column first")
    if a.ndim != 1 or a.shape != b.shape:
        raise EstimationError(
            f"first {a.shape} and second {b.shape} must be one value each for every pair", code="bad_shape"
        )
    if np.isinf(a).any() or np.isinf(b).any():
        raise EstimationError(
            "first and second: hold infinite values; set them to NaN and count them as missing",
            code="infinite",
        )
    present = ~(np.isnan(a) | np.isnan(b))
    return a[present], b[present], int((~present).sum())


def estimate_rows(estimates: tuple[Estimate, ...]) -> pd.DataFrame:
    """Return one row an estimate, with the common column names.

    Examples
    --------
    >>> estimate_rows((Estimate.not_estimable("no pairs"),))["reason"].tolist()
    ['no pairs']
    """
    names = (
        "contrast",
        "std_error",
        "conf_low",
        "conf_high",
        "p_value",
        "n",
        "n_missing",
        "method",
        "reason",
    )
    return pd.DataFrame(
        [{"estimate": e.value} | {name: getattr(e, name) for name in names} for e in estimates]
    )


def limits_sentence(bias: Estimate, lower: Estimate, upper: Estimate) -> str:
    """Return bias and limits as one writes them in a paper.

    Examples
    --------
    >>> none = Estimate.not_estimable("no pairs", contrast="bias")
    >>> limits_sentence(none, none, none)
    'bias: not estimable (no pairs)'
    """
    if bias.value is None or lower.value is None or upper.value is None:
        return str(bias if bias.value is None else lower)

    def limit(e: Estimate) -> str:
        ends = (
            "" if e.conf_low is None or e.conf_high is None else f" ({e.conf_low:.4g} to {e.conf_high:.4g})"
        )
        return f"{e.value:.4g}{ends}"

    return f"{bias}; limits of agreement {limit(lower)} to {limit(upper)}"


def _rounding(a: FloatArray, b: FloatArray) -> float:
    """Return what a difference can be by the rounding of its two values alone."""
    largest = float(max(np.abs(a).max(initial=0.0), np.abs(b).max(initial=0.0)))
    return 8 * float(np.finfo(np.float64).eps) * largest


def _bias(
    mean: float | None, variance: float | None, level: float, rounding: float, shared: dict[str, Any]
) -> Estimate:
    """Return the mean difference with its t interval."""
    n, label = shared["n"], "bias, first minus second"
    if mean is None or variance is None:
        return Estimate.not_estimable(f"{n} complete pairs: at least 2 are needed", contrast=label, **shared)
    if math.sqrt(variance) <= rounding:
        return Estimate(
            value=mean, conf_low=None, conf_high=None, level=level, contrast=label, reason=NO_SPREAD, **shared
        )
    error = math.sqrt(variance / n)
    half = float(t_quantile((1 + level) / 2, n - 1)) * error
    return Estimate(
        value=mean, conf_low=mean - half, conf_high=mean + half, level=level, std_error=error, df=n - 1,
        p_value=two_sided_p(mean / error, n - 1), contrast=label, method="paired t", **shared,
    )  # fmt: skip


def _limits(
    mean: float | None, sd: float | None, z: float, interval: str, level: float, shared: dict[str, Any]
) -> tuple[Estimate, Estimate]:
    """Return the lower and the upper limit of agreement with their intervals."""
    n = shared["n"]
    names = ("lower limit of agreement", "upper limit of agreement")
    if mean is None or sd is None:
        reason = f"{n} complete pairs: at least 2 are needed"
        low, high = (Estimate.not_estimable(reason, contrast=name, **shared) for name in names)
        return low, high
    if sd == 0:
        low, high = (
            Estimate(value=mean, conf_low=None, conf_high=None, level=level, contrast=name, reason=NO_SPREAD, **shared)
            for name in names
        )  # fmt: skip
        return low, high
    inner, outer, error = _factors(n, z, interval, level)
    low, high = (
        Estimate(
            value=mean + sign * z * sd, conf_low=mean + sd * min(sign * inner, sign * outer),
            conf_high=mean + sd * max(sign * inner, sign * outer), level=level, std_error=error * sd,
            df=n - 1, contrast=name, method=f"mean {'-' if sign < 0 else '+'} {z:.4g} SD, {interval}", **shared,
        )
        for sign, name in zip((-1.0, 1.0), names, strict=True)
    )  # fmt: skip
    return low, high


def _factors(n: int, z: float, interval: str, level: float) -> tuple[float, float, float]:
    """Return inner and outer factor of the SD for a limit of agreement, and its standard error in SDs."""
    error = math.sqrt(3.0 / n) if interval == "approximate 1986" else math.sqrt(1 / n + z**2 / (2 * (n - 1)))
    if interval == "exact":
        return (*end_factors(n, z, level), error)
    if interval == "exact for the pair":
        share = 1 - 2 * float(special.ndtr(-z))
        inner, outer = (tolerance_factor(n, share, p) for p in ((1 - level) / 2, (1 + level) / 2))
        return inner, outer, error
    half = float(t_quantile((1 + level) / 2, n - 1)) * error
    return z - half, z + half, error


def _slope(a: FloatArray, b: FloatArray, level: float, shared: dict[str, Any]) -> Estimate:
    """Return the slope of the differences on the means."""
    label, n, method = "slope of difference on mean", a.size, "least squares"
    given = {**shared, "unit": "", "contrast": label, "method": method}
    if n < 3:
        return Estimate.not_estimable(f"{n} complete pairs: a slope needs at least 3", **given)
    y, x = a - b, b + (a - b) / 2
    x = x - float(x.mean())
    spread = float(x @ x)
    if math.sqrt(spread / n) <= _rounding(a, b):
        return Estimate.not_estimable("the means of the pairs do not vary", **given)
    centred = y - float(y.mean())
    slope = float(x @ centred) / spread
    residual = centred - slope * x
    squares = float(residual @ residual)
    if math.sqrt(squares / n) <= _rounding(a, b):
        reason = "the differences lie exactly on a line: no interval"
        return Estimate(value=slope, conf_low=None, conf_high=None, level=level, reason=reason, **given)
    error = math.sqrt(squares / (n - 2) / spread)
    half = float(t_quantile((1 + level) / 2, n - 2)) * error
    return Estimate(
        value=slope, conf_low=slope - half, conf_high=slope + half, level=level, std_error=error, df=n - 2,
        p_value=two_sided_p(slope / error, n - 2), **given,
    )  # fmt: skip
