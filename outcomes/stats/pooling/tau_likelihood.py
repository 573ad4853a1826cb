"""Maximum likelihood and restricted maximum likelihood of the variance between studies, searched.

Written by hand: the libraries that the package rests on have neither for known variances.
"""

from __future__ import annotations

import numpy as np
from scipy import optimize

from outcomes.stats.numerics.arrays import FloatArray

GRID = 240  # points of the search for the highest maximum; neighbours differ by 10 %


def likelihood_tau_squared(
    y: FloatArray, v: FloatArray, X: FloatArray, spread: float, *, restricted: bool
) -> float:
    """Return the tau squared with the highest (restricted) likelihood.

    Parameters
    ----------
    y, v : ndarray, shape (k,)
        Effects and their variances.
    X : ndarray, shape (k, p)
        Design of full rank.
    spread : float
        Unweighted residual variance with divisor k - p.
    restricted : bool
        REML when True, ML otherwise.

    Returns
    -------
    float
        0 or more. The highest maximum: the likelihood can have two.

    Notes
    -----
    Beyond s2 + sqrt(s2 max v), s2 the `spread`, the slope is negative: the trace is at least
    (k - p) / (tau2 + max v) and the squares at most (k - p) s2 / tau2^2. For ML the trace is that of k
    weights, which is larger.

    References
    ----------
    Viechtbauer W. Journal of Educational and Behavioral Statistics 2005; 30: 261-293.

    Examples
    --------
    Equal variances of 1 and squares of 8 on 2 degrees of freedom: 8/2 - 1, and 8/3 - 1:

    >>> y, v, ones = np.array([0.0, 2.0, 4.0]), np.ones(3), np.ones((3, 1))
    >>> [round(likelihood_tau_squared(y, v, ones, 4.0, restricted=kind), 9) for kind in (True, False)]
    [3.0, 1.666666667]
    """
    if spread * float(v.max()) < float(v.min()) ** 2:
        return 0.0  # by the same bounds the slope is negative everywhere
    upper = spread + float(np.sqrt(spread * v.max()))
    grid = np.concatenate([[0.0], np.geomspace(upper * 1e-10, upper, GRID)])
    slope = _likelihood(y, v, X, grid, restricted)[1]
    turns = np.flatnonzero((slope[:-1] > 0) & (slope[1:] <= 0))
    maxima = [] if slope[0] > 0 else [0.0]
    maxima += [
        float(
            optimize.brentq(
                lambda tau2: float(_likelihood(y, v, X, np.array([tau2]), restricted)[1][0]), grid[i], grid[i + 1],
                xtol=upper * 1e-15, rtol=1e-14,
            )
        )
        for i in turns
    ]  # fmt: skip
    return maxima[int(np.argmax(_likelihood(y, v, X, np.array(maxima), restricted)[0]))]


def _likelihood(
    y: FloatArray, v: FloatArray, X: FloatArray, tau2: FloatArray, restricted: bool
) -> tuple[FloatArray, FloatArray]:
    """Return (restricted) log likelihood (to a constant) and its slope at each tau squared."""
    w = 1.0 / (v + tau2[:, None])
    centred = y - np.median(y)
    weighted = w[:, :, None] * X
    information = X.T @ weighted
    inverse = np.linalg.inv(information)
    beta = (inverse @ (weighted * centred[:, None]).sum(axis=1)[:, :, None])[:, :, 0]
    pull = (w * (centred - beta @ X.T)) ** 2
    trace = w.sum(axis=1)
    height = 0.5 * (np.log(w).sum(axis=1) - (pull / w).sum(axis=1))
    if restricted:
        trace = trace - (inverse * (weighted.transpose(0, 2, 1) @ weighted)).sum(axis=(1, 2))
        height = height - 0.5 * np.linalg.slogdet(information)[1]
    return height, 0.5 * (pull.sum(axis=1) - trace)
