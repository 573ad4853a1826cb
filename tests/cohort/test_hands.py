"""Grip by left and right becomes grip of the injured and the other hand, by the side of the fracture."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from intake_tables import csv_text, dictionary, write_csv

from outcomes.cohort.dictionary import read_dictionary
from outcomes.cohort.function import grip_kg, grip_share
from outcomes.cohort.table import Cohort, read_cohort
from outcomes.errors import DictionaryError

HEADINGS = ["No.", "Side", "Grip L", "Grip R"]
INJURED, OTHER = "grip_injured_12_months", "grip_other_12_months"
UNKNOWN_SIDE = "side of the fracture missing, grip given by left and right"


def grip(hand: str, **changes: Any) -> dict[str, Any]:
    return {"is": "grip", "hand": hand, "time": "12 months", "unit": "kg"} | changes


def declared(**grips: dict[str, Any]) -> dict[str, Any]:
    made = dictionary({"missing": ["nt"]}, Sex=None, Injured=None, Treated=None, Tilt=None, Grip=None)
    made["columns"] |= grips or {"Grip L": grip("left"), "Grip R": grip("right")}
    return made


def cohort(tmp_path: Path, rows: list[list[str]], made: dict[str, Any] | None = None) -> Cohort:
    return read_cohort(write_csv(tmp_path, csv_text(rows, HEADINGS)), made or declared())


def test_the_side_of_the_fracture_tells_the_hands_apart(tmp_path: Path) -> None:
    read = cohort(tmp_path, [["1", "L", "20", "40"], ["2", "R", "30", "21"], ["3", "R", "NT", "22.5"]])
    assert read.data[INJURED].tolist() == [20.0, 21.0, 22.5]
    assert read.data[OTHER].tolist()[:2] == [40.0, 30.0]
    assert read.data[OTHER].isna().tolist() == [False, False, True]
    assert list(read.data.columns) == [
        "case_id",
        "patient_id",
        "side",
        INJURED,
        OTHER,
        "source_row",
        "source_sheet",
    ]
    assert grip_share(read, "12 months").values.tolist()[:2] == [50.0, 70.0]


def test_the_ledger_counts_the_cells_of_the_file(tmp_path: Path) -> None:
    read = cohort(tmp_path, [["1", "L", "20", ""], ["2", "R", "x", "21"], ["3", "", "nt", "22"]])
    read.ledger.check()
    left, right = (read.ledger.cells[f"grip_{side}_12_months"] for side in ("left", "right"))
    assert (left.read, left.verbatim, left.blank, left.set_missing) == (
        3,
        1,
        0,
        {"not_a_number": 1, "missing_token": 1},
    )
    assert (right.read, right.verbatim, right.blank) == (3, 2, 1)
    assert INJURED not in read.ledger.cells


def test_without_a_side_both_hands_are_missing_counted_and_asked_about(tmp_path: Path) -> None:
    read = cohort(
        tmp_path,
        [["1", "L", "20", "40"], ["2", "", "30", "21"], ["3", "?", "31", "20"], ["4", "", "nt", "nt"]],
    )
    assert read.data[[INJURED, OTHER]].isna().all(axis=1).tolist() == [False, True, True, True]
    asked = [problem for problem in read.problems if problem.code == "side_needed"]
    assert [(problem.row, problem.column, problem.severity) for problem in asked] == [
        (3, "Side", "ask"),
        (4, "Side", "ask"),
    ]
    assert (read.query_list()["code"] == "side_needed").sum() == 2
    assert "without a side, and so without either: 2." in read.history[1]
    share, pair = grip_share(read, "12 months"), grip_kg(read, "12 months")
    assert share.reasons == pair.injured.reasons == pair.other.reasons == {UNKNOWN_SIDE: 3}
    assert share.n == 1


def test_a_patient_with_both_wrists_has_hands_by_case_but_no_reference(tmp_path: Path) -> None:
    read = cohort(tmp_path, [["1", "L", "20", "40"], ["1", "R", "20", "40"], ["2", "R", "30", "15"]])
    assert read.data[INJURED].tolist() == [20.0, 40.0, 15.0]
    assert read.data[OTHER].tolist() == [40.0, 20.0, 30.0]
    share = grip_share(read, "12 months")
    assert share.reasons == {"patient with both wrists injured": 2}
    assert share.values.tolist()[2] == 50.0


def test_units_may_differ_between_the_two_columns(tmp_path: Path) -> None:
    made = declared(**{"Grip L": grip("left", unit="N"), "Grip R": grip("right")})
    read = cohort(tmp_path, [["1", "L", "196.133", "40"]], made)
    assert read.data[[INJURED, OTHER]].to_numpy().tolist() == [[20.0, 40.0]]


def test_one_way_is_as_good_as_the_other(tmp_path: Path) -> None:
    rows = [["1", "L", "20.5", "40"], ["2", "R", "30", "21"]]
    swapped = [
        [key, side, *((left, right) if side == "L" else (right, left))] for key, side, left, right in rows
    ]
    by_side = cohort(tmp_path, rows)
    by_hand = cohort(tmp_path, swapped, declared(**{"Grip L": grip("injured"), "Grip R": grip("other")}))
    assert by_side.data[[INJURED, OTHER]].equals(by_hand.data[[INJURED, OTHER]])


@pytest.mark.parametrize(
    ("grips", "message"),
    [
        (
            {"L": grip("left"), "R": grip("right"), "I": grip("injured")},
            "by left and right .'L'. and by injured",
        ),
        ({"L": grip("left"), "O": grip("other")}, "declare one of the two ways"),
        ({"L": grip("left")}, 'a column with hand = "right" is needed too'),
        ({"L": grip("left"), "L2": grip("left"), "R": grip("right")}, "mean the same"),
    ],
)
def test_half_or_double_declarations_are_refused(grips: dict[str, Any], message: str) -> None:
    with pytest.raises(DictionaryError, match=message):
        read_dictionary(declared(**grips))


def test_left_and_right_need_the_side_of_the_fracture() -> None:
    made = declared()
    del made["columns"]["Side"]
    with pytest.raises(DictionaryError, match='needs a column is = "side"'):
        read_dictionary(made)


def test_visits_may_be_declared_in_different_ways(tmp_path: Path) -> None:
    other_visit = {"G": grip("injured", time="6 months"), "H": grip("other", time="6 months")}
    read = read_dictionary(declared(**{"Grip L": grip("left"), "Grip R": grip("right")}, **other_visit))
    assert [column.name for column in read.data_columns][2:] == [
        INJURED, OTHER, "grip_injured_6_months", "grip_other_6_months",
    ]  # fmt: skip
    assert read.names[2:4] == ("grip_left_12_months", "grip_right_12_months")
    assert {column.unit for column in read.data_columns if column.concept == "grip"} == {"kg"}
