"""Analysis of variance: identities and degenerate input (certified values: tests/check_values)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.means import mean_difference


def test_two_groups_are_the_squared_t_tests():
    a, b = [1.0, 4, 2, 8], [3.0, 9, 7]
    for anova, pooled in ((one_way_anova, True), (welch_anova, False)):
        test, d = anova([a, b]), mean_difference(a, b, pooled=pooled)
        assert math.isclose(test.f, (d.value / d.std_error) ** 2, rel_tol=1e-12)
        assert math.isclose(test.df_within, d.df, rel_tol=1e-12)
        assert math.isclose(test.p_value, d.p_value, rel_tol=1e-10)


def test_equal_means_give_f_zero():
    test = one_way_anova([[1, 2, 3], [0, 2, 4]])
    assert (test.f, test.p_value, test.r_squared) == (0.0, 1.0, 0.0)


def test_empty_groups_are_counted_and_missing_values_too():
    test = one_way_anova([[1, 2, None], [], [4, 5], [np.nan]])
    assert (test.n, test.n_missing, test.n_groups, test.n_empty_groups) == (4, 2, 2, 2)


@pytest.mark.parametrize(
    ("groups", "reason"),
    [([[1, 2]], "2 are needed"), ([[1], [2]], "nothing within"), ([[1, 1], [2, 2]], "no variation")],
)
def test_no_f_where_there_is_none(groups, reason):
    test = one_way_anova(groups)
    assert test.f is test.p_value is None
    assert reason in test.reason
    assert "no test" in str(test)


@pytest.mark.parametrize("groups", [[[1, 1], [2, 3]], [[1], [2, 3]], [[1, 2]]])
def test_welch_needs_variation_in_every_group(groups):
    test = welch_anova(groups)
    assert test.f is test.p_value is None
    assert test.reason


def test_one_constant_group_is_allowed_in_the_classic_test():
    """Means 1 and 3, grand mean 2: SSB = 6; SSW = 0 + 2; F = 6 / (2 / 4)."""
    assert one_way_anova([[1, 1, 1], [2, 3, 4]]).f == 12


def test_reads_like_a_sentence():
    assert str(one_way_anova([[1, 2, 3], [3, 4, 5]])) == (
        "one-way analysis of variance: F(1, 4) = 6, p = 0.0705, n = 6"
    )
