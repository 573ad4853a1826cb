"""What only shows when cases are labelled: unknown words, events without a day, operations that stay unclear.

The lists hold cells as they stand, so they belong in a private folder, with the query list of the cohort.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.columns import HasData, heading_of, texts
from outcomes.cohort.concepts import components, internal_name
from outcomes.cohort.event_words import source_rows
from outcomes.cohort.events import (
    EventTable,
    case_events,
    event_slots,
    fold,
    read_events,
    strange_cells,
)
from outcomes.cohort.fixation import classify_fixation
from outcomes.cohort.questions import LABEL_QUESTIONS
from outcomes.cohort.rules import UNCLEAR, StrategyRules
from outcomes.cohort.text import counted

QUERY_COLUMNS = ("sheet", "row", "column", "code", "action", "asked", "value")
# Shorter words stand inside too many others to point to a kind.
_SHORTEST_INSIDE = 4


def label_queries(
    cohort: HasData,
    *,
    table: EventTable | str | Path | Mapping[str, Any] | None = None,
    rules: StrategyRules | str | Path | Mapping[str, Any] | None = None,
) -> pd.DataFrame:
    """Return everything that labelling would ask about a cohort, *with the value as it stands*.

    Parameters
    ----------
    cohort : HasData
    table : EventTable, str, Path, mapping or None
        As in :func:`outcomes.cohort.events.case_events`.
    rules : StrategyRules, str, Path, mapping or None
        As in :func:`outcomes.cohort.fixation.classify_fixation`.

    Returns
    -------
    DataFrame
        Columns sheet, row, column, code, action, asked, value, as of ``Cohort.query_list``; without lines where
        the table has neither events nor what labels a strategy.
    """
    return _joined([event_queries(cohort, table=table), strategy_queries(cohort, rules=rules)])


def event_queries(
    cohort: HasData, *, table: EventTable | str | Path | Mapping[str, Any] | None = None
) -> pd.DataFrame:
    """Return the words about events that are not known, and the events without a day.

    Parameters
    ----------
    cohort, table
        As in :func:`label_queries`.

    Returns
    -------
    DataFrame
        As of :func:`label_queries`. Planned removals need no day. Where no column says when the events of a slot
        happened, that is asked once for the slot.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> rows = pd.DataFrame({"event_1": ["CTS", "EPL rupture, had transfer", None], "source_row": [2, 3, 4]})
    >>> asked = event_queries(SimpleNamespace(data=rows))
    >>> asked[["row", "code", "value"]].to_numpy().tolist()
    [[3, 'unknown_event', 'EPL rupture, had transfer'], [2, 'events_without_dates', '']]
    >>> asked["asked"][0].split("Nearest: ")[1]
    'tendon rupture.'
    """
    known = table if isinstance(table, EventTable) else read_events(table)
    parts = []
    for cells in strange_cells(cohort, known):
        words = _words(cohort, cells.column, cells.positions)
        hints = {word: _nearest(word, known) if cells.code == "unknown_event" else "" for word in set(words)}
        asked = [LABEL_QUESTIONS[cells.code] + hints[word] for word in words]
        parts.append(_lines(cohort, cells.positions, cells.column, cells.code, words, asked))
    slots = event_slots(cohort.data)
    events = case_events(cohort, table=known, unmapped="query") if slots else pd.DataFrame()
    for slot in slots:
        own = events[(events["slot"] == slot) & ~events["planned"].astype(bool) & events["date"].isna()]
        if len(own):
            parts.append(_undated(cohort, slot, own["position"].to_numpy(dtype=np.intp)))
    return _joined(parts)


def _undated(cohort: HasData, slot: int, places: NDArray[np.intp]) -> pd.DataFrame:
    name, when = internal_name("event", slot=slot), internal_name("event_date", slot=slot)
    if when in cohort.data.columns:
        return _lines(cohort, places, when, "event_undated", _words(cohort, name, places))
    asked = (
        f"{LABEL_QUESTIONS['events_without_dates']} {counted(len(places), 'event')} from this row on; add a column "
        f'is = "event_date", slot = {slot}.'
    )
    return _lines(cohort, places[:1], name, "events_without_dates", [""], [asked])


def strategy_queries(
    cohort: HasData, *, rules: StrategyRules | str | Path | Mapping[str, Any] | None = None
) -> pd.DataFrame:
    """Return the cases whose fixation strategy stays unclear, with the operation note where there is one.

    Parameters
    ----------
    cohort, rules
        As in :func:`label_queries`.

    Returns
    -------
    DataFrame
        As of :func:`label_queries`.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> rows = pd.DataFrame({"operation_text": ["VLP", "as discussed"], "source_row": [2, 3]})
    >>> strategy_queries(SimpleNamespace(data=rows))[["row", "code", "value"]].to_numpy().tolist()
    [[3, 'no_term_in_note', 'as discussed']]
    """
    data = cohort.data
    recorded = [internal_name("component", component=name) for name in components()]
    if "operation_text" not in data.columns and not set(recorded) & set(data.columns):
        return _joined([])
    labels = classify_fixation(cohort, rules)
    notes = texts(data, "operation_text")
    first = next((name for name in ("operation_text", *recorded) if name in data.columns), "")
    unclear = labels.strategy == UNCLEAR
    silent = unclear & ~pd.isna(notes) & (labels.rule == "nothing-recorded")
    parts = []
    for code, which in (("no_term_in_note", silent), ("strategy_unclear", unclear & ~silent)):
        places = np.flatnonzero(which)
        parts.append(_lines(cohort, places, first, code, _words(cohort, "operation_text", places)))
    return _joined(parts)


def _nearest(word: str, table: EventTable) -> str:
    """Return the kinds whose words stand inside a word, or are spelled like it; for the private list."""
    plain = " ".join(re.findall(r"\w+", fold(word)))
    inside = [
        token for token in table.kinds if len(token) >= _SHORTEST_INSIDE and f" {token} " in f" {plain} "
    ]
    longest = sorted(inside, key=len, reverse=True)[:1]
    near = longest or get_close_matches(plain, table.kinds, n=2, cutoff=0.7)
    names = dict.fromkeys(table.kinds[token].name for token in near)
    return f" Nearest: {', '.join(names)}." if names else ""


def _words(cohort: HasData, name: str, places: NDArray[np.intp]) -> list[str]:
    return ["" if word is None else str(word) for word in texts(cohort.data, name)[places]]


def _lines(
    cohort: HasData,
    places: NDArray[np.intp],
    column: str,
    code: str,
    values: list[str],
    asked: list[str] | None = None,
) -> pd.DataFrame:
    """Return one line a cell, in the columns of a query list."""
    lines = {
        "sheet": _words(cohort, "source_sheet", places), "row": source_rows(cohort, places.tolist()),
        "column": heading_of(cohort, column), "code": code, "action": "kept",
        "asked": asked or [LABEL_QUESTIONS[code]] * len(places), "value": values,
    }  # fmt: skip
    return pd.DataFrame(lines, columns=list(QUERY_COLUMNS))


def _joined(parts: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=list(QUERY_COLUMNS))
