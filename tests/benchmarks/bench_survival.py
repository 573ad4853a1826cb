"""Time proportional-hazards fits with clustered errors, and curves, beside lifelines, in one process, on invented numbers.

Run ``python tests/benchmarks/bench_survival.py`` from the top of the repository. lifelines' clustered errors take time
in proportion to the square of the rows: they are measured at 10,000 rows and multiplied by 100, unless ``full`` is given,
which measures them once at 100,000 (minutes).
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from lifelines import CoxPHFitter, KaplanMeierFitter
from lifelines.statistics import multivariate_logrank_test

from outcomes.stats.survival.cox import fit_cox
from outcomes.stats.survival.kaplan_meier import kaplan_meier
from outcomes.stats.survival.log_rank import log_rank


def seconds(call: Callable[[], object], repeats: int) -> float:
    """Return the best processor time of a call, which other work on the machine moves least."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def table(n: int) -> tuple[pd.DataFrame, list[str]]:
    """Return invented rows: ten columns, 50 hospitals, follow-up in whole months up to 60."""
    rng = np.random.default_rng(1)
    X = rng.normal(size=(n, 10))
    X[:, 1:6] = X[:, 1:6] > 0.3
    names = [f"x{j}" for j in range(10)]
    hospital = rng.integers(0, 50, n)
    hazard = np.exp(X @ np.full(10, 0.1) + rng.normal(size=50)[hospital] / 4) / 60
    until, last = np.ceil(rng.exponential(1 / hazard)), rng.integers(1, 61, n)
    d = pd.DataFrame(X, columns=names)
    return d.assign(time=np.minimum(until, last), event=(until <= last).astype(int), hospital=hospital), names


def main() -> None:
    """Print the table."""
    warnings.simplefilter("ignore")  # lifelines warns of pandas on every call
    full = "full" in sys.argv[1:]
    small, names = table(10_000)
    large, _ = table(100_000)

    def ours(d: pd.DataFrame, **options: object) -> object:
        X = d[names].to_numpy()
        return fit_cox(X, d["time"].to_numpy(), d["event"].to_numpy(), names=names, **options)  # type: ignore[arg-type]

    def theirs(d: pd.DataFrame, **options: object) -> object:
        columns = [*names, "time", "event", *(["hospital"] if options else [])]
        return CoxPHFitter().fit(d[columns], "time", "event", **options)

    by = {"cluster_col": "hospital"}
    clustered_small = seconds(lambda: theirs(small, **by), 2)
    clustered_large = seconds(lambda: theirs(large, **by), 1) if full else 100 * clustered_small
    note = "" if full else " (100 times that of 10,000)"

    def our_curves() -> None:
        for k in range(8):
            kept = large["hospital"] % 8 == k
            kaplan_meier(large["time"][kept], large["event"][kept])
        log_rank(large["time"], large["event"], large["hospital"] % 8)

    def their_curves() -> None:
        for k in range(8):
            kept = large["hospital"] % 8 == k
            KaplanMeierFitter().fit(large["time"][kept], large["event"][kept])
        multivariate_logrank_test(large["time"], large["hospital"] % 8, large["event"])

    rows = [
        (
            "10,000 rows, 50 clusters",
            seconds(lambda: ours(small, clusters=small["hospital"]), 5),
            clustered_small,
        ),
        (
            f"100,000 rows, 50 clusters{note}",
            seconds(lambda: ours(large, clusters=large["hospital"]), 5),
            clustered_large,
        ),
        ("100,000 rows, model errors", seconds(lambda: ours(large), 5), seconds(lambda: theirs(large), 2)),
        ("100,000 rows, eight curves and log-rank", seconds(our_curves, 5), seconds(their_curves, 3)),
    ]
    print(f"{'what':64s} {'ours, s':>9s} {'lifelines, s':>13s} {'ratio':>7s}")
    for what, a, b in rows:
        print(f"{what:64s} {a:9.3f} {b:13.3f} {b / a:7.1f}")


if __name__ == "__main__":
    main()
