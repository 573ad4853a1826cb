"""Workbooks: safe to open, one declared sheet, typed cells, every physical row."""

from __future__ import annotations

import datetime
import io
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from intake_tables import HEADINGS, ROWS, csv_text, dictionary, write_csv, write_workbook
from openpyxl import Workbook, load_workbook

from outcomes.cohort import archive
from outcomes.cohort.sheet_xml import sheet_facts
from outcomes.cohort.table import Cohort, read_cohort
from outcomes.errors import CohortError

DAY = datetime.datetime(2021, 2, 1)
TYPED = [
    [7, "L", "f", DAY, datetime.date(2021, 2, 3), 10, 12.5],
    ["008", "R", "m", datetime.datetime(2021, 2, 5), datetime.datetime(2021, 2, 13), -4, "20"],
    [9, "L", "f", datetime.datetime(2021, 2, 5, 14, 30), None, 0, None],
]


def repacked(path: Path, change: Callable[[str, bytes], bytes]) -> Path:
    """Write the workbook again with some of its parts changed."""
    out = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.infolist():
            new.writestr(member.filename, change(member.filename, old.read(member)))
    path.write_bytes(out.getvalue())
    return path


def refused(path: Path, declared: dict[str, Any] | None = None) -> CohortError:
    with pytest.raises(CohortError) as caught:
        read_cohort(path, declared or dictionary())
    assert str(path.parent) not in str(caught.value)
    return caught.value


def codes(cohort: Cohort) -> list[str]:
    return [problem.code for problem in cohort.problems]


def test_typed_cells_keep_their_meaning(tmp_path: Path) -> None:
    cohort = read_cohort(write_workbook(tmp_path, [HEADINGS, *TYPED]), dictionary())
    assert cohort.data["patient_id"].tolist() == ["7", "008", "9"]
    assert cohort.data["tilt_union"].tolist() == [-10.0, 4.0, 0.0]
    assert cohort.data["injury_date"].dt.strftime("%Y-%m-%d").tolist() == [
        "2021-02-01",
        "2021-02-05",
        "2021-02-05",
    ]
    assert cohort.data["source_sheet"].tolist() == ["Wrists"] * 3
    assert cohort.ledger.cells["injury_date"].converted == {"time_dropped": 1}
    assert cohort.source.sheet == "Wrists"


def test_text_workbook_equals_csv(tmp_path: Path) -> None:
    one = read_cohort(write_workbook(tmp_path, [HEADINGS, *ROWS]), dictionary())
    two = read_cohort(write_csv(tmp_path, csv_text(ROWS)), dictionary())
    assert one.data.drop(columns="source_sheet").equals(two.data.drop(columns="source_sheet"))
    assert one.ledger == two.ledger


def test_the_content_decides_and_not_the_name(tmp_path: Path) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS])
    assert read_cohort(path.rename(tmp_path / "wrists.csv"), dictionary()).ledger.used == 3


def test_several_sheets_are_named_and_asked_for(tmp_path: Path) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS], sheets=("Wrists", "Old list"))
    error = refused(path)
    assert error.code == "several_sheets"
    assert "'Wrists', 'Old list'" in str(error)
    assert refused(path, dictionary({"sheet": "Wrist"})).code == "no_sheet"
    assert read_cohort(path, dictionary({"sheet": "wrists"})).ledger.used == 3


def test_titles_gaps_and_footers(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.active
    sheet["A1"] = "Northmere hand service (invented)"
    sheet.merge_cells("A1:G1")
    for column, heading in enumerate(HEADINGS, 1):
        sheet.cell(3, column, heading)
    for row, cells in zip((4, 6, 7), ROWS, strict=True):
        for column, cell in enumerate(cells, 1):
            sheet.cell(row, column, cell)
    sheet.cell(9, 1, "Total")
    sheet.cell(9, 6, 3)
    sheet.row_dimensions[6].hidden = True
    path = tmp_path / "wrists.xlsx"
    book.save(path)
    assert refused(path).code == "header_row"
    cohort = read_cohort(path, dictionary({"header_row": 3, "footer": ["total"]}))
    assert cohort.ledger.physical_rows == 9
    assert cohort.ledger.rows == {"used": 3, "above_header": 2, "header": 1, "blank": 2, "footer": 1}
    assert cohort.data["source_row"].tolist() == [4, 6, 7]
    assert codes(cohort) == ["hidden_rows"]
    assert "row 6" in cohort.problems[0].asked


def test_a_sheet_that_understates_its_size_loses_no_row(tmp_path: Path) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS])
    repacked(path, lambda name, part: part.replace(b'ref="A1:G4"', b'ref="A1:A2"'))
    assert read_cohort(path, dictionary()).ledger.used == 3


def test_merged_headings_are_refused(tmp_path: Path) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS])
    book = load_workbook(path)
    book["Wrists"].merge_cells("F1:G1")
    book.save(path)
    error = refused(path)
    assert "merged cells in the headings (F1:G1)" in str(error)


def test_merged_cells_below_the_headings_are_said(tmp_path: Path) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS])
    book = load_workbook(path)
    book["Wrists"].merge_cells("A2:A3")
    book.save(path)
    cohort = read_cohort(path, dictionary())
    assert cohort.ledger.quarantined == {"blank_id": 1}
    assert "merged_cells" in codes(cohort)


def test_formulas_without_a_value_are_refused_and_calculated_ones_are_said(tmp_path: Path) -> None:
    rows = [HEADINGS, *ROWS[:2], [*ROWS[2][:5], "=4+6", "31"]]
    path = write_workbook(tmp_path, rows)
    error = refused(path)
    assert error.code == "uncalculated_formulas"
    assert "row 4" in str(error)
    repacked(
        path,
        lambda name, part: (
            part.replace(b"<v></v>", b"<v>10</v>")
            .replace(b"<v />", b"<v>10</v>")
            .replace(b"<v/>", b"<v>10</v>")
        ),
    )
    cohort = read_cohort(path, dictionary())
    assert cohort.data["tilt_union"].tolist() == [-10.0, 4.0, -10.0]
    assert codes(cohort) == ["formulas"]


def test_failed_formulas_and_changed_values_become_missing_with_a_reason(tmp_path: Path) -> None:
    rows = [
        HEADINGS,
        ["1", "L", "f", DAY, DAY, "#DIV/0!", datetime.datetime(2026, 3, 2)],
        ["2", "L", "f", DAY, DAY, True, "#N/A"],
        [datetime.datetime(2026, 3, 2), "L", "f", DAY, 44230, 5, 12],
    ]
    cohort = read_cohort(
        write_workbook(tmp_path, rows + [[str(n), "R", "m", DAY, DAY, 5, 12] for n in range(60)]),
        dictionary(),
    )
    cells = cohort.ledger.cells
    assert cells["tilt_union"].set_missing == {"formula_error": 1, "not_a_number": 1}
    assert cells["grip_injured_12_months"].set_missing == {"date_in_numeric": 1, "formula_error": 1}
    assert cohort.ledger.quarantined == {"blank_id": 1}


def test_a_column_of_day_numbers_is_refused(tmp_path: Path) -> None:
    rows = [HEADINGS, *[[str(n), "L", "f", 44230, DAY, 5, 12] for n in range(5)]]
    assert refused(write_workbook(tmp_path, rows)).code == "serial_date"


def test_ids_with_more_digits_than_a_sheet_keeps_are_not_used(tmp_path: Path) -> None:
    rows = [
        HEADINGS,
        [1234567890123456, "L", "f", DAY, DAY, 5, 12],
        ["1234567890123456", "L", "f", DAY, DAY, 5, 12],
    ]
    cohort = read_cohort(write_workbook(tmp_path, rows), dictionary())
    assert cohort.ledger.quarantined == {"blank_id": 1}
    assert cohort.data["patient_id"].tolist() == ["1234567890123456"]


def test_cells_beyond_the_headings_are_refused(tmp_path: Path) -> None:
    error = refused(write_workbook(tmp_path, [HEADINGS, *ROWS, [*ROWS[0], "note"]]))
    assert error.code == "empty_header"
    assert "note" not in str(error)


def test_damaged_and_foreign_archives(tmp_path: Path) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS])
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert refused(path).code == "broken_workbook"
    spoiled = bytearray(whole)
    place = whole.index(b"xl/worksheets/sheet1.xml") + 40
    spoiled[place : place + 60] = b"\x00" * 60
    path.write_bytes(bytes(spoiled))
    assert refused(path).code == "broken_workbook"
    with zipfile.ZipFile(path, "w") as other:
        other.writestr("content.xml", "<a/>")
    assert refused(path).code == "wrong_format"


@pytest.mark.parametrize(
    ("name", "limit"),
    [("MAX_CONTAINER", 10), ("MAX_UNPACKED", 10), ("MAX_MEMBERS", 1)],
)
def test_archive_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, limit: int) -> None:
    monkeypatch.setattr(archive, name, limit)
    assert refused(write_workbook(tmp_path, [HEADINGS, *ROWS])).code == "archive_limits"


def test_a_part_packed_beyond_reason_is_not_opened(tmp_path: Path) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS])
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/media/bomb.xml", b" " * (2 * 1024**2))
    assert refused(path).code == "archive_limits"


@pytest.mark.parametrize("name", ["../../evil.xml", "/etc/evil.xml", "C:/evil.xml"])
def test_a_part_with_a_path_outside_is_not_opened(tmp_path: Path, name: str) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS])
    with zipfile.ZipFile(path, "a") as book:
        book.writestr(name, b"<a/>")
    assert refused(path).code == "archive_limits"


def test_entities_are_not_expanded(tmp_path: Path) -> None:
    path = write_workbook(tmp_path, [HEADINGS, *ROWS])
    bomb = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'

    def change(name: str, part: bytes) -> bytes:
        return bomb + part[part.index(b"<", 1) :] if name.endswith("sheet1.xml") else part

    assert refused(repacked(path, change)).code == "archive_limits"


def test_sheet_facts_of_namespaced_markup() -> None:
    markup = (
        b'<x:row r="2"><x:c r="A2" t="str"><x:f>B2</x:f><x:v></x:v></x:c>'
        b'<x:c r="C2"><x:f>B2</x:f><x:v>3</x:v></x:c><x:c r="D2"/></x:row><x:row/>'
        b'<x:mergeCells><x:mergeCell ref="A1:B2"/></x:mergeCells>'
    )
    facts = sheet_facts("a.xlsx", "A", markup)
    assert (facts.last_row, facts.formulas, facts.uncalculated) == (3, 2, ())
    assert [(merge.text, merge.first_row, merge.last_row) for merge in facts.merges] == [("A1:B2", 1, 2)]
