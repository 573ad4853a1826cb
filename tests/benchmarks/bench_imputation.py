"""Time multiple imputation beside statsmodels, in one process, on invented cases.

Run ``python tests/benchmarks/bench_imputation.py [rows ...]`` from the top of the repository: 20 imputations of 5 cycles, six
of 19 columns incomplete. First all are numbers; then two of the six are yes/no and one has four levels, which statsmodels does
not impute. ``--write FOLDER`` writes the same thousand rows as CSV, for ``tests/reference/multiple_imputation/timing.R``, which
times mice. Medians of 9 runs, of 1 above 10,000 rows and for statsmodels; ratios are of processor time.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import statistics
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from outcomes.stats.missing.imputation import ColumnModel, Imputations, completed, impute

COMPLETE, INCOMPLETE, SETS, CYCLES = 13, 6, 20, 5


def numbers_only(n: int) -> pd.DataFrame:
    """Return 13 complete columns, a to m, and six incomplete ones, u to z, that depend on them and on one another."""
    rng = np.random.default_rng(20240611)
    table = pd.DataFrame(rng.normal(size=(n, COMPLETE)).round(2), columns=list("abcdefghijklm"))
    for j, name in enumerate("uvwxyz"):
        weights = rng.normal(size=table.shape[1]) * (rng.random(table.shape[1]) < 0.4)
        table[name] = (table.to_numpy() @ weights * 0.5 + rng.normal(0, 1.5, n)).round(2)
        table[name] += 10 * j
    complete = table["a"].to_numpy()
    for j, name in enumerate("uvwxyz"):
        chance = 1 / (1 + np.exp(2.2 - 0.2 * j - 0.6 * complete))
        table.loc[rng.random(n) < chance, name] = np.nan
    return table


def mixed(n: int) -> pd.DataFrame:
    """Return the same with v and x as yes/no, y in four levels, and three complete columns as yes/no."""
    table = numbers_only(n)
    for name in "bdfvx":
        table[name] = (table[name] > table[name].median()).astype(float).where(table[name].notna())
    cuts = table["y"].quantile([0.4, 0.7, 0.9]).to_numpy()
    table["y"] = pd.Series(np.searchsorted(cuts, table["y"]), dtype=float).where(table["y"].notna())
    return table


def models_of(table: pd.DataFrame) -> list[ColumnModel]:
    """Return a model of each incomplete column."""
    kinds = {2: "yes_no", 4: "category"}
    return [ColumnModel(name=name, kind=kinds.get(table[name].nunique(), "number")) for name in "uvwxyz"]


def ours(table: pd.DataFrame, n_imputations: int = SETS) -> Imputations:
    """Impute."""
    values = {name: table[name].to_numpy() for name in table}
    return impute(
        values, models_of(table), keys=np.arange(len(table)), seed=1,
        n_imputations=n_imputations, n_cycles=CYCLES,
    )  # fmt: skip


def theirs(table: pd.DataFrame) -> pd.Series:
    """Impute by statsmodels; return the means over the imputations."""
    from statsmodels.imputation.mice import MICEData

    np.random.seed(1)  # noqa: NPY002 - statsmodels draws from the global state
    running = MICEData(table)
    means = []
    for _ in range(SETS):
        running.update_all(CYCLES)
        means.append(running.data[list("uvwxyz")].mean())
    return pd.concat(means, axis=1).mean(axis=1)


def timed(call, repeats: int) -> tuple[float, float, object]:
    """Return the median elapsed and processor seconds, and the last result."""
    elapsed, worked = [], []
    for _ in range(repeats):
        start, used = time.perf_counter(), time.process_time()
        result = call()
        elapsed.append(time.perf_counter() - start)
        worked.append(time.process_time() - used)
    return statistics.median(elapsed), statistics.median(worked), result


def main(sizes: list[int]) -> None:
    """Print times, ratios and means."""
    for n in sizes:
        for what, table in (("numbers", numbers_only(n)), ("mixed", mixed(n))):
            ours(table, 1)
            elapsed, worked, result = timed(lambda t=table: ours(t), 9 if n <= 10_000 else 1)
            line = f"{n} rows, {what}: {elapsed:.3f} s elapsed, {worked:.3f} s of processor"
            means = pd.DataFrame(
                [{k: v.mean() for k, v in completed(result, i).items()} for i in range(SETS)]
            )
            if what == "numbers" and n <= 1000:
                _, slow, other = timed(lambda t=table: theirs(t), 1)
                line += f"; statsmodels {slow:.1f} s of processor, {slow / worked:.0f} times"
                gap = np.abs(means[list("uvwxyz")].mean() - other).max()
                line += f"; means differ by at most {gap:.3f}"
            print(line)
            print("  means " + ", ".join(f"{name} {means[name].mean():.3f}" for name in "uvwxyz"))


if __name__ == "__main__":
    if "--write" in sys.argv:
        folder = Path(sys.argv[sys.argv.index("--write") + 1])
        numbers_only(1000).to_csv(folder / "numbers.csv", index=False)
        mixed(1000).to_csv(folder / "mixed.csv", index=False)
    else:
        main([int(size) for size in sys.argv[1:]] or [1_000, 10_000])
