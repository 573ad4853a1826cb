"""Logistic regression by maximum likelihood, with robust errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import linalg, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import (
    FloatArray,
    check_matrix,
    check_same_order,
    check_weights,
    clusters_of,
)
from outcomes.stats.numerics.rank import full_rank_qr
from outcomes.stats.regression.clusters import Covariance, SandwichPieces, covariance_of, sandwich_pieces
from outcomes.stats.regression.contrasts import covariance_method, tidy_coefficients
from outcomes.stats.regression.separation import certified_overlap, check_binary, find_separation

# squared length of the Newton step in units of the standard errors, under which the fit has converged;
# the steps shrink quadratically, so the next one is at the level of rounding
_CONVERGED = 1e-14

# the same, under which what a step gains is lost in the rounding of the log likelihood: too small a gain to be judged
# by, and a step that needs no halving
_UNSEEN = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogisticFit:
    """A fitted logistic regression.

    Attributes
    ----------
    names : tuple of str, length p
        Columns of the design.
    coefficients : ndarray, shape (p,)
        Log odds ratios per unit of the column.
    covariance, bread : ndarray, shape (p, p)
        Covariance of the type `pieces.kind`; inverse of the information.
    pieces : SandwichPieces
        Per-cluster pieces on the working (root-weight) scale.
    probabilities : ndarray, shape (n_rows,)
        Fitted probabilities, one a row given.
    residuals : ndarray, shape (n_rows,)
        Outcome minus probability.
    log_likelihood : float
        At the estimate.
    n, n_clusters, n_events : int
        Rows of weight above 0, clusters among them, and events among them.
    n_iterations : int
        Newton steps taken.
    converged : bool
        Always true: a fit that does not converge is refused.
    model : str
        ``"logistic regression"``.
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    bread: FloatArray
    pieces: SandwichPieces
    probabilities: FloatArray
    residuals: FloatArray
    log_likelihood: float
    n: int
    n_clusters: int
    n_events: int
    n_iterations: int
    converged: bool = True
    model: str = "logistic regression"

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, in log odds ratios."""
        return tidy_coefficients(self)

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        return (
            f"{covariance_method(self)}: {len(self.names)} coefficients, {self.n_events} events in "
            f"{self.n} rows, log likelihood {self.log_likelihood:.4f}"
        )


def fit_logistic(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    clusters: Any = None,
    weights: Any = None,
    covariance: Covariance = "CR2",
    max_iter: int = 50,
) -> LogisticFit:
    """Fit a logistic regression by maximum likelihood.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design, with its intercept column if it is to have one.
    y : array_like, shape (n,)
        Outcome, 0 or 1.
    names : sequence of str, length p
        Column names.
    clusters : array_like, shape (n,), optional
        Cluster of each row.
    weights : array_like, shape (n,), optional
        Weights >= 0; a whole number acts as that many copies of the row in its cluster: coefficients, classical, CR0
        and CR2 errors are theirs. n and the factor of CR1 count rows, and HC types take a weighted row as one.
    covariance : {"CR2", "CR1", "CR0", "HC0", "HC1", "HC2", "HC3", "classical"}
        Type. CR2 is taken on the working scale, rows multiplied by the root of w p (1 - p);
        classical is the inverse information.
    max_iter : int
        Newton steps before giving up.

    Returns
    -------
    LogisticFit

    Raises
    ------
    EstimationError
        Separation (code ``separation``, columns named), no convergence (code ``not_converged``),
        rank-deficient design (columns named), outcome not 0 or 1, fewer than two clusters.

    Notes
    -----
    Newton's method with step halving on unit-length columns. Separation is judged by
    :mod:`outcomes.stats.regression.separation`, not by the solver. Sources: Cox (1958) J R Stat Soc B 20:215;
    McCullagh and Nelder, Generalized Linear Models (1989), section 4.4; Albert and Anderson (1984)
    Biometrika 71:1; Pustejovsky and Tipton (2018) J Bus Econ Stat 36:672 for CR2.

    Examples
    --------
    A 2 x 2 table: the coefficient is the log odds ratio, here log((6/2)/(3/5)) = log 5.

    >>> X = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], 8)])
    >>> y = np.repeat([1.0, 0.0, 1.0, 0.0], [3, 5, 6, 2])
    >>> fit = fit_logistic(X, y, names=["intercept", "not met"])
    >>> bool(np.isclose(fit.coefficients[1], np.log(5), rtol=1e-14))
    True
    """
    check_same_order(X=X, y=y, clusters=clusters, weights=weights)
    design, columns = check_matrix(X, names)
    n_rows = design.shape[0]
    outcome = check_binary(y, n_rows)
    weight = check_weights(weights, n_rows)
    used = weight > 0.0
    x, e, w = design[used], outcome[used], weight[used]
    full_rank_qr(x, columns)
    beta, log_likelihood, n_steps, converged = _newton(x, e, w, max_iter)
    probabilities = special.expit(x @ beta)
    if not certified_overlap(x / np.abs(x).max(axis=0), e, probabilities):
        refuse_separation(x, e, columns)
    if not converged:
        raise EstimationError(
            f"the logistic regression did not converge in {max_iter} steps; use fewer columns or raise "
            "max_iter",
            code="not_converged",
        )
    root, working = working_scale(x @ beta, e, w)
    pieces = sandwich_pieces(
        x * root[:, None],
        columns,
        clusters=clusters_of(clusters, used),
        covariance=covariance,
        linear=False,
    )
    everywhere = special.expit(design @ beta)
    return LogisticFit(
        names=columns,
        coefficients=beta,
        covariance=pieces.bread if covariance == "classical" else covariance_of(pieces, working),
        bread=pieces.bread,
        pieces=pieces,
        probabilities=everywhere,
        residuals=outcome - everywhere,
        log_likelihood=log_likelihood,
        n=len(e),
        n_clusters=pieces.n_clusters,
        n_events=int(e.sum()),
        n_iterations=n_steps,
    )


def refuse_separation(design: FloatArray, outcome: FloatArray, names: tuple[str, ...]) -> None:
    """Raise when the outcome is separated by the columns.

    Raises
    ------
    EstimationError
        Separation (code ``separation``), with the columns named.

    Examples
    --------
    >>> refuse_separation(np.ones((2, 1)), np.array([0.0, 1.0]), ("intercept",))
    """
    found = find_separation(design, outcome, names)
    if found.kind == "none":
        return
    n_events = int(outcome.sum())
    what = f"{n_events} events in {found.n} rows; " if n_events in (0, found.n) else ""
    raise EstimationError(
        f"{what}{found}: the maximum likelihood estimate is infinite; merge groups, drop these columns "
        "or use the penalised (Firth) fit",
        code="separation",
    )


def working_scale(eta: FloatArray, outcome: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the root of the working weight w p (1 - p) and the residual on that scale.

    Written so that neither loses digits where p is next to 0 or 1: (y - p) / sqrt(p (1 - p)) is
    exp(-eta / 2) for an event and -exp(eta / 2) for none.

    Examples
    --------
    >>> root, residual = working_scale(np.array([0.0, 800.0]), np.ones(2), np.ones(2))
    >>> root.round(3).tolist(), residual.round(3).tolist()
    ([0.5, 0.0], [1.0, 0.0])
    """
    size = np.abs(eta)
    root_w = np.sqrt(weights)
    sign = 2.0 * outcome - 1.0
    return root_w * np.exp(-0.5 * size) / (1.0 + np.exp(-size)), root_w * sign * np.exp(-0.5 * sign * eta)


def logistic_log_likelihood(eta: FloatArray, outcome: FloatArray, weights: FloatArray) -> float:
    """Return the weighted log likelihood of linear predictors.

    Examples
    --------
    >>> round(logistic_log_likelihood(np.zeros(2), np.array([0.0, 1.0]), np.ones(2)), 6)
    -1.386294
    """
    return float(weights @ (outcome * eta - np.logaddexp(0.0, eta)))


def _newton(
    design: FloatArray, outcome: FloatArray, weights: FloatArray, max_iter: int
) -> tuple[FloatArray, float, int, bool]:
    """Return coefficients, log likelihood, steps taken and whether they had shrunk to nothing."""
    lengths = np.abs(design).max(axis=0)
    x = design / lengths
    beta = np.zeros(x.shape[1])
    eta = np.zeros(len(outcome))
    best = logistic_log_likelihood(eta, outcome, weights)
    for step_number in range(1, max_iter + 1):
        mu = special.expit(eta)
        score = x.T @ (weights * (outcome - mu))
        try:
            information = (x * (weights * mu * (1.0 - mu))[:, None]).T @ x
            step = linalg.cho_solve(
                linalg.cho_factor(information, check_finite=False), score, check_finite=False
            )
        except linalg.LinAlgError:
            return beta / lengths, best, step_number, False
        decrement = float(step @ score)
        for _ in range(30):
            eta = x @ (beta + step)
            reached = logistic_log_likelihood(eta, outcome, weights)
            # a step lost in rounding near the top is taken as it is
            if reached >= best or decrement < _UNSEEN:
                break
            step = 0.5 * step
        beta, best = beta + step, reached
        if decrement < _CONVERGED:
            return beta / lengths, best, step_number, True
    return beta / lengths, best, max_iter, False
