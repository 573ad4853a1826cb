"""Missing yes/no and categories of all chains at once: logistic draws."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.missing.imputation_plan import BoolArray
from outcomes.stats.numerics.arrays import FloatArray, IntArray

PRIOR_SD = 2.5
"""Spread of the normal prior of log odds ratios per standard deviation of a predictor (Gelman 2008's scale)."""

_CONVERGED = 1e-8
_MAX_STEPS = 40


def fit_levels(
    design: FloatArray,
    codes: IntArray,
    n_levels: int,
    active: BoolArray,
    name: str,
    start: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return the modes of (multinomial) logistic coefficients, and Cholesky factors of their information.

    Parameters
    ----------
    design : ndarray, shape (m, p, n)
        Predictors of the observed rows of each chain: ones first, the others on the scale of their standard
        deviations.
    codes : ndarray of int, shape (n,)
        Levels 0 to n_levels - 1.
    n_levels : int
        At least 2.
    active : ndarray of bool, shape (m, p)
        Predictors to use; the others get coefficients of 0.
    name : str
        Column, for messages.
    start : ndarray, shape (m, n_levels - 1, p), optional
        Where to start from, such as the modes of the cycle before.

    Returns
    -------
    modes : ndarray, shape (m, n_levels - 1, p)
        Log odds of every level above 0 against level 0.
    factors : ndarray, shape (m, (n_levels - 1) p, (n_levels - 1) p)

    Raises
    ------
    EstimationError
        No convergence.

    Notes
    -----
    Slopes have a normal prior with spread :data:`PRIOR_SD`, intercepts a flat one, so that a level which the
    predictors separate has finite coefficients. What a chain gets does not depend on the chains beside it.
    Source: Gelman A et al. Annals of Applied Statistics 2008; 2: 1360-1383 (scale of the prior, there Cauchy).

    Examples
    --------
    >>> modes, _ = fit_levels(np.ones((1, 1, 4)), np.array([0, 0, 0, 1]), 2, np.ones((1, 1), dtype=bool), "open")
    >>> bool(np.isclose(modes[0, 0, 0], np.log(1 / 3)))
    True
    """
    m, p, n = design.shape
    others = n_levels - 1
    prior = np.tile(np.concatenate([[0.0], np.full(p - 1, PRIOR_SD**-2.0)]), others)
    used = np.tile(active, (1, others))
    indicator = (codes == np.arange(1, n_levels)[:, None]).astype(np.float64)
    if start is None:
        shares = (indicator.sum(axis=1) + 0.5) / (n + 0.5 * n_levels)
        start = np.zeros((m, others, p))
        start[:, :, 0] = np.log(shares / (1.0 - shares.sum()))
    b = start.reshape(m, others * p) * used
    information, room = np.empty((m, others * p, others * p)), np.empty_like(design)
    going = np.ones(m, dtype=bool)
    for _ in range(_MAX_STEPS):
        probability = _probabilities(b.reshape(m, others, p) @ design)[:, 1:]
        slope = ((indicator - probability) @ design.transpose(0, 2, 1)).reshape(m, -1) - prior * b
        # chains that have converged stay as they are, whatever those beside them need
        information[going] = _information(design, probability, prior, used, room)[going]
        slope = np.where(used, slope, 0.0)
        step = np.linalg.solve(information, slope[:, :, None])[:, :, 0]
        gain = (step * slope).sum(axis=1)
        damped = step / np.maximum(1.0, np.abs(step).max(axis=1, keepdims=True) / 4.0)
        b = np.where(going[:, None], b + damped, b)
        going &= ~(gain < _CONVERGED)
        if not going.any():
            return b.reshape(m, others, p), np.linalg.cholesky(information)
    raise EstimationError(
        f"{name}: the model of its levels does not converge; merge rare levels or name fewer predictors",
        code="not_converged",
    )


def draw_levels(
    modes: FloatArray,
    factors: FloatArray,
    active: BoolArray,
    target: FloatArray,
    shift: FloatArray,
    generators: Sequence[np.random.Generator],
) -> IntArray:
    """Draw levels, with coefficients drawn from their posterior.

    Parameters
    ----------
    modes, factors, active
        From and as in :func:`fit_levels`.
    target : ndarray, shape (m, p, k)
        Predictors of the missing rows.
    shift : ndarray, shape (k,)
        Added to the log odds of every level above 0 against level 0.
    generators : sequence of Generator
        One a chain.

    Returns
    -------
    ndarray of int, shape (m, k)

    Notes
    -----
    The posterior is taken as normal at its mode. Sources: Rubin DB (1987), chapter 5; White IR, Daniel R, Royston P.
    Computational Statistics and Data Analysis 2010; 54: 2267-2275 (why separation must not be ignored).

    Examples
    --------
    >>> ones, active = np.ones((1, 1, 4)), np.ones((1, 1), dtype=bool)
    >>> modes, factors = fit_levels(ones, np.array([0, 0, 1, 1]), 2, active, "open")
    >>> drawn = draw_levels(modes, factors, active, np.ones((1, 1, 50)), np.zeros(50), [np.random.default_rng(1)])
    >>> sorted(set(drawn[0].tolist()))
    [0, 1]
    """
    m, others, p = modes.shape
    used = np.tile(active, (1, others))
    normals = np.zeros(used.shape)
    normals[used] = np.concatenate(
        [g.standard_normal(k) for g, k in zip(generators, used.sum(axis=1), strict=True)]
    )
    uniform = np.array([g.random(len(shift)) for g in generators])
    moved = np.linalg.solve(factors.transpose(0, 2, 1), normals[:, :, None])
    odds = (modes + moved.reshape(m, others, p)) @ target + shift
    reached = np.cumsum(_probabilities(odds), axis=1)[:, :-1]
    return np.asarray((uniform[:, None, :] > reached).sum(axis=1), dtype=np.int64)


def _probabilities(odds: FloatArray) -> FloatArray:
    """Return the probabilities of all levels, shape (m, levels, n), from log odds against the first."""
    m, _, n = odds.shape
    full = np.concatenate([np.zeros((m, 1, n)), odds], axis=1)
    full -= full.max(axis=1, keepdims=True)
    np.exp(full, out=full)
    full /= full.sum(axis=1, keepdims=True)
    return full


def _information(
    design: FloatArray, probability: FloatArray, prior: FloatArray, used: BoolArray, room: FloatArray
) -> FloatArray:
    """Return the information of multinomial logistic models, levels above the first one after another.

    The weighted design is written into `room`: asking for as much memory again takes longer than the product.
    """
    m, p, _ = design.shape
    others = probability.shape[1]
    result = np.empty((m, others * p, others * p))
    for a in range(others):
        for b in range(a + 1):
            weight = probability[:, a] * ((a == b) - probability[:, b])
            np.multiply(design, weight[:, None, :], out=room)
            block = room @ design.transpose(0, 2, 1)
            result[:, a * p : (a + 1) * p, b * p : (b + 1) * p] = block
            result[:, b * p : (b + 1) * p, a * p : (a + 1) * p] = block.transpose(0, 2, 1)
    result *= used[:, :, None] & used[:, None, :]
    # one on the diagonal of what is not used keeps the matrix regular; its coefficients stay 0
    places = np.arange(others * p)
    result[:, places, places] += np.where(used, prior, 1.0)
    return result
