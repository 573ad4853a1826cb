"""Time 200 bootstrap replicates of doubly robust means beside refitting loops, in one process, on invented numbers.

Run ``python tests/benchmarks/bench_doubly_robust.py [rows] [levels]`` from the top of the repository. The formula loop
fits a few replicates with statsmodels formulas, the array loop with scikit-learn when it is installed (our tests do not
need it); both are scaled to 200. Times are elapsed; what matters are the ratios.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "2")

import sys
import time
import warnings
from pathlib import Path

import numpy as np
import statsmodels.formula.api as smf
from bench_shares import TERMS, invented

sys.path.insert(0, str(Path(__file__).parents[2]))

from outcomes.stats.causal.doubly_robust_bootstrap import bootstrap_doubly_robust

REPLICATES = 200
FLOOR = 0.01


def by_formula(table, levels, rows):
    """Return the doubly robust means of one resample, everything fitted by formulas."""
    drawn = table.iloc[rows]
    right = " + ".join(term for name, term in TERMS.items() if name != "reduction")
    e = smf.mnlogit(f"level ~ {right}", drawn).fit(disp=0).predict(drawn).to_numpy()
    means = []
    for k in range(levels):
        own = (drawn["level"] == k).to_numpy()
        m = smf.ols(f"grip ~ {right}", drawn[own]).fit().predict(drawn).to_numpy()
        means.append((m + own / np.maximum(e[:, k], FLOOR) * (drawn["grip"] - m)).mean())
    return means


def by_arrays(X, codes, y, levels, rows):
    """Return the same by scikit-learn on arrays."""
    from sklearn.linear_model import LinearRegression, LogisticRegression

    x, a, z = X[rows, 1:], codes[rows], y[rows]
    e = LogisticRegression(C=np.inf, max_iter=300).fit(x, a).predict_proba(x)
    means = []
    for k in range(levels):
        own = a == k
        m = LinearRegression().fit(x[own], z[own]).predict(x)
        means.append((m + own / np.maximum(e[:, k], FLOOR) * (z - m)).mean())
    return means


def main(n: int, levels: int) -> None:
    """Print times and ratios, and the bootstrap errors of each road."""
    warnings.simplefilter("ignore")
    table, X, names, groups = invented(n)
    kept = [j for j, group in enumerate(groups) if group != "reduction"]
    X, names = np.column_stack([np.ones(n), X[:, kept]]), ["intercept", *(names[j] for j in kept)]
    rng = np.random.default_rng(9)
    slopes = np.arange(levels)
    odds = np.exp(
        0.3 * table["age"].to_numpy()[:, None] * slopes
        + 0.05 * table["severity"].to_numpy()[:, None] * slopes
    )
    codes = (rng.random(n)[:, None] > np.cumsum(odds / odds.sum(axis=1, keepdims=True), axis=1)).sum(axis=1)
    table["level"], y = codes, table["grip"].to_numpy() + 2.0 * codes
    table["grip"] = y
    given = {"names": names, "floor": FLOOR, "seed": 1}

    start = time.perf_counter()
    found = bootstrap_doubly_robust(X, codes, y, n_boot=400, **given)
    ours = (time.perf_counter() - start) * REPLICATES / 400
    line = f"{n} rows, {levels} levels: {ours:.2f} s for {REPLICATES} (error {found.contrasts[0].estimate.std_error:.4f})"
    roads = {"formulas": (lambda rows: by_formula(table, levels, rows), 3)}
    try:
        import sklearn

        roads[f"scikit-learn {sklearn.__version__}"] = (lambda rows: by_arrays(X, codes, y, levels, rows), 20)
    except ImportError:
        line += "; scikit-learn is not installed"
    for name, (road, replicates) in roads.items():
        start, means = time.perf_counter(), []
        for _ in range(replicates):
            means.append(road(rng.integers(0, n, n)))
        taken = (time.perf_counter() - start) * REPLICATES / replicates
        spread = np.std([m[1] - m[0] for m in means], ddof=1)
        line += f"; {name} {taken:.1f} s from {replicates} (error {spread:.4f}), {taken / ours:.0f} times"
    print(line)


if __name__ == "__main__":
    main(*(int(value) for value in sys.argv[1:]) if len(sys.argv) > 2 else (100_000, 2))
