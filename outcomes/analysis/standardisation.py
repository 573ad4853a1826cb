"""Standardisation of a continuous outcome: one linear model, many contrasts, one covariance matrix."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.design import ExposureColumns
from outcomes.analysis.effects import Effect
from outcomes.analysis.estimands import Contrast, Family
from outcomes.analysis.protocol import Better
from outcomes.analysis.states import effect_direction, effect_state
from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.rank import rank_check
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.regression.linear import (
    LinearFit,
    at_level,
    contrast_covariance,
    fit_linear,
    linear_contrast,
)
from outcomes.stats.testing.simultaneous import max_t_quantile

#: Residuals this small beside the outcome are rounding.
_NO_RESIDUAL = 1e-12

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cases:
    """Eligible cases of a study as arrays.

    Attributes
    ----------
    strategy : ndarray of str, shape (n,)
    met : ndarray of float, shape (n,)
        1 met, 0 not met, NaN indeterminate or not asked.
    X : ndarray of float, shape (n, q)
        Covariates; NaN rows where one is missing.
    names : tuple of str, length q
    complete : ndarray of bool, shape (n,)
        All covariates known.
    cluster : ndarray of int, shape (n,)
    """

    strategy: ObjectArray
    met: FloatArray
    X: FloatArray
    names: tuple[str, ...]
    complete: BoolArray
    cluster: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How effects are read: direction, margin and unit of the outcome, seed of simultaneous intervals."""

    better: Better
    margin: float | None
    unit: str
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutcomeModel:
    """A fitted linear outcome model with its exposure columns and the cases it used."""

    fit: LinearFit
    columns: ExposureColumns
    dropped: tuple[str, ...]
    used: BoolArray


def fit_outcome(cases: Cases, y: FloatArray, used: BoolArray, columns: ExposureColumns) -> OutcomeModel:
    """Fit the linear outcome model on the used cases, clustered by patient with CR2 errors.

    Covariate columns that are linear combinations of others are left out and named in `dropped`.
    """
    met = cases.met[used] if columns.with_reduction else None
    exposure = columns.matrix(cases.strategy[used], met)
    X = np.column_stack([exposure, cases.X[used]])
    names = (*columns.names, *cases.names)
    culprits = set(rank_check(X, names).culprits)
    keep = [
        position
        for position, name in enumerate(names)
        if position < len(columns.names) or (name not in culprits and np.ptp(X[:, position]) > 0)
    ]
    fit = fit_linear(
        X[:, keep], y[used], names=[names[position] for position in keep], clusters=cases.cluster[used]
    )
    dropped = tuple(name for position, name in enumerate(names) if position not in keep)
    if fit.residual_sd <= _NO_RESIDUAL * float(np.abs(y[used]).max()):
        raise EstimationError(
            "the model fits every case exactly, so there is nothing to judge an error by", code="no_residual"
        )
    return OutcomeModel(fit=fit, columns=columns, dropped=dropped, used=used)


def standardised_effects(
    model: OutcomeModel, cases: Cases, families: Sequence[Family], reading: Reading
) -> dict[str, tuple[Effect, ...]]:
    """Standardise every contrast to its population.

    The model is linear without products of covariates and exposure, so a contrast is a weighted sum of its
    exposure coefficients, with weights from the population. Averaging over a sampled population adds its own
    variance.

    Returns
    -------
    dict of family name to tuple of Effect
    """
    return {family.name: _family_effects(model, cases, family, reading) for family in families}


def _family_effects(
    model: OutcomeModel, cases: Cases, family: Family, reading: Reading
) -> tuple[Effect, ...]:
    """Effects of one family, with the simultaneous critical value where the family asks for one."""
    if not family.contrasts:
        return ()
    p = len(model.fit.names)
    width = len(model.columns.names)
    rows = np.zeros((len(family.contrasts), p))
    spread = []
    for position, contrast in enumerate(family.contrasts):
        per_case = exposure_rows(model.columns, cases.strategy[contrast.target], contrast)
        rows[position, :width] = per_case.mean(axis=0)
        differences = per_case @ model.fit.coefficients[:width]
        spread.append(cluster_deviations(differences, cases.cluster, contrast.target))
    averaging = np.array(spread) @ np.array(spread).T
    estimates = linear_contrast(
        model.fit, rows, labels=[contrast.label for contrast in family.contrasts], unit=reading.unit,
        extra_variance=np.diag(averaging) if averaging.any() else None,
    )  # fmt: skip
    critical = critical_values(
        family, estimates, contrast_covariance(model.fit, rows) + averaging, reading.seed
    )
    return tuple(
        read_effect(contrast, estimate, value, reading, model.used)
        for contrast, estimate, value in zip(family.contrasts, estimates, critical, strict=True)
    )


def exposure_rows(columns: ExposureColumns, strategy: ObjectArray, contrast: Contrast) -> FloatArray:
    """Return the signed sum of exposure columns of every case of the target, shape (n_target, width)."""
    total = np.zeros((len(strategy), len(columns.names)))
    for term in contrast.terms:
        if term.strategy is None:
            met = None if term.met is None else np.full(len(strategy), term.met)
            total += term.sign * columns.matrix(strategy, met)
        else:
            total += term.sign * columns.row(term.strategy, term.met)
    return total


def cluster_deviations(differences: FloatArray, cluster: NDArray[np.int64], target: BoolArray) -> FloatArray:
    """Return each cluster's share of the sampling error of the population mean, shape (n_clusters,).

    The sum of their squares estimates the variance of the mean with the divisor G - 1.
    """
    deviation = (differences - differences.mean()) / len(differences)
    sums = np.bincount(cluster[target], weights=deviation, minlength=int(cluster.max()) + 1)
    n_clusters = len(np.unique(cluster[target]))
    return np.asarray(sums * np.sqrt(n_clusters / max(n_clusters - 1, 1)), dtype=np.float64)


def critical_values(
    family: Family, estimates: Sequence[Estimate], covariance: FloatArray, seed: int
) -> list[float | None]:
    """Return the critical value of every contrast of a family; None leaves its ordinary t quantile."""
    if family.read_with > 1:
        level = 1 - 0.05 / (2 * family.read_with)
        return [float(t_quantile(level, np.inf if e.df is None else e.df)) for e in estimates]
    if family.simultaneous and len(estimates) > 1:
        return [simultaneous_critical(covariance, estimates, seed)] * len(estimates)
    return [None] * len(estimates)


def simultaneous_critical(covariance: FloatArray, estimates: Sequence[Estimate], seed: int) -> float | None:
    """Return the max-t critical value of the contrasts that have an interval (their smallest df); None for under two."""
    judged = [position for position, estimate in enumerate(estimates) if estimate.std_error is not None]
    if len(judged) < 2:
        return None
    errors = np.sqrt(np.diag(covariance)[judged])
    freedoms = [estimates[position].df for position in judged]
    correlation = covariance[np.ix_(judged, judged)] / np.outer(errors, errors)
    least = min(np.inf if df is None else df for df in freedoms)
    return max_t_quantile(correlation, least, level=0.95, seed=seed)


def read_effect(
    contrast: Contrast, estimate: Estimate, critical: float | None, reading: Reading, used: BoolArray
) -> Effect:
    """Read one estimate against the margin; its n is the cases used of the population, n_missing the rest of it."""
    n = int((contrast.target & used).sum())
    estimate = replace(estimate, n=n, n_missing=int(contrast.target.sum()) - n)
    shown = estimate if critical is None else at_level(estimate, 0.95, critical=critical)
    ordinary = at_level(estimate, 0.90)
    return Effect(
        estimand=contrast.estimand, groups=contrast.groups, at=contrast.at, estimate=shown, ordinary=ordinary,
        state=effect_state(shown, ordinary, reading.margin), direction=effect_direction(shown, reading.better),
        population=contrast.population,
    )  # fmt: skip


def not_estimable_effect(contrast: Contrast, reason: str, reading: Reading) -> Effect:
    """Return the effect that says why there is no number; its state is undetermined."""
    estimate = Estimate.not_estimable(
        reason, contrast=contrast.label, unit=reading.unit, n=int(contrast.target.sum())
    )
    return Effect(
        estimand=contrast.estimand, groups=contrast.groups, at=contrast.at, estimate=estimate, ordinary=estimate,
        state="undetermined", direction="", population=contrast.population,
    )  # fmt: skip
