"""Tables as a plain workbook: numbers as numbers, text that can never become a formula, no trace of who made it."""

from __future__ import annotations

import datetime as dt
import io
import math
import re
import zipfile
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE, Cell
from openpyxl.styles import Alignment, Font
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from outcomes.reporting.tables import Table

#: First characters with which a spreadsheet program starts a formula, wide forms included.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠")
_STAMP = dt.datetime(2000, 1, 1)
_ZIP_STAMP = (2000, 1, 1, 0, 0, 0)
_LONGEST_CELL = 32_767
_BOLD = Font(bold=True)
_WRAP = Alignment(wrap_text=True, vertical="top")

DEFINITIONS: tuple[tuple[str, str], ...] = (
    ("outcome", "key of the outcome"),
    ("group", "strategy, or reduction label, that the line is about"),
    ("contrast", "what is subtracted from what"),
    ("estimate", "unrounded, in the unit of the line"),
    ("std_error", "standard error of the estimate"),
    ("conf_low, conf_high", "95 % limits; simultaneous over pairs where several are judged"),
    ("conf_low_90, conf_high_90", "ordinary 90 % limits (two one-sided tests at 5 %)"),
    ("p_value", "two-sided; describes and never enters the answer"),
    ("n, n_missing", "cases used, and cases without the value"),
    ("state", "material, present, trivial, absent or undetermined, by the rules of the answer"),
    (
        "estimand",
        "E1 effect of meeting the criteria, E2 strategies once met, E3 strategies in total, E4 interaction",
    ),
    ("at", "reduction at which strategies are compared"),
)


def plain_text(value: object) -> str:
    """Return text that no spreadsheet program reads as a formula.

    Examples
    --------
    >>> plain_text("=1+1"), plain_text("volar plate"), plain_text("@home")
    ("'=1+1", 'volar plate', "'@home")
    """
    text = ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", str(value))[: _LONGEST_CELL - 1]
    return (
        f"'{text}" if text.startswith(FORMULA_STARTS) or text.lstrip(" ").startswith(FORMULA_STARTS) else text
    )


def workbook_bytes(tables: Iterable[Table], *, about: Sequence[tuple[str, str]] = ()) -> bytes:
    """Return a workbook with one tidy sheet a table and a sheet that defines the columns.

    Parameters
    ----------
    tables : iterable of Table
        Their unrounded frames are written; a table without lines is left out.
    about : sequence of (label, text)
        Lines on top of the first sheet: study, caution, banner.

    Returns
    -------
    bytes
        The same bytes for the same tables.
    """
    book = Workbook(write_only=True)
    shown = [table for table in tables if not table.frame.empty]
    names = sheet_names([table.key for table in shown], taken=("definitions",))
    first = book.create_sheet("definitions")
    first.column_dimensions["A"].width = 30
    first.column_dimensions["B"].width = 110
    titles = [(name, table.title) for name, table in zip(names, shown, strict=True)]
    lines = [
        *about,
        ("", ""),
        ("Sheet", "What it holds"),
        *titles,
        ("", ""),
        ("Column", "Meaning"),
        *DEFINITIONS,
    ]
    for label, text in lines:
        first.append([_bold(first, label), _wrapped(first, text)])
    for name, table in zip(names, shown, strict=True):
        write_frame(book, name, table.frame)
    return _saved(book)


def frame_workbook_bytes(sheets: Iterable[tuple[str, pd.DataFrame]]) -> bytes:
    """Return a workbook of plain frames."""
    book = Workbook(write_only=True)
    pairs = list(sheets)
    for name, (_, frame) in zip(sheet_names([key for key, _ in pairs]), pairs, strict=True):
        write_frame(book, name, frame)
    return _saved(book)


def sheet_names(keys: Sequence[str], *, taken: Sequence[str] = ()) -> list[str]:
    """Return sheet names of at most 31 allowed characters, no two alike.

    Examples
    --------
    >>> sheet_names(["a/b", "a:b"])
    ['a b', 'a b 2']
    """
    used = {name.lower() for name in taken}
    names = []
    for key in keys:
        plain = re.sub(r"[\[\]:*?/\\'\x00-\x1f]", " ", key).strip() or "table"
        name, again = plain[:31], 1
        while name.lower() in used:
            again += 1
            name = f"{plain[: 31 - len(str(again)) - 1]} {again}"
        used.add(name.lower())
        names.append(name)
    return names


def write_frame(book: Workbook, name: str, frame: pd.DataFrame) -> None:
    """Add one sheet with a heading row that stays in view."""
    sheet = book.create_sheet(name)
    sheet.freeze_panes = "A2"
    for position, column in enumerate(frame.columns, start=1):
        sheet.column_dimensions[_letters(position)].width = _width(
            str(column), frame.iloc[:200, position - 1]
        )
    sheet.append([_bold(sheet, column) for column in frame.columns])
    for values in frame.itertuples(index=False, name=None):
        sheet.append([_content(value) for value in values])


def _content(value: object) -> int | float | str | None:
    """Return a number as a number, nothing as nothing, and everything else as text that was made harmless."""
    if isinstance(value, str):
        return plain_text(value)
    number = _number(value)
    return number if number is not None or _absent(value) else plain_text(_text(value))


def _bold(sheet: WriteOnlyWorksheet, value: object) -> Cell:
    cell: Cell = WriteOnlyCell(sheet, value=plain_text(value))
    cell.font = _BOLD
    return cell


def _wrapped(sheet: WriteOnlyWorksheet, value: object) -> Cell:
    cell: Cell = WriteOnlyCell(sheet, value=plain_text(value))
    cell.alignment = _WRAP
    return cell


def _number(value: object) -> int | float | None:
    if isinstance(value, bool | np.bool_):
        return None
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating) and math.isfinite(float(value)):
        return float(value)
    return None


def _absent(value: object) -> bool:
    if value is None or value is pd.NaT:
        return True
    return isinstance(value, float | np.floating) and not math.isfinite(float(value))


def _text(value: object) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, dt.datetime | dt.date):
        return value.strftime("%Y-%m-%d")
    return str(value)


def _letters(position: int) -> str:
    letters = ""
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _width(heading: str, values: pd.Series[Any]) -> float:
    longest = max([len(heading), *(len(_text(value)) for value in values if not isinstance(value, float))])
    return float(min(max(longest + 2, 12), 52))


def _saved(book: Workbook) -> bytes:
    """Save without a name or a date, then write every part of the archive with one fixed stamp."""
    book.properties.creator = "outcomes"
    book.properties.lastModifiedBy = None
    book.properties.created = book.properties.modified = _STAMP
    raw = io.BytesIO()
    book.save(raw)
    clean = io.BytesIO()
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(clean, "w", zipfile.ZIP_DEFLATED) as target:
        for name in sorted(source.namelist(), key=lambda entry: (entry != "[Content_Types].xml", entry)):
            info = zipfile.ZipInfo(name, date_time=_ZIP_STAMP)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o600 << 16
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(
                    rb"(<dcterms:(modified|created)[^>]*>)[^<]*", rb"\g<1>2000-01-01T00:00:00Z", content
                )
            target.writestr(info, content)
    return clean.getvalue()
