"""Sums of products without rounding, and the refinement of least squares that rests on them.

Needed where columns are nearly combinations of one another and residuals are large: there the rounding of a plain
cross-product, enlarged by the design, costs half the digits (NIST Wampler4 and Wampler5).
"""

from __future__ import annotations

import math

import numpy as np

from outcomes.stats.numerics.arrays import FloatArray

_SPLIT = 134217729.0  # 2^27 + 1


def two_product(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return products and what rounding took from them: their sum is exact.

    Notes
    -----
    Source: Dekker (1971) Numer Math 18:224-242.

    Examples
    --------
    >>> high, low = two_product(np.array([1.0 + 2.0**-30]), np.array([1.0 + 2.0**-30]))
    >>> low[0] == 2.0**-60
    np.True_
    """
    product = a * b
    a_high = _SPLIT * a - (_SPLIT * a - a)
    b_high = _SPLIT * b - (_SPLIT * b - b)
    a_low, b_low = a - a_high, b - b_high
    return product, ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low


def refine_least_squares(
    design: FloatArray, outcome: FloatArray, basis: FloatArray, to_coefficients: FloatArray, start: FloatArray
) -> FloatArray:
    """Return least-squares coefficients refined with sums that are not rounded.

    Parameters
    ----------
    design : ndarray, shape (n, p)
    outcome : ndarray, shape (n,)
    basis : ndarray, shape (n, p)
        Orthonormal, ``design @ to_coefficients``, rows in the same order.
    to_coefficients : ndarray, shape (p, p)
    start : ndarray, shape (p,)
        Coefficients to refine.

    Returns
    -------
    ndarray, shape (p,)

    Notes
    -----
    Three steps on residuals and coefficients together. Source: Bjorck (1967) BIT 7:257-278.

    Examples
    --------
    >>> X = np.array([[1.0, 1.0], [1.0, 2.0], [1.0, 3.0]])
    >>> q, r = np.linalg.qr(X)
    >>> refine_least_squares(X, np.array([1.0, 2.0, 4.0]), q, np.linalg.inv(r), np.zeros(2)).round(12).tolist()
    [-0.666666666667, 1.5]
    """
    coefficients = start
    residuals = outcome - design @ start
    for _ in range(3):
        high, low = two_product(design, np.broadcast_to(coefficients, design.shape))
        parts = np.column_stack([outcome, -residuals, -high, -low])
        left = np.array([math.fsum(row) for row in parts.tolist()])
        high, low = two_product(design, np.broadcast_to(residuals[:, None], design.shape))
        pull = -np.array([math.fsum(column) for column in np.vstack([high, low]).T.tolist()])
        held = to_coefficients.T @ pull
        along = basis.T @ left - held
        coefficients = coefficients + to_coefficients @ along
        residuals = residuals + (left - basis @ along)
    return np.asarray(coefficients, dtype=np.float64)
