"""Random small data sets for two and several groups, made anew from a seed by the tests and by the reference.

Ties, groups of one to three values, constant groups, empty strata, factors of one level and large offsets are
among them. Values have at most four decimals, so that text carries them exactly.
"""

from __future__ import annotations

from typing import Any

import numpy as np

SIZES = {"groups": 300, "two factors": 120, "covariates": 120, "strata": 120, "pairs": 120, "shares": 120}
SEED = 20261125


def _values(rng: np.random.Generator, n: int, kind: int, shift: float) -> list[float]:
    """Return n values: continuous, rounded, heavily tied, constant or far from 0."""
    drawn = rng.normal(shift, 1.0, n)
    if kind == 1:
        return np.round(drawn * 2).tolist()
    if kind == 2:
        return np.clip(np.round(drawn), 0, 2).tolist()
    if kind == 3:
        return [float(round(shift))] * n
    return np.round(drawn + (1e4 if kind == 4 else 0.0), 4).tolist()


def groups(rng: np.random.Generator, i: int) -> dict[str, Any]:
    k = int(rng.integers(2, 6))
    kind = i % 5
    sizes = rng.integers(1, 13, k)
    return {
        "groups": [
            _values(rng, int(n), int(rng.choice([0, 3])) if kind == 3 else kind, float(rng.normal(0, 0.7)))
            for n in sizes
        ]
    }


def two_factors(rng: np.random.Generator, i: int) -> dict[str, Any]:
    n, levels = int(rng.integers(8, 25)), rng.integers(1, 4, 2) if i % 10 == 0 else rng.integers(2, 4, 2)
    return {
        "y": _values(rng, n, (0, 1, 4)[i % 3], 0.0),
        "a": rng.integers(0, levels[0], n).tolist(),
        "b": rng.integers(0, levels[1], n).tolist(),
    }


def covariates(rng: np.random.Generator, i: int) -> dict[str, Any]:
    k = int(rng.integers(2, 4))
    sizes = rng.integers(2 if i % 5 == 0 else 4, 9, k)
    n = int(sizes.sum())
    return {
        "y": _values(rng, n, (0, 1, 4)[i % 3], 0.0),
        "g": np.repeat(np.arange(k), sizes).tolist(),
        "x": _values(rng, n, i % 2, 1.0),
        "z": _values(rng, n, 0, 0.0),
    }


def strata(rng: np.random.Generator, i: int) -> dict[str, Any]:
    n = int(rng.integers(5, 14))
    return {
        "y": _values(rng, n, (0, 1, 2)[i % 3], 0.5),
        "first": rng.integers(0, 2, n).tolist(),
        "stratum": rng.integers(0, int(rng.integers(1, 4)), n).tolist(),
    }


def pairs(rng: np.random.Generator, i: int) -> dict[str, Any]:
    n = int(rng.integers(2, 25))
    a, b = _values(rng, n, (0, 1, 2)[i % 3], 0.5), _values(rng, n, (0, 1, 2)[i % 3], 0.0)
    cells = rng.integers(0, (4, 15, 60)[i % 3], 4).tolist()
    return {"a": a, "b": b, "table": cells}


def shares(rng: np.random.Generator, i: int) -> dict[str, Any]:
    k = int(rng.integers(2, 5))
    n = rng.integers(1, (5, 8, 40)[i % 3], k)
    events = rng.binomial(n, np.linspace(0.2, rng.uniform(0.1, 0.9), k))
    scores = rng.permutation(7)[:k] if i % 4 == 0 else np.arange(1, k + 1)
    return {"events": events.tolist(), "n": n.tolist(), "scores": scores.tolist()}


MAKERS = {
    "groups": groups, "two factors": two_factors, "covariates": covariates, "strata": strata, "pairs": pairs,
    "shares": shares,
}  # fmt: skip


def data_sets() -> dict[str, list[dict[str, Any]]]:
    """Return every data set by kind."""
    return {
        kind: [maker(np.random.default_rng([SEED, number, i]), i) for i in range(SIZES[kind])]
        for number, (kind, maker) in enumerate(MAKERS.items())
    }
