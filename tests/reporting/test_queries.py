"""What labelling asks reaches the private list with its words, the screen and the report with counts alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from outcomes.analysis.run import Analysis
from outcomes.cohort.table import Cohort, read_cohort
from outcomes.reporting.build import build_report
from outcomes.reporting.check import check_study, check_table
from outcomes.reporting.html import render_html
from outcomes.reporting.inputs import Inputs
from outcomes.reporting.queries import all_queries, labelling_queries
from outcomes.reporting.run_folder import write_run

CANARY = "canary quillfeather"
DICTIONARY = """
format = "outcomes dictionary 1"
[table]
footer = ["mean"]
[columns."No"]
is = "patient_id"
[columns."Treated"]
is = "treatment_date"
date_order = "year-month-day"
[columns."Seen"]
is = "last_seen_date"
date_order = "year-month-day"
[columns."Trouble"]
is = "event"
slot = 1
[columns."When"]
is = "event_date"
slot = 1
date_order = "year-month-day"
[columns."Note"]
is = "operation_text"
[columns."Score"]
is = "prwe"
time = "12 months"
"""
ROWS = f"""No,Treated,Seen,Trouble,When,Note,Score
1,2024-01-01,2025-01-01,,,volar locking plate,12
2,2024-01-01,2025-01-01,{CANARY},2024-02-01,volar locking plate,13
3,2024-01-01,2025-01-01,CTS,,as {CANARY} said,14
4,2024-01-01,2025-01-01,,,K-wires,15
4,2024-01-01,2025-01-01,,,K-wires,15
total,,,,,,14
"""
STUDY = """
format = "outcomes study 1"
title = "Invented"
declared = 2026-01-15
data_seen_before_plan = "no"
[cohort]
file = "w.csv"
dictionary = "d.toml"
[strategy]
judged = ["volar locking plate", "percutaneous pinning"]
[[outcomes]]
name = "prwe"
visit = "12 months"
role = "primary"
better = "lower"
[[outcomes]]
name = "complication"
better = "lower"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in (("w.csv", ROWS), ("d.toml", DICTIONARY), ("s.toml", STUDY)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


@pytest.fixture
def cohort(folder: Path) -> Cohort:
    return read_cohort(folder / "w.csv", folder / "d.toml")


def test_one_list_holds_what_the_reading_and_the_labelling_ask(cohort: Cohort) -> None:
    queries = all_queries(cohort, labelling_queries(cohort))
    assert {"unknown_event", "event_undated", "no_term_in_note", "exact_duplicate"} <= set(queries["code"])
    assert CANARY in set(queries["value"])
    assert list(queries.columns) == list(cohort.query_list().columns)


def test_nothing_is_asked_about_operations_where_the_strategy_is_recorded(
    cohort: Cohort, inputs: Inputs
) -> None:
    plan = replace(inputs.study.strategy, recorded_column="how")
    codes = set(labelling_queries(cohort, replace(inputs.study, strategy=plan))["code"])
    assert codes == {"unknown_event", "event_undated"}


def test_a_check_counts_them_and_keeps_their_words_private(folder: Path) -> None:
    for found in (
        check_table(folder / "w.csv", folder / "d.toml", folder / "one"),
        check_study(folder / "s.toml", folder / "two"),
    ):
        shown = "\n".join(found.lines)
        assert CANARY not in shown
        assert "1 x unknown event, column Trouble: row 3 (to be answered)" in shown
        assert "1 x event undated, column When: row 4 (to be answered)" in shown
        assert "1 x no term in note, column Note: row 4 (to be answered)" in shown
        assert found.folder is not None
        assert CANARY in (found.folder / "query_list.csv").read_text(encoding="utf-8-sig")
    assert len(found.refused) == 1
    assert "1 not known" in found.refused[0]


def test_rows_that_look_like_totals_or_repeats_are_numbered(folder: Path) -> None:
    shown = "\n".join(check_table(folder / "w.csv", folder / "d.toml", folder / "out").lines)
    assert "1 x exact duplicate, row 6: quarantined (to be answered)" in shown
    assert "1 x looks like total, row 7: quarantined (to be answered)" in shown


def test_one_thing_is_one_thing(folder: Path) -> None:
    lines = ROWS.splitlines()
    (folder / "w.csv").write_text("\n".join(lines[:3]) + "\n", encoding="utf-8")
    shown = "\n".join(check_table(folder / "w.csv", folder / "d.toml", folder / "out").lines)
    assert "1 thing to ask about events and operations" in shown


def test_a_rule_table_that_cannot_be_used_is_refused_and_the_events_are_asked_about(folder: Path) -> None:
    plan = STUDY.replace("[strategy]", '[strategy]\nrules = "nowhere.toml"')
    (folder / "s.toml").write_text(plan, encoding="utf-8")
    found = check_study(folder / "s.toml", folder / "out")
    assert any("nowhere.toml" in text for text in found.refused)
    assert "1 x unknown event" in "\n".join(found.lines)


def test_the_report_counts_them_and_the_private_folder_lists_them(analysis: Analysis, tmp_path: Path) -> None:
    assert "labelling_queries" not in {table.key for table in build_report(analysis).tables()}
    data: pd.DataFrame = analysis.cohort.data.copy()
    data.loc[data.index[:3], "operation_text"] = CANARY
    recorded = [name for name in data.columns if str(name).startswith("component_")]
    data.loc[data.index[:3], recorded] = float("nan")
    changed = replace(analysis, cohort=replace(analysis.cohort, data=data))
    report = build_report(changed)
    (table,) = (table for table in report.tables() if table.key == "labelling_queries")
    assert table.frame["n"].sum() == 3
    assert CANARY not in render_html(report)
    run = write_run(changed, tmp_path / "run")
    assert (run.private / "query_list.csv").read_text(encoding="utf-8-sig").count(CANARY) == 3
    shareable = b"".join(path.read_bytes() for path in run.folder.rglob("*") if path.is_file())
    assert CANARY.encode() not in shareable
