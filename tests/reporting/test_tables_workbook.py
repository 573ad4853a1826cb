"""The workbook: numbers as numbers, text never as a formula, no trace of who made it."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook

from outcomes.reporting.labelled import csv_bytes
from outcomes.reporting.report import Report
from outcomes.reporting.run_folder import RunFolder
from outcomes.reporting.tables import Table, data_rows
from outcomes.reporting.workbook import (
    FORMULA_STARTS,
    frame_workbook_bytes,
    plain_text,
    sheet_names,
    workbook_bytes,
)

HOSTILE = [
    '=HYPERLINK("http://x","y")', "+1", "-2+3", "@SUM(A1)", "\tx", "\rx", "\nx", " =1+1", "＝1", "'=1", "ok",
    "a" * 40_000, "bell\x07", "=cmd|' /C calc'!A0",
]  # fmt: skip


def cells_of(content: bytes):
    book = load_workbook(io.BytesIO(content))
    return [(sheet.title, cell) for sheet in book for row in sheet.iter_rows() for cell in row]


@pytest.mark.parametrize("text", HOSTILE)
def test_text_never_starts_a_formula(text: str) -> None:
    frame = pd.DataFrame({text: [text, "x"], "n": [-3, 4]})
    cells = cells_of(frame_workbook_bytes([(text, frame)]))
    assert {cell.data_type for _, cell in cells} <= {"s", "n"}
    for _, cell in cells:
        if cell.data_type == "s":
            assert not str(cell.value).lstrip(" ").startswith(FORMULA_STARTS)
    assert [cell.value for _, cell in cells if cell.data_type == "n"] == [-3, 4]


def test_numbers_stay_numbers_and_nothing_is_nothing() -> None:
    frame = pd.DataFrame(
        {"x": [-1.5, np.nan, np.inf], "yes": [True, False, True], "day": pd.Timestamp("2026-01-15")}
    )
    values = [cell.value for _, cell in cells_of(frame_workbook_bytes([("t", frame)]))]
    assert values == [
        "x",
        "yes",
        "day",
        -1.5,
        "yes",
        "2026-01-15",
        None,
        "no",
        "2026-01-15",
        None,
        "yes",
        "2026-01-15",
    ]


def test_csv_escapes_text_and_keeps_numbers() -> None:
    frame = pd.DataFrame({"=a": ["=1", "x,y"], "n": [-1.5, np.nan]})
    assert csv_bytes(frame).decode("utf-8-sig").splitlines() == ["'=a,n", "'=1,-1.5", '"x,y",']


def test_names_of_sheets_are_allowed_and_differ() -> None:
    names = sheet_names(["a" * 40, "a" * 41, "x[1]:*?/\\", "definitions"], taken=("definitions",))
    assert len({name.lower() for name in names}) == 4
    assert all(0 < len(name) <= 31 and not set(name) & set("[]:*?/\\") for name in names)
    assert "definitions" not in names


def test_the_same_tables_give_the_same_bytes_without_a_name_or_a_date(report: Report) -> None:
    first, second = workbook_bytes(report.tables()), workbook_bytes(report.tables())
    assert first == second
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(2000, 1, 1, 0, 0, 0)}
        core = archive.read("docProps/core.xml").decode()
    assert "2000-01-01T00:00:00Z" in core
    assert "lastModifiedBy" not in core


def test_every_table_of_the_report_is_a_sheet_with_its_unrounded_numbers(
    run: RunFolder, report: Report
) -> None:
    book = load_workbook(run.folder / "tables.xlsx", read_only=True)
    assert book.sheetnames[0] == "definitions"
    assert len(book.sheetnames) >= len([table for table in report.tables() if len(table.frame)])
    key = next(table.key for table in report.tables() if table.key.startswith("answer_"))
    sheet = book[sheet_names([key])[0]]
    rows = list(sheet.iter_rows(values_only=True))
    book.close()
    place = rows[0].index("estimate")
    frame = next(table.frame for table in report.tables() if table.key == key)
    assert [row[place] for row in rows[1:]] == pytest.approx(frame["estimate"].astype(float).tolist())


def test_a_line_of_another_width_is_a_fault_of_ours() -> None:
    with pytest.raises(ValueError, match="has 1 cells"):
        Table(key="t", title="t", header=("a", "b"), rows=data_rows([("x",)]), frame=pd.DataFrame())


def test_plain_text_leaves_words_alone() -> None:
    assert plain_text("volar locking plate") == "volar locking plate"
