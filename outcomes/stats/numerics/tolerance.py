"""Factors of exact limits of a normal sample: for one end, and for the middle share of the population."""

from __future__ import annotations

import math

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_level

NODES = 80


def end_factors(n: int, multiplier: float, level: float) -> tuple[float, float]:
    """Return the factors of the exact limits of mean + multiplier x SD of a normal population.

    Parameters
    ----------
    n : int
        Size of the sample, 2 or more.
    multiplier : float
        Which end is meant, such as 1.96; 0 gives the limits of the mean.
    level : float
        Confidence level.

    Returns
    -------
    tuple of float
        The limits are sample mean + factor x sample SD: quantiles of the noncentral t over root n.

    References
    ----------
    Owen DB. Technometrics 1968; 10: 445-478. Carkeet A. Optometry and Vision Science 2015; 92: e71-e80.

    Examples
    --------
    For the mean they are Student's:

    >>> [round(factor * 10 ** 0.5, 4) for factor in end_factors(10, 0.0, 0.95)]
    [-2.2622, 2.2622]
    """
    _check_size(n)
    check_level(level)
    root = math.sqrt(n)
    low, high = (
        float(special.nctdtrit(n - 1, multiplier * root, p)) / root
        for p in ((1 - level) / 2, (1 + level) / 2)
    )
    return low, high


def tolerance_factor(n: int, coverage: float, confidence: float) -> float:
    """Return the factor k with which mean -/+ k SD holds a share of a normal population.

    Parameters
    ----------
    n : int
        Size of the sample, 2 or more.
    coverage : float
        Share of the population to be held.
    confidence : float
        How often, over samples, at least that share is held.

    Returns
    -------
    float
        Exact two-sided factor, by integration over the sample mean.

    Raises
    ------
    EstimationError
        When n is below 2, or coverage or confidence not between 0 and 1.

    References
    ----------
    Wald A, Wolfowitz J. Annals of Mathematical Statistics 1946; 17: 208-215. Odeh RE. Communications in
    Statistics B 1978; 7: 183-201.

    Examples
    --------
    A large sample needs hardly more than 1.96:

    >>> round(tolerance_factor(10**6, 0.95, 0.5), 4)
    1.96
    """
    _check_size(n)
    check_level(coverage)
    check_level(confidence)
    # symmetric about 0: half the range of the sample mean, twice; beyond 9 standard errors nothing is left
    node, weight = leggauss(NODES)
    z = (node + 1) * 4.5
    density = weight * 4.5 * 2 * np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    reach = _reach(z / math.sqrt(n), coverage)

    def gap(log_k: float) -> float:
        held = special.chdtrc(n - 1, (n - 1) * (reach * math.exp(-log_k)) ** 2)
        return float(density @ held) - confidence

    low, high = -1.0, 1.0
    while gap(low) > 0:
        low -= 2
    while gap(high) < 0:
        high += 2
    return math.exp(float(optimize.brentq(gap, low, high, xtol=1e-15, rtol=1e-14)))


def _reach(offset: np.ndarray, coverage: float) -> np.ndarray:
    """Return how far to each side of a point `offset` from the middle a normal share reaches."""
    middle = float(special.ndtri((1 + coverage) / 2))
    low, high = np.full_like(offset, middle), offset + middle
    for _ in range(70):  # halving to the last digit
        half = (low + high) / 2
        enough = special.ndtr(offset + half) - special.ndtr(offset - half) >= coverage
        low, high = np.where(enough, low, half), np.where(enough, half, high)
    return (low + high) / 2


def _check_size(n: int) -> None:
    """Refuse a sample without an SD."""
    if n < 2:
        raise EstimationError("n must be 2 or more for an SD to exist", code="too_few")
