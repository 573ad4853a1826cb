"""Contrasts that the data cannot carry get a reason, never a number made of something else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from outcomes.analysis.answer import answer_question
from outcomes.analysis.gates import strategy_gates
from outcomes.analysis.standardisation import critical_values
from outcomes.analysis.support import comparable_set, judged_strategies, limits_of
from outcomes.estimates import Estimate, Margin
from outcomes.stats.testing.simultaneous import max_t_quantile

A, B, C = "volar locking plate", "percutaneous pinning", "external fixation"


def judged(sample, margin=5.0):
    """Declare a margin."""
    plan = sample.study.outcomes[0]
    declared = Margin(
        value=margin, unit=sample.outcomes["result"].unit, source="declared by the authors: example"
    )
    return replace(sample, study=replace(sample.study, outcomes=(replace(plan, margin=declared),)))


def lost_arm(make_sample, *, missing: bool = False):
    """A has met cases only where B is never used: in the patterns both share, A never met the criteria."""
    strategy = [A] * 60 + [B] * 60 + [C] * 120
    pattern = ["x"] * 30 + ["y"] * 30 + ["x"] * 60 + ["x"] * 60 + ["y"] * 60
    reduction = ["not met"] * 30 + ["met"] * 30 + ["met", "not met"] * 90
    outcome = np.random.default_rng(0).normal(70, 5, 240) + 10 * (np.array(reduction) == "met")
    if missing:
        outcome[:30] = np.nan
    return judged(
        make_sample(
            strategy, outcome=outcome.tolist(), reduction=reduction, pattern="pattern", columns={"pattern": pattern}
        )
    )  # fmt: skip


def test_a_pair_without_met_cases_in_shared_patterns_has_no_e2_and_no_e4(make_sample):
    """The level of a strategy that never met the criteria must not be printed as its mean at met."""
    answer = answer_question(lost_arm(make_sample), "result")
    at_met = {effect.groups: effect for effect in answer.pairs}
    assert at_met[A, B].estimate.value is None
    assert "no case of volar locking plate that met the criteria" in at_met[A, B].estimate.reason
    assert at_met[A, C].estimate.value is not None
    interaction = {effect.groups: effect for effect in answer.interaction}
    assert interaction[A, B].estimate.value is None
    assert "depends on the strategy" not in answer.headline
    assert answer.strategy_state == "undetermined"
    assert any("about 20 more cases" in gate.remedy for gate in answer.gates)


def test_a_strategy_that_vanishes_from_a_pairs_fit_is_no_zero(make_sample):
    """Without the outcome in the shared pattern, A has no level there; 0 would be taken for its mean."""
    answer = answer_question(lost_arm(make_sample, missing=True), "result")
    for effects in (answer.pairs, answer.total_pairs):
        values = {effect.groups: effect.estimate.value for effect in effects}
        assert values[A, B] is None
        assert abs(values[A, C]) < 15


def test_one_pairs_fit_that_fails_leaves_the_others(make_sample):
    """All events of A lie outside the shared pattern: its own logistic fit is separated, E1 and the rest stand."""
    rng = np.random.default_rng(4)
    strategy = [A] * 200 + [B] * 200 + [C] * 300
    pattern = ["x"] * 60 + ["y"] * 140 + ["x"] * 200 + ["x"] * 150 + ["y"] * 150
    event = (rng.random(700) < 0.4).astype(float)
    event[:60] = 0
    reduction = np.where(rng.random(700) < 0.6, "met", "not met").tolist()
    sample = make_sample(
        strategy, outcome=event, reduction=reduction, kind="binary", pattern="pattern", columns={"pattern": pattern}
    )  # fmt: skip
    answer = answer_question(judged(sample), "result")
    assert answer.model.startswith("Logistic")
    values = {effect.groups: effect.estimate for effect in answer.pairs}
    assert values[A, B].value is None
    assert "separat" in values[A, B].reason
    assert values[A, C].conf_low is not None
    assert answer.reduction.estimate.conf_low is not None


@pytest.mark.parametrize("kind", ["continuous", "binary"])
def test_a_strategy_that_one_hospital_alone_used_has_no_interval(make_sample, kind):
    """Clusters that are the strategies: residuals of a hospital cannot show how hospitals differ."""
    rng = np.random.default_rng(6)
    strategy = rng.choice([A, B, C], 600)
    reduction = np.where(rng.random(600) < 0.6, "met", "not met")
    outcome = rng.normal(70, 5, 600) if kind == "continuous" else (rng.random(600) < 0.4).astype(float)
    columns = {"age": rng.normal(60, 10, 600)}
    sample = make_sample(
        strategy.tolist(), outcome=outcome.tolist(), reduction=reduction.tolist(), patient=strategy.tolist(), kind=kind,
        covariates=("age",), columns=columns,
    )  # fmt: skip
    answer = answer_question(judged(sample), "result")
    for effect in (*answer.pairs, *answer.total_pairs):
        assert effect.estimate.value is not None
        assert effect.estimate.conf_low is None
        assert "one cluster" in effect.estimate.reason
        assert effect.state == "undetermined"
    assert answer.strategy_state == "undetermined"


@pytest.mark.parametrize("value", [0.0, 1.0, 72.3])
def test_equal_outcomes_say_nothing(make_sample, value):
    """Rounding in the sixteenth digit must not become an effect with an interval."""
    rng = np.random.default_rng(1)
    strategy = rng.choice([A, B], 200).tolist()
    reduction = np.where(rng.random(200) < 0.6, "met", "not met").tolist()
    answer = answer_question(
        judged(make_sample(strategy, outcome=[value] * 200, reduction=reduction)), "result"
    )
    assert answer.overall == "these data cannot tell"
    assert any("the same outcome" in reason for reason in answer.reasons)


def test_a_contrast_without_interval_leaves_the_family_simultaneous(make_sample):
    """The others are still read together, by the max-t of those that have an interval."""
    strategy, reduction = [], []
    for name in (A, B, C):
        strategy += [name] * 100
        reduction += ["met", "not met"] * 50
    outcome = np.random.default_rng(2).normal(70, 5, 300)
    answer = answer_question(
        judged(make_sample(strategy, outcome=outcome.tolist(), reduction=reduction)), "result"
    )
    pairs = [effect.estimate for effect in answer.pairs]
    covariance = np.diag([1.0, 1.0, 0.0])
    family = type("F", (), {"read_with": 0, "simultaneous": True})()
    silent = Estimate(value=0.0, conf_low=None, conf_high=None)
    found = critical_values(family, [pairs[0], pairs[1], silent], covariance, 1)
    df = min(pairs[0].df, pairs[1].df)
    assert found[0] == pytest.approx(max_t_quantile(np.eye(2), df, seed=1))


@pytest.mark.parametrize("n", [20, 60, 150])
def test_a_yes_no_covariate_that_tells_two_strategies_apart_closes_the_axis(n):
    """As yes/no covariates are coded, 0 and 1."""
    limits = limits_of({})
    strategy = np.array([A] * n + [B] * n, dtype=object)
    X = np.repeat([0.0, 1.0], n)[:, None]
    met = np.ones(2 * n)
    everybody = np.ones(2 * n, dtype=bool)
    chosen = judged_strategies((A, B), strategy, met, everybody, limits)
    comparable = {chosen.pairs[0]: comparable_set(chosen.pairs[0], strategy, None, limits)}
    gates = strategy_gates(chosen, comparable, strategy, met, X, everybody, limits)
    assert any("leave room" in gate.name for gate in gates)


def test_a_closed_strategy_axis_settles_no_pair(make_sample):
    """A pair whose arms do not overlap is not called settled in the headline."""
    rng = np.random.default_rng(9)
    strategy = [A] * 100 + [B] * 100
    open_injury = np.repeat([0.0, 1.0], 100)
    flipped = rng.choice(200, 6, replace=False)
    open_injury[flipped] = 1 - open_injury[flipped]
    outcome = np.where(np.array(strategy) == A, 90.0, 60.0) + rng.normal(0, 4, 200)
    reduction = ["met", "met", "not met", "met"] * 50
    sample = make_sample(
        strategy, outcome=outcome.tolist(), reduction=reduction, covariates=("open_injury",),
        columns={"open_injury": open_injury}, limits={"arm_effective_share_min": 1.0},
    )  # fmt: skip
    answer = answer_question(judged(sample), "result")
    assert answer.gates
    assert answer.pairs[0].state == "material"
    assert answer.strategy_state == "undetermined"
    assert "settled" not in answer.headline


def test_a_planned_strategy_that_nobody_had_is_named(make_sample):
    strategy, reduction, outcome = (
        [A] * 60 + [B] * 60,
        ["met", "not met"] * 60,
        [float(i) for i in range(120)],
    )
    sample = make_sample(strategy, outcome=outcome, reduction=reduction, judged=(A, B, "spanning plate"))
    answer = answer_question(judged(sample), "result")
    assert answer.not_judged == ("spanning plate",)
    assert "spanning plate" in answer.headline


def test_total_effects_within_the_margin_are_not_called_either_when_strategies_count(make_sample):
    """Strategies that differ at met and not in total: 'either' would say that they do not differ at met."""
    strategy = [A] * 200 + [B] * 200
    reduction = ["met"] * 100 + ["not met"] * 100 + ["met"] * 180 + ["not met"] * 20
    means = {(A, "met"): 90.0, (A, "not met"): 70.0, (B, "met"): 81.0, (B, "not met"): 71.0}
    noise = np.random.default_rng(0).normal(0, 4, 400)
    outcome = [means[key] + e for key, e in zip(zip(strategy, reduction, strict=True), noise, strict=True)]
    answer = answer_question(judged(make_sample(strategy, outcome=outcome, reduction=reduction), 5), "result")
    assert answer.strategy_state == "counts"
    assert answer.total_state == "does not count"
    assert answer.pathway == "Strategies do not differ by the margin in total."


def test_clusters_of_a_penalised_fit_are_named_as_they_are(make_sample):
    rng = np.random.default_rng(3)
    strategy = rng.choice([A, B], 300).tolist()
    reduction = np.where(rng.random(300) < 0.6, "met", "not met").tolist()
    event = (rng.random(300) < 0.04).astype(float).tolist()
    sample = judged(make_sample(strategy, outcome=event, reduction=reduction, kind="binary"))
    by_surgeon = replace(sample, study=replace(sample.study, cluster="surgeon"))
    reasons = answer_question(by_surgeon, "result").reasons
    assert any("bootstrap over surgeons" in reason for reason in reasons)
    assert not any("bootstrap over patients" in reason for reason in reasons)


def test_a_share_met_by_one_strategy_has_the_error_of_a_plain_share(make_sample):
    """One strategy and one yes/no covariate: the standardised share is the raw share, p (1 - p) / n its variance.

    Without the variance of averaging only the part within the covariate's levels would be left: 3.8 points, not 5.0.
    """
    frail = np.repeat([0.0, 1.0], 50)
    reduction = ["met"] * 40 + ["not met"] * 10 + ["met"] * 8 + ["not met"] * 42
    sample = make_sample(
        [A] * 100, outcome=list(range(100)), reduction=reduction, covariates=("frail",), columns={"frail": frail}
    )  # fmt: skip
    share = answer_question(judged(sample), "result").share_met[A]
    assert share.value == pytest.approx(48, abs=1e-6)
    assert share.std_error == pytest.approx(100 * np.sqrt(0.48 * 0.52 / 100), rel=0.02)
