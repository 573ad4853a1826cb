"""Find the film that judges each case, and its measurements."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.cohort.columns import BoolArray, FloatArray, HasData, ObjectArray, check_time, numbers
from outcomes.cohort.concepts import FIRST_FILM_TIME, internal_name
from outcomes.cohort.criteria import ReductionCriteria
from outcomes.errors import CriteriaError


def films_by_case(time: str | Sequence[str | None] | ObjectArray, n: int) -> ObjectArray:
    """Return one film time a case, checked."""
    if isinstance(time, str):
        return np.full(n, check_time(time), dtype=object)
    films = np.array(list(time), dtype=object)
    if films.shape != (n,):
        raise CriteriaError(
            f"time has {len(films)} entries for {n} cases: give one a case", code="wrong_length"
        )
    films[pd.isna(films)] = None
    for label in {each for each in films if each is not None}:
        check_time(str(label))
    return films


def check_film_columns(
    data: pd.DataFrame, criteria: ReductionCriteria, films: ObjectArray, outside: BoolArray, reader: int
) -> None:
    """Refuse a table that lacks the films which the set needs, naming the columns."""
    if reader not in (1, 2):
        raise CriteriaError(f"reader = {reader!r} is not allowed; use 1 or 2", code="unknown_reader")
    absent: list[str] = []
    for label in sorted({str(each) for each in films if each is not None}):
        here = films == label
        needed = [
            internal_name(each.concept, time=label, reader=reader)
            for each in criteria.criteria
            if each.required and not (each.intra_articular_only and bool(outside[here].all()))
        ]
        lacking = [name for name in needed if name not in data.columns]
        if lacking:
            n = int(here.sum())
            absent.append(f"{', '.join(lacking)} for the {label} film of {n} case{'' if n == 1 else 's'}")
    if absent:
        raise CriteriaError(
            f"criteria set {criteria.id} needs columns that the table does not have: {'; '.join(absent)}. Declare "
            f'them in the dictionary (one column for all cases, casts and operations, is time = "{FIRST_FILM_TIME}"), '
            "or choose another set or film",
            code="film_needed",
        )


def check_references(cohort: HasData, criteria: ReductionCriteria) -> None:
    """Refuse shortening measured against another reference than the set demands, where declared."""
    demanded = {criterion.reference for criterion in criteria.criteria if criterion.reference}
    columns = getattr(getattr(cohort, "dictionary", None), "columns", ())
    measured = [each for each in columns if each.concept == "shortening"]
    declared = {str(getattr(each, "reference", "") or "") for each in measured} - {""}
    if demanded and declared - demanded:
        raise CriteriaError(
            f"criteria set {criteria.id} needs shortening against the {' and the '.join(sorted(demanded))}; "
            f"the dictionary declares the {' and the '.join(sorted(declared))}: choose another set",
            code="wrong_reference",
        )


def film_values(data: pd.DataFrame, concept: str, films: ObjectArray, reader: int) -> FloatArray:
    """Return the measurement of each case on its own film."""
    values = np.full(len(data), np.nan)
    for label in {str(each) for each in films if each is not None}:
        here = films == label
        values[here] = numbers(data, internal_name(concept, time=label, reader=reader))[here]
    return values
