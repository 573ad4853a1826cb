"""How often units and series on target signal: `python false_alarms.py`; the tables stand in docs/validation."""

from __future__ import annotations

import numpy as np
from scipy import stats

from outcomes.stats.charts.funnel import proportion_funnel
from outcomes.stats.charts.risk_adjusted_cusum import cusum_limit


def funnels() -> None:
    """Print the exact chance of being below the 2.5 % and above the 97.5 % limit."""
    for target in (0.02, 0.1, 0.3):
        for n in (20, 50, 200, 1000):
            cells = []
            for method in ("exact", "exact counts", "normal"):
                low, high = (
                    proportion_funnel([n], target, probabilities=(0.025, 0.975), method=method).raw[0] * n
                )
                count = np.arange(n + 1)
                chance = stats.binom.pmf(count, n, target)
                below, above = chance[count < low - 1e-9].sum(), chance[count > high + 1e-9].sum()
                cells.append(f"{100 * below:.1f} + {100 * above:.1f}")
            print(f"| {target:g} | {n} | {' | '.join(cells)} |")


def cusums() -> None:
    """Print the share of fresh series in control that reach limits found with another seed."""
    rng = np.random.default_rng(12)
    mixed = rng.beta(1, 6, 300)
    for name, risks, odds in (("300 cases, mixed risks", mixed, 2.0), ("the same, fewer events", mixed, 0.5),
                              ("100 cases, risk 5 %", np.full(100, 0.05), 2.0)):  # fmt: skip
        found = cusum_limit(risks, odds_ratio=odds, seed=1)
        score, highest = np.zeros(50_000), np.zeros(50_000)
        for p in risks:
            y = rng.random(50_000) < p
            score = np.maximum(0, score + np.where(y, np.log(odds), 0) - np.log(1 - p + odds * p))
            highest = np.maximum(highest, score)
        fresh = (highest >= found.limit).mean()
        print(f"| {name} | {found.limit:.3f} | {100 * found.false_alarm:.2f} % | {100 * fresh:.2f} % |")


if __name__ == "__main__":
    funnels()
    cusums()
