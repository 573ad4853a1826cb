"""Test whether one odds ratio serves every cut of a grade."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_matrix
from outcomes.stats.numerics.inputs import chi2_p
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.ordinal import fit_ordinal


@dataclass(frozen=True, slots=True, kw_only=True)
class ProportionalOddsTest:
    """A test of proportional odds, of all columns together and of each.

    Attributes
    ----------
    statistic, p_value : float or None
        Chi-squared of all columns and its p; None where `reason` says why.
    df : int
        (K - 2) p.
    columns : tuple of str, length p
    column_statistics, column_p_values : tuple of float
        The same for each column, K - 2 degrees of freedom.
    n, n_missing : int
    method, reason : str
    """

    statistic: float | None
    p_value: float | None
    df: int
    columns: tuple[str, ...]
    column_statistics: tuple[float, ...]
    column_p_values: tuple[float, ...]
    n: int
    n_missing: int
    method: str = "Brant's test of proportional odds"
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row for all columns and one for each."""
        each = self.df // max(len(self.columns), 1)
        rows: list[tuple[str, float | None, int, float | None]] = [
            ("all columns", self.statistic, self.df, self.p_value)
        ]
        rows += [
            (name, statistic, each, p)
            for name, statistic, p in zip(
                self.columns, self.column_statistics, self.column_p_values, strict=False
            )
        ]
        table = pd.DataFrame(rows, columns=["contrast", "statistic", "df", "p_value"])
        return table.assign(n=self.n, n_missing=self.n_missing)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.statistic is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        return f"{self.method}: chi-squared({self.df}) = {self.statistic:.4g}, p = {self.p_value:.3g}, n = {self.n}"


def proportional_odds_test(
    X: Any, grade: Any, *, names: Sequence[str], levels: Sequence[Any], n_missing: int = 0
) -> ProportionalOddsTest:
    """Test that the log odds ratios are the same at every cut of the grade.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design without a constant column.
    grade : array_like, shape (n,)
        Grade of each row, one of `levels`; rows are independent.
    names : sequence of str, length p
        Column names.
    levels : sequence, length K >= 3
        Grades in order, lowest first; every one needs a row.
    n_missing : int
        Carried along.

    Returns
    -------
    ProportionalOddsTest
        Without a statistic when a cut is separated by the columns or the cuts are too much alike to be compared.

    Raises
    ------
    EstimationError
        Fewer than three grades, and whatever :func:`outcomes.stats.regression.ordinal.fit_ordinal` refuses.

    Notes
    -----
    Wald test of equal coefficients of the K - 1 logistic regressions of "above the cut", with their joint covariance.
    A large p is no proof of proportional odds in a small sample. Source: Brant (1990) Biometrics 46:1171-1178.

    Examples
    --------
    The counts 4, 2, 2 against 2, 2, 4 have the odds ratio 3 at both cuts.

    >>> arm = np.repeat([0.0, 1.0], 8)[:, None]
    >>> grade = np.repeat([0, 1, 2, 0, 1, 2], [4, 2, 2, 2, 2, 4])
    >>> test = proportional_odds_test(arm, grade, names=["arm"], levels=[0, 1, 2])
    >>> test.statistic < 1e-12, test.df
    (True, 1)
    """
    design, columns = check_matrix(X, names)
    if len(levels) < 3:
        raise EstimationError("two grades have one cut only; give 3 or more grades", code="bad_levels")
    # the fit checks grades, levels, rank and separation of the whole
    fit_ordinal(design, grade, names=columns, levels=levels)
    order = {level: j for j, level in enumerate(levels)}
    codes = np.array([order[g] for g in np.asarray(grade, dtype=object).ravel().tolist()])
    full = np.column_stack([np.ones(len(design)), design])
    n_cuts, p = len(levels) - 1, len(columns)
    df = (n_cuts - 1) * p
    try:
        fits = [
            fit_logistic(full, codes > cut, names=("intercept", *columns), covariance="classical")
            for cut in range(n_cuts)
        ]
    except EstimationError as problem:
        return ProportionalOddsTest(
            statistic=None, p_value=None, df=df, columns=columns, column_statistics=(), column_p_values=(),
            n=len(design), n_missing=n_missing, reason=f"at one cut, {problem}",
        )  # fmt: skip
    slopes = np.concatenate([fit.coefficients[1:] for fit in fits])
    covariance = _joint(full, [fit.probabilities for fit in fits], [fit.bread for fit in fits])
    differences = np.hstack([np.tile(np.eye(p), (n_cuts - 1, 1)), -np.eye(df)])
    chi = _wald(differences, slopes, covariance)
    each = [_wald(differences[j::p], slopes, covariance) for j in range(p)]
    if chi is None or None in each:
        return ProportionalOddsTest(
            statistic=None, p_value=None, df=df, columns=columns, column_statistics=(), column_p_values=(),
            n=len(design), n_missing=n_missing, reason="the cuts are too much alike to be compared; merge rare grades",
        )  # fmt: skip
    known = tuple(value for value in each if value is not None)
    return ProportionalOddsTest(
        statistic=chi, p_value=chi2_p(chi, df), df=df, columns=columns, column_statistics=known,
        column_p_values=tuple(chi2_p(value, n_cuts - 1) for value in known), n=len(design), n_missing=n_missing,
    )  # fmt: skip


def _joint(full: FloatArray, risks: list[FloatArray], breads: list[FloatArray]) -> FloatArray:
    """Return the joint covariance of the slopes of all cuts."""
    k, p = len(risks), full.shape[1] - 1
    joint = np.empty((k * p, k * p))
    for i in range(k):
        for j in range(i, k):
            # to be above the higher cut is to be above both
            weight = risks[j] * (1.0 - risks[i])
            block = (breads[i] @ ((full * weight[:, None]).T @ full) @ breads[j])[1:, 1:]
            joint[i * p : (i + 1) * p, j * p : (j + 1) * p] = block
            joint[j * p : (j + 1) * p, i * p : (i + 1) * p] = block.T
    return joint


def _wald(rows: FloatArray, values: FloatArray, covariance: FloatArray) -> float | None:
    """Return the chi-squared statistic of several contrasts, None when their covariance is not definite."""
    spread = rows @ covariance @ rows.T
    scale = np.sqrt(np.maximum(np.diag(spread), 1e-300))
    eigenvalues, vectors = np.linalg.eigh(spread / np.outer(scale, scale))
    if eigenvalues[0] <= 1e-10:
        return None
    turned = vectors.T @ ((rows @ values) / scale)
    return float((turned**2 / eigenvalues).sum())
