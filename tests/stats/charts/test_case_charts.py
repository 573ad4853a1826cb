"""CUSUM, observed minus expected, run lengths, run rules, charts by period: by hand and laws."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.charts.attribute_charts import TAIL, p_chart, u_chart
from outcomes.stats.charts.cusum_run_length import cusum_run_length
from outcomes.stats.charts.risk_adjusted_cusum import (
    cusum_limit,
    observed_minus_expected,
    risk_adjusted_cusum,
)
from outcomes.stats.charts.run_rules import (
    NELSON,
    WESTERN_ELECTRIC,
    _broken,
    coin_false_alarm,
    rule_false_alarms,
    run_chart,
    shewhart_rules,
)

EVENT = [0, 1, 1, 0, 1, 1, 1, 0]
RISK = [0.1, 0.2, 0.1, 0.3, 0.2, 0.1, 0.4, 0.2]


def test_weights_are_log_likelihood_ratios():
    chart = risk_adjusted_cusum(EVENT, RISK, odds_ratio=3)
    for y, p, weight in zip(EVENT, RISK, chart.weights, strict=True):
        odds = 3 * p / (1 - p)
        other = odds / (1 + odds)
        assert math.isclose(
            weight, math.log((other if y else 1 - other) / (p if y else 1 - p)), rel_tol=1e-12
        )
    assert math.isclose(chart.score[2], chart.weights[1] + chart.weights[2], rel_tol=1e-12)
    assert chart.score.min() == 0


def test_a_signal_starts_again_and_meets_its_limit_exactly():
    plain = risk_adjusted_cusum(EVENT, RISK)
    chart = risk_adjusted_cusum(EVENT, RISK, limit=plain.score[2])
    assert chart.signals[0] == 3
    assert chart.score[3] == 0
    assert "signals at case: 3" in str(chart)
    assert chart.tidy()["signal"].sum() == len(chart.signals)
    assert risk_adjusted_cusum(EVENT, RISK, limit=99).signals == ()
    assert "no limit given" in str(plain)


def test_the_other_direction_is_the_other_outcome():
    """Fewer events at odds 1/2 = more non-events at odds 2."""
    fewer = risk_adjusted_cusum(EVENT, RISK, odds_ratio=0.5)
    more = risk_adjusted_cusum(1 - np.array(EVENT), 1 - np.array(RISK), odds_ratio=2)
    assert np.allclose(fewer.score, more.score, rtol=1e-12)


def test_observed_minus_expected_by_hand():
    made = observed_minus_expected([0, 1, 1], [0.25, 0.5, 0.25], level=0.9)
    assert made.difference.tolist() == [0.25, -0.25, -1.0]
    assert math.isclose(made.band[2], 1.6448536269514722 * math.sqrt(0.1875 + 0.25 + 0.1875), rel_tol=1e-12)
    assert "1 more events than expected" in str(made)
    assert made.tidy()["band_low"].tolist() == (-made.band).tolist()


def test_limit_of_three_cases_by_enumeration():
    """Even risk, three cases, R = 2: the highest scores of the eight series, and the limit above all but 2 in 8."""
    up, down = math.log(4 / 3), math.log(2 / 3)
    highest = []
    for series in itertools.product([0, 1], repeat=3):
        score = top = 0.0
        for y in series:
            score = max(0.0, score + (up if y else down))
            top = max(top, score)
        highest.append(top)
    found = cusum_limit([0.5] * 3, false_alarm=0.3, n_simulations=4000, seed=2)
    reached = np.mean(np.array(highest) >= found.limit)
    assert reached <= 0.3
    assert abs(found.false_alarm - reached) < 4 * found.error
    assert np.mean(np.array(highest) >= found.limit - up) > 0.3


def test_limit_holds_its_false_alarm_and_grows():
    risks = np.random.default_rng(4).uniform(0.02, 0.4, 200)
    found = cusum_limit(risks, n_simulations=4000, seed=1)
    assert 0.04 < found.false_alarm <= 0.05
    assert found.limit_low <= found.limit <= found.limit_high
    assert math.isclose(
        found.error, math.sqrt(found.false_alarm * (1 - found.false_alarm) / 4000), rel_tol=1e-12
    )
    assert cusum_limit(risks, n_simulations=4000, seed=1) == found
    again = cusum_limit(risks, n_simulations=4000, seed=9)
    assert found.limit_low - 0.2 < again.limit < found.limit_high + 0.2
    assert (
        cusum_limit(risks, n=400, n_simulations=2000).limit
        > cusum_limit(risks, n=50, n_simulations=2000).limit
    )
    assert cusum_limit(risks, false_alarm=0.01, n_simulations=2000).limit > found.limit
    assert "Monte Carlo" in str(found)
    assert found.tidy()["n_replicates"].tolist() == [4000]


def test_run_length_methods_agree():
    for k, h, shift in ((0.5, 4, 0), (0.25, 6, 0.5), (1, 2, 1.5)):
        exact = cusum_run_length(k, h, shift=shift).average
        assert cusum_run_length(k, h, shift=shift, method="Markov chain").average == pytest.approx(
            exact, rel=1e-3
        )
        assert cusum_run_length(k, h, shift=shift, method="Siegmund").average == pytest.approx(
            exact, rel=0.05
        )
        assert cusum_run_length(k, h, shift=-shift).average == pytest.approx(exact, rel=1e-9)
    one = cusum_run_length(0.5, 4, sides=1).average
    assert one == pytest.approx(2 * cusum_run_length(0.5, 4).average, rel=1e-12)
    assert cusum_run_length(0.5, 4, shift=0.5, sides=1, method="Siegmund").average == pytest.approx(
        (4 + 1.166) ** 2, rel=1e-3
    )
    assert "167.7 points" in str(cusum_run_length(0.5, 4))


def test_a_limit_near_zero_is_a_shewhart_limit():
    assert cusum_run_length(2, 1e-9, sides=1).average == pytest.approx(1 / stats.norm.sf(2), rel=1e-6)


@pytest.mark.parametrize(
    ("rule", "z", "points"),
    [
        ("1 beyond 3 SD", [0, 3.0, 3.01, -3.01], (3, 4)),
        ("2 of 3 beyond 2 SD", [2.1, 0, 2.1, 0, 0, 2.1, -2.1], (3,)),
        ("2 of 3 beyond 2 SD", [-2.1, -2.1, 0], (2,)),
        ("4 of 5 beyond 1 SD", [1.1, 1.1, 0, 1.1, 1.1, 0], (5,)),
        ("8 on one side", [1] * 7 + [0] + [1] * 8, (16,)),
        ("9 on one side", [-1] * 9, (9,)),
        ("6 rising or falling", [1, 2, 3, 4, 5, 6, 7], (6, 7)),
        ("6 rising or falling", [6, 5, 4, 3, 2, 2, 1], ()),
        ("14 alternating", [1, 2] * 7, (14,)),
        ("14 alternating", [1, 2] * 6 + [1], ()),
        ("15 within 1 SD", [0.5, -1.0, 0.9] * 5, (15,)),
        ("8 beyond 1 SD on both sides", [1.5, -1.5] * 4, (8,)),
        ("8 beyond 1 SD on both sides", [1.5] * 8, ()),
    ],
)
def test_rules_by_hand(rule, z, points):
    assert shewhart_rules(np.array(z) * 2 + 10, centre=10, sd=2, rules=[rule]).signals[rule] == points
    mirrored = shewhart_rules(-np.array(z), centre=0, sd=1, rules=[rule])
    assert mirrored.signals[rule] == points


def test_average_run_length_of_published_rules():
    """Champ and Woodall 1987 (from memory): 370.4 for one rule, 91.75 for the four."""
    z = np.random.default_rng(8).standard_normal((2500, 900))
    found = _broken(z, WESTERN_ELECTRIC)
    broken = np.any([found[rule] for rule in WESTERN_ELECTRIC], axis=0)
    first = np.where(broken.any(axis=1), broken.argmax(axis=1) + 1, 900)
    error = first.std() / math.sqrt(2500)
    assert abs(first.mean() - 91.75) < 3 * error
    assert abs(1 / (found["1 beyond 3 SD"].mean()) - 370.4) < 3 * 370.4 / math.sqrt(2.25e6 / 370.4)


def test_false_alarms_by_formula():
    found = rule_false_alarms(30, rules=["1 beyond 3 SD", "8 on one side"], n_simulations=4000, seed=3)
    assert abs(found.by_rule["1 beyond 3 SD"] - (1 - 0.9973002039367398**30)) < 3 * 0.0043
    coins = coin_false_alarm(30, 7, 0)
    assert abs(found.by_rule["8 on one side"] - coins) < 3 * math.sqrt(coins * (1 - coins) / 4000)
    assert max(found.by_rule.values()) <= found.any_rule <= sum(found.by_rule.values())
    assert len(found.tidy()) == 3
    assert "of 2 rules" in str(found)
    assert set(rule_false_alarms(2, rules=NELSON, n_simulations=1000).by_rule) == set(NELSON)


@pytest.mark.parametrize("n", [3, 8, 11])
def test_coins_by_enumeration(n):
    for allowed, fewest in ((3, 0), (n, 3), (4, 2), (1, 1)):
        bad = 0
        for series in itertools.product([0, 1], repeat=n):
            runs = [len(list(run)) for _, run in itertools.groupby(series)]
            bad += max(runs) > allowed or len(runs) - 1 < fewest
        assert math.isclose(coin_false_alarm(n, allowed, fewest), bad / 2**n, abs_tol=1e-12)


def test_run_chart_by_hand():
    values = [1] * 9 + [3] * 9 + [2, 2]
    chart = run_chart(values)
    assert (chart.centre, chart.n_useful, chart.longest_run, chart.crossings) == (2, 18, 9, 1)
    assert (chart.longest_allowed, chart.fewest_allowed) == (7, 5)
    assert chart.signal
    assert stats.binom.ppf(0.05, 17, 0.5) == 5
    assert ": signal of a shift;" in str(chart)
    calm = run_chart([1, 3, 3, 1, 1, 3, 1, 3, 3, 3, 1, np.nan])
    assert (calm.signal, calm.n, calm.n_missing) == (False, 11, 1)
    few = run_chart([1, 2, 3])
    assert (few.signal, few.false_alarm) == (False, None)
    assert "at least 10" in str(few)
    same = run_chart([4.0] * 12)
    assert (same.n_useful, same.longest_run, same.false_alarm) == (0, 0, None)
    assert run_chart([1, 3] * 6, centre=0).longest_run == 12
    assert chart.tidy()["signal"].tolist() == [True]


def test_charts_by_period():
    events, cases = [3, 1, 0, 50], [50, 60, 4, 100]
    chart = p_chart(events, cases)
    assert math.isclose(chart.centre, 54 / 214, rel_tol=1e-12)
    assert chart.outside.tolist() == [True, True, False, True]
    assert chart.too_few.tolist() == [False, False, True, False]
    assert np.isnan(chart.low[2])
    assert math.isclose(TAIL, stats.norm.sf(3), rel_tol=1e-12)
    assert "beyond limits: periods 1, 2, 4; 1 period with too few" in str(chart)
    assert chart.tidy()["outside"].sum() == 3
    exact_high = stats.binom.ppf(1 - TAIL, 50, 0.1)
    assert p_chart([5], [50], centre=0.1).high[0] * 50 == pytest.approx(exact_high)
    on_and_beyond = p_chart([exact_high, exact_high + 1], [50, 50], centre=0.1)
    assert on_and_beyond.outside.tolist() == [False, True]
    rate = u_chart([3, 9], [10.0, 30.0], centre=0.3, method="normal")
    assert np.allclose(rate.high, 0.3 + 3 * np.sqrt(0.3 / np.array([10, 30])), rtol=1e-9)
    assert rate.size.tolist() == pytest.approx([10.0, 30.0])
    scaled = u_chart([3, 9], [1000.0, 3000.0], centre=0.003)
    assert np.allclose(scaled.high * 100, u_chart([3, 9], [10.0, 30.0], centre=0.3).high, rtol=1e-9)
    assert math.isclose(u_chart([3, 9], [10.0, 30.0]).centre, 0.3, rel_tol=1e-12)


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: risk_adjusted_cusum([0, 2], [0.1, 0.1]), "bad_value"),
        (lambda: risk_adjusted_cusum([0, 1], [0.1, 1.0]), "bad_value"),
        (lambda: risk_adjusted_cusum([], []), "bad_shape"),
        (lambda: risk_adjusted_cusum([0], [0.1], odds_ratio=1), "bad_odds_ratio"),
        (lambda: risk_adjusted_cusum([0], [0.1], limit=0), "bad_limit"),
        (lambda: cusum_limit([0.1], n_simulations=10), "bad_count"),
        (lambda: cusum_limit([0.1], n=0), "bad_count"),
        (lambda: cusum_limit([0.1], false_alarm=0), "bad_level"),
        (lambda: cusum_run_length(0.5, 0), "bad_limit"),
        (lambda: cusum_run_length(-1, 4), "bad_limit"),
        (lambda: cusum_run_length(0.5, 4, sides=3), "bad_choice"),
        (lambda: cusum_run_length(0.5, 4, method="simulation"), "bad_choice"),
        (lambda: cusum_run_length(4, 12), "too_long"),
        (lambda: shewhart_rules([1], centre=0, sd=0), "bad_value"),
        (lambda: shewhart_rules([1], centre=0, sd=1, rules=["7 up"]), "bad_choice"),
        (lambda: shewhart_rules([1], centre=0, sd=1, rules=[]), "no_rules"),
        (lambda: rule_false_alarms(0), "bad_count"),
        (lambda: run_chart([np.nan]), "no_rows"),
        (lambda: p_chart([0, 0], [10, 10]), "bad_target"),
        (lambda: p_chart([11], [10]), "bad_count"),
        (lambda: p_chart([0], [0]), "bad_target"),
        (lambda: u_chart([1], [0.0]), "bad_exposure"),
        (lambda: u_chart([0], [1.0]), "bad_target"),
    ],
)
def test_refused(call, code):
    with pytest.raises(EstimationError) as refused:
        call()
    assert refused.value.code == code


def test_run_chart_on_its_limits():
    """Ten points: a run of 6 is allowed and 2 crossings are enough; one more or fewer is not."""
    on = run_chart([1] * 6 + [3] * 3 + [1], centre=2)
    assert (on.longest_run, on.longest_allowed, on.crossings, on.fewest_allowed) == (6, 6, 2, 2)
    assert not on.signal
    assert on.false_alarm is not None
    assert run_chart([1] * 7 + [3] * 2 + [1], centre=2).signal
    assert run_chart([1] * 5 + [3] * 5, centre=2).signal


def test_periods_with_too_few_are_never_beyond_and_rates_have_their_unit():
    assert p_chart([4, 5], [4, 50], centre=0.1).outside.tolist() == [False, False]
    chart = u_chart([30, 90], [100.0, 300.0], centre=0.3, method="normal")
    assert np.allclose(chart.rate, 0.3)
    assert np.allclose(chart.low, 0.3 - 3 * np.sqrt(0.3 / np.array([100, 300])), rtol=1e-9)


def test_a_cusum_takes_the_limit_that_was_simulated_for_it():
    expected = [0.1] * 50
    limit = cusum_limit(expected, n_simulations=1_000, seed=1)
    event = [0, 1] * 25
    chart = risk_adjusted_cusum(event, expected, limit=limit)
    assert chart.limit == limit.limit
    assert chart.signals == risk_adjusted_cusum(event, expected, limit=limit.limit).signals != ()
    with pytest.raises(EstimationError, match="made for an odds ratio of 2"):
        risk_adjusted_cusum(event, expected, odds_ratio=0.5, limit=limit)
    with pytest.raises(EstimationError, match="what cusum_limit returned"):
        risk_adjusted_cusum(event, expected, limit="2")


def test_a_period_beyond_limits_cannot_be_read_as_a_count():
    chart = p_chart([5, 30, 5], [100, 100, 100], centre=0.05)
    assert str(chart).endswith("beyond limits: period 2")
    assert "p-chart of 1 period about" in str(p_chart([5], [100]))
