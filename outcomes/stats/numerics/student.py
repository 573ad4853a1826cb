"""Quantiles and tail areas of Student's t without the overhead of distribution objects.

A degrees-of-freedom value of infinity means the normal distribution.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special

from outcomes.stats.numerics.arrays import FloatArray


def t_quantile(probability: Any, df: Any) -> FloatArray:
    """Return the quantile of Student's t.

    Parameters
    ----------
    probability : array_like
        Lower-tail probability, strictly between 0 and 1.
    df : array_like
        Degrees of freedom, > 0; infinity for the normal.

    Returns
    -------
    ndarray
        Broadcast of both.

    Notes
    -----
    Source: Student (1908) Biometrika 6:1-25.

    Examples
    --------
    >>> round(float(t_quantile(0.975, 10)), 6), round(float(t_quantile(0.975, np.inf)), 6)
    (2.228139, 1.959964)
    """
    p, nu = np.broadcast_arrays(np.asarray(probability, dtype=np.float64), np.asarray(df, dtype=np.float64))
    finite = np.isfinite(nu)
    safe, tail = np.where(finite, nu, 1.0), 2.0 * np.minimum(p, 1.0 - p)
    # x = nu / (nu + t^2) and y = 1 - x: each is taken where it is the small one and keeps its digits
    x = special.betaincinv(0.5 * safe, 0.5, tail)
    y = special.betainccinv(0.5, 0.5 * safe, tail)
    size = np.sqrt(
        safe * np.where(x < 0.5, (1.0 - x) / np.maximum(x, 1e-300), y / np.maximum(1.0 - y, 1e-300))
    )
    return np.asarray(np.where(finite, np.copysign(size, p - 0.5), special.ndtri(p)), dtype=np.float64)


def t_two_sided_p(statistic: Any, df: Any) -> FloatArray:
    """Return the two-sided tail area of Student's t.

    Parameters
    ----------
    statistic : array_like
        Estimate divided by its standard error.
    df : array_like
        Degrees of freedom, > 0; infinity for the normal.

    Returns
    -------
    ndarray
        Probability of a t at least as far from 0.

    Notes
    -----
    Source: Student (1908) Biometrika 6:1-25.

    Examples
    --------
    >>> round(float(t_two_sided_p(2.2281388519649385, 10)), 9)
    0.05
    """
    # beyond 1e150 the square would overflow, and the tail is 0 in double precision for all but the fewest df
    given = np.clip(np.asarray(statistic, dtype=np.float64), -1e150, 1e150)
    t, nu = np.broadcast_arrays(given, np.asarray(df, dtype=np.float64))
    finite = np.isfinite(nu)
    safe = np.where(finite, nu, 1.0)
    student = np.where(
        t * t > safe,
        special.betainc(0.5 * safe, 0.5, safe / (safe + t * t)),
        special.betaincc(0.5, 0.5 * safe, t * t / (safe + t * t)),
    )
    return np.asarray(np.where(finite, student, 2.0 * special.ndtr(-np.abs(t))), dtype=np.float64)
