"""Unknown words for events, events without a day and unclear operations: refused without, asked with the words."""

from __future__ import annotations

import traceback
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from intake_tables import write_csv
from stand_in import notes, table

from outcomes.cohort.complications import complication_outcomes
from outcomes.cohort.events import case_events, shipped_events
from outcomes.cohort.label_queries import QUERY_COLUMNS, event_queries, label_queries, strategy_queries
from outcomes.cohort.table import Cohort, read_cohort
from outcomes.errors import CohortError

CANARY = "Zebedee rupture"
TEXT = (
    "No.,Problems,When,Why,Operation\n"
    f"1,{CANARY},2021-03-01,,VLP\n2,stiff ++,,,Zanzibar\n3,none,,,wires or plate\n4,nil,,,\n"
    f"5,plate removal,2021-04-01,{CANARY},VLP\n6,wire removal,,,K-wires\n7,CTS,,,VLP\n"
)


def declared(*, levels: dict[str, list[str]] | None = None, dates: bool = True) -> dict[str, Any]:
    columns: dict[str, Any] = {
        "No.": {"is": "patient_id"},
        "Problems": {"is": "event", "slot": 1},
        "Why": {"is": "event_reason", "slot": 1},
        "Operation": {"is": "operation_text"},
    }
    if levels is not None:
        columns["Problems"]["levels"] = levels
    if dates:
        columns["When"] = {"is": "event_date", "slot": 1}
    return {"columns": columns}


def cohort(tmp_path: Path, **options: Any) -> Cohort:
    return read_cohort(write_csv(tmp_path, TEXT), declared(**options))


def test_the_refusal_names_heading_count_rows_kinds_and_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(CohortError) as caught:
        complication_outcomes(cohort(tmp_path))
    message = str(caught.value)
    assert "column 'Problems': 2 not known, rows 2, 3" in message
    assert "column 'Why': 1 not known, row 6" in message
    assert (
        '[columns."Problems"]: levels = { "a kind below" = ["the word of the table", "another"] }' in message
    )
    for kind in shipped_events().kinds.values():
        assert kind.name in message
    assert "Reasons: " in message
    assert "private query list that 'outcomes check' writes" in message
    shown = "".join(traceback.format_exception(caught.value))
    for word in (CANARY, "Zebedee", "stiff ++"):
        assert word not in shown


def test_declared_levels_settle_their_words_and_leave_the_others(tmp_path: Path) -> None:
    read = cohort(tmp_path, levels={"stiffness": ["Stiff ++"], "tendon rupture": [CANARY.upper()]})
    kinds = case_events(read, unmapped="query").set_index("position")["kind"]
    assert kinds.to_dict() == {
        0: "tendon rupture", 1: "stiffness", 4: "hardware removal", 5: "planned removal of wires",
        6: "median nerve symptoms",
    }  # fmt: skip
    counted = read.ledger.cells["event_1"]
    assert (counted.converted, counted.set_missing, counted.blank) == ({"spelling": 2}, {}, 0)


def test_a_word_outside_the_levels_never_becomes_no_event(tmp_path: Path) -> None:
    read = cohort(tmp_path, levels={"stiffness": ["stiff ++"]})
    with pytest.raises(CohortError, match="column 'Problems': 1 not known, row 2;"):
        complication_outcomes(read)
    assert pd.isna(complication_outcomes(read, unmapped="query").any_complication[0])


def test_a_level_that_is_no_kind_is_named(tmp_path: Path) -> None:
    with pytest.raises(CohortError, match="levels that are not allowed: 'stiff hand'"):
        complication_outcomes(cohort(tmp_path, levels={"stiff hand": ["stiff ++"]}))


def test_the_private_list_has_the_words_with_their_rows(tmp_path: Path) -> None:
    asked = event_queries(cohort(tmp_path))
    assert list(asked.columns) == list(QUERY_COLUMNS) == list(cohort(tmp_path).query_list().columns)
    found = asked[["row", "column", "code", "value"]].to_numpy().tolist()
    assert found == [
        [2, "Problems", "unknown_event", CANARY],
        [3, "Problems", "unknown_event", "stiff ++"],
        [6, "Why", "unknown_event_reason", CANARY],
        [3, "When", "event_undated", "stiff ++"],
        [8, "When", "event_undated", "CTS"],
    ]
    assert asked["asked"].iloc[1].endswith("Nearest: stiffness.")
    assert asked["asked"].iloc[3] == "When did it happen?"
    assert set(asked["action"]) == {"kept"}


def test_without_a_column_for_days_they_are_asked_for_once(tmp_path: Path) -> None:
    asked = event_queries(cohort(tmp_path, dates=False))
    line = asked[asked["code"] == "events_without_dates"]
    assert line[["row", "column", "value"]].to_numpy().tolist() == [[2, "Problems", ""]]
    assert '4 events from this row on; add a column is = "event_date", slot = 1.' in line["asked"].iloc[0]
    assert "event_undated" not in set(asked["code"])


def test_a_day_without_an_event_is_asked_about() -> None:
    day = pd.to_datetime(["2023-02-01"])
    asked = event_queries(table(event_1=[None], event_date_1=day, source_row=[9]))
    assert asked[["row", "code", "value"]].to_numpy().tolist() == [[9, "event_empty", ""]]


def test_operations_that_stay_unclear_are_asked_about(tmp_path: Path) -> None:
    asked = strategy_queries(cohort(tmp_path))
    assert asked[["row", "column", "code", "value"]].to_numpy().tolist() == [
        [3, "Operation", "no_term_in_note", "Zanzibar"],
        [4, "Operation", "strategy_unclear", "wires or plate"],
        [5, "Operation", "strategy_unclear", ""],
    ]
    assert asked["asked"].str.startswith("Which fixation was used?").all()


def test_a_note_without_a_term_is_not_asked_about_when_components_are_recorded() -> None:
    recorded = notes("as discussed", "as discussed")
    recorded.data["component_volar_plate"] = [1.0, None]
    assert strategy_queries(recorded)["row"].tolist() == [2]


def test_all_of_it_in_one_list_and_nothing_where_nothing_is_declared(tmp_path: Path) -> None:
    read = cohort(tmp_path)
    both = label_queries(read)
    assert len(both) == len(event_queries(read)) + len(strategy_queries(read)) == 8
    nothing = label_queries(table(tilt_union=[1.0]))
    assert nothing.empty
    assert list(nothing.columns) == list(QUERY_COLUMNS)
