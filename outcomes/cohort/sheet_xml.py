"""What the markup of a sheet says that its values do not: rows, formulas, hidden rows, merged cells."""

from __future__ import annotations

import re
from dataclasses import dataclass

from outcomes.errors import CohortError

MAX_ROWS = 200_000
MAX_COLUMNS = 1_000

_ROW = re.compile(rb"<(?:\w+:)?row\b([^>]*)>")
_NUMBER = re.compile(rb'\br="(\d+)"')
_HIDDEN = re.compile(rb'\bhidden="(?:1|true)"')
_CELL = re.compile(rb"<(?:\w+:)?c\b([^>]*?)(?:/>|>(.*?)</(?:\w+:)?c>)", re.S)
_FORMULA = re.compile(rb"<(?:\w+:)?f\b")
_VALUE = re.compile(rb"<(?:\w+:)?(?:v|is)\b[^>/]*>[^<]|<(?:\w+:)?t\b[^>/]*>[^<]")
_REFERENCE = re.compile(rb'\br="([A-Z]{1,3})(\d+)"')
_MERGE = re.compile(rb'<(?:\w+:)?mergeCell\b[^>]*\bref="(?:\$)?[A-Z]+\$?(\d+):\$?[A-Z]+\$?(\d+)"')
_MERGE_TEXT = re.compile(rb'ref="([^"]+)"')


@dataclass(frozen=True, slots=True, kw_only=True)
class Merge:
    """A block of merged cells."""

    text: str
    first_row: int
    last_row: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFacts:
    """Facts of one sheet, read from its markup and not through the workbook reader.

    Attributes
    ----------
    last_row : int
        Highest row number of the sheet.
    hidden_rows : tuple of int
        Rows that the spreadsheet program does not show.
    merges : tuple of Merge
        Merged cells.
    formulas : int
        Cells with a formula.
    uncalculated : tuple of int
        Rows of formulas whose value is not stored in the file.
    """

    last_row: int
    hidden_rows: tuple[int, ...]
    merges: tuple[Merge, ...]
    formulas: int
    uncalculated: tuple[int, ...]


def sheet_facts(file: str, sheet: str, markup: bytes) -> SheetFacts:
    """Read the facts of one sheet.

    Parameters
    ----------
    file, sheet : str
        Names for messages.
    markup : bytes
        The sheet's XML.

    Raises
    ------
    CohortError
        When the sheet is larger than the limits.

    Examples
    --------
    >>> sheet_facts("a.xlsx", "A", b'<row r="1"><c r="A1"><f>1+1</f></c></row><row r="3" hidden="1"/>')
    SheetFacts(last_row=3, hidden_rows=(3,), merges=(), formulas=1, uncalculated=(1,))
    """
    last, hidden = 0, []
    for found in _ROW.finditer(markup):
        number = _NUMBER.search(found[1])
        last = int(number[1]) if number else last + 1
        if _HIDDEN.search(found[1]):
            hidden.append(last)
    formulas, uncalculated = _formulas(markup)
    if last > MAX_ROWS:
        raise CohortError(
            f"{file}, sheet {sheet!r} has {last} rows, more than {MAX_ROWS}; save it as CSV", code="too_large"
        )
    merges = tuple(
        Merge(text=_MERGE_TEXT.search(m[0])[1].decode(), first_row=int(m[1]), last_row=int(m[2]))  # type: ignore[index]
        for m in _MERGE.finditer(markup)
    )
    return SheetFacts(
        last_row=last,
        hidden_rows=tuple(hidden),
        merges=merges,
        formulas=formulas,
        uncalculated=tuple(uncalculated),
    )


def _formulas(markup: bytes) -> tuple[int, list[int]]:
    if not _FORMULA.search(markup):
        return 0, []
    formulas, uncalculated = 0, []
    for cell in _CELL.finditer(markup):
        if cell[2] and _FORMULA.search(cell[2]):
            formulas += 1
            place = _REFERENCE.search(cell[1])
            if not _VALUE.search(cell[2]) and b't="str"' not in cell[1]:
                uncalculated.append(int(place[2]) if place else 0)
    return formulas, uncalculated
