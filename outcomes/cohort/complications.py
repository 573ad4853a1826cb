"""Complications and unplanned reoperations per case, with the events that were counted and those that were not.

Planned removal of wires, fixator or spanning plate is neither a complication nor a reoperation. When reduction
is the exposure, loss of reduction, malunion and any operation done for them are left out, and only events after
the film that defines the reduction count: a complication that *is* a bad reduction cannot be its effect.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.columns import BoolArray, FloatArray, HasData, check_time, dates, require, texts
from outcomes.cohort.concepts import FIRST_FILM_TIME, concepts, internal_name, times
from outcomes.cohort.events import (
    UNKNOWN,
    UNMAPPED,
    EventTable,
    Unmapped,
    case_events,
    event_slots,
    fold,
    read_events,
)
from outcomes.cohort.html_text import sentence_and_table
from outcomes.cohort.text import counted
from outcomes.errors import CohortError

Blank = Literal["none if followed", "none"]
_AT_TREATMENT = ("injury", "post-reduction", "postoperative", FIRST_FILM_TIME)
_HANDS = ("", "injured", "other")
_RULES: dict[str, str] = {
    "none if followed": (
        "A case without events counts as none if its slot says so, a visit is recorded, or it was last seen after "
        "treatment; otherwise it is missing."
    ),
    "none": "A case without events counts as none.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ComplicationOutcomes:
    """Complications of every case.

    Attributes
    ----------
    any_complication, unplanned_reoperation : ndarray of float, shape (n_cases,)
        1, 0 or NaN; events that may be linked to the reduction (reoperations of unknown reason) are taken as not
        linked.
    any_complication_strict, unplanned_reoperation_strict : ndarray of float, shape (n_cases,)
        The same with such events taken as linked. Differs only when reduction-linked events are left out.
    n_events : ndarray of float, shape (n_cases,)
        Events counted; NaN where the case is missing.
    events : DataFrame
        The events counted, one row each, as :func:`case_events` gives them.
    excluded : mapping of str to int
        Events not counted, by reason.
    missing : mapping of str to int
        Cases that are missing, by reason.
    n_unknown_reason : int
        Reoperations among the counted events whose reason is not known.
    n_short_follow_up : int
        Cases without an event that were last seen before the window ended; they count as no event.
    event_set : str
        The set of events, to be printed under every number.
    rule : str
        How a case without events is read.
    """

    any_complication: FloatArray = field(repr=False)
    unplanned_reoperation: FloatArray = field(repr=False)
    any_complication_strict: FloatArray = field(repr=False)
    unplanned_reoperation_strict: FloatArray = field(repr=False)
    n_events: FloatArray = field(repr=False)
    events: pd.DataFrame = field(repr=False)
    excluded: Mapping[str, int]
    missing: Mapping[str, int]
    n_unknown_reason: int
    n_short_follow_up: int
    event_set: str
    rule: str

    @property
    def n_cases_with(self) -> int:
        """Cases with at least one event counted."""
        return int(np.nansum(self.any_complication))

    @property
    def notes(self) -> tuple[str, ...]:
        """The set of events, how blanks are read, and what was not counted."""
        parts = [self.event_set, self.rule]
        parts += [f"Events not counted, {reason}: {n}." for reason, n in self.excluded.items() if n]
        parts += [f"Cases missing, {reason}: {n}." for reason, n in self.missing.items() if n]
        if self.n_unknown_reason:
            parts.append(
                f"Reoperations without a known reason: {self.n_unknown_reason}; counted as not done for a lost "
                f"reduction {self.n_cases_with} cases, counted as done for it {self.n_cases_with_strict}."
            )
        if self.n_short_follow_up:
            parts.append(f"Cases without event last seen before the window ended: {self.n_short_follow_up}.")
        return tuple(parts)

    @property
    def n_cases_with_strict(self) -> int:
        """Cases with an event when reoperations of unknown reason are taken as done for a lost reduction."""
        return int(np.nansum(self.any_complication_strict))

    def tidy(self) -> pd.DataFrame:
        """Return one row a family with events and cases, and the totals: ``outcome, group, estimate, n, ...``."""
        followed = ~np.isnan(self.any_complication)
        n, n_missing = int(followed.sum()), int((~followed).sum())
        counted = self.events[followed[self.events["position"].to_numpy(dtype=np.int64)]]
        rows = [
            ("any complication", "all", len(counted), self.n_cases_with),
            ("unplanned reoperation", "all", int(counted["reoperation"].sum()), int(np.nansum(self.unplanned_reoperation))),
        ]  # fmt: skip
        for family, group in counted.groupby("family", sort=True):
            rows.append(("complication", str(family), len(group), int(group["position"].nunique())))
        frame = pd.DataFrame(rows, columns=["outcome", "group", "n_events", "n_cases_with"])
        share = frame["n_cases_with"] / n if n else np.nan
        return frame.assign(estimate=share, n=n, n_missing=n_missing, event_set=self.event_set)

    def __str__(self) -> str:
        """Return the counts as a results sentence."""
        n = int((~np.isnan(self.any_complication)).sum())
        absent = len(self.any_complication) - n
        again = int(np.nansum(self.unplanned_reoperation))
        total = len(self.events)
        text = (
            f"{counted(total, 'event')} in {self.n_cases_with} of {counted(n, 'case')}, unplanned reoperation in "
            f"{again}; missing in {absent}. {self.event_set}"
        )
        if self.n_unknown_reason:
            text += f" Reoperations without a known reason: {self.n_unknown_reason}."
        return text

    def _repr_html_(self) -> str:
        """Return the sentence and the tidy table."""
        return sentence_and_table(str(self), self.tidy())


def complication_outcomes(
    cohort: HasData,
    *,
    after: str | pd.Series | Iterable[object] | None = None,
    exclude_reduction_linked: bool = False,
    window_days: int | None = None,
    blank: Blank = "none if followed",
    table: EventTable | str | Path | Mapping[str, Any] | None = None,
    unmapped: Unmapped = "refuse",
) -> ComplicationOutcomes:
    """Return complications and unplanned reoperations per case.

    Parameters
    ----------
    cohort : HasData
    after : str or array of dates, length n_cases, optional
        Count only events later than this date: a film time (its ``film_date_*`` column is read) or one date a
        case. Earlier ones, and those of the same day, are counted as excluded.
    exclude_reduction_linked : bool
        Leave out loss of reduction, malunion, and any reoperation, conversion or osteotomy done for them.
    window_days : int, optional
        Count only events up to that many days after ``treatment_date``.
    blank : {"none if followed", "none"}
        How a case with empty event slots is read: as no event if a ``last_seen_date`` after treatment or any
        visit is recorded and else as missing, or always as no event (published counts written as a table). A
        case whose slot says "none" has no event under both.
    table, unmapped
        As in :func:`outcomes.cohort.events.case_events`.

    Returns
    -------
    ComplicationOutcomes

    Raises
    ------
    CohortError
        When event columns, or the dates that `after` or `window_days` need, are not in the table.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> day = pd.to_datetime(["2023-02-01"] * 3)
    >>> rows = pd.DataFrame({"event_1": ["CTS", "wire removal", None], "last_seen_date": day})
    >>> print(complication_outcomes(SimpleNamespace(data=rows)))
    1 event in 1 of 3 cases, unplanned reoperation in 0; missing in 0. Events: all recorded after treatment, \
planned removals and planned stages left out.
    """
    if blank not in get_args(Blank):
        raise CohortError(
            f"blank = {blank!r} is not allowed; use one of: {', '.join(get_args(Blank))}", code="bad_option"
        )
    data = cohort.data
    known = table if isinstance(table, EventTable) else read_events(table)
    events = case_events(cohort, table=known, unmapped=unmapped)
    counts, unplaced, excluded = _place(data, events, _film_day(data, after), window_days)
    linked = events["linked_to_reduction"].to_numpy(dtype=object)
    if exclude_reduction_linked:
        excluded["linked to the reduction"] = int((counts & (linked == "yes")).sum())
        counts, unplaced = counts & (linked != "yes"), unplaced & (linked != "yes")
    strict = counts & (linked != UNKNOWN) if exclude_reduction_linked else counts
    again = events["reoperation"].to_numpy(dtype=bool)
    place = events["position"].to_numpy(dtype=np.int64)
    followed = np.ones(len(data), dtype=bool) if blank == "none" else _followed(data, place, known)

    def per_case(which: BoolArray, doubt: BoolArray) -> FloatArray:
        values = np.where(followed, 0.0, np.nan)
        values[place[doubt]] = np.nan
        values[place[which]] = 1.0
        return values

    unread = unplaced & (again | (events["kind"].to_numpy(dtype=object) == UNMAPPED))
    any_complication = per_case(counts, unplaced)
    absent = np.isnan(any_complication)
    n_events = np.bincount(place[counts], minlength=len(data)).astype(np.float64)
    n_events[absent] = np.nan
    return ComplicationOutcomes(
        any_complication=any_complication,
        unplanned_reoperation=per_case(counts & again, unread),
        any_complication_strict=per_case(strict, unplaced),
        unplanned_reoperation_strict=per_case(strict & again, unread),
        n_events=n_events,
        events=events[counts].reset_index(drop=True),
        excluded=excluded,
        missing={
            "not followed": int((absent & ~followed).sum()),
            "an event whose kind or date is not known": int((absent & followed).sum()),
        },
        n_unknown_reason=int((counts & again & (events["reason"].to_numpy(dtype=object) == UNKNOWN)).sum()),
        n_short_follow_up=_short(data, any_complication, window_days),
        event_set=_event_set(after, exclude_reduction_linked, window_days),
        rule=_RULES[blank],
    )


def _film_day(data: pd.DataFrame, after: str | Iterable[object] | None) -> NDArray[np.datetime64] | None:
    """Return the day after which events count, one a case; None for no such day."""
    if after is None:
        return None
    if isinstance(after, str):
        name = internal_name("film_date", time=check_time(after))
        require(data, [name], f"counting events after the {after} film")
        return dates(data, name)
    days = pd.to_datetime(pd.Series(list(after), dtype=object), errors="raise").to_numpy(
        dtype="datetime64[ns]"
    )
    if len(days) != len(data):
        raise CohortError(
            f"after has {len(days)} dates for {len(data)} cases: give one a case", code="wrong_length"
        )
    return days


def _place(
    data: pd.DataFrame, events: pd.DataFrame, film_day: NDArray[np.datetime64] | None, window_days: int | None
) -> tuple[BoolArray, BoolArray, dict[str, int]]:
    """Return which events count, which cannot be placed, and how many do not count by reason."""
    if window_days is not None:
        require(data, ["treatment_date"], "a window of days after treatment")
    place = events["position"].to_numpy(dtype=np.int64)
    day = events["date"].to_numpy(dtype="datetime64[ns]")
    start = dates(data, "treatment_date")[place]
    planned = events["planned"].to_numpy(dtype=bool)
    unmapped = events["kind"].to_numpy(dtype=object) == UNMAPPED
    left_out = {"planned removal or planned stage": planned, "before treatment": day < start}
    undated = np.zeros(len(events), dtype=bool)
    if film_day is not None:
        left_out["not later than the film that defines the reduction"] = day <= film_day[place]
        undated |= np.isnat(day) | np.isnat(film_day[place])
    if window_days is not None:
        left_out["later than the window"] = day > start + np.timedelta64(window_days, "D")
        undated |= np.isnat(day) | np.isnat(start)
    gone = np.zeros(len(events), dtype=bool)
    excluded = {}
    for reason, which in left_out.items():
        excluded[reason] = int((which & ~gone).sum())
        gone |= which
    unplaced = ~gone & (undated | unmapped)
    excluded["kind or date not known, so the case is missing unless another event counts"] = int(
        unplaced.sum()
    )
    return ~gone & ~unplaced, unplaced, excluded


def _followed(data: pd.DataFrame, place: NDArray[np.int64], table: EventTable) -> BoolArray:
    """Return who was followed: an event, the word that there was none, a visit, or seen after treatment."""
    followed = np.zeros(len(data), dtype=bool)
    followed[place] = True
    start, seen = dates(data, "treatment_date"), dates(data, "last_seen_date")
    followed |= ~np.isnat(seen) & (np.isnat(start) | (seen > start))
    for slot in event_slots(data):
        words = texts(data, internal_name("event", slot=slot))
        codes, distinct = pd.factorize(words)
        followed |= np.array([*(fold(str(each)) in table.nothing for each in distinct), False])[codes]
    for name in _visit_columns(data):
        followed |= data[name].notna().to_numpy()
    return followed


def _visit_columns(data: pd.DataFrame) -> list[str]:
    """Return the columns that are filled at a visit after treatment."""
    measured = [
        name for name, concept in concepts().items() if "time" in concept.takes and name != "film_date"
    ]
    later = [time for time in times() if time not in _AT_TREATMENT]
    names = {
        internal_name(name, time=time, hand=hand) for name in measured for time in later for hand in _HANDS
    }
    return [str(name) for name in data.columns if name in names]


def _short(data: pd.DataFrame, any_complication: FloatArray, window_days: int | None) -> int:
    """Return how many cases without event were last seen before their window ended."""
    if window_days is None:
        return 0
    end = dates(data, "treatment_date") + np.timedelta64(window_days, "D")
    return int(((any_complication == 0) & (dates(data, "last_seen_date") < end)).sum())


def _event_set(after: object, exclude_reduction_linked: bool, window_days: int | None) -> str:
    """Return the set of events in words."""
    parts = [
        "all recorded after treatment" if window_days is None else f"within {window_days} days of treatment"
    ]
    if after is not None:
        parts.append("later than the film that defines the reduction")
    parts.append("planned removals and planned stages left out")
    if exclude_reduction_linked:
        parts.append("loss of reduction, malunion and operations done for them left out")
    return f"Events: {', '.join(parts)}."
