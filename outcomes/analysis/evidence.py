"""The effects behind one answer: which cases, which model, which estimands; no judgement yet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.analysis.design import covariate_design
from outcomes.analysis.effects import Effect
from outcomes.analysis.estimands import Family, reduction_families, strategy_families, total_family
from outcomes.analysis.protocol import OutcomePlan
from outcomes.analysis.roads import Fitted, Model, Road, choose_road, effects_by_pair
from outcomes.analysis.sample import STRATEGY_UNCLEAR, StudySample
from outcomes.analysis.standardisation import Cases, Reading
from outcomes.analysis.support import Comparable, Judged, comparable_set, judged_strategies, limits_of
from outcomes.errors import EstimationError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]


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
    shared : tuple of str
        Judged strategies whose reduction effect is shared with others, for want of cases on one side.
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
    shared: tuple[str, ...]
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
    n_unclear = int((sample.frame.get("excluded_because", pd.Series(dtype=object)) == STRATEGY_UNCLEAR).sum())
    judged = judged_strategies(
        study.strategy.judged,
        cases.strategy,
        met if asked else None,
        has_outcome & covariates.complete,
        limits,
        n_unclear=n_unclear,
    )
    pattern = frame[study.pattern].astype(object).to_numpy() if study.pattern else None
    if pattern is not None:
        pattern = np.array(
            ["not recorded" if value is None or value != value else str(value) for value in pattern], object
        )
    comparable = {pair: comparable_set(pair, cases.strategy, pattern, limits) for pair in judged.pairs}
    reading = Reading(
        better=plan.better, margin=None if plan.margin is None else plan.margin.value, unit=measured.unit,
        seed=study.seed,
    )  # fmt: skip
    families_with = _families_with_reduction(judged, comparable, pattern, met, usable)
    families_total = _families_in_total(judged, comparable)
    parts = {
        "reduction": (y, usable, families_with) if asked else None,
        "total": (total_y, total_usable, families_total),
    }
    effects: dict[str, tuple[Effect, ...]] = {}
    failures: dict[str, str] = {}
    models: dict[str, Model] = {"reduction": "none", "total": "none"}
    dropped: set[str] = set(covariates.dropped)
    shared: set[str] = set()
    for axis, part in parts.items():
        if part is None:
            continue
        values, used, families_of = part
        try:
            road = choose_road(
                measured.kind,
                cases,
                values,
                used,
                judged,
                reading,
                limits,
                with_reduction=axis == "reduction",
            )
            fitted = road.fit(used)
            families = families_of(fitted, road)
            effects |= effects_by_pair(road, fitted, used, families, comparable, cases, reading)
            models[axis] = road.model
            if road.interaction:
                shared |= set(fitted.columns.shared) & set(judged.strategies)
            dropped |= set(fitted.dropped)
        except EstimationError as error:
            failures[axis] = str(error)
    return Evidence(
        cases=cases, asked=asked, has_outcome=has_outcome, labelled=labelled, usable=usable,
        total_usable=total_usable, pattern=pattern, judged=judged, comparable=comparable, effects=effects,
        model=models["reduction"], total_model=models["total"], dropped=tuple(sorted(dropped)),
        shared=tuple(sorted(shared)), limits=limits,
        failures=failures,
    )  # fmt: skip


Families = Callable[[Fitted, Road], tuple[Family, ...]]


def _families_with_reduction(
    judged: Judged,
    comparable: Mapping[tuple[str, str], Comparable],
    pattern: ObjectArray | None,
    met: FloatArray,
    usable: BoolArray,
) -> Families:
    """E1, E1(s), E2 and E4, once the model with reduction is fitted."""
    supported = label_support(pattern, met, usable)

    def families(fitted: Fitted, road: Road) -> tuple[Family, ...]:
        return (
            *reduction_families(fitted.columns, fitted.strategy, supported, judged),
            *strategy_families(judged, comparable, with_interaction=road.interaction),
        )

    return families


def _families_in_total(judged: Judged, comparable: Mapping[tuple[str, str], Comparable]) -> Families:
    """E3, from the model without reduction or anything else after the strategy."""
    return lambda fitted, road: (total_family(judged, comparable),)


def label_support(pattern: ObjectArray | None, met: FloatArray, usable: BoolArray) -> BoolArray:
    """Cases whose pattern was seen on both sides of the criteria."""
    if pattern is None:
        return np.ones(len(met), dtype=bool)
    both = [
        name for name in set(pattern.tolist()) if {0.0, 1.0} <= set(met[usable & (pattern == name)].tolist())
    ]
    return np.isin(pattern, both)
