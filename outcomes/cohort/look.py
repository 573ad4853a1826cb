"""A first look at a table that has no dictionary yet: what can be said without knowing what a column means.

Counts only. Nothing is read into a cohort, nothing is guessed: the dictionary declares what things mean.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from outcomes.cohort.archive import check_archive
from outcomes.cohort.csv_table import decode
from outcomes.cohort.headings import (
    LOOKS_LIKE_DATA,
    looks_like_data,
    looks_like_identifier,
    row_looks_like_data,
)
from outcomes.cohort.judgement import FORMULA_ERRORS, LIKE_MISSING
from outcomes.cohort.reading import refuse_foreign
from outcomes.cohort.text import counted, fold, listed, tidy
from outcomes.errors import CohortError

Rows = list[tuple[Any, ...]]

_DELIMITERS = (",", ";", "\t", "|")
_SEARCHED = 20
_NUMBER = re.compile(r"[-+−–]?\d+([.,]\d+)?")
_NUMBER_AND_WORDS = re.compile(r"[-+−–<>~]?\s*\d+([.,]\d+)?\s*[^\d\s.,:/-].*")
_DATE = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}")
_SHORT_YEAR = re.compile(r"\d{1,2}[-/.]\d{1,2}[-/.]\d{2}")
_TOTAL = re.compile(r"(total|sum|mean|average|median|n\s*=).*")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnLook:
    """One column as it stands.

    Attributes
    ----------
    heading : str
    n_filled, n_blank : int
    n_numbers, n_dates, n_words : int
        Filled cells by what they look like.
    n_distinct : int
        Distinct cells, ignoring case and outer spaces.
    findings : tuple of (str, int)
        What somebody should look at, with the number of cells.
    """

    heading: str
    n_filled: int
    n_blank: int
    n_numbers: int
    n_dates: int
    n_words: int
    n_distinct: int
    findings: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableLook:
    """A table as it stands.

    Attributes
    ----------
    file, sheet : str
    sheets : tuple of str
        All sheets of a workbook.
    header_row : int
        Physical row taken for the headings.
    n_rows, n_blank_rows : int
        Rows below the headings, and how many of them are empty.
    columns : tuple of ColumnLook
    findings : tuple of str
        About the table as a whole, in words.
    """

    file: str
    sheet: str
    sheets: tuple[str, ...]
    header_row: int
    n_rows: int
    n_blank_rows: int
    columns: tuple[ColumnLook, ...]
    findings: tuple[str, ...]

    @property
    def n_findings(self) -> int:
        """Findings about the table and its columns."""
        return len(self.findings) + sum(len(column.findings) for column in self.columns)

    def __str__(self) -> str:
        """Return the look in lines of plain text, without the content of any cell."""
        place = f", sheet {self.sheet!r}" if self.sheet else ""
        lines = [
            f"{self.file}{place}: {counted(self.n_rows, 'row')} below the headings in row {self.header_row}, "
            f"{counted(len(self.columns), 'column')}, {counted(self.n_blank_rows, 'empty row')}",
        ]
        lines += [f"  {finding}" for finding in self.findings]
        for column in self.columns:
            kinds = ((column.n_numbers, "number"), (column.n_dates, "date"), (column.n_words, "word"))
            what = ", ".join(counted(n, kind) for n, kind in kinds if n) or "nothing"
            shown = column.heading if column.heading.startswith("(column ") else repr(column.heading)
            lines.append(f"  {shown}: {what}; {column.n_blank} blank; {column.n_distinct} distinct")
            lines += [f"      {finding}: {n}" for finding, n in column.findings]
        return "\n".join(lines)


def look_at(path: str | Path, *, sheet: str = "", header_row: int | None = None) -> TableLook:
    """Look at a CSV or XLSX table without a dictionary.

    Parameters
    ----------
    path : str or Path
    sheet : str
        Sheet of a workbook; default the first with content.
    header_row : int, optional
        Physical row of the headings; default the first of the fullest among the first 20 rows.

    Returns
    -------
    TableLook

    Raises
    ------
    CohortError
        When there is no such file or sheet, or it is no table.
    """
    place = Path(path)
    if not place.is_file():
        name = place.name or str(path)
        what = f"{name!r} is a folder" if place.is_dir() else f"no file {name!r}"
        raise CohortError(f"{what}; give the path of a CSV or XLSX table", code="no_file")
    try:
        content = place.read_bytes()
    except OSError:
        raise CohortError(
            f"{place.name} cannot be opened; close it in other programs", code="unreadable"
        ) from None
    refuse_foreign(place.name, content)
    if content.startswith(b"PK\x03\x04"):
        rows, name, sheets = _workbook_rows(place.name, content, sheet)
    elif content.startswith(b"PAR1"):
        raise CohortError(
            f"{place.name} is a Parquet file, which keeps its own types: check it with a dictionary (-d)",
            code="needs_dictionary",
        )
    else:
        rows, name, sheets = _csv_rows(place.name, content), "", ()
    top = _header(rows) if header_row is None else header_row - 1
    if not rows or not 0 <= top < len(rows):
        raise CohortError(f"{place.name} has no row {top + 1} to take headings from", code="empty")
    return _look(place.name, name, sheets, rows, top)


def _csv_rows(file: str, content: bytes) -> Rows:
    data, _ = decode(file, content, "")
    text = data.decode("utf-8")
    head = "\n".join(text.split("\n", _SEARCHED)[:_SEARCHED])
    delimiter = max(_DELIMITERS, key=head.count)
    try:
        return [tuple(row) for row in csv.reader(io.StringIO(text), delimiter=delimiter)]
    except csv.Error:
        raise CohortError(
            f"{file} cannot be split into cells; save it again as CSV UTF-8", code="bad_csv"
        ) from None


def _workbook_rows(file: str, content: bytes, wanted: str) -> tuple[Rows, str, tuple[str, ...]]:
    from openpyxl import load_workbook

    check_archive(file, content)
    try:
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
        names = tuple(str(sheet.title) for sheet in book.worksheets)
        found = {}
        for name in names:
            sheet: Any = book[name]
            sheet.reset_dimensions()
            found[name] = [tuple(row) for row in sheet.iter_rows(values_only=True)]
    except Exception as error:  # the reader's own texts may show contents, so only its kind is passed on
        raise CohortError(
            f"{file} cannot be read as a workbook ({type(error).__name__}); save it again as .xlsx",
            code="broken_workbook",
        ) from None
    if wanted and wanted not in found:
        raise CohortError(f"{file} has no sheet {wanted!r}; its sheets are {listed(names)}", code="no_sheet")
    fullest = max(names, key=lambda name: sum(map(_filled, found[name])), default="")
    chosen = wanted or fullest
    return found.get(chosen, []), chosen, names


def _filled(row: Sequence[Any]) -> int:
    return sum(value is not None and str(value).strip() != "" for value in row)


def _header(rows: Rows) -> int:
    """Return the first row with as many filled cells as any of the first 20."""
    counts = [_filled(row) for row in rows[:_SEARCHED]]
    return counts.index(max(counts)) if counts else 0


def _look(file: str, sheet: str, sheets: tuple[str, ...], rows: Rows, top: int) -> TableLook:
    headings = [tidy("" if value is None else str(value)) for value in rows[top]]
    while headings and not headings[-1]:
        headings.pop()
    body = rows[top + 1 :]
    blank = sum(_filled(row) == 0 for row in body)
    hidden = row_looks_like_data(headings)
    columns = tuple(
        _column(
            f"(column {position + 1})" if not heading or hidden or looks_like_data(heading) else heading,
            [row[position] if position < len(row) else None for row in body],
        )
        for position, heading in enumerate(headings)
    )
    return TableLook(
        file=file, sheet=sheet, sheets=sheets, header_row=top + 1, n_rows=len(body), n_blank_rows=blank,
        columns=columns, findings=tuple(_table_findings(headings, body, sheets, sheet)),
    )  # fmt: skip


def _table_findings(headings: list[str], body: Rows, sheets: tuple[str, ...], sheet: str) -> list[str]:
    found = []
    others = [name for name in sheets if name != sheet]
    if others:
        found.append(f"the workbook has other sheets: {listed(others)}; declare sheet = ... under [table]")
    data = row_looks_like_data(headings)
    if data:
        found.append(LOOKS_LIKE_DATA)
    folded = [fold(heading) for heading in headings]
    places = {
        word: place for place, word in reversed(list(enumerate(folded))) if word and folded.count(word) > 1
    }
    twice = [
        f"column {place + 1}" if data or looks_like_data(headings[place]) else headings[place]
        for place in sorted(places.values())
    ]
    if twice:
        found.append(f"headings that stand twice: {listed(twice)}; rename one of each")
    names = [heading for heading in headings if heading and looks_like_identifier(heading)]
    if names and not data:
        found.append(
            f"headings that look like identifiers of patients: {listed(names)}; better removed, unless a key"
        )
    if not all(headings):
        found.append(f"{counted(sum(not heading for heading in headings), 'column')} without a heading")
    lengths = {len(row) for row in body if _filled(row)} if not sheets else set()
    uneven = sum(len(row) != len(headings) for row in body if _filled(row)) if lengths else 0
    if uneven:
        do = "does" if uneven == 1 else "do"
        found.append(
            f"{counted(uneven, 'row')} {do} not have {counted(len(headings), 'cell')}: columns may be shifted"
        )
    totals = sum(bool(_TOTAL.fullmatch(fold(str(_first(row))))) for row in body if _filled(row))
    if totals:
        looks = "looks like a total" if totals == 1 else "look like totals"
        found.append(f"{counted(totals, 'row')} {looks}; declare the word under footer")
    seen = [tuple(map(str, row)) for row in body if _filled(row)]
    again = len(seen) - len(set(seen))
    if again:
        found.append(
            f"{counted(again, 'row')} {'repeats' if again == 1 else 'repeat'} another row in every cell"
        )
    return found


def _first(row: Sequence[Any]) -> Any:
    return next((value for value in row if value is not None and str(value).strip()), "")


def _column(heading: str, cells: list[Any]) -> ColumnLook:
    filled = [cell for cell in cells if cell is not None and str(cell).strip()]
    texts = [tidy(cell) for cell in filled if isinstance(cell, str)]
    n_dates = sum(isinstance(cell, dt.date) for cell in filled) + sum(
        bool(_DATE.fullmatch(text)) for text in texts
    )
    typed = [cell for cell in filled if isinstance(cell, int | float)]
    n_numbers = len(typed) + sum(bool(_NUMBER.fullmatch(text)) for text in texts)
    return ColumnLook(
        heading=heading,
        n_filled=len(filled),
        n_blank=len(cells) - len(filled),
        n_numbers=n_numbers,
        n_dates=n_dates,
        n_words=len(filled) - n_numbers - n_dates,
        n_distinct=len({fold(str(cell)) for cell in filled}),
        findings=tuple((what, n) for what, n in _suspicious(filled, texts, n_numbers, n_dates) if n),
    )


def _suspicious(filled: list[Any], texts: list[str], n_numbers: int, n_dates: int) -> list[tuple[str, int]]:
    """Count what a dictionary will have to settle or somebody will have to put right."""
    mostly_numbers, mostly_dates = 2 * n_numbers > len(filled), 2 * n_dates > len(filled)
    folded = [fold(text) for text in texts]
    strange = [
        text for text in texts
        if mostly_numbers and not _NUMBER.fullmatch(text) and not _DATE.fullmatch(text)
        and fold(text) not in LIKE_MISSING and not _NUMBER_AND_WORDS.fullmatch(text)
    ]  # fmt: skip
    by_word: dict[str, set[str]] = {}
    for text in texts:
        by_word.setdefault(fold(text), set()).add(text)
    spellings = sum(len(each) for each in by_word.values() if len(each) > 1)
    return [
        (
            "words that probably mean missing: declare them under missing",
            sum(text in LIKE_MISSING for text in folded),
        ),
        ("formulas that failed", sum(text in FORMULA_ERRORS for text in folded)),
        (
            "a unit or a remark in the same cell as a number",
            sum(bool(_NUMBER_AND_WORDS.fullmatch(text)) for text in texts) if mostly_numbers else 0,
        ),
        ("words in a column of numbers", len(strange)),
        (
            "a decimal comma: declare decimal",
            sum(bool(re.fullmatch(r"[-+]?\d+,\d+", text)) for text in texts) if mostly_numbers else 0,
        ),
        ("dates written as text: declare date_order", sum(bool(_DATE.fullmatch(text)) for text in texts)),
        ("years of two digits", sum(bool(_SHORT_YEAR.fullmatch(text)) for text in texts)),
        ("dates in a column of numbers", n_dates if mostly_numbers else 0),
        ("numbers in a column of dates", n_numbers if mostly_dates else 0),
        ("spellings of one word that differ only in case", spellings),
        ("numbers in a column of words", n_numbers if 2 * (n_numbers + n_dates) < len(filled) else 0),
    ]
