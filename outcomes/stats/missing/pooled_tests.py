"""Joint tests over multiply imputed data sets from chi-squared statistics or likelihood ratios alone."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import floats
from outcomes.stats.numerics.inputs import chi2_p, f_p
from outcomes.stats.regression.wald import WaldTest


def pooled_chi_squared(statistics: Any, df: float, *, n: int = 0, n_missing: int = 0) -> WaldTest:
    """Pool chi-squared statistics over imputations (D2).

    Parameters
    ----------
    statistics : array_like, shape (m,)
        Chi-squared of each imputed data set, 0 or more, m at least 2.
    df : float
        Their degrees of freedom.
    n, n_missing : int
        Carried along.

    Returns
    -------
    WaldTest
        A statistic below 0, which the formula can give, is set to 0 (p = 1).

    Raises
    ------
    EstimationError
        Fewer than two imputations, missing, infinite or negative statistics, degrees of freedom not above 0.

    Notes
    -----
    r = (1 + 1/m) times the variance of the roots of the statistics; F = (mean / k - (m + 1) / (m - 1) r) / (1 + r) on k
    and k^(-3/m) (m - 1) (1 + 1/r)^2 degrees of freedom. Crude: with few imputations its size is off by several
    percentage points. Where the covariances are at hand use :func:`outcomes.stats.missing.pooled_wald.pooled_wald_test`.
    Source: Li, Meng, Raghunathan and Rubin (1991) Stat Sinica 1:65.

    Examples
    --------
    Statistics 1 and 9 on 1 df: roots 1 and 3, variance 2, r = 3; F = (5 - 3 x 3) / 4, below 0.

    >>> pooled_chi_squared([1.0, 9.0], 1).p_value
    1.0
    >>> test = pooled_chi_squared([4.0, 9.0, 9.0], 2)
    >>> round(test.f, 9), round(test.df_within, 9)
    (1.923076923, 10.5625)
    """
    values = floats(statistics, "the statistics")
    if values.ndim != 1 or len(values) < 2:
        raise EstimationError(
            f"statistics of shape {values.shape}; pooling needs at least 2 imputed data sets",
            code="too_few_imputations",
        )
    if not np.isfinite(values).all() or (values < 0.0).any():
        raise EstimationError("chi-squared statistics are finite and 0 or more", code="not_finite")
    k = _degrees(df)
    m = len(values)
    increase = (1.0 + 1.0 / m) * float(np.var(np.sqrt(values), ddof=1))
    f = (float(values.mean()) / k - (m + 1) / (m - 1) * increase) / (1.0 + increase)
    square = (1.0 + 1.0 / increase) ** 2 if increase > 1e-150 else math.inf
    within = k ** (-3.0 / m) * (m - 1) * square
    return _test(max(f, 0.0), k, within, f"chi-squared pooled over {m} imputations (D2)", n, n_missing)


def pooled_likelihood_ratio(
    own: Any, at_pooled: Any, df: float, *, n: int = 0, n_missing: int = 0
) -> WaldTest:
    """Pool likelihood-ratio statistics over imputations (D3).

    Parameters
    ----------
    own : array_like, shape (m,)
        Twice the difference of the log likelihoods of the larger and the smaller model, each fitted to the imputed data
        set.
    at_pooled : array_like, shape (m,)
        The same with the coefficients of both models set to their means over the imputations.
    df : float
        Difference in the number of coefficients, > 0.
    n, n_missing : int
        Carried along.

    Returns
    -------
    WaldTest
        A statistic below 0 is set to 0, and an increase below 0 (possible far from the hypothesis) to 0.

    Raises
    ------
    EstimationError
        Fewer than two imputations, shapes that differ, missing or infinite values, degrees of freedom not above 0.

    Notes
    -----
    r = (m + 1) / (k (m - 1)) (mean own - mean at pooled), F = mean at pooled / (k (1 + r)), denominator degrees of freedom of Li et
    al. as for D1 in large samples. Source: Meng and Rubin (1992) Biometrika 79:103.

    Examples
    --------
    >>> test = pooled_likelihood_ratio([12.0, 10.0, 14.0], [9.0, 9.0, 9.0], 2)
    >>> round(test.f, 9)
    1.125
    """
    first, second = floats(own, "own"), floats(at_pooled, "at_pooled")
    if first.ndim != 1 or first.shape != second.shape or len(first) < 2:
        raise EstimationError(
            f"statistics of shapes {first.shape} and {second.shape}; give one of each for at least 2 imputed data sets",
            code="too_few_imputations" if first.shape == second.shape == (1,) else "bad_shape",
        )
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        raise EstimationError("likelihood-ratio statistics are finite", code="not_finite")
    k = _degrees(df)
    m = len(first)
    increase = max((m + 1) / (k * (m - 1)) * float((first - second).mean()), 0.0)
    f = max(float(second.mean()) / (k * (1.0 + increase)), 0.0)
    method = f"likelihood ratio pooled over {m} imputations (D3)"
    return _test(f, k, _denominator(k * (m - 1), k, increase), method, n, n_missing)


def _denominator(t: float, k: float, increase: float) -> float:
    """Return the denominator degrees of freedom of Li, Raghunathan and Rubin."""
    if increase < 1e-150:
        return math.inf
    if t > 4:
        return 4.0 + (t - 4.0) * (1.0 + (1.0 - 2.0 / t) / increase) ** 2
    return t * (1.0 + 1.0 / k) * (1.0 + 1.0 / increase) ** 2 / 2.0


def _degrees(df: float) -> float:
    """Return degrees of freedom, or refuse them."""
    if not (math.isfinite(df) and df > 0.0):
        raise EstimationError(f"df is {df}; degrees of freedom are finite and above 0", code="bad_df")
    return float(df)


def _test(f: float, k: float, within: float, method: str, n: int, n_missing: int) -> WaldTest:
    """Return the test."""
    p = chi2_p(f * k, k) if math.isinf(within) else f_p(f, k, within)
    df = None if math.isinf(within) else within
    return WaldTest(f=f, df_between=k, df_within=df, p_value=p, method=method, n=n, n_missing=n_missing)
