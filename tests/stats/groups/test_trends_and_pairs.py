"""Trends, ranks within strata, and paired cases: counting by hand, traps, laws."""

from __future__ import annotations

import math
from itertools import combinations, permutations, product

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.paired import paired_mean_difference, signed_rank
from outcomes.stats.groups.rank_trend import jonckheere_terpstra
from outcomes.stats.groups.ranks import kruskal_wallis, mann_whitney
from outcomes.stats.groups.stratified_ranks import van_elteren
from outcomes.stats.groups.trend import cochran_armitage, linear_trend
from outcomes.stats.proportions.mcnemar import mcnemar, mcnemar_from_pairs
from outcomes.stats.proportions.risks import clopper_pearson

# Cochran-Armitage


def test_exact_trend_by_dealing_events_to_cases() -> None:
    n, scores, events = [3, 2, 4], [0.1, 0.2, 0.7], [0, 1, 3]
    place = np.repeat(scores, n)
    sums = np.array([place[list(chosen)].sum() for chosen in combinations(range(9), 4)]) - 4 * place.mean()
    seen = np.dot(events, scores) - 4 * place.mean()
    test = cochran_armitage(events, n, scores=scores, method="exact")
    assert math.isclose(test.p_value, np.mean(np.abs(sums) >= abs(seen) - 1e-9), rel_tol=1e-12)
    assert test.method.endswith("exact")
    assert math.isclose(test.z**2, seen**2 / (4 / 9 * 5 / 9 * 9 * np.var(place)), rel_tol=1e-12)


def test_trend_of_two_groups_is_pearson() -> None:
    chi2 = stats.chi2_contingency([[3, 7], [9, 4]], correction=False).statistic
    test = cochran_armitage([3, 9], [10, 13])
    assert math.isclose(test.z**2, chi2, rel_tol=1e-12)
    assert test.z > 0


def test_direction_scores_and_empty_groups() -> None:
    up, down = cochran_armitage([1, 2, 5], [9, 9, 9]), cochran_armitage([5, 2, 1], [9, 9, 9])
    assert math.isclose(up.z, -down.z, rel_tol=1e-12)
    moved = cochran_armitage([1, 2, 5], [9, 9, 9], scores=[10, 20, 30])
    assert math.isclose(up.z, moved.z, rel_tol=1e-12)
    gap = cochran_armitage([1, 0, 5], [9, 0, 9], scores=[1, 2, 3])
    assert (gap.n_empty_groups, gap.n) == (1, 18)
    assert math.isclose(gap.z, cochran_armitage([1, 5], [9, 9]).z, rel_tol=1e-12)


def test_auto_is_exact_when_events_are_few() -> None:
    assert cochran_armitage([0, 1, 3], [9, 9, 9], method="auto").method.endswith("exact")
    assert not cochran_armitage([20, 31, 33], [90, 90, 90], method="auto").method.endswith("exact")


def test_exact_of_large_counts_is_near_the_normal_one() -> None:
    exact = cochran_armitage([20, 31, 38], [90, 90, 90], method="exact")
    normal = cochran_armitage([20, 31, 38], [90, 90, 90])
    assert abs(exact.p_value - normal.p_value) < 0.005


@pytest.mark.parametrize(
    ("events", "n", "reason"),
    [
        ([0, 0], [5, 5], "nobody"),
        ([5, 5], [5, 5], "everybody"),
        ([3, 0], [5, 0], "1 places"),
        ([0], [0], "0 places"),
    ],
)
def test_no_trend_of_shares(events, n, reason: str) -> None:
    test = cochran_armitage(events, n)
    assert test.p_value is test.z is None
    assert reason in test.reason
    assert "no test" in str(test)


@pytest.mark.parametrize(
    "call",
    [
        lambda: cochran_armitage([1], [2, 3]), lambda: cochran_armitage([3, 1], [2, 3]),
        lambda: cochran_armitage([1, 1], [2, 3], scores=[1, 1]), lambda: cochran_armitage([1, 1], [2, 3], scores=[1]),
        lambda: cochran_armitage([1, 1], [2, 3], scores=[1, math.nan]),
        lambda: cochran_armitage([1, 1], [2, 3], method="score"), lambda: cochran_armitage([1, 1], [2, 3], scores=["a", "b"]),
    ],
)  # fmt: skip
def test_shares_refused(call) -> None:
    with pytest.raises(EstimationError):
        call()


# Jonckheere-Terpstra


@pytest.mark.parametrize("sizes", [(2, 2, 2), (1, 3, 2), (3, 3), (1, 1, 1, 2)])
def test_exact_rank_trend_by_all_orders(sizes: tuple[int, ...]) -> None:
    n, ends = sum(sizes), np.cumsum(sizes)[:-1]
    found = [count(np.split(np.array(order), ends)) for order in permutations(range(n))]
    mean = (n**2 - sum(s * s for s in sizes)) / 4
    rng = np.random.default_rng(1)
    for _ in range(4):
        groups = np.split(rng.permutation(n).astype(float), ends)
        seen = count(groups)
        low, high = np.mean(np.array(found) <= seen), np.mean(np.array(found) >= seen)
        test = jonckheere_terpstra(groups)
        assert test.statistic == seen
        assert math.isclose(test.p_value, min(1.0, 2 * min(low, high)), rel_tol=1e-12)
        assert math.isclose(test.z, (seen - mean) / np.std(found), rel_tol=1e-12)


def count(groups) -> float:
    """Return pairs rising, ties half, by comparing each with each."""
    return sum(
        float((a[:, None] < b).sum() + (a[:, None] == b).sum() / 2)
        for a, b in combinations([np.asarray(g) for g in groups], 2)
    )


def test_variance_with_ties_by_all_orders() -> None:
    values, ends = [1.0, 1, 2, 3, 3, 3, 4], [2, 4]
    found = [count(np.split(np.array(order), ends)) for order in permutations(values)]
    test = jonckheere_terpstra(np.split(np.array(values), ends))
    assert math.isclose((test.statistic - np.mean(found)) / test.z, np.std(found), rel_tol=1e-12)
    assert test.method.endswith("with ties")


def test_two_groups_are_mann_whitney() -> None:
    a, b = [1.0, 5, 3, 9], [4.0, 8, 12, 10, 7]
    trend, two = jonckheere_terpstra([a, b]), mann_whitney(b, a)
    assert trend.statistic == two.statistic
    assert math.isclose(trend.p_value, two.p_value, rel_tol=1e-12)
    tied = jonckheere_terpstra([[1, 2, 2], [2, 3, 3, 3]])
    assert math.isclose(tied.z**2, kruskal_wallis([[1, 2, 2], [2, 3, 3, 3]]).statistic, rel_tol=1e-12)


def test_rank_trend_turned_shuffled_and_gaps() -> None:
    groups = [[3.0, 1, 2, 2], [2.0, 4, 4], [5.0, 4, 9]]
    first, turned = jonckheere_terpstra(groups), jonckheere_terpstra(groups[::-1])
    assert math.isclose(first.z, -turned.z, rel_tol=1e-12)
    assert first == jonckheere_terpstra([group[::-1] for group in groups])
    gaps = jonckheere_terpstra([[*groups[0], None], [], groups[1], [np.nan], groups[2]])
    assert (gaps.n_missing, gaps.n_groups, gaps.n_empty_groups) == (2, 3, 2)
    assert gaps.z == first.z
    assert jonckheere_terpstra([np.exp(g) for g in groups]).z == first.z


def test_rank_trend_exact_and_normal_are_near() -> None:
    rng = np.random.default_rng(8)
    groups = [rng.normal(m, 1, 14) for m in (0, 0.3, 0.5)]
    exact, normal = (jonckheere_terpstra(groups, method=how) for how in ("exact", "normal"))
    assert abs(exact.p_value - normal.p_value) < 0.015  # without continuity correction
    assert exact.method.endswith("exact")


def test_no_rank_trend() -> None:
    assert "2 are needed" in jonckheere_terpstra([[1, 2]]).reason
    assert "2 are needed" in jonckheere_terpstra([]).reason
    assert "no variation" in jonckheere_terpstra([[1, 1], [1]]).reason
    assert jonckheere_terpstra([[1], [2]]).p_value == 1.0
    with pytest.raises(EstimationError, match="without ties"):
        jonckheere_terpstra([[1, 2], [2]], method="exact")
    with pytest.raises(EstimationError, match="300 cases"):
        jonckheere_terpstra([np.arange(200.0), np.arange(200.0) + 0.5], method="exact")


# linear trend of means


def test_two_groups_are_the_difference() -> None:
    a, b = [1.0, 4, 2, 8], [3.0, 9, 7]
    for pooled in (False, True):
        slope, d = linear_trend([a, b], pooled=pooled), mean_difference(b, a, pooled=pooled)
        for name in ("value", "std_error", "df", "conf_low", "conf_high", "p_value"):
            assert math.isclose(getattr(slope, name), getattr(d, name), rel_tol=1e-12), name
        wide = linear_trend([a, b], pooled=pooled, scores=[0, 10])
        assert math.isclose(wide.conf_low, d.conf_low / 10, rel_tol=1e-12)
        assert math.isclose(wide.p_value, d.p_value, rel_tol=1e-12)


def test_slope_turned_shuffled_and_gaps() -> None:
    groups = [[3.0, 1, 2, 2], [2.0, 4, 4], [5.0, 4, 9]]
    first, turned = linear_trend(groups), linear_trend(groups[::-1])
    assert math.isclose(first.conf_low, -turned.conf_high, rel_tol=1e-12)
    assert first == linear_trend([group[::-1] for group in groups])
    gaps = linear_trend([[*groups[0], None], [], groups[1], groups[2]], scores=[1, 9, 2, 3])
    assert gaps.n_missing == 1
    assert math.isclose(gaps.value, first.value, rel_tol=1e-12)
    # unequal places: least squares through the means
    uneven = linear_trend(groups, scores=[0, 1, 5])
    assert math.isclose(uneven.value, np.polyfit([0, 1, 5], [2, 10 / 3, 6], 1)[0], rel_tol=1e-12)


def test_no_slope() -> None:
    assert "2 are needed" in linear_trend([[1, 2], []]).reason
    assert "fewer than 2" in linear_trend([[1], [2, 3]]).reason
    assert linear_trend([[1], [2, 3]], pooled=True).p_value is not None
    assert "nothing within" in linear_trend([[1], [2]], pooled=True).reason
    flat = linear_trend([[1, 1], [3, 3]])
    assert flat.value == 2
    assert flat.p_value is flat.conf_low is None
    assert linear_trend([[1, 1], [3, 3]], pooled=True).p_value is None
    with pytest.raises(EstimationError, match="scores"):
        linear_trend([[1, 2], [3]], scores=[1, 1])


# van Elteren


def test_one_stratum_is_the_rank_sum_test_without_correction() -> None:
    a, b = [1.0, 5, 3, 9, 3], [4.0, 8, 3, 10, 7, 5]
    test = van_elteren(a, b, (["x"] * 5, ["x"] * 6))
    assert math.isclose(test.statistic**2, kruskal_wallis([a, b]).statistic, rel_tol=1e-12)
    assert math.isclose(test.superiority, mann_whitney(a, b).superiority, rel_tol=1e-12)
    assert test.statistic < 0


def test_two_strata_by_hand() -> None:
    """Ranks 3, 1 of (1, 2, 3) and 4 of (1 .. 4): excesses 4 - 4 and 4 - 2.5; variances 2 * 4 / 12 and 3 * 5 / 12."""
    a, b = [9.0, 1.0, 50.0], [5.0, 20.0, 30.0, 40.0]
    strata = (["x", "x", "y"], ["x", "y", "y", "y"])
    for weights, w in (("stratum size", (1 / 4, 1 / 5)), ("equal", (1, 1))):
        z = (w[0] * 0 + w[1] * 1.5) / math.sqrt(w[0] ** 2 * 8 / 12 + w[1] ** 2 * 15 / 12)
        test = van_elteren(a, b, strata, weights=weights)
        assert math.isclose(test.statistic, z, rel_tol=1e-12)
        share = 0.5 + w[1] * 1.5 / (w[0] * 2 + w[1] * 3)
        assert math.isclose(test.superiority, share, rel_tol=1e-12)


def test_strata_any_size_swap_shuffle_and_gaps() -> None:
    a, b = [9.0, 1.0, 50.0, 3.0], [5.0, 20.0, 30.0, 40.0, 3.0]
    strata = (["x", "x", "y", "z"], ["x", "y", "y", "y", "w"])
    first = van_elteren(a, b, strata)
    assert (first.n, first.n_strata, first.n_uninformative) == (7, 4, 2)
    swapped = van_elteren(b, a, strata[::-1])
    assert math.isclose(first.statistic, -swapped.statistic, rel_tol=1e-12)
    assert math.isclose(first.superiority, 1 - swapped.superiority, rel_tol=1e-12)
    assert first == van_elteren(a[::-1], b[::-1], (strata[0][::-1], strata[1][::-1]))
    assert van_elteren(np.exp(np.divide(a, 9)), np.exp(np.divide(b, 9)), strata).p_value == first.p_value
    gaps = van_elteren([*a, None, 2], [*b, 3], ([*strata[0], "x", None], [*strata[1], np.nan]))
    assert gaps.n_missing == 3
    assert gaps.statistic == first.statistic
    assert "2 of 4 strata" in str(first)


def test_strata_that_differ_widely_hide_nothing() -> None:
    """Within each stratum the first group is larger; thrown together it is not."""
    a, b = [2.0, 4, 6, 102], [1.0, 101, 100, 99]
    strata = (["x"] * 3 + ["y"], ["x"] + ["y"] * 3)
    assert van_elteren(a, b, strata).superiority == 1.0
    assert mann_whitney(a, b).superiority < 0.5


def test_no_stratified_test() -> None:
    for a, b, strata in (
        ([1, 2], [3], (["x", "x"], ["y"])),
        ([1, 1], [1], (["x", "x"], ["x"])),
        ([], [], ([], [])),
    ):
        test = van_elteren(a, b, strata)
        assert test.p_value is None
        assert test.n_uninformative == test.n_strata
        assert "no test" in str(test)
        assert len(test.tidy()) == 1
    for call in (
        lambda: van_elteren([1, 2], [3], (["x"], ["y"])), lambda: van_elteren([1], [2], (["x"], ["x"]), weights="n"),
        lambda: van_elteren([math.inf], [2], (["x"], ["x"])), lambda: van_elteren(["1"], [2], (["x"], ["x"])),
    ):  # fmt: skip
        with pytest.raises(EstimationError):
            call()


# paired


def test_paired_difference_is_the_t_of_differences() -> None:
    a, b = [3.0, 5, 9, 4, 7], [2.0, 6, 5, 3, 3]
    e, t = paired_mean_difference(a, b, level=0.9), stats.ttest_rel(a, b)
    assert math.isclose(e.value / e.std_error, t.statistic, rel_tol=1e-12)
    assert math.isclose(e.p_value, t.pvalue, rel_tol=1e-12)
    assert math.isclose(e.conf_low, t.confidence_interval(0.9).low, rel_tol=1e-12)
    turned = paired_mean_difference(b, a, level=0.9)
    assert math.isclose(turned.conf_high, -e.conf_low, rel_tol=1e-12)
    assert e == paired_mean_difference(a[::-1], b[::-1], level=0.9)
    gaps = paired_mean_difference([*a, None, 3], [*b, 4, np.nan], level=0.9)
    assert (gaps.n, gaps.n_missing) == (5, 2)
    assert gaps.value == e.value


def test_no_paired_difference() -> None:
    assert "at least 2" in paired_mean_difference([1, None], [2, 3]).reason
    flat = paired_mean_difference([0.1 + 0.2, 1.3, 100.1], [0.3, 1.3, 100.1])
    assert flat.p_value is flat.conf_low is None
    assert "equal" in flat.reason
    # 1.1 - 1.0, 2.1 - 2.0 and 3.1 - 3.0 differ by rounding only
    assert paired_mean_difference([1.1, 2.1, 3.1], [1.0, 2.0, 3.0]).p_value is None
    for call in (
        lambda: paired_mean_difference([1], [1, 2]),
        lambda: paired_mean_difference([math.inf], [1]),
    ):
        with pytest.raises(EstimationError):
            call()


@pytest.mark.parametrize("n", [3, 5, 8])
def test_exact_signed_ranks_by_all_signs(n: int) -> None:
    size = np.array([1.0, 2.5, 4, 4.5, 7, 9, 11, 20])[:n]
    found = [sum(r for r, s in enumerate(signs, 1) if s > 0) for signs in product((1, -1), repeat=n)]
    for signs in list(product((1, -1), repeat=n))[:: 2 ** (n - 3)]:
        d = size * signs
        seen = sum(r for r, s in enumerate(signs, 1) if s > 0)
        low, high = np.mean(np.array(found) <= seen), np.mean(np.array(found) >= seen)
        shift = signed_rank(d, np.zeros(n))
        assert math.isclose(shift.p_value, min(1, 2 * min(low, high)), rel_tol=1e-12)
        walsh = [(d[i] + d[j]) / 2 for i in range(n) for j in range(i, n)]
        assert math.isclose(shift.value, np.median(walsh), abs_tol=1e-12)


def test_signed_rank_interval_inverts_the_test() -> None:
    rng = np.random.default_rng(3)
    a, b = rng.normal(1, 1, 9), rng.normal(0, 1, 9)
    shift = signed_rank(a, b)
    for limit, inwards in ((shift.conf_low, 1e-9), (shift.conf_high, -1e-9)):
        assert signed_rank(a - limit - inwards, b).p_value > 0.05
        assert signed_rank(a - limit + inwards, b).p_value <= 0.05


def test_signed_rank_ties_zeros_and_gaps() -> None:
    a, b = [3.0, 5, 9, 4, 7, 2, None], [2.0, 6, 5, 4, 3, 2, 1]
    shift = signed_rank(a, b)
    assert "with ties" in shift.method
    assert "2 differences of 0 left out" in shift.method
    assert (shift.n, shift.n_missing) == (6, 1)
    assert shift.p_value == signed_rank([*a[:3], 7.0], [*b[:3], 3.0]).p_value
    turned = signed_rank(b, a)
    assert math.isclose(shift.value, -turned.value)
    assert math.isclose(shift.p_value, turned.p_value, rel_tol=1e-12)
    # rank 1.5 against 1.5, 3.5 and 3.5 of 1, 1, 4, 4: 8.5 above the mean 5 by 3.5, less half
    variance = 4 * 5 * 9 / 24 - 2 * 6 / 48
    assert math.isclose(shift.p_value, math.erfc(3 / math.sqrt(2 * variance)), rel_tol=1e-10)


def test_signed_rank_limits_of_many() -> None:
    """Normal limits: the 1830 / 2 - 1.96 sqrt(60 * 61 * 121 / 24)-th smallest pairwise mean."""
    d = np.random.default_rng(2).normal(0.3, 1, 60)
    shift = signed_rank(d, np.zeros(60))
    i, j = np.triu_indices(60)
    walsh = np.sort((d[i] + d[j]) / 2)
    rank = math.floor(60 * 61 / 4 - 1.959964 * math.sqrt(60 * 61 * 121 / 24))
    assert shift.method.endswith("normal approximation")
    assert (shift.conf_low, shift.conf_high) == (walsh[rank - 1], walsh[-rank])


def test_no_signed_rank() -> None:
    assert "all differences are 0" in signed_rank([1, 2], [1, 2]).reason
    assert "no pairs" in signed_rank([None], [1]).reason
    few = signed_rank([3, 5, 9], [1, 1, 1])
    assert few.value is not None
    assert few.conf_low is None
    assert "too few" in few.reason
    assert few.p_value == 0.25
    tied = signed_rank([2.0] * 9, [1.0] * 9)
    assert tied.conf_low is None
    assert "coincide" in tied.reason
    for call, words in (
        (lambda: signed_rank([1, 3], [2, 2], method="exact"), "without ties"),
        (lambda: signed_rank([1, 2], [1, 4], method="exact"), "without ties"),
        (lambda: signed_rank(np.arange(1.0, 1102), np.zeros(1101), method="exact"), "too large"),
        (lambda: signed_rank(np.arange(1.0, 5003), np.zeros(5002)), "up to 5000"),
    ):
        with pytest.raises(EstimationError, match=words):
            call()


# McNemar


def test_p_values_by_adding_up_coins() -> None:
    for b, c in ((1, 5), (0, 3), (4, 4), (9, 2), (1, 0)):
        m = b + c
        chance = [math.comb(m, i) / 2**m for i in range(m + 1)]
        as_far = [p for i, p in enumerate(chance) if abs(i - m / 2) >= abs(b - m / 2)]
        farther = [p for i, p in enumerate(chance) if abs(i - m / 2) > abs(b - m / 2)]
        test = mcnemar([[7, b], [c, 3]])
        assert math.isclose(test.p_exact, sum(as_far), rel_tol=1e-12)
        assert math.isclose(test.p_mid, (sum(as_far) + sum(farther)) / 2, rel_tol=1e-12)
        assert math.isclose(test.chi_squared, (b - c) ** 2 / m)
        assert math.isclose(test.chi_squared_corrected, max(abs(b - c) - 1, 0) ** 2 / m)
        assert (test.n, test.n_first_only, test.n_second_only) == (m + 10, b, c)


def test_odds_ratio_from_the_exact_share() -> None:
    e = mcnemar([[7, 9], [2, 3]], level=0.9).odds_ratio
    share = clopper_pearson(9, 11, 0.9)
    assert e.value == 4.5
    assert math.isclose(e.conf_low, share.conf_low / (1 - share.conf_low), rel_tol=1e-10)
    assert math.isclose(e.conf_high, share.conf_high / (1 - share.conf_high), rel_tol=1e-10)
    turned = mcnemar([[3, 2], [9, 7]], level=0.9).odds_ratio
    assert math.isclose(turned.conf_low * e.conf_high, 1, rel_tol=1e-10)


def test_mcnemar_degenerate() -> None:
    none = mcnemar([[7, 0], [0, 3]])
    assert none.p_exact is none.p_mid is none.p_chi_squared is None
    assert "no case changed" in str(none)
    assert mcnemar([[0, 0], [0, 0]]).reason == "no pairs"
    assert "is 0" in mcnemar([[7, 0], [4, 3]]).odds_ratio.reason
    assert "no finite value" in mcnemar([[7, 4], [0, 3]]).odds_ratio.reason
    assert 0 < mcnemar([[0, 5000], [0, 0]]).p_exact < 1e-300
    assert len(none.tidy()) == 4
    for bad in ([[1, 2]], [[1, -2], [3, 4]], [[1, 2.5], [3, 4]], [["private", 2], [3, 4]], [1, 2]):
        with pytest.raises(EstimationError) as refused:
            mcnemar(bad)
        assert "private" not in str(refused.value)


def test_mcnemar_from_columns() -> None:
    first, second = [1, 1, 1, 0, 0, None, 1], [1, 0, 0, 1, 0, 1, np.nan]
    test = mcnemar_from_pairs(first, second)
    assert (test.n, test.n_missing, test.n_first_only, test.n_second_only) == (5, 2, 2, 1)
    assert test.p_exact == mcnemar([[1, 2], [1, 1]]).p_exact
    with pytest.raises(EstimationError, match="0, 1 or missing"):
        mcnemar_from_pairs([2, 0], [1, 0])


def test_weights_of_strata_are_named_and_used() -> None:
    # stratum x: first group ranks 2 and 3 of 3; stratum y: first group ranks 1 of 2
    given = ([2, 3, 5], [1, 8], (["x", "x", "y"], ["x", "y"]))
    by_size, equal = van_elteren(*given), van_elteren(*given, weights="equal")
    assert by_size.method == "van Elteren"
    assert equal.method == "rank sums of strata, equal weights"
    # excess over the mean 1 and -1/2; variances 2 (4) / 12 and 1 (3) / 12; weights 1/4 and 1/3, or 1 and 1
    assert by_size.statistic == pytest.approx((1 / 4 - 1 / 6) / (8 / 12 / 16 + 3 / 12 / 9) ** 0.5, rel=1e-12)
    assert equal.statistic == pytest.approx((1 - 1 / 2) / (8 / 12 + 3 / 12) ** 0.5, rel=1e-12)
    assert equal.superiority == pytest.approx(0.5 + 0.5 / 3, rel=1e-12)
