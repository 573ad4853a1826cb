"""A table as people read it and as a program reads it, side by side.

A :class:`Table` holds formatted text for the page and the same content unrounded and tidy for the workbook,
so that both come from one place. The tables of the participant flow, the ledger and the criteria sets are
here; those of the answer are in :mod:`outcomes.reporting.answer_tables`, those of the description and of the
comparisons in :mod:`outcomes.reporting.description_tables`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

RowKind = Literal["data", "group"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line: a heading of the lines below it (``"group"``, first cell only) or data.

    Attributes
    ----------
    cells : tuple of str
        Formatted text; the first cell names the line.
    kind : {"data", "group"}
    """

    cells: tuple[str, ...]
    kind: RowKind = "data"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A titled table with its notes.

    Attributes
    ----------
    key : str
        Short name, used for the sheet and for links (``"baseline_by_strategy"``).
    title : str
    header : tuple of str
        Column names; the first is the column of line names.
    rows : tuple of Row
    notes : tuple of str
        Printed below: what n is, which method, what was left out.
    frame : DataFrame
        The same content unrounded, tidy, one observation a line.
    text_columns : tuple of int
        Positions of columns that hold words and are set flush left.
    """

    key: str
    title: str
    header: tuple[str, ...]
    rows: tuple[Row, ...]
    frame: pd.DataFrame
    notes: tuple[str, ...] = ()
    text_columns: tuple[int, ...] = (0,)

    def __post_init__(self) -> None:
        """Refuse a line whose width is not that of the header."""
        for row in self.rows:
            if row.kind == "data" and len(row.cells) != len(self.header):
                raise ValueError(
                    f"table {self.key!r}: a line has {len(row.cells)} cells, the header has {len(self.header)}"
                )

    def tidy(self) -> pd.DataFrame:
        """Return the unrounded content."""
        return self.frame

    def __str__(self) -> str:
        """Return the table in plain text."""
        lines = [self.title, " | ".join(self.header)]
        lines += [" | ".join(row.cells) for row in self.rows]
        return "\n".join([*lines, *self.notes])


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame as dictionaries by column name."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def data_rows(lines: Iterable[Sequence[str]]) -> tuple[Row, ...]:
    """Return plain data lines.

    Examples
    --------
    >>> data_rows([("cast", "12")])[0].cells
    ('cast', '12')
    """
    return tuple(Row(cells=tuple(line)) for line in lines)


def grouped_rows(groups: Iterable[tuple[str, Iterable[Sequence[str]]]]) -> tuple[Row, ...]:
    """Return lines under headings; a heading without lines is left out.

    Examples
    --------
    >>> [row.kind for row in grouped_rows([("met", [("cast", "12")]), ("not met", [])])]
    ['group', 'data']
    """
    rows: list[Row] = []
    for heading, lines in groups:
        body = data_rows(lines)
        if body:
            rows += [Row(cells=(heading,), kind="group"), *body]
    return tuple(rows)
