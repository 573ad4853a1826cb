"""Logistic regression with Firth's penalty, for rare events and separated data.

The penalised likelihood is the likelihood times the root of the determinant of the information
(Jeffreys prior). Its maximum is finite whenever the design has full rank, separated or not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import linalg, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_matrix, check_weights, clusters_of
from outcomes.stats.numerics.rank import full_rank_qr
from outcomes.stats.regression.clusters import Covariance, SandwichPieces, covariance_of, sandwich_pieces
from outcomes.stats.regression.contrasts import covariance_method, tidy_coefficients
from outcomes.stats.regression.logistic import logistic_log_likelihood, working_scale
from outcomes.stats.regression.separation import check_binary

# squared length of the scoring step in units of the standard errors; scoring converges linearly here,
# so the bar is lower than for Newton's method
_CONVERGED = 1e-20
_LONGEST_STEP = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirthFit:
    """A logistic regression fitted with Firth's penalty.

    Attributes
    ----------
    names : tuple of str, length p
        Columns of the design.
    coefficients : ndarray, shape (p,)
        Log odds ratios; the intercept corrected when `intercept_corrected`.
    covariance, bread : ndarray, shape (p, p)
        Covariance of the type `pieces.kind`; inverse of the information.
    pieces : SandwichPieces
        Per-cluster pieces on the working scale.
    probabilities : ndarray, shape (n_rows,)
        Fitted probabilities, one a row given; their mean is the share of events when corrected.
    penalised_log_likelihood : float
        At the maximum (before any correction of the intercept).
    intercept_corrected : bool
        Whether the intercept was re-estimated by maximum likelihood.
    intercept : int
        Position of the intercept column, -1 if there is none.
    design, outcome, weights : ndarray
        What was fitted, for profile intervals.
    n, n_clusters, n_events, n_iterations : int
        Rows of weight above 0, clusters and events among them, scoring steps.
    converged : bool
        Always true: a fit that does not converge is refused.
    model : str
        Names the method.
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    bread: FloatArray
    pieces: SandwichPieces
    probabilities: FloatArray
    penalised_log_likelihood: float
    intercept_corrected: bool
    intercept: int
    design: FloatArray
    outcome: FloatArray
    weights: FloatArray
    n: int
    n_clusters: int
    n_events: int
    n_iterations: int
    converged: bool = True
    model: str = "Firth logistic regression"

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, in log odds ratios, with Wald limits."""
        return tidy_coefficients(self)

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        size = f"{len(self.names)} coefficients, {self.n_events} events in {self.n} rows"
        return f"{covariance_method(self)}: {size}"


def fit_firth(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    clusters: Any = None,
    weights: Any = None,
    intercept_correction: bool = True,
    covariance: Covariance = "CR2",
    max_iter: int = 250,
) -> FirthFit:
    """Fit a logistic regression with Firth's penalty.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design, with its intercept column.
    y : array_like, shape (n,)
        Outcome, 0 or 1.
    names : sequence of str, length p
        Column names.
    clusters : array_like, shape (n,), optional
        Cluster of each row, for the covariance.
    weights : array_like, shape (n,), optional
        Weights >= 0; a whole number acts as that many copies of the row.
    intercept_correction : bool
        Re-estimate the intercept by maximum likelihood with the other coefficients fixed (FLIC), so
        that the mean fitted probability is the share of events; otherwise it is pulled towards one half.
    covariance : {"CR2", "CR1", "CR0", "HC0", "HC1", "HC2", "HC3", "classical"}
        Type; classical is the inverse of the information.
    max_iter : int
        Scoring steps before giving up.

    Returns
    -------
    FirthFit
        Prefer profile intervals (:func:`outcomes.stats.regression.firth_profile.profile_interval`) or a bootstrap
        (:func:`outcomes.stats.regression.firth_resamples.fit_firth_resamples`) to the Wald limits of `tidy`.

    Raises
    ------
    EstimationError
        Rank-deficient design (columns named), outcome not 0 or 1, no convergence (code
        ``not_converged``); with the correction: no constant column, or only events or none.

    Notes
    -----
    Fisher scoring with step halving on the modified score X'[w (y - p) + h (1/2 - p)]. Sources:
    Firth (1993) Biometrika 80:27-38; Heinze and Schemper (2002) Stat Med 21:2409-2419; Puhr, Heinze,
    Nold, Lusa and Geroldinger (2017) Stat Med 36:2302-2317 (FLIC).

    Examples
    --------
    A 2 x 2 table with a zero: the log odds ratio after adding 1/2 to every cell.

    >>> X = np.column_stack([np.ones(10), np.repeat([0.0, 1.0], 5)])
    >>> y = np.repeat([1.0, 0.0], [2, 8])
    >>> fit = fit_firth(X, y, names=["intercept", "nail"])
    >>> bool(np.isclose(fit.coefficients[1], np.log((0.5 * 3.5) / (5.5 * 2.5)), rtol=1e-12))
    True
    >>> round(float(fit.probabilities.mean()), 10)
    0.2
    """
    design, columns = check_matrix(X, names)
    n_rows = design.shape[0]
    outcome = check_binary(y, n_rows)
    weight = check_weights(weights, n_rows)
    used = weight > 0.0
    x, e, w = design[used], outcome[used], weight[used]
    full_rank_qr(x, columns)
    lengths = np.abs(x).max(axis=0)
    scaled, best, n_steps, converged = maximise_penalised(x / lengths, e, w, max_iter=max_iter)
    if not converged:
        raise EstimationError(
            f"the penalised logistic regression did not converge in {max_iter} steps; use fewer columns",
            code="not_converged",
        )
    beta = scaled / lengths
    intercept = find_intercept(x)
    if intercept_correction:
        beta = _correct_intercept(beta, x, e, w, intercept)
    root, working = working_scale(x @ beta, e, w)
    pieces = sandwich_pieces(
        x * root[:, None],
        columns,
        clusters=clusters_of(clusters, used),
        covariance=covariance,
        linear=False,
    )
    return FirthFit(
        names=columns,
        coefficients=beta,
        covariance=pieces.bread if covariance == "classical" else covariance_of(pieces, working),
        bread=pieces.bread,
        pieces=pieces,
        probabilities=special.expit(design @ beta),
        # the determinant is of the scaled columns: undo the scaling
        penalised_log_likelihood=best + float(np.log(lengths).sum()),
        intercept_corrected=intercept_correction,
        intercept=intercept,
        design=x,
        outcome=e,
        weights=w,
        n=len(e),
        n_clusters=pieces.n_clusters,
        n_events=int(e.sum()),
        n_iterations=n_steps,
        model=f"Firth logistic regression{', intercept corrected' if intercept_correction else ''}",
    )


def maximise_penalised(
    x: FloatArray,
    outcome: FloatArray,
    weights: FloatArray,
    *,
    start: FloatArray | None = None,
    fixed: int | None = None,
    max_iter: int = 250,
) -> tuple[FloatArray, float, int, bool]:
    """Maximise the penalised likelihood, all coefficients free or one held.

    Parameters
    ----------
    x : ndarray, shape (n, p)
        Design of full rank, columns of similar size.
    outcome, weights : ndarray, shape (n,)
        Outcome 0 or 1, weights above 0.
    start : ndarray, shape (p,), optional
        First guess, and the value of the coefficient that is held.
    fixed : int, optional
        Coefficient that is held at its start.
    max_iter : int
        Scoring steps before giving up.

    Returns
    -------
    tuple
        Coefficients, penalised log likelihood, steps taken, whether converged.

    Notes
    -----
    Source: Heinze and Schemper (2002) Stat Med 21:2409-2419.

    Examples
    --------
    >>> beta, *_ = maximise_penalised(np.ones((4, 1)), np.array([0.0, 0.0, 0.0, 0.0]), np.ones(4))
    >>> bool(np.isclose(beta[0], np.log(0.5 / 4.5)))
    True
    """
    p = x.shape[1]
    beta = np.zeros(p) if start is None else start.copy()
    free = np.array([j for j in range(p) if j != fixed])
    value, root, mu = _penalised(x, beta, outcome, weights)
    near = False
    for step_number in range(1, max_iter + 1):
        hat = np.square(root).sum(axis=0)
        score = (x.T @ (weights * (outcome - mu) + hat * (0.5 - mu)))[free]
        part = x[:, free] * (weights * mu * (1.0 - mu))[:, None]
        step = np.zeros(p)
        try:
            step[free] = linalg.solve(part.T @ x[:, free], score, assume_a="pos", check_finite=False)
        except linalg.LinAlgError:
            return beta, value, step_number, False
        decrement = float(step[free] @ score)
        step *= min(1.0, _LONGEST_STEP / max(float(np.abs(x @ step).max()), 1e-300))
        for _ in range(40):
            reached, root, mu = _penalised(x, beta + step, outcome, weights)
            # a step lost in rounding near the top is taken as it is
            if reached >= value or decrement < 1e-10:
                break
            step = 0.5 * step
        beta, value = beta + step, reached
        # scoring nears the top by a share of the way at a time: one more step takes off the last digits
        if decrement < _CONVERGED and near:
            return beta, value, step_number, True
        near = decrement < _CONVERGED
    return beta, value, max_iter, near


def find_intercept(design: FloatArray) -> int:
    """Return the position of the first column that is a constant other than 0, or -1.

    Examples
    --------
    >>> find_intercept(np.array([[2.0, 1.0], [3.0, 1.0]]))
    1
    """
    constant = (np.ptp(design, axis=0) == 0.0) & (design[0] != 0.0)
    return int(np.argmax(constant)) if constant.any() else -1


def _penalised(
    x: FloatArray, beta: FloatArray, outcome: FloatArray, weights: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Return the penalised log likelihood, the whitened design (p, n) and the probabilities."""
    eta = x @ beta
    mu = special.expit(eta)
    rows = x * np.sqrt(weights * mu * (1.0 - mu))[:, None]
    try:
        factor = linalg.cholesky(rows.T @ rows, lower=True, check_finite=False)
    except linalg.LinAlgError:
        return -np.inf, np.zeros((x.shape[1], len(outcome))), mu
    root = linalg.solve_triangular(factor, rows.T, lower=True, check_finite=False)
    value = logistic_log_likelihood(eta, outcome, weights) + float(np.log(np.diagonal(factor)).sum())
    return value, root, mu


def _correct_intercept(
    beta: FloatArray, x: FloatArray, outcome: FloatArray, weights: FloatArray, intercept: int
) -> FloatArray:
    """Move the intercept so that the mean fitted probability equals the share of events."""
    share = float(weights @ outcome)
    if intercept < 0 or share in (0.0, float(weights.sum())):
        reason = (
            "there is no constant column"
            if intercept < 0
            else f"{int(outcome.sum())} of {len(outcome)} are events"
        )
        raise EstimationError(
            f"the intercept cannot be corrected: {reason}; use intercept_correction=False",
            code="no_intercept" if intercept < 0 else "no_variation",
        )
    eta = x @ beta
    delta = shift_to_share(eta[None, :], weights[None, :], np.array([share]))[0]
    corrected = beta.copy()
    corrected[intercept] += delta / x[0, intercept]
    return corrected


def shift_to_share(eta: FloatArray, weights: FloatArray, events: FloatArray) -> FloatArray:
    """Return the shift of each row of linear predictors that makes the expected events the observed.

    Parameters
    ----------
    eta, weights : ndarray, shape (B, n)
        Linear predictors and weights.
    events : ndarray, shape (B,)
        Weighted number of events, strictly between 0 and the sum of the weights.

    Returns
    -------
    ndarray, shape (B,)

    Notes
    -----
    Newton's method kept inside a bracket. Source: Puhr et al. (2017) Stat Med 36:2302-2317.

    Examples
    --------
    >>> shift_to_share(np.zeros((1, 4)), np.ones((1, 4)), np.array([1.0])).round(6).tolist()
    [-1.098612]
    """
    # all predictors equal to their smallest or largest bounds the shift on either side
    odds = np.log(events / (weights.sum(axis=1) - events))
    used = weights > 0.0
    low = odds - np.where(used, eta, -np.inf).max(axis=1)
    high = odds - np.where(used, eta, np.inf).min(axis=1)
    delta = 0.5 * (low + high)
    for _ in range(200):
        mu = special.expit(eta + delta[:, None])
        gap = events - np.einsum("ij,ij->i", weights, mu)
        low, high = np.where(gap > 0.0, delta, low), np.where(gap > 0.0, high, delta)
        slope = np.einsum("ij,ij->i", weights, mu * (1.0 - mu))
        trial = delta + gap / np.maximum(slope, 1e-300)
        inside = (trial >= low) & (trial <= high)
        new = np.where(inside, trial, 0.5 * (low + high))
        moved = np.abs(new - delta)
        delta = new
        if (moved <= 1e-13 * np.maximum(1.0, np.abs(delta))).all():
            break
    return np.asarray(delta)
