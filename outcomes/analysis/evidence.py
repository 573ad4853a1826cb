"""The effects behind one answer: which cases, which model, which estimands; no judgement yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.crude import crude_effects, is_crude
from outcomes.analysis.design import ExposureColumns, covariate_design, exposure_columns
from outcomes.analysis.effects import Effect
from outcomes.analysis.estimands import Family, reduction_families, strategy_families, total_family
from outcomes.analysis.penalised import fit_penalised, merge_rare, penalised_effects
from outcomes.analysis.protocol import OutcomePlan
from outcomes.analysis.risks import fit_risk, risk_design, standardised_risk_effects
from outcomes.analysis.sample import Measured, StudySample
from outcomes.analysis.standardisation import Cases, Reading, fit_outcome, standardised_effects
from outcomes.analysis.support import Comparable, Judged, comparable_set, judged_strategies, limits_of
from outcomes.errors import EstimationError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]
Model = Literal["linear", "logistic", "penalised logistic", "raw risks", "none"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Everything estimated for one outcome.

    Attributes
    ----------
    cases : Cases
        Eligible cases as arrays.
    asked : bool
        Whether the plan asks about reduction.
    has_outcome, labelled, usable, total_usable : ndarray of bool, shape (n_eligible,)
        Outcome known; label known; used by the model with reduction; used by the model of E3.
    pattern : ndarray of str or None
    judged : Judged
    comparable : mapping of pair to Comparable
    effects : mapping of family name to tuple of Effect
        ``"E1", "E1(s)", "E2", "E2 at not met", "E3", "E4"``.
    model, total_model : Model
    dropped : tuple of str
        Covariate columns left out because they do not vary or repeat others.
    failures : mapping of axis to str
        Why a model could not be fitted; the axis is then undetermined.
    limits : mapping
    """

    cases: Cases
    asked: bool
    has_outcome: BoolArray
    labelled: BoolArray
    usable: BoolArray
    total_usable: BoolArray
    pattern: ObjectArray | None
    judged: Judged
    comparable: Mapping[tuple[str, str], Comparable]
    effects: Mapping[str, tuple[Effect, ...]]
    model: Model
    total_model: Model
    dropped: tuple[str, ...]
    limits: Mapping[str, float]
    failures: Mapping[str, str] = field(default_factory=dict)

    @property
    def met(self) -> FloatArray | None:
        """Labels, or None when reduction is not asked."""
        return self.cases.met if self.asked else None


def gather_evidence(sample: StudySample, plan: OutcomePlan) -> Evidence:
    """Estimate E1 to E4 for one outcome of a study by standardisation.

    Parameters
    ----------
    sample : StudySample
    plan : OutcomePlan
        One of the study's outcomes.

    Returns
    -------
    Evidence
    """
    study = sample.study
    limits = limits_of(study.limits)
    measured = sample.outcomes[plan.key]
    frame = sample.eligible
    rows = sample.frame["eligible"].to_numpy(dtype=bool)
    y, total_y = measured.values[rows], measured.total_values[rows]
    own = {name: values[rows] for name, values in measured.adjust_for.items()}
    covariates = covariate_design(frame.assign(**own), (*study.covariates, *own))
    asked = study.reduction is not None
    met = np.full(len(frame), np.nan)
    if asked:
        met = np.where(
            frame["reduction"] == "met", 1.0, np.where(frame["reduction"] == "not met", 0.0, np.nan)
        )
    cases = Cases(
        strategy=frame["strategy"].to_numpy(dtype=object), met=met, X=covariates.X, names=covariates.names,
        complete=covariates.complete, cluster=frame["cluster"].to_numpy(dtype=np.int64),
    )  # fmt: skip
    has_outcome, labelled = ~np.isnan(y), ~np.isnan(met) if asked else np.ones(len(frame), dtype=bool)
    usable = has_outcome & labelled & covariates.complete
    total_usable = ~np.isnan(total_y) & covariates.complete
    judged = judged_strategies(
        study.strategy.judged,
        cases.strategy,
        met if asked else None,
        has_outcome & covariates.complete,
        limits,
    )
    pattern = frame[study.pattern].astype(object).to_numpy() if study.pattern else None
    if pattern is not None:
        pattern = np.array(
            ["not recorded" if value is None or value != value else value for value in pattern], object
        )
    comparable = {pair: comparable_set(pair, cases.strategy, pattern, limits) for pair in judged.pairs}
    reading = Reading(
        better=plan.better, margin=None if plan.margin is None else plan.margin.value, unit=measured.unit,
        seed=study.seed,
    )  # fmt: skip
    effects: dict[str, tuple[Effect, ...]] = {}
    failures: dict[str, str] = {}
    model: Model = "none"
    dropped: set[str] = set(covariates.dropped)
    if asked:
        try:
            model, found, left_out = _with_reduction(
                measured, cases, y, usable, pattern, judged, comparable, reading, limits
            )
            effects |= found
            dropped |= set(left_out)
        except EstimationError as error:
            failures["reduction"] = str(error)
    total_model: Model = "none"
    try:
        total_model, found, left_out = _in_total(
            measured, cases, total_y, total_usable, judged, comparable, reading, limits
        )
        effects |= found
        dropped |= set(left_out)
    except EstimationError as error:
        failures["total"] = str(error)
    return Evidence(
        cases=cases, asked=asked, has_outcome=has_outcome, labelled=labelled, usable=usable,
        total_usable=total_usable, pattern=pattern, judged=judged, comparable=comparable, effects=effects,
        model=model, total_model=total_model, dropped=tuple(sorted(dropped)), limits=limits, failures=failures,
    )  # fmt: skip


Estimated = tuple[Model, dict[str, tuple[Effect, ...]], tuple[str, ...]]


def _with_reduction(
    measured: Measured,
    cases: Cases,
    y: FloatArray,
    usable: BoolArray,
    pattern: ObjectArray | None,
    judged: Judged,
    comparable: Mapping[tuple[str, str], Comparable],
    reading: Reading,
    limits: Mapping[str, float],
) -> Estimated:
    """E1, E1(s), E2 and E4 from the model with strategy x reduction."""
    if not usable.any():
        raise EstimationError("no case has outcome, label and covariates", code="no_cases")
    least = int(limits["judged_not_met_min"])
    columns = exposure_columns(cases.strategy[usable], cases.met[usable], least=least)
    supported = _label_support(pattern, cases.met, usable)
    families = (
        *reduction_families(columns, cases.strategy, supported, judged),
        *strategy_families(judged, comparable, with_interaction=True),
    )
    if measured.kind == "continuous":
        fitted = fit_outcome(cases, y, usable, columns)
        return "linear", standardised_effects(fitted, cases, families, reading), fitted.dropped
    if _enough_events(cases, y, usable, columns, judged, limits, by_label=True):
        design = risk_design(cases, usable, columns)
        fit = fit_risk(cases, y, usable, design)
        return "logistic", standardised_risk_effects(fit, design, cases, families, reading), design.dropped
    merged = merge_rare(cases, usable, judged.strategies)
    common = exposure_columns(merged.strategy[usable], cases.met[usable], least=least, interaction=False)
    families = (
        *reduction_families(common, merged.strategy, supported, judged),
        *strategy_families(judged, comparable, with_interaction=False),
    )
    return _penalised(cases, merged, y, usable, common, families, reading)


def _in_total(
    measured: Measured,
    cases: Cases,
    y: FloatArray,
    usable: BoolArray,
    judged: Judged,
    comparable: Mapping[tuple[str, str], Comparable],
    reading: Reading,
    limits: Mapping[str, float],
) -> Estimated:
    """E3 from a model without reduction or anything else after the strategy."""
    if not usable.any():
        raise EstimationError("no case has outcome and covariates", code="no_cases")
    columns = exposure_columns(cases.strategy[usable], None, least=0)
    families = (total_family(judged, comparable),)
    if measured.kind == "continuous":
        fitted = fit_outcome(cases, y, usable, columns)
        return "linear", standardised_effects(fitted, cases, families, reading), fitted.dropped
    if is_crude(cases, usable):
        return "raw risks", crude_effects(cases, y, usable, families[0], reading), ()
    if _enough_events(cases, y, usable, columns, judged, limits, by_label=False):
        design = risk_design(cases, usable, columns)
        fit = fit_risk(cases, y, usable, design)
        return "logistic", standardised_risk_effects(fit, design, cases, families, reading), design.dropped
    merged = merge_rare(cases, usable, judged.strategies)
    columns = exposure_columns(merged.strategy[usable], None, least=0)
    return _penalised(cases, merged, y, usable, columns, families, reading)


def _penalised(
    cases: Cases, merged: Cases, y: FloatArray, usable: BoolArray, columns: ExposureColumns,
    families: tuple[Family, ...], reading: Reading,
) -> Estimated:  # fmt: skip
    """Use the declared fallback for rare events."""
    fit = fit_penalised(merged, y, usable, columns, seed=reading.seed)
    rare = [name for name in cases.names if name not in merged.names]
    return "penalised logistic", penalised_effects(fit, families, reading), (*fit.design.dropped, *rare)


def _label_support(pattern: ObjectArray | None, met: FloatArray, usable: BoolArray) -> BoolArray:
    """Cases whose pattern was seen on both sides of the criteria."""
    if pattern is None:
        return np.ones(len(met), dtype=bool)
    both = [
        name for name in set(pattern.tolist()) if {0.0, 1.0} <= set(met[usable & (pattern == name)].tolist())
    ]
    return np.isin(pattern, both)


def _enough_events(
    cases: Cases,
    y: FloatArray,
    usable: BoolArray,
    columns: ExposureColumns,
    judged: Judged,
    limits: Mapping[str, float],
    *,
    by_label: bool,
) -> bool:
    """Whether events suffice for an ordinary logistic model, with no empty or full judged cell."""
    outcome = y[usable]
    rarer = min(int((outcome == 1).sum()), int((outcome == 0).sum()))
    n_parameters = len(columns.names) + len(cases.names)
    if rarer < limits["events_per_parameter_min"] * n_parameters:
        return False
    for name in judged.strategies:
        for label in (0.0, 1.0) if by_label else (None,):
            cell = usable & (cases.strategy == name)
            if label is not None:
                cell &= cases.met == label
            if cell.any() and y[cell].min() == y[cell].max():
                return False
    return True
