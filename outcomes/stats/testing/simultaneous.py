"""How far simultaneous intervals must reach: quantiles of the largest of several |t|.

The vector of t statistics has the form L z / s, with z normal and s the root of an independent
chi-squared over its degrees of freedom. In polar form z = r u only the direction u needs sampling:
given u, the chance that all |t| stay under c is that of r / s staying under c / max|L u|, which is an F
probability. Directions come from a fixed lattice of points, so the answer does not change from run
to run.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_level, floats
from outcomes.stats.numerics.student import t_quantile

_N_POINTS = 1 << 13
_N_BINS = 512
_NO_DIRECTION = 1e-10


def max_t_quantile(correlation: Any, df: float, *, level: float = 0.95, seed: int = 0) -> float:
    """Return the quantile of the largest absolute value of correlated t statistics.

    Used in place of the t quantile, it makes all intervals of a family hold together with
    probability `level`.

    Parameters
    ----------
    correlation : array_like, shape (m, m)
        Correlation of the estimates; may be singular, as that of all pairwise differences is.
    df : float
        Degrees of freedom shared by all, > 0; infinity for the normal. Where they differ, the
        smallest is on the safe side.
    level : float
        Probability that all hold.
    seed : int
        Shift of the lattice points.

    Returns
    -------
    float
        Between the t quantile of one and of m Bonferroni-corrected statistics. Numerical error
        under 0.01; exact for m = 1 and for statistics that all coincide.

    Raises
    ------
    EstimationError
        Not a correlation matrix, df not above 0, level not between 0 and 1.

    Notes
    -----
    Sources: Hothorn, Bretz and Westfall (2008) Biometrical J 50:346-363 (max-t intervals); Genz and
    Bretz (2009) Computation of Multivariate Normal and t Probabilities, section 4.1
    (spherical-radial form) and 4.3 (lattice points).

    Examples
    --------
    All three differences of three equal groups, 27 degrees of freedom: Tukey's studentised range
    quantile 3.506 over the root of 2.

    >>> halves = [[1, 0.5, -0.5], [0.5, 1, 0.5], [-0.5, 0.5, 1]]
    >>> round(max_t_quantile(halves, 27), 2)
    2.48
    """
    check_level(level)
    matrix = _check_correlation(correlation)
    if not df > 0.0:
        raise EstimationError(f"df is {df}; degrees of freedom are above 0", code="bad_df")
    m = len(matrix)
    one = float(t_quantile(0.5 + level / 2, df))
    values, vectors = np.linalg.eigh(matrix)
    kept = values > _NO_DIRECTION * m
    rank = int(kept.sum())
    if rank == 1:
        return one
    loadings = vectors[:, kept] * np.sqrt(values[kept])
    # rounding in the decomposition must not make a statistic larger than its own length
    loadings /= np.sqrt(np.square(loadings).sum(axis=1, keepdims=True))
    largest = np.abs(loadings @ _directions(rank, seed)).max(axis=0)
    share, reach = _histogram(largest)
    bonferroni = float(t_quantile(1.0 - (1.0 - level) / (2 * m), df))

    def excess(c: float) -> float:
        return float(share @ _radial_probability(c / reach, rank, df)) - level

    if excess(one) >= 0.0:
        return one
    if excess(bonferroni) <= 0.0:
        return bonferroni
    return float(optimize.brentq(excess, one, bonferroni, xtol=1e-6))


def _check_correlation(correlation: Any) -> FloatArray:
    """Return a correlation matrix, or say what is wrong with it."""
    matrix = np.atleast_2d(floats(correlation, "the correlation"))
    m = matrix.shape[0]
    problem = ""
    if matrix.ndim != 2 or matrix.shape != (m, m) or m == 0:
        problem = f"it has shape {matrix.shape}, not (m, m)"
    elif not np.isfinite(matrix).all():
        problem = "it has missing or infinite entries"
    elif np.abs(np.diagonal(matrix) - 1.0).max() > 1e-8 or np.abs(matrix - matrix.T).max() > 1e-8:
        problem = "it is not symmetric with ones on the diagonal"
    elif float(np.linalg.eigvalsh(matrix)[0]) < -1e-8 * m:
        problem = "it has a negative eigenvalue"
    if problem:
        raise EstimationError(f"the correlation cannot be used: {problem}", code="bad_correlation")
    return matrix


@lru_cache(maxsize=64)
def _directions(rank: int, seed: int) -> FloatArray:
    """Return evenly spread directions in `rank` dimensions, shape (rank, points)."""
    shift = np.random.default_rng(seed).random(rank)
    # multiples of the irrational roots of primes fill the cube evenly (Richtmyer's lattice); folding
    # makes the integrand periodic
    roots = np.sqrt(_primes(rank))
    u = np.abs(2.0 * np.modf(np.arange(1.0, _N_POINTS + 1.0)[:, None] * roots + shift)[0] - 1.0)
    z = special.ndtri(np.clip(u, 1e-12, 1.0 - 1e-12))
    directions = np.ascontiguousarray((z / np.sqrt(np.square(z).sum(axis=1, keepdims=True))).T)
    directions.setflags(write=False)
    return np.asarray(directions)


def _primes(count: int) -> FloatArray:
    """Return the first primes."""
    found: list[int] = []
    candidate = 2
    while len(found) < count:
        if all(candidate % p for p in found):
            found.append(candidate)
        candidate += 1
    return np.array(found, dtype=np.float64)


def _histogram(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return shares and mean values of narrow bins, so that the F probability is taken per bin."""
    low, high = float(values.min()), float(values.max())
    bins = np.minimum(((values - low) * (_N_BINS / max(high - low, 1e-12))).astype(np.int64), _N_BINS - 1)
    counts = np.bincount(bins, minlength=_N_BINS)
    filled = counts > 0
    return counts[filled] / len(values), np.bincount(bins, weights=values)[filled] / counts[filled]


def _radial_probability(limit: FloatArray, rank: int, df: float) -> FloatArray:
    """Return the chance that the length of `rank` t-like components stays under the limit."""
    if np.isinf(df):
        return np.asarray(special.gammainc(0.5 * rank, 0.5 * limit * limit), dtype=np.float64)
    return np.asarray(special.fdtr(rank, df, limit * limit / rank), dtype=np.float64)
