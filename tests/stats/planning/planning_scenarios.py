"""Random plans, printed statistics and tables, the same for the script that asks R and for the test.

Every scenario is a kind and up to eight numbers; what they mean is said in reference.R, kind by kind.
"""

from __future__ import annotations

import numpy as np

Scenario = tuple[str, tuple[float, ...]]


def scenarios(seed: int = 20) -> list[Scenario]:
    """Return all scenarios in a fixed order, numbers rounded so that text holds them exactly."""
    g = np.random.default_rng(seed)

    def real(low: float, high: float, digits: int = 3) -> float:
        return round(float(g.uniform(low, high)), digits)

    def count(low: int, high: int) -> int:
        return int(g.integers(low, high + 1))

    def one_of(*values: float) -> float:
        return values[count(0, len(values) - 1)]

    def share() -> float:
        return real(0.02, 0.98, 2)

    def two_shares() -> tuple[float, float]:
        first = share()
        second = share()
        return (first, second) if abs(first - second) > 0.04 else (0.3, 0.45)

    made: list[Scenario] = []

    def add(kind: str, *values: float) -> None:
        made.append((kind, values))

    for _ in range(60):
        add("size t", real(0.15, 2), one_of(0.05, 0.01, 0.1), one_of(0.8, 0.9, 0.95))
        add("power t", count(2, 80), count(2, 200), real(-1.5, 1.5), one_of(0.05, 0.01, 0.1), one_of(1, 2))
        add("size paired", real(0.15, 2), one_of(0.05, 0.01), one_of(0.8, 0.9))
        add("detect t", count(5, 200), one_of(0.05, 0.01), one_of(0.8, 0.9))
        add("size pooled", *two_shares(), one_of(0.05, 0.01), one_of(0.8, 0.9))
        add("power pooled", count(10, 300), *two_shares(), one_of(0.05, 0.01))
        add("size formulas", *two_shares(), one_of(0.05, 0.01), one_of(0.8, 0.9), one_of(1, 1, 2, 0.5, 3))
        add(
            "power tost", count(3, 120), count(3, 120), real(0.3, 1.5), real(-0.25, 0.25), one_of(0.05, 0.025)
        )
        add("power noninferior", count(3, 120), count(3, 120), real(0.3, 1.5), real(-0.25, 0.25), 0.025)
        add(
            "survival",
            real(0.3, 0.8, 2),
            real(0.05, 0.9, 2),
            real(0.5, 3, 1),
            one_of(0, 1, 2.5),
            one_of(0, 0.1),
        )
    for _ in range(40):
        shares = g.dirichlet([4, 4, 4, 4]).round(2)
        shares[3] = 1 - shares[:3].sum()
        cells = [float(round(value, 2)) for value in shares]
        cells = cells if min(cells) > 0.02 else [0.1, 0.2, 0.3, 0.4]
        add("interaction", real(0.4, 1.5), one_of(0.05, 0.01), one_of(0.8, 0.9), *cells)
        add("precision", real(0.1, 0.6, 2), share(), share(), one_of(0.9, 0.95), one_of(1, 2))
        add("p", real(-5, 5), count(1, 200), real(0, 9), count(1, 8), count(2, 200), real(-0.99, 0.99))
        add("means", real(5, 15, 1), real(1, 6, 1), count(2, 80), real(5, 15, 1), real(1, 6, 1), count(2, 80))
        n1, n0 = count(2, 60), count(2, 60)
        add("counts", count(0, n1 - 1), n1, count(1, n0), n0)
    for _ in range(60):
        n1, n0 = count(5, 120), count(5, 120)
        add("fragility", count(0, n1 // 2), n1, count(0, n0), n0, one_of(0.05, 0.05, 0.01))
    for _ in range(20):
        add("exact power", count(3, 22), count(3, 22), share(), share(), one_of(0.05, 0.1))
    return made
