"""Whether columns of a linear model are needed: F and likelihood-ratio test of nested models."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.groups.effect_size import partial_eta_squared
from outcomes.stats.numerics.arrays import FloatArray, check_matrix, check_outcome
from outcomes.stats.numerics.inputs import chi2_p, f_p
from outcomes.stats.numerics.rank import full_rank_qr

# a column of the small model is in the span of the large one when less than this share of it lies outside
_OUTSIDE = 1e-8


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedTest:
    """Comparison of a linear model with a smaller one that it contains.

    Attributes
    ----------
    f, df_between, df_within, p_value : float or None
        F test and its degrees of freedom; None where `reason` says why.
    likelihood_ratio, likelihood_ratio_p : float or None
        Twice the difference of normal log likelihoods (maximum likelihood variance), chi-squared with
        `df_between` degrees of freedom; larger samples only.
    ss, ss_residual : float or None
        Sum of squares that the further columns explain, and that the larger model leaves; squared units.
    partial_eta_squared : Estimate
        ss / (ss + ss_residual) with its interval.
    aic, bic : float or None
        Of the larger model, the variance counted as a parameter; `aic_small` and `bic_small` of the
        smaller one. None, as the likelihood ratio, where the residual comes from a third model.
    n, n_missing : int
    method, reason : str
    """

    f: float | None
    df_between: float
    df_within: float
    p_value: float | None
    likelihood_ratio: float | None
    likelihood_ratio_p: float | None
    ss: float | None
    ss_residual: float | None
    partial_eta_squared: Estimate
    aic: float | None
    bic: float | None
    aic_small: float | None
    bic_small: float | None
    n: int
    n_missing: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        share = self.partial_eta_squared
        row = {
            "contrast": share.contrast, "statistic": self.f, "df_between": self.df_between,
            "df_within": self.df_within, "p_value": self.p_value, "estimate": share.value,
            "conf_low": share.conf_low, "conf_high": share.conf_high, "n": self.n,
            "n_missing": self.n_missing, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.f is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        return (
            f"{self.method}: F({self.df_between:.4g}, {self.df_within:.4g}) = {self.f:.4g}, "
            f"p = {self.p_value:.3g}, n = {self.n}"
        )


def nested_test(
    small: Any,
    large: Any,
    y: Any,
    *,
    names_small: Sequence[str],
    names_large: Sequence[str],
    level: float = 0.95,
    contrast: str = "",
    n_missing: int = 0,
) -> NestedTest:
    """Test whether a linear model needs more columns than a smaller one has.

    Parameters
    ----------
    small, large : array_like, shape (n, p0), (n, p1)
        Designs with their intercept columns; every column of `small` is one of `large` or a combination.
    y : array_like, shape (n,)
        Outcome.
    names_small, names_large : sequence of str
        Column names.
    level : float
        Of the interval of partial eta squared.
    contrast : str
        What the further columns stand for.
    n_missing : int
        Rows left out before; carried along.

    Returns
    -------
    NestedTest
        Without F when no residual degrees of freedom are left, or when the larger model leaves nothing.

    Raises
    ------
    EstimationError
        Models that are not nested or have the same size, rank-deficient designs (the columns are named),
        missing values.

    Notes
    -----
    F = (ss / q) / (ss_residual / (n - p1)), likelihood ratio = n log(1 + ss / ss_residual), with ss the
    squared length of the difference of the two fits (not a difference of two sums).
    Sources: Rao CR. Linear Statistical Inference. 1973, section 4b; Wilks SS. Annals of Mathematical
    Statistics 1938; 9: 60-62. AIC and BIC: Akaike 1974, Schwarz 1978.

    Examples
    --------
    Means 2 and 4 about 3, as in one-way analysis of variance: ss = 6, residual 4, F = 6 / (4/4).

    >>> one = np.ones((6, 1))
    >>> both = np.column_stack([one, [0, 0, 0, 1, 1, 1]])
    >>> test = nested_test(one, both, [1, 2, 3, 3, 4, 5], names_small=["mean"], names_large=["mean", "b"])
    >>> round(test.f, 10), round(test.partial_eta_squared.value, 10), round(test.likelihood_ratio, 6)
    (6.0, 0.6, 5.497744)
    """
    design0, names0 = check_matrix(small, names_small)
    design1, names1 = check_matrix(large, names_large)
    if len(design0) != len(design1):
        raise EstimationError(
            f"the models have {len(design0)} and {len(design1)} rows; fit both to the same rows",
            code="bad_shape",
        )
    outcome = check_outcome(y, len(design1))
    basis0, _ = full_rank_qr(design0, names0)
    basis1, _ = full_rank_qr(design1, names1)
    _check_nested(design0, names0, basis1)
    return compare_fits(
        basis0, basis1, outcome, level=level, contrast=contrast, n_missing=n_missing,
        method="F test of nested linear models",
    )  # fmt: skip


def compare_fits(
    basis_small: FloatArray,
    basis_large: FloatArray,
    y: FloatArray,
    *,
    method: str,
    level: float = 0.95,
    contrast: str = "",
    n_missing: int = 0,
    residual_basis: FloatArray | None = None,
    reason: str = "",
) -> NestedTest:
    """Compare two nested models given by orthonormal bases of their columns.

    `residual_basis` takes the residual variance from a still larger model, as two-way tables do; a `reason`
    given means that no test is to be made.

    Examples
    --------
    >>> one = np.full((4, 1), 0.5)
    >>> both = np.column_stack([one, [-0.5, -0.5, 0.5, 0.5]])
    >>> compare_fits(one, both, np.array([0.0, 2.0, 3.0, 5.0]), method="F").f
    4.5
    """
    last = basis_large if residual_basis is None else residual_basis
    n, q, df = len(y), basis_large.shape[1] - basis_small.shape[1], len(y) - last.shape[1]
    # A constant that every model holds is taken off first: it would cost digits.
    centred = y - y[0] if _holds_constant(basis_small) else y
    fitted = basis_large @ (basis_large.T @ centred) - basis_small @ (basis_small.T @ centred)
    left = centred - last @ (last.T @ centred)
    left = left - last @ (last.T @ left)
    ss, rss = float(fitted @ fitted), float(left @ left)
    reason = reason or _why_not(q, df, rss, y)
    if reason:
        return _no_test(q, max(df, 0), reason, method, contrast, n, n_missing)
    f = ss / q / (rss / df)
    test = NestedTest(
        f=f, df_between=float(q), df_within=float(df), p_value=f_p(f, q, df), likelihood_ratio=None,
        likelihood_ratio_p=None, ss=ss, ss_residual=rss,
        partial_eta_squared=replace(
            partial_eta_squared(f, q, df, level=level, contrast=contrast), n=n, n_missing=n_missing
        ), aic=None,
        bic=None, aic_small=None, bic_small=None, n=n, n_missing=n_missing, method=method,
    )  # fmt: skip
    if residual_basis is not None:
        return test  # three models: there is no likelihood ratio of two
    ratio, p = n * math.log1p(ss / rss), last.shape[1]
    return replace(
        test, likelihood_ratio=ratio, likelihood_ratio_p=chi2_p(ratio, q), aic=_criterion(rss, n, p, 2.0),
        bic=_criterion(rss, n, p, math.log(n)), aic_small=_criterion(rss + ss, n, p - q, 2.0),
        bic_small=_criterion(rss + ss, n, p - q, math.log(n)),
    )  # fmt: skip


def column_basis(design: FloatArray) -> FloatArray:
    """Return an orthonormal basis of what the columns span, whatever their rank.

    Examples
    --------
    >>> column_basis(np.array([[1.0, 2.0], [1.0, 2.0], [1.0, 2.0]])).shape
    (3, 1)
    """
    lengths = np.linalg.norm(design, axis=0)
    left, values, _ = np.linalg.svd(design / np.where(lengths > 0, lengths, 1.0), full_matrices=False)
    return np.asarray(left[:, values > 1e-10 * values[0]], dtype=np.float64)


def _why_not(q: int, df: int, rss: float, y: FloatArray) -> str:
    """Return why there is no test; empty when there is one."""
    if q < 1:
        return "one level, or nothing that the other effects do not already hold"
    if df < 1:
        return f"{len(y)} rows leave no residual degrees of freedom"
    if math.sqrt(rss / len(y)) <= 8 * np.finfo(np.float64).eps * float(np.abs(y).max()):
        return "the larger model leaves no variation to judge by"
    return ""


def _no_test(q: int, df: int, reason: str, method: str, contrast: str, n: int, n_missing: int) -> NestedTest:
    """Return the test that says why there is none."""
    share = Estimate.not_estimable(reason, contrast=contrast, unit="share", n=n, n_missing=n_missing)
    return NestedTest(
        f=None, df_between=float(q), df_within=float(df), p_value=None, likelihood_ratio=None,
        likelihood_ratio_p=None, ss=None, ss_residual=None, partial_eta_squared=share, aic=None, bic=None,
        aic_small=None, bic_small=None, n=n, n_missing=n_missing, method=method, reason=reason,
    )  # fmt: skip


def _criterion(rss: float, n: int, p: int, penalty: float) -> float:
    """Return -2 log likelihood plus a penalty for each coefficient and the variance."""
    return n * (math.log(2 * math.pi) + math.log(rss / n) + 1) + penalty * (p + 1)


def _holds_constant(basis: FloatArray) -> bool:
    """Return whether the columns can make up a constant."""
    one = np.ones(len(basis))
    left = one - basis @ (basis.T @ one)
    return float(left @ left) < 1e-16 * len(basis)


def _check_nested(small: FloatArray, names: tuple[str, ...], basis: FloatArray) -> None:
    """Refuse models that are not nested, naming the columns of the small one that are not in the large."""
    if small.shape[1] >= basis.shape[1]:
        raise EstimationError(
            f"the models have {small.shape[1]} and {basis.shape[1]} columns; the larger one needs more",
            code="not_nested",
        )
    outside = np.linalg.norm(small - basis @ (basis.T @ small), axis=0)
    strange = [
        name
        for name, part, size in zip(names, outside, np.linalg.norm(small, axis=0), strict=True)
        if part > _OUTSIDE * size
    ]
    if strange:
        raise EstimationError(
            f"not in the larger model: {', '.join(strange)}; it must hold every column of the smaller one",
            code="not_nested",
        )
