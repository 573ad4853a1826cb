"""Poisson regression with robust errors: ratios of rates, and ratios of risks of a yes/no outcome."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import linalg

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import (
    FloatArray,
    check_matrix,
    check_outcome,
    check_same_order,
    check_weights,
    clusters_of,
)
from outcomes.stats.numerics.rank import full_rank_qr
from outcomes.stats.regression.clusters import Covariance, SandwichPieces, covariance_of, sandwich_pieces
from outcomes.stats.regression.contrasts import covariance_method, tidy_coefficients
from outcomes.stats.regression.separation import certified_overlap, find_separation

# squared length of the Newton step in standard errors at which the fit has converged, and under which the gain of a
# step is lost in rounding (as in the logistic fit)
_CONVERGED = 1e-14
_UNSEEN = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoissonFit:
    """A fitted Poisson regression with a log link.

    Attributes
    ----------
    names : tuple of str, length p
        Columns of the design.
    coefficients : ndarray, shape (p,)
        Log ratios of means (of risks, when the outcome is yes/no) per unit of the column.
    covariance, bread : ndarray, shape (p, p)
        Covariance of the type `pieces.kind`; inverse of the information.
    pieces : SandwichPieces
        Per-cluster pieces on the working scale, rows times the root of weight times mean.
    fitted : ndarray, shape (n_rows,)
        Fitted means, one a row given.
    residuals : ndarray, shape (n_rows,)
        Outcome minus fitted mean.
    log_likelihood : float
        Poisson log likelihood without the factorials.
    binary : bool
        Whether every outcome is 0 or 1 (modified Poisson regression).
    n, n_clusters, n_events, n_above_one, n_iterations : int
        Rows of weight above 0, clusters among them, rows with an outcome above 0, fitted risks above 1 (0 unless
        `binary`), Newton steps.
    model : str
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    bread: FloatArray
    pieces: SandwichPieces
    fitted: FloatArray
    residuals: FloatArray
    log_likelihood: float
    binary: bool
    n: int
    n_clusters: int
    n_events: int
    n_above_one: int
    n_iterations: int
    model: str = "Poisson regression"

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, in log ratios."""
        return tidy_coefficients(self)

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        above = f"; {self.n_above_one} fitted risks above 1" if self.n_above_one else ""
        return (
            f"{covariance_method(self)}: {len(self.names)} coefficients, {self.n_events} rows with an event of "
            f"{self.n}{above}"
        )


def fit_poisson(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    clusters: Any = None,
    weights: Any = None,
    offset: Any = None,
    covariance: Covariance = "CR2",
    max_iter: int = 100,
) -> PoissonFit:
    """Fit a Poisson regression with a log link by maximum likelihood.

    With a yes/no outcome and a robust covariance this is the modified Poisson regression: its coefficients are
    logarithms of risk ratios.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design, with its intercept column if it is to have one.
    y : array_like, shape (n,)
        Outcome, 0 or more: 0/1 for risks, counts for rates.
    names : sequence of str, length p
        Column names.
    clusters : array_like, shape (n,), optional
        Cluster of each row.
    weights : array_like, shape (n,), optional
        Weights >= 0; a whole number acts as that many copies of the row in its cluster: coefficients, classical, CR0
        and CR2 errors are theirs. n and the factor of CR1 count rows, and HC types take a weighted row as one.
    offset : array_like, shape (n,), optional
        Added to the linear predictor: the logarithm of time at risk, for rates.
    covariance : {"CR2", "CR1", "CR0", "HC0", "HC1", "HC2", "HC3", "classical"}
        Type. HC0 and CR0 are Zou's; CR2 and HC2, on the working scale, are right in smaller samples. Classical takes
        the variance to be the mean and is refused for a yes/no outcome.
    max_iter : int
        Newton steps before giving up.

    Returns
    -------
    PoissonFit

    Raises
    ------
    EstimationError
        A column combination whose rows have no event (code ``separation``, columns named), no convergence (code
        ``not_converged``), rank-deficient design (columns named), negative outcomes, classical errors of risks.

    Notes
    -----
    Newton's method with step halving on columns of unit size. Coefficients are infinite exactly when some direction
    is 0 in every row with an event, never above 0 in the rows without and below 0 in one; that is judged by a linear
    programme, not by the solver. Sources: Zou (2004) Am J Epidemiol 159:702-706; Zou and Donner (2013) Stat Methods
    Med Res 22:661-670 (clusters); Santos Silva and Tenreyro (2010) Econ Lett 107:310-312 (existence);
    McCullagh and Nelder, Generalized Linear Models (1989), chapter 6.

    Examples
    --------
    A 2 x 2 table: the ratio of the risks 6/8 and 3/8 is 2, and HC0 is the error of Katz.

    >>> X = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], 8)])
    >>> y = np.repeat([1.0, 0.0, 1.0, 0.0], [3, 5, 6, 2])
    >>> fit = fit_poisson(X, y, names=["intercept", "not met"], covariance="HC0")
    >>> bool(np.isclose(np.exp(fit.coefficients[1]), 2.0, rtol=1e-12))
    True
    >>> bool(np.isclose(fit.covariance[1, 1], 1 / 6 - 1 / 8 + 1 / 3 - 1 / 8, rtol=1e-12))
    True
    """
    check_same_order(X=X, y=y, clusters=clusters, weights=weights, offset=offset)
    design, columns = check_matrix(X, names)
    n_rows = design.shape[0]
    outcome = _check_counts(y, n_rows)
    shift = np.zeros(n_rows) if offset is None else check_outcome(offset, n_rows)
    weight = check_weights(weights, n_rows)
    used = weight > 0.0
    x, e, w, o = design[used], outcome[used], weight[used], shift[used]
    binary = bool(((e == 0.0) | (e == 1.0)).all()) and offset is None
    if binary and covariance == "classical":
        raise EstimationError(
            "classical errors take the variance of a yes/no outcome to be its risk, which is too large; use a robust "
            "type such as 'CR2' or 'HC0'",
            code="bad_choice",
        )
    full_rank_qr(x, columns)
    beta, log_likelihood, n_steps, converged = _newton(x, e, w, o, max_iter)
    with np.errstate(over="ignore"):
        mean = np.exp(x @ beta + o)
    _refuse_separation(x, e, mean, columns)
    if not converged:
        raise EstimationError(
            f"the Poisson regression did not converge in {max_iter} steps; use fewer columns or raise max_iter",
            code="not_converged",
        )
    root = np.sqrt(w * mean)
    pieces = sandwich_pieces(
        x * root[:, None], columns, clusters=clusters_of(clusters, used), covariance=covariance, linear=False
    )
    fitted = np.exp(design @ beta + shift)
    return PoissonFit(
        names=columns, coefficients=beta,
        covariance=pieces.bread
        if covariance == "classical"
        else covariance_of(pieces, np.sqrt(w) * (e - mean) / np.sqrt(mean)),
        bread=pieces.bread, pieces=pieces, fitted=fitted, residuals=outcome - fitted, log_likelihood=log_likelihood,
        binary=binary, n=len(e), n_clusters=pieces.n_clusters, n_events=int((e > 0.0).sum()),
        n_above_one=int((mean > 1.0 + 1e-9).sum()) if binary else 0, n_iterations=n_steps,
        model="modified Poisson regression" if binary else "Poisson regression",
    )  # fmt: skip


def _check_counts(y: Any, n: int) -> FloatArray:
    """Return an outcome of at least 0, or refuse it."""
    outcome = check_outcome(y, n)
    n_bad = int((outcome < 0.0).sum())
    if n_bad:
        raise EstimationError(
            f"{n_bad} outcome values are below 0; a Poisson regression takes yes/no (1/0) or counts",
            code="negative_count",
        )
    return outcome


def _refuse_separation(x: FloatArray, outcome: FloatArray, mean: FloatArray, names: tuple[str, ...]) -> None:
    """Raise when rows without an event can be told apart from all rows with one."""
    event = outcome > 0.0
    scaled = x / np.abs(x).max(axis=0)
    # a direction must vanish where there are events: both signs of those rows stand in the programme
    rows = np.vstack([-scaled[~event], scaled[event], -scaled[event]])
    surplus = (outcome - mean)[event]
    with np.errstate(invalid="ignore"):
        multipliers = np.concatenate(
            [mean[~event], np.maximum(surplus, 0.0) + 1.0, np.maximum(-surplus, 0.0) + 1.0]
        )
    ones = np.ones(len(rows))
    if np.isfinite(multipliers).all() and certified_overlap(rows, ones, 1.0 - multipliers):
        return
    found = find_separation(rows, ones, names)
    if found.kind != "none":
        raise EstimationError(
            f"{int(event.sum())} rows with an event of {len(outcome)}: rows without any event are told apart by "
            f"{', '.join(found.columns)}, so that a ratio is 0 or infinite; merge groups, drop these columns or use "
            "the penalised (Firth) logistic fit",
            code="separation",
        )


def _log_likelihood(eta: FloatArray, outcome: FloatArray, weights: FloatArray) -> float:
    """Return the weighted Poisson log likelihood without the factorials."""
    # a step that is much too long gives NaN, which is no gain
    with np.errstate(over="ignore", invalid="ignore"):
        return float(weights @ (outcome * eta - np.exp(eta)))


def _newton(
    design: FloatArray, outcome: FloatArray, weights: FloatArray, offset: FloatArray, max_iter: int
) -> tuple[FloatArray, float, int, bool]:
    """Return coefficients, log likelihood, steps taken and whether they had shrunk to nothing."""
    lengths = np.abs(design).max(axis=0)
    x = design / lengths
    # weighted least squares of the logarithm, pulled to the mean, is a start from which Newton's steps are safe
    start = np.log(0.5 * (outcome + max(float(weights @ outcome / weights.sum()), 1e-3))) - offset
    root = np.sqrt(weights)
    beta = linalg.lstsq(x * root[:, None], start * root, check_finite=False)[0]
    eta = x @ beta + offset
    best = _log_likelihood(eta, outcome, weights)
    for step_number in range(1, max_iter + 1):
        mu = np.exp(np.minimum(eta, 700.0))
        score = x.T @ (weights * (outcome - mu))
        try:
            factor = linalg.cho_factor((x * (weights * mu)[:, None]).T @ x, check_finite=False)
        except linalg.LinAlgError:
            return beta / lengths, best, step_number, False
        step = linalg.cho_solve(factor, score, check_finite=False)
        decrement = float(step @ score)
        for _ in range(40):
            eta = x @ (beta + step) + offset
            reached = _log_likelihood(eta, outcome, weights)
            if reached >= best or decrement < _UNSEEN:
                break
            step = 0.5 * step
        beta, best = beta + step, reached
        if decrement < _CONVERGED:
            return beta / lengths, best, step_number, True
    return beta / lengths, best, max_iter, False
