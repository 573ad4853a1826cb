"""Probabilities of two or more exposures given what came before, by maximum likelihood.

The model that weights and doubly robust estimates rest on, with what their errors need from it: the
influence of each case on its coefficients. For diagnostics of support, where a fit must never fail, see
:mod:`outcomes.stats.causal.propensity`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_matrix
from outcomes.stats.numerics.rank import full_rank_qr
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.separation import certified_overlap, find_separation

# squared length of the last Newton step in units of the standard errors; the steps shrink quadratically
_CONVERGED = 1e-12
_STEPS = 100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExposureModel:
    """Fitted probabilities of every level of an exposure.

    Attributes
    ----------
    levels : tuple of str, length K
        Levels; the first is the reference of the coefficients.
    codes : ndarray of int, shape (n,)
        Position of each case's own level.
    probabilities : ndarray, shape (n, K)
        One row a case, summing to 1.
    design : ndarray, shape (n, p)
        Design that was fitted.
    names : tuple of str, length p
        Its columns.
    coefficients : ndarray, shape (p, K - 1)
        Log odds of each level but the first against the first.
    log_likelihood : float
    n : int
    model : str
        ``"logistic"`` or ``"multinomial logistic"``.
    """

    levels: tuple[str, ...]
    codes: IntArray
    probabilities: FloatArray
    design: FloatArray
    names: tuple[str, ...]
    coefficients: FloatArray
    log_likelihood: float
    n: int
    model: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, in log odds ratios."""
        return pd.DataFrame(
            [
                {"group": level, "contrast": name, "estimate": self.coefficients[i, j], "n": self.n}
                for j, level in enumerate(self.levels[1:])
                for i, name in enumerate(self.names)
            ]
        )

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        return (
            f"{self.model} model of {' / '.join(self.levels)}: {len(self.names)} columns, n = {self.n}, "
            f"log likelihood {self.log_likelihood:.4f}"
        )


def fit_exposure(
    X: Any, exposure: Any, *, names: Sequence[str], levels: Sequence[str] | None = None
) -> ExposureModel:
    """Fit the probabilities of an exposure of two or more levels.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design of what came before the exposure, with its intercept column.
    exposure : array_like, shape (n,)
        Level of each case, text or numbers; none missing.
    names : sequence of str, length p
        Column names.
    levels : sequence of str, optional
        All levels in order, the reference first; sorted otherwise. Every one needs a case.

    Returns
    -------
    ExposureModel

    Raises
    ------
    EstimationError
        Missing or undeclared levels, a level without cases, a rank-deficient design (columns named),
        levels that the columns separate (columns named), no convergence.

    Notes
    -----
    Two levels: :func:`outcomes.stats.regression.logistic.fit_logistic`. More: statsmodels ``MNLogit`` by Newton's
    method on columns of unit length, accepted only when the next step would be below 1e-6 standard
    errors. Separation is judged by :mod:`outcomes.stats.regression.separation` on the rows ``x_i (e_own - e_k)``,
    one for each level k that a case does not have, which is the condition of Albert and Anderson (1984)
    Biometrika 71:1-10 for several levels. Source of the model: McCullagh and Nelder, Generalized Linear
    Models (1989), section 5.2.

    Examples
    --------
    Without covariates the probabilities are the observed shares.

    >>> model = fit_exposure(np.ones((4, 1)), ["a", "b", "c", "c"], names=["intercept"])
    >>> model.probabilities[0].round(6).tolist()
    [0.25, 0.25, 0.5]
    """
    design, columns = check_matrix(X, names)
    codes, found = exposure_codes(exposure, len(design), levels)
    full_rank_qr(design, columns)
    if len(found) == 2:
        fit = fit_logistic(design, codes.astype(np.float64), names=columns, covariance="classical")
        probabilities = np.column_stack([1.0 - fit.probabilities, fit.probabilities])
        coefficients, log_likelihood = fit.coefficients[:, None], fit.log_likelihood
    else:
        # levels that nobody declared may be cells of a wrong column: messages number them
        called = (
            found
            if levels is not None
            else tuple(f"level {k + 1} of {len(found)}" for k in range(len(found)))
        )
        coefficients, probabilities, log_likelihood = _multinomial(design, codes, called, columns)
    return ExposureModel(
        levels=found, codes=codes, probabilities=probabilities, design=design, names=columns,
        coefficients=coefficients, log_likelihood=log_likelihood, n=len(design),
        model="logistic" if len(found) == 2 else "multinomial logistic",
    )  # fmt: skip


def exposure_codes(
    exposure: Any, n: int, levels: Sequence[str] | None = None
) -> tuple[IntArray, tuple[str, ...]]:
    """Return each case's level as a number and the levels in order, or refuse them.

    Parameters
    ----------
    exposure : array_like, shape (n,)
        Level of each case.
    n : int
        Cases expected.
    levels : sequence of str, optional
        Declared levels; sorted otherwise.

    Raises
    ------
    EstimationError
        Wrong length, missing or undeclared levels (counted, not shown), fewer than two levels, a
        declared level without cases.

    Examples
    --------
    >>> codes, levels = exposure_codes(["cast", "plate", "cast"], 3, ["plate", "cast"])
    >>> codes.tolist(), levels
    ([1, 0, 1], ('plate', 'cast'))
    """
    labels = pd.Series(np.asarray(exposure, dtype=object).ravel(), dtype=object)
    if len(labels) != n:
        raise EstimationError(
            f"{len(labels)} exposures for {n} rows; give one level for each row", code="bad_shape"
        )
    if labels.isna().any():
        raise EstimationError(
            f"the exposure is missing in {int(labels.isna().sum())} rows; leave those rows out first and count them",
            code="not_finite",
        )
    text = labels.astype(str)
    known = tuple(map(str, levels)) if levels is not None else tuple(sorted(set(text)))
    if len(known) < 2 or len(set(known)) != len(known):
        raise EstimationError(
            f"{len(set(known))} different levels; an exposure needs 2 or more, each named once",
            code="bad_levels",
        )
    codes = np.asarray(text.map({name: k for k, name in enumerate(known)}).fillna(-1), dtype=np.int64)
    if (codes < 0).any():
        raise EstimationError(
            f"{int((codes < 0).sum())} rows have a level that is not declared; declared: {', '.join(known)}",
            code="unknown_group",
        )
    empty = [name for k, name in enumerate(known) if not (codes == k).any()]
    if empty:
        raise EstimationError(f"no case has the level {', '.join(empty)}; leave it out", code="empty_group")
    return codes, known


def coefficient_influence(model: ExposureModel) -> FloatArray:
    """Return what each case adds to the error of each coefficient.

    Parameters
    ----------
    model : ExposureModel
        Fitted by :func:`fit_exposure`.

    Returns
    -------
    ndarray, shape (n, K - 1, p)
        Scores times the inverse information; every column sums to 0 at the estimate.

    Notes
    -----
    Source: Stefanski and Boos (2002) Am Stat 56:29 (estimating equations).

    Examples
    --------
    A share of 2 in 4: the influence on the log odds is (y - p) / (n p (1 - p)), here ±0.5.

    >>> model = fit_exposure(np.ones((4, 1)), list("aabb"), names=["intercept"])
    >>> coefficient_influence(model).ravel().round(9).tolist()
    [-0.5, -0.5, 0.5, 0.5]
    """
    x, p = model.design, model.probabilities[:, 1:]
    n, width = x.shape
    lengths = np.abs(x).max(axis=0)
    scaled = x / lengths
    own = (model.codes[:, None] == np.arange(1, len(model.levels))).astype(np.float64)
    scores = ((own - p)[:, :, None] * scaled[:, None, :]).reshape(n, -1)
    solved = np.linalg.solve(_information(scaled, p), scores.T).T
    return np.asarray(solved.reshape(n, -1, width) / lengths)


def _information(x: FloatArray, p: FloatArray) -> FloatArray:
    """Return the information of a multinomial logit; p without the reference."""
    k = p.shape[1]
    blocks = [
        [(x * (p[:, i] * ((i == j) - p[:, j]))[:, None]).T @ x for j in range(k)] for i in range(k)
    ]  # fmt: skip
    return np.asarray(np.block(blocks))


def _multinomial(
    design: FloatArray, codes: IntArray, levels: tuple[str, ...], names: tuple[str, ...]
) -> tuple[FloatArray, FloatArray, float]:
    """Return coefficients, probabilities and log likelihood of three or more levels."""
    import warnings

    # imported here: two-level models do not need it, and it is slow to import
    from statsmodels.discrete.discrete_model import MNLogit
    from statsmodels.tools.sm_exceptions import ConvergenceWarning, HessianInversionWarning

    lengths = np.abs(design).max(axis=0)
    x = design / lengths
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        # convergence and separation are judged below, by rules that do not depend on the solver
        warnings.simplefilter("ignore", (ConvergenceWarning))
        warnings.simplefilter("ignore", (HessianInversionWarning))
        try:
            fit = MNLogit(codes, x).fit(
                method="newton", maxiter=_STEPS, tol=1e-10, disp=False, skip_hessian=True
            )
            scaled = np.asarray(fit.params, dtype=np.float64).reshape(x.shape[1], -1)
        except np.linalg.LinAlgError:
            scaled = np.full((x.shape[1], len(levels) - 1), np.nan)
    eta = np.column_stack([np.zeros(len(x)), x @ scaled])
    top = eta.max(axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        odds = np.exp(eta - top)
    probabilities = odds / odds.sum(axis=1, keepdims=True)
    _refuse_separated_levels(x, codes, probabilities, levels, names)
    if not np.isfinite(scaled).all() or _next_step(x, codes, probabilities) > _CONVERGED:
        raise EstimationError(
            f"the multinomial model did not converge in {_STEPS} steps; use fewer columns or merge levels",
            code="not_converged",
        )
    log_likelihood = float((eta[np.arange(len(x)), codes] - np.log(odds.sum(axis=1)) - top[:, 0]).sum())
    return scaled / lengths[:, None], probabilities, log_likelihood


def _next_step(x: FloatArray, codes: IntArray, probabilities: FloatArray) -> float:
    """Return the squared length of one more Newton step, in standard errors; infinite if there is none."""
    p = probabilities[:, 1:]
    own = (codes[:, None] == np.arange(1, probabilities.shape[1])).astype(np.float64)
    score = ((own - p).T @ x).ravel()
    try:
        return float(score @ np.linalg.solve(_information(x, p), score))
    except np.linalg.LinAlgError:
        return float("inf")


def _refuse_separated_levels(
    x: FloatArray, codes: IntArray, probabilities: FloatArray, levels: tuple[str, ...], names: tuple[str, ...]
) -> None:
    """Raise when some direction of the coefficients tells levels apart without error."""
    n, k = probabilities.shape
    # every row e_own - e_other, reference dropped, times x: a logistic problem in which all are events
    other = np.array([[j for j in range(k) if j != own] for own in range(k)])[codes]
    pick = np.eye(k)[:, 1:]
    signs = pick[codes][:, None, :] - pick[other]
    stacked = np.einsum("ioj,ip->iojp", signs, x).reshape(n * (k - 1), -1)
    fitted = 1.0 - np.take_along_axis(probabilities, other, axis=1).ravel()
    if certified_overlap(stacked, np.ones(len(stacked)), fitted):
        return
    labels = tuple(f"{name} ({level})" for level in levels[1:] for name in names)
    found = find_separation(stacked, np.ones(len(stacked)), labels)
    if found.kind != "none":
        raise EstimationError(
            f"{found.kind} separation of the levels by {', '.join(found.columns)}: the maximum likelihood estimate "
            "is infinite; merge levels, drop these columns or leave out the cases that can have one level only",
            code="separation",
        )
