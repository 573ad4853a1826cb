"""The invented tables of the cross-check, made again from the seed whenever they are needed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Counts = NDArray[np.int64]
SEED = 20261125
SIZES = (1, 2, 3, 5, 8, 12, 20, 35, 60, 150)
RISKS = (0.0, 0.02, 0.1, 0.3, 0.5, 0.8, 1.0)


def two_by_two() -> Counts:
    """Return 320 tables (events 1, n1, events 0, n0): empty cells, groups of one, groups without cases."""
    rng = np.random.default_rng(SEED)
    n = rng.choice(SIZES, (320, 2))
    events = rng.binomial(n, rng.choice(RISKS, (320, 2)))
    n[:4, 0], events[:4, 0] = 0, 0
    return np.column_stack([events[:, 0], n[:, 0], events[:, 1], n[:, 1]])


def strata() -> list[Counts]:
    """Return 220 sets of 1 to 6 strata, (k, 2, 2): empty groups, one-patient strata, strata without events."""
    rng = np.random.default_rng(SEED + 1)
    sets = []
    for _ in range(220):
        k = int(rng.integers(1, 7))
        n = rng.choice((0, 1, 2, 4, 9, 15, 30, 80), (k, 2), p=(0.06, 0.09, *[0.85 / 6] * 6))
        n[0] = np.maximum(n[0], 4)
        events = rng.binomial(n, rng.choice((0.0, 0.1, 0.3, 0.5, 0.9), (k, 1)))
        sets.append(np.stack([events, n - events], axis=2))
    return sets


def families() -> list[list[float | None]]:
    """Return 60 families of 1 to 30 p-values, some missing, some tied."""
    rng = np.random.default_rng(SEED + 2)
    made = []
    for _ in range(60):
        m = int(rng.integers(1, 31))
        p = np.round(rng.random(m) ** 3, int(rng.choice((2, 5))))
        gone = rng.random(m) < 0.15
        made.append([None if lost else float(value) for value, lost in zip(p, gone, strict=True)])
    return made
