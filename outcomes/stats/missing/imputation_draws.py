"""One draw of missing values given complete predictors: predictive mean matching, categories by logistic draws."""

from __future__ import annotations

import numpy as np
from scipy import linalg

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray

PRIOR_SD = 2.5
"""Spread of the normal prior of log odds ratios per standard deviation of a predictor (Gelman 2008's scale)."""

# directions of the predictors whose share of the variance is this small are rounding, not information
_NO_SPREAD = 1e-9
_ALIKE = 1e-10
_CONVERGED = 1e-8
_MAX_STEPS = 40


def draw_numbers(
    design: FloatArray,
    observed: FloatArray,
    target: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    n_donors: int,
    generator: np.random.Generator,
    name: str,
) -> FloatArray:
    """Draw numbers by predictive mean matching.

    Parameters
    ----------
    design, target : ndarray, shapes (n, p) and (k, p)
        Predictors of the observed and of the missing rows, with an intercept.
    observed : ndarray, shape (n,)
        The donors.
    low, high : ndarray, shape (k,)
        Limits of each missing value.
    n_donors : int
        Nearest donors among which one is drawn.
    generator : Generator
    name : str
        Column, for messages.

    Returns
    -------
    ndarray, shape (k,)
        Observed values only.

    Raises
    ------
    EstimationError
        No observed value lies within the limits of some row.

    Notes
    -----
    Type 1 matching: donors are predicted by the least-squares coefficients, recipients by a draw from their
    posterior; donors that are predicted alike are equally near. Sources: Little RJA. Journal of Business and
    Economic Statistics 1988; 6: 287-296; Morris TP, White IR, Royston P. BMC Medical Research Methodology
    2014; 14: 75 (type 1, several donors).

    Examples
    --------
    >>> ones, rng = np.ones((3, 1)), np.random.default_rng(1)
    >>> drawn = draw_numbers(ones, np.array([1.0, 2.0, 4.0]), ones, np.full(3, 1.5), np.full(3, 9.0), n_donors=2,
    ...                      generator=rng, name="grip")
    >>> set(drawn.tolist()) <= {2.0, 4.0}
    True
    """
    coefficients, drawn = _posterior_draw(design, observed, generator)
    fitted, predicted = design @ coefficients, target @ drawn
    order = np.argsort(fitted, kind="stable")
    ranked = fitted[order]
    place = np.searchsorted(ranked, predicted)
    window = place[:, None] + np.arange(-n_donors, n_donors)
    inside = (window >= 0) & (window < len(ranked))
    window = np.clip(window, 0, len(ranked) - 1)
    distance = np.where(inside, np.abs(ranked[window] - predicted[:, None]), np.inf)
    nearest = np.argsort(distance, axis=1, kind="stable")
    rows = np.arange(len(target))
    chosen = window[rows, nearest[rows, generator.integers(0, min(n_donors, len(ranked)), len(rows))]]
    # donors that are predicted alike are equally near: any of them, not always the same few
    alike = _ALIKE * float(np.abs(ranked).max())
    left = np.searchsorted(ranked, ranked[chosen] - alike, side="left")
    right = np.searchsorted(ranked, ranked[chosen] + alike, side="right")
    result = observed[order][left + generator.integers(0, right - left)]
    outside = (result < low) | (result > high)
    if np.isfinite(low).any() or np.isfinite(high).any():
        # limits of a row's own may rule out donors of its window: look at all
        least, most = float(observed.min()), float(observed.max())
        outside |= (low > least) | (high < most)
    for row in np.flatnonzero(outside):
        allowed = np.flatnonzero((observed >= low[row]) & (observed <= high[row]))
        if not len(allowed):
            raise EstimationError(
                f"{name}: no observed value lies within the limits of a row to be imputed; widen low and high or "
                "declare the row not applicable",
                code="no_donor",
            )
        near = np.argsort(np.abs(fitted[allowed] - predicted[row]), kind="stable")[:n_donors]
        result[row] = observed[allowed[near[generator.integers(0, len(near))]]]
    return np.asarray(result)


def draw_levels(
    design: FloatArray,
    observed: IntArray,
    target: FloatArray,
    n_levels: int,
    shift: FloatArray,
    *,
    generator: np.random.Generator,
    name: str,
) -> IntArray:
    """Draw levels from a (multinomial) logistic model with coefficients drawn from their posterior.

    Parameters
    ----------
    design, target : ndarray, shapes (n, p) and (k, p)
        Predictors of the observed and of the missing rows: an intercept first, the others on the scale of
        their standard deviations.
    observed : ndarray of int, shape (n,)
        Levels 0 to n_levels - 1.
    n_levels : int
        At least 2.
    shift : ndarray, shape (k,)
        Added to the log odds of every level above 0 against level 0.
    generator : Generator
    name : str
        Column, for messages.

    Returns
    -------
    ndarray of int, shape (k,)

    Raises
    ------
    EstimationError
        The fit does not converge.

    Notes
    -----
    Slopes have a normal prior of spread :data:`PRIOR_SD`, intercepts a flat one, so that a level which the
    predictors separate has finite coefficients; the posterior is taken as normal at its mode. Sources: Rubin
    DB (1987), example 5.1 (posterior draw); Gelman A et al. Annals of Applied Statistics 2008; 2: 1360-1383
    (scale of the prior, there Cauchy); White IR, Daniel R, Royston P. Computational Statistics and Data
    Analysis 2010; 54: 2267-2275 (why separation must not be ignored).

    Examples
    --------
    >>> ones, rng = np.ones((4, 1)), np.random.default_rng(1)
    >>> drawn = draw_levels(ones, np.array([0, 0, 1, 1]), np.ones((50, 1)), 2, np.zeros(50), generator=rng,
    ...                     name="open")
    >>> sorted(set(drawn.tolist()))
    [0, 1]
    """
    p, others = design.shape[1], n_levels - 1
    prior = np.tile(np.concatenate([[0.0], np.full(p - 1, PRIOR_SD**-2.0)]), others)
    indicator = (observed[:, None] == np.arange(1, n_levels)).astype(np.float64)
    b = np.zeros(others * p)
    shares = (indicator.sum(axis=0) + 0.5) / (len(observed) + 0.5 * n_levels)
    b[::p] = np.log(shares / (1.0 - shares.sum()))
    for _ in range(_MAX_STEPS):
        probability = _probabilities(design @ b.reshape(others, p).T)[:, 1:]
        slope = (design.T @ (indicator - probability)).T.ravel() - prior * b
        factor = linalg.cho_factor(_information(design, probability) + np.diag(prior), lower=True)
        step = linalg.cho_solve(factor, slope)
        gain = float(step @ slope)
        b = b + step / max(1.0, float(np.abs(step).max()) / 4.0)
        if gain < _CONVERGED:
            break
    else:
        raise EstimationError(
            f"{name}: the model of its levels does not converge; merge rare levels or name fewer predictors",
            code="not_converged",
        )
    drawn = b + linalg.solve_triangular(factor[0], generator.standard_normal(len(b)), trans="T", lower=True)
    odds = target @ drawn.reshape(others, p).T + shift[:, None]
    reached = np.cumsum(_probabilities(odds), axis=1)[:, :-1]
    return np.asarray((generator.random(len(target))[:, None] > reached).sum(axis=1), dtype=np.int64)


def _posterior_draw(
    design: FloatArray, outcome: FloatArray, generator: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Return least-squares coefficients and a draw from their posterior under flat priors."""
    values, vectors = np.linalg.eigh(design.T @ design)
    kept = values > _NO_SPREAD * values[-1]
    basis = vectors[:, kept] / np.sqrt(values[kept])
    coefficients = basis @ (basis.T @ (design.T @ outcome))
    residuals = outcome - design @ coefficients
    spread = np.sqrt(float(residuals @ residuals) / generator.chisquare(len(outcome) - int(kept.sum())))
    return coefficients, coefficients + spread * (basis @ generator.standard_normal(basis.shape[1]))


def _probabilities(odds: FloatArray) -> FloatArray:
    """Return the probabilities of all levels from log odds against the first."""
    full = np.column_stack([np.zeros(len(odds)), odds])
    full -= full.max(axis=1, keepdims=True)
    np.exp(full, out=full)
    return np.asarray(full / full.sum(axis=1, keepdims=True))


def _information(design: FloatArray, probability: FloatArray) -> FloatArray:
    """Return the information of a multinomial logistic model, levels above the first one after another."""
    p, others = design.shape[1], probability.shape[1]
    result = np.empty((others * p, others * p))
    for a in range(others):
        for b in range(a + 1):
            weight = probability[:, a] * ((a == b) - probability[:, b])
            block = design.T @ (design * weight[:, None])
            result[a * p : (a + 1) * p, b * p : (b + 1) * p] = block
            result[b * p : (b + 1) * p, a * p : (a + 1) * p] = block.T
    return result
