"""Joint test of several contrasts of a regression, with whatever covariance the fit has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.stats.numerics.arrays import FloatArray
from outcomes.stats.numerics.inputs import chi2_p, f_p
from outcomes.stats.regression.clusters import LEAST_OBSERVED, degrees_of_freedom
from outcomes.stats.regression.contrasts import (
    RegressionFit,
    check_contrasts,
    contrast_covariance,
    covariance_method,
)

# directions whose variance is this small beside the largest are rounding, not spread
_NO_SPREAD = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class WaldTest:
    """A joint test that several contrasts are all 0.

    Attributes
    ----------
    f, df_between, df_within, p_value : float or None
        F statistic (Wald's quadratic form over the number of contrasts), its degrees of freedom and p;
        None where `reason` says why. `df_within` alone is None where the reference is the normal: then p is of
        chi-squared.
    n, n_missing : int
        Rows of the fit; rows left out before it.
    method, reason : str
    """

    f: float | None
    df_between: float | None
    df_within: float | None
    p_value: float | None
    n: int
    n_missing: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {"statistic": self.f, "df_between": self.df_between, "df_within": self.df_within}
        counts = {"p_value": self.p_value, "n": self.n, "n_missing": self.n_missing, "method": self.method}
        return pd.DataFrame([row | counts])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.f is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        if self.df_within is None:
            chi = self.f * (self.df_between or 0.0)
            return f"{self.method}: chi-squared({self.df_between:.4g}) = {chi:.4g}, p = {self.p_value:.3g}, n = {self.n}"
        return (
            f"{self.method}: F({self.df_between:.4g}, {self.df_within:.4g}) = {self.f:.4g}, "
            f"p = {self.p_value:.3g}, n = {self.n}"
        )


def wald_test(fit: RegressionFit, C: Any, *, n_missing: int = 0) -> WaldTest:
    """Test that contrasts of the coefficients are all 0.

    Parameters
    ----------
    fit : LinearFit or LogisticFit
        Fitted model; its covariance is used.
    C : array_like, shape (m, p)
        One contrast a row, m of them independent.
    n_missing : int
        Rows left out before the fit; carried along.

    Returns
    -------
    WaldTest
        Without F when the contrasts are not independent or have no spread.

    Raises
    ------
    EstimationError
        Contrasts that do not have one finite number a coefficient.

    Notes
    -----
    F is W / m. The contrasts are turned to independent directions (eigenvectors of their covariance), each a
    squared t with degrees of freedom v_i (Satterthwaite for CR2 and HC2). With E the sum of v_i / (v_i - 2)
    the denominator degrees of freedom are 2 E / (E - m), which gives F the mean of the average of these
    squared t; 2 when some v_i is not above 2. With m = 1, F is exactly t squared; with classical errors it
    is exactly the F test of nested models. Where the reference of each contrast is the normal (a logistic or Poisson
    fit with classical, HC0, HC1 or HC3 errors) W is chi-squared with m degrees of freedom. Source: Fai AHT, Cornelius PL. Journal of Statistical Computation
    and Simulation 1996; 54: 363-378.

    Examples
    --------
    Means 2 and 4, variance 1 in each group of three: F = (4 - 2)^2 / (1/3 + 1/3) = 6.

    >>> from outcomes.stats.regression.linear import fit_linear
    >>> X = [[1, 0], [1, 0], [1, 0], [1, 1], [1, 1], [1, 1]]
    >>> fit = fit_linear(X, [1, 2, 3, 3, 4, 5], names=["a", "b minus a"], covariance="classical")
    >>> test = wald_test(fit, [[0, 1]])
    >>> round(test.f, 12), test.df_between, test.df_within
    (6.0, 1.0, 4.0)
    """
    rows = check_contrasts(C, fit)
    m = len(rows)
    method = f"Wald F, {covariance_method(fit)}"
    # unit variance keeps the judgement of independence free of the units of the contrasts
    covariance = contrast_covariance(fit, rows)
    spread = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    scaled = np.where(spread > 0.0, spread, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(scaled, scaled))
    size = np.abs(rows) @ np.abs(fit.coefficients)
    if not (spread > _NO_SPREAD * size).all() or values[0] <= _NO_SPREAD * max(values[-1], 1.0):
        reason = "the contrasts are not independent of one another, or have no spread to be judged by"
        return WaldTest(
            f=None, df_between=None, df_within=None, p_value=None, n=fit.n, n_missing=n_missing,
            method=method, reason=reason,
        )  # fmt: skip
    directions = vectors.T @ (rows / scaled[:, None])
    freedoms = degrees_of_freedom(fit.pieces, directions, least_observed=LEAST_OBSERVED)
    if np.isnan(freedoms).any():
        reason = "one cluster (or case) alone carries a contrast, so its residuals cannot show the error"
        return WaldTest(
            f=None, df_between=None, df_within=None, p_value=None, n=fit.n, n_missing=n_missing,
            method=method, reason=reason,
        )  # fmt: skip
    squared_t = np.square(directions @ fit.coefficients) / values
    f = float(squared_t.mean())
    df = None if np.isinf(freedoms).all() else _denominator(freedoms)
    return WaldTest(
        f=f, df_between=float(m), df_within=df, p_value=chi2_p(m * f, m) if df is None else f_p(f, m, df), n=fit.n,
        n_missing=n_missing, method=method,
    )  # fmt: skip


def _denominator(df: FloatArray) -> float:
    """Return the denominator degrees of freedom of the average of squared t's with these."""
    m = len(df)
    if m == 1 or np.ptp(df) < 1e-8 * df.max():
        return float(df.mean())
    if not (df > 2.0).all():
        return 2.0
    expected = float((df / (df - 2.0)).sum())
    return 2.0 * expected / (expected - m)
