"""Cells about events that cannot be read, said with the remedy and without any word of a cell."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from outcomes.cohort.columns import HasData, heading_of
from outcomes.cohort.quality import rows_named

StrangeCode = Literal["unknown_event", "event_empty", "unknown_event_reason"]
_WHAT: dict[StrangeCode, str] = {
    "unknown_event": "not known",
    "event_empty": "empty, but a date, grade or reason stands beside it",
    "unknown_event_reason": "not known",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StrangeCells:
    """Cells of one column that cannot be read as an event or a reason.

    Attributes
    ----------
    column : str
        Internal name.
    code : str
        ``"unknown_event"``, ``"event_empty"`` or ``"unknown_event_reason"``.
    positions : ndarray of int
        Rows of the cohort, from 0.
    """

    column: str
    code: StrangeCode
    positions: NDArray[np.intp] = field(repr=False)


def source_rows(cohort: HasData, positions: Iterable[int]) -> list[int]:
    """Return the physical rows of positions of a cohort, or position + 1 where the table has none."""
    chosen = np.fromiter(positions, dtype=np.intp)
    if "source_row" not in cohort.data.columns:
        return [int(place) + 1 for place in chosen]
    return [int(row) for row in cohort.data["source_row"].to_numpy()[chosen]]


def words_refused(
    cohort: HasData,
    found: Sequence[StrangeCells],
    kinds: Iterable[str],
    reasons: Iterable[str],
    is_known: Callable[[str], bool],
) -> str:
    """Return why the words are refused, with columns, counts, rows, what is allowed and what to do.

    Parameters
    ----------
    cohort : HasData
    found : sequence of StrangeCells
        At least one.
    kinds, reasons : iterable of str
        Names that are allowed.
    is_known : callable
        Whether a kind or reason of that name is known.
    """
    codes = {cells.code for cells in found}
    parts = [
        "words that the event table does not know: " + "; ".join(_place(cohort, cells) for cells in found)
    ]
    unknown = [cells for cells in found if cells.code != "event_empty"]
    if unknown:
        heading = heading_of(cohort, unknown[0].column)
        parts.append(
            f'Say in the dictionary what the words mean, under [columns."{heading}"]: levels = {{ "a kind below" = '
            '["the word of the table", "another"] }, or correct the cells'
        )
        strange = [
            level for cells in unknown for level in _levels(cohort, cells.column) if not is_known(level)
        ]
        if strange:
            parts.append("The dictionary gives levels that are not allowed: " + ", ".join(map(repr, strange)))
    if "event_empty" in codes:
        parts.append("Fill the empty cells, or clear what stands beside them")
    if "unknown_event" in codes:
        parts.append("Kinds of events: " + "; ".join(sorted(set(kinds))))
    if "unknown_event_reason" in codes:
        parts.append("Reasons: " + "; ".join(sorted(set(reasons))))
    parts.append(
        "The words themselves stand in the private query list that 'outcomes check' writes. In Python, a table of "
        'events of your own can be given, or unmapped = "query" to set these cases missing'
    )
    return ". ".join(parts)


def _place(cohort: HasData, cells: StrangeCells) -> str:
    rows = source_rows(cohort, cells.positions.tolist())
    return f"column {heading_of(cohort, cells.column)!r}: {len(rows)} {_WHAT[cells.code]}, {rows_named(rows)}"


def _levels(cohort: HasData, name: str) -> tuple[str, ...]:
    columns = getattr(getattr(cohort, "dictionary", None), "columns", ())
    return next((tuple(level for level, _ in each.levels) for each in columns if each.name == name), ())
