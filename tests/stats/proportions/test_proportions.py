"""Proportions, differences, ratios, exact tests: closed forms, coverage by enumeration, empty cells."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.proportions.contingency import chi_squared, fisher_exact
from outcomes.stats.proportions.exact_tables import exact_test
from outcomes.stats.proportions.risks import (
    clopper_pearson,
    odds_ratio,
    risk_difference,
    risk_ratio,
    wilson,
)


def coverage(interval, n: int, p: float) -> float:
    """Return the exact chance that the interval of a binomial sample holds p."""
    limits = [interval(k, n) for k in range(n + 1)]
    held = np.array([limit.conf_low <= p <= limit.conf_high for limit in limits])
    return float(stats.binom.pmf(np.arange(n + 1), n, p) @ held)


@pytest.mark.parametrize("n", [10, 25, 60])
def test_wilson_coverage_by_enumeration(n: int):
    """Mean coverage near 95 %, never under 90 %, over p = 0.01 .. 0.50."""
    seen = [coverage(wilson, n, p) for p in np.arange(0.01, 0.505, 0.01)]
    assert min(seen) >= 0.90
    assert 0.945 <= np.mean(seen) <= 0.96


@pytest.mark.parametrize("n", [10, 25, 60])
def test_clopper_pearson_never_covers_less(n: int):
    assert min(coverage(clopper_pearson, n, p) for p in np.arange(0.01, 0.505, 0.01)) >= 0.95


def test_newcombe_coverage_by_enumeration():
    """12 against 15 patients: exact coverage of the true difference, mean near 95 %, never under 90 %."""
    limits = {(i, j): risk_difference(i, 12, j, 15) for i in range(13) for j in range(16)}
    seen = []
    for p1 in (0.1, 0.25, 0.4, 0.6):
        for p0 in (0.1, 0.3, 0.5):
            w = np.outer(stats.binom.pmf(range(13), 12, p1), stats.binom.pmf(range(16), 15, p0))
            held = [[limits[i, j].conf_low <= p1 - p0 <= limits[i, j].conf_high for j in range(16)]
                    for i in range(13)]  # fmt: skip
            seen.append(float((w * held).sum()))
    assert min(seen) >= 0.90
    assert 0.94 <= np.mean(seen) <= 0.97


def test_wilson_is_the_root_of_the_score_equation():
    """(p - limit)^2 = z^2 limit (1 - limit) / n."""
    share = wilson(81, 263)
    z2 = stats.norm.ppf(0.975) ** 2
    for limit in (share.conf_low, share.conf_high):
        assert math.isclose((81 / 263 - limit) ** 2, z2 * limit * (1 - limit) / 263, rel_tol=1e-12)


def test_whole_and_empty_shares_end_exactly_at_the_border():
    for method in (wilson, clopper_pearson):
        assert method(0, 7).conf_low == 0
        assert method(7, 7).conf_high == 1
        assert method(0, 7).conf_high == pytest.approx(1 - method(7, 7).conf_low, rel=1e-12)


def test_nobody():
    for estimate in (
        wilson(0, 0), clopper_pearson(0, 0), risk_difference(0, 0, 1, 5), risk_ratio(1, 5, 0, 0),
        odds_ratio(0, 0, 0, 0),
    ):  # fmt: skip
        assert not estimate.estimable
        assert "no patients" in estimate.reason


def test_percentage_points_scale_value_and_limits():
    a, b = risk_difference(9, 43, 7, 42), risk_difference(9, 43, 7, 42, unit="percentage points")
    assert (b.value, b.conf_low, b.conf_high) == tuple(100 * x for x in (a.value, a.conf_low, a.conf_high))
    assert b.unit == "percentage points"


@pytest.mark.parametrize(
    ("counts", "reason"),
    [
        ((0, 10, 3, 10), "no events in group 1"),
        ((3, 10, 0, 10), "no events in group 0"),
        ((0, 10, 0, 9), "no events in either group"),
    ],
)
def test_risk_ratio_of_an_empty_cell_is_refused(counts, reason):
    ratio = risk_ratio(*counts)
    assert not ratio.estimable
    assert ratio.reason == reason


def test_risk_ratio_when_everybody_had_the_event():
    ratio = risk_ratio(4, 4, 9, 9)
    assert (ratio.value, ratio.conf_low, ratio.p_value) == (1.0, None, None)
    assert "every patient" in ratio.reason


def test_odds_ratio_with_an_empty_cell():
    assert "empty cell" in odds_ratio(0, 10, 3, 10, method="woolf").reason
    none = odds_ratio(0, 10, 3, 10)
    assert (none.value, none.conf_low) == (0.0, 0.0)
    assert none.conf_high > 1
    infinite = odds_ratio(3, 10, 0, 10)
    assert infinite.value is infinite.conf_high is None
    assert infinite.conf_low == pytest.approx(1 / none.conf_high, rel=1e-9)
    assert "zero cell" in infinite.reason


def test_odds_ratio_of_events_in_nobody_or_everybody():
    assert odds_ratio(0, 5, 0, 6).reason == "no events in either group"
    assert "every patient" in odds_ratio(5, 5, 6, 6).reason
    assert fisher_exact(5, 5, 6, 6).p_value is None


def test_odds_ratio_chooses_by_the_smallest_expected_count():
    assert odds_ratio(10, 20, 10, 20).method == "Woolf log"  # expected counts 10
    assert odds_ratio(5, 20, 5, 20).method == "Woolf log"  # expected counts 5
    assert odds_ratio(4, 20, 5, 20).method.startswith("conditional")  # expected counts 4.5
    assert odds_ratio(16, 20, 15, 20).method.startswith("conditional")  # the same without the event
    assert odds_ratio(3, 9, 20, 60).method.startswith("conditional")  # expected count 3 in the small group
    assert odds_ratio(0, 20, 15, 20).method.startswith("conditional")  # expected counts 7.5, an empty cell


def test_fisher_by_counting():
    """All tables of 5 events among 4 and 5: weights C(4, x) C(5, 5 - x)."""
    weights = {x: math.comb(4, x) * math.comb(5, 5 - x) for x in range(5)}
    total = sum(weights.values())
    for x, weight in weights.items():
        test = fisher_exact(x, 4, 5 - x, 5)
        likelier = sum(w for w in weights.values() if w <= weight)
        assert math.isclose(test.p_value, Fraction(likelier, total), rel_tol=1e-12)
        tails = [sum(w for y, w in weights.items() if sign * y >= sign * x) for sign in (1, -1)]
        assert math.isclose(test.p_greater, Fraction(tails[0], total), rel_tol=1e-12)
        assert math.isclose(test.p_less, Fraction(tails[1], total), rel_tol=1e-12)
        assert math.isclose(test.p_central, min(1, Fraction(2 * min(tails), total)), rel_tol=1e-12)


def test_central_p_and_interval_agree():
    for a in range(11):
        for b in range(13):
            test = fisher_exact(a, 10, b, 12)
            if test.p_value is None:
                continue
            low, high = test.odds_ratio.conf_low, test.odds_ratio.conf_high or math.inf
            assert (test.p_central > 0.05) == (low <= 1 <= high)


def test_fisher_of_a_hundred_thousand():
    test = fisher_exact(30_000, 100_000, 31_000, 100_000)
    odds = odds_ratio(30_000, 100_000, 31_000, 100_000)
    assert odds.method == "Woolf log"
    assert test.odds_ratio.value == pytest.approx(odds.value, rel=1e-4)
    assert test.odds_ratio.conf_low == pytest.approx(odds.conf_low, rel=1e-3)


def test_exact_test_of_two_rows_is_fishers():
    for table in ([[9, 34], [7, 35]], [[0, 5], [4, 3]], [[1, 1], [1, 30]]):
        (a, b), (c, d) = table
        assert math.isclose(
            exact_test(table).p_value, fisher_exact(a, a + b, c, c + d).p_value, rel_tol=1e-10
        )


def test_exact_test_leaves_out_empty_rows_and_says_when_there_is_nothing():
    test = exact_test([[2, 0, 0], [0, 0, 1], [0, 0, 0], [0, 0, 1]])
    assert (test.n_empty_rows, test.n_empty_columns) == (1, 1)
    assert math.isclose(test.p_value, 1 / 3, rel_tol=1e-12)
    assert exact_test([[1, 5], [0, 9]]).n_empty_columns == exact_test([[1, 0], [5, 9]]).n_empty_rows == 0
    nothing = exact_test([[2, 0], [3, 0], [0, 0], [0, 0]])
    assert (nothing.p_value, nothing.n, nothing.n_empty_rows, nothing.n_empty_columns) == (None, 5, 2, 1)


def test_exact_test_refuses_what_it_cannot_finish():
    rng = np.random.default_rng(7)
    with pytest.raises(EstimationError, match="use chi_squared"):
        exact_test(rng.integers(20, 60, (6, 5)))


def test_chi_squared_leaves_out_empty_rows_and_columns():
    full, padded = chi_squared([[15, 5], [5, 15]]), chi_squared([[15, 0, 5], [0, 0, 0], [5, 0, 15]])
    assert padded.statistic == full.statistic
    assert (padded.n_empty_rows, padded.n_empty_columns, padded.df) == (1, 1, 1)
    assert chi_squared([[1, 0], [5, 9]]).n_empty_rows == chi_squared([[1, 5], [0, 9]]).n_empty_columns == 0
    nothing = chi_squared([[3, 0], [5, 0]])
    assert nothing.statistic is nothing.p_value is None
    assert "fewer than two" in nothing.reason


@pytest.mark.parametrize("counts", [(5, 4, 1, 4), (-1, 4, 1, 4), (1.5, 4, 1, 4), (math.nan, 4, 1, 4)])
def test_bad_counts(counts):
    for function in (risk_difference, risk_ratio, odds_ratio, fisher_exact):
        with pytest.raises(EstimationError, match=r"whole number|must not exceed"):
            function(*counts)


@pytest.mark.parametrize("table", [[1, 2], [[1, -1], [2, 2]], [[1, 0.5], [2, 2]], [["a", 1], [1, 1]]])
def test_bad_tables(table):
    for function in (chi_squared, exact_test):
        with pytest.raises(EstimationError, match=r"whole number|expected shape"):
            function(table)


def test_wrong_options_list_the_right_ones():
    with pytest.raises(EstimationError, match="'proportion', 'percent'"):
        wilson(1, 2, unit="per cent")
    with pytest.raises(EstimationError, match="'woolf'"):
        odds_ratio(1, 2, 1, 2, method="wald")
