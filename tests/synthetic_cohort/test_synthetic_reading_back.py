"""The intake of the main package reads both bundled files, and they tell the same."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.cohort.fixation import classify_fixation
from outcomes.cohort.table import Cohort, read_cohort
from synthetic_cohort.bundle import bundled_cohort, data_file


@pytest.fixture(scope="module")
def clean() -> Cohort:
    return read_cohort(data_file("cohort.csv"), data_file("dictionary.toml"))


@pytest.fixture(scope="module")
def messy() -> Cohort:
    return read_cohort(data_file("department.xlsx"), data_file("department_dictionary.toml"))


def test_the_clean_table_is_read_without_a_question(clean: Cohort) -> None:
    assert len(clean.data) == 600
    assert not [problem for problem in clean.problems if problem.severity == "ask"]
    expected = bundled_cohort().table
    for name in ("age", "tilt_postoperative", "grip_injured_12_months", "step_union"):
        np.testing.assert_array_equal(clean.data[name].to_numpy(float), expected[name].to_numpy(float))


def test_the_workbook_gives_the_same_cases(clean: Cohort, messy: Cohort) -> None:
    assert len(messy.data) == 600
    assert len(messy.quarantine) == 1
    keys = ["patient_id", "side"]
    both = [
        frame.assign(side=frame["side"].astype(str)).set_index(keys).sort_index()
        for frame in (clean.data, messy.data)
    ]
    lost: dict[str, int] = {}
    for name in messy.data.columns:
        if name in (*keys, "source_row", "source_sheet", "case_id", "operation_text"):
            continue
        left, right = both[0][name], both[1][name]
        if isinstance(left.dtype, pd.CategoricalDtype):
            left, right = left.astype(object), right.astype(object)
        same = (left == right) | (left.isna() & right.isna())
        assert right[~same].isna().all(), name
        if (~same).any():
            lost[name] = int((~same).sum())
    assert lost == {
        "step_postoperative": 3, "tilt_union": 2, "shortening_injury": 1, "grip_injured_3_months": 1, "pattern": 1,
    }  # fmt: skip


def test_strategies_are_found_in_the_words_and_in_the_components(clean: Cohort, messy: Cohort) -> None:
    known = bundled_cohort()
    truth = dict(
        zip(zip(known.table["patient_id"], known.table["side"], strict=True), known.strategy, strict=True)
    )
    for cohort in (clean, messy):
        keys = zip(cohort.data["patient_id"], cohort.data["side"].astype(str), strict=True)
        assert list(classify_fixation(cohort).strategy) == [truth[key] for key in keys]
