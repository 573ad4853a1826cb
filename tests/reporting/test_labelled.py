"""The table back with its labels: every case, every reason, and the same counts as the answer."""

from __future__ import annotations

import io
import os
import stat

import pandas as pd
import pytest

from outcomes.analysis.run import Analysis
from outcomes.reporting.labelled import labelled_frame
from outcomes.reporting.run_folder import RunFolder


def test_in_and_out_agree_with_every_answer(analysis: Analysis) -> None:
    frame = labelled_frame(analysis.sample)
    assert len(frame) == len(analysis.sample.frame)
    for answer in analysis.answers:
        why = frame[f"why not: {answer.outcome}"]
        assert (frame[f"in analysis: {answer.outcome}"] == "yes").sum() == answer.n_used
        assert (why == "outcome missing").sum() == answer.n_outcome_missing
        assert (why == "reduction indeterminate").sum() == answer.n_indeterminate
        assert (why == "a covariate is missing").sum() == answer.n_covariate_missing


def test_every_label_has_its_grounds(analysis: Analysis) -> None:
    frame = labelled_frame(analysis.sample)
    assert {"source_sheet", "source_row", "patient_id", "case_id", "strategy_rule", "strategy_parts"} <= set(
        frame
    )
    assert (frame["strategy_rule"].astype(str) != "").all()
    distances = [name for name in frame if name.startswith("distance: ")]
    criteria = [name for name in frame if name.startswith("criterion: ")]
    assert distances
    assert criteria
    failed = frame[criteria].eq("not met").any(axis=1)
    assert (failed == (frame["reduction"] == "not met")).all()
    assert (frame[distances].min(axis=1)[frame["reduction"] == "met"] >= 0).all()


def test_it_stands_in_the_private_folder_and_nowhere_else(run: RunFolder, analysis: Analysis) -> None:
    table = pd.read_csv(run.private / "labelled.csv", encoding="utf-8-sig", dtype=str, keep_default_na=False)
    assert table["patient_id"].tolist() == analysis.sample.frame["patient_id"].astype(str).tolist()
    assert table["source_row"].astype(int).tolist() == analysis.sample.frame["source_row"].tolist()
    assert not (run.folder / "labelled.csv").exists()
    if os.name == "posix":
        assert stat.S_IMODE(run.private.stat().st_mode) == 0o700
        assert {stat.S_IMODE(path.stat().st_mode) for path in run.private.iterdir()} == {0o600}


def test_what_may_be_shown_holds_no_id_and_no_operation_text(run: RunFolder, analysis: Analysis) -> None:
    data = analysis.cohort.data
    ids = {str(value) for name in ("patient_id", "case_id") for value in data[name]}
    ids = {value for value in ids if len(value) >= 5}
    assert len(ids) > 500
    notes = {str(text) for text in data["operation_text"].dropna() if len(str(text)) > 12}
    # A note may consist of nothing but the name of a strategy, which the report prints anyway.
    notes -= {note for note in notes if note.casefold() in set(data_words(analysis))}
    assert len(notes) > 5
    for path in run.folder.rglob("*"):
        if path.suffix in (".html", ".json", ".md", ".log"):
            text = path.read_text(encoding="utf-8")
            assert [value for value in (*ids, *notes) if value in text] == [], path.name
    sheets = pd.read_excel(run.folder / "tables.xlsx", sheet_name=None, header=None, dtype=str)
    words = {str(cell) for sheet in sheets.values() for cell in sheet.to_numpy().ravel()}
    assert words & (ids | notes) == set()


def data_words(analysis: Analysis) -> list[str]:
    names = {*analysis.sample.frame["strategy_recorded"], *analysis.sample.frame["strategy"]}
    return [str(name).casefold() for name in names]


@pytest.mark.parametrize("name", ["query_list.csv", "quarantine.csv", "labelled.csv"])
def test_private_tables_open_as_tables(run: RunFolder, name: str) -> None:
    content = (run.private / name).read_bytes()
    assert len(pd.read_csv(io.BytesIO(content), encoding="utf-8-sig").columns) > 1
