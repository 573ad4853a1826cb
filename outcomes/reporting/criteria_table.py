"""Criteria sets side by side: how the share met depends on whose limits are used."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from outcomes.reporting.formatting import NOTHING, count, listing, number
from outcomes.reporting.tables import Table, data_rows


def criteria_table(side_by_side: pd.DataFrame, not_possible: Sequence[str] = ()) -> Table:
    """Return one line a criteria set: share met among labelled cases, its bounds, its source and its flag.

    Parameters
    ----------
    side_by_side : DataFrame
        Columns ``group, estimate, low, high, n, n_missing, film, caution, citation``.
    not_possible : sequence of str
        Sets that need measurements which the table lacks.
    """
    lines = [
        (
            str(row["group"]),
            _percent(row["estimate"]),
            f"{_percent(row['low'])} to {_percent(row['high'])}",
            count(int(row["n"])),
            count(int(row["n_missing"])),
            _source(str(row["citation"]), str(row["caution"] or "")),
        )
        for row in side_by_side.to_dict("records")
    ]
    missing = (
        [f"Not applied, because the table lacks a measurement: {listing(not_possible)}."]
        if not_possible
        else []
    )
    return Table(
        key="criteria_side_by_side",
        title="Share meeting each criteria set",
        header=("Criteria set", "Met, of labelled", "Bounds, of all", "Labelled", "Indeterminate", "Source"),
        rows=data_rows(lines),
        frame=side_by_side,
        notes=(
            "All cases of the table, eligible or not. Only the set named in the plan enters the answer. The bounds take "
            "every indeterminate case as not met, and as met.",
            *missing,
        ),
        text_columns=(0, 5),
    )


def _percent(share: object) -> str:
    if share is None or pd.isna(share):  # type: ignore[call-overload]
        return NOTHING
    return f"{number(100 * float(str(share)))}\u00a0%"


def _source(citation: str, caution: str) -> str:
    return citation if not caution or caution == citation else f"{citation} ({caution})"
