"""The one-pass summary: equal to pandas group by group, blind to the order of rows, honest about gaps."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.groups.summary import LevelSummary, NumberSummary, summarise_groups


def cohort(n: int = 2000, seed: int = 9) -> tuple[pd.DataFrame, pd.Categorical]:
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {
            "grip": np.where(rng.random(n) < 0.15, np.nan, rng.normal(30, 8, n)),
            "score": rng.integers(0, 11, n).astype(float),
            "skewed": rng.lognormal(3, 2, n),
            "smoker": np.where(rng.random(n) < 0.1, np.nan, rng.integers(0, 2, n)),
            "pattern": pd.Categorical.from_codes(rng.integers(-1, 3, n), ["x", "y", "z", "never used"]),
        }
    )
    return frame, pd.Categorical.from_codes(rng.integers(-1, 4, n), ["a", "b", "c", "d", "empty"])


def test_equals_pandas():
    frame, by = cohort()
    summary = summarise_groups(frame, by, yes_no=["smoker"])
    assert summary.groups == ("a", "b", "c", "d", "empty", "overall")
    assert summary.n_ungrouped == (by.codes < 0).sum()
    grouped = frame[by.codes >= 0]
    for column in summary.columns:
        for i, name in enumerate(summary.groups):
            theirs = (grouped if name == "overall" else frame[by == name])[column.name]
            assert column.n[i] == theirs.notna().sum()
            assert column.n_missing[i] == theirs.isna().sum()
            assert column.n[i] + column.n_missing[i] == summary.sizes[i]
            if isinstance(column, LevelSummary):
                levels = [1.0] if column.levels == ("yes",) else list(column.levels)
                assert list(column.counts[i]) == [(theirs == level).sum() for level in levels]
            elif name == "empty":
                assert column.mean[i] is column.sd[i] is column.median[i] is column.maximum[i] is None
            else:
                mine = (
                    column.mean,
                    column.sd,
                    column.minimum,
                    column.q1,
                    column.median,
                    column.q3,
                    column.maximum,
                )
                assert np.allclose([value[i] for value in mine], theirs.describe().iloc[1:], rtol=1e-12)


def test_does_not_depend_on_the_order_of_rows():
    frame, by = cohort()
    shuffled = np.random.default_rng(1).permutation(len(frame))
    first = summarise_groups(frame, by, yes_no=["smoker"])
    second = summarise_groups(frame.iloc[shuffled], by[shuffled], yes_no=["smoker"])
    assert first == second  # to the last bit


def test_does_not_change_what_it_was_given():
    frame, by = cohort(300)
    columns = {name: frame[name].to_numpy() for name in ("grip", "score")}
    before = {name: values.copy() for name, values in columns.items()}
    summarise_groups(columns, by)
    assert all(np.array_equal(columns[name], before[name], equal_nan=True) for name in columns)


def test_small_groups():
    column = summarise_groups({"x": [7.0, np.nan, np.nan, 1.0, 2.0]}, list("abbcc"), overall=False).columns[0]
    assert isinstance(column, NumberSummary)
    assert column.n == (1, 0, 2)
    assert column.mean == (7.0, None, 1.5)
    assert (column.sd[0], column.sd[1]) == (None, None)
    assert column.q1 == (7.0, None, 1.25)


@pytest.mark.parametrize("n", [5, 6, 7, 8, 1001, 1002, 1003, 1004, 30_001, 30_002])
@pytest.mark.parametrize("k", [1, 2, 7])
def test_overall_quartiles_whatever_the_groups(n: int, k: int):
    rng = np.random.default_rng(n + k)
    values = rng.normal(size=n) * rng.lognormal(0, 2, n)
    column = summarise_groups({"x": values}, rng.integers(0, k, n)).columns[0]
    assert isinstance(column, NumberSummary)
    quartiles = (column.q1[-1], column.median[-1], column.q3[-1])
    assert np.allclose(quartiles, np.quantile(values, [0.25, 0.5, 0.75]), rtol=1e-14, atol=0)


def test_two_values_in_all():
    column = summarise_groups({"x": [1.0, 3.0]}, ["a", "b"]).columns[0]
    assert isinstance(column, NumberSummary)
    assert column.sd == (None, None, pytest.approx(2**0.5, rel=1e-12))
    assert column.median == (1.0, 3.0, 2.0)


def test_a_large_offset_costs_nothing():
    """NIST NumAcc4 as one group: SD 0.1 to 8 digits."""
    values = [10000000.2] + [10000000.1, 10000000.3] * 500
    column = summarise_groups({"x": values}, ["a"] * 1001).columns[0]
    assert isinstance(column, NumberSummary)
    assert column.sd == (pytest.approx(0.1, rel=1e-8), pytest.approx(0.1, rel=1e-8))


def test_constant_columns_have_no_spread():
    column = summarise_groups({"x": [0.1] * 9}, list("aaabbbccc")).columns[0]
    assert isinstance(column, NumberSummary)
    assert column.sd == (0.0, 0.0, 0.0, 0.0)


def test_all_missing_and_no_rows():
    column = summarise_groups({"x": [np.nan, np.nan]}, ["a", "b"]).columns[0]
    assert column.n == (0, 0, 0)
    nobody = summarise_groups({"x": []}, pd.Categorical([], categories=["a"]))
    assert nobody.sizes == (0, 0)
    assert nobody.columns[0].n == (0, 0)


def test_nullable_and_integer_columns():
    frame = pd.DataFrame({"i": [1, 2, 3], "f": pd.array([1.5, None, 2.5], dtype="Float64")})
    summary = summarise_groups(frame, ["a", "a", "a"], overall=False)
    assert summary.columns[0].mean == (2.0,)
    assert (summary.columns[1].n, summary.columns[1].mean) == ((2,), (2.0,))


def test_tidy_and_sentence():
    frame, by = cohort(200)
    summary = summarise_groups(frame, by, yes_no=["smoker"])
    tidy = summary.tidy()
    assert {"outcome", "group", "level", "n", "n_missing", "mean", "sd", "median", "count"} <= set(
        tidy.columns
    )
    assert len(tidy) == 6 * (3 + 1 + 4)
    assert str(summary).startswith("5 columns by group (a ")


def test_bad_columns_are_named_and_never_quoted():
    with pytest.raises(EstimationError, match="column note: neither numbers") as raised:
        summarise_groups({"note": ["secret", "x"]}, ["a", "b"])
    assert "secret" not in str(raised.value)
    for text in (["1", "2"], pd.Series(["1", "2"]), np.array(["2024-01-01", "NaT"], dtype="datetime64[D]")):
        with pytest.raises(EstimationError, match="column note: neither numbers"):
            summarise_groups({"note": text}, ["a", "b"])
    with pytest.raises(EstimationError, match="'overall' names the column of all rows"):
        summarise_groups({"x": [1, 2]}, ["overall", "b"])
    with pytest.raises(EstimationError, match="column x: declared yes/no"):
        summarise_groups({"x": [0, 2.0]}, ["a", "b"], yes_no=["x"])
    with pytest.raises(EstimationError, match="column x: 3 rows, but 2 rows of groups"):
        summarise_groups({"x": [0, 2.0, 3]}, ["a", "b"])
    for infinite in (np.inf, -np.inf):
        with pytest.raises(EstimationError, match="column x: holds infinite"):
            summarise_groups({"x": [0, infinite]}, ["a", "a"])
    with pytest.raises(EstimationError, match="no column named y"):
        summarise_groups({"x": [0, 1]}, ["a", "b"], yes_no=["y"])


@pytest.mark.parametrize("columns", [{"grip": [1.0, 2.0]}, pd.DataFrame({"grip": [1.0, 2.0]})])
def test_swapped_arguments_are_noticed(columns):
    with pytest.raises(EstimationError, match="swapped"):
        summarise_groups(["a", "b"], columns)
    with pytest.raises(EstimationError, match="not the name of a column"):
        summarise_groups(columns, "grip")
