"""Firth's logistic regression on many resamples at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_matrix, floats
from outcomes.stats.numerics.rank import TOLERANCE, full_rank_qr
from outcomes.stats.regression.firth import find_intercept, maximise_penalised, shift_to_share
from outcomes.stats.regression.separation import check_binary

# squared length of the step in units of the standard errors: a thousandth of a thousandth of an error is
# far under the noise of a bootstrap
_CONVERGED = 1e-12
_ROUNDS = 30
_LONGEST_STEP = 5.0
_CHUNK = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirthResamples:
    """Coefficients of every resample.

    Attributes
    ----------
    names : tuple of str, length p
        Columns of the design.
    coefficients : ndarray, shape (B, p)
        Log odds ratios; NaN throughout where a resample failed.
    n_rank_deficient, n_without_variation, n_not_converged : int
        Why resamples failed: a column is lost, only events or none (the intercept cannot be
        corrected), no convergence.
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    n_rank_deficient: int
    n_without_variation: int
    n_not_converged: int

    @property
    def n_failed(self) -> int:
        """Resamples without coefficients."""
        return self.n_rank_deficient + self.n_without_variation + self.n_not_converged

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient: mean and SD of the replicates."""
        good = self.coefficients[np.isfinite(self.coefficients[:, 0])]
        return pd.DataFrame(
            {
                "contrast": self.names,
                "estimate": good.mean(axis=0),
                "std_error": good.std(axis=0, ddof=1),
                "n": len(good),
            }
        )

    def __str__(self) -> str:
        """Return the counts as a sentence."""
        reasons = (
            f"{self.n_rank_deficient} lost a column, {self.n_without_variation} had only events or none, "
            f"{self.n_not_converged} did not converge"
        )
        return f"{len(self.coefficients)} resamples, {self.n_failed} failed ({reasons})"


def fit_firth_resamples(
    X: Any, y: Any, weights: Any, *, names: Sequence[str], intercept_correction: bool = True
) -> FirthResamples:
    """Fit Firth's logistic regression to B weighted resamples of the same rows.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design, with its intercept column.
    y : array_like, shape (n,)
        Outcome, 0 or 1.
    weights : array_like, shape (B, n)
        Weights of each resample, such as counts from
        :func:`outcomes.stats.resampling.bootstrap.cluster_resamples`.
    names : sequence of str, length p
        Column names.
    intercept_correction : bool
        As in :func:`outcomes.stats.regression.firth.fit_firth`.

    Returns
    -------
    FirthResamples
        Failed resamples are NaN and counted by reason; none is replaced or redrawn.

    Raises
    ------
    EstimationError
        The whole data cannot be fitted (rank, coding), weights of the wrong shape or below 0, no
        constant column to correct.

    Notes
    -----
    All resamples take their scoring steps together, as matrix products with the pairwise products of
    the columns; those that have settled leave. What does not settle is fitted alone with step
    halving. Sources: Firth (1993) Biometrika 80:27-38; Puhr et al. (2017) Stat Med 36:2302-2317.

    Examples
    --------
    >>> X = np.column_stack([np.ones(10), np.repeat([0.0, 1.0], 5)])
    >>> y = np.repeat([1.0, 0.0], [2, 8])
    >>> fits = fit_firth_resamples(X, y, [[1] * 10, [2] * 10], names=["intercept", "nail"])
    >>> fits.coefficients[:, 1].round(4).tolist(), fits.n_failed
    ([-2.0614, -2.6768], 0)
    """
    design, columns = check_matrix(X, names)
    outcome = check_binary(y, design.shape[0])
    counts = _check_counts(weights, design.shape[0])
    full_rank_qr(design, columns)
    intercept = find_intercept(design)
    if intercept_correction and intercept < 0:
        raise EstimationError(
            "the intercept cannot be corrected: there is no constant column; use intercept_correction=False",
            code="no_intercept",
        )
    lengths = np.abs(design).max(axis=0)
    x = design / lengths
    start, *_ = maximise_penalised(x, outcome, counts.mean(axis=0) + 1e-3)
    events = counts @ outcome
    same = (
        (events == 0.0) | (events == counts.sum(axis=1))
        if intercept_correction
        else np.zeros(len(counts), bool)
    )
    beta = np.full((len(counts), x.shape[1]), np.nan)
    size = max(1, _CHUNK // len(outcome))
    lost = np.zeros(len(counts), dtype=bool)
    for first in range(0, len(counts), size):
        part = slice(first, first + size)
        lost[part] = _loses_rank(x, counts[part])
        rows = first + np.flatnonzero(~lost[part] & ~same[part])
        beta[rows] = _fit_together(x, outcome, counts[rows], start)
    settled = np.isfinite(beta[:, 0])
    if intercept_correction and settled.any():
        shift = shift_to_share(beta[settled] @ x.T, counts[settled], events[settled])
        beta[settled, intercept] += shift / x[0, intercept]
    return FirthResamples(
        names=columns,
        coefficients=beta / lengths,
        n_rank_deficient=int(lost.sum()),
        n_without_variation=int((same & ~lost).sum()),
        n_not_converged=int((~settled & ~lost & ~same).sum()),
    )


def _check_counts(weights: Any, n: int) -> FloatArray:
    """Return resample weights as floats (B, n), or refuse them."""
    counts = np.atleast_2d(floats(weights, "the weights"))
    bad = counts.ndim != 2 or counts.shape[1] != n
    if bad or not np.isfinite(counts).all() or (counts < 0).any() or not counts.any(axis=1).all():
        raise EstimationError(
            f"the resample weights have shape {counts.shape}; give finite weights of at least 0 of shape "
            f"(B, {n}), some above 0 in every resample",
            code="bad_weights",
        )
    return counts


def _pairs(x: FloatArray) -> tuple[FloatArray, tuple[Any, Any], FloatArray]:
    """Return the products of all pairs of columns (n, q), their positions, and 2 off the diagonal."""
    rows, columns = np.triu_indices(x.shape[1])
    return x[:, rows] * x[:, columns], (rows, columns), np.where(rows == columns, 1.0, 2.0)


def _unpack(flat: FloatArray, where: tuple[Any, Any], p: int) -> FloatArray:
    """Return symmetric matrices (B, p, p) from their upper triangles (B, q)."""
    full = np.empty((len(flat), p, p))
    full[:, where[0], where[1]] = flat
    full[:, where[1], where[0]] = flat
    return full


def _loses_rank(x: FloatArray, counts: FloatArray) -> FloatArray:
    """Return which resamples leave columns that can no longer be told apart."""
    products, where, _ = _pairs(x)
    cross = _unpack(counts @ products, where, x.shape[1])
    diagonal = np.einsum("bii->bi", cross)
    gone = (diagonal <= 0.0).any(axis=1)
    scale = 1.0 / np.sqrt(np.where(diagonal > 0.0, diagonal, 1.0))
    smallest = np.linalg.eigvalsh(cross * scale[:, :, None] * scale[:, None, :])[:, 0]
    return np.asarray(gone | (smallest < TOLERANCE))


def _fit_together(x: FloatArray, outcome: FloatArray, counts: FloatArray, start: FloatArray) -> FloatArray:
    """Return coefficients of every resample, NaN where even the careful single fit does not converge."""
    products, where, twice = _pairs(x)
    p = x.shape[1]
    beta = np.tile(start, (len(counts), 1))
    active = np.arange(len(counts))
    w = counts
    for _ in range(_ROUNDS):
        mu = special.expit(beta[active] @ x.T)
        variance = w * mu * (1.0 - mu)
        try:
            inverse = np.linalg.inv(_unpack(variance @ products, where, p))
        except np.linalg.LinAlgError:
            break  # one of them has run away; all that are left are fitted alone
        hat = variance * ((inverse[:, where[0], where[1]] * twice) @ products.T)
        score = (w * (outcome - mu) + hat * (0.5 - mu)) @ x
        step = np.einsum("bij,bj->bi", inverse, score)
        decrement = np.einsum("bi,bi->b", step, score)
        step *= np.minimum(1.0, _LONGEST_STEP / np.maximum(np.abs(step).sum(axis=1), 1e-300))[:, None]
        beta[active] += step
        going = ~((decrement >= 0.0) & (decrement < _CONVERGED))
        active, w = active[going], w[going]
        if not len(active):
            return beta
    for b in active:
        used = counts[b] > 0.0
        beta[b], _, _, converged = maximise_penalised(x[used], outcome[used], counts[b, used])
        if not converged:
            beta[b] = np.nan
    return beta
