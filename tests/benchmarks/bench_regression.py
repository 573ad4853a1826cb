"""Time the regression statistics beside statsmodels, in one process, on invented numbers.

Run ``python tests/benchmarks/bench_regression.py`` from the top of the repository. Times are medians of processor time in
milliseconds; what matters are the ratios.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # processor time would count idle threads

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import statsmodels.api as sm

sys.path.insert(0, str(Path(__file__).parents[2]))

from outcomes.stats.regression.contrasts import contrast_covariance
from outcomes.stats.regression.firth import fit_firth
from outcomes.stats.regression.firth_resamples import fit_firth_resamples
from outcomes.stats.regression.linear import fit_linear, linear_contrast
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.separation import find_separation
from outcomes.stats.resampling.bootstrap import cluster_resamples
from outcomes.stats.testing.simultaneous import max_t_quantile


def milliseconds(call: Callable[[], object], repeats: int = 15) -> float:
    """Return the median processor time of a call."""
    call()
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(1e3 * (time.process_time() - start))
    return float(np.median(times))


def main() -> None:
    """Print the table."""
    rng = np.random.default_rng(1)
    n, p = 1000, 20
    names = [f"c{j}" for j in range(p)]
    X = np.column_stack([np.ones(n), rng.random((n, 8)) < 0.3, rng.normal(size=(n, p - 9))]).astype(float)
    patient = np.array([f"p{k}" for k in rng.integers(0, 900, n)], dtype=object)
    codes = np.unique(patient, return_inverse=True)[1]
    y = X @ rng.normal(size=p) + rng.normal(size=n)
    event = (rng.random(n) < 1 / (1 + np.exp(1.5 - X[:, 1]))).astype(float)
    C = rng.normal(size=(12, p))

    def one_outcome() -> None:
        fit = fit_linear(X, y, names=names, clusters=patient)
        linear_contrast(fit, C)
        V = contrast_covariance(fit, C[:6])
        max_t_quantile(V / np.sqrt(np.outer(np.diag(V), np.diag(V))), 80.0)
        for _ in range(3):
            fit_logistic(X, event, names=names, clusters=patient)

    clustered = {"cov_type": "cluster", "cov_kwds": {"groups": codes}}
    rows: list[tuple[str, Callable[[], object], Callable[[], object] | None]] = [
        ("linear fit, CR2 by patient, n 1000, p 20", lambda: fit_linear(X, y, names=names, clusters=patient),
         lambda: sm.OLS(y, X).fit(**clustered)),
        ("the same with 12 contrasts and their df",
         lambda: linear_contrast(fit_linear(X, y, names=names, clusters=patient), C), None),
        ("logistic fit with separation check, CR2", lambda: fit_logistic(X, event, names=names, clusters=patient),
         lambda: sm.GLM(event, X, family=sm.families.Binomial()).fit(**clustered)),
        ("separation check alone, clear case", lambda: find_separation(X, event, names), None),
        ("one outcome: linear, 12 contrasts, max-t, 3 logistic", one_outcome, None),
        ("Firth fit, n 1000, p 20", lambda: fit_firth(X, event, names=names), None),
    ]  # fmt: skip
    small, rare = X[:600, :15], event[:600]
    weights = cluster_resamples(patient[:600], 500, seed=1)
    print(f"{'what':56s} {'ours':>9s} {'statsmodels':>12s} {'ratio':>6s}")
    for what, ours, theirs in rows:
        a = milliseconds(ours)
        b = milliseconds(theirs) if theirs else float("nan")
        print(f"{what:56s} {a:9.2f} {b:12.2f} {b / a:6.1f}" if theirs else f"{what:56s} {a:9.2f}")
    a = milliseconds(lambda: fit_firth_resamples(small, rare, weights, names=names[:15]), 3)
    print(f"{'500 bootstrap replicates of Firth, n 600, p 15':56s} {a:9.2f}")


if __name__ == "__main__":
    main()
