"""Which model carries an outcome, and how the pairs get the cases they are allowed to use.

A *road* fits one kind of model to a set of cases and returns what can be standardised from it. All contrasts come from
one fit, except those of a pair with a pattern outside its comparable set: there the users of the two strategies in
that pattern are listed and not modelled, so the pair has a fit of its own without them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.crude import crude_effects, is_crude
from outcomes.analysis.design import ExposureColumns, exposure_columns
from outcomes.analysis.effects import Effect
from outcomes.analysis.estimands import Contrast, Family
from outcomes.analysis.penalised import fit_penalised, merge_rare, penalised_effects
from outcomes.analysis.risks import fit_risk, risk_design, standardised_risk_effects
from outcomes.analysis.standardisation import (
    Cases,
    Reading,
    fit_outcome,
    not_estimable_effect,
    standardised_effects,
)
from outcomes.analysis.support import Comparable, Judged
from outcomes.errors import EstimationError
from outcomes.stats.regression.separation import find_separation

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]
Model = Literal["linear", "logistic", "penalised logistic", "raw risks", "none"]
Effects = dict[str, tuple[Effect, ...]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """One fitted model, ready to be standardised.

    Attributes
    ----------
    columns : ExposureColumns
    strategy : ndarray of str, shape (n,)
        Strategies as the model knows them; rare ones may be merged.
    dropped : tuple of str
        Covariate columns left out.
    effects : callable
        From families of contrasts to effects.
    """

    columns: ExposureColumns
    strategy: ObjectArray
    dropped: tuple[str, ...]
    effects: Callable[[Sequence[Family]], Effects]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Road:
    """One kind of model for one outcome."""

    model: Model
    interaction: bool
    fit: Callable[[BoolArray], Fitted]


def choose_road(
    kind: Literal["continuous", "binary"],
    cases: Cases,
    y: FloatArray,
    used: BoolArray,
    judged: Judged,
    reading: Reading,
    limits: Mapping[str, float],
    *,
    with_reduction: bool,
) -> Road:
    """Choose the declared model of an outcome.

    Linear for a continuous outcome. For a binary one: raw risks when nothing is adjusted for and reduction is left out;
    logistic when events suffice and the columns do not separate the outcome (a strategy without any event, say); else the
    penalised fallback without interaction.

    Raises
    ------
    EstimationError
        No case can be used, or all have the same outcome.
    """
    if not used.any():
        raise EstimationError(
            "no case has outcome, covariates and what else the model needs", code="no_cases"
        )
    if np.ptp(y[used]) == 0:
        raise EstimationError(
            f"all {int(used.sum())} cases that the model can use have the same outcome", code="no_variation"
        )
    least = int(limits["judged_not_met_min"])

    def columns_of(these: Cases, rows: BoolArray, *, interaction: bool = True) -> ExposureColumns:
        label = these.met[rows] if with_reduction else None
        return exposure_columns(these.strategy[rows], label, least=least, interaction=interaction)

    if kind == "continuous":
        return Road(
            model="linear",
            interaction=True,
            fit=lambda rows: _linear(cases, y, rows, columns_of(cases, rows), reading),
        )
    if not with_reduction and is_crude(cases, used):
        return Road(
            model="raw risks",
            interaction=False,
            fit=lambda rows: _raw(cases, y, rows, columns_of(cases, rows), reading),
        )
    columns = columns_of(cases, used)
    if _enough_events(cases, y, used, columns, judged, limits, by_label=with_reduction) and not _separated(
        cases, y, used, columns
    ):
        return Road(
            model="logistic",
            interaction=True,
            fit=lambda rows: _logistic(cases, y, rows, columns_of(cases, rows), reading),
        )
    merged = merge_rare(cases, used, judged.strategies)
    rare = tuple(name for name in cases.names if name not in merged.names)
    return Road(
        model="penalised logistic",
        interaction=False,
        fit=lambda rows: _penalised(
            merged, y, rows, columns_of(merged, rows, interaction=False), reading, rare
        ),
    )


def effects_by_pair(
    road: Road,
    fitted: Fitted,
    used: BoolArray,
    families: Sequence[Family],
    comparable: Mapping[tuple[str, str], Comparable],
    cases: Cases,
    reading: Reading,
) -> Effects:
    """Standardise families; a pair with cases outside its comparable set gets a fit without them.

    Contrasts of one family that come from different fits share no covariance; their intervals are then read together
    by Bonferroni instead of the largest of the correlated t statistics. A pair whose own fit lost what a contrast
    needs (every case of one strategy that met the criteria, say) keeps its place with the reason instead of a number.
    """
    strategy = cases.strategy
    outside = {pair: np.isin(strategy, pair) & ~found.cases & used for pair, found in comparable.items()}
    apart = [pair for pair, rows in outside.items() if rows.any()]
    if not apart:
        return fitted.effects(families)
    found: dict[str, list[Effect]] = {}
    for family in families:
        kept = found.setdefault(family.name, [])
        shared = len(family.contrasts) if family.simultaneous else 0
        common = [contrast for contrast in family.contrasts if contrast.groups not in apart]
        split = len(common) < len(family.contrasts)
        part = replace(family, contrasts=tuple(common), read_with=shared if split else 0)
        effects = {e.estimate.contrast: e for e in fitted.effects([part])[family.name]}
        for contrast in family.contrasts:
            if contrast.groups not in apart:
                kept.append(effects[contrast.label])
                continue
            rows = used & ~outside[_pair_of(contrast)]
            own = replace(family, contrasts=(contrast,), read_with=shared)
            kept.append(_apart(road, contrast, own, cases, rows, reading))
    return {name: tuple(effects) for name, effects in found.items()}


def _apart(
    road: Road, contrast: Contrast, own: Family, cases: Cases, rows: BoolArray, reading: Reading
) -> Effect:
    """Return one contrast from a fit of its own, or why there is none; the other contrasts are not touched."""
    try:
        refit = road.fit(rows)
        lacking = _lacking(contrast, refit.columns, cases, rows)
        if not lacking:
            return refit.effects([own])[own.name][0]
    except EstimationError as error:  # kept as the reason
        lacking = f"the fit without the patterns outside the comparison failed: {error}"
    return not_estimable_effect(contrast, lacking, reading)


def _lacking(contrast: Contrast, columns: ExposureColumns, cases: Cases, rows: BoolArray) -> str:
    """Say what a contrast needs and the modelled cases do not have; empty when nothing is lacking."""
    for term in contrast.terms:
        if term.strategy is None:
            continue
        here = rows & (cases.strategy == term.strategy)
        if term.met is not None:
            here &= cases.met == term.met
        if not here.any():
            label = {None: "", 1.0: " that met the criteria", 0.0: " that did not meet the criteria"}[
                term.met
            ]
            return f"no case of {term.strategy}{label} in the patterns that the pair shares"
        if contrast.estimand == "E4" and term.strategy not in columns.own:
            return f"too few cases of {term.strategy} on one side of the criteria in the patterns that the pair shares"
    return ""


def _pair_of(contrast: Contrast) -> tuple[str, str]:
    """Return the two strategies of a contrast of a pair."""
    first, second = contrast.groups
    return first, second


def _linear(
    cases: Cases, y: FloatArray, rows: BoolArray, columns: ExposureColumns, reading: Reading
) -> Fitted:
    """Fit the linear model."""
    model = fit_outcome(cases, y, rows, columns)
    return Fitted(
        columns=columns, strategy=cases.strategy, dropped=model.dropped,
        effects=lambda families: standardised_effects(model, cases, families, reading),
    )  # fmt: skip


def _logistic(
    cases: Cases, y: FloatArray, rows: BoolArray, columns: ExposureColumns, reading: Reading
) -> Fitted:
    """Fit the logistic model."""
    design = risk_design(cases, rows, columns)
    fit = fit_risk(cases, y, rows, design)
    return Fitted(
        columns=columns, strategy=cases.strategy, dropped=design.dropped,
        effects=lambda families: standardised_risk_effects(fit, design, cases, families, reading),
    )  # fmt: skip


def _raw(cases: Cases, y: FloatArray, rows: BoolArray, columns: ExposureColumns, reading: Reading) -> Fitted:
    """Use raw risks; there is nothing to fit."""
    return Fitted(
        columns=columns, strategy=cases.strategy, dropped=(),
        effects=lambda families: crude_effects(cases, y, rows, families, reading),
    )  # fmt: skip


def _penalised(
    cases: Cases, y: FloatArray, rows: BoolArray, columns: ExposureColumns, reading: Reading, rare: tuple[str, ...]
) -> Fitted:  # fmt: skip
    """Fit the penalised model and its replicates."""
    fit = fit_penalised(cases, y, rows, columns, seed=reading.seed)
    return Fitted(
        columns=columns, strategy=cases.strategy, dropped=(*fit.design.dropped, *rare),
        effects=lambda families: penalised_effects(fit, families, reading),
    )  # fmt: skip


def _separated(cases: Cases, y: FloatArray, used: BoolArray, columns: ExposureColumns) -> bool:
    """Whether some coefficient of the logistic model would be infinite."""
    design = risk_design(cases, used, columns)
    return find_separation(design.X, y[used], design.names).kind != "none"


def _enough_events(
    cases: Cases,
    y: FloatArray,
    used: BoolArray,
    columns: ExposureColumns,
    judged: Judged,
    limits: Mapping[str, float],
    *,
    by_label: bool,
) -> bool:
    """Whether events suffice for an ordinary logistic model, with no empty or full judged cell."""
    outcome = y[used]
    rarer = min(int((outcome == 1).sum()), int((outcome == 0).sum()))
    n_parameters = len(columns.names) + len(cases.names)
    if rarer < limits["events_per_parameter_min"] * n_parameters:
        return False
    for name in judged.strategies:
        for label in (0.0, 1.0) if by_label else (None,):
            cell = used & (cases.strategy == name)
            if label is not None:
                cell &= cases.met == label
            if cell.any() and y[cell].min() == y[cell].max():
                return False
    return True
