"""What is planted can be found again, from the file alone."""

from __future__ import annotations

import numpy as np
import pytest
from from_the_file import (
    covariates_from_file,
    label_from_file,
    least_squares,
    logistic_fit,
    share_from_file,
)

from synthetic_cohort import Simulation, simulate
from synthetic_cohort.events import KINDS
from synthetic_cohort.function import SLOPES
from synthetic_cohort.scenarios import Scenario

ERROR_FREE = (
    "reduction_only", "strategy_only", "both", "neither", "confounded_by_severity", "mediated", "interaction", "no_overlap",
)  # fmt: skip


@pytest.mark.parametrize("scenario", ERROR_FREE)
def test_the_label_of_the_file_is_the_true_label(scenario: str) -> None:
    known = simulate(4000, scenario, seed=21)
    np.testing.assert_array_equal(label_from_file(known.table), known.met)


def test_reading_error_changes_labels() -> None:
    known = simulate(4000, "reading_error", seed=21)
    wrong = np.mean(label_from_file(known.table) != known.met)
    assert 0.1 < wrong < 0.35


def planted(plan: Scenario, outcome: str) -> tuple[np.ndarray, np.ndarray]:
    effects = plan.effects[outcome]
    strategy = np.array([effects.strategy.get(name, 0.0) for name in plan.strategies])
    return strategy, np.array([effects.met_of(name) for name in plan.strategies])


def arms(known: Simulation) -> np.ndarray:
    """Columns: strategies but the first, then strategy x met."""
    used = np.array([known.strategy == name for name in known.world.scenario.strategies], dtype=float).T
    return np.column_stack([used[:, 1:], used * known.met[:, None]])


@pytest.mark.parametrize("scenario", ["reduction_only", "strategy_only", "both", "interaction", "mediated"])
@pytest.mark.parametrize("outcome", ["grip_share", "prwe"])
def test_regression_on_the_file_finds_the_planted_effects(scenario: str, outcome: str) -> None:
    known = simulate(15_000, scenario, seed=31)
    table = known.table
    y = share_from_file(table) if outcome == "grip_share" else table["prwe_12_months"].to_numpy()
    keep = ~np.isnan(y)
    X = np.column_stack([np.ones(len(y)), arms(known), covariates_from_file(table)])[keep]
    beta, error = least_squares(X, y[keep])
    strategy, met = planted(known.world.scenario, outcome)
    expected = np.concatenate([(strategy - strategy[0])[1:], met])
    found = slice(1, 1 + len(expected))
    assert np.abs(beta[found] - expected).max() < 4 * error[found].max()
    assert error[found].max() < 1.2


def test_severity_is_a_linear_function_of_the_file() -> None:
    known = simulate(20_000, "confounded_by_severity", seed=32)
    y = share_from_file(known.table)
    keep = ~np.isnan(y)
    X = np.column_stack([np.ones(len(y)), arms(known), covariates_from_file(known.table)])[keep]
    beta, error = least_squares(X, y[keep])
    np.testing.assert_allclose(beta[3:6], 15.0, atol=4 * error[3:6].max())
    np.testing.assert_allclose(beta[1:3], 0.0, atol=4 * error[1:3].max())
    assert (y[keep] - X @ beta).std() == pytest.approx(15.0, abs=0.3)


def test_log_odds_of_the_recorded_complications() -> None:
    known = simulate(25_000, "both", seed=33)
    events = known.table.filter(regex=r"^event_\d$")
    any_event = events.isin(KINDS).any(axis=1).to_numpy(dtype=float)
    X = np.column_stack([np.ones(len(any_event)), arms(known), covariates_from_file(known.table)])
    beta, error = logistic_fit(X, any_event)
    strategy, met = planted(known.world.scenario, "complication")
    expected = np.concatenate([(strategy - strategy[0])[1:], met])
    assert np.abs((beta - np.pad(expected, (1, len(beta) - len(expected) - 1))) / error)[1:6].max() < 4
    slopes = np.array([row[3] for row in SLOPES.values()])
    assert beta[6] == pytest.approx(slopes[0] / 10, abs=4 * error[6])


def test_each_arm_holds_enough_cases_of_each_label() -> None:
    for scenario in ("reduction_only", "confounded_by_severity"):
        known = simulate(20_000, scenario, seed=34)
        for name in known.world.scenario.strategies:
            here = known.strategy == name
            for label in (True, False):
                assert np.mean(here & (known.met == label)) * 400 >= 20, (scenario, name, label)


def test_strategy_shares_are_as_announced() -> None:
    known = simulate(20_000, "reduction_only", seed=35)
    shares = [np.mean(known.strategy == name) for name in known.world.scenario.strategies]
    np.testing.assert_allclose(shares, [0.45, 0.30, 0.25], atol=0.02)
    assert 0.55 < known.met.mean() < 0.70
