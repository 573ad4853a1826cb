"""Baseline and overlap tables against sums done by hand and by another library."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.description import baseline_table, overlap_table
from outcomes.errors import StudyError

STRATEGY = ["plate", "plate", "plate", "pins", "pins", "pins", "other", "plate"]
AGE = [50.0, 60.0, np.nan, 40.0, 50.0, 60.0, 90.0, 20.0]
SEX = pd.Categorical(
    ["female", "male", "female", "female", None, "female", "male", "male"],
    categories=["female", "male", "unused"],
)
OPEN = [0.0, 1.0, 0.0, np.nan, 1.0, 0.0, 0.0, 1.0]


@pytest.fixture
def sample(make_sample):
    """Seven eligible cases in six patients; the eighth case is not eligible."""
    return make_sample(
        STRATEGY,
        outcome=[1.0] * 8,
        reduction=["met", "not met", "met", "met", "indeterminate", "not met", "met", "met"],
        patient=["a", "a", "b", "c", "d", "e", "f", "g"],
        eligible=[True] * 7 + [False],
        judged=("plate", "pins"),
        columns={"age": AGE, "sex": SEX, "open_injury": OPEN},
    )


def _row(table, variable, level=""):
    return next(row for row in table.rows if row.variable == variable and row.level == level)


def test_groups_count_cases_and_patients_of_the_eligible(sample):
    table = baseline_table(sample)
    assert [(g.name, g.n_cases, g.n_patients) for g in table.groups] == [
        ("plate", 3, 2), ("pins", 3, 3), ("other", 1, 1),
    ]  # fmt: skip
    assert (table.overall.n_cases, table.overall.n_patients, table.n_two_wrists) == (7, 6, 1)
    assert table.compared == ("plate", "pins")


def test_patients_are_counted_by_patient_whatever_the_clusters(sample):
    by_surgeon = replace(sample, study=replace(sample.study, cluster="surgeon"))
    by_surgeon.frame["cluster"] = 0
    table = baseline_table(by_surgeon)
    assert [g.n_patients for g in (*table.groups, table.overall)] == [2, 3, 1, 6]


def test_a_patient_in_two_groups_counts_in_both(make_sample):
    sample = make_sample(["plate", "pins", "plate", "plate"], outcome=[1.0] * 4, patient=["a", "a", "b", "b"])
    table = baseline_table(sample)
    assert [g.n_patients for g in (*table.groups, table.overall)] == [2, 1, 2]


def test_numbers_by_hand(sample):
    row = _row(baseline_table(sample), "age")
    plate, pins, other = row.cells
    assert (plate.n, plate.n_missing, plate.mean) == (2, 1, 55.0)
    assert plate.sd == pytest.approx(np.sqrt(50), rel=1e-12)
    assert (pins.mean, pins.sd, pins.median, pins.q1, pins.q3) == (50.0, 10.0, 50.0, 45.0, 55.0)
    assert (other.n, other.mean, other.sd) == (1, 90.0, None)
    assert (row.unit, row.kind) == ("years", "number")
    # (55 - 50) / sqrt((50 + 100) / 2)
    assert row.std_difference == pytest.approx(5 / np.sqrt(75), rel=1e-12)
    assert row.between == ("plate", "pins")


def test_levels_and_yes_no_count_over_those_known(sample):
    table = baseline_table(sample)
    female = _row(table, "sex", "female")
    assert [(c.count, c.n, c.n_missing) for c in female.cells] == [(2, 3, 0), (2, 2, 1), (0, 1, 0)]
    assert female.overall.share == pytest.approx(4 / 6)
    assert not [row for row in table.rows if row.level == "unused"]
    opened = _row(table, "open_injury", "yes")
    assert opened.kind == "yes_no"
    assert [(c.count, c.n, c.n_missing) for c in opened.cells] == [(1, 3, 0), (1, 2, 1), (0, 1, 0)]
    # |1/3 - 1/2| / sqrt((1/3 2/3 + 1/4) / 2)
    assert opened.std_difference == pytest.approx((1 / 6) / np.sqrt((2 / 9 + 1 / 4) / 2), rel=1e-12)


def test_by_reduction_compares_met_with_not_met_only(sample):
    table = baseline_table(sample, by="reduction")
    assert [(g.name, g.n_cases) for g in table.groups] == [("met", 4), ("not met", 2), ("indeterminate", 1)]
    assert table.compared == ("met", "not met")
    age = _row(table, "age")
    assert age.cells[0].mean == pytest.approx((50 + 40 + 90) / 3)
    assert age.between == ("met", "not met")


def test_table_agrees_with_a_data_frame_library(make_sample):
    rng = np.random.default_rng(4)
    n = 500
    strategy = rng.choice(["a", "b", "c"], n)
    tilt = np.where(rng.random(n) < 0.1, np.nan, rng.normal(-12, 8, n))
    sample = make_sample(strategy, outcome=np.zeros(n), judged=("a", "b", "c"), columns={"tilt_injury": tilt})
    row = _row(baseline_table(sample), "tilt_injury")
    expected = pd.Series(tilt).groupby(strategy)
    for cell, name in zip(row.cells, "abc", strict=True):
        part = expected.get_group(name)
        assert cell.mean == pytest.approx(part.mean(), rel=1e-12)
        assert cell.sd == pytest.approx(part.std(), rel=1e-12)
        assert [cell.q1, cell.median, cell.q3] == pytest.approx(part.quantile([0.25, 0.5, 0.75]).tolist())
        assert cell.n_missing == part.isna().sum()
    means, spreads = expected.mean(), expected.var()
    gaps = [
        abs(means[i] - means[j]) / np.sqrt((spreads[i] + spreads[j]) / 2)
        for i, j in (("a", "b"), ("a", "c"), ("b", "c"))
    ]
    assert row.std_difference == pytest.approx(max(gaps), rel=1e-12)
    assert row.unit == "degrees"


def test_tidy_has_no_p_values_and_every_group(sample):
    tidy = baseline_table(sample).tidy()
    assert not [column for column in tidy.columns if column.startswith("p_")]
    ages = tidy[tidy.variable == "age"]
    assert ages.group.tolist() == ["plate", "pins", "other", "all"]
    assert ages.n_missing.tolist() == [1, 0, 0, 1]


def test_one_group_has_no_difference(make_sample):
    table = baseline_table(make_sample(["plate"] * 3, outcome=[1.0] * 3, columns={"age": [1.0, 2.0, 3.0]}))
    assert table.rows[0].std_difference is None
    assert "No standardised difference" in str(table)


def test_a_variable_nobody_has_is_listed_as_missing(make_sample):
    columns = {
        "age": [np.nan] * 4,
        "sex": pd.Categorical([None] * 4, categories=["female", "male"]),
    }
    table = baseline_table(make_sample(["a", "a", "b", "b"], outcome=[1.0] * 4, columns=columns))
    assert [(row.variable, row.overall.n, row.overall.n_missing) for row in table.rows] == [
        ("age", 0, 4), ("sex", 0, 4),
    ]  # fmt: skip


def test_covariates_of_the_plan_are_described_and_must_exist(sample, make_sample):
    extra = make_sample(["a", "b"], outcome=[1.0, 2.0], columns={"cost": [1.0, 2.5]}, covariates=("cost",))
    assert [row.variable for row in baseline_table(extra).rows] == ["cost"]
    wrong = replace(sample, study=replace(sample.study, covariates=("cost",)))
    with pytest.raises(StudyError, match="covariates cost are not columns"):
        baseline_table(wrong)


def test_wrong_questions_are_refused(sample, make_sample):
    with pytest.raises(StudyError, match='use "strategy" or "reduction"'):
        baseline_table(sample, by="hospital")
    with pytest.raises(StudyError, match="does not ask about reduction"):
        baseline_table(make_sample(["a", "b"], outcome=[1.0, 2.0]), by="reduction")
    dates = make_sample(
        ["a", "b"], outcome=[1.0, 2.0], covariates=("when",),
        columns={"when": pd.to_datetime([dt.date(2024, 1, 1), dt.date(2024, 2, 1)])},
    )  # fmt: skip
    with pytest.raises(StudyError, match="is a date"):
        baseline_table(dates)


def test_page_and_sentence_escape_and_name(make_sample):
    sample = make_sample(
        ["<plate>", "<plate>", "pins", "pins"], outcome=[0.0] * 4, columns={"age": AGE[:2] * 2}
    )
    assert "&lt;plate&gt;" in baseline_table(sample)._repr_html_()
    sample = make_sample(["a", "a", "b", "b"], outcome=[0.0] * 4, columns={"age": [50.0, 60, 70, 80]})
    assert "age 2.83 (a v b)" in str(baseline_table(sample))


def test_overlap_counts_and_flags(make_sample):
    strategy = ["plate"] * 60 + ["pins"] * 40 + ["plate"] * 80 + ["pins"] * 2 + ["cast"]
    pattern = ["bending"] * 100 + ["rim shear"] * 82 + [None]
    sample = make_sample(
        strategy, outcome=[0.0] * 183, judged=("plate", "pins", "fixator"), pattern="pattern",
        columns={"pattern": pd.Categorical(pattern, categories=["unused", "bending", "rim shear"])},
    )  # fmt: skip
    table = overlap_table(sample)
    assert table.patterns == ("bending", "rim shear", "not recorded")
    assert table.strategies == ("plate", "pins", "fixator", "cast")
    at = {(c.pattern, c.strategy): c for c in table.cells}
    assert at["bending", "pins"].share == 0.4
    assert not at["bending", "pins"].flagged
    assert (at["rim shear", "pins"].n, at["rim shear", "pins"].flagged) == (2, True)  # 2 / 82 = 2.4 %
    assert at["bending", "fixator"].flagged
    assert table.n_missing == 1
    assert sum(c.n for c in table.cells) == 183
    assert "pins in rim shear (2)" in str(table)
    assert "2*" in table._repr_html_()


def test_overlap_limit_is_that_of_the_study(make_sample):
    kwargs = {"outcome": [0.0] * 4, "pattern": "pattern", "columns": {"pattern": ["x"] * 4}}
    usual = overlap_table(make_sample(["a", "a", "a", "b"], **kwargs))
    strict = overlap_table(make_sample(["a", "a", "a", "b"], limits={"propensity_min": 0.3}, **kwargs))
    assert [c.flagged for c in usual.cells] == [False, False]
    assert [c.flagged for c in strict.cells] == [False, True]


def test_overlap_without_pattern_column(make_sample):
    assert overlap_table(make_sample(["a"], outcome=[1.0])) is None
    with pytest.raises(StudyError, match="pattern column 'pattern' is not in this cohort"):
        overlap_table(make_sample(["a"], outcome=[1.0], pattern="pattern"))
