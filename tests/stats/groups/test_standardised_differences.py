"""Standardised differences: closed forms for two and several groups, weights, categories."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.groups.balance import standardised_difference, standardised_differences
from outcomes.stats.groups.summary import summarise_groups


def test_continuous_by_hand():
    """Means 2 and 6; variances 1 and 7."""
    d = standardised_difference([[1, 2, 3], [4, 5, 9]], labels=["a", "b"], name="age")
    assert math.isclose(d.value, (2 - 6) / math.sqrt((1 + 7) / 2), rel_tol=1e-12)
    assert d.between == ("a", "b")
    assert "divisor n - 1" in d.denominator


def test_a_category_of_two_levels_is_the_binary_difference():
    a, b = [1, 1, 0, 0, 0], [1, 0, 0, 0]
    binary = standardised_difference([a, b], kind="binary")
    category = standardised_difference([a, b], kind="categorical")
    assert math.isclose(abs(binary.value), category.value, rel_tol=1e-12)


def test_categories_do_not_depend_on_which_level_is_left_out():
    a, b = list("aabbbccccc"), list("aaaabbbbcc")
    swap = {"a": "z", "b": "b", "c": "a"}
    first = standardised_difference([a, b], kind="categorical")
    second = standardised_difference([[swap[x] for x in a], [swap[x] for x in b]], kind="categorical")
    assert math.isclose(first.value, second.value, rel_tol=1e-12)


def test_three_levels_by_hand():
    """Shares (1/2, 1/4, 1/4) and (1/4, 1/2, 1/4): the mean covariance is inverted by hand."""
    a, b = list("aabc"), list("abbc")
    gap = np.array([0.25, -0.25])
    spread = sum(np.diag(p) - np.outer(p, p) for p in (np.array([0.5, 0.25]), np.array([0.25, 0.5]))) / 2
    inverse = np.array([[spread[1, 1], -spread[0, 1]], [-spread[1, 0], spread[0, 0]]])
    inverse /= spread[0, 0] * spread[1, 1] - spread[0, 1] ** 2
    expected = math.sqrt(gap @ inverse @ gap)
    assert math.isclose(standardised_difference([a, b], kind="categorical").value, expected, rel_tol=1e-12)


def test_several_groups_give_the_largest_pair_and_all_pairs():
    d = standardised_difference([[1, 2, 3], [2, 3, 4], [5, 6, 7]], labels=["a", "b", "c"])
    assert d.value == -4
    assert d.between == ("a", "c")
    assert [round(pair[2], 12) for pair in d.pairs] == [-1, -4, -3]
    assert len(d.tidy()) == 3
    assert "largest of all pairs" in str(d)


@pytest.mark.parametrize(
    ("groups", "kind"),
    [
        ([[1, 1], [1, 1]], "continuous"),
        ([[1], [2, 3]], "continuous"),
        ([[0, 0], [0, 0]], "binary"),
        ([[], [0, 1]], "binary"),
        ([["a", "a"], ["b", "b"]], "categorical"),
        ([["a"], ["a"]], "categorical"),
        ([[None], ["a"]], "categorical"),
    ],
)
def test_no_value_without_spread(groups, kind):
    d = standardised_difference(groups, kind=kind)
    assert d.value is None
    assert d.reason
    assert "no standardised difference" in str(d)


def test_equal_weights_change_nothing():
    groups = [[1.0, 2, 5], [2.0, 4, 4, 8]]
    plain = standardised_difference(groups)
    for spread in ("unweighted", "weighted"):
        weighted = standardised_difference(groups, weights=[[3] * 3, [3] * 4], spread=spread)
        assert math.isclose(plain.value, weighted.value, rel_tol=1e-12)
        assert spread in weighted.denominator


def test_whole_weights_are_repeated_cases_in_the_mean_and_in_shares():
    groups, weights = [[1.0, 2, 5], [2.0, 4, 8]], [[1, 2, 1], [2, 0, 3]]
    repeated = [np.repeat(g, w) for g, w in zip(groups, weights, strict=True)]
    gap = repeated[0].mean() - repeated[1].mean()
    unweighted = math.sqrt((np.var(groups[0], ddof=1) + np.var(groups[1], ddof=1)) / 2)
    assert math.isclose(standardised_difference(groups, weights=weights).value, gap / unweighted)
    for kind in ("binary", "categorical"):
        flags = [[1, 0, 1], [0, 1, 0]]
        repeats = [np.repeat(f, w) for f, w in zip(flags, weights, strict=True)]
        weighted = standardised_difference(flags, kind=kind, weights=weights, spread="weighted")
        assert math.isclose(weighted.value, standardised_difference(repeats, kind=kind).value, rel_tol=1e-12)


def test_from_the_summary_equals_from_the_data():
    rng = np.random.default_rng(8)
    by = np.array(list("abc"))[rng.integers(0, 3, 200)]
    age = np.where(rng.random(200) < 0.1, np.nan, rng.normal(60, 10, 200))
    smoker = rng.integers(0, 2, 200).astype(float)
    pattern = pd.Categorical.from_codes(rng.integers(-1, 4, 200), list("wxyz"))
    frame = pd.DataFrame({"age": age, "smoker": smoker, "pattern": pattern})
    made = standardised_differences(summarise_groups(frame, by, yes_no=["smoker"]))
    assert [d.name for d in made] == ["age", "smoker", "pattern"]
    for d, kind in zip(made, ("continuous", "binary", "categorical"), strict=True):
        column = frame[d.name].astype(object) if kind == "categorical" else frame[d.name]
        direct = standardised_difference([column[by == g].to_list() for g in "abc"], kind=kind)
        for mine, other in zip(d.pairs, direct.pairs, strict=True):
            assert math.isclose(mine[2], other[2], rel_tol=1e-10)
        assert (d.n, d.n_missing) == (direct.n, direct.n_missing)


def test_a_level_that_neither_group_uses_changes_nothing():
    values, by = list("aabccabbbc"), list("1111122222")
    with_unused = pd.Categorical(values, categories=list("xabcy"))
    made = [
        standardised_differences(summarise_groups({"p": pd.Categorical(values)}, by))[0].value,
        standardised_differences(summarise_groups({"p": with_unused}, by))[0].value,
        standardised_difference([values[:5], values[5:]], kind="categorical").value,
    ]
    assert made[0] > 0
    assert np.allclose(made, made[0], rtol=1e-12)


def test_only_the_groups_compared_are_counted():
    summary = summarise_groups({"x": [1.0, 2, 3, 4, 5, None]}, list("aabbcc"))
    d = standardised_differences(summary, among=["b", "a"])[0]
    assert (d.n, d.n_missing, d.between) == (4, 0, ("b", "a"))
    assert d.value > 0
    with pytest.raises(EstimationError, match="no group named d; the groups are a, b, c"):
        standardised_differences(summary, among=["a", "d"])
    with pytest.raises(EstimationError, match="no group named overall"):
        standardised_differences(summary, among=["a", "overall"])


def test_bad_input():
    with pytest.raises(EstimationError, match="needs 0, 1"):
        standardised_difference([[0, 2], [1, 1]], kind="binary")
    with pytest.raises(EstimationError, match="one weight of 0 or more"):
        standardised_difference([[0, 2], [1, 1]], weights=[[1, -1], [1, 1]])
    with pytest.raises(EstimationError, match="one weight of 0 or more"):
        standardised_difference([[0, 2], [1, 1]], weights=[[1], [1, 1]])
    with pytest.raises(EstimationError, match="one entry for each group"):
        standardised_difference([[0, 2], [1, 1]], labels=["a"])
    with pytest.raises(EstimationError, match="2 or more"):
        standardised_difference([[0, 2]])
    with pytest.raises(EstimationError, match="'binary'"):
        standardised_difference([[0, 2], [1, 1]], kind="yes/no")
