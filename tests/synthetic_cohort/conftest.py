"""Simulations that several tests look at, made once."""

from __future__ import annotations

import pytest

from synthetic_cohort import Simulation, simulate


@pytest.fixture(scope="session")
def demo() -> Simulation:
    return simulate(20_000, "demo", seed=11)


@pytest.fixture(scope="session")
def plain() -> Simulation:
    return simulate(20_000, "reduction_only", seed=12)
