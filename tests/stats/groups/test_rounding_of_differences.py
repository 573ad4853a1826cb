"""Differences of decimals tie as the decimals do, and every pair and test carries its own counts."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.groups.ancova import ancova
from outcomes.stats.groups.multiple_comparisons import games_howell, tukey_kramer
from outcomes.stats.groups.nested import nested_test
from outcomes.stats.groups.paired import signed_rank
from outcomes.stats.groups.two_way import two_way_anova


def test_differences_of_decimals_tie_whatever_the_unit() -> None:
    """1.1 - 1.0 and 0.3 - 0.2 differ in floating point only; in tenths they are both 1."""
    a = np.array([1.1, 0.3, 2.0, 5.4, 3.3, 1.7, 4.2, 2.9])
    b = np.array([1.0, 0.2, 2.2, 5.1, 3.3, 1.4, 4.4, 2.8])
    assert len(np.unique(np.abs(a - b))) > 4
    tenths = signed_rank(np.round(a * 10), np.round(b * 10))
    units = signed_rank(a, b)
    assert units.p_value == tenths.p_value
    assert units.method == tenths.method
    assert "with ties" in units.method
    assert units.value == pytest.approx(tenths.value / 10, abs=1e-12)
    with pytest.raises(EstimationError, match="without ties"):
        signed_rank(a, b, method="exact")


def test_a_difference_of_rounding_alone_is_no_difference() -> None:
    none = signed_rank([0.1 + 0.2, 1.1 + 2.2], [0.3, 3.3])
    assert not none.estimable
    assert none.reason == "all differences are 0"


def test_small_differences_of_small_values_stay() -> None:
    large = signed_rank([4.0, 7.0, 9.0], [1.0, 2.0, 3.0], level=0.5)
    small = signed_rank([4e-8, 7e-8, 9e-8], [1e-8, 2e-8, 3e-8], level=0.5)
    assert small.p_value == large.p_value
    assert small.value == pytest.approx(large.value * 1e-8, rel=1e-12)
    mirrored = signed_rank([1e-8, 2e-8, 3e-8], [4e-8, 7e-8, 9e-8], level=0.5)
    assert (mirrored.value, mirrored.conf_low) == (-small.value, -small.conf_high)


@pytest.mark.parametrize("compare", [tukey_kramer, games_howell])
def test_each_pair_counts_its_own_missing(compare: object) -> None:
    found = compare([[1.0, 2.0, 4.0, None], [2.0, 3.0, 7.0], [5.0, 6.0, 9.0, np.nan, None]])  # type: ignore[operator]
    assert [e.n_missing for e in found.estimates] == [1, 3, 2]
    assert found.n_missing == 3
    assert found.tidy()["n_missing"].tolist() == [1, 3, 2]


def test_a_share_of_variation_counts_the_cases_of_its_test() -> None:
    """The effect has 1 degree of freedom and leaves 7 of 10: its own n is 10, not 1 + 7 + 1."""
    rng = np.random.default_rng(7)
    large = np.column_stack([np.ones(10), np.arange(10.0), np.tile([0.0, 1.0], 5)])
    test = nested_test(
        large[:, :2],
        large,
        rng.normal(size=10),
        names_small=["i", "x"],
        names_large=["i", "x", "arm"],
        n_missing=3,
    )
    assert test.df_within == 7.0
    assert (test.partial_eta_squared.n, test.partial_eta_squared.n_missing) == (10, 3)


def test_a_table_with_an_effect_that_cannot_be_tested_is_still_a_table() -> None:
    table = two_way_anova([1.0, 2.0, 4.0, 6.0], ["a"] * 4, ["c", "c", "d", "d"]).tidy()
    assert len(table) == 3
    assert table["statistic"].isna().tolist() == [True, False, True]


def test_an_unknown_reference_does_not_list_the_cells_of_the_column() -> None:
    with pytest.raises(EstimationError) as caught:
        ancova([1.0, 2, 3, 4, 5, 7], ["Zzmith", "Zzmith", "Zzmith", "b", "b", "b"], {"x": [1, 2, 4, 1, 2, 3]},
               reference="c")  # fmt: skip
    assert caught.value.code == "bad_choice"
    assert "Zzmith" not in str(caught.value)
