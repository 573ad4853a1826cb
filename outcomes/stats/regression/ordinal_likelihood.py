"""The likelihood of ordered grades under proportional odds, and the climb to its maximum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from outcomes.stats.numerics.arrays import FloatArray, IntArray

# squared length of the Newton step in standard errors at which the fit has converged, and under which the gain of a
# step is lost in rounding (as in the logistic fit)
_CONVERGED = 1e-20
_UNSEEN = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Climb:
    """Where Newton's method ended.

    Attributes
    ----------
    parameters : ndarray, shape (K - 1 + p,)
    value : float
        Log likelihood.
    slopes : tuple of ndarray, shape (n,)
        Derivatives of each row's log likelihood by its upper and its lower cut.
    information : ndarray
        At the last step but one, which at convergence is the same.
    steps : int
    converged : bool
    """

    parameters: FloatArray
    value: float
    slopes: tuple[FloatArray, FloatArray]
    information: FloatArray
    steps: int
    converged: bool


def cut_rows(x: FloatArray, codes: IntArray, k: int) -> tuple[FloatArray, FloatArray]:
    """Return the rows that give the upper and the lower cut of each row's grade; zeros where there is none."""
    cuts = np.eye(k)[:, : k - 1]
    above = np.hstack([cuts[codes], np.where((codes < k - 1)[:, None], -x, 0.0)])
    lower = np.vstack([np.zeros(k - 1), np.eye(k - 1)])
    below = np.hstack([lower[codes], np.where((codes > 0)[:, None], -x, 0.0)])
    return above, below


def _terms(
    a: FloatArray, b: FloatArray, codes: IntArray, k: int
) -> tuple[FloatArray, tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray, FloatArray]]:
    """Return log probabilities, their slopes by both cuts and their second derivatives.

    expit(a) - expit(b) = expit(a) expit(-b) (1 - exp(b - a)), which loses no digits wherever the cuts lie.
    """
    has_a, has_b = codes < k - 1, codes > 0
    both = has_a & has_b
    gap = np.where(both, a - b, 1.0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        log_p = np.where(has_a, special.log_expit(a), 0.0) + np.where(has_b, special.log_expit(-b), 0.0)
        log_p = log_p + np.where(both, np.where(gap > 0.0, np.log(-np.expm1(-gap)), -np.inf), 0.0)
        share = np.where(both, 1.0 / np.expm1(gap), 0.0)
        curve = np.where(both, 0.25 / np.square(np.sinh(0.5 * gap)), 0.0)
    slope_a = np.where(has_a, special.expit(-a) + share, 0.0)
    slope_b = np.where(has_b, -special.expit(b) - share, 0.0)
    second_a = np.where(has_a, special.expit(a) * special.expit(-a) + curve, 0.0)
    second_b = np.where(has_b, special.expit(b) * special.expit(-b) + curve, 0.0)
    return log_p, (slope_a, slope_b), (second_a, second_b, curve)


def climb(
    above: FloatArray,
    below: FloatArray,
    codes: IntArray,
    w: FloatArray,
    start: FloatArray,
    k: int,
    max_iter: int,
) -> Climb:
    """Climb to the maximum from a start with ordered thresholds."""
    beta, converged, taken = start, False, 0
    log_p, slopes, second = _terms(above @ beta, below @ beta, codes, k)
    best = float(w @ log_p)
    information = np.eye(len(beta))
    for _step in range(max_iter):
        taken += 1
        score = above.T @ (w * slopes[0]) + below.T @ (w * slopes[1])
        cross = (above * (w * second[2])[:, None]).T @ below
        information = (above * (w * second[0])[:, None]).T @ above + (
            below * (w * second[1])[:, None]
        ).T @ below
        information = information - cross - cross.T
        try:
            step = linalg.cho_solve(
                linalg.cho_factor(information, check_finite=False), score, check_finite=False
            )
        except (linalg.LinAlgError, ValueError):
            break
        decrement = float(step @ score)
        for _ in range(60):
            log_p, slopes, second = _terms(above @ (beta + step), below @ (beta + step), codes, k)
            reached = float(w @ log_p)
            if reached >= best or (decrement < _UNSEEN and np.isfinite(reached)):
                break
            step = 0.5 * step
        beta, best = beta + step, reached
        converged = decrement < _CONVERGED
        if converged:
            break
    return Climb(
        parameters=beta, value=best, slopes=slopes, information=information, steps=taken, converged=converged
    )


def to_given_columns(centre: FloatArray, scale: FloatArray, k: int) -> FloatArray:
    """Return the matrix from parameters of centred and scaled columns to those of the columns given."""
    p = len(scale)
    back = np.eye(k + p)
    back[k:, k:] = np.diag(1.0 / scale)
    back[:k, k:] = centre / scale
    return back
