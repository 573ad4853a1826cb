"""Headings: what looks like the content of a cell is named by its place, never printed."""

from __future__ import annotations

import traceback
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from intake_tables import HEADINGS, ROWS, csv_text, dictionary, write_csv, write_workbook

from outcomes.cohort.headings import looks_like_data
from outcomes.cohort.look import look_at
from outcomes.cohort.table import read_cohort
from outcomes.errors import CohortError

DOUBT = "the header row looks like data: is header_row right?"
PATIENT = ["MRN700100", "Quillfeather", "Quillfeather", "01/02/1950", "03/02/2021", "10", "12.5"]


def refusal(table: Any, declared: dict[str, Any] | None = None) -> CohortError:
    with pytest.raises(CohortError) as caught:
        read_cohort(table, declared or dictionary())
    text = "".join(traceback.format_exception(caught.value))
    assert not [cell for cell in PATIENT[:5] if cell in text]
    return caught.value


@pytest.mark.parametrize(
    "text",
    [
        "7",
        "-12.5",
        "03/02/1950",
        "1950-02-03 00:00:00",
        "3-Feb-1950",
        "12,5 kg",
        "N-1042",
        "a@b.org",
        "x 1234567",
    ],
)
def test_cells_are_told_from_headings(text: str) -> None:
    assert looks_like_data(text)


@pytest.mark.parametrize(
    "text",
    ["No.", "Grip inj 12/12", "PRWE 1yr", "Tilt post-op", "VT 6/52 (deg)", "F/U date", "Reader 2", "", "AO"],
)
def test_headings_are_told_from_cells(text: str) -> None:
    assert not looks_like_data(text)


def test_a_file_without_headings_shows_none_of_its_first_row(tmp_path: Path) -> None:
    error = refusal(write_csv(tmp_path, csv_text(ROWS, PATIENT)))
    assert error.code == "header_row"
    assert "none of the 7 headings that the dictionary declares" in str(error)
    assert DOUBT in str(error)


def test_the_same_of_a_workbook_and_of_a_frame(tmp_path: Path) -> None:
    assert DOUBT in str(refusal(write_workbook(tmp_path, [PATIENT, *ROWS])))
    assert DOUBT in str(refusal(pd.DataFrame(ROWS, columns=PATIENT)))


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_a_header_row_declared_one_too_low_names_the_right_one(tmp_path: Path, suffix: str) -> None:
    rows = [HEADINGS, PATIENT, *ROWS]
    path = write_csv(tmp_path, csv_text(rows[1:])) if suffix == "csv" else write_workbook(tmp_path, rows)
    error = refusal(path, dictionary({"header_row": 2}))
    assert error.code == "header_row"
    assert "the headings are in row 1" in str(error)


def test_a_row_half_of_headings_is_shown_by_place_only(tmp_path: Path) -> None:
    mixed = [*HEADINGS[:2], "Quillfeather", "Quillfeather", "03/02/2021", "10", "12.5"]
    error = refusal(write_csv(tmp_path, csv_text(ROWS, mixed)))
    assert "columns 3 and 4 have the same heading (apart" in str(error)
    assert "no heading 'Sex', which the dictionary declares; correct" in str(error)
    assert str(error).count(DOUBT) == 1


def test_one_heading_like_a_cell_is_named_by_its_place(tmp_path: Path) -> None:
    headings = [*HEADINGS, "MRN700100", "mrn700100", "Remark"]
    error = refusal(write_csv(tmp_path, csv_text([[*row, "", "", ""] for row in ROWS], headings)))
    assert "columns 8 and 9 have the same heading (apart from spaces and case)" in str(error)
    assert DOUBT in str(error)
    once = write_csv(tmp_path, csv_text([[*row, "", ""] for row in ROWS], [*HEADINGS, "MRN700100", "Remark"]))
    unused = next(
        problem for problem in read_cohort(once, dictionary()).problems if problem.code == "not_used"
    )
    assert unused.column == "column 8, Remark"


def test_a_doubled_heading_is_shown_as_written(tmp_path: Path) -> None:
    error = refusal(write_csv(tmp_path, csv_text([[*row, ""] for row in ROWS], [*HEADINGS, " GRIP"])))
    assert "columns 7 and 8 have the same heading 'GRIP' (apart from spaces and case)" in str(error)


def test_a_typing_error_in_a_short_dictionary_still_gets_the_nearest() -> None:
    declared = dictionary(Side=None, Sex=None, Injured=None, Treated=None, Tilt=None, Grip=None)
    frame = pd.DataFrame({"No": ["1"], "Side": ["L"]})
    assert "closest: 'No'" in str(refusal(frame, declared))


@pytest.mark.parametrize("name", ["wrists.xlsx", "wrists.csv", "wrists.txt"])
def test_a_workbook_with_a_password_or_of_the_old_kind(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(bytes.fromhex("D0CF11E0A1B11AE1") + b"\0" * 600)
    error = refusal(path)
    assert error.code == "wrong_format"
    assert str(error).endswith(
        "password-protected or an old Excel file: open it, save as .xlsx without a password"
    )


def test_the_folder_itself_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    assert str(refusal(".")).startswith("'.' is a folder")


def test_one_row_and_one_case() -> None:
    cohort = read_cohort(pd.DataFrame(ROWS[:1], columns=HEADINGS), dictionary())
    assert str(cohort.ledger).startswith("1 row read = 1 used")
    assert repr(cohort).startswith("Cohort of 1 case from the frame: ")


@pytest.mark.parametrize("read", [refusal, look_at])
def test_the_mark_of_an_open_workbook_is_no_table(tmp_path: Path, read: Any) -> None:
    mark = tmp_path / "~$wrists.xlsx"
    mark.write_bytes(b"\x05owner" + b" " * 49)
    try:
        error = read(mark)
    except CohortError as caught:
        error = caught
    assert "give wrists.xlsx" in str(error)
    assert "owner" not in str(error)
