"""Published sizes of a difference that matters, as margins with their source."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from outcomes.errors import StudyError
from outcomes.estimates import Margin
from outcomes.reference import load_reference


def shipped_margin(margin_id: str) -> Margin:
    """Return a margin from the table of published margins.

    Raises
    ------
    StudyError
        When there is no such row; the message lists the ids.
    """
    rows = {str(row["id"]): row for row in load_reference("margins")["margins"]}
    if margin_id not in rows:
        raise StudyError(
            f"margin_id = {margin_id!r} is not in the table of margins; it has: {', '.join(sorted(rows))}",
            code="unknown_margin",
        )
    return _margin_of(rows[margin_id])


def shipped_margins(outcome: str) -> tuple[Margin, ...]:
    """Return every published margin of an outcome, smallest first.

    Examples
    --------
    >>> [margin.value for margin in shipped_margins("grip_kg")]
    [5.0, 6.5, 6.5]
    """
    rows = [row for row in load_reference("margins")["margins"] if row["outcome"] == outcome]
    return tuple(sorted((_margin_of(row) for row in rows), key=lambda margin: margin.value))


def _margin_of(row: Mapping[str, Any]) -> Margin:
    """Return a row of the table as a margin."""
    return Margin(
        value=float(row["value"]),
        unit=str(row["unit"]),
        source=str(row["source"]),
        kind=row["kind"],
        seen=bool(row["seen"]),
    )
