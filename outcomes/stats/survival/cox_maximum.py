"""The maximum of a partial likelihood by Newton's method, refused where there is none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import linalg

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray
from outcomes.stats.survival.cox_risk_sets import CoxPoint, RiskSets
from outcomes.stats.survival.cox_separation import certified_finite, monotone_columns

Evaluate = Callable[..., CoxPoint]

# squared length of the Newton step in standard errors under which it is the last, and under which what a step gains is
# lost in the rounding of the log likelihood
_CONVERGED = 1e-16
_UNSEEN = 1e-9
# change of a linear predictor in one step, and its range from which on relative hazards underflow
_LONGEST_STEP = 5.0
_WIDEST = 500.0
# eigenvalue of the information at 0, in units of the largest, under which columns cannot be told apart
_SINGULAR = 1e-10


def check_cox_rank(information: FloatArray, names: tuple[str, ...], n_events: int) -> None:
    """Refuse columns that cannot be told apart among those at risk together, naming them.

    Raises
    ------
    EstimationError
        The information at 0 is singular (code ``rank_deficient``).

    Examples
    --------
    >>> check_cox_rank(np.eye(2), ("nail", "age"), 5)
    """
    size = np.sqrt(np.maximum(np.diag(information), 0.0))
    # columns have unit spread, so an event can tell about 1: less than this of all of them is rounding
    scale = np.where(size > 1e-6 * np.sqrt(n_events), size, np.sqrt(n_events))
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    null = vectors[:, values <= _SINGULAR * max(float(values[-1]), 1.0)]
    if null.shape[1]:
        share = np.abs(null).max(axis=1)
        culprits = ", ".join(name for name, s in zip(names, share, strict=True) if s > 1e-4)
        raise EstimationError(
            f"these columns do not vary, or make up one another, among the cases at risk together: {culprits}; drop one "
            "or merge levels",
            code="rank_deficient",
        )


def maximise_cox(
    sets: RiskSets, null: CoxPoint, evaluate: Evaluate, names: tuple[str, ...], ties: str, max_iter: int
) -> tuple[FloatArray, CoxPoint, FloatArray, int]:
    """Maximise a partial likelihood, or say why it has no maximum.

    Parameters
    ----------
    sets : RiskSets
        Ordered design.
    null : CoxPoint
        Likelihood with all coefficients 0.
    evaluate : callable
        Likelihood at coefficients.
    names : tuple of str, length p
    ties : str
        Separation of tied events is judged otherwise for ``"exact"``.
    max_iter : int

    Returns
    -------
    tuple
        Coefficients of the scaled columns, likelihood there, inverse information, steps taken.

    Raises
    ------
    EstimationError
        Monotone likelihood (code ``separation``, columns named); no convergence (``not_converged``).

    Notes
    -----
    Whether the likelihood is monotone is judged by :mod:`outcomes.stats.survival.cox_separation`, not by the solver. Source:
    Bryson and Johnson (1981) Technometrics 23:381-383.

    Examples
    --------
    >>> from outcomes.stats.survival.cox_risk_sets import at_coefficients, make_risk_sets
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2, 3], [1, 1, 0])
    >>> sets = make_risk_sets(np.array([[0.0], [1.0], [0.0]]), data, np.zeros(3, int), np.ones(3), "efron")
    >>> null = at_coefficients(sets, np.zeros(1))
    >>> beta = maximise_cox(sets, null, at_coefficients, ("nail",), "efron", 50)[0]
    >>> bool(np.isclose(np.exp(beta[0] / sets.scale[0]), np.sqrt(2)))  # r^2 = 2
    True
    """
    beta, point, decrement, steps, converged = _newton(sets, null, evaluate, max_iter)
    inverse = _inverse(point.information)
    finite = (
        converged
        and inverse is not None
        and ties != "exact"
        and certified_finite(sets, point, inverse, decrement)
    )
    if not finite:
        columns = monotone_columns(sets, names, exact=ties == "exact")
        if columns:
            raise EstimationError(
                f"monotone likelihood ({len(sets.term)} events): every event happens to the case with the largest value "
                f"then at risk along {', '.join(columns)}, so the hazard ratio is infinite; merge groups, drop these "
                "columns or use the penalised (Firth) fit",
                code="separation",
            )
    if not converged or inverse is None:
        raise EstimationError(
            f"the model did not converge in {steps} steps; use fewer columns or raise max_iter",
            code="not_converged",
        )
    return beta, point, inverse, steps


def _newton(
    sets: RiskSets, point: CoxPoint, evaluate: Evaluate, max_iter: int
) -> tuple[FloatArray, CoxPoint, float, int, bool]:
    """Return coefficients, point, squared length of the last step, steps, and whether it had shrunk to nothing."""
    beta = np.zeros(sets.x.shape[1])
    for step_number in range(1, max_iter + 1):
        try:
            factor = linalg.cho_factor(point.information, check_finite=False)
        except linalg.LinAlgError:
            return beta, point, np.inf, step_number, False
        step = linalg.cho_solve(factor, point.score, check_finite=False)
        decrement = float(step @ point.score)
        if decrement < _CONVERGED:
            return beta + step, evaluate(sets, beta + step), decrement, step_number, True
        step *= min(1.0, _LONGEST_STEP / max(float(np.abs(sets.x @ step).max()), 1e-300))
        for _ in range(30):
            # a step lost in rounding near the top is taken as it is
            gain = evaluate(sets, beta + step, derivatives=False).log_likelihood - point.log_likelihood
            if gain >= 0.0 or decrement < _UNSEEN:
                break
            step = 0.5 * step
        if not np.isfinite(gain) or np.ptp(sets.x @ (beta + step)) > _WIDEST:
            return beta, point, np.inf, step_number, False
        beta = beta + step
        point = evaluate(sets, beta)
    return beta, point, decrement, max_iter, decrement < 1e-12


def _inverse(information: FloatArray) -> FloatArray | None:
    """Return the inverse of an information matrix, None where it is not positive definite."""
    try:
        factor = linalg.cho_factor(information, check_finite=False)
    except linalg.LinAlgError:
        return None
    return np.asarray(linalg.cho_solve(factor, np.eye(len(information)), check_finite=False))
