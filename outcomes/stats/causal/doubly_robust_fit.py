"""Doubly robust contrasts with their models fitted here, and errors that count the fitting."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, get_args

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.causal.doubly_robust import DoublyRobust, aipw, target_membership
from outcomes.stats.causal.exposure_model import ExposureModel, coefficient_influence, fit_exposure
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice, check_matrix, check_outcome
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic

OutcomeModel = Literal["linear", "logistic"]
Errors = Literal["stacked", "plug-in"]


def fit_doubly_robust(
    X: Any,
    exposure: Any,
    y: Any,
    *,
    names: Sequence[str],
    X_exposure: Any = None,
    names_exposure: Sequence[str] | None = None,
    levels: Sequence[str] | None = None,
    outcome: OutcomeModel = "linear",
    errors: Errors = "stacked",
    target: Any = None,
    target_levels: Sequence[str] | None = None,
    target_name: str = "",
    floor: float = 0.0,
    pairs: Sequence[tuple[str, str]] | None = None,
    clusters: Any = None,
    level: float = 0.95,
    unit: str = "",
    n_missing: int = 0,
) -> DoublyRobust:
    """Fit one outcome model in each level and the exposure model, and return doubly robust means.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design of the outcome models, with intercept.
    exposure, y : array_like, shape (n,)
        Level and outcome of each case; the outcome 0 or 1 for "logistic".
    names : sequence of str, length p
        Its columns.
    X_exposure, names_exposure : optional
        Design of the exposure model; `X` otherwise.
    levels : sequence of str, optional
        All levels in order; sorted otherwise.
    outcome : {"linear", "logistic"}
        Outcome model, fitted within each level (all products with the exposure).
    errors : {"stacked", "plug-in"}
        "stacked" adds what estimating both models does to the error, so that it stays right when one of
        them is wrong and where probabilities are floored; "plug-in" does not.
    target, target_levels, target_name, floor, pairs, clusters, level, unit, n_missing
        As for :func:`aipw`.

    Returns
    -------
    DoublyRobust

    Raises
    ------
    EstimationError
        Whatever the models raise: rank deficiency within a level, separation, no convergence.

    Notes
    -----
    Source of the stacked error: Stefanski and Boos (2002) Am Stat 56:29; Lunceford and Davidian (2004)
    Statistics in Medicine 23:2937. The floor itself is taken as fixed.

    Examples
    --------
    Two strata and saturated models: b minus a is half of (5 - 1) plus half of (9 - 4).

    >>> X = [[1, 0], [1, 0], [1, 0], [1, 0], [1, 1], [1, 1], [1, 1], [1, 1]]
    >>> fit = fit_doubly_robust(X, list("aabbaabb"), [0, 2, 4, 6, 3, 5, 8, 10], names=["one", "stratum"])
    >>> round(fit.contrasts[0].value, 9)
    4.5
    """
    check_choice(outcome, get_args(OutcomeModel), "outcome")
    check_choice(errors, get_args(Errors), "errors")
    design, columns = check_matrix(X, names)
    other = design if X_exposure is None else X_exposure
    other_names = columns if X_exposure is None or names_exposure is None else tuple(names_exposure)
    model = fit_exposure(other, exposure, names=other_names, levels=levels)
    response = check_outcome(y, len(design))
    m = np.empty((len(design), len(model.levels)))
    for k, name in enumerate(model.levels):
        # levels that nobody declared may be cells of a wrong column: they are numbered, never quoted
        called = name if levels is not None else f"number {k + 1} of {len(model.levels)}, sorted"
        m[:, k] = _predicted(design, response, model.codes == k, columns, outcome, called)
    given: dict[str, Any] = {
        "levels": model.levels, "target": target, "target_levels": target_levels, "target_name": target_name,
        "floor": floor, "pairs": pairs, "clusters": clusters, "level": level, "unit": unit,
        "n_missing": n_missing,
    }  # fmt: skip
    fit = aipw(exposure, response, m, model.probabilities, **given)
    if errors == "plug-in":
        return fit
    inside = target_membership(
        model.probabilities, model.codes, model.levels, target, target_levels, target_name
    )[0]
    added = _outcome_influence(design, response, m, model.codes, fit.weights, inside, outcome)
    among = None if target_levels is None else [model.levels.index(str(name)) for name in target_levels]
    added += _exposure_influence(model, response, m, fit.weights, inside, among, floor)
    return aipw(
        exposure, response, m, model.probabilities, model_influence=added, method="AIPW, stacked", **given
    )


def _predicted(
    design: FloatArray, y: FloatArray, rows: Any, columns: tuple[str, ...], outcome: str, name: str
) -> FloatArray:
    """Return the predictions of the outcome model of one level for every case."""
    try:
        if outcome == "linear":
            fit = fit_linear(design[rows], y[rows], names=columns, covariance="HC0")
            return np.asarray(design @ fit.coefficients)
        risk = fit_logistic(design[rows], y[rows], names=columns, covariance="HC0")
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip(design @ risk.coefficients, -700.0, 700.0))))
    except EstimationError as problem:
        raise EstimationError(f"outcome model of the level {name}: {problem}", code=problem.code) from None


def _outcome_influence(
    x: FloatArray,
    y: FloatArray,
    m: FloatArray,
    codes: IntArray,
    weights: FloatArray,
    inside: FloatArray,
    outcome: str,
) -> FloatArray:
    """Return what estimating the outcome models adds to the influence of the means."""
    added = np.zeros_like(m)
    for k in range(m.shape[1]):
        v = np.ones(len(y)) if outcome == "linear" else m[:, k] * (1.0 - m[:, k])
        rows = codes == k
        moved = ((inside - weights[:, k]) * v) @ x / inside.sum()
        solved = np.linalg.solve((x[rows] * v[rows, None]).T @ x[rows], moved)
        added[rows, k] = (x[rows] @ solved) * (y - m[:, k])[rows]
    return added


def _exposure_influence(
    model: ExposureModel,
    y: FloatArray,
    m: FloatArray,
    weights: FloatArray,
    inside: FloatArray,
    among: list[int] | None,
    floor: float,
) -> FloatArray:
    """Return what estimating the exposure model adds to the influence of the means."""
    e = model.probabilities
    index = np.arange(e.shape[1])
    if among is None:
        of_target = np.zeros_like(e)
    else:
        of_target = e * np.isin(index, among) / e[:, among].sum(axis=1, keepdims=True) - e
    added = np.zeros_like(m)
    pieces = coefficient_influence(model)
    for k in index:
        # derivative of log(pi / e_k) with respect to the linear predictors; a floored e_k does not move
        slope = of_target - np.where((e[:, k] < floor)[:, None], 0.0, (index == k) - e)
        moved = (slope * (weights[:, k] * (y - m[:, k]))[:, None])[:, 1:].T @ model.design / inside.sum()
        added[:, k] = np.einsum("ijp,jp->i", pieces, moved)
    return added
