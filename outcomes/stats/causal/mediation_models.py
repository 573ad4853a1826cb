"""The regressions behind direct and indirect effects, and means with exposure and mediator set apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any, Literal, get_args

import numpy as np
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_outcome, check_weights
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic

Kind = Literal["number", "yes_no"]

#: How far, in standard deviations, and with how many points at most a normal mediator is averaged over.
REACH = 8.5
MOST_POINTS = 5000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartModel:
    """One regression of the stack.

    Attributes
    ----------
    kind : {"number", "yes_no"}
    names : tuple of str
    design : ndarray, shape (n, q)
    coefficients : ndarray, shape (q,)
    influence : ndarray, shape (n, q)
        Influence of each case on the coefficients.
    spread : float
        Residual standard deviation of a number, divisor n - q (in units of weight); 0 for yes/no.
    spread_influence : ndarray, shape (n,)
    """

    kind: str
    names: tuple[str, ...]
    design: FloatArray
    coefficients: FloatArray
    influence: FloatArray
    spread: float
    spread_influence: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MediationModels:
    """All regressions of a mediation analysis.

    Attributes
    ----------
    X : ndarray, shape (n, p)
    mediator, outcome : PartModel
        Columns: those of X, then exposure; for the outcome then the confounders, the mediator and, with interaction,
        its product with the exposure.
    confounders : tuple of PartModel
    interaction : bool
    weights : ndarray, shape (n,)
    """

    X: FloatArray
    mediator: PartModel
    outcome: PartModel
    confounders: tuple[PartModel, ...]
    interaction: bool
    weights: FloatArray


def fit_models(
    X: FloatArray,
    exposure: FloatArray,
    mediator: Any,
    y: Any,
    *,
    names: tuple[str, ...],
    mediator_kind: Kind,
    outcome_kind: Kind,
    interaction: bool,
    confounders: Mapping[str, Any],
    weights: Any = None,
) -> MediationModels:
    """Fit the models of the mediator, of the confounders that the exposure changed, and of the outcome.

    Parameters
    ----------
    X, exposure, mediator, y, names, mediator_kind, outcome_kind, interaction, confounders, weights
        As for :func:`outcomes.stats.causal.mediation.mediation_effects`.

    Returns
    -------
    MediationModels

    Raises
    ------
    EstimationError
        As there.

    Notes
    -----
    The mediator is modelled without the confounders: interventional effects draw it from its distribution given
    exposure and X alone. Source: VanderWeele, Vansteelandt and Robins (2014) Epidemiology 25:300.

    Examples
    --------
    >>> a = np.tile([0.0, 1.0], 4)
    >>> m = 2 * a + np.repeat([1.0, -1.0], 4)
    >>> made = fit_models(np.ones((8, 1)), a, m, m + np.tile([1.0, 1.0, -1.0, -1.0], 2), names=("intercept",),
    ...                   mediator_kind="number", outcome_kind="number", interaction=False, confounders={})
    >>> made.mediator.coefficients.round(9).tolist()
    [0.0, 2.0]
    """
    for value, what in ((mediator_kind, "mediator_kind"), (outcome_kind, "outcome_kind")):
        check_choice(value, get_args(Kind), what)
    n = len(X)
    w = check_weights(weights, n)
    m, outcome = check_outcome(mediator, n), check_outcome(y, n)
    changed = {name: check_outcome(values, n) for name, values in confounders.items()}
    if outcome_kind == "yes_no" and len(changed) > 1:
        raise EstimationError(
            f"{len(changed)} confounders changed by the exposure; with a yes/no outcome give at most 1",
            code="too_many_confounders",
        )
    given, labels = np.column_stack([X, exposure]), (*names, "exposure")
    parts = tuple(
        _fit(given, values, labels, "yes_no" if np.isin(values, (0.0, 1.0)).all() else "number", w)
        for values in changed.values()
    )
    columns = [given, *changed.values(), m] + [exposure * m] * interaction
    listed = (*labels, *changed, "mediator", *(["exposure x mediator"] * interaction))
    return MediationModels(
        X=X, mediator=_fit(given, m, labels, mediator_kind, w), confounders=parts,
        outcome=_fit(np.column_stack(columns), outcome, listed, outcome_kind, w), interaction=interaction, weights=w,
    )  # fmt: skip


def _fit(design: FloatArray, y: FloatArray, names: tuple[str, ...], kind: str, w: FloatArray) -> PartModel:
    """Fit one regression with the influence of each case."""
    if kind == "yes_no":
        logistic = fit_logistic(design, y, names=names, weights=w, covariance="classical")
        scores = design * (w * logistic.residuals)[:, None]
        return PartModel(
            kind=kind, names=names, design=design, coefficients=logistic.coefficients,
            influence=scores @ logistic.bread, spread=0.0, spread_influence=np.zeros(len(y)),
        )  # fmt: skip
    linear = fit_linear(design, y, names=names, weights=w, covariance="classical")
    total = float(w.sum())
    # the divisor of the spread in units of weight: W (n - q) / n, which is n - q for weights of 1
    left = total * (linear.n - len(names)) / linear.n
    variance = float(w @ np.square(linear.residuals)) / left
    root = float(np.sqrt(variance))
    varied = w * (np.square(linear.residuals) * total / left - variance) / total
    return PartModel(
        kind=kind, names=names, design=design, coefficients=linear.coefficients,
        influence=(design * (w * linear.residuals)[:, None]) @ linear.bread,
        spread=root, spread_influence=varied / (2.0 * root) if root > 0.0 else np.zeros(len(y)),
    )  # fmt: skip


def crossed_mean(models: MediationModels, own: float, as_under: float) -> tuple[float, FloatArray]:
    """Return the mean outcome with one exposure and the mediator as under another, and its influence values.

    Parameters
    ----------
    models : MediationModels
    own : float
        Exposure of the outcome (and of the confounders it changed).
    as_under : float
        Exposure that the mediator is drawn under.

    Returns
    -------
    mean : float
    influence : ndarray, shape (n,)
        Sums to 0 over the cases.

    Notes
    -----
    Source: Stefanski and Boos (2002) Am Stat 56:29 for the stacked equations.

    Examples
    --------
    >>> a = np.tile([0.0, 1.0], 4)
    >>> m = 2 * a + np.repeat([1.0, -1.0], 4)
    >>> made = fit_models(np.ones((8, 1)), a, m, m + np.tile([1.0, 1.0, -1.0, -1.0], 2), names=("intercept",),
    ...                   mediator_kind="number", outcome_kind="number", interaction=False, confounders={})
    >>> round(crossed_mean(made, 1.0, 0.0)[0], 9), round(crossed_mean(made, 1.0, 1.0)[0], 9)
    (0.0, 2.0)
    """
    X, outcome = models.X, models.outcome
    n, linear = len(X), outcome.kind == "number"
    sides = [*models.confounders, models.mediator]
    at = [np.column_stack([X, np.full(n, own)])] * len(models.confounders)
    at.append(np.column_stack([X, np.full(n, as_under)]))
    slopes = [outcome.coefficients[X.shape[1] + 1 + j] for j in range(len(sides))]
    slopes[-1] += outcome.coefficients[-1] * own if models.interaction else 0.0
    nodes = [_nodes(side, x, linear, slope) for side, x, slope in zip(sides, at, slopes, strict=True)]
    mean = np.zeros(n)
    by_outcome = np.zeros(outcome.design.shape)
    by_side = [np.zeros(n) for _ in sides]
    by_spread = [np.zeros(n) for _ in sides]
    for chosen in product(*nodes):
        values = [value for value, *_ in chosen]
        tail = [values[-1] * own] if models.interaction else []
        z = np.column_stack([X, np.full(n, own), *values, *tail])
        eta = z @ outcome.coefficients
        fitted = eta if linear else special.expit(eta)
        slope = np.ones(n) if linear else fitted * (1.0 - fitted)
        weight = np.prod([w for _, w, *_ in chosen], axis=0)
        mean += weight * fitted
        by_outcome += (weight * slope)[:, None] * z
        for j, (_, _, moved, stretched, reweighted) in enumerate(chosen):
            others = np.prod([part[1] for k, part in enumerate(chosen) if k != j], axis=0)
            by_side[j] += weight * slope * slopes[j] * moved + others * reweighted * fitted
            by_spread[j] += weight * slope * slopes[j] * stretched
    share = models.weights / models.weights.sum()
    value = float(share @ mean)
    influence = share * (mean - value) + outcome.influence @ (share @ by_outcome)
    for side, design, moved, stretched in zip(sides, at, by_side, by_spread, strict=True):
        influence = influence + side.influence @ ((share * moved) @ design)
        influence = influence + side.spread_influence * float(share @ stretched)
    return value, influence


def _nodes(
    side: PartModel, design: FloatArray, linear: bool, slope: float
) -> list[tuple[Any, Any, Any, Any, Any]]:
    """Return value, weight, and derivatives of both of each point that a variable is averaged over.

    Each point has: value; weight; derivative of the value by the linear predictor and by the spread; derivative of the
    weight by the linear predictor. A normal variable under a logistic outcome is averaged by the trapezoidal rule, whose
    error falls as exp(-2 pi^2 / (slope x spread x step)) and exp(-2 pi^2 / step^2) (Trefethen and Weideman 2014, SIAM
    Rev 56:385); steps make both below 1e-13.
    """
    eta = design @ side.coefficients
    one, none = np.ones(len(eta)), np.zeros(len(eta))
    if side.kind == "yes_no":
        p = special.expit(eta)
        if linear:
            return [(p, one, p * (1.0 - p), none, none)]
        return [(none, 1.0 - p, none, none, -p * (1.0 - p)), (one, p, none, none, p * (1.0 - p))]
    if linear:
        return [(eta, one, one, none, none)]
    steepness = abs(slope) * side.spread
    step = max(min(0.5, 0.6 / steepness if steepness > 0.0 else 0.5), 2.0 * REACH / MOST_POINTS)
    half = int(np.ceil(REACH / step))
    points = np.arange(-half, half + 1) * step
    weights = np.exp(-0.5 * np.square(points))
    return [
        (eta + side.spread * t, w * one, one, t * one, none)
        for t, w in zip(points, weights / weights.sum(), strict=True)
    ]
