"""Whether a yes/no outcome is separated by the columns, found without the solver of the regression.

With z_i = (2 y_i - 1) x_i, the outcome is separated when some direction b has z_i b >= 0 for all
rows and > 0 for at least one; then some logistic coefficients run off to infinity. There is no
separation exactly when positive multipliers l exist with sum l_i z_i = 0. The first is looked for by
linear programming; the second, cheaper, is tried before and its multipliers are checked, so that no
regression needs to be believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy import linalg, optimize, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_matrix, check_outcome

SeparationKind = Literal["none", "complete", "quasi-complete"]

# multipliers whose needed correction is at most this share of themselves prove that there is no separation
_CORRECTION = 0.5
_SMALLEST_MULTIPLIER = 1e-6
_TRIAL_STEPS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """Whether the outcome is separated and by which columns.

    Attributes
    ----------
    kind : {"none", "complete", "quasi-complete"}
        Complete: every row is told apart; quasi-complete: some rows are.
    columns : tuple of str
        Columns of the sparsest separating direction found, without the intercept unless it is alone.
    n_separated : int
        Rows that some direction tells apart.
    n : int
        Rows.
    """

    kind: SeparationKind
    columns: tuple[str, ...]
    n_separated: int
    n: int

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        if self.kind == "none":
            return f"no separation in {self.n} rows"
        return f"{self.kind} separation by {', '.join(self.columns)} ({self.n_separated} of {self.n} rows)"


def find_separation(X: Any, y: Any, names: Sequence[str]) -> Separation:
    """Find out whether a yes/no outcome is separated by the columns of a design.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design.
    y : array_like, shape (n,)
        Outcome, 0 or 1.
    names : sequence of str, length p
        Column names.

    Returns
    -------
    Separation

    Raises
    ------
    EstimationError
        The outcome is not 0 or 1, the input is malformed, or the linear programme could not be solved.

    Notes
    -----
    Sources: Albert and Anderson (1984) Biometrika 71:1-10 (the three kinds); Konis (2007), Linear
    programming algorithms for detecting separated data in binary logistic regression models, DPhil
    thesis, University of Oxford (the linear programme). The certificate of no separation is
    Stiemke's theorem of the alternative.

    Examples
    --------
    >>> X = [[1, 0], [1, 0], [1, 0], [1, 1], [1, 1]]
    >>> print(find_separation(X, [0, 1, 0, 0, 0], ["intercept", "nail"]))
    quasi-complete separation by nail (2 of 5 rows)
    >>> print(find_separation(X, [0, 1, 0, 0, 1], ["intercept", "nail"]))
    no separation in 5 rows
    """
    design, columns = check_matrix(X, names)
    outcome = check_binary(y, design.shape[0])
    scaled = design / np.maximum(np.abs(design).max(axis=0), 1e-300)
    if certified_overlap(scaled, outcome, _trial_probabilities(scaled, outcome)):
        return Separation(kind="none", columns=(), n_separated=0, n=len(outcome))
    signed = (2.0 * outcome - 1.0)[:, None] * scaled
    unique, counts = np.unique(signed, axis=0, return_counts=True)
    told_apart = _separated_rows(unique)
    n_separated = int(counts[told_apart].sum())
    if n_separated == 0:
        return Separation(kind="none", columns=(), n_separated=0, n=len(outcome))
    return Separation(
        kind="complete" if n_separated == len(outcome) else "quasi-complete",
        columns=_separating_columns(unique, told_apart, columns, scaled),
        n_separated=n_separated,
        n=len(outcome),
    )


def certified_overlap(design: FloatArray, outcome: FloatArray, probabilities: FloatArray) -> bool:
    """Return whether fitted probabilities prove that the outcome is not separated.

    The multipliers are l_i = |y_i - p_i|. They are moved by the least-squares correction that makes
    sum l_i z_i vanish; if all stay clearly positive, no separating direction can exist. It does not
    matter where the probabilities come from or whether a solver converged.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Full column rank.
    outcome : ndarray, shape (n,)
        0 or 1.
    probabilities : ndarray, shape (n,)
        Any probabilities of 1.

    Returns
    -------
    bool
        False means "not proved", not "separated".

    Notes
    -----
    Source: Stiemke (1915) Mathematische Annalen 76:340-342.

    Examples
    --------
    >>> certified_overlap(np.ones((3, 1)), np.array([0.0, 1.0, 1.0]), np.full(3, 2 / 3))
    True
    """
    multipliers = np.abs(outcome - probabilities)
    if not np.isfinite(multipliers).all() or multipliers.min() < _SMALLEST_MULTIPLIER:
        return False
    signs = 2.0 * outcome - 1.0
    imbalance = design.T @ (signs * multipliers)
    try:
        factor = linalg.cho_factor(design.T @ design, check_finite=False)
    except linalg.LinAlgError:
        return False  # near-collinear columns: leave it to the linear programme
    correction = signs * (design @ linalg.cho_solve(factor, imbalance, check_finite=False))
    return bool((np.abs(correction) <= _CORRECTION * multipliers).all())


def check_binary(y: Any, n: int) -> FloatArray:
    """Return a 0/1 outcome as floats, or refuse it.

    Raises
    ------
    EstimationError
        Values other than 0 and 1, missing values, wrong length.

    Examples
    --------
    >>> check_binary([True, False], 2).tolist()
    [1.0, 0.0]
    """
    outcome = check_outcome(y, n)
    n_bad = int(((outcome != 0.0) & (outcome != 1.0)).sum())
    if n_bad:
        raise EstimationError(
            f"{n_bad} outcome values are neither 0 nor 1; a yes/no outcome is coded 1 for yes and 0 for no",
            code="not_binary",
        )
    return outcome


def _trial_probabilities(design: FloatArray, outcome: FloatArray) -> FloatArray:
    """Return probabilities after a few plain Newton steps; good enough to be tried as multipliers."""
    beta = np.zeros(design.shape[1])
    probabilities = np.full(len(outcome), 0.5)
    for _ in range(_TRIAL_STEPS):
        w = probabilities * (1.0 - probabilities)
        try:
            factor = linalg.cho_factor((design * w[:, None]).T @ design, check_finite=False)
        except linalg.LinAlgError:
            break
        step = linalg.cho_solve(factor, design.T @ (outcome - probabilities), check_finite=False)
        beta = beta + step
        eta = design @ beta
        probabilities = special.expit(eta)
        if np.abs(step).max() < 1e-6 or np.abs(eta).max() > 30.0:
            break
    return probabilities


def _separated_rows(signed: FloatArray) -> FloatArray:
    """Return which rows some direction tells apart while putting no row on the wrong side."""
    m, p = signed.shape
    # maximise sum s with z b >= s, 0 <= s <= 1: directions add up, so every separable row reaches s = 1
    solution = _solve_programme(
        cost=np.concatenate([np.zeros(p), -np.ones(m)]),
        at_most_zero=np.hstack([-signed, np.eye(m)]),
        bounds=[(None, None)] * p + [(0.0, 1.0)] * m,
    )
    return np.asarray(solution[p:] > 0.5)


def _separating_columns(
    signed: FloatArray, told_apart: FloatArray, names: tuple[str, ...], design: FloatArray
) -> tuple[str, ...]:
    """Name the columns of the direction of least total size that still separates the same rows."""
    p = signed.shape[1]
    needed = np.where(told_apart, 1.0, 0.0)
    solution = _solve_programme(
        cost=np.ones(2 * p),
        at_most_zero=np.hstack([-signed, signed]),
        bounds=[(0.0, None)] * (2 * p),
        right=-needed,
    )
    size = np.abs(solution[:p] - solution[p:])
    used = size > 1e-7 * size.max()
    constant = np.ptp(design, axis=0) == 0.0
    if (used & ~constant).any():
        used &= ~constant
    return tuple(name for name, u in zip(names, used, strict=True) if u)


def _solve_programme(
    *, cost: FloatArray, at_most_zero: FloatArray, bounds: Any, right: FloatArray | None = None
) -> FloatArray:
    """Minimise a linear cost under linear inequalities, or say that it failed."""
    result = optimize.linprog(
        cost,
        A_ub=at_most_zero,
        b_ub=np.zeros(len(at_most_zero)) if right is None else right,
        bounds=bounds,
        method="highs",
    )
    if result.status != 0:
        raise EstimationError(
            f"the separation check could not be solved (linear programme status {result.status}); "
            "rescale columns of extreme size or drop them",
            code="separation_unsolved",
        )
    return np.asarray(result.x, dtype=np.float64)
