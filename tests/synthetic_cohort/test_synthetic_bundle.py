"""The bundled files: what the generator writes today, and everything says invented."""

from __future__ import annotations

import re
import tomllib
from functools import lru_cache
from pathlib import Path

import openpyxl
import pytest

from synthetic_cohort.bundle import CASES, NAMES, SHEET, data_file, write_bundle
from synthetic_cohort.department import HEADER_ROW, sheet_columns


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bundle")
    write_bundle(folder)
    return folder


@pytest.mark.parametrize("name", [name for name in NAMES if not name.endswith("xlsx")])
def test_text_files_are_what_the_generator_writes(name: str, fresh: Path) -> None:
    assert data_file(name).read_bytes() == (fresh / name).read_bytes()


@lru_cache
def cells(path: Path) -> dict[str, list[tuple[object, ...]]]:
    book = openpyxl.load_workbook(path)
    return {sheet.title: list(sheet.iter_rows(values_only=True)) for sheet in book.worksheets}


def test_the_workbook_holds_the_cells_that_the_generator_writes(fresh: Path) -> None:
    assert cells(data_file("department.xlsx")) == cells(fresh / "department.xlsx")


def test_everything_says_invented() -> None:
    sheets = cells(data_file("department.xlsx"))
    assert "INVENTED" in str(sheets[SHEET][1][0])
    assert "invented" in str(sheets["Notes"][0][0])
    for name in ("dictionary.toml", "department_dictionary.toml"):
        text = data_file(name).read_text(encoding="utf-8")
        assert "Invented" in tomllib.loads(text)["title"]


def test_the_sheet_is_as_messy_as_a_department() -> None:
    rows = cells(data_file("department.xlsx"))[SHEET]
    headings = [column.heading for column in sheet_columns()]
    assert list(rows[HEADER_ROW - 1]) == headings
    body = rows[HEADER_ROW:]
    filled = [row for row in body if any(cell is not None for cell in row)]
    assert len(body) - len(filled) == 3
    assert len(filled) == CASES + 1 + 2
    assert str(filled[-2][0]) == "Total"
    cases = filled[:-2]
    assert len(cases) - len(set(cases)) == 1
    patients = [row[0] for row in set(cases)]
    assert len(patients) > len(set(patients))
    texts = {str(cell) for row in cases for cell in row if isinstance(cell, str)}
    assert {"n/a", "-", "NR", "not done", "<2", "10-15", "VLP", "Lt", "L", "left", "Y", "yes"} <= texts
    assert any(re.fullmatch(r"[\d.]+ kg", text) for text in texts)
    dates = [str(row[headings.index("Last seen")]) for row in cases]
    assert all(re.fullmatch(r"\d\d-\d\d-\d{4}", text) for text in dates)


def test_nothing_is_said_by_colour_or_comment() -> None:
    book = openpyxl.load_workbook(data_file("department.xlsx"))
    for row in book[SHEET].iter_rows():
        for cell in row:
            assert cell.comment is None
            assert cell.fill.fill_type is None


def test_there_is_no_other_file() -> None:
    with pytest.raises(ValueError, match=r"there are: cohort\.csv"):
        data_file("cohort.xlsx")
