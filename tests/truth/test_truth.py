"""The answer on cohorts with known truth, and that an answer which is always silent cannot pass."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from cohorts import answer_one, truth_of
from judging import MUST_SPEAK, Summary, failings, judge, summarise
from study import NO_BAR, SCENARIOS, run

KEPT = Path(__file__).parents[2] / "docs" / "operating_characteristics.json"


@pytest.mark.parametrize("scenario", ["reduction_only", "strategy_only", "both", "neither", "no_overlap"])
def test_few_cohorts_meet_the_bars(scenario):
    """Twelve cohorts of 1,000 cases each; the full study is the simulation below."""
    answers = [answer_one(scenario, 1000, seed) for seed in range(12)]
    truth = truth_of(scenario)
    assert failings(summarise(scenario, 1000, [judge(each, truth) for each in answers], truth)) == []


@pytest.mark.parametrize("scenario", MUST_SPEAK)
def test_an_answer_that_is_always_silent_fails(scenario):
    answer = answer_one(scenario, 400, 1)
    silent = replace(
        answer,
        overall="these data cannot tell",
        reduction_state="undetermined",
        strategy_state="undetermined",
    )
    truth = truth_of(scenario)
    summary = summarise(scenario, 1000, [judge(silent, truth)] * 200, truth)
    assert summary.reduction_wrong == summary.strategy_wrong == 0
    assert any("right in 0.0%" in text for text in failings(summary))


@pytest.mark.parametrize(("truth_from", "data_from"), [("neither", "both"), ("both", "neither")])
def test_false_claims_are_seen(truth_from, data_from):
    """An answer from the wrong world must be judged wrong on both axes."""
    judged = judge(answer_one(data_from, 3000, 2), truth_of(truth_from))
    assert judged.strategy_wrong
    assert not judged.right


def test_crude_contrasts_mislead_where_severity_confounds():
    assert (
        truth_of("confounded_by_severity")["states"]["crude_overall"]
        != (truth_of("confounded_by_severity")["states"]["overall"])
    )


@pytest.mark.simulation
@pytest.mark.parametrize("n", [400, 1000])
@pytest.mark.parametrize("scenario", [name for name in SCENARIOS if name not in NO_BAR])
def test_operating_characteristics(scenario, n):
    assert failings(run(scenario, n, 200)) == []


def test_kept_results_meet_the_bars():
    """What docs keep is complete and meets the bars that it states."""
    kept = [Summary(**row) for row in json.loads(KEPT.read_text(encoding="utf-8"))]
    assert {(each.scenario, each.n) for each in kept} == {
        (name, n) for name in SCENARIOS for n in (400, 1000)
    }
    assert all(each.n_cohorts >= 200 for each in kept)
    assert [text for each in kept if each.scenario not in NO_BAR for text in failings(each)] == []
