"""Score statistics of two proportions, many tables at once: risks under a given effect, z, limits.

The limits invert the test: they are the effects at which z is plus or minus the normal quantile. Found by
halving, because that cannot leave the range or stop early where an inverted p is flat (an empty cell, a
difference of 1); statsmodels' inversion starts from a Wald interval and fails there.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np

from outcomes.stats.numerics.arrays import FloatArray

Measure = Literal["risk difference", "risk ratio", "odds ratio"]
MEASURES = ("risk difference", "risk ratio", "odds ratio")
#: Log ratios beyond this do not occur: limits grow with the square of the counts at most.
FARTHEST = 100.0
HALVINGS = 64  # 200 / 2^64 is below 1e-16


def risks_under(
    measure: Measure, x1: FloatArray, n1: FloatArray, x0: FloatArray, n0: FloatArray, effect: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the likeliest risks of both groups among those with the given effect.

    Parameters
    ----------
    measure : {"risk difference", "risk ratio", "odds ratio"}
    x1, n1, x0, n0 : ndarray, shape (k,)
        Events and cases; both groups have cases.
    effect : ndarray, shape (k,)
        Group 1 minus, or over, group 0.

    References
    ----------
    Miettinen O, Nurminen M. Statistics in Medicine 1985; 4: 213-226, appendix I.

    Examples
    --------
    No difference: both risks are 30 / 200. Odds ratio 2.25: the observed ones, 20 / 100 and 10 / 100.

    >>> table = [np.array([float(count)]) for count in (20, 100, 10, 100)]
    >>> [risk.round(12).tolist() for risk in risks_under("risk difference", *table, np.zeros(1))]
    [[0.15], [0.15]]
    >>> [risk.round(12).tolist() for risk in risks_under("odds ratio", *table, np.array([2.25]))]
    [[0.2], [0.1]]
    """
    if measure == "risk difference":
        return _under_difference(x1, n1, x0, n0, effect)
    if measure == "risk ratio":
        # p0 solves N effect p^2 - (n1 effect + x1 + n0 + x0 effect) p + x1 + x0 = 0: the smaller root
        linear = n1 * effect + x1 + n0 + x0 * effect
        root = np.sqrt(np.maximum(linear**2 - 4 * (n1 + n0) * effect * (x1 + x0), 0.0))
        p0 = np.minimum(2 * (x1 + x0) / (linear + root), 1.0)
        return np.minimum(p0 * effect, 1.0), p0
    expected = expected_events(n1, n0, x1 + x0, effect)
    return expected / n1, (x1 + x0 - expected) / n0


def expected_events(n1: FloatArray, n0: FloatArray, m1: FloatArray, odds_ratio: FloatArray) -> FloatArray:
    """Return the events in group 1 that each table would have at an odds ratio, margins as they are.

    The root of (1 - psi) A^2 + (n0 - m1 + psi (n1 + m1)) A - psi n1 m1 = 0 inside the margins, in the
    form that does not subtract nearly equal numbers and holds at psi = 1.

    Parameters
    ----------
    n1, n0, m1 : ndarray, shape (k,)
        Cases of either group and events of both.
    odds_ratio : ndarray, shape (k,)

    Examples
    --------
    >>> expected_events(np.array([100.0]), np.array([100.0]), np.array([30.0]), np.array([2.25])).round(12)
    array([20.])
    """
    linear = n0 - m1 + odds_ratio * (n1 + m1)
    root = np.sqrt(np.maximum(linear**2 + 4 * (1 - odds_ratio) * odds_ratio * n1 * m1, 0.0))
    safe = np.where(linear > 0, linear + root, 1.0)
    other = np.where(linear > 0, 1.0, 2 * (1 - odds_ratio))
    found: FloatArray = np.where(linear > 0, 2 * odds_ratio * n1 * m1 / safe, (root - linear) / other)
    return np.clip(found, np.maximum(0.0, m1 - n0), np.minimum(n1, m1))


def score_parts(
    measure: Measure, x1: FloatArray, n1: FloatArray, x0: FloatArray, n0: FloatArray, effect: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return what the data differ from an effect by, and its variance under that effect; z is their ratio.

    Parameters
    ----------
    measure, x1, n1, x0, n0, effect
        As for :func:`risks_under`.

    Examples
    --------
    0.1 is seen where 0 is supposed; variance 0.15 * 0.85 * (1/100 + 1/100):

    >>> table = [np.array([float(count)]) for count in (20, 100, 10, 100)]
    >>> gap, variance = score_parts("risk difference", *table, np.zeros(1))
    >>> gap.round(12).tolist(), variance.round(12).tolist()
    ([0.1], [0.00255])
    """
    p1, p0 = risks_under(measure, x1, n1, x0, n0, effect)
    v1, v0 = p1 * (1 - p1) / n1, p0 * (1 - p0) / n0
    if measure == "risk difference":
        return x1 / n1 - x0 / n0 - effect, v1 + v0
    if measure == "risk ratio":
        return x1 / n1 - effect * x0 / n0, v1 + effect**2 * v0
    # the variance of events given the margins, as harmonic sum, turned round so that it may be 0
    w1, w0 = n1**2 * v1, n0**2 * v0
    total = w1 + w0
    return x1 - n1 * p1, np.divide(w1 * w0, total, out=np.zeros_like(total), where=total > 0)


def score_limits(
    measure: Measure,
    x1: FloatArray,
    n1: FloatArray,
    x0: FloatArray,
    n0: FloatArray,
    z: float,
    factor: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return the effects at which the score statistic is z and -z, one pair a table.

    Parameters
    ----------
    measure, x1, n1, x0, n0
        As for :func:`risks_under`. For ratios some event has occurred; for odds ratios not to all cases.
    z : float
        Normal quantile, above 0.
    factor : ndarray, shape (k,)
        Multiplies the variance: N / (N - 1), or 1.

    Returns
    -------
    low, high : ndarray, shape (k,)
        Exactly -1, 1 or 0, or infinite, where they are.

    Examples
    --------
    0 of 10 against 0 of 20: z^2 / (z^2 + n1) when nothing multiplies the variance.

    >>> table = [np.array([float(count)]) for count in (0, 10, 0, 20)]
    >>> score_limits("risk difference", *table, 2.0, np.ones(1))[1].round(12)
    array([0.28571429])
    """
    # lower and upper limits are searched together
    events1, cases1, events0, cases0 = (np.concatenate([part, part]) for part in (x1, n1, x0, n0))
    sign, spread = np.repeat([1.0, -1.0], len(x1)), np.concatenate([factor, factor])

    def above(at: FloatArray) -> np.ndarray:
        effect = at if measure == "risk difference" else np.exp(at)
        gap, variance = score_parts(measure, events1, cases1, events0, cases0, effect)
        beyond = gap - sign * z * np.sqrt(spread * variance)
        # where both are 0, at an observed ratio of 0 or infinity, z is taken as 0
        up: np.ndarray = (beyond > 0) | ((beyond == 0) & (sign < 0))
        return up

    farthest = 1.0 if measure == "risk difference" else FARTHEST
    point = x1 / n1 - x0 / n0 if measure == "risk difference" else _log_ratio(measure, x1, n1, x0, n0)
    ends = np.full_like(point, farthest)
    found = _halve(above, np.concatenate([-ends, point]), np.concatenate([point, ends]))
    low, high = np.split(found, 2)
    if measure == "risk difference":
        return low, high
    return np.where(point <= -FARTHEST, 0.0, np.exp(low)), np.where(point >= FARTHEST, np.inf, np.exp(high))


def _halve(above: Callable[[FloatArray], np.ndarray], low: FloatArray, high: FloatArray) -> FloatArray:
    """Return where a condition that holds at the low end ceases to hold."""
    low, high = low.copy(), high.copy()
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        up = above(middle)
        low, high = np.where(up, middle, low), np.where(up, high, middle)
    return (low + high) / 2


def _log_ratio(
    measure: Measure, x1: FloatArray, n1: FloatArray, x0: FloatArray, n0: FloatArray
) -> FloatArray:
    """Return the log of the observed ratio, the farthest value where it is 0 or infinite."""
    over, under = (x1 * n0, x0 * n1) if measure == "risk ratio" else (x1 * (n0 - x0), x0 * (n1 - x1))
    with np.errstate(divide="ignore"):
        found = np.log(over) - np.log(under)
    clipped: FloatArray = np.clip(found, -FARTHEST, FARTHEST)
    return clipped


def _under_difference(
    x1: FloatArray, n1: FloatArray, x0: FloatArray, n0: FloatArray, effect: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the likeliest risks at a difference: the trigonometric root of the cubic."""
    n, m = n1 + n0, x1 + x0
    b = ((n1 + 2 * n0) * effect - n - m) / (3 * n)
    c = ((n0 * effect - n - 2 * x0) * effect + m) / n
    d = x0 * effect * (1 - effect) / n
    q = b**3 - b * c / 2 + d / 2
    size = np.sqrt(np.maximum(b**2 - c / 3, 0.0)) * np.where(q >= 0, 1.0, -1.0)
    cosine = np.divide(q, size**3, out=np.zeros_like(q), where=size != 0)
    p0 = 2 * size * np.cos((np.pi + np.arccos(np.clip(cosine, -1.0, 1.0))) / 3) - b
    low, high = np.maximum(0.0, -effect), np.minimum(1.0, 1.0 - effect)
    p0 = np.clip(p0, low, high)
    return np.clip(p0 + effect, 0.0, 1.0), p0
