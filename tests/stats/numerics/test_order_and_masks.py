"""Labels in another order are refused, and what a mask hides is missing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.agreement.bland_altman import limits_of_agreement
from outcomes.stats.charts.attribute_charts import p_chart, u_chart
from outcomes.stats.charts.standardised_ratio import expected_from_strata, indirect_standardisation
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.paired import paired_mean_difference, signed_rank
from outcomes.stats.numerics.arrays import (
    check_matrix,
    check_outcome,
    check_same_order,
    check_weights,
    cluster_codes,
    clusters_of,
    floats,
    unmasked,
)
from outcomes.stats.numerics.inputs import complete_pairs, count_array, numbers, sample
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.poisson import fit_poisson

CASES = list("abcdefgh")
OTHER = CASES[::-1]
X = pd.DataFrame({"intercept": 1.0, "age": [1.0, 2, 3, 4, 5, 6, 7, 8]}, index=CASES)
YES = pd.Series([0.0, 1, 0, 1, 1, 0, 1, 0], index=CASES)
FITS = (fit_linear, fit_logistic, fit_poisson)


def refused(code: str):
    return pytest.raises(EstimationError, check=lambda error: error.code == code)


def test_names_of_a_table_in_another_order_are_refused_with_the_remedy():
    with refused("column_order") as error:
        check_matrix(X, ["age", "intercept"])
    assert "X[list(names)]" in str(error.value)
    names = ["age", "intercept"]
    assert check_matrix(X[names], names)[0][:, 0].tolist() == X["age"].tolist()


def test_other_names_rename_the_columns_of_a_table():
    assert check_matrix(X, ["one", "years"])[1] == ("one", "years")
    assert check_matrix(X, ["age", "years"])[1] == ("age", "years")
    assert check_matrix(X.to_numpy(), ["age", "intercept"])[1] == ("age", "intercept")


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (["a", "b"], ["b", "a"]),
        ([7, 3, 5], [3, 5, 7]),
        (["a", "a", "b"], ["a", "b", "a"]),
        ([("a", 1), ("a", 2)], [("a", 2), ("a", 1)]),
        (pd.Categorical(["a", "b"]), ["b", "a"]),
        (pd.to_datetime(["2020-01-01", "2020-01-02"]), pd.to_datetime(["2020-01-02", "2020-01-01"])),
        ([None, "a"], ["a", None]),
        (["a", 1], [1, "a"]),
    ],
)
def test_the_same_labels_in_another_order_are_refused(first, second):
    x, y = (pd.Series(0.0, index=pd.Index(labels)) for labels in (first, second))
    with refused("row_order") as error:
        check_same_order(x=x, nothing=None, y=y.to_frame())
    assert str(error.value).startswith("x and y carry the same labels in another order; reindex one")
    check_same_order(x=x, y=x.to_frame(), z=[1, 2])


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (["a", "b"], ["b", "c"]),
        (["a", "a", "b"], ["b", "b", "a"]),
        (["a", "b"], ["b", "a", "c"]),
        (range(2), [1, 0]),
        ([("a", 1), ("a", 2)], ["a", "b"]),
        (pd.Categorical(["a", "b"], categories=["b", "a"]), ["a", "b"]),
        ([None, "a"], [None, "a"]),
        (["1", "2"], [2, 1]),
    ],
)
def test_other_labels_and_default_indexes_are_read_by_position(first, second):
    first = first if isinstance(first, range) else pd.Index(first)
    check_same_order(x=pd.Series(0.0, index=first), y=pd.Series(0.0, index=pd.Index(second)))


@pytest.mark.parametrize(
    "statistic", [complete_pairs, paired_mean_difference, signed_rank, limits_of_agreement]
)
def test_paired_statistics_refuse_another_order_of_cases(statistic):
    before, after = X["age"], (X["age"] ** 2).loc[OTHER]
    with refused("row_order"):
        statistic(before, after)
    assert str(statistic(before, after.loc[CASES])) == str(
        statistic(before.tolist(), (X["age"] ** 2).tolist())
    )


@pytest.mark.parametrize("fit", FITS)
@pytest.mark.parametrize("which", ["y", "clusters", "weights"])
def test_fits_refuse_another_order_of_rows(fit, which):
    given = {"y": YES, "clusters": pd.Series(CASES, index=CASES), "weights": YES + 1}
    names = ["intercept", "age"]
    fit(X, names=names, **given)
    given[which] = given[which].loc[OTHER]
    with refused("row_order"):
        fit(X, names=names, **given)


def test_an_offset_in_another_order_is_refused():
    with refused("row_order"):
        fit_poisson(X, YES + 1, names=["intercept", "age"], offset=YES.loc[OTHER])


@pytest.mark.parametrize("chart", [p_chart, u_chart])
def test_charts_refuse_another_order_of_periods(chart):
    events = pd.Series([3, 9, 5], index=["q1", "q2", "q3"])
    n = pd.Series([80, 90, 20], index=["q3", "q2", "q1"])
    with refused("row_order"):
        chart(events, n)
    assert chart(events, n.loc[events.index]).rate.tolist() == [3 / 20, 9 / 90, 5 / 80]


def test_reference_counts_follow_the_declared_levels():
    events, n = pd.Series({"b": 8, "a": 5}), pd.Series({"b": 90, "a": 50})
    strata, levels = ["a", "b", "a"], ["a", "b"]
    for given in ((events, n), (events, n.loc[levels]), (events, [50, 90]), ([5, 8], n)):
        with refused("row_order"):
            expected_from_strata(strata, *given, levels=levels)
    right = [5 / 50, 8 / 90, 5 / 50]
    assert expected_from_strata(strata, events.loc[levels], n.loc[levels], levels=levels).tolist() == right
    assert expected_from_strata(strata, events, n, levels=["b", "a"]).tolist() == right
    assert (
        expected_from_strata(strata, pd.Series([5, 8]), pd.Series([50, 90]), levels=levels).tolist() == right
    )


def test_indirect_standardisation_refuses_another_order_of_cases():
    with refused("row_order"):
        indirect_standardisation(YES, pd.Series(0.5, index=OTHER), list("aabbaabb"))


MASKED = [
    np.ma.MaskedArray([1.0, 999.0, 3.0], mask=[False, True, False]),
    np.ma.MaskedArray([1, 999, 3], mask=[False, True, False]),
    np.ma.MaskedArray(np.array([1, 999, 3], dtype=object), mask=[False, True, False]),
]


@pytest.mark.parametrize("values", MASKED)
def test_a_masked_value_counts_as_missing(values):
    expected = [1.0, np.nan, 3.0]
    np.testing.assert_array_equal(numbers(values, "x"), expected)
    np.testing.assert_array_equal(floats(values, "x"), expected)
    present, missing = sample(values, "x")
    assert (present.tolist(), missing) == ([1.0, 3.0], 1)
    assert complete_pairs(values, [1, 2, 3])[2] == complete_pairs([1, 2, 3], values)[2] == 1
    found, plain = mean_difference(values, [1, 2, 4]), mean_difference(expected, [1, 2, 4])
    assert (found.value, found.n, found.n_missing) == (plain.value, plain.n, plain.n_missing)


@pytest.mark.parametrize("values", MASKED)
def test_a_masked_value_is_refused_where_a_missing_one_is(values):
    with refused("not_finite"):
        check_outcome(values, 3)
    with refused("not_finite"):
        check_matrix(values[:, None], ["age"])
    with refused("bad_weights"):
        check_weights(values, 3)
    with refused("bad_count"):
        count_array(values, "n", "(units,)", 1)
    with refused("missing_cluster"):
        cluster_codes(values, 3)


def test_masked_text_dates_rows_and_single_values():
    text = np.ma.MaskedArray(["a", "z", "a"], mask=[False, True, False])
    assert unmasked(text).tolist() == ["a", None, "a"]
    assert clusters_of(text, np.array([True, True, False])).tolist() == ["a", None]
    with refused("missing_cluster"):
        cluster_codes(text, 3)
    dates = np.ma.MaskedArray(np.array(["2020-01-01", "2020-01-02"], dtype="M8[ns]"), mask=[True, False])
    assert np.isnat(unmasked(dates)).tolist() == [True, False]
    with refused("not_numeric"):
        numbers(dates, "x")
    with refused("not_numeric"):
        floats(dates, "x")
    np.testing.assert_array_equal(floats([MASKED[0], MASKED[1]], "x"), [[1, np.nan, 3]] * 2)
    np.testing.assert_array_equal(floats([1.0, np.ma.masked], "x"), [1, np.nan])
    assert np.isnan(floats(np.ma.masked, "x"))


def test_an_array_without_a_masked_value_is_as_it_was():
    open_array = np.ma.MaskedArray([1, 2], mask=False)
    assert unmasked(open_array).dtype == open_array.dtype
    given = np.arange(3)
    assert unmasked(given) is given
    source = MASKED[0]
    unmasked(source)
    assert source.data.tolist() == [1.0, 999.0, 3.0]
