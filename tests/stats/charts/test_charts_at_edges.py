"""Charts at their edges: values on a limit, the smallest counts, blocks of a simulation, the table of every result."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.charts.attribute_charts import TAIL, p_chart, u_chart
from outcomes.stats.charts.cusum_run_length import cusum_run_length
from outcomes.stats.charts.funnel import ratio_funnel
from outcomes.stats.charts.over_dispersion import over_dispersion, widened_limits, winsorised
from outcomes.stats.charts.risk_adjusted_cusum import (
    _highest_scores,
    _reached_by,
    cusum_limit,
    observed_minus_expected,
    risk_adjusted_cusum,
)
from outcomes.stats.charts.run_rules import (
    NELSON,
    coin_false_alarm,
    rule_false_alarms,
    run_chart,
    shewhart_rules,
)
from outcomes.stats.charts.standardised_ratio import (
    indirect_standardisation,
    observed_to_expected,
    poisson_limits,
)


@pytest.mark.parametrize("exposure", [1.0, 1e-6, 1e7])
def test_one_event_beyond_is_beyond_and_on_the_limit_is_not(exposure):
    """Twenty expected, whatever the unit of exposure; low and high counts from the Poisson itself."""
    low, high = stats.poisson.ppf([TAIL, 1 - TAIL], 20)
    found = u_chart([low - 1, low, high, high + 1], [exposure] * 4, centre=20 / exposure)
    assert found.outside.tolist() == [True, False, False, True]
    assert found.too_few.tolist() == [False] * 4


def test_one_case_beyond_a_proportion_is_beyond():
    low, high = stats.binom.ppf([TAIL, 1 - TAIL], 80, 0.4)
    found = p_chart([low - 1, low, high, high + 1], [80] * 4, centre=0.4)
    assert found.outside.tolist() == [True, False, False, True]


def test_fewest_cases_of_a_period():
    assert p_chart([1, 1], [9, 10], centre=0.1).too_few.tolist() == [True, False]
    assert p_chart([1, 1], [9, 10], centre=0.1, fewest=9).too_few.tolist() == [False, False]
    assert u_chart([1, 1], [9.9, 10.0], centre=0.1).too_few.tolist() == [True, False]
    table = p_chart([1, 5], [9, 10], centre=0.1).tidy()
    assert table["period"].tolist() == [1, 2]
    assert table["n"].tolist() == [9, 10]
    assert table["estimate"].tolist() == [1 / 9, 0.5]


@pytest.mark.parametrize(
    ("rule", "z", "points"),
    [
        ("2 of 3 beyond 2 SD", [2.0, 2.0, 2.0], ()),
        ("4 of 5 beyond 1 SD", [1.0, 1.0, 1.0, 1.0, 1.0], ()),
        ("4 of 5 beyond 1 SD", [1.1, -1.1, 1.1, 1.1, 1.1], (5,)),
        ("8 on one side", [1.0] * 7, ()),
        ("14 alternating", [1, 2] * 6 + [2, 1], ()),
        ("14 alternating", [1, 2] * 8, (14, 15, 16)),
        ("15 within 1 SD", [0.5] * 14 + [1.01], ()),
        ("8 beyond 1 SD on both sides", [1.5, -1.0] * 4, ()),
        ("8 beyond 1 SD on both sides", [1.5] * 7 + [-1.5, -1.5], (8, 9)),
        ("8 beyond 1 SD on both sides", [-1.5] + [1.5] * 8, (8,)),
        ("8 beyond 1 SD on both sides", [1.5] + [-1.5] * 8, (8,)),
        ("6 rising or falling", [1, 2, 3, 4, 5], ()),
    ],
)
def test_rules_on_their_limits(rule, z, points):
    made = shewhart_rules(z, centre=0, sd=1, rules=[rule])
    assert made.signals[rule] == points
    row = made.tidy().iloc[0]
    assert (row["signals"], row["n"]) == (len(points), len(z))
    assert (row["first"] == points[0]) if points else row["first"] is None
    assert set(shewhart_rules([0.0], centre=0, sd=1, rules=NELSON).signals.values()) == {()}


def test_false_alarms_in_blocks_of_series_and_of_a_rule_never_broken():
    """400 points: blocks of 2,500 and 1,500 series; chance 1 - 0.9973^400."""
    found = rule_false_alarms(400, rules=["1 beyond 3 SD"], n_simulations=4000, seed=2)
    chance = 1 - (1 - 2 * TAIL) ** 400
    assert abs(found.any_rule - chance) < 4 * math.sqrt(chance * (1 - chance) / 4000)
    assert math.isclose(found.error, math.sqrt(found.any_rule * (1 - found.any_rule) / 4000), rel_tol=1e-12)
    assert found.tidy()["estimate"].tolist() == [found.by_rule["1 beyond 3 SD"], found.any_rule]
    never = rule_false_alarms(8, rules=["9 on one side"], n_simulations=1000)
    assert (never.any_rule, never.by_rule["9 on one side"]) == (0.0, 0.0)
    assert math.isclose(never.error, 1 / 1000, rel_tol=1e-12)
    with pytest.raises(EstimationError):
        rule_false_alarms(8, n_simulations=999)


def test_coins_of_which_no_run_is_allowed():
    assert coin_false_alarm(1, 0, 0) == 1.0
    assert coin_false_alarm(1, 1, 0) == 0.0
    assert coin_false_alarm(1, 1, 1) == 1.0


def test_run_chart_of_one_and_two_points():
    one = run_chart([1.0, 2.0, 2.0], centre=2.0)
    assert (one.n_useful, one.longest_run, one.longest_allowed, one.crossings, one.fewest_allowed) == (
        1,
        1,
        3,
        0,
        0,
    )
    two = run_chart([1.0, 3.0], centre=2.0)
    assert (two.longest_run, two.longest_allowed, two.crossings, two.fewest_allowed) == (1, 4, 1, 0)
    with pytest.raises(EstimationError, match="centre"):
        run_chart([1.0], centre=math.nan)


def test_score_that_nobody_reaches():
    """Allowed 29 of 100 scores: the limit lies between the 29th and 30th from above; none allowed: above all."""
    assert _reached_by(np.arange(100.0), 0.29) == 70.5
    assert math.isclose(_reached_by(np.arange(100.0), 0.0), 99 + 1e-6, rel_tol=1e-14)
    # scores apart by rounding are one score
    assert _reached_by(np.array([0.0, 1.0, 1.0 + 1e-12, 3.0]), 0.5) == 2.0
    risks = np.full(20, 0.2)
    found = cusum_limit(risks, false_alarm=0.0005, n_simulations=1000, seed=4)
    highest = np.sort(_highest_scores(risks, 2.0, None, 1000, 4))
    assert math.isclose(found.limit, round(highest[-1], 10) + 1e-6, rel_tol=1e-14)
    assert found.limit_high == found.limit
    assert (found.false_alarm, found.error) == (0.0, pytest.approx(1 / 1000, rel=1e-12))


def test_limits_of_the_limit_are_those_of_its_rank():
    risks = np.random.default_rng(7).uniform(0.05, 0.5, 30)
    found = cusum_limit(risks, false_alarm=0.1, n_simulations=2000, seed=6)
    highest = np.sort(_highest_scores(risks, 2.0, None, 2000, 6))
    spread = 1.959963984540054 * math.sqrt(0.1 * 0.9 / 2000)
    assert found.limit == _reached_by(highest, 0.1)
    assert (found.limit_low, found.limit_high) == (
        _reached_by(highest, 0.1 + spread),
        _reached_by(highest, 0.1 - spread),
    )
    assert (found.n, found.wanted) == (30, 0.1)
    assert [cusum_limit(risks, n=n, n_simulations=1000).n for n in (1, 7)] == [1, 7]


def test_simulated_scores_in_blocks():
    """500 cases: blocks of 4,000 and 1,000 series; each number of series is kept and none is a copy."""
    risks = np.full(500, 0.1)
    scores = _highest_scores(risks, 2.0, None, 5000, 1)
    assert scores.shape == (5000,)
    assert abs(scores[:4000].mean() - scores[4000:].mean()) < 4 * scores.std() / math.sqrt(1000)
    assert not np.array_equal(scores[:1000], scores[4000:])


def test_cusum_tables():
    chart = risk_adjusted_cusum([1, 1, 0], [0.5, 0.5, 0.5], limit=0.5)
    table = chart.tidy()
    assert table["case"].tolist() == [1, 2, 3]
    assert table["signal"].tolist() == [False, True, False]
    assert table["limit"].tolist() == [0.5] * 3
    made = observed_minus_expected([0, 1], [0.25, 0.5])
    assert made.tidy()["case"].tolist() == [1, 2]
    assert made.tidy()["band_high"].tolist() == made.band.tolist()
    assert "0.25 more events" in str(made)
    assert "0 fewer events" in str(observed_minus_expected([1, 0], [0.5, 0.5]))


def test_siegmund_by_hand():
    """k 0.5, h 4, one side: b = 5.166, drift -1/2: (exp(b) - b - 1) / (1/2)."""
    found = cusum_run_length(0.5, 4, sides=1, method="Siegmund").average
    assert math.isclose(found, 2 * (math.exp(5.166) - 5.166 - 1), rel_tol=1e-12)
    # without drift b squared, also by the formula for a small one
    flat = cusum_run_length(0.5, 4, shift=0.5, sides=1, method="Siegmund").average
    assert math.isclose(flat, 5.166**2, rel_tol=1e-12)
    near = cusum_run_length(0.5, 4, shift=0.5 - 3e-5, sides=1, method="Siegmund").average
    assert math.isclose(near, 5.166**2 * (1 + 2 * 3e-5 * 5.166 / 3), rel_tol=1e-6)


def test_enough_nodes_for_wide_limits():
    for h in (3.0, 30.0):
        chosen = cusum_run_length(0.1, h, shift=0.3, sides=1).average
        assert math.isclose(
            chosen, cusum_run_length(0.1, h, shift=0.3, sides=1, n_states=600).average, rel_tol=1e-9
        )
    with pytest.raises(EstimationError, match="n_states"):
        cusum_run_length(0.5, 4, n_states=-1)


def test_chain_of_states_comes_nearer_with_their_square():
    exact = cusum_run_length(0.5, 4).average
    errors = [
        abs(cusum_run_length(0.5, 4, method="Markov chain", n_states=m).average - exact)
        for m in (50, 100, 200)
    ]
    assert 3.5 < errors[0] / errors[1] < 4.5
    assert 3.5 < errors[1] / errors[2] < 4.5
    default = abs(cusum_run_length(0.5, 4, method="Markov chain").average - exact)
    assert 3.5 < errors[2] / default < 4.5


def test_winsorised_share_that_rounds_down_only_by_arithmetic():
    """0.29 x 100 is 28.999... in floating point: 29 are pulled in."""
    assert winsorised(np.arange(100.0), 0.29)[[0, 29, 70, 99]].tolist() == [29, 29, 70, 70]


def test_spread_of_few_units_and_of_ten():
    two = over_dispersion([1.0, -3.0], [1.0, 1.0], 0, winsorise=0)
    assert two.phi == 5.0
    # (2 x 5 - 1) / (2 - 2 / 2)
    assert math.isclose(two.tau**2, 9.0, rel_tol=1e-12)
    nine, ten = (over_dispersion(np.arange(u) - 4.0, np.ones(u), 0) for u in (9, 10))
    assert "9 units" in nine.caution
    assert ten.caution == ""
    factor = over_dispersion([3.0, -3.0] * 5, np.ones(10), 0, model="multiplicative")
    low, high = widened_limits(1.0, [2.0], factor, level=0.9)
    assert math.isclose(high[0], 1 + 1.6448536269514722 * 2 * 3, rel_tol=1e-12)
    assert math.isclose(low[0], 1 - 1.6448536269514722 * 2 * 3, rel_tol=1e-12)
    for errors in ([0.0], [math.inf]):
        with pytest.raises(EstimationError, match="std_errors"):
            widened_limits(0.0, errors, factor)


def test_limits_by_phi_at_its_level_of_chance():
    """Eight units: 1 + 2 sqrt(2 / 8) = 2; phi of exactly 2 widens nothing, more does."""
    at = over_dispersion(
        [2.0, -2.0, 2.0, 2.0, 0, 0, 0, 0],
        np.ones(8),
        0,
        model="multiplicative",
        winsorise=0,
    )
    assert (at.phi, at.used) == (2.0, False)
    above = over_dispersion(
        [2.0, -2.0, 2.0, 2.0, 0.1, 0, 0, 0], np.ones(8), 0, model="multiplicative", winsorise=0
    )
    assert above.used


def test_ratio_limits_of_large_and_tiny_expected_numbers():
    for mean in (0.01, 1.0, 50.0, 1e5):
        raw = ratio_funnel([mean], method="exact counts", fewest=0).raw[0] * mean
        assert np.allclose(raw, stats.poisson.ppf([0.001, 0.025, 0.975, 0.999], mean), rtol=1e-12)


def test_lower_limits_of_nothing_and_of_one():
    for limits in ("exact", "mid-P", "Byar"):
        assert poisson_limits(0, limits)[0] == 0.0
    # 1 - 1/9 - 3.09 / 3 is below 0
    assert poisson_limits(1, "Byar", 0.998)[0] == 0.0
    assert math.isclose(poisson_limits(0, "mid-P")[1], -math.log(0.05), rel_tol=1e-9)
    z = 1.959963984540054
    assert math.isclose(poisson_limits(0, "Byar")[1], (1 - 1 / 9 + z / 3) ** 3, rel_tol=1e-12)


def test_p_of_none_observed():
    """P(0) = exp(-2): twice that, and half of it less for the mid-P."""
    assert math.isclose(observed_to_expected(0, 2).p_value, 2 * math.exp(-2), rel_tol=1e-12)
    assert math.isclose(observed_to_expected(0, 2, limits="mid-P").p_value, math.exp(-2), rel_tol=1e-12)
    assert math.isclose(observed_to_expected(0, 0.1).p_value, 1.0)
    # one observed, mid-P: P(>= 1) - P(1) / 2
    one = 2 * (1 - math.exp(-0.1) - 0.05 * math.exp(-0.1))
    assert math.isclose(observed_to_expected(1, 0.1, limits="mid-P").p_value, one, rel_tol=1e-12)


def test_units_with_certain_and_impossible_cases():
    found = indirect_standardisation([1, 0, 1, 0], [1.0, 0.0, 0.5, 0.5], ["a", "a", None, "b"])
    assert [u.unit for u in found.units] == ["a", "b"]
    assert (found.n, found.n_missing) == (3, 1)
    a, b = found.units
    assert (a.expected, a.ratio.value, a.caution) == (1.0, 1.0, "")
    assert (b.observed, b.ratio.value) == (0, 0.0)
    for name in ("value", "conf_low", "conf_high"):
        assert math.isclose(getattr(a.rate, name), getattr(a.ratio, name) * found.overall_rate, rel_tol=1e-12)
    assert math.isclose(found.overall_rate, 1 / 3, rel_tol=1e-12)
    assert found.tidy()["caution"].tolist()[0] == ""
    only = indirect_standardisation([0, 0, 1], [0.0, 0.0, 0.5], ["a", "a", "b"]).units[0]
    assert only.ratio.reason == only.rate.reason == "no event was expected"
    with pytest.raises(EstimationError, match="at least one case"):
        indirect_standardisation([np.nan], [0.5], ["a"])


@pytest.mark.parametrize(("events", "centre"), [([10], None), ([0], None), ([3], 1.0), ([3], 0.0)])
def test_a_chart_about_none_or_all_asks_for_a_centre(events, centre):
    with pytest.raises(EstimationError, match="declare the centre in control"):
        p_chart(events, [10], centre=centre)
