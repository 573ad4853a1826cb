"""Limits of agreement where subjects were measured several times by each method.

Beside :mod:`outcomes.stats.agreement.bland_altman`; there one pair a subject.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.agreement.bland_altman import NO_SPREAD, estimate_rows, limits_sentence
from outcomes.stats.agreement.measurement_error import variance_limits
from outcomes.stats.numerics.arrays import (
    FloatArray,
    IntArray,
    check_choice,
    check_level,
    cluster_codes,
    clusters_of,
)
from outcomes.stats.numerics.inputs import normal_quantile, numbers, two_sided_p
from outcomes.stats.numerics.student import t_quantile

TrueValue = Literal["constant", "varying"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatedLimits:
    """Bias and limits of agreement for single measurements, from repeated ones.

    Attributes
    ----------
    bias, lower, upper : Estimate
        `n` counts subjects.
    sd : float or None
        SD of the difference between two single measurements of a new subject.
    sd_between : float or None
        SD of the bias between subjects (interaction), 0 where the estimate of the variance is below 0.
    sd_within : tuple of float or None
        SD of repeats: of the first and the second method (constant; None without repeats), or of the differences
        (varying).
    n, n_values, n_missing : int
        Subjects, values (pairs when varying) used, and values left out.
    """

    bias: Estimate
    lower: Estimate
    upper: Estimate
    sd: float | None
    sd_between: float | None
    sd_within: tuple[float | None, ...] | None
    n: int
    n_values: int
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return a row each for bias, lower and upper limit, with the common column names."""
        return estimate_rows((self.bias, self.lower, self.upper)).assign(sd=self.sd, n_values=self.n_values)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return f"{limits_sentence(self.bias, self.lower, self.upper)}; {self.n_values} values"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """Bias with its variance, and the parts of the variance of a difference with their degrees of freedom."""

    bias: float
    bias_variance: float
    parts: list[tuple[float, float]]
    between: float
    within: tuple[float | None, ...]
    n: int


def repeated_limits_of_agreement(
    first: Any,
    second: Any,
    subjects: Any,
    *,
    true_value: TrueValue,
    level: float = 0.95,
    multiplier: float | None = None,
    unit: str = "",
) -> RepeatedLimits:
    """Return limits of agreement of two methods from repeated measurements.

    Parameters
    ----------
    first, second : array_like, shape (rows,)
        Values of the two methods, NaN where there is none.
    subjects : array_like, shape (rows,)
        Who was measured.
    true_value : {"constant", "varying"}
        Constant: repeats estimate one value, so values in one row need not belong together and the methods may
        have different numbers of repeats. Varying: the values of a row were taken together, and only complete
        rows are used.
    level : float
        Confidence level of the intervals.
    multiplier : float, optional
        1.96 to all digits by default.
    unit : str

    Returns
    -------
    RepeatedLimits
        Constant: variance of the differences of subject means + sum over methods of (1 - mean of 1/m) within
        variance; bias is the mean over subjects. Varying: one-way analysis of variance of the differences;
        between + within; bias is the mean over rows. Intervals of the limits by the method of variance estimates
        recovery; approximate when subjects have very different numbers of values. Not estimable below 2
        subjects, or without repeats.

    Raises
    ------
    EstimationError
        When lengths differ, a subject is missing, or values are no numbers.

    References
    ----------
    Bland JM, Altman DG. Statistical Methods in Medical Research 1999; 8: 135-160, section 5; Journal of
    Biopharmaceutical Statistics 2007; 17: 571-582. Intervals: Zou GY. Statistical Methods in Medical Research
    2013; 22: 630-642.

    Examples
    --------
    Differences 1, 3 and -3, -1: mean squares 16 between, 2 within, so (16 - 2) / 2 + 2 = 9:

    >>> rows = ([5, 7, 2, 2], [4, 4, 5, 3], ["p", "p", "q", "q"])
    >>> found = repeated_limits_of_agreement(*rows, true_value="varying")
    >>> round(found.sd, 9), found.bias.value
    (3.0, 0.0)
    """
    check_choice(true_value, ("constant", "varying"), "true_value")
    check_level(level)
    z = normal_quantile(0.95) if multiplier is None else float(multiplier)
    a, b = (
        numbers(v, f"{name}: every value must be a number or NaN")
        for v, name in ((first, "first"), (second, "second"))
    )
    if a.ndim != 1 or a.shape != b.shape:
        raise EstimationError(
            f"first {a.shape} and second {b.shape} must be one value a row", code="bad_shape"
        )
    if np.isinf(a).any() or np.isinf(b).any() or not (math.isfinite(z) and z > 0):
        raise EstimationError(
            "first, second and multiplier must be finite (NaN where a value is missing)", code="infinite"
        )
    given = int(a.size) * 2
    if true_value == "varying":
        used = ~(np.isnan(a) | np.isnan(b))
        codes, n = cluster_codes(clusters_of(subjects, used), int(used.sum()))
        found, n_values = _varying(a[used] - b[used], codes, n), int(used.sum())
        n_missing = int(a.size) - n_values
    else:
        codes, n = cluster_codes(subjects, a.size)
        found, n_values = _constant(a, b, codes, n)
        n_missing = given - n_values
    rounding = 16 * np.finfo(np.float64).eps * float(np.nanmax(np.abs([a, b]), initial=0.0))
    return _result(found, z, level, unit, n_values, n_missing, rounding)


def _varying(d: FloatArray, codes: IntArray, n: int) -> _Parts | str:
    """Return the parts where each row is a pair of its own."""
    sizes, means, within = _groups(d, codes, n)
    total = float(sizes.sum())
    if n < 2:
        return f"{n} subjects with a complete pair: at least 2 are needed"
    if total == n:
        return "no subject has two pairs: use the limits of agreement of single pairs"
    bias = math.fsum(sizes * means) / total
    between = math.fsum(sizes * (means - bias) ** 2) / (n - 1)
    inside = within / (total - n)
    typical = (total - float(sizes @ sizes) / total) / (n - 1)
    component = max(0.0, (between - inside) / typical)
    return _Parts(
        bias=bias, bias_variance=component * float(sizes @ sizes) / total**2 + inside / total
        if component > 0 else min(between, inside) / total,
        parts=[(between / typical, n - 1.0), (inside * (1 - 1 / typical), total - n)],
        between=component, within=(inside,), n=n,
    )  # fmt: skip


def _constant(a: FloatArray, b: FloatArray, codes: IntArray, n: int) -> tuple[_Parts | str, int]:
    """Return the parts where repeats of a method estimate one value, and how many values were used."""
    counts = [np.bincount(codes[~np.isnan(v)], minlength=n) for v in (a, b)]
    kept = (counts[0] > 0) & (counts[1] > 0)
    number = np.cumsum(kept) - 1
    m = int(kept.sum())
    columns = []
    for v in (a, b):
        used = ~np.isnan(v) & kept[codes]
        columns.append(_groups(v[used], number[codes[used]], m))
    n_values = int(sum(float(sizes.sum()) for sizes, *_ in columns))
    if m < 2:
        return f"{m} subjects with both methods: at least 2 are needed", n_values
    if n_values == 2 * m:
        return "no subject has two values of a method: use the limits of agreement of single pairs", n_values
    d = columns[0][1] - columns[1][1]
    bias = math.fsum(d) / m
    between = math.fsum((d - bias) ** 2) / (m - 1)
    parts, taken = [(between, m - 1.0)], 0.0
    within: list[float | None] = []
    for sizes, _, squares in columns:
        df = float(sizes.sum()) - m
        if df <= 0:  # one value each: its error is in the differences of the means
            within.append(None)
            continue
        variance, share = squares / df, math.fsum(1 / sizes) / m
        parts.append(((1 - share) * variance, df))
        within.append(variance)
        taken += share * variance
    found = _Parts(
        bias=bias, bias_variance=between / m, parts=parts, between=max(0.0, between - taken),
        within=tuple(within), n=m,
    )  # fmt: skip
    return found, n_values


def _groups(values: FloatArray, codes: IntArray, n: int) -> tuple[FloatArray, FloatArray, float]:
    """Return size and mean of each subject and the squares within, whatever the order of the rows."""
    sizes, means, squares = np.zeros(n), np.zeros(n), []
    for code in range(n):
        mine = np.sort(values[codes == code])
        sizes[code] = mine.size
        means[code] = mine[0] + float((mine - mine[0]).mean())
        squares.append(float(((mine - means[code]) ** 2).sum()))
    return sizes, means, math.fsum(squares)


def _result(
    found: _Parts | str, z: float, level: float, unit: str, n_values: int, n_missing: int, rounding: float
) -> RepeatedLimits:
    """Return bias and limits with intervals, or why there are none."""
    labels = ("bias, first minus second", "lower limit of agreement", "upper limit of agreement")
    if isinstance(found, str):
        gone = [
            Estimate.not_estimable(found, contrast=label, unit=unit, n_missing=n_missing) for label in labels
        ]
        return RepeatedLimits(
            bias=gone[0], lower=gone[1], upper=gone[2], sd=None, sd_between=None, sd_within=None, n=0,
            n_values=n_values, n_missing=n_missing,
        )  # fmt: skip
    variance = math.fsum(part for part, _ in found.parts)
    sd = math.sqrt(max(0.0, variance))
    shared: dict[str, Any] = {"level": level, "unit": unit, "n": found.n, "n_missing": n_missing}
    values = (found.bias, found.bias - z * sd, found.bias + z * sd)
    error = math.sqrt(found.bias_variance)
    if min(sd, error) <= rounding:
        bias, lower, upper = (
            Estimate(value=value, conf_low=None, conf_high=None, contrast=label, reason=NO_SPREAD, **shared)
            for value, label in zip(values, labels, strict=True)
        )
    else:
        half = float(t_quantile((1 + level) / 2, found.n - 1)) * error
        low, high = (math.sqrt(limit) for limit in variance_limits(found.parts, level))
        inner, outer = math.hypot(half, z * (sd - low)), math.hypot(half, z * (high - sd))
        bias = Estimate(
            value=values[0], conf_low=values[0] - half, conf_high=values[0] + half, std_error=error,
            df=found.n - 1, p_value=two_sided_p(values[0] / error, found.n - 1), contrast=labels[0],
            method="t over subjects", **shared,
        )  # fmt: skip
        lower, upper = (
            Estimate(
                value=value, conf_low=value - below, conf_high=value + above, contrast=label,
                method="variance estimates recovery", **shared,
            )
            for value, label, below, above in zip(values[1:], labels[1:], (outer, inner), (inner, outer), strict=True)
        )  # fmt: skip
    within = tuple(None if v is None else math.sqrt(v) for v in found.within)
    return RepeatedLimits(
        bias=bias, lower=lower, upper=upper, sd=sd, sd_between=math.sqrt(found.between), sd_within=within,
        n=found.n, n_values=n_values, n_missing=n_missing,
    )  # fmt: skip
