"""The truth file: recomputed smaller, and true to the rules it was made by."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from from_the_file import share_from_file

from synthetic_cohort import keys, scenario_names, simulate
from synthetic_cohort.scenarios import MARGINS, OUTCOMES
from synthetic_cohort.truth import ScenarioTruth, compute_truth
from synthetic_cohort.truth_file import as_toml, read_truth

N = 10_000
SHIPPED: dict[str, Any] = read_truth()["scenarios"]


@pytest.fixture(scope="module")
def small() -> dict[str, ScenarioTruth]:
    return {name: compute_truth(name, n=N, seed=99) for name in scenario_names()}


def test_every_scenario_and_outcome_is_there() -> None:
    assert tuple(SHIPPED) == scenario_names()
    for name in SHIPPED:
        assert set(OUTCOMES) < set(SHIPPED[name])


def tolerance(new: float | None, old: float | None) -> float:
    """Five standard errors of the difference, and what counts as 0."""
    return 5 * math.hypot(new or 0.0, old or 0.0) + keys.ZERO


def answers(states: dict[str, str]) -> dict[str, str]:
    """States; an interaction below the margin is like none: the bounds of PRWE may leave a trace of one."""
    return {name: text.replace("below the margin", "none") for name, text in states.items()}


@pytest.mark.parametrize("scenario", scenario_names())
@pytest.mark.parametrize("outcome", OUTCOMES)
def test_recomputing_gives_the_same_within_monte_carlo_error(
    scenario: str, outcome: str, small: dict[str, ScenarioTruth]
) -> None:
    new, old = small[scenario].outcomes[outcome], SHIPPED[scenario][outcome]
    limit = tolerance(new.values["monte_carlo_error"], old["monte_carlo_error"])
    assert new.values["E1"] == pytest.approx(old["E1"], abs=limit)
    shares = small[scenario].strategy_share
    for name, effect in new.by_strategy.items():
        assert effect == pytest.approx(
            old["E1_by_strategy"][name], abs=limit / math.sqrt(max(shares[name], 0.001))
        )
    for pair, kept in zip(new.pairs, old["pairs"], strict=True):
        assert (pair.first, pair.second) == (kept["first"], kept["second"])
        limit = tolerance(pair.values["monte_carlo_error"], kept.get("monte_carlo_error"))
        for name in ("E2_met", "E2_not_met", "E3", "E4", "E6_direct", "E6_indirect"):
            if pair.values[name] is None:
                assert name not in kept
            else:
                assert pair.values[name] == pytest.approx(kept[name], abs=limit), name
    assert answers(new.states) == answers(old.get("states", {}))


@pytest.mark.parametrize("scenario", scenario_names())
def test_shares_met_are_the_same(scenario: str, small: dict[str, ScenarioTruth]) -> None:
    for name, share in small[scenario].met_share.items():
        assert share == pytest.approx(SHIPPED[scenario]["met_share"][name], abs=5 * 0.5 / math.sqrt(N))


def test_answers_follow_from_the_effects_and_not_from_names() -> None:
    for name, scenario in SHIPPED.items():
        for outcome in OUTCOMES:
            margin, kept = MARGINS[outcome], scenario[outcome]
            if margin is None:
                assert "states" not in kept
                continue
            strategy = keys.pairs_axis([pair.get("E2_met") for pair in kept["pairs"]], margin)
            assert kept["states"]["strategy"] == strategy, (name, outcome)
            if kept["states"]["interaction"] != "by an amount that depends on the strategy":
                expected = "counts" if abs(kept["E1"]) >= margin else "does not count"
                assert kept["states"]["reduction"] == expected


def test_what_each_scenario_must_be() -> None:
    for name in ("reduction_only", "neither", "confounded_by_severity", "mediated"):
        for outcome in OUTCOMES:
            assert all(
                pair["E2_met"] == pair["E2_not_met"] == 0.0 for pair in SHIPPED[name][outcome]["pairs"]
            )
    assert SHIPPED["strategy_only"]["grip_share"]["E1"] == 0.0
    mediated = [abs(pair["E3"]) for pair in SHIPPED["mediated"]["grip_share"]["pairs"]]
    assert max(mediated) >= 15
    assert all(effect <= 5 or effect >= 15 for effect in mediated)
    by_strategy = SHIPPED["interaction"]["grip_share"]["E1_by_strategy"].values()
    assert min(by_strategy) == 0.0
    assert max(by_strategy) >= 15
    assert all("E2_met" not in pair for pair in SHIPPED["no_overlap"]["grip_share"]["pairs"])
    crude = SHIPPED["confounded_by_severity"]["grip_share"]
    assert crude["states"]["crude_overall"] != crude["states"]["overall"]
    assert abs(crude["crude_met_minus_not_met"] - crude["E1"]) > 10


def test_planted_effects_are_none_or_small_or_large() -> None:
    for name, scenario in SHIPPED.items():
        if name == "demo":
            continue
        for outcome in ("grip_share", "prwe", "complication"):
            for pair in scenario[outcome]["pairs"]:
                for estimand in ("E2_met", "E2_not_met", "E4"):
                    size = abs(pair.get(estimand, 0.0))
                    assert size <= 5.0 or size >= 14.9, (name, outcome, estimand)


def test_reading_error_shrinks_the_effect_as_read() -> None:
    # trade facts, Watson 2016 errors: the project's sketch expects about 0.44 of the effect to remain.
    kept = SHIPPED["reading_error"]["grip_share"]
    assert 0.35 < kept["as_read_E1"] / kept["E1"] < 0.65


def test_totals_are_direct_and_indirect_parts(small: dict[str, ScenarioTruth]) -> None:
    for outcome in ("grip_share", "prwe", "rotation_arc"):
        for pair in small["mediated"].outcomes[outcome].pairs:
            parts = (pair.values["E6_direct"] or 0.0) + (pair.values["E6_indirect"] or 0.0)
            assert parts == pytest.approx(pair.values["E3"], abs=1e-9)


def test_the_file_shows_the_crude_contrast_that_the_truth_names() -> None:
    known = simulate(20_000, "confounded_by_severity", seed=5)
    share = share_from_file(known.table)
    crude = np.nanmean(share[known.met]) - np.nanmean(share[~known.met])
    kept = SHIPPED["confounded_by_severity"]["grip_share"]["crude_met_minus_not_met"]
    assert crude == pytest.approx(kept, abs=1.5)


def test_the_file_says_that_it_is_invented_and_how_it_was_made(small: dict[str, ScenarioTruth]) -> None:
    text = as_toml(tuple(small.values()))
    assert "invented" in text.splitlines()[0]
    assert f"python -m synthetic_cohort truth --n {N} --seed 99" in text
    assert "-0.000" not in text
