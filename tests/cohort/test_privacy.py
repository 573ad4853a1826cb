"""Nothing automatic carries a patient value: messages, reprs, problems, pickles."""

from __future__ import annotations

import copy
import pickle
import traceback
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from intake_tables import HEADINGS, ROWS, changed, csv_text, dictionary, write_csv

from outcomes.cohort import table
from outcomes.cohort.table import read_cohort
from outcomes.errors import CohortError

CANARY = "KANARIE-77"


def planted() -> pd.DataFrame:
    frame = pd.DataFrame([*ROWS, [CANARY, "R", CANARY, CANARY, CANARY, CANARY, CANARY]], columns=HEADINGS)
    frame["Operation"] = CANARY
    frame["Patient name"] = CANARY
    return frame


def test_shown_and_listed_things_hold_no_cell() -> None:
    cohort = read_cohort(planted(), dictionary(Operation={"is": "operation_text"}))
    shown = [repr(cohort), str(cohort), cohort._repr_html_(), str(cohort.ledger), repr(cohort.ledger)]
    shown += [repr(problem) for problem in cohort.problems] + list(cohort.history)
    shown += [cohort.quarantine.to_csv(), repr(cohort.source), cohort.dictionary.to_toml()]
    assert len(cohort.problems) > 4
    assert not [text for text in shown if CANARY in text]
    assert CANARY in cohort.data["operation_text"].tolist()


def test_the_query_list_has_the_value_on_request() -> None:
    queries = read_cohort(planted(), dictionary()).query_list()
    assert CANARY in queries["value"].tolist()
    assert set(queries.columns) == {"sheet", "row", "column", "code", "action", "asked", "value"}
    assert queries["row"].tolist() == [4] * len(queries)


@pytest.mark.parametrize(
    "rows",
    [
        changed(0, "Treated", "03/25/2021 "),
        [[*row, CANARY] for row in ROWS * 3],
        [[CANARY, *ROWS[0][1:]], [CANARY, "L", "f", "01/02/2024", "03/02/2024", "1", "1"]],
    ],
)
def test_refusals_hold_no_cell(tmp_path: Path, rows: list[list[str]]) -> None:
    with pytest.raises(CohortError) as caught:
        read_cohort(write_csv(tmp_path, csv_text(rows)), dictionary())
    text = "".join(traceback.format_exception(caught.value))
    assert CANARY not in text
    assert "03/25/2021" not in text


def test_a_fault_of_ours_or_of_a_library_shows_kind_and_place_only(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*arguments: Any) -> Any:
        raise KeyError(CANARY)

    monkeypatch.setattr(table, "identify", broken)
    with pytest.raises(CohortError) as caught:
        read_cohort(planted(), dictionary())
    assert caught.value.code == "program_fault"
    assert "KeyError" in str(caught.value)
    assert CANARY not in "".join(traceback.format_exception(caught.value))


def test_no_pickle_and_no_deep_copy() -> None:
    cohort = read_cohort(planted(), dictionary())
    for attempt in (pickle.dumps, copy.deepcopy):
        with pytest.raises(CohortError) as caught:
            attempt(cohort)
        assert caught.value.code == "no_pickle"


def test_names_of_columns_are_never_code(tmp_path: Path) -> None:
    heading = "__import__('os').mkdir('x')"
    frame = pd.DataFrame(ROWS, columns=HEADINGS).rename(columns={"Tilt": heading})
    declared = dictionary(Tilt=None)
    declared["columns"][heading] = {"is": "tilt", "time": "union", "unit": "degrees", "positive": "volar"}
    assert read_cohort(frame, declared).data["tilt_union"].tolist() == [10.0, -4.0, 0.0]
