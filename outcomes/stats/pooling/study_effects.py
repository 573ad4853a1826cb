"""The effect of each study and its standard error, from tables, means and SDs or estimates, ready for pooling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import count_array, numbers

TableMeasure = Literal["log risk ratio", "log odds ratio", "risk difference"]
MeanMeasure = Literal[
    "mean difference", "mean difference, pooled SD", "Cohen d", "Hedges g", "Hedges g, approximate J"
]
MEAN_MEASURES = (
    "mean difference",
    "mean difference, pooled SD",
    "Cohen d",
    "Hedges g",
    "Hedges g, approximate J",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyEffects:
    """Effects of the studies that have one.

    Attributes
    ----------
    values, std_errors : ndarray, shape (m,)
        As :func:`outcomes.stats.pooling.pooled_effect.pool` takes them.
    used : ndarray of int, shape (m,)
        0-based numbers of the studies used, in order.
    left_out : int
        Studies without an effect or without a standard error above 0.
    measure, reason : str
        What was computed; why studies were left out.
    """

    values: FloatArray
    std_errors: FloatArray
    used: np.ndarray
    left_out: int
    measure: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row for each study used, with the common column names."""
        return pd.DataFrame(
            {
                "group": self.used + 1, "contrast": self.measure, "estimate": self.values,
                "std_error": self.std_errors,
            }
        )  # fmt: skip

    def __str__(self) -> str:
        """Return how many studies have an effect."""
        note = f"; {self.left_out} left out ({self.reason})" if self.left_out else ""
        return f"{self.measure} of {self.values.size} {'study' if self.values.size == 1 else 'studies'}{note}"


def effects_of_tables(tables: ArrayLike, measure: TableMeasure) -> StudyEffects:
    """Return the effect of each study from its 2 x 2 table.

    Parameters
    ----------
    tables : array_like of int, shape (k, 2, 2)
        Each study as ``[[events 1, no events 1], [events 0, no events 0]]``.
    measure : {"log risk ratio", "log odds ratio", "risk difference"}

    Returns
    -------
    StudyEffects
        Large-sample variances: 1/a - 1/n1 + 1/c - 1/n0; the sum of 1/cell; p(1 - p)/n of both groups.
        Nothing is added to an empty cell: a study that has no effect or no variance is left out and
        counted. With several of those pool by Mantel-Haenszel or Peto, which can use them.

    Raises
    ------
    EstimationError
        When the shape is not (k, 2, 2) or a cell is not a count.

    References
    ----------
    Normand SLT. Statistics in Medicine 1999; 18: 321-359.

    Examples
    --------
    Risks 0.2 and 0.1; 1/20 - 1/100 + 1/10 - 1/100; no ratio without events:

    >>> found = effects_of_tables([[[20, 80], [10, 90]], [[0, 9], [3, 6]]], "log risk ratio")
    >>> float(np.exp(found.values[0]).round(12)), float((found.std_errors[0] ** 2).round(12)), found.left_out
    (2.0, 0.13, 1)
    """
    check_choice(measure, ("log risk ratio", "log odds ratio", "risk difference"), "measure")
    cells = count_array(tables, "tables", "(k, 2, 2)", 3)
    if cells.shape[1:] != (2, 2):
        raise EstimationError(f"tables: expected shape (k, 2, 2), got {cells.shape}", code="bad_shape")
    a, b, c, d = cells[:, 0, 0], cells[:, 0, 1], cells[:, 1, 0], cells[:, 1, 1]
    n1, n0 = a + b, c + d
    # what an empty cell makes of these is not used: see the choice below
    with np.errstate(divide="ignore", invalid="ignore"):
        if measure == "risk difference":
            value, variance = a / n1 - c / n0, a * b / n1**3 + c * d / n0**3
        elif measure == "log risk ratio":
            value, variance = np.log(a / n1) - np.log(c / n0), b / (a * n1) + d / (c * n0)
        else:
            value, variance = np.log(a) - np.log(b) - np.log(c) + np.log(d), 1 / a + 1 / b + 1 / c + 1 / d
        usable = np.isfinite(value) & np.isfinite(variance) & (variance > 0)
    return _effects(value, variance, usable, measure, "an empty group, or empty cells that leave no effect")


def effects_of_means(
    mean1: ArrayLike, sd1: ArrayLike, n1: ArrayLike, mean0: ArrayLike, sd0: ArrayLike, n0: ArrayLike,
    measure: MeanMeasure = "mean difference",
) -> StudyEffects:  # fmt: skip
    """Return the effect of each study, group 1 minus group 0, from printed means and SDs.

    Parameters
    ----------
    mean1, sd1, n1, mean0, sd0, n0 : array_like, shape (k,)
        One number a study.
    measure : {"mean difference", "mean difference, pooled SD", "Cohen d", "Hedges g", "Hedges g, approximate J"}
        Variance by both SDs; by the pooled SD; the difference d in pooled SDs with variance
        1/n1 + 1/n0 + d^2 / (2 (n1 + n0)); g = J d with the exact correction
        J = gamma(m/2) / (sqrt(m/2) gamma((m-1)/2)), m = n1 + n0 - 2, and the same variance with g for d; or
        g with J = 1 - 3 / (4 m - 1) and J^2 times the variance of d (Borenstein 2009).

    Returns
    -------
    StudyEffects
        A study without two patients in each group, or with SDs of 0, is left out and counted.

    Raises
    ------
    EstimationError
        When lengths differ or a number is not what it must be.

    References
    ----------
    Hedges LV. Journal of Educational Statistics 1981; 6: 107-128. Normand SLT. Statistics in Medicine 1999;
    18: 321-359. Borenstein M, Hedges LV, Higgins JPT, Rothstein HR. Introduction to Meta-Analysis 2009,
    chapter 4.

    Examples
    --------
    Variance 4/8 + 4/8; g of one SD with m = 14 is J = 0.945:

    >>> effects_of_means([3], [2], [8], [1], [2], [8]).std_errors
    array([1.])
    >>> effects_of_means([3], [2], [8], [1], [2], [8], "Hedges g").values.round(4)
    array([0.9453])
    """
    check_choice(measure, MEAN_MEASURES, "measure")
    given = {"mean1": mean1, "sd1": sd1, "n1": n1, "mean0": mean0, "sd0": sd0, "n0": n0}
    columns = [numbers(column, f"{name}: every value must be a number") for name, column in given.items()]
    if len({column.shape for column in columns}) != 1 or columns[0].ndim != 1 or columns[0].size == 0:
        raise EstimationError("give mean, SD and n of both groups, one number a study each", code="bad_shape")
    m1, s1, k1, m0, s0, k0 = columns
    for (name, _), column in zip(given.items(), columns, strict=True):
        wrong = ~np.isfinite(column) | ((column < 0) & (not name.startswith("mean")))
        wrong |= (column != np.floor(column)) & name.startswith("n")
        if wrong.any():
            raise EstimationError(
                f"{name}: {int(wrong.sum())} studies without a usable number (first: number "
                f"{int(np.flatnonzero(wrong)[0]) + 1}); leave them out and count them",
                code="unusable_studies",
            )
    sized = (k1 >= 2) & (k0 >= 2)
    one, none, df = np.where(sized, k1, 2.0), np.where(sized, k0, 2.0), np.where(sized, k1 + k0 - 2, 2.0)
    pooled = ((one - 1) * s1**2 + (none - 1) * s0**2) / df
    value = m1 - m0
    if measure == "mean difference":
        variance = s1**2 / one + s0**2 / none
    elif measure == "mean difference, pooled SD":
        variance = pooled * (1 / one + 1 / none)
    else:
        shrink = _shrinkage(df, measure)
        value = shrink * np.divide(value, np.sqrt(pooled), out=np.zeros_like(value), where=pooled > 0)
        variance = (1 / one + 1 / none + value**2 / (2 * (one + none))) * (pooled > 0)
        if measure == "Hedges g, approximate J":  # J^2 times the variance of d
            variance = (shrink**2 * (1 / one + 1 / none) + value**2 / (2 * (one + none))) * (pooled > 0)
    return _effects(
        value, variance, sized & (variance > 0), measure, "under 2 patients in a group, or no spread"
    )


def effects_of_estimates(estimates: Sequence[Estimate]) -> StudyEffects:
    """Return effects and errors of estimates that were made before, one a study or hospital.

    Parameters
    ----------
    estimates : sequence of Estimate
        All ratios (unit ``"ratio"``, standard error of the log) or all in one other unit.

    Returns
    -------
    StudyEffects
        Logs of ratios. An estimate without a value or without a standard error is left out and counted.

    Raises
    ------
    EstimationError
        When there are none or their units differ.

    Examples
    --------
    >>> one = Estimate(value=2.0, conf_low=1.0, conf_high=4.0, std_error=0.35, unit="ratio", n=80)
    >>> found = effects_of_estimates([one, Estimate.not_estimable("no events", unit="ratio")])
    >>> float(found.values[0].round(4)), float(found.std_errors[0]), found.left_out
    (0.6931, 0.35, 1)
    """
    units = {estimate.unit for estimate in estimates}
    if len(units) != 1:
        raise EstimationError(
            f"the estimates have {len(units)} units; give at least one, all in the same unit", code="bad_unit"
        )
    ratio = units == {"ratio"}
    floor = 0.0 if ratio else -np.inf
    # a missing number becomes NaN, which is not above the floor
    value = np.array([np.nan if e.value is None else e.value for e in estimates], dtype=np.float64)
    error = np.array([e.std_error or 0.0 for e in estimates], dtype=np.float64)
    usable = (value > floor) & (error > 0)
    scaled = np.log(np.where(usable, value, 1.0)) if ratio else value
    return _effects(
        scaled, error**2, usable, "log ratio" if ratio else "effect", "no value or no standard error"
    )


def _shrinkage(df: FloatArray, measure: str) -> FloatArray:
    """Return the factor J that takes the bias of small samples off a standardised difference."""
    if measure == "Cohen d":
        return np.ones_like(df)
    if measure == "Hedges g, approximate J":
        return np.asarray(1 - 3 / (4 * df - 1), dtype=np.float64)
    half = df / 2
    shrink = np.exp(special.gammaln(half) - special.gammaln(half - 0.5)) / np.sqrt(half)
    return np.asarray(shrink, dtype=np.float64)


def _effects(
    value: FloatArray, variance: FloatArray, usable: np.ndarray, measure: str, why: str
) -> StudyEffects:
    """Return the usable effects."""
    left_out = int((~usable).sum())
    return StudyEffects(
        values=value[usable], std_errors=np.sqrt(variance[usable]), used=np.flatnonzero(usable),
        left_out=left_out, measure=measure, reason=why if left_out else "",
    )  # fmt: skip
