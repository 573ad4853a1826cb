"""One outcome on every case, with its unit, and every value lost counted by reason."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.analysis.protocol import OutcomePlan, Study
from outcomes.analysis.sample import Measured
from outcomes.cohort.complications import ComplicationOutcomes, complication_outcomes
from outcomes.cohort.function import FunctionMeasure, grip_kg, grip_share, rotation_arc
from outcomes.cohort.table import Cohort
from outcomes.errors import StudyError

FloatArray = NDArray[np.float64]

#: Words and units of outcomes measured at a visit.
SCORES: dict[str, tuple[str, str]] = {
    "grip_share": ("grip strength as share of the other hand", "percentage points"),
    "grip_kg": ("grip strength", "kg"),
    "rotation_arc": ("rotation arc", "degrees"),
    "pronation": ("pronation", "degrees"),
    "supination": ("supination", "degrees"),
    "prwe": ("PRWE score", "points"),
    "dash": ("DASH score", "points"),
    "quickdash": ("QuickDASH score", "points"),
    "pain": ("pain", "points"),
}
EVENTS: dict[str, str] = {
    "complication": "any complication",
    "unplanned_reoperation": "unplanned reoperation",
}


def measure_outcome(cohort: Cohort, frame: pd.DataFrame, plan: OutcomePlan, study: Study) -> Measured:
    """Measure one outcome of the plan on every case.

    Parameters
    ----------
    cohort : Cohort
    frame : DataFrame
        Labelled cases, aligned with ``cohort.data``.
    plan : OutcomePlan
    study : Study

    Returns
    -------
    Measured

    Raises
    ------
    StudyError
        The outcome's columns are not in the cohort, or its margin is in another unit.
    """
    if plan.name in EVENTS:
        measured = _events(cohort, frame, plan, study)
    elif plan.name in SCORES:
        measured = _score(cohort, plan)
    else:
        measured = _column(cohort, plan)
    if plan.margin is not None and plan.margin.unit != measured.unit:
        raise StudyError(
            f"the margin of {plan.key} is in {plan.margin.unit!r} but the outcome is in {measured.unit!r}: "
            "write the margin in the outcome's unit",
            code="margin_unit",
        )
    return measured


def _score(cohort: Cohort, plan: OutcomePlan) -> Measured:
    """Return a continuous outcome at a visit."""
    words, unit = SCORES[plan.name]
    if not plan.visit:
        raise StudyError(f'outcome {plan.name} needs a visit, e.g. visit = "12 months"', code="no_visit")
    notes: tuple[str, ...] = ()
    extra: dict[str, FloatArray] = {}
    if plan.name == "grip_share":
        share = grip_share(cohort, plan.visit, dominance=plan.dominance)
        values, notes = share.values, _function_notes(share)
    elif plan.name == "grip_kg":
        pair = grip_kg(cohort, plan.visit)
        values, notes = pair.injured.values, (*_function_notes(pair.injured), *_function_notes(pair.other))
        extra = {"grip of the other hand": pair.other.values, "dominant hand injured": pair.injured_dominant}
    elif plan.name == "rotation_arc":
        arc = rotation_arc(cohort, plan.visit)
        values, notes = arc.values, _function_notes(arc)
    else:
        values = _numbers(cohort, plan.key)
    return Measured(
        key=plan.key, label=f"{words} at {plan.visit}", unit=unit, kind="continuous", values=values,
        total_values=values, notes=notes, adjust_for=extra,
    )  # fmt: skip


def _function_notes(found: FunctionMeasure) -> tuple[str, ...]:
    """Return the rule of a measure and the values lost, by reason."""
    lost = [f"{n} values of {found.name} missing: {why}" for why, n in found.reasons.items() if n]
    asked = [f"{n} values of {found.name} to be checked: {why}" for why, n in found.queries.items() if n]
    return (*([found.rule] if found.rule else []), *lost, *asked)


def _numbers(cohort: Cohort, column: str) -> FloatArray:
    """Return a numeric cohort column, or say which columns there are."""
    if column not in cohort.data or not pd.api.types.is_numeric_dtype(cohort.data[column]):
        numeric = [
            str(name) for name in cohort.data.columns if pd.api.types.is_numeric_dtype(cohort.data[name])
        ]
        raise StudyError(
            f"the cohort has no numeric column {column!r}; it has {', '.join(numeric)}", code="no_outcome"
        )
    return cohort.data[column].to_numpy(dtype=float)


def _column(cohort: Cohort, plan: OutcomePlan) -> Measured:
    """Return a cohort column of the user's own: yes/no columns are risks, numbers are means."""
    column = plan.key if plan.key in cohort.data else plan.name
    values = _numbers(cohort, column)
    declared = next((each for each in cohort.dictionary.columns if each.name == column), None)
    binary = declared is not None and declared.kind == "yes_no"
    label = f"{plan.name.replace('_', ' ')}{f' at {plan.visit}' if plan.visit else ''}"
    unit = "percentage points" if binary else ((declared.unit if declared is not None else "") or "units")
    return Measured(
        key=plan.key, label=label, unit=unit, kind="binary" if binary else "continuous", values=values,
        total_values=values,
    )  # fmt: skip


def _events(cohort: Cohort, frame: pd.DataFrame, plan: OutcomePlan, study: Study) -> Measured:
    """Return complications or reoperations.

    Where reduction is the exposure, what follows from losing it (loss of reduction, malunion, and
    reoperation, conversion or osteotomy for them) and events up to the film that defines it are left out; E3
    keeps them.
    """
    total = complication_outcomes(cohort, window_days=plan.window_days)
    label = EVENTS[plan.name]
    if study.reduction is None:
        values = _event_values(total, plan.name)
        return Measured(
            key=plan.key, label=label, unit="percentage points", kind="binary", values=values,
            total_values=values, notes=_event_notes(total, plan.name), unplaced=_unplaced(total),
        )  # fmt: skip
    after, undated = _film_dates(cohort, frame)
    under = complication_outcomes(
        cohort, after=after, exclude_reduction_linked=True, window_days=plan.window_days
    )
    stand_in = [
        f"{undated} films without a date: there, events after the treatment date count, and some may have come before "
        "the film"
    ] if undated else []  # fmt: skip
    return Measured(
        key=plan.key, label=f"{label} not linked to the reduction, after the film that defines it",
        unit="percentage points", kind="binary", values=_event_values(under, plan.name),
        total_values=_event_values(total, plan.name), unplaced=_unplaced(under),
        notes=(*_event_notes(under, plan.name), *stand_in, "Strategies in total (E3): " + total.event_set),
    )  # fmt: skip


def _event_values(found: ComplicationOutcomes, name: str) -> FloatArray:
    """Return the 0/1/NaN array of a kind of event."""
    return found.any_complication if name == "complication" else found.unplanned_reoperation


def _unplaced(found: ComplicationOutcomes) -> float:
    """Return the share of cases with any event that are missing because no event of theirs can be placed."""
    lost = found.missing.get("an event whose kind or date is not known", 0)
    return lost / (lost + found.n_cases_with) if lost else 0.0


def _event_notes(found: ComplicationOutcomes, name: str) -> tuple[str, ...]:
    """Return the set of events, the rule for empty records, and what was not counted, by reason."""
    notes = [found.event_set, found.rule]
    notes += [f"{n} events not counted: {why}" for why, n in found.excluded.items() if n]
    notes += [f"{n} cases missing: {why}" for why, n in found.missing.items() if n]
    if found.n_short_follow_up:
        notes.append(
            f"{found.n_short_follow_up} cases without an event were last seen before the window ended"
        )
    if found.n_unknown_reason:
        strict = found.any_complication_strict
        strict = strict if name == "complication" else found.unplanned_reoperation_strict
        notes.append(
            f"{found.n_unknown_reason} reoperations without a known reason: "
            f"{int(np.nansum(_event_values(found, name)))} cases with an event when they are taken as not done for a "
            f"lost reduction, {int(np.nansum(strict))} when they are taken as done for it"
        )
    return tuple(notes)


def _film_dates(cohort: Cohort, frame: pd.DataFrame) -> tuple[pd.Series[pd.Timestamp], int]:
    """Return the date of the film that defines reduction, and for how many cases the treatment date stands in."""
    data = cohort.data
    dates = pd.Series(pd.NaT, index=data.index, dtype="datetime64[ns]")
    for film in sorted(set(frame["film"])):
        column = "film_date_" + film.replace("-", "_").replace(" ", "_")
        rows = (frame["film"] == film).to_numpy()
        if column in data:
            dates[rows] = data.loc[rows, column]
    undated = int(dates.isna().sum())
    if "treatment_date" in data:
        dates = dates.fillna(data["treatment_date"])
    return dates, undated
