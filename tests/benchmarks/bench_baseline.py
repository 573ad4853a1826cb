"""Baseline table of 100,000 cases, beside the usual table-one library and a plain group-by of the same columns.

Run from the repository: ``python tests/benchmarks/bench_baseline.py [rows]``. All roads run in this one process
on the same cases: times of one machine mean nothing elsewhere, the ratio nearly does. The library is no
requirement of the package: install ``tableone`` beside it to have it measured. It is asked for less: means,
counts, missing values and standardised differences, no medians beside the means, no overall column of patients.
"""

from __future__ import annotations

import importlib.util
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "truth"))

import pandas as pd
from cohorts import dictionary, plan

import outcomes
import synthetic_cohort


def best_seconds(action: Callable[[], object], repeats: int) -> float:
    """Return the best time of an action in seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def by_group_by(frame: pd.DataFrame, numbers: list[str], levels: list[str]) -> list[Any]:
    """Return what a user would otherwise write: group-by means, SDs, quartiles and counts."""
    groups = frame.groupby("strategy", observed=True)
    made: list[Any] = [
        groups[numbers].agg(["mean", "std", "count"]),
        groups[numbers].quantile([0.25, 0.5, 0.75]),
    ]
    return [*made, *(groups[name].value_counts(dropna=False) for name in levels)]


def main() -> None:
    """Print the times and their ratios."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    declared = dictionary()
    rows = synthetic_cohort.generate(n, "both", seed=1)[list(declared["columns"])]
    sample = outcomes.assemble(outcomes.read_cohort(rows, declared), plan(10.0))
    table = outcomes.baseline_table(sample)
    kinds = {row.variable: row.kind for row in table.rows}
    numbers = [name for name, kind in kinds.items() if kind == "number"]
    levels = [name for name, kind in kinds.items() if kind != "number"]
    frame = sample.eligible[["strategy", *kinds]]
    ours = best_seconds(lambda: outcomes.baseline_table(sample), 7)
    print(f"{len(frame)} cases, {len(kinds)} variables, {len(table.groups)} groups")
    print(f"baseline_table: {ours * 1000:.1f} ms")
    theirs = best_seconds(lambda: by_group_by(frame, numbers, levels), 3)
    print(f"group-by of the same columns: {theirs * 1000:.0f} ms, {theirs / ours:.1f} times as long")
    if importlib.util.find_spec("tableone") is None:
        print("tableone is not installed here: not measured")
        return
    from tableone import TableOne

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for words, options in (
            ("with p-values", {"pval": True}),
            ("with standardised differences", {"smd": True}),
        ):
            library = best_seconds(
                lambda options=options: TableOne(
                    frame,
                    columns=list(kinds),
                    categorical=levels,
                    groupby="strategy",
                    missing=True,
                    **options,
                ),
                1,
            )
            print(f"tableone {words}: {library:.2f} s, {library / ours:.0f} times as long")


if __name__ == "__main__":
    main()
