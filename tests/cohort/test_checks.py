"""Checks beyond one cell: doubtful signs, copied films, arcs, dates of films and events."""

from __future__ import annotations

import pandas as pd
import pytest

from outcomes.cohort.headings import looks_like_identifier
from outcomes.cohort.table import read_cohort

DECLARED = {
    "table": {},
    "columns": {
        "No.": {"is": "patient_id"},
        "Injured": {"is": "injury_date"},
        "Tilt inj": {"is": "tilt", "time": "injury", "unit": "degrees", "positive": "volar"},
        "Tilt post": {"is": "tilt", "time": "postoperative", "unit": "degrees", "positive": "volar"},
        "Pron": {"is": "pronation", "time": "12 months", "unit": "degrees"},
        "Sup": {"is": "supination", "time": "12 months", "unit": "degrees"},
        "Film": {"is": "film_date", "time": "injury"},
        "Event": {"is": "event_date", "slot": 1},
        "Class": {"is": "fracture_class"},
    },
}


def table(n: int = 30) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "No.": [str(i) for i in range(n)],
            "Injured": "2021-02-01",
            "Tilt inj": [-20 + i % 5 for i in range(n)],
            "Tilt post": [i % 7 for i in range(n)],
            "Pron": 80,
            "Sup": 80,
            "Film": "2021-02-01",
            "Event": "",
            "Class": "2R3A2",
        }
    )


def codes(frame: pd.DataFrame) -> list[tuple[str, str, int | None]]:
    problems = read_cohort(frame, DECLARED).problems
    return [
        (problem.code, problem.column, problem.row) for problem in problems if problem.code != "all_missing"
    ]


def test_a_plausible_table_has_nothing_to_look_at() -> None:
    assert codes(table()) == []


def test_a_volar_median_at_injury_doubts_the_declared_sign() -> None:
    frame = table()
    frame["Tilt inj"] = -frame["Tilt inj"]
    assert codes(frame) == [("sign_doubtful", "Tilt inj", None)]


def test_films_that_repeat_the_injury_film() -> None:
    frame = table()
    frame["Tilt post"] = frame["Tilt inj"]
    assert codes(frame) == [("films_identical", "Tilt post", None)]


@pytest.mark.parametrize(
    ("heading", "value", "code"),
    [
        ("Sup", "115", "implausible"),
        ("Film", "2021-01-31", "film_before_injury"),
        ("Event", "2021-01-31", "event_before_injury"),
    ],
)
def test_rows_to_look_at_are_kept(heading: str, value: str, code: str) -> None:
    frame = table().astype(str)
    frame.loc[4, heading] = value
    assert (code, heading, 5) in codes(frame)


def test_an_arc_of_two_large_halves() -> None:
    frame = table()
    frame.loc[3, ["Pron", "Sup"]] = [97, 98]
    assert codes(frame) == [("arc_implausible", "Pron", 4)]


def test_codes_of_a_classification_are_kept_as_they_are() -> None:
    frame = table()
    frame.loc[0, "Class"] = "23-a1"
    data = read_cohort(frame, DECLARED).data
    assert data["fracture_class"].tolist()[:2] == ["23-A1", "2R3A2"]


@pytest.mark.parametrize(
    ("heading", "identifier"),
    [
        ("Patient name", True),
        ("Surname", True),
        ("MRN", True),
        ("NHS number", True),
        ("DOB", True),
        ("Date of birth", True),
        ("Tel.", True),
        ("PatientName", True),
        ("e-mail", True),
        ("Post code", True),
        ("hospital_no", True),
        ("Implant serial", True),
        ("Grip inj 12/12", False),
        ("Telescoping", False),
        ("Lotion", False),
        ("Theatre", False),
    ],
)
def test_headings_that_announce_an_identifier(heading: str, identifier: bool) -> None:
    assert looks_like_identifier(heading) is identifier
