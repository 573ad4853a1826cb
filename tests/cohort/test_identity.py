"""Who is who: duplicates, two wrists, two fractures of one wrist, spellings of an id."""

from __future__ import annotations

import datetime

import pandas as pd
import pytest
from intake_tables import HEADINGS, ROWS, dictionary

from outcomes.cohort.checks import age_at
from outcomes.cohort.table import Cohort, read_cohort
from outcomes.errors import CohortError


def read(*extra: list[str], **declared: object) -> Cohort:
    frame = pd.DataFrame([*ROWS, *extra], columns=HEADINGS)
    return read_cohort(frame, dictionary(declared))


def test_two_wrists_of_one_patient_are_two_cases() -> None:
    cohort = read(["007", "R", "f", "01/02/2021", "03/02/2021", "5", "9"])
    assert cohort.data["case_id"].tolist() == ["007 left", "008 right", "009 left", "007 right"]


def test_a_repeated_row_stays_once_even_when_it_is_spelled_otherwise() -> None:
    cohort = read(["007 ", "l", "F", "2021-02-01", "03/02/2021", "10.0", "12.5 kg"], ROWS[0])
    assert cohort.ledger.quarantined == {"exact_duplicate": 2}
    assert cohort.data["source_row"].tolist() == [1, 2, 3]


def test_contradicting_rows_are_both_set_aside() -> None:
    cohort = read(["007", "L", "f", "01/02/2021", "03/02/2021", "11", "12.5"], ROWS[0])
    assert cohort.ledger.quarantined == {"conflicting_duplicate": 2, "exact_duplicate": 1}
    assert cohort.data["patient_id"].tolist() == ["008", "009"]


AGAIN = ["007", "L", "f", "01/02/2023", "03/02/2023", "10", "12.5"]


def test_two_fractures_of_one_wrist_are_asked_about() -> None:
    with pytest.raises(CohortError) as caught:
        read(AGAIN)
    assert caught.value.code == "episodes"
    assert "rows 1, 4" in str(caught.value)
    assert "007" not in str(caught.value)


def test_two_fractures_as_declared() -> None:
    every = read(AGAIN, episodes="all")
    assert every.data["case_id"].tolist() == ["007 left", "008 right", "009 left", "007 left 2"]
    first = read(AGAIN, episodes="first")
    assert first.ledger.quarantined == {"later_episode": 1}
    assert first.data["source_row"].tolist() == [1, 2, 3]


def test_fifty_nine_days_apart_is_a_contradiction_and_sixty_a_second_fracture() -> None:
    near = read([*AGAIN[:3], "01/04/2021", "02/04/2021", "10", "12.5"])
    assert near.ledger.quarantined == {"conflicting_duplicate": 2}
    with pytest.raises(CohortError, match="episodes"):
        read([*AGAIN[:3], "02/04/2021", "03/04/2021", "10", "12.5"])


def test_an_unknown_side_is_kept_only_where_it_cannot_be_either_wrist() -> None:
    cohort = read(["011", "", "f", "01/02/2021", "", "", "9"], ["007", "?", "f", "01/02/2021", "", "", "9"])
    assert cohort.ledger.quarantined == {"side_unknown": 1}
    assert "011" in cohort.data["case_id"].tolist()


def test_spellings_of_one_id_are_merged_and_said() -> None:
    cohort = read(
        ["a1", "L", "f", "01/02/2021", "", "1", "9"],
        ["A1 ", "R", "f", "01/02/2021", "", "1", "9"],
        ["A1", "", "m", "", "", "", "2"],
    )
    assert set(cohort.data["patient_id"]) == {"007", "008", "009", "A1"}
    assert [p.row for p in cohort.problems if p.code == "spelling_merged"] == [4]
    assert cohort.ledger.cells["patient_id"].converted == {"spelling_merged": 1, "spelling": 1}


def test_leading_zeros_keep_ids_apart_and_say_so() -> None:
    cohort = read(["7", "L", "f", "01/02/2021", "", "1", "9"])
    assert cohort.data["patient_id"].tolist() == ["007", "008", "009", "7"]
    assert [p.row for p in cohort.problems if p.code == "id_collision"] == [1, 4]


def test_without_a_side_one_row_a_patient() -> None:
    declared = dictionary(Side=None)
    frame = pd.DataFrame(ROWS, columns=HEADINGS)
    assert read_cohort(frame, declared).data["case_id"].tolist() == ["007", "008", "009"]
    frame = pd.DataFrame([*ROWS, ["007", "R", "f", "01/02/2021", "", "1", "9"]], columns=HEADINGS)
    with pytest.raises(CohortError) as caught:
        read_cohort(frame, declared)
    assert caught.value.code == "no_side"


def test_a_case_id_of_the_table_decides() -> None:
    frame = pd.DataFrame([*ROWS, [*ROWS[0][:5], "3", "3"]], columns=HEADINGS)
    frame["Case"] = ["a", "b", "c", "d"]
    cohort = read_cohort(frame, dictionary(Case={"is": "case_id"}))
    assert cohort.data["case_id"].tolist() == ["a", "b", "c", "d"]
    frame["Case"] = ["a", "b", "", "a"]
    cohort = read_cohort(frame, dictionary(Case={"is": "case_id"}))
    assert cohort.ledger.quarantined == {"blank_id": 1, "conflicting_duplicate": 2}


@pytest.mark.parametrize(
    ("injured", "treated", "seen", "code"),
    [
        ("05/02/2021", "04/02/2021", "", "treated_before_injury"),
        ("05/02/2021", "", "04/02/2021", "seen_before_injury"),
        ("05/02/2021", "07/02/2021", "06/02/2021", "seen_before_treatment"),
        ("05/02/2021", "07/02/2021", "06/02/2031", "after_extract"),
    ],
)
def test_dates_that_cannot_be_in_this_order(injured: str, treated: str, seen: str, code: str) -> None:
    frame = pd.DataFrame([*ROWS, ["012", "L", "f", injured, treated, "1", "9"]], columns=HEADINGS)
    frame["Seen"] = ["", "", "", seen]
    declared = dictionary({"extract_date": datetime.date(2024, 12, 31)}, Seen={"is": "last_seen_date"})
    assert read_cohort(frame, declared).ledger.quarantined == {code: 1}


def test_a_birth_date_becomes_an_age_and_goes_no_further() -> None:
    frame = pd.DataFrame(ROWS, columns=HEADINGS)
    frame["Born"] = ["01/02/1951", "06/02/1951", "01/01/2050"]
    cohort = read_cohort(frame, dictionary(Born={"is": "birth_date"}))
    assert cohort.data["age"].tolist()[:2] == [70.0, 69.0]
    assert pd.isna(cohort.data["age"].iloc[2])
    assert [p.code for p in cohort.problems] == ["no_age"]
    assert "195" not in cohort.data.to_csv()
    assert "2050" not in cohort.query_list().to_csv()
    assert "birth_date" not in cohort.data


def test_leap_day_birthdays() -> None:
    born = pd.DatetimeIndex(["1960-02-29", "1960-02-29", "1960-03-01"]).to_numpy()
    hurt = pd.DatetimeIndex(["2021-02-28", "2021-03-01", "2020-02-29"]).to_numpy()
    assert age_at(born, hurt).tolist() == [60.0, 61.0, 59.0]
