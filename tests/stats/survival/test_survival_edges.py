"""Survival at its edges: limits by their formulas, ties of a score, times at a horizon, the smallest groups, tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.survival.competing_times import competing_times
from outcomes.stats.survival.concordance import concordance
from outcomes.stats.survival.cox import cox_contrast, fit_cox
from outcomes.stats.survival.cox_proportionality import proportionality_test
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence, incidence_difference
from outcomes.stats.survival.gray import gray_test
from outcomes.stats.survival.interval_censored import interval_censored_curve
from outcomes.stats.survival.kaplan_meier import (
    follow_up,
    kaplan_meier,
    number_at_risk,
    survival_at,
    survival_quantile,
)
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.recurrent_events import mean_cumulative_count
from outcomes.stats.survival.restricted_mean import (
    restricted_mean,
    restricted_mean_difference,
    restricted_mean_ratio,
)
from outcomes.stats.survival.survival_times import check_survival, group_labels, level_codes, risk_table

Z = 1.959963984540054


def test_scores_apart_by_rounding_are_tied_and_others_are_not():
    """The largest score is 1: 0.8e-11 apart is tied, 1.2e-11 is not."""
    tied = concordance([1, 2, 3], [1, 0, 0], [0.8e-11, 0.0, -1.0])
    assert (tied.concordant, tied.tied, tied.discordant) == (1, 1, 0)
    apart = concordance([1, 2, 3], [1, 0, 0], [1.2e-11, 0.0, -1.0])
    assert (apart.concordant, apart.tied) == (2, 0)
    assert concordance([1, 2], [1, 0], [0.0, 0.0]).value == 0.5


def test_pairs_of_tied_times_and_of_strata():
    """At one time: two events are no pair, an event and a censoring are; nobody is paired across strata."""
    found = concordance([2, 2, 2], [1, 1, 0], [3.0, 2.0, 1.0])
    assert (found.concordant, found.discordant, found.tied, found.value, found.n) == (2, 0, 0, 1.0, 3)
    apart = concordance([1, 2, 1, 2], [1, 1, 1, 1], [1.0, 2.0, 5.0, 4.0], strata=[0, 0, 1, 1])
    assert (apart.concordant, apart.discordant) == (1, 1)
    assert apart.tidy()["estimate"].tolist() == [0.5]
    with pytest.raises(EstimationError, match="may not be missing"):
        concordance([1, 2], [1, 1], [1.0, 2.0], strata=[0, None])
    # all pairs of a longer series, each stratum twice as long as the last
    rng = np.random.default_rng(2)
    for n in (1, 2, 3, 5, 8, 17):
        t, s = rng.permutation(n), rng.permutation(n)
        pairs = [s[i] > s[j] for i in range(n) for j in range(n) if t[i] < t[j]]
        made = concordance(t, np.ones(n), s)
        assert (made.concordant, made.concordant + made.discordant) == (sum(pairs), len(pairs))


@pytest.mark.parametrize("limits", ["log-log", "log", "plain"])
def test_limits_of_a_curve_by_their_formulas(limits):
    """4 of 6 free, error of the log sqrt(2 / (6 x 4)); limits beyond 0 and 1 are cut."""
    curve = kaplan_meier([1, 1, 2, 2, 2, 2], [1, 1, 0, 0, 0, 0], limits=limits, level=0.9)
    s, e, z = 4 / 6, math.sqrt(2 / 24), 1.6448536269514722
    expected = {
        "log-log": (s ** math.exp(z * e / -math.log(s)), s ** math.exp(-z * e / -math.log(s))),
        "log": (s * math.exp(-z * e), min(s * math.exp(z * e), 1.0)),
        "plain": (max(s - z * s * e, 0.0), min(s + z * s * e, 1.0)),
    }[limits]
    assert math.isclose(curve.conf_low[0], expected[0], rel_tol=1e-12)
    assert math.isclose(curve.conf_high[0], expected[1], rel_tol=1e-12)
    few = kaplan_meier([1, 2, 3], [1, 1, 0], limits=limits, level=0.99)
    assert (few.conf_high[:2] <= 1.0).all()
    assert (few.conf_low[:2] >= 0.0).all()


def test_a_curve_read_at_its_last_time_and_beyond():
    curve = kaplan_meier([1, 2, 3], [1, 0, 0], label="plates")
    at, beyond = survival_at(curve, [3, 3.000001])
    assert at.value == pytest.approx(2 / 3)
    assert at.contrast == "plates: free of the event at 3"
    assert beyond.value is None
    assert beyond.n == 3
    assert survival_at(kaplan_meier([1, 2], [1, 1]), [2, 5])[1].value == 0.0
    for times in ([-0.1], [np.nan]):
        with pytest.raises(EstimationError, match="0 or more"):
            survival_at(curve, times)


def test_quantiles_and_their_limits_by_reading_the_curve():
    rng = np.random.default_rng(3)
    time, event = rng.integers(1, 30, 80), rng.integers(0, 2, 80)
    curve = kaplan_meier(time, event, limits="log")
    for share in (0.1, 0.25, 0.5):
        e = survival_quantile(curve, share)
        assert e.value == curve.time[np.flatnonzero(curve.survival <= 1 - share + 1e-9)[0]]
        low = np.flatnonzero(np.nan_to_num(curve.conf_low, nan=1.0) <= 1 - share)
        assert e.conf_low == curve.time[low[0]]
        high = np.flatnonzero(np.nan_to_num(curve.conf_high, nan=1.0) <= 1 - share)
        assert e.conf_high == (curve.time[high[0]] if len(high) else None)
    assert survival_quantile(curve, 0.25).contrast == "25 % quantile of time to event"
    with pytest.raises(EstimationError, match="between 0 and 1"):
        survival_quantile(curve, 0.0)


def test_at_risk_and_follow_up_with_ties():
    curve = kaplan_meier([2, 2, 3, 3], [1, 0, 1, 0])
    table = number_at_risk({"a": curve}, [0, 2, 2.5, 3, 4])
    assert table["n_risk"].tolist() == [4, 4, 2, 2, 0]
    assert table["events"].tolist() == [0, 0, 1, 1, 2]
    assert table["censored"].tolist() == [0, 0, 1, 1, 2]
    ends = follow_up([2, 2, 3, 3], [1, 0, 1, 0])
    # at 2 the event leaves three at risk of the end, at 3 one
    assert ends.n_risk.tolist() == [3, 1]
    assert np.allclose(ends.survival, [2 / 3, 0.0])


def test_log_rank_of_three_groups_by_hand():
    """Events at 1 (of 6), 2 (two of 5) and 4 (of 2): hypergeometric means and variances added up."""
    time, event, group = [1, 2, 2, 3, 4, 5], [1, 1, 1, 0, 1, 0], list("abcabc")
    test = log_rank(time, event, group)
    expected, variance = np.zeros(3), np.zeros((3, 3))
    for t, d in ((1, 1), (2, 2), (4, 1)):
        y = np.array([sum(x >= t and g == name for x, g in zip(time, group, strict=True)) for name in "abc"])
        n = y.sum()
        expected += d * y / n
        variance += d * (n - d) / (n - 1) * (np.diag(y / n) - np.outer(y, y) / n**2)
    assert np.allclose(test.expected, expected, rtol=1e-12)
    assert np.allclose(test.variance, variance, rtol=1e-12)
    gap = test.observed - expected
    statistic = gap @ np.linalg.pinv(variance) @ gap
    assert math.isclose(test.chi_squared, statistic, rel_tol=1e-9)
    assert test.df == 2
    assert math.isclose(test.p_value, stats.chi2.sf(statistic, 2), rel_tol=1e-9)
    assert test.n_by_group.tolist() == [2, 2, 2]
    assert (test.n, test.n_events, test.n_strata, test.n_uninformative) == (6, 4, 1, 0)
    table = test.tidy()
    assert table["n"].tolist() == [2, 2, 2]


def test_log_rank_weights_of_each_stratum():
    """rho 1: S just before each event, 1, 3/4 and 3/8 in the first stratum, 1 and 1/2 in the second."""
    time, event = [1, 2, 3, 4, 1, 2], [1, 1, 0, 1, 1, 1]
    group, strata = list("ababab"), [0, 0, 0, 0, 1, 1]
    found = log_rank(time, event, group, strata=strata, rho=1)
    weights = {(0, 1): 1.0, (0, 2): 3 / 4, (0, 4): 3 / 4 * 2 / 3, (1, 1): 1.0, (1, 2): 1 / 2}
    observed = np.zeros(2)
    for t, e, g, s in zip(time, event, group, strata, strict=True):
        observed["ab".index(g)] += weights[s, t] if e else 0.0
    assert np.allclose(found.observed, observed, rtol=1e-12)
    assert log_rank(time, event, group, rho=0.0).method == "log-rank test"
    assert log_rank(time, event, group, strata=strata).method == "stratified log-rank test"


def test_a_group_with_rows_that_cannot_be_used():
    with pytest.raises(EstimationError, match="1 group with usable rows"):
        log_rank([1, 2, None], [1, 1, 1], ["a", "a", "b"])


def test_restricted_means_by_their_areas():
    """a: 1 to 1, 3/4 to 2, 1/2 to 3; b: 1 to 2, 1/2 to 3. Horizon 3 of an event at 3 is the same."""
    a, b = ([1, 2, 3, 4], [1, 1, 1, 0]), ([2, 2, 4, 4], [1, 1, 0, 0])
    one, two = restricted_mean(*a, tau=3), restricted_mean(*b, tau=3)
    assert math.isclose(one.value, 2.25)
    assert math.isclose(two.value, 2.5)
    # events at 1 and 2: areas after them 1.25 and 0.5, hazards 1 / (4 x 3) and 1 / (3 x 2)
    variance = 1.25**2 / 12 + 0.5**2 / 6
    assert math.isclose(one.std_error**2, variance, rel_tol=1e-12)
    other = 0.5**2 * 2 / (4 * 2)
    assert math.isclose(two.std_error**2, other, rel_tol=1e-12)
    gap = restricted_mean_difference(*a, *b, tau=3, level=0.9)
    assert math.isclose(gap.value, -0.25)
    assert math.isclose(gap.std_error**2, variance + other, rel_tol=1e-12)
    assert math.isclose(gap.conf_high, -0.25 + 1.6448536269514722 * gap.std_error, rel_tol=1e-9)
    assert math.isclose(gap.p_value, 2 * stats.norm.sf(0.25 / gap.std_error), rel_tol=1e-9)
    assert gap.n == 8
    ratio = restricted_mean_ratio(*a, *b, tau=3)
    error = math.sqrt(variance / 2.25**2 + other / 2.5**2)
    assert math.isclose(ratio.value, 0.9)
    assert math.isclose(ratio.conf_low, 0.9 * math.exp(-Z * error), rel_tol=1e-9)
    assert math.isclose(ratio.conf_high, 0.9 * math.exp(Z * error), rel_tol=1e-9)
    assert (ratio.n, ratio.unit) == (8, "ratio")
    missing = restricted_mean_difference([1, None, 4], [1, 1, 0], [2, None, None, 4], [1, 1, 0, 0], tau=3)
    assert (missing.n, missing.n_missing) == (4, 3)
    with pytest.raises(EstimationError, match="above 0"):
        restricted_mean(*a, tau=math.inf)


def test_late_entries_in_strata_by_counting():
    """At risk at t when entry < t <= time, within the stratum: all counted one by one."""
    rng = np.random.default_rng(6)
    n = 60
    time = rng.integers(2, 9, n).astype(float)
    entry = np.minimum(rng.integers(0, 7, n), time - 1)
    event, group, stratum = rng.integers(0, 2, n), rng.integers(0, 2, n), rng.integers(0, 3, n)
    data = check_survival(time, event, entry=entry)
    table = risk_table(data, group, 2, stratum)
    for j, (t, s) in enumerate(zip(table.time, table.stratum, strict=True)):
        for g in (0, 1):
            mine = (group == g) & (stratum == s)
            assert table.at_risk[g, j] == (mine & (entry < t) & (t <= time)).sum()
            assert table.events[g, j] == (mine & (time == t) & (event == 1)).sum()
            assert table.censored[g, j] == (mine & (time == t) & (event == 0)).sum()


def test_labels_of_every_kind():
    codes, names = level_codes([2.0, np.nan, 1.0], 3, "groups")
    assert (codes.tolist(), names) == ([1, -1, 0], ("1", "2"))
    assert level_codes([1.5, 2.0], 2, "groups")[1] == ("1.5", "2")
    assert level_codes(None, 2, "groups")[0].tolist() == [0, 0]
    found, labels, missing = group_labels(["c", None, "a"], 3)
    assert (found.tolist(), labels, missing.tolist()) == ([1, -1, 0], ("a", "c"), [False, True, False])
    with pytest.raises(EstimationError, match="1 rows have a label that is not declared"):
        level_codes(["a", "q", None], 3, "groups", ["a", "b"])
    with pytest.raises(EstimationError, match="at: give one or more times"):
        cumulative_incidence([1, 2], [1, 0], at=[np.inf])
    assert cumulative_incidence([0, 2], [1, 0], at=0).rows[0].estimate.value == 0.5


def test_order_of_ties_is_by_cause_and_then_cluster():
    data = competing_times([2, 2, 2, 1], [2, 0, 1, 1], clusters=["b", "c", "a", "d"])
    assert data.order.tolist() == [3, 1, 2, 0]
    assert data.cause.tolist() == [1, 0, 1, 2]
    swapped = competing_times([2, 2], [1, 1], clusters=["b", "a"])
    assert swapped.order.tolist() == [1, 0]
    with pytest.raises(EstimationError) as refused:
        competing_times([1, 2], ["0", "1"])
    assert refused.value.code == "censored_as_cause"


def test_difference_of_incidence_is_cut_at_one():
    """All of one group and one of three of the other: limits of a difference stay within -1 and 1."""
    found = incidence_difference(
        [1, 1, 2, 1, 2, 2, 2], [1, 1, 0, 1, 0, 0, 0], list("bbbaaaa"), at=[1], cause=1, level=0.999
    ).rows[0]
    assert math.isclose(found.estimate.value, 2 / 3 - 1 / 4, rel_tol=1e-12)
    assert (found.estimate.conf_low, found.estimate.conf_high) == (
        pytest.approx(max(-1.0, 5 / 12 - 3.290526731491926 * found.estimate.std_error)),
        1.0,
    )
    assert (found.at_risk, found.estimate.n) == (7, 7)


def test_gray_leaves_censored_cases_out_of_the_risk_set():
    """b is censored at 1, so that a is one of three at 2; competing, it would stay and count 3 of 4."""
    found = gray_test([1, 2, 3, 4], [0, 1, 1, 1], list("babb"), cause=1)
    assert math.isclose(found.score[0], 1 - 1 / 3, rel_tol=1e-12)
    assert found.observed == (1.0, 2.0)
    assert found.n == 4


def test_gray_of_two_groups_in_strata_counts():
    test = gray_test([1, 2, 3, 4] * 2, [1, 2, 1, 0] * 2, list("abab") * 2, cause=1, strata=[0] * 4 + [1] * 4)
    assert test.n_strata == 2
    assert test.observed == (4.0, 0.0)
    assert math.isclose(sum(test.score), 0.0, abs_tol=1e-12)
    assert test.df == 1
    assert math.isclose(test.p_value, stats.chi2.sf(test.statistic, 1), rel_tol=1e-9)


def test_counts_at_a_horizon_and_at_the_end():
    """An event at the horizon counts, and so does one at the very end of follow-up; a death counts after it."""
    found = mean_cumulative_count([3, 3, 5], [3, 3], [0, 2], at=[2.9, 3], died=[1, 0, 0])
    assert [row.estimate.value for row in found.rows] == [0.0, pytest.approx(2 / 3)]
    assert [row.at_risk for row in found.rows] == [3, 3]
    later = mean_cumulative_count([3, 3, 5], [4], [2], at=[4], died=[1, 0, 0]).rows[0].estimate
    assert later.value == pytest.approx(2 / 3)  # two thirds alive, one at risk
    assert found.n_deaths == 1
    assert [row.estimate.contrast for row in found.rows] == ["events by 2.9", "events by 3"]
    named = mean_cumulative_count([3, 3, 5], [3, 3], [0, 2], at=[3], groups=list("xxy"))
    assert [row.estimate.contrast for row in named.rows] == ["events by 3 in x", "events by 3 in y"]
    assert [row.estimate.n for row in named.rows] == [2, 1]


def test_exact_times_without_limits():
    found = interval_censored_curve([1, 1, 3, 3], [1, 1, 3, 3], at=[1, 2.5, 3], n_boot=0)
    assert [row.estimate.value for row in found.rows] == [
        pytest.approx(0.5),
        pytest.approx(0.5),
        pytest.approx(1.0),
    ]
    assert found.rows[0].estimate.conf_low is None
    assert (found.n, found.n_exact, found.n_never) == (4, 4, 0)


def test_hazard_ratio_contrasts_by_their_parts():
    rng = np.random.default_rng(8)
    x = rng.normal(size=(60, 2))
    fit = fit_cox(x, rng.exponential(np.exp(-x[:, 0])), np.ones(60), names=["x", "z"])
    row = np.array([2.0, -1.0])
    log, ratio = (cox_contrast(fit, [row], labels=["c"], ratio=kind, level=0.9)[0] for kind in (False, True))
    assert math.isclose(log.value, row @ fit.coefficients, rel_tol=1e-12)
    assert math.isclose(log.std_error, math.sqrt(row @ fit.covariance @ row), rel_tol=1e-12)
    assert math.isclose(
        ratio.conf_high, math.exp(log.value + 1.6448536269514722 * log.std_error), rel_tol=1e-9
    )
    assert math.isclose(log.conf_low, log.value - 1.6448536269514722 * log.std_error, rel_tol=1e-9)
    assert log.p_value == ratio.p_value == pytest.approx(2 * stats.norm.sf(abs(log.value) / log.std_error))
    wald = fit.coefficients @ np.linalg.solve(fit.covariance, fit.coefficients)
    assert math.isclose(fit.wald_statistic, wald, rel_tol=1e-9)
    assert log.unit == "log hazard ratio"


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_proportionality_is_the_score_test_of_x_times_time(ties):
    """Split at every event: rows with x and x g(t) as columns; the score test of the second at the fitted first."""
    rng = np.random.default_rng(9)
    n = 30
    x, time, event = rng.normal(size=n), rng.integers(1, 9, n).astype(float), rng.integers(0, 2, n)
    event[:3] = 1
    weight = rng.integers(1, 4, n) / 2.0
    fit = fit_cox(x[:, None], time, event, names=["x"], weights=weight, ties=ties)
    cuts = np.unique(time[event == 1])
    start, stop, dead, both, w = [], [], [], [], []
    for xi, ti, ei, wi in zip(x, time, event, weight, strict=True):
        for low, high in zip(np.concatenate([[0.0], cuts[:-1]]), cuts, strict=True):
            if ti > low:
                start.append(low)
                stop.append(min(ti, high))
                dead.append(int(ei and ti <= high))
                both.append([xi, xi * high])
                w.append(wi)
    from outcomes.stats.survival.cox_risk_sets import at_coefficients, make_risk_sets

    data = check_survival(stop, dead, entry=start)
    sets = make_risk_sets(np.array(both), data, np.zeros(len(stop), int), np.array(w), ties)
    point = at_coefficients(sets, np.array([fit.coefficients[0], 0.0]) * sets.scale)
    statistic = float(point.score @ np.linalg.solve(point.information, point.score))
    found = proportionality_test(fit, transform="identity")
    assert found.chi_squared[0] == pytest.approx(statistic, rel=1e-8)
    assert found.df == (1, 1)
    assert found.p_value[0] == pytest.approx(stats.chi2.sf(statistic, 1), rel=1e-8)
    assert found.n_events == fit.n_events
    # ranks among all times, ties at their middle; logarithms
    ranks = stats.rankdata(time)
    for transform, given in (("rank", ranks), ("log", np.log(time) + 1)):
        same = proportionality_test(
            fit_cox(x[:, None], given, event, names=["x"], weights=weight, ties=ties), transform="identity"
        )
        made = proportionality_test(fit, transform=transform)
        assert made.chi_squared[0] == pytest.approx(same.chi_squared[0], rel=1e-8)
        assert made.transform == transform
