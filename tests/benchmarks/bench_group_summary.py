"""The grouped summary of 100,000 rows, 20 columns and 8 groups, beside what a user would otherwise run.

Run from the repository: ``python tests/benchmarks/bench_group_summary.py [rows]``. Both roads run in this one
process on the same invented numbers: times of one machine mean nothing elsewhere, the ratio nearly does. The
usual table-one library is no requirement of the package: install ``tableone`` beside it to have it measured.
Standardised differences are included on our side, and on the library's where it is said.
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

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
import pandas as pd

from outcomes.stats.groups.balance import standardised_differences
from outcomes.stats.groups.summary import summarise_groups


def invented(n: int) -> tuple[pd.DataFrame, list[str], list[str]]:
    """Return ten measured, five yes/no and five categorical columns with gaps, and a group column."""
    rng = np.random.default_rng(20261124)
    numbers, flags = [f"number_{i}" for i in range(10)], [f"flag_{i}" for i in range(5)]
    columns: dict[str, object] = {
        name: np.where(rng.random(n) < 0.08, np.nan, rng.normal(50, 10, n).round(1)) for name in numbers
    }
    columns |= {name: np.where(rng.random(n) < 0.05, np.nan, rng.integers(0, 2, n)) for name in flags}
    for i in range(5):
        columns[f"category_{i}"] = pd.Categorical.from_codes(rng.integers(-1, 5, n), list("vwxyz"))
    columns["group"] = pd.Categorical.from_codes(rng.integers(0, 8, n), [f"group {i}" for i in range(8)])
    return pd.DataFrame(columns), numbers, flags


def best_seconds(action: Callable[[], object], repeats: int) -> float:
    """Return the best time of an action in seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def by_group_by(frame: pd.DataFrame, numbers: list[str], counted: list[str]) -> list[object]:
    """Return the same summaries by pandas: means, SDs, quartiles and counts, without differences."""
    groups = frame.groupby("group", observed=True)
    made: list[object] = [groups[numbers].agg(["mean", "std", "count", "min", "max"])]
    made.append(groups[numbers].quantile([0.25, 0.5, 0.75]))
    return [*made, *(groups[name].value_counts(dropna=False) for name in counted)]


def main() -> None:
    """Print the times and their ratios."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    frame, numbers, flags = invented(n)
    columns = frame.drop(columns="group")
    counted = [name for name in columns if name not in numbers]
    ours = best_seconds(
        lambda: standardised_differences(summarise_groups(columns, frame["group"].array, yes_no=flags)), 15
    )
    print(f"{n} rows, {columns.shape[1]} columns, 8 groups and overall")
    print(f"summarise_groups with standardised differences: {ours * 1000:.1f} ms")
    plain = best_seconds(lambda: by_group_by(frame, numbers, counted), 3)
    print(f"pandas group-by, without differences: {plain * 1000:.0f} ms, {plain / ours:.1f} times as long")
    if importlib.util.find_spec("tableone") is None:
        print("tableone is not installed here: not measured")
        return
    from tableone import TableOne

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for words, options in (("plain", {}), ("with standardised differences", {"smd": True})):
            library = best_seconds(
                lambda options=options: TableOne(
                    frame,
                    columns=list(columns),
                    categorical=counted,
                    groupby="group",
                    missing=True,
                    **options,
                ),
                2,
            )
            print(f"tableone, {words}: {library:.2f} s, {library / ours:.0f} times as long")


if __name__ == "__main__":
    main()
