"""Adjustment of p-values for a family of tests.

Two aims. Bonferroni, Holm, Hochberg and Hommel hold the chance of any false claim in the family; Benjamini-
Hochberg and Benjamini-Yekutieli hold the expected share of false ones among the claims made. All take tests
that could not be made as None (or NaN): they keep their place and do not count in the family.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray

Adjusted = tuple[float | None, ...]


def bonferroni(p_values: Sequence[float | None]) -> Adjusted:
    """Return p-values times their number, valid whatever the tests have in common.

    Parameters
    ----------
    p_values : sequence of float or None
        As for :func:`holm`, which rejects all that this does and more.

    Raises
    ------
    EstimationError
        When a p-value lies outside 0 to 1.

    References
    ----------
    Dunn OJ. Journal of the American Statistical Association 1961; 56: 52-64.

    Examples
    --------
    >>> bonferroni([0.01, None, 0.04, 0.5])
    (0.03, None, 0.12, 1.0)
    """
    return _adjusted(p_values, lambda p: len(p) * p)


def holm(p_values: Sequence[float | None]) -> Adjusted:
    """Return Holm's adjusted p-values, which hold the chance of any false claim in the family.

    Parameters
    ----------
    p_values : sequence of float or None
        One for each test of the declared family. None (or NaN) marks a test that could not be made:
        it keeps its place as None and does not count in the family.

    Returns
    -------
    tuple of float or None
        In the order given; never smaller than the p-value given, at most 1.

    Raises
    ------
    EstimationError
        When a p-value lies outside 0 to 1.

    References
    ----------
    Holm S. A simple sequentially rejective multiple test procedure. Scandinavian Journal of
    Statistics 1979; 6: 65-70.

    Examples
    --------
    Smallest times 3, next times 2 (not below the one before), last times 1; the None is not counted:

    >>> holm([0.01, None, 0.04, 0.03])
    (0.03, None, 0.06, 0.06)
    """
    return _adjusted(p_values, lambda p: np.maximum.accumulate(_countdown(p) * p))


def hochberg(p_values: Sequence[float | None]) -> Adjusted:
    """Return Hochberg's adjusted p-values: Holm's multipliers, taken from the largest p downwards.

    Parameters
    ----------
    p_values : sequence of float or None
        As for :func:`holm`. Holds its level when the tests are independent or positively dependent (Simes'
        inequality); then it rejects all that Holm rejects.

    Raises
    ------
    EstimationError
        When a p-value lies outside 0 to 1.

    References
    ----------
    Hochberg Y. Biometrika 1988; 75: 800-802.

    Examples
    --------
    Largest times 1; the next times 2, but not above the one behind it:

    >>> hochberg([0.01, None, 0.04, 0.03])
    (0.03, None, 0.04, 0.04)
    """
    return _adjusted(p_values, lambda p: _from_the_end(_countdown(p) * p))


def hommel(p_values: Sequence[float | None]) -> Adjusted:
    """Return Hommel's adjusted p-values: the closed test of Simes, at least as strong as Hochberg's.

    Parameters
    ----------
    p_values : sequence of float or None
        As for :func:`holm`, with the condition of :func:`hochberg`.

    Raises
    ------
    EstimationError
        When a p-value lies outside 0 to 1.

    References
    ----------
    Hommel G. Biometrika 1988; 75: 383-386. Adjusted values: Wright SP. Biometrics 1992; 48: 1005-1013.

    Examples
    --------
    A family of two: the smaller is doubled but not above the larger.

    >>> hommel([0.01, 0.015]), hommel([0.01, 0.5])
    ((0.015, 0.015), (0.02, 0.5))
    """
    return _adjusted(p_values, _hommel)


def benjamini_hochberg(p_values: Sequence[float | None]) -> Adjusted:
    """Return adjusted p-values that hold the expected share of false claims among the claims.

    Parameters
    ----------
    p_values : sequence of float or None
        As for :func:`holm`. Holds when the tests are independent or positively dependent.

    Raises
    ------
    EstimationError
        When a p-value lies outside 0 to 1.

    References
    ----------
    Benjamini Y, Hochberg Y. Journal of the Royal Statistical Society B 1995; 57: 289-300.

    Examples
    --------
    Times 3, times 3/2, times 1, none above the one behind it:

    >>> benjamini_hochberg([0.01, None, 0.04, 0.02])
    (0.03, None, 0.04, 0.03)
    """
    return _adjusted(p_values, lambda p: _from_the_end(p * (len(p) / np.arange(1, len(p) + 1))))


def benjamini_yekutieli(p_values: Sequence[float | None]) -> Adjusted:
    """Return those of :func:`benjamini_hochberg` times 1 + 1/2 + ... + 1/m, valid under any dependence.

    Parameters
    ----------
    p_values : sequence of float or None
        As for :func:`holm`.

    Raises
    ------
    EstimationError
        When a p-value lies outside 0 to 1.

    References
    ----------
    Benjamini Y, Yekutieli D. Annals of Statistics 2001; 29: 1165-1188.

    Examples
    --------
    Benjamini-Hochberg's 0.02 and 0.04 times 1 + 1/2:

    >>> [round(p, 12) for p in benjamini_yekutieli([0.01, 0.04])]
    [0.03, 0.06]
    """

    def values(p: FloatArray) -> FloatArray:
        rank = np.arange(1, len(p) + 1)
        return _from_the_end(p * (len(p) * math.fsum(1 / rank) / rank))

    return _adjusted(p_values, values)


def _adjusted(p_values: Sequence[float | None], adjust: Callable[[FloatArray], FloatArray]) -> Adjusted:
    """Return adjusted p-values in the order given; `adjust` takes and gives them in ascending order."""
    made = sorted((float(p), i) for i, p in enumerate(p_values) if p is not None and not math.isnan(p))
    if any(not 0 <= p <= 1 for p, _ in made):
        raise EstimationError("p_values: each must lie between 0 and 1, or be None", code="bad_p_value")
    adjusted: list[float | None] = [None] * len(p_values)
    if made:
        found = np.minimum(adjust(np.array([p for p, _ in made])), 1.0).tolist()
        for (_, place), value in zip(made, found, strict=True):
            adjusted[place] = value
    return tuple(adjusted)


def _countdown(p: FloatArray) -> FloatArray:
    """Return m, m - 1, ..., 1."""
    return np.arange(len(p), 0, -1, dtype=np.float64)


def _from_the_end(values: FloatArray) -> FloatArray:
    """Return each value or, where smaller, the smallest of those behind it."""
    lowest: FloatArray = np.minimum.accumulate(values[::-1])[::-1]
    return lowest


def _hommel(p: FloatArray) -> FloatArray:
    """Return Hommel's adjusted values of ascending p-values (Wright's algorithm)."""
    m = len(p)
    smallest = float((m * p / np.arange(1, m + 1)).min())
    adjusted, bound = np.full(m, smallest), np.full(m, smallest)
    for size in range(m - 1, 1, -1):
        first = m - size + 1  # the size - 1 largest are judged together
        simes = float((size * p[first:] / np.arange(2, size + 1)).min())
        bound[:first] = np.minimum(size * p[:first], simes)
        bound[first:] = bound[first - 1]
        adjusted = np.maximum(adjusted, bound)
    found: FloatArray = np.maximum(adjusted, p)
    return found
