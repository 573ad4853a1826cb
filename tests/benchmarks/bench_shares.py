"""Time shares of explained variation beside loops of fits over all sub-models, in one process, on invented numbers.

Run ``python tests/benchmarks/bench_shares.py [rows]`` from the top of the repository. Ten groups are 1,024 sub-models; the
loops fit a random part of them and their time is scaled to all, because all of them take minutes. Times are elapsed; what
matters are the ratios.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the loops gain nothing from a second thread either

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm
import statsmodels.formula.api as smf

sys.path.insert(0, str(Path(__file__).parents[2]))

from outcomes.stats.regression.share_intervals import share_intervals
from outcomes.stats.regression.shares import explained_shares

TERMS = {
    "strategy": "C(strategy)", "severity": "C(severity)", "age": "age", "sex": "female", "body": "bmi",
    "habits": "smoker + diabetes", "bone": "osteoporosis + dominant", "injury": "energy + days",
    "joint": "volume + step", "reduction": "met",
}  # fmt: skip


def invented(n: int) -> tuple[pd.DataFrame, np.ndarray, list[str], list[str]]:
    """Return the table, the same columns as numbers, their names and their groups."""
    rng = np.random.default_rng(1)
    yes = {name: (rng.random(n) < p).astype(float) for name, p in
           [("female", 0.7), ("smoker", 0.2), ("diabetes", 0.1), ("osteoporosis", 0.3), ("dominant", 0.5),
            ("energy", 0.2), ("met", 0.6)]}  # fmt: skip
    numbers = {name: rng.normal(size=n) for name in ("age", "bmi", "days", "volume", "step")}
    table = pd.DataFrame(
        {"strategy": rng.integers(0, 8, n), "severity": rng.integers(0, 8, n), **yes, **numbers}
    )
    table["grip"] = 6 * table["met"] - 3 * table["age"] - table["severity"] + 13 * rng.normal(size=n)
    columns, groups = {}, []
    for group, term in TERMS.items():
        for name in term.removeprefix("C(").removesuffix(")").split(" + "):
            values = table[name].to_numpy(float)
            if term.startswith("C("):
                columns |= {f"{name}{level}": (values == level).astype(float) for level in range(1, 8)}
                groups += [group] * 7
            else:
                columns[name] = values
                groups.append(group)
    return table, np.column_stack(list(columns.values())), list(columns), groups


def seconds(call: Callable[[], object], repeats: int) -> float:
    """Return the median elapsed time of a call."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def main(n: int) -> None:
    """Print the table."""
    table, X, names, groups = invented(n)
    y = table["grip"].to_numpy()
    labels = list(TERMS)
    codes = np.array([labels.index(g) for g in groups])
    rng = np.random.default_rng(2)
    with_one = np.column_stack([np.ones(n), X])

    def array_fit(inside: np.ndarray) -> float:
        kept = np.concatenate([[0], 1 + np.flatnonzero(inside[codes])])
        return float(sm.OLS(y, with_one[:, kept]).fit().rsquared)

    def formula_fit(inside: np.ndarray) -> float:
        terms = [TERMS[g] for g, i in zip(labels, inside, strict=True) if i]
        return float(smf.ols("grip ~ " + (" + ".join(terms) or "1"), table).fit().rsquared)

    def loop(fit: Callable[[np.ndarray], float], models: int) -> float:
        chosen = (rng.choice(1024, models, replace=False)[:, None] >> np.arange(10) & 1).astype(bool)
        return seconds(lambda: [fit(inside) for inside in chosen], 1) * 1024 / models

    def ours() -> object:
        return explained_shares(X, y, names=names, groups=groups)

    ours()
    everything = np.ones(10, dtype=bool)
    r2 = explained_shares(X, y, names=names, groups=groups).r2
    off = max(abs(r2 - array_fit(everything)), abs(r2 - formula_fit(everything)))
    a = seconds(ours, 15)
    arrays, formulas = loop(array_fit, 64), loop(formula_fit, 32)
    print(
        f"{n} rows, {len(names)} columns, 10 groups, 1,024 sub-models; R2 of the full model differs by {off:.1e}"
    )
    print(f"{'ours':44s} {1e3 * a:9.1f} ms")
    print(
        f"{'array fits, scaled from 64 sub-models':44s} {arrays:9.1f} s  ratio {arrays / a:7.0f}  (asked: 50)"
    )
    print(
        f"{'formula fits, scaled from 32 sub-models':44s} {formulas:9.1f} s  ratio {formulas / a:7.0f}  (asked: 500)"
    )
    clusters = np.arange(n) // 2
    b = seconds(
        lambda: share_intervals(
            X, y, names=names, groups=groups, clusters=clusters, n_boot=400, seed=1,
            differences=[("reduction", "strategy")],
        ),
        1,
    )  # fmt: skip
    print(f"{f'intervals, 400 resamples of {len(set(clusters))} patients':44s} {b:9.1f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
