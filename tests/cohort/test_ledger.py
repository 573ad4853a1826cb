"""The ledger law, and that it is really a law: a reader that loses something cannot pass."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from intake_tables import HEADINGS, ROWS, csv_text, dictionary, read_or_code, write_csv

from outcomes.cohort import csv_table, parsing, table
from outcomes.cohort.ledger import CellCounts, Ledger
from outcomes.cohort.raw import RawTable
from outcomes.cohort.table import read_cohort
from outcomes.errors import CohortError


def ledger(**changed: Any) -> Ledger:
    cells = {"age": CellCounts(read=2, verbatim=1, blank=0, set_missing={"range": 1})}
    return Ledger(
        **(
            {
                "physical_rows": 4,
                "used": 2,
                "quarantined": {"blank_id": 1},
                "not_data": {"header": 1},
                "cells": cells,
            }
            | changed
        )
    )


def test_a_balanced_ledger_passes() -> None:
    assert ledger().balanced
    ledger().check()
    assert ledger().tidy()["n"].tolist() == [2, 1, 1, 1, 0, 1]


@pytest.mark.parametrize(
    "changed",
    [
        {"physical_rows": 5},
        {"quarantined": {}},
        {"used": 3},
        {"cells": {"age": CellCounts(read=2, verbatim=1, blank=0)}},
        {"cells": {"age": CellCounts(read=1, verbatim=1, blank=0)}},
        {"cells": {"age": CellCounts(read=2, verbatim=0, blank=0, set_missing={"missing_token": 2})}},
    ],
)
def test_an_unbalanced_ledger_is_refused(changed: dict[str, Any]) -> None:
    assert not ledger(**changed).balanced
    with pytest.raises(CohortError) as caught:
        ledger(**changed).check()
    assert caught.value.code == "ledger_unbalanced"


def test_a_reader_that_drops_a_row_is_caught(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = pd.read_csv
    monkeypatch.setattr(csv_table.pd, "read_csv", lambda *a, **k: whole(*a, **k).iloc[:-1])
    with pytest.raises(CohortError) as caught:
        read_cohort(write_csv(tmp_path, csv_text(ROWS)), dictionary())
    assert caught.value.code == "reader_disagrees"


def test_a_table_that_loses_a_row_between_reader_and_cohort_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read_raw = table.read_raw

    def shorter(*arguments: Any) -> RawTable:
        raw = read_raw(*arguments)
        keep = np.arange(len(raw.rows)) > 0
        columns = {position: column.keep(keep) for position, column in raw.columns.items()}
        return dataclasses.replace(raw, rows=raw.rows[keep], columns=columns)

    monkeypatch.setattr(table, "read_raw", shorter)
    with pytest.raises(CohortError) as caught:
        read_cohort(pd.DataFrame(ROWS, columns=HEADINGS), dictionary())
    assert caught.value.code == "ledger_unbalanced"


def test_a_value_lost_in_typing_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    values = parsing.ParsedColumn.values

    def lossy(self: parsing.ParsedColumn) -> Any:
        made = values(self)
        if self.column.name == "tilt_union":
            made[0] = np.nan
        return made

    monkeypatch.setattr(parsing.ParsedColumn, "values", lossy)
    with pytest.raises(CohortError) as caught:
        read_cohort(pd.DataFrame(ROWS, columns=HEADINGS), dictionary())
    assert caught.value.code == "ledger_unbalanced"


TOKENS = st.sampled_from(
    ["", "10", "-4", "n/a", "2/3", "10-15", "<2", "4 mm", "5 volar", "999", "x", " 7 ", "−3", "1e9"]
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.sampled_from(["1", "2", "3", ""]), st.sampled_from(["L", "R", ""]), TOKENS, TOKENS),
        min_size=1,
        max_size=12,
    )
)
def test_whatever_the_cells_the_ledger_balances(
    tmp_path: Path, cells: list[tuple[str, str, str, str]]
) -> None:
    rows = [[key, side, "f", "01/02/2021", "03/02/2021", tilt, grip] for key, side, tilt, grip in cells]
    path = write_csv(tmp_path, csv_text(rows))
    code, cohort = read_or_code(path, dictionary({"missing": ["n/a"]}, Grip={"codes": [999]}))
    if cohort is None:
        assert code in ("empty", "code_not_declared", "several")  # a code for missing in two columns
        return
    counted = cohort.ledger
    assert counted.physical_rows == len(path.read_text().splitlines())
    assert (
        counted.used + sum(counted.quarantined.values()) + sum(counted.not_data.values())
        == counted.physical_rows
    )
    assert len(cohort.quarantine) == sum(counted.quarantined.values())
    for column in cohort.dictionary.columns:
        cell = counted.cells[column.name]
        assert cell.verbatim + sum(cell.converted.values()) == cohort.data[column.name].notna().sum()
        assert cell.blank + sum(cell.set_missing.values()) == cohort.data[column.name].isna().sum()
