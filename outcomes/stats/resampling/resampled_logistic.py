"""Multinomial logistic models refitted in all bootstrap resamples side by side.

Weighted cross-products of every resample come from one matrix product of the draw counts with the products of columns.
Newton's steps use the information matrix at the fit to all rows, renewed for the resamples that need more than a few steps,
so that each resample ends at its own maximum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import linalg

from outcomes.stats.numerics.arrays import FloatArray, IntArray

Draws = Callable[[slice], FloatArray]
"""Rows of a block -> draw counts, shape (B, rows)."""

BLOCK = 1024  # rows at once: their numbers in all resamples are to fit the processor's cache

# squared length of the last step in standard errors, steps at most, and steps between renewals of the information
_CONVERGED = 1e-10
_STEPS = 30
_RENEW = 7
# rows over the smallest information: beyond this a resample has lost a column, or its levels are separated
_CONDITION = 1e8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResampledLogistic:
    """Coefficients in every resample.

    Attributes
    ----------
    coefficients : ndarray, shape (B, K - 1, p)
        Log odds of each level but the first; NaN where the fit failed.
    converged : ndarray of bool, shape (B,)
        False where a level or a column was lost, levels were separated, or steps ran out.
    """

    coefficients: FloatArray
    converged: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


def blocks(n: int) -> list[slice]:
    """Return slices that cover n rows.

    Examples
    --------
    >>> blocks(1500)
    [slice(0, 1024, None), slice(1024, 1500, None)]
    """
    return [slice(start, min(start + BLOCK, n)) for start in range(0, n, BLOCK)]


def orthonormal(design: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a design whose cross-products are n times the identity, and the matrix that made it from the columns.

    Examples
    --------
    >>> q, r = orthonormal(np.array([[1.0, 0], [1, 0], [1, 3], [1, 3]]))
    >>> (q.T @ q).round(9).tolist()
    [[4.0, 0.0], [0.0, 4.0]]
    """
    size = np.sqrt(len(design))
    triangle = np.linalg.qr(design, mode="r") / size
    inverse = linalg.solve_triangular(triangle, np.eye(design.shape[1]), check_finite=False)
    return np.asarray(design @ inverse), np.asarray(inverse)


def products(q: FloatArray) -> FloatArray:
    """Return the products of all pairs of columns, one row a case, shape (n, p (p + 1) / 2).

    Examples
    --------
    >>> products(np.array([[2.0, 3.0]])).tolist()
    [[4.0, 6.0, 9.0]]
    """
    i, j = np.triu_indices(q.shape[1])
    return q[:, i] * q[:, j]


def unpack(packed: FloatArray, p: int) -> FloatArray:
    """Return symmetric matrices from packed upper triangles, shape (..., p, p).

    Examples
    --------
    >>> unpack(np.array([4.0, 6.0, 9.0]), 2).tolist()
    [[4.0, 6.0], [6.0, 9.0]]
    """
    full = np.empty((*packed.shape[:-1], p, p))
    i, j = np.triu_indices(p)
    full[..., i, j] = packed
    full[..., j, i] = packed
    return full


def inverse_or_nan(matrices: FloatArray, size: float) -> FloatArray:
    """Invert many positive definite matrices; NaN where one has lost its rank.

    Parameters
    ----------
    matrices : ndarray, shape (B, p, p)
    size : float
        What the diagonal is without loss: n for cross-products of :func:`orthonormal` columns.

    Returns
    -------
    ndarray, shape (B, p, p)

    Examples
    --------
    >>> inverse_or_nan(np.array([[[2.0, 0], [0, 4]], [[1, 1], [1, 1]]]), 3.0).tolist()
    [[[0.5, 0.0], [0.0, 0.25]], [[nan, nan], [nan, nan]]]
    """
    try:
        inverse = np.linalg.inv(matrices)
    except np.linalg.LinAlgError:  # at least one is singular to the last digit: find out which
        inverse = np.array([_inverse_of_one(one) for one in matrices])
    condition = size * np.linalg.norm(inverse, axis=(1, 2))
    good = (condition < _CONDITION) & (np.diagonal(inverse, axis1=1, axis2=2) > 0.0).all(axis=1)
    return np.where(good[:, None, None], inverse, np.nan)


def _inverse_of_one(matrix: FloatArray) -> FloatArray:
    """Return the inverse, or NaN for a singular matrix."""
    try:
        return np.asarray(np.linalg.inv(matrix))
    except np.linalg.LinAlgError:
        return np.full_like(matrix, np.nan)


def refit_logistic(
    q: FloatArray, codes: IntArray, draws: Draws, n_boot: int, start: FloatArray
) -> ResampledLogistic:
    """Refit a multinomial logistic model in every resample.

    Parameters
    ----------
    q : ndarray, shape (n, p)
        Design from :func:`orthonormal`, so that rank can be read from its cross-products.
    codes : ndarray of int, shape (n,)
        Level of each case, 0 to K - 1.
    draws : callable
        Rows of a block -> how often each was drawn, shape (B, rows).
    n_boot : int
        B.
    start : ndarray, shape (K - 1, p)
        Coefficients of the fit to all rows, for `q`.

    Returns
    -------
    ResampledLogistic

    Notes
    -----
    Source of the model: McCullagh and Nelder, Generalized Linear Models (1989), section 5.2. A step is accepted as
    the last when its squared length in standard errors is below 1e-10 (what is left then is smaller by two digits).

    Examples
    --------
    A constant only, and two resamples: log odds 1 : 3 and 2 : 2.

    >>> drawn = np.array([[1.0, 0, 1, 2], [2, 0, 1, 1]])
    >>> fit = refit_logistic(np.ones((4, 1)), np.array([0, 0, 1, 1]), lambda rows: drawn[:, rows], 2, np.zeros((1, 1)))
    >>> fit.coefficients.ravel().round(6).tolist()
    [1.098612, 0.0]
    """
    b = np.broadcast_to(start, (n_boot, *start.shape)).copy()
    done = np.zeros(n_boot, dtype=bool)
    _climb((q, codes, draws), b, done, renew=_RENEW, damped=False)
    if (
        not done.all()
    ):  # far from the fit to all rows: from the middle, with short steps and fresh information
        b[~done] = 0.0
        _climb((q, codes, draws), b, done, renew=1, damped=True)
    b[~done] = np.nan
    return ResampledLogistic(coefficients=b, converged=done)


def _climb(
    data: tuple[FloatArray, IntArray, Draws], b: FloatArray, done: Any, *, renew: int, damped: bool
) -> None:
    """Take Newton's steps, in place, in the resamples that are not done."""
    n_boot, m, p = b.shape
    open_ = np.flatnonzero(~done)
    inverse = np.zeros((n_boot, m * p, m * p))
    for step in range(_STEPS):
        if not len(open_):
            break
        score, packed = _score(*data, b, open_, step % renew == 0)
        if step % renew == 0:
            inverse[open_] = inverse_or_nan(_assembled(packed, m, p), len(data[0]))
        flat = score.reshape(len(open_), m * p)
        move = (inverse[open_] @ flat[:, :, None])[:, :, 0]
        gain = (move * flat).sum(axis=1)
        usable = np.isfinite(gain) & (gain < 1e8)
        length = 1.0 / (1.0 + np.sqrt(np.maximum(gain, 0.0)) / 4.0) if damped else np.ones(len(gain))
        b[open_[usable]] += (length[:, None] * move)[usable].reshape(-1, m, p)
        done[open_[usable & (gain < _CONVERGED)]] = True
        open_ = open_[usable & (gain >= _CONVERGED)]


def level_probabilities(q: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Return the probability of each level in each resample, shape (B, K, n).

    Examples
    --------
    >>> level_probabilities(np.ones((1, 1)), np.array([[[0.0]], [[np.log(3)]]])).ravel().round(6).tolist()
    [0.5, 0.5, 0.25, 0.75]
    """
    others = _other_levels(q, coefficients)
    return np.concatenate([1.0 - others.sum(axis=1, keepdims=True), others], axis=1)


def _other_levels(q: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Return the probability of each level but the first, shape (B, K - 1, n); in place, for speed."""
    e = coefficients @ q.T
    np.clip(e, -700.0, 700.0, out=e)
    np.exp(e, out=e)
    total = e.sum(axis=1, keepdims=True) if e.shape[1] > 1 else e.copy()
    total += 1.0
    e /= total
    return np.asarray(e)


def _score(
    q: FloatArray, codes: IntArray, draws: Draws, b: FloatArray, open_: IntArray, renew: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the scores of the open resamples and, when asked, their packed information by pair of levels."""
    m, p = b.shape[1:]
    pairs = [(j, k) for j in range(m) for k in range(j, m)]
    score = np.zeros((len(open_), m, p))
    packed = np.zeros((len(pairs), len(open_), p * (p + 1) // 2 if renew else 0))
    for rows in blocks(len(q)):
        weight = draws(rows)
        if len(open_) < len(weight):
            weight = weight[open_]
        e = _other_levels(q[rows], b[open_])
        own = codes[rows] == np.arange(1, m + 1)[:, None]
        crossed = products(q[rows]) if renew else q[:0]
        for at, (j, k) in enumerate(pairs if renew else ()):
            part = (1.0 - e[:, k]) if j == k else -e[:, k]
            part *= e[:, j]
            part *= weight
            packed[at] += part @ crossed
        np.subtract(own, e, out=e)
        e *= weight[:, None]
        score += e @ q[rows]
    return score, packed


def _assembled(packed: FloatArray, m: int, p: int) -> FloatArray:
    """Return information matrices, shape (B, m p, m p)."""
    full = np.empty((packed.shape[1], m, p, m, p))
    at = 0
    for j in range(m):
        for k in range(j, m):
            block = unpack(packed[at], p)
            full[:, j, :, k, :] = block
            full[:, k, :, j, :] = block
            at += 1
    return full.reshape(len(full), m * p, m * p)
