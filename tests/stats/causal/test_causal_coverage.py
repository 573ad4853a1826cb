"""Intervals of matching, mediation and weights for being observed hold the truth as often as the table says.

Scenarios, seeds and table: tests/reference/causal_cross_checks/coverage.py and coverage.csv.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

FOLDER = Path(__file__).parents[2] / "reference" / "causal_cross_checks"
specification = importlib.util.spec_from_file_location("causal_coverage", FOLDER / "coverage.py")
coverage = importlib.util.module_from_spec(specification)
specification.loader.exec_module(coverage)
TABLE = pd.read_csv(FOLDER / "coverage.csv")


def test_the_table_has_every_scenario() -> None:
    assert set(TABLE["scenario"]) == set(coverage.SCENARIOS)
    assert (TABLE["cohorts"] >= 1000).all()


def test_true_risks_of_the_scenarios() -> None:
    """By draws, not by the sums that the scenarios use."""
    rng = np.random.default_rng(1)
    x, noise = rng.standard_normal((2, 2_000_000))

    def risk(own: float, m: np.ndarray) -> float:
        odds = np.exp(-0.5 + 0.5 * own + 0.6 * m + 0.3 * own * m + 0.3 * x)
        return 100 * float((odds / (1 + odds)).mean())

    m0, m1 = 0.5 * x + noise, 0.6 + 0.5 * x + noise
    drawn = [risk(1, m0) - risk(0, m0), risk(1, m1) - risk(1, m0)]
    assert drawn == pytest.approx(coverage.TRUTH[True], abs=0.03)


@pytest.mark.parametrize("name", list(coverage.SCENARIOS)[:1])
def test_a_short_run_agrees_with_the_table(name: str) -> None:
    made = coverage.simulate(name, 40).set_index("estimate")["coverage"]
    seen = TABLE[TABLE["scenario"] == name].set_index("estimate")["coverage"]
    assert (np.abs(made - seen) < 4 * np.sqrt(5 * 95 / 40)).all()


@pytest.mark.simulation
@pytest.mark.parametrize("name", list(coverage.SCENARIOS))
def test_the_table_is_made_again(name: str) -> None:
    made = coverage.simulate(name, 1000).set_index("estimate")
    seen = TABLE[TABLE["scenario"] == name].set_index("estimate")
    assert made["coverage"].to_numpy() == pytest.approx(seen["coverage"].to_numpy(), abs=0.11)
    assert made["spread"].to_numpy() == pytest.approx(seen["spread"].to_numpy(), rel=1e-3)
