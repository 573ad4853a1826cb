"""Find the film that judges each case, and its measurements."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.cohort.columns import BoolArray, FloatArray, HasData, ObjectArray, check_time, numbers
from outcomes.cohort.concepts import internal_name
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
    absent = []
    for label in sorted({str(each) for each in films if each is not None}):
        here = films == label
        for criterion in criteria.criteria:
            needed = criterion.required and not (criterion.intra_articular_only and bool(outside[here].all()))
            name = internal_name(criterion.concept, time=label, reader=reader)
            if needed and name not in data.columns:
                absent.append(name)
    if absent:
        raise CriteriaError(
            f"criteria set {criteria.id} needs the columns {', '.join(absent)}: declare them in the "
            "dictionary, or choose another set or film",
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
