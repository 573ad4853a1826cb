"""Time 500 linear specifications with clustered errors beside a loop of formula fits, in one process, on invented numbers.

Run ``python tests/benchmarks/bench_specifications.py [rows]`` from the top of the repository: five sets of rows times a
hundred sets of covariates, errors clustered by 50 hospitals and by patient. The loop fits a random part of them and its
time is scaled to all. Where a set of rows has no reference level the loop fits one redundant column, which we leave out:
standard errors then differ by the factor of degrees of freedom, about 5e-6. Times are elapsed; ratios matter.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
import warnings
from pathlib import Path

import numpy as np
import statsmodels.formula.api as smf
from bench_shares import TERMS, invented

sys.path.insert(0, str(Path(__file__).parents[2]))

from outcomes.stats.regression.specifications import Specification, fit_specifications


def seconds(call, repeats: int = 3) -> float:
    """Return the shortest of some runs."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def main(n: int) -> None:
    """Print the times, the ratio and whether both give the same numbers."""
    table, X, names, groups = invented(n)
    rng = np.random.default_rng(3)
    hospital, patient = rng.integers(0, 50, n), rng.integers(0, int(0.9 * n), n)
    rows = {
        "old": (table["age"] > 0).to_numpy(), "low energy": (table["energy"] == 0).to_numpy(),
        "no mild": (table["severity"] > 0).to_numpy(), "no cast": (table["strategy"] > 0).to_numpy(),
    }  # fmt: skip
    terms = [name for name in TERMS if name != "reduction"]
    sets = [sorted(rng.choice(terms, rng.integers(1, 10), replace=False)) for _ in range(100)]
    specifications = [
        Specification(
            covariates=tuple(name for name, g in zip(names, groups, strict=True) if g in chosen), rows=r
        )
        for r in ("all", *rows)
        for chosen in sets
    ]
    y = table["grip"].to_numpy()
    given = {"names": names, "column": "met", "specifications": specifications, "rows": rows}
    warnings.simplefilter("ignore")  # rank-deficient fits of the loop
    picked = rng.choice(500, max(3, min(100, 1_500_000 // n)), replace=False)
    for label, clusters in (("50 hospitals", hospital), ("patients", patient)):
        found = fit_specifications(X, y, clusters=clusters, **given)
        ours = seconds(lambda c=clusters: fit_specifications(X, y, clusters=c, **given))
        largest, start = 0.0, time.perf_counter()
        for i in picked:
            use = rows.get(specifications[i].rows, np.ones(n, bool))
            formula = "grip ~ met + " + " + ".join(TERMS[name] for name in sets[i % 100])
            fit = smf.ols(formula, table[use]).fit(cov_type="cluster", cov_kwds={"groups": clusters[use]})
            largest = max(largest, abs(fit.bse["met"] / found.std_error[i] - 1))
        loop = (time.perf_counter() - start) * 500 / len(picked)
        print(
            f"{n} rows, clusters {label}: {ours:.3f} s; loop of formula fits {loop:.1f} s (from {len(picked)}); "
            f"{loop / ours:.0f} times; standard errors agree to {largest:.1e}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
