"""Time BCa limits of a mean difference beside scipy, in one process, on invented grip strengths recorded to 0.1 kg.

Run ``python tests/benchmarks/bench_bootstrap.py [rows ...]`` from the top of the repository; 2,000 replicates. scipy's BCa
forms every sample without one row, n squared numbers, so that it is timed only while these fit in 4 GiB. Times are
elapsed; what matters are the ratios and how time grows with rows.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[2]))

from outcomes.stats.resampling.totals_bootstrap import bootstrap_mean_difference


def difference(x, y, axis=-1):
    """Return the difference of means along an axis."""
    return x.mean(axis) - y.mean(axis)


def seconds(call) -> tuple[float, object]:
    """Return the elapsed time of one run, and its result."""
    start = time.perf_counter()
    result = call()
    return time.perf_counter() - start, result


def main(sizes: list[int]) -> None:
    """Print times, ratios and limits."""
    for n in sizes:
        rng = np.random.default_rng(1)
        a, b = (rng.gamma(4, 7, n // 2).round(1) for _ in range(2))
        few, found = seconds(lambda a=a, b=b: bootstrap_mean_difference(a, b, seed=1))
        fine_a, fine_b = a + rng.normal(0, 1e-6, n // 2), b + rng.normal(0, 1e-6, n // 2)
        many, _ = seconds(lambda a=fine_a, b=fine_b: bootstrap_mean_difference(a, b, seed=1))
        line = (
            f"{n} rows: BCa {few:.3f} s, all values distinct {many:.2f} s "
            f"({found.estimate.conf_low:.3f} to {found.estimate.conf_high:.3f})"
        )
        for method in ("percentile", "BCa"):
            if method == "BCa" and (n / 2) ** 2 * 8 > 4 * 2**30:
                line += f"; scipy BCa asks for {(n / 2) ** 2 * 8 / 2**30:.0f} GiB a group"
                continue
            batch = None if method == "BCa" and n < 5000 else max(1, int(2e7 // n))
            taken, other = seconds(
                lambda a=a, b=b, m=method, k=batch: stats.bootstrap(
                    (a, b), difference, n_resamples=2000, method=m, batch=k, rng=np.random.default_rng(1)
                )
            )
            limits = other.confidence_interval
            line += f"; scipy {method} {taken:.2f} s ({limits.low:.3f} to {limits.high:.3f}), {taken / few:.0f} times"
        print(line)


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or [1_000, 10_000, 100_000, 1_000_000])
