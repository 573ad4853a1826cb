"""Time Mantel-Haenszel over 50 strata from rows beside pandas and statsmodels, in one process, on invented numbers.

Run ``python tests/benchmarks/bench_strata.py [rows]`` from the top of the repository. Times are elapsed, shortest of
some runs; what matters are the ratios.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
from statsmodels.stats.contingency_tables import StratifiedTable

sys.path.insert(0, str(Path(__file__).parents[2]))

from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.proportions.tables_from_rows import stratified_tables


def seconds(call, repeats):
    """Return the shortest of some runs, and the last result."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        result = call()
        times.append(time.perf_counter() - start)
    return min(times), result


def by_cross_tabulation(table):
    """Return what a user would otherwise write."""
    counts = [
        pd.crosstab(part["first"], part["event"])
        .reindex(index=[1, 0], columns=[1, 0], fill_value=0)
        .to_numpy(float)
        for _, part in table.groupby("hospital")
    ]
    found = StratifiedTable(counts)
    found.test_null_odds(correction=False)
    found.test_equal_odds()
    found.oddsratio_pooled_confint()
    return found.oddsratio_pooled


def main(n):
    """Print times, ratio and whether both agree."""
    rng = np.random.default_rng(1)
    table = pd.DataFrame(
        {
            "hospital": rng.integers(0, 50, n),
            "first": rng.integers(0, 2, n),
            "event": (rng.random(n) < 0.2).astype(int),
        }
    )
    columns = [table[name].to_numpy() for name in ("first", "event", "hospital")]
    ours, found = seconds(lambda: mantel_haenszel(stratified_tables(*columns).tables), 15)
    theirs, ratio = seconds(lambda: by_cross_tabulation(table), 3)
    print(
        f"{n} rows, 50 strata: {1000 * ours:.2f} ms; cross-tabulations and statsmodels {1000 * theirs:.0f} ms; "
        f"{theirs / ours:.0f} times; odds ratios differ by {abs(found.odds_ratio.value - ratio):.1e}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
