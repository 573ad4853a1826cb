"""Standardisation of a binary outcome: risk differences in percentage points from a logistic model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.design import ExposureColumns
from outcomes.analysis.effects import Effect
from outcomes.analysis.estimands import Contrast, Family
from outcomes.analysis.standardisation import (
    Cases,
    Reading,
    cluster_deviations,
    critical_values,
    read_effect,
)
from outcomes.stats.numerics.rank import rank_check
from outcomes.stats.regression.clusters import LEAST_OBSERVED, degrees_of_freedom
from outcomes.stats.regression.contrasts import contrast_covariance, contrast_estimates
from outcomes.stats.regression.logistic import LogisticFit, fit_logistic

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Risk differences are printed in percentage points.
POINTS = 100.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RiskDesign:
    """Design of a risk model on the used cases: exposure columns, then the covariates that can be told apart."""

    X: FloatArray
    names: tuple[str, ...]
    kept: tuple[int, ...]
    columns: ExposureColumns
    dropped: tuple[str, ...]
    used: BoolArray

    def counterfactual(
        self, cases: Cases, target: BoolArray, strategy: str | None, met: float | None
    ) -> FloatArray:
        """Return the design of the target with strategy and label set, shape (n_target, p)."""
        names = cases.strategy[target]
        if strategy is not None:
            names = np.full(len(names), strategy, dtype=object)
        label = None if met is None else np.full(len(names), met)
        return np.column_stack([self.columns.matrix(names, label), cases.X[target][:, list(self.kept)]])


def risk_design(cases: Cases, used: BoolArray, columns: ExposureColumns) -> RiskDesign:
    """Return the design of the used cases; covariates that add nothing are named in `dropped`."""
    exposure = columns.matrix(cases.strategy[used], cases.met[used] if columns.with_reduction else None)
    names = (*columns.names, *cases.names)
    X = np.column_stack([exposure, cases.X[used]])
    width = len(columns.names)
    culprits = set(rank_check(X, names).culprits)
    kept = tuple(
        position
        for position, name in enumerate(cases.names)
        if name not in culprits and np.ptp(cases.X[used][:, position]) > 0
    )
    return RiskDesign(
        X=np.column_stack([exposure, cases.X[used][:, list(kept)]]),
        names=(*columns.names, *(cases.names[position] for position in kept)),
        kept=kept,
        columns=columns,
        dropped=tuple(name for position, name in enumerate(names[width:]) if position not in kept),
        used=used,
    )


def fit_risk(cases: Cases, y: FloatArray, used: BoolArray, design: RiskDesign) -> LogisticFit:
    """Fit the logistic outcome model on the used cases, clustered, CR2 errors."""
    return fit_logistic(design.X, y[used], names=design.names, clusters=cases.cluster[used])


def standardised_risk_effects(
    fit: LogisticFit, design: RiskDesign, cases: Cases, families: Sequence[Family], reading: Reading
) -> dict[str, tuple[Effect, ...]]:
    """Average predicted risks over each population and take differences, by the delta method.

    The variance has two parts: of the coefficients (CR2), and of averaging over a sampled population.
    """
    return {family.name: _family(fit, design, cases, family, reading) for family in families}


def _family(
    fit: LogisticFit, design: RiskDesign, cases: Cases, family: Family, reading: Reading
) -> tuple[Effect, ...]:
    """Effects of one family."""
    if not family.contrasts:
        return ()
    values, gradients, spread = [], [], []
    for contrast in family.contrasts:
        value, gradient, per_case = _average(fit.coefficients, design, cases, contrast)
        values.append(value)
        gradients.append(gradient)
        spread.append(cluster_deviations(per_case, cases.cluster, contrast.target & cases.complete))
    rows = np.array(gradients)
    averaging = np.array(spread) @ np.array(spread).T
    covariance = contrast_covariance(fit, rows)
    estimates = contrast_estimates(
        np.array(values), np.diag(covariance), degrees_of_freedom(fit.pieces, rows, least_observed=LEAST_OBSERVED), size=np.ones(len(values)),
        fit=fit, labels=[contrast.label for contrast in family.contrasts], unit=reading.unit,
        extra_variance=np.diag(averaging) if averaging.any() else None,
    )  # fmt: skip
    critical = critical_values(family, estimates, covariance + averaging, reading.seed)
    return tuple(
        read_effect(contrast, estimate, value, reading, design.used)
        for contrast, estimate, value in zip(family.contrasts, estimates, critical, strict=True)
    )


def _average(
    beta: FloatArray, design: RiskDesign, cases: Cases, contrast: Contrast
) -> tuple[float, FloatArray, FloatArray]:
    """Return the standardised difference in points, its gradient, and that of every complete target case."""
    target = contrast.target & cases.complete
    per_case = np.zeros(int(target.sum()))
    gradient = np.zeros(len(beta))
    for term in contrast.terms:
        X = design.counterfactual(cases, target, term.strategy, term.met)
        risk = 1 / (1 + np.exp(-(X @ beta)))
        per_case += POINTS * term.sign * risk
        gradient += POINTS * term.sign * ((risk * (1 - risk)) @ X) / len(risk)
    return float(per_case.mean()), gradient, per_case


def average_many(betas: FloatArray, design: RiskDesign, cases: Cases, contrast: Contrast) -> FloatArray:
    """Return the standardised difference in points for each of many coefficient vectors, shape (B,)."""
    target = contrast.target & cases.complete
    total = np.zeros(len(betas))
    for term in contrast.terms:
        X = design.counterfactual(cases, target, term.strategy, term.met)
        total += POINTS * term.sign * (1 / (1 + np.exp(-(X @ betas.T)))).mean(axis=0)
    return total
