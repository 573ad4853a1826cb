"""Rank methods: exact distributions by enumeration, degenerate input, large samples, ties."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.groups.pairs import pairwise_order_statistics
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis, mann_whitney


@pytest.mark.parametrize(("m", "n"), [(2, 3), (3, 3), (4, 5), (1, 6)])
def test_exact_p_by_enumeration(m: int, n: int):
    values = np.arange(m + n, dtype=float)
    us = {}
    for chosen in combinations(range(m + n), m):
        a = values[list(chosen)]
        b = np.delete(values, chosen)
        us[chosen] = (np.subtract.outer(a, b) > 0).sum()
    seen = np.array(list(us.values()))
    for chosen, u in us.items():
        p = min(1.0, 2 * min((seen <= u).mean(), (seen >= u).mean()))
        test = mann_whitney(values[list(chosen)], np.delete(values, chosen))
        assert test.statistic == u
        assert math.isclose(test.p_value, p, rel_tol=1e-12)


@pytest.mark.parametrize(("m", "n"), [(5, 5), (4, 7), (8, 8)])
def test_exact_interval_inverts_the_test(m: int, n: int):
    """A shift just inside the limits is not rejected at 5 %, one just outside is."""
    rng = np.random.default_rng(m)
    a, b = rng.normal(1, 1, m), rng.normal(0, 1, n)
    shift = hodges_lehmann(a, b)
    for limit, inwards in ((shift.conf_low, 1e-9), (shift.conf_high, -1e-9)):
        assert mann_whitney(a - limit - inwards, b).p_value > 0.05
        assert mann_whitney(a - limit + inwards, b).p_value <= 0.05


def test_shift_is_the_median_of_differences():
    a, b = [3.0, 8.0, 4.0], [1.0, 2.0]
    assert hodges_lehmann(a, b).value == np.median(np.subtract.outer(a, b))


def test_no_difference_is_zero_without_a_sign():
    a, b = np.arange(1200.0), np.arange(1200.0)[::-1]
    shift = hodges_lehmann(a, b)
    assert str(shift.value) == "0.0"
    assert shift.conf_low == -shift.conf_high


def test_groups_too_small_for_the_level():
    shift = hodges_lehmann([1, 2, 4], [7, 9, 12])
    assert shift.value == -7
    assert shift.conf_low is shift.conf_high is None
    assert "too small" in shift.reason
    assert shift.p_value == pytest.approx(0.1)


def test_ties_are_named_and_exact_is_refused():
    assert mann_whitney([1, 2, 2], [2, 3, 4]).method.endswith("with ties")
    with pytest.raises(EstimationError, match="without ties"):
        mann_whitney([1, 2, 2], [2, 3, 4], method="exact")


def test_exact_of_very_large_groups_is_refused():
    with pytest.raises(EstimationError, match="too large"):
        mann_whitney(np.arange(400.0), np.arange(400.0) + 0.5, method="exact")


def test_all_values_equal():
    assert mann_whitney([1, 1], [1, 1]).p_value is None
    shift = hodges_lehmann([1, 1, 1], [1, 1])
    assert (shift.value, shift.conf_low, shift.p_value) == (0.0, None, None)
    assert "no variation" in shift.reason


def test_constant_groups_get_no_interval_of_zero_width():
    shift = hodges_lehmann([5] * 20, [3] * 20)
    assert (shift.value, shift.conf_low) == (2.0, None)
    assert 0 < shift.p_value < 1e-6


def test_limits_that_coincide_are_not_printed():
    shift = hodges_lehmann([0] * 95 + [1] * 5, [0] * 97 + [1] * 3)
    assert shift.value == 0
    assert shift.conf_low is None
    assert "tied" in shift.reason


def test_empty_group():
    assert not hodges_lehmann([], [1.0, 2.0]).estimable
    assert "no values" in mann_whitney([np.nan], [1.0]).reason


@pytest.mark.parametrize("full_matrix", [1, 10, 100, 10**6])
def test_selection_equals_sorting(full_matrix: int):
    rng = np.random.default_rng(3)
    for _ in range(60):
        n, m = rng.integers(1, 30, 2)
        a, b = np.round(rng.normal(size=n), rng.integers(0, 9)), np.round(rng.normal(size=m), 1)
        ranks = rng.integers(1, n * m + 1, 4).tolist()
        expected = np.sort(np.subtract.outer(a, b).ravel())[np.array(ranks) - 1]
        assert np.array_equal(pairwise_order_statistics(a, b, ranks, full_matrix=full_matrix), expected)


def test_large_samples_need_little_memory():
    """50,000 against 50,000 has 2.5e9 differences, 20 GB if they were made."""
    import tracemalloc

    rng = np.random.default_rng(4)
    a, b = rng.normal(0.1, 1, 50_000), rng.normal(0, 1, 50_000)
    tracemalloc.start()
    shift = hodges_lehmann(a, b)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 200e6
    assert shift.conf_low < 0.1 < shift.conf_high
    # The exact count of differences below the shift is what makes it their median.
    below = np.searchsorted(np.sort(b), a - shift.value).sum()
    assert abs(int(a.size * b.size - below) - a.size * b.size / 2) <= a.size


def test_normal_interval_covers_for_tied_scores():
    """Whole-number scores shifted by 0: the interval holds 0 in at least 95 % (2,000 sets, 3 MCSE below)."""
    rng = np.random.default_rng(5)
    covered = []
    for _ in range(2000):
        a, b = rng.integers(0, 11, 40).astype(float), rng.integers(0, 11, 40).astype(float)
        shift = hodges_lehmann(a, b)
        covered.append(shift.conf_low is None or shift.conf_low <= 0 <= shift.conf_high)
    assert np.mean(covered) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 2000)


def test_kruskal_of_two_groups_is_the_squared_normal_test_without_correction():
    rng = np.random.default_rng(6)
    a, b = rng.normal(size=12), rng.normal(size=15)
    u = mann_whitney(a, b).statistic
    z = (u - 12 * 15 / 2) / math.sqrt(12 * 15 * 28 / 12)
    assert math.isclose(kruskal_wallis([a, b]).statistic, z * z, rel_tol=1e-12)


def test_kruskal_without_variation_or_groups():
    assert "no variation" in kruskal_wallis([[1, 1], [1]]).reason
    assert "2 are needed" in kruskal_wallis([[1, 2], []]).reason


def test_unknown_method_lists_the_right_ones():
    with pytest.raises(EstimationError, match="'auto', 'exact', 'normal'"):
        mann_whitney([1], [2], method="permutation")
