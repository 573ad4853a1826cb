"""The bundled invented tables: the messy workbook and the clean file are the same cohort."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohort.dictionary import read_dictionary
from outcomes.cohort.table import Cohort, read_cohort

DATA = Path(str(resources.files("synthetic_cohort"))) / "data"


@pytest.fixture(scope="module")
def clean() -> Cohort:
    return read_cohort(DATA / "cohort.csv", DATA / "dictionary.toml")


@pytest.fixture(scope="module")
def messy() -> Cohort:
    return read_cohort(DATA / "department.xlsx", DATA / "department_dictionary.toml")


def test_both_balance(clean: Cohort, messy: Cohort) -> None:
    assert clean.ledger.balanced
    assert messy.ledger.balanced
    assert clean.ledger.quarantined == {}
    assert messy.ledger.quarantined == {"exact_duplicate": 1}
    assert messy.ledger.not_data["footer"] >= 1
    assert messy.ledger.not_data["above_header"] >= 1


def test_the_workbook_really_is_messy(messy: Cohort) -> None:
    cells = messy.ledger.cells.values()
    converted = {reason for cell in cells for reason in cell.converted}
    missing = {reason for cell in cells for reason in cell.set_missing}
    tokens = {token for cell in cells for token in cell.missing_tokens}
    assert {"spelling", "declared_unit_or_sign", "unit_in_cell", "date_text"} <= converted
    assert {"missing_token", "censored", "range", "undeclared_level", "impossible"} <= missing
    assert len(tokens) >= 3


def test_they_agree_wherever_the_workbook_gives_a_value(clean: Cohort, messy: Cohort) -> None:
    keys = ["patient_id", "side"]
    both = clean.data.merge(messy.data, on=keys, suffixes=("", "_messy"), validate="one_to_one")
    assert len(both) == len(clean) == len(messy)
    shared = [
        name for name in clean.dictionary.names if name in messy.data and name not in (*keys, "case_id")
    ]
    assert len(shared) > 60
    for name in shared:
        if name == "operation_text":
            continue
        one, other = both[name], both[f"{name}_messy"]
        assert one[other.notna()].astype(object).tolist() == other[other.notna()].astype(object).tolist(), (
            name
        )
        lost = sum(messy.ledger.cells[name].set_missing.get(code, 0) for code in REASONS)
        assert int((one.notna() & other.isna()).sum()) <= lost, name


REASONS = ("censored", "range", "undeclared_level", "impossible", "fraction", "not_a_number", "missing_like")


def test_their_dictionaries_round_trip() -> None:
    for name in ("dictionary.toml", "department_dictionary.toml"):
        declared = read_dictionary(DATA / name)
        assert read_dictionary(tomllib.loads(declared.to_toml())) == declared


def test_every_problem_points_at_a_row_and_a_heading(messy: Cohort) -> None:
    listed = pd.DataFrame(
        [(p.row, p.column, p.code) for p in messy.problems], columns=["row", "column", "code"]
    )
    asked = messy.query_list()
    assert len(asked) == listed["row"].notna().sum()
    assert (asked["sheet"] == "Wrists").all()
