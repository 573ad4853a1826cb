"""Few surgeons as clusters: a second interval stands beside, and nothing in the answer changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from outcomes.analysis.answer import answer_question
from outcomes.analysis.sample import StudySample
from outcomes.estimates import Margin
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.wild import wild_cluster_bootstrap

PLATE, PINS = "volar locking plate", "percutaneous pinning"


def by_surgeon(sample: StudySample, n_surgeons: int, **limits: float) -> StudySample:
    """Return the sample with cases dealt to surgeons, clusters by surgeon, and a margin."""
    surgeon = np.arange(len(sample.frame)) % n_surgeons
    frame = sample.frame.assign(surgeon=[f"S{each + 1}" for each in surgeon], cluster=surgeon)
    unit = sample.outcomes["result"].unit
    margin = Margin(value=5.0, unit=unit, source="declared by the authors: example")
    study = replace(
        sample.study,
        cluster="surgeon",
        limits=limits,
        outcomes=(replace(sample.study.outcomes[0], margin=margin),),
    )
    return replace(sample, frame=frame, study=study)


def rows(seed: int = 5, n: int = 160, *, effect: float = 10.0):
    rng = np.random.default_rng(seed)
    strategy = np.where(rng.random(n) < 0.5, PLATE, PINS)
    met = rng.random(n) < 0.6
    outcome = 60 + effect * met + rng.normal(0, 8, n)
    return strategy.tolist(), np.where(met, "met", "not met").tolist(), outcome


@pytest.fixture
def plain(make_sample) -> StudySample:
    strategy, reduction, outcome = rows()
    return make_sample(strategy, outcome=outcome, reduction=reduction, judged=(PLATE, PINS))


def test_six_surgeons_have_a_second_interval_for_e1_and_each_pair(plain):
    answer = answer_question(by_surgeon(plain, 6), "result")
    beside = answer.few_clusters
    shown = [answer.reduction.estimate, *(pair.estimate for pair in answer.pairs)]
    assert [e.contrast for e in beside] == [e.contrast for e in shown]
    for second, first in zip(beside, shown, strict=True):
        assert second.value == pytest.approx(first.value, abs=1e-10)
        assert (second.n, second.unit, second.level) == (first.n, "kg", 0.95)
        assert second.conf_low < second.value < second.conf_high
        assert second.method == (
            "wild cluster bootstrap, all 46656 patterns of Webb weights; unreliable: 6 clusters"
        )
        assert first.method.endswith("unreliable: 6 clusters")
    assert (
        "only 6 surgeons as clusters, fewer than 10: intervals are unreliable; wild cluster bootstrap intervals stand "
        "beside them"
    ) in answer.reasons


def test_interval_is_that_of_the_saturated_model(plain):
    """Without covariates the model is one mean a cell: the same bootstrap, set up by hand."""
    sample = by_surgeon(plain, 7)
    pair = answer_question(sample, "result").few_clusters[1]
    frame = sample.frame
    y = sample.outcomes["result"].values
    cells = np.column_stack([
        (frame["strategy"] == name) & (frame["reduction"] == label) for name in (PLATE, PINS) for label in ("met", "not met")
    ]).astype(float)  # fmt: skip
    fit = fit_linear(cells, y, names=["a", "b", "c", "d"], clusters=frame["surgeon"].to_numpy())
    own = wild_cluster_bootstrap(fit, [1, 0, -1, 0], seed=sample.study.seed).estimate
    assert (pair.conf_low, pair.conf_high, pair.p_value) == pytest.approx(
        (own.conf_low, own.conf_high, own.p_value), rel=1e-8
    )


def test_states_and_gates_do_not_depend_on_it(plain):
    sample = by_surgeon(plain, 6)
    few = answer_question(sample, "result")
    never = answer_question(
        replace(sample, study=replace(sample.study, limits={"few_clusters": 2.0})), "result"
    )
    assert never.few_clusters == ()
    assert (few.overall, few.headline, few.reduction, few.pairs, few.gates, few.by_margin) == (
        never.overall, never.headline, never.reduction, never.pairs, never.gates, never.by_margin,
    )  # fmt: skip


def test_nothing_beside_where_clusters_suffice(plain):
    answer = answer_question(by_surgeon(plain, 10), "result")
    assert answer.few_clusters == ()
    assert not any("as clusters" in reason for reason in answer.reasons)


def test_the_limit_is_that_of_the_study(plain):
    answer = answer_question(by_surgeon(plain, 11, few_clusters=12.0), "result")
    assert {e.method for e in answer.few_clusters} == {
        "wild cluster bootstrap, all 2048 patterns of Rademacher weights; unreliable: 11 clusters"
    }
    assert any(reason.startswith("only 11 surgeons as clusters, fewer than 12") for reason in answer.reasons)


def test_without_reduction_the_pairs_in_total_have_it(make_sample):
    strategy, _, outcome = rows()
    sample = by_surgeon(make_sample(strategy, outcome=outcome, judged=(PLATE, PINS)), 6)
    answer = answer_question(sample, "result")
    assert [e.contrast for e in answer.few_clusters] == [f"{PLATE} minus {PINS}"]
    assert answer.few_clusters[0].value == pytest.approx(answer.total_pairs[0].estimate.value, abs=1e-10)


def test_a_pair_with_a_pattern_outside_has_its_own_fit(make_sample):
    strategy, reduction, outcome = rows()
    pattern = np.array(["bending"] * len(strategy), dtype=object)
    plated = np.flatnonzero(np.array(strategy) == PLATE)[:8]
    pattern[plated] = "volar rim shear"
    outcome[plated] -= 30
    sample = make_sample(strategy, outcome=outcome, reduction=reduction, judged=(PLATE, PINS), pattern="pattern",
                         columns={"pattern": pattern})  # fmt: skip
    answer = answer_question(by_surgeon(sample, 6), "result")
    assert [row.pattern for row in answer.outside] == ["volar rim shear"]
    assert answer.few_clusters[1].value == pytest.approx(answer.pairs[0].estimate.value, abs=1e-10)
    assert answer.few_clusters[1].n == answer.pairs[0].estimate.n


def test_risks_have_the_caution_only(make_sample):
    strategy, reduction, _ = rows(n=400)
    event = (np.random.default_rng(2).random(400) < 0.4).astype(float)
    sample = make_sample(strategy, outcome=event, reduction=reduction, kind="binary", judged=(PLATE, PINS))
    answer = answer_question(by_surgeon(sample, 6), "result")
    assert answer.few_clusters == ()
    assert any("no wild cluster bootstrap" in reason for reason in answer.reasons)
