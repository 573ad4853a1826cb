"""Missing numbers of all chains at once: predictive mean matching."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from outcomes.stats.missing.imputation_plan import BoolArray
from outcomes.stats.missing.imputation_visits import DonorGroup
from outcomes.stats.numerics.arrays import FloatArray, IntArray

# directions of the predictors whose share of the variance is this small are rounding, not information
_NO_SPREAD = 1e-9
# a pivot as small as this calls for eigenvectors, which tell what is rounding
_WEAK = 1e-7
_ALIKE = 1e-10


def draw_coefficients(
    moments: FloatArray, active: BoolArray, n: int, generators: Sequence[np.random.Generator]
) -> tuple[FloatArray, FloatArray]:
    """Return least-squares coefficients and a draw from their posterior under flat priors.

    Parameters
    ----------
    moments : ndarray, shape (m, p + 1, p + 1)
        Cross-products of the predictors, the outcome last, over the observed rows of each chain.
    active : ndarray of bool, shape (m, p)
        Predictors to use; the others get coefficients of 0.
    n : int
        Observed rows.
    generators : sequence of Generator
        One a chain.

    Returns
    -------
    fitted, drawn : ndarray, shape (m, p)

    Notes
    -----
    Directions in which the predictors do not spread are left out. What a chain gets does not depend on the chains
    beside it. Source: Rubin DB. Multiple Imputation for Nonresponse in Surveys (1987), example 5.1.

    Examples
    --------
    >>> X, y = np.array([[1.0, 1.0, 1.0, 1.0], [0.0, 1.0, 2.0, 3.0]]), np.array([1.0, 3.0, 5.0, 8.0])
    >>> rows = np.vstack([X, y])[None, :, :]
    >>> fitted, _ = draw_coefficients(rows @ rows.transpose(0, 2, 1), np.ones((1, 2), dtype=bool), 4,
    ...                               [np.random.default_rng(1)])
    >>> fitted.round(6).tolist()
    [[0.8, 2.3]]
    """
    m, p = active.shape
    used = np.column_stack([active, np.ones(m, dtype=bool)])
    squares = np.where(used[:, :, None] & used[:, None, :], moments, np.eye(p + 1) * ~used[:, :, None])
    rank = active.sum(axis=1)
    normals: FloatArray = np.zeros((m, p))
    normals[active] = np.concatenate([g.standard_normal(r) for g, r in zip(generators, rank, strict=True)])
    factors, largest = _factors(squares), np.diagonal(squares, axis1=1, axis2=2)[:, :p].max(axis=1)
    pivots = np.diagonal(factors, axis1=1, axis2=2)
    # not above is true for a factor that does not exist, too
    weak = ~(pivots[:, :p].min(axis=1) ** 2 > _WEAK * largest)
    factors[weak] = np.eye(p + 1)
    both = np.stack([factors[:, p, :p], normals], axis=2)
    solved = np.asarray(np.linalg.solve(factors[:, :p, :p].transpose(0, 2, 1), both), dtype=np.float64)
    fitted, direction = solved[:, :, 0], solved[:, :, 1]
    residual = pivots[:, p] ** 2
    for i in np.flatnonzero(weak):
        own = np.flatnonzero(active[i])
        fitted[i], direction[i] = 0.0, 0.0
        fitted[i, own], direction[i, own], residual[i], rank[i] = _by_eigenvectors(
            squares[i][np.ix_(own, own)], squares[i, own, p], squares[i, p, p], normals[i, own]
        )
    chi_squared = np.array([g.chisquare(n - r) for g, r in zip(generators, rank, strict=True)])
    return fitted, fitted + np.sqrt(residual / chi_squared)[:, None] * direction


def match_donors(
    fitted: FloatArray,
    predicted: FloatArray,
    observed: FloatArray,
    donors: Sequence[DonorGroup],
    uniform: FloatArray,
    n_donors: int,
) -> FloatArray:
    """Draw an observed value from the nearest donors of every missing one.

    Parameters
    ----------
    fitted : ndarray, shape (m, n)
        Predictions of the donors of each chain, from the least-squares coefficients.
    predicted : ndarray, shape (m, k)
        Predictions of the missing values, from drawn coefficients.
    observed : ndarray, shape (n,)
        The donors' values.
    donors : sequence of (ndarray of bool or None, ndarray of int)
        Which donors which missing values may have.
    uniform : ndarray, shape (m, k)
        Random numbers from 0 to 1 that choose.
    n_donors : int
        Nearest donors among which one is drawn.

    Returns
    -------
    ndarray, shape (m, k)
        Observed values only.

    Notes
    -----
    Type 1 matching: donors are predicted by the least-squares coefficients, recipients by a draw from their
    posterior; donors that are predicted alike are equally near. Sources: Little RJA. Journal of Business and
    Economic Statistics 1988; 6: 287-296; Morris TP, White IR, Royston P. BMC Medical Research Methodology
    2014; 14: 75 (type 1, several donors).

    Examples
    --------
    >>> chosen = match_donors(np.array([[1.0, 2.0, 4.0, 9.0]]), np.array([[3.5, 3.5]]), np.array([10.0, 20.0, 40.0, 90.0]),
    ...                       [(None, np.array([0, 1]))], np.array([[0.1, 0.9]]), 2)
    >>> chosen.tolist()
    [[40.0, 20.0]]
    """
    order = np.argsort(fitted, axis=1, kind="stable")
    result = np.empty_like(predicted)
    for allowed, rows in donors:
        own = order if allowed is None else order[allowed[order]].reshape(len(order), -1)
        ranked = np.take_along_axis(fitted, own, axis=1)
        place = _nearest(ranked, predicted[:, rows], uniform[:, rows], min(n_donors, own.shape[1]))
        result[:, rows] = observed[np.take_along_axis(own, place, axis=1)]
    return result


def _nearest(ranked: FloatArray, wanted: FloatArray, uniform: FloatArray, n_donors: int) -> IntArray:
    """Return the place, in sorted predictions, of one of the nearest to each wanted one."""
    n = ranked.shape[1]
    above = np.array([np.searchsorted(row, value) for row, value in zip(ranked, wanted, strict=True)])
    edge = np.full((len(ranked), n_donors), np.inf)
    padded = np.concatenate([-edge, ranked, edge], axis=1)
    start = above + np.arange(len(ranked))[:, None] * padded.shape[1]
    distance = np.abs(padded.ravel()[start[:, :, None] + np.arange(2 * n_donors)] - wanted[:, :, None])
    choice = uniform * n_donors
    nearest = np.argsort(distance, axis=2, kind="stable")
    which = np.take_along_axis(nearest, choice.astype(np.int64)[:, :, None], axis=2)[:, :, 0]
    chosen: IntArray = above + which - n_donors
    alike = _ALIKE * np.abs(ranked[:, [0, -1]]).max(axis=1, keepdims=True)
    apart = np.diff(ranked, axis=1) > alike
    if apart.all():
        return chosen
    # donors that are predicted alike are equally near: any of them, not always the same few
    places, ends = np.arange(n), np.ones((len(ranked), 1), dtype=bool)
    first = np.maximum.accumulate(np.where(np.hstack([ends, apart]), places, 0), axis=1)
    last = np.minimum.accumulate(np.where(np.hstack([apart, ends]), places, n)[:, ::-1], axis=1)[:, ::-1]
    low, high = (np.take_along_axis(side, chosen, axis=1) for side in (first, last))
    return np.asarray(low + ((choice - np.floor(choice)) * (high - low + 1)).astype(np.int64))


def _factors(squares: FloatArray) -> FloatArray:
    """Return lower Cholesky factors, NaN where there is none."""
    try:
        return np.asarray(np.linalg.cholesky(squares))
    except np.linalg.LinAlgError:
        result = np.full_like(squares, np.nan)
    for i, square in enumerate(squares):
        try:
            result[i] = np.linalg.cholesky(square)
        except np.linalg.LinAlgError:
            continue  # stays NaN, which the caller takes up
    return result


def _by_eigenvectors(
    square: FloatArray, products: FloatArray, total: float, normals: FloatArray
) -> tuple[FloatArray, FloatArray, float, int]:
    """Return coefficients, a random direction, the residual sum of squares and the rank."""
    values, vectors = np.linalg.eigh(square)
    kept = values > _NO_SPREAD * values[-1]
    basis = vectors[:, kept] / np.sqrt(values[kept])
    loadings = basis.T @ products
    residual = max(total - float(loadings @ loadings), 0.0)
    return basis @ loadings, basis @ normals[: basis.shape[1]], residual, int(kept.sum())
