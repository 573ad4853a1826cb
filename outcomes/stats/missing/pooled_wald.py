"""Joint test of several numbers over multiply imputed data sets."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.missing.rubin import barnard_rubin_df, check_df
from outcomes.stats.numerics.arrays import FloatArray, floats
from outcomes.stats.numerics.inputs import chi2_p, f_p
from outcomes.stats.regression.wald import WaldTest

# eigenvalues of the mean correlation this small beside the largest are rounding, not spread
_NO_SPREAD = 1e-12


def pooled_wald_test(
    values: Any, covariances: Any, *, df_complete: float = math.inf, n: int = 0, n_missing: int = 0
) -> WaldTest:
    """Test over imputations that several numbers are all 0 (Wald test, D1).

    Parameters
    ----------
    values : array_like, shape (m, k)
        The k estimates of each imputed data set.
    covariances : array_like, shape (m, k, k)
        Their covariances.
    df_complete : float
        Degrees of freedom had nothing been missing, > 0; infinity for large samples.
    n, n_missing : int
        Carried along.

    Returns
    -------
    WaldTest
        Without F when the mean covariance is singular, when m is too small to know the error of k
        numbers (k (m - 1) at most 4 with finite `df_complete`), or `df_complete` is too small.

    Raises
    ------
    EstimationError
        Fewer than two imputations, shapes that do not fit, missing or infinite values, covariances that
        are not symmetric, degrees of freedom not above 0.

    Notes
    -----
    F = q' U^-1 q / (k (1 + r)) with q the mean estimate, U the mean covariance and
    r = (1 + 1/m) tr(B U^-1) / k: it takes the share of missing information to be the same for all k. One
    number (k = 1) has the F that is the square of :func:`~outcomes.stats.missing.rubin.pool_scalar`'s t, with its degrees of freedom.
    Otherwise the denominator degrees of freedom are those of Li et al., with finite `df_complete` those of
    Reiter. Infinite ones (the estimates agree, large samples) make F a chi-squared over k, and `df_within` is None. Sources: Li KH,
    Raghunathan TE, Rubin DB. Journal of the American Statistical Association 1991; 86: 1065-1073;
    Reiter JP. Biometrika 2007; 94: 502-508.

    Examples
    --------
    Estimates (2, 0) and (4, 0) with identity covariance: q = (3, 0), r = 1.5 (2 + 0) / 2 = 1.5, and
    F = 9 / (2 * 2.5).

    >>> test = pooled_wald_test([[2, 0], [4, 0]], [[[1, 0], [0, 1]]] * 2)
    >>> round(test.f, 12), round(test.df_within, 9)
    (1.8, 4.166666667)
    """
    q, u = _check_joint(values, covariances)
    check_df(df_complete)
    m, k = q.shape
    about: dict[str, Any] = {
        "n": n, "n_missing": n_missing, "method": f"Wald F pooled over {m} imputations (D1)",
    }  # fmt: skip
    mean, within = q.mean(axis=0), u.mean(axis=0)
    spread = np.sqrt(np.maximum(np.diag(within), 0.0))
    scaled = np.where(spread > 0.0, spread, 1.0)
    # unit variances keep the judgement of independence free of the units of the numbers
    roots, vectors = np.linalg.eigh(within / np.outer(scaled, scaled))
    if not (spread > 0.0).all() or roots[0] <= _NO_SPREAD * roots[-1]:
        return _no_test("the numbers are not independent of one another, or have no spread", about)
    directions = vectors.T / np.sqrt(roots)[:, None]
    independent = (q / scaled) @ directions.T
    increase = (1.0 + 1.0 / m) * float(np.var(independent, axis=0, ddof=1).mean())
    f = float(np.square(directions @ (mean / scaled)).mean()) / (1.0 + increase)
    if k == 1:
        df: float | None = barnard_rubin_df(m, increase / (1.0 + increase), df_complete)
    elif math.isinf(df_complete):
        df = _li(k, m, increase)
    else:
        df = _reiter(k * (m - 1), increase, df_complete)
    if df is None or not df > 0.0:
        reason = f"{m} imputations and {df_complete:.4g} degrees of freedom are too few to test {k} numbers"
        return _no_test(reason, about)
    p = chi2_p(f * k, k) if math.isinf(df) else f_p(f, k, df)
    return WaldTest(f=f, df_between=float(k), df_within=None if math.isinf(df) else df, p_value=p, **about)


def _li(k: int, m: int, increase: float) -> float:
    """Return the denominator degrees of freedom of Li, Raghunathan and Rubin."""
    t = k * (m - 1)
    if increase < 1e-150:
        return math.inf
    if t > 4:
        return 4.0 + (t - 4) * (1.0 + (1.0 - 2.0 / t) / increase) ** 2
    return t * (1.0 + 1.0 / k) * (1.0 + 1.0 / increase) ** 2 / 2.0


def _reiter(t: int, increase: float, df_complete: float) -> float | None:
    """Return the denominator degrees of freedom of Reiter, None where his expansion does not hold."""
    if t <= 4:
        return None
    a = increase * t / (t - 2)
    v = df_complete * (df_complete + 1.0) / (df_complete + 3.0)
    c1, c2 = v - 2.0 * (1.0 + a), v - 4.0 * (1.0 + a)
    if c2 <= 0.0:
        return None
    added = (
        a**2 * c1 / ((1.0 + a) ** 2 * c2)
        + 8.0 * a**2 * c1 / ((1.0 + a) * c2**2)
        + 4.0 * a**2 / ((1.0 + a) * c2)
        + 4.0 * a**2 / (c2 * c1)
        + 16.0 * a**2 * c1 / c2**3
        + 8.0 * a**2 / c2**2
    )
    return 4.0 + 1.0 / (1.0 / c2 + added / (t - 4))


def _no_test(reason: str, about: dict[str, Any]) -> WaldTest:
    """Return the test that says why there is none."""
    return WaldTest(f=None, df_between=None, df_within=None, p_value=None, reason=reason, **about)


def _check_joint(values: Any, covariances: Any) -> tuple[FloatArray, FloatArray]:
    """Return estimates and covariances of the imputed data sets, or refuse them."""
    q, u = floats(values, "the estimates"), floats(covariances, "the covariances")
    if q.ndim != 2 or q.shape[0] < 2 or q.shape[1] < 1 or u.shape != (*q.shape, q.shape[-1]):
        raise EstimationError(
            f"estimates of shape {q.shape} and covariances of shape {u.shape}; give (m, k) and (m, k, k), m at "
            "least 2",
            code="bad_shape",
        )
    if not (np.isfinite(q).all() and np.isfinite(u).all()):
        raise EstimationError(
            "missing or infinite estimates or covariances; find out why before pooling", code="not_finite"
        )
    if np.abs(u - u.transpose(0, 2, 1)).max() > 1e-8 * np.abs(u).max():
        raise EstimationError("a covariance is not symmetric", code="bad_covariance")
    return q, u
