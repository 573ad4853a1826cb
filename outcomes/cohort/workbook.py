"""Reading a workbook: checked as an archive first, then its values, with every physical row counted."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from outcomes.cohort.archive import check_archive
from outcomes.cohort.dictionary import DataDictionary
from outcomes.cohort.frames import token_column
from outcomes.cohort.headings import match_headings, unused_headings
from outcomes.cohort.quality import Fault, Problem, refuse, rows_named
from outcomes.cohort.raw import RawTable
from outcomes.cohort.sheet_xml import SheetFacts, sheet_facts
from outcomes.cohort.text import counted, fold, listed, tidy
from outcomes.errors import CohortError

SEARCHED_FOR_HEADINGS = 20
# A sheet that ends exactly here may have been cut by the program that wrote it.
CUT_AT = (65_536, 1_048_576)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """The cells of one sheet, row by row, with what its markup says."""

    file: str
    name: str
    rows: list[tuple[Any, ...]]
    facts: SheetFacts


def read_workbook(file: str, content: bytes, sha256: str, dictionary: DataDictionary) -> RawTable:
    """Read one sheet of a workbook.

    Parameters
    ----------
    file, content, sha256 : str, bytes, str
        Name for messages, the whole file and its hash.
    dictionary : DataDictionary
        What is declared; `sheet` where there are several.

    Raises
    ------
    CohortError
        When the archive is unsafe, broken or no workbook, or when sheet or headings are in doubt.
    """
    sheet = _open(file, content, dictionary)
    top = dictionary.table.header_row - 1
    headings = _headings(sheet, top)
    elsewhere = _headings_elsewhere(sheet, dictionary)
    used, faults = match_headings(
        headings, dictionary, elsewhere=elsewhere if elsewhere not in (None, top + 1) else None
    )
    if not any(fault.code == "header_row" for fault in faults):
        faults += _layout_faults(sheet, headings, top)
    if len(sheet.rows) <= top + 1:
        message = f"sheet {sheet.name!r} has no row below the headings, which are declared in row {top + 1}"
        faults.append(Fault(code="empty", message=message))
    if faults:
        refuse(file, faults)
    body = sheet.rows[top + 1 :]
    columns = {
        position: token_column(row[position] if position < len(row) else None for row in body)
        for position in sorted(used)
    }
    apart = tuple((row, "header" if row == top + 1 else "above_header") for row in range(1, top + 2))
    return RawTable(
        file=file,
        sheet=sheet.name,
        sha256=sha256,
        headings=headings,
        columns=columns,
        rows=np.arange(top + 2, len(sheet.rows) + 1, dtype=np.int64),
        physical_rows=sheet.facts.last_row,
        apart=apart,
        record=lambda row: tuple(_shown(value) for value in sheet.rows[row - 1]),
        problems=(*_remarks(sheet, top), *unused_headings(headings, set(used), sheet.name)),
    )


def _open(file: str, content: bytes, dictionary: DataDictionary) -> _Sheet:
    # openpyxl takes half a second to import and only workbooks need it.
    from openpyxl import DEFUSEDXML, load_workbook

    if not DEFUSEDXML:
        raise CohortError("workbooks need one more package: pip install defusedxml", code="no_defusedxml")
    archive = check_archive(file, content)
    try:
        with warnings.catch_warnings():
            # The reader's warnings name cells and parts it skips; what matters is checked here instead.
            warnings.simplefilter("ignore")
            book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
            name = _chosen(file, book, dictionary.table.sheet)
            sheet: Any = book[name]
            # The size a sheet states about itself may be wrong, and the reader would stop there.
            sheet.reset_dimensions()
            facts = sheet_facts(file, name, archive.read(sheet._worksheet_path.lstrip("/")))
            rows = [tuple(row) for row in sheet.iter_rows(values_only=True)]
    except CohortError:
        raise
    except Exception as error:  # the reader's own texts may show contents, so only its kind is passed on
        raise CohortError(
            f"{file} cannot be read as a workbook ({type(error).__name__}); open it in a spreadsheet "
            "program and save it again as .xlsx",
            code="broken_workbook",
        ) from None
    if len(rows) != facts.last_row:
        raise CohortError(
            f"{file}: the reader returned {len(rows)} of {facts.last_row} rows; nothing is used",
            code="reader_disagrees",
        )
    return _Sheet(file=file, name=name, rows=rows, facts=facts)


def _chosen(file: str, book: Any, declared: str) -> str:
    """Return the sheet to read; several without a declared one are refused by name."""
    names = [sheet.title for sheet in book.worksheets]
    hidden = [sheet.title for sheet in book.worksheets if sheet.sheet_state != "visible"]
    shown = listed(f"{name!r}{' (hidden)' if name in hidden else ''}" for name in names)
    if declared:
        matching = [name for name in names if fold(name) == fold(declared)]
        if len(matching) == 1:
            return str(matching[0])
        raise CohortError(f"{file} has no sheet {declared!r}; its sheets are {shown}", code="no_sheet")
    if len(names) != 1:
        raise CohortError(
            f"{file} has {len(names)} sheets: {shown}; declare sheet = ... under [table]",
            code="several_sheets",
        )
    return str(names[0])


def _shown(value: Any) -> str:
    return "" if value is None else str(value)


def _headings(sheet: _Sheet, top: int) -> tuple[str, ...]:
    """Return the headings up to the last column in which any cell is filled."""
    if top >= len(sheet.rows):
        return ()
    row = [tidy(_shown(value)) for value in sheet.rows[top]]
    while row and not row[-1]:
        row.pop()
    return tuple(row)


def _headings_elsewhere(sheet: _Sheet, dictionary: DataDictionary) -> int | None:
    declared = {fold(column.source) for column in dictionary.columns}
    for index, row in enumerate(sheet.rows[:SEARCHED_FOR_HEADINGS]):
        cells = {fold(_shown(value)) for value in row}
        if len(declared & cells) >= max(2, len(declared) / 2):
            return index + 1
    return None


def _layout_faults(sheet: _Sheet, headings: Sequence[str], top: int) -> list[Fault]:
    """Return reasons to refuse that lie in the layout of the sheet."""
    faults = []
    across = [merge.text for merge in sheet.facts.merges if merge.first_row <= top + 1 <= merge.last_row]
    if across:
        message = (
            f"merged cells in the headings ({listed(across)}); unmerge them and give each column "
            f"one heading in row {top + 1}"
        )
        faults.append(Fault(code="merged_header", message=message))
    body = sheet.rows[top + 1 :]
    width = max((len(row) for row in body), default=0)
    for position in range(max(width, len(headings))):
        unnamed = position >= len(headings) or not headings[position]
        filled = unnamed and any(position < len(row) and _shown(row[position]).strip() for row in body)
        if filled:
            message = f"column {position + 1} of sheet {sheet.name!r} has cells but no heading; give it one"
            faults.append(Fault(code="empty_header", message=message))
    if sheet.facts.uncalculated:
        message = (
            f"{counted(len(sheet.facts.uncalculated), 'formula')} without a calculated value "
            f"({rows_named(sheet.facts.uncalculated)}); open the workbook in a spreadsheet program, "
            "save it, or paste the values"
        )
        faults.append(Fault(code="uncalculated_formulas", message=message))
    return faults


def _remarks(sheet: _Sheet, top: int) -> tuple[Problem, ...]:
    """Return what should be known about the sheet although it can be read."""
    facts = sheet.facts
    hidden = [row for row in facts.hidden_rows if row > top + 1]
    merged = [merge.text for merge in facts.merges if merge.last_row > top + 1]
    found = []
    if hidden:
        found.append(("hidden_rows", f"{counted(len(hidden), 'hidden row')} included: {rows_named(hidden)}."))
    if facts.formulas:
        found.append(("formulas", f"{counted(facts.formulas, 'cell')} calculated by formulas, not measured."))
    if merged:
        found.append(
            ("merged_cells", f"Merged cells ({listed(merged)}): only the first one holds the value.")
        )
    if facts.last_row in CUT_AT:
        found.append(("possible_truncation", f"The sheet ends at row {facts.last_row}: was it cut off?"))
    return tuple(
        Problem(
            sheet=sheet.name, row=None, column="", code=code, severity="warning", action="kept", asked=remark
        )
        for code, remark in found
    )
