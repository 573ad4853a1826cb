"""Contrasts of regression coefficients, whatever the regression, with their intervals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_level, floats
from outcomes.stats.numerics.inputs import SMALLEST_P
from outcomes.stats.numerics.student import t_quantile, t_two_sided_p
from outcomes.stats.regression.clusters import (
    FEW_CLUSTERS,
    LEAST_OBSERVED,
    SandwichPieces,
    degrees_of_freedom,
)

# a standard error this small beside the terms of its contrast is rounding, not spread
_NO_SPREAD = 1e-12


class RegressionFit(Protocol):
    """What a fit must offer to have contrasts formed from it."""

    @property
    def model(self) -> str: ...  # noqa: D102
    @property
    def names(self) -> tuple[str, ...]: ...  # noqa: D102
    @property
    def coefficients(self) -> FloatArray: ...  # noqa: D102
    @property
    def covariance(self) -> FloatArray: ...  # noqa: D102
    @property
    def pieces(self) -> SandwichPieces: ...  # noqa: D102
    @property
    def n(self) -> int: ...  # noqa: D102
    @property
    def n_clusters(self) -> int: ...  # noqa: D102


def contrast_covariance(fit: RegressionFit, C: Any) -> FloatArray:
    """Return the covariance matrix of contrasts of the coefficients.

    Parameters
    ----------
    fit : LinearFit or LogisticFit
        Fitted model.
    C : array_like, shape (m, p)
        One contrast a row.

    Returns
    -------
    ndarray, shape (m, m)

    Raises
    ------
    EstimationError
        The contrasts do not have one finite number a coefficient.

    Notes
    -----
    Source: Rao, Linear Statistical Inference, 2nd ed. (1973), section 4a.

    Examples
    --------
    >>> from outcomes.stats.regression.linear import fit_linear
    >>> X = [[1, 0], [1, 1], [1, 0], [1, 1]]
    >>> fit = fit_linear(X, [1, 4, 3, 8], names=["a", "b"], covariance="classical")
    >>> contrast_covariance(fit, [[0, 1]]).round(12).tolist()
    [[5.0]]
    """
    rows = check_contrasts(C, fit)
    return rows @ fit.covariance @ rows.T


def linear_contrast(
    fit: RegressionFit,
    C: Any,
    *,
    level: float = 0.95,
    labels: Sequence[str] | None = None,
    unit: str = "",
    extra_variance: Any = None,
    critical: float | None = None,
    n: Sequence[int] | None = None,
    n_missing: int = 0,
) -> tuple[Estimate, ...]:
    """Estimate contrasts of the coefficients with intervals.

    Parameters
    ----------
    fit : LinearFit or LogisticFit
        Fitted model.
    C : array_like, shape (m, p)
        One contrast a row.
    level : float
        Confidence level.
    labels : sequence of str, length m, optional
        What is subtracted from what.
    unit : str
        Unit of the contrasts.
    extra_variance : array_like, shape (m,), optional
        Added to the variance, with G - 1 degrees of freedom of its own: the share that comes from
        averaging over a sampled population (:func:`outcomes.stats.regression.clusters.mean_variance`).
    critical : float, optional
        Replaces the t quantile in the interval, for simultaneous intervals; p stays the plain one.
    n : sequence of int, length m, optional
        Cases each contrast speaks for, where that is not the n of the fit.
    n_missing : int
        Cases left out before the fit because something was missing; carried along.

    Returns
    -------
    tuple of Estimate
        Reference t with Satterthwaite degrees of freedom for CR2 and HC2. A contrast without any
        spread keeps its value and has no interval, with the reason.

    Raises
    ------
    EstimationError
        Contrasts, labels or extra variance of the wrong shape; a bad level.

    Notes
    -----
    Sources: Bell and McCaffrey (2002) Survey Methodology 28:169; Satterthwaite (1946) Biometrics
    Bulletin 2:110 for the sum of two variances.

    Examples
    --------
    >>> from outcomes.stats.regression.linear import fit_linear
    >>> X = [[1, 0], [1, 1], [1, 0], [1, 1]]
    >>> fit = fit_linear(X, [1, 4, 3, 8], names=["a", "b"], covariance="classical")
    >>> e = linear_contrast(fit, [[0, 1], [1, 0.5]], labels=["b minus a", "mean"])[0]
    >>> e.value, round(e.std_error, 6), e.df
    (4.0, 2.236068, 2.0)
    """
    check_level(level)
    rows = check_contrasts(C, fit)
    values = rows @ fit.coefficients
    variances = np.einsum("ij,jk,ik->i", rows, fit.covariance, rows)
    df = degrees_of_freedom(fit.pieces, rows, least_observed=LEAST_OBSERVED)
    size = np.abs(rows) @ np.abs(fit.coefficients)
    return contrast_estimates(
        values, variances, df, size=size, fit=fit, level=level, labels=labels, unit=unit,
        extra_variance=extra_variance, critical=critical, n=n, n_missing=n_missing,
    )  # fmt: skip


def contrast_estimates(
    values: FloatArray,
    variances: FloatArray,
    df: FloatArray,
    *,
    size: FloatArray,
    fit: RegressionFit,
    level: float = 0.95,
    labels: Sequence[str] | None = None,
    unit: str = "",
    extra_variance: Any = None,
    critical: float | None = None,
    n: Sequence[int] | None = None,
    n_missing: int = 0,
    method: str = "",
) -> tuple[Estimate, ...]:
    """Turn values, variances and degrees of freedom into estimates (see :func:`linear_contrast`).

    `size` is the magnitude of the terms each contrast is made of, against which rounding is judged.

    Examples
    --------
    >>> from outcomes.stats.regression.linear import fit_linear
    >>> fit = fit_linear([[1], [1], [1]], [1, 2, 3], names=["mean"], covariance="classical")
    >>> one = np.ones(1)
    >>> contrast_estimates(one, one, one, size=one, fit=fit)[0].df
    1.0
    """
    m = len(values)
    names = tuple(labels) if labels is not None else ("",) * m
    counts = tuple(n) if n is not None else (fit.n,) * m
    extra = (
        np.zeros(m) if extra_variance is None else np.broadcast_to(np.asarray(extra_variance, float), (m,))
    )
    if len(names) != m or len(counts) != m or not (np.isfinite(extra).all() and (extra >= 0).all()):
        raise EstimationError(
            f"{m} contrasts need {m} labels, {m} counts and finite extra variances of at least 0",
            code="bad_shape",
        )
    total = variances + extra
    if extra_variance is not None:
        df = _joined_df(variances, df, extra, fit.n_clusters - 1)
    method = method or covariance_method(fit)
    errors = np.sqrt(np.maximum(total, 0.0))
    spread = (errors > _NO_SPREAD * size) & ~np.isnan(df) & (errors > 0.0)
    safe_df, safe_errors = np.where(spread, df, 1.0), np.where(spread, errors, 1.0)
    quantiles = np.full(m, critical) if critical is not None else t_quantile(0.5 + level / 2, safe_df)
    # an underflow is no p of 0
    p_values = np.maximum(t_two_sided_p(values / safe_errors, safe_df), SMALLEST_P)
    return tuple(
        Estimate(
            value=float(values[j]),
            conf_low=float(values[j] - quantiles[j] * errors[j]) if spread[j] else None,
            conf_high=float(values[j] + quantiles[j] * errors[j]) if spread[j] else None,
            level=level,
            std_error=float(errors[j]) if spread[j] else None,
            df=float(df[j]) if spread[j] and np.isfinite(df[j]) else None,
            p_value=float(p_values[j]) if spread[j] else None,
            contrast=names[j],
            unit=unit,
            n=int(counts[j]),
            n_missing=n_missing,
            method=f"{method}; simultaneous" if critical is not None else method,
            reason=_no_limits(bool(spread[j]), bool(np.isnan(df[j])), bool(size[j] > 0.0)),
        )
        for j in range(m)
    )


def _no_limits(spread: bool, unseen: bool, terms: bool) -> str:
    """Say why a contrast has no interval; empty when it has one."""
    if spread:
        return ""
    if unseen and terms:
        return (
            "one cluster (or case) alone carries this contrast or part of it, so its residuals cannot show the error; "
            "cluster at a lower level or collect more clusters"
        )
    return "no spread is left to judge this contrast by"


def at_level(estimate: Estimate, level: float, *, critical: float | None = None) -> Estimate:
    """Return a t-based estimate with its interval at another level.

    Parameters
    ----------
    estimate : Estimate
        With `std_error` and `df` (None or infinity for a normal).
    level : float
        New confidence level.
    critical : float, optional
        Replaces the t quantile.

    Returns
    -------
    Estimate
        Value, error, degrees of freedom and p unchanged. An estimate without interval comes back
        as it was.

    Raises
    ------
    EstimationError
        The level is not between 0 and 1.

    Notes
    -----
    Source: Student (1908) Biometrika 6:1-25.

    Examples
    --------
    >>> from outcomes.stats.regression.linear import fit_linear
    >>> e = Estimate(value=1.0, conf_low=-1.0, conf_high=3.0, std_error=1.0, df=10.0)
    >>> round(at_level(e, 0.90).conf_low, 4)
    -0.8125
    """
    check_level(level)
    if estimate.value is None or estimate.std_error is None:
        return estimate
    df = np.inf if estimate.df is None else estimate.df
    quantile = float(t_quantile(0.5 + level / 2, df)) if critical is None else critical
    half = quantile * estimate.std_error
    plain = estimate.method.removesuffix("; simultaneous")
    return Estimate(
        value=estimate.value, conf_low=estimate.value - half, conf_high=estimate.value + half, level=level,
        std_error=estimate.std_error, df=estimate.df, p_value=estimate.p_value, contrast=estimate.contrast,
        unit=estimate.unit, n=estimate.n, n_missing=estimate.n_missing,
        method=f"{plain}; simultaneous" if critical is not None else plain, reason=estimate.reason,
    )  # fmt: skip


def covariance_method(fit: RegressionFit) -> str:
    """Name the method of the intervals of a fit, with the caution when clusters are few.

    Examples
    --------
    >>> from outcomes.stats.regression.linear import fit_linear
    >>> covariance_method(fit_linear(np.ones((12, 1)), range(12), names=["mean"]))
    'linear regression, HC2 robust, Satterthwaite t'
    """
    kind = fit.pieces.kind
    plain = "t" if fit.pieces.linear else "normal"
    if kind == "classical":
        return f"{fit.model}, classical {plain}"
    if fit.pieces.clustered:
        robust, reference = (
            f"{kind} cluster-robust",
            "Satterthwaite t" if kind == "CR2" else "t with G - 1 df",
        )
    else:
        kind = kind.replace("CR", "HC")
        robust, reference = f"{kind} robust", "Satterthwaite t" if kind == "HC2" else plain
    caution = f"; unreliable: {fit.n_clusters} clusters" if fit.n_clusters < FEW_CLUSTERS else ""
    return f"{fit.model}, {robust}, {reference}{caution}"


def check_contrasts(C: Any, fit: RegressionFit) -> FloatArray:
    """Return contrasts as a float matrix with one column a coefficient, or refuse them.

    Raises
    ------
    EstimationError
        Wrong number of columns or values that are not finite.

    Examples
    --------
    >>> from outcomes.stats.regression.linear import fit_linear
    >>> check_contrasts([0, 1], fit_linear([[1, 0], [1, 1], [1, 2]], [1, 2, 4], names=["a", "b"])).shape
    (1, 2)
    """
    rows = np.atleast_2d(floats(C, "the contrasts"))
    p = len(fit.names)
    if rows.ndim != 2 or not len(rows) or rows.shape[1] != p or not np.isfinite(rows).all():
        raise EstimationError(
            f"the contrasts have shape {rows.shape}; give finite numbers of shape (m, {p}) for the columns "
            f"{', '.join(fit.names)}",
            code="bad_shape",
        )
    return rows


def tidy_coefficients(fit: RegressionFit) -> pd.DataFrame:
    """Return one row a coefficient with its 95 % interval.

    Examples
    --------
    >>> from outcomes.stats.regression.linear import fit_linear
    >>> tidy_coefficients(fit_linear(np.ones((12, 1)), range(12), names=["mean"])).estimate.tolist()
    [5.5]
    """
    estimates = linear_contrast(fit, np.eye(len(fit.names)), labels=fit.names)
    return pd.DataFrame(
        [
            {
                "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error,
                "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "df": e.df,
                "n": e.n, "n_missing": e.n_missing,
            }
            for e in estimates
        ]
    )  # fmt: skip


def _joined_df(variances: FloatArray, df: FloatArray, extra: FloatArray, extra_df: float) -> FloatArray:
    """Return Satterthwaite's degrees of freedom of the sum of two independent variances."""
    own = np.where(np.isnan(df), 1.0, df)
    # a variance that cannot be seen stays so, whatever is added to it; one of nothing (a contrast of zeros) adds nothing
    unseen = np.isnan(df) & (variances > 0.0)
    bottom = np.square(variances) / own + np.square(extra) / extra_df
    joined = np.square(variances + extra) / np.where(bottom > 0.0, bottom, 1.0)
    return np.asarray(np.where((extra > 0.0) & ~unseen, joined, df), dtype=np.float64)
