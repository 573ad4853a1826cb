"""Random small inputs of charts, made again from their number; nothing here is a patient's."""

from __future__ import annotations

import numpy as np

N_SETS = 600


def ratio(number: int) -> tuple[int, float]:
    """Return observed and expected events."""
    rng = np.random.default_rng(290_000 + number)
    return int(rng.integers(0, (4, 15, 60, 400)[number % 4])), float(rng.integers(1, 5000) / 100)


def unit(number: int) -> tuple[int, float, float]:
    """Return cases, target and probability of a funnel."""
    rng = np.random.default_rng(390_000 + number)
    n = int(rng.integers(1, (12, 60, 400, 3000)[number % 4]))
    return n, float(rng.integers(1, 200) / 400), (0.001, 0.025, 0.975, 0.999, 0.5)[number % 5]


def chart(number: int) -> tuple[float, float, float]:
    """Return reference, limit and shift of a CUSUM."""
    rng = np.random.default_rng(490_000 + number)
    return float(rng.integers(2, 12) / 10), float(rng.integers(5, 45) / 10), float(rng.integers(0, 16) / 10)
