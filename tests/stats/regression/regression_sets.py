"""Small random data sets for the cross-check of the regressions, made again from their number.

Ties, factors of one level, collinear columns, groups without events, weights of 0, clusters of one row, visits that
are missing: what real tables hold. Everything is rounded to few decimals, so that a CSV file carries it exactly.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd


def _rng(family: int, k: int) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64([2026, family, k]))


def _columns(rng: np.random.Generator, n: int) -> pd.DataFrame:
    return pd.DataFrame(
        {"one": 1.0, "arm": rng.integers(0, 2, n).astype(float), "x": rng.normal(size=n).round(2)}
    )


def linear(k: int) -> pd.DataFrame:
    rng = _rng(1, k)
    n = int(rng.integers(8, 31))
    table = _columns(rng, n)
    level = rng.choice(3, n, p=[0.6, 0.25, 0.15])
    table["f2"], table["f3"] = (level == 1).astype(float), (level == 2).astype(float)
    if k % 10 == 0:
        table["twice"] = 2 * table["x"] - table["arm"]
    cluster = rng.integers(0, int(rng.integers(4, max(5, n // 2) + 1)), n)
    noise = rng.normal(size=n) + rng.normal(size=40)[cluster]
    y = 20 + 3 * table["arm"] - table["x"] + 2 * noise
    table["y"] = y.round(0 if k % 4 == 1 else 2)
    table["cluster"] = cluster
    table["w"] = rng.integers(0, 4, n).astype(float) if k % 3 == 0 else 1.0
    return table


def logistic(k: int) -> pd.DataFrame:
    rng = _rng(2, k)
    n = int(rng.integers(15, 61))
    table = _columns(rng, n)
    cluster = rng.integers(0, max(5, n // 2), n)
    eta = -0.7 + 0.9 * table["arm"] - 0.6 * table["x"] + 0.7 * rng.normal(size=60)[cluster]
    y = (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float)
    table["y"] = np.where((table["arm"] == 1) & (k % 6 == 0), 1.0, y)
    table["cluster"] = cluster
    return table


def firth(k: int) -> pd.DataFrame:
    rng = _rng(3, k)
    n = int(rng.integers(12, 41))
    table = _columns(rng, n)
    y = (rng.random(n) < 0.15 + 0.1 * table["arm"]).astype(float)
    table["y"] = np.where((table["arm"] == 1) & (k % 3 == 0), 0.0, y)
    return table


def poisson(k: int) -> pd.DataFrame:
    rng = _rng(4, k)
    n = int(rng.integers(15, 61))
    table = _columns(rng, n)
    cluster = rng.integers(0, max(5, n // 2), n)
    mean = np.exp(-1.2 + 0.5 * table["arm"] + 0.2 * table["x"] + 0.4 * rng.normal(size=60)[cluster])
    time = np.ones(n)
    if k % 2:
        time = rng.integers(1, 7, n) / 2.0
        y = rng.poisson(mean * time).astype(float)
    else:
        y = (rng.random(n) < np.minimum(mean, 0.9)).astype(float)
    table["y"] = np.where((table["arm"] == 1) & (k % 6 == 0), 0.0, y)
    table["cluster"], table["time"] = cluster, time
    return table


def ordinal(k: int) -> pd.DataFrame:
    rng = _rng(5, k)
    n = int(rng.integers(18, 61))
    table = _columns(rng, n)
    cluster = rng.integers(0, max(5, n // 2), n)
    latent = table["arm"] - 0.5 * table["x"] + 0.5 * rng.normal(size=60)[cluster] + rng.logistic(size=n)
    cuts = [-0.5, 1.0] if k % 2 else [-0.8, 0.4, 1.6]
    grade = np.digitize(latent, cuts)
    table["y"] = np.where((table["arm"] == 1) & (k % 8 == 0), len(cuts), grade)
    table["cluster"], table["levels"] = cluster, len(cuts) + 1
    return table


def spline(k: int) -> pd.DataFrame:
    rng = _rng(6, k)
    n = int(rng.integers(25, 61))
    x = np.exp(3.5 + 0.4 * rng.normal(size=n)).round(1)
    if k % 3 == 0:
        x = np.maximum(x.round(-1), 30.0)
    y = (0.02 * (x - 40) ** 2 / 10 + rng.normal(size=n)).round(2)
    return pd.DataFrame({"x": x, "y": y, "knots": 3 + k % 3})


def mixed(k: int) -> pd.DataFrame:
    rng = _rng(7, k)
    subjects, visits = int(rng.integers(7, 16)), int(rng.integers(4, 6))
    subject = np.repeat(np.arange(subjects), visits)
    time = np.tile(np.array([0.0, 1.5, 3.0, 6.0, 12.0])[:visits], subjects)
    arm = (subject % 2).astype(float)
    spread = 0.0 if k % 5 == 0 else 3.0
    level, slope = spread * rng.normal(size=subjects), 0.15 * spread * rng.normal(size=subjects)
    y = (
        30
        + 0.8 * time
        + 0.4 * arm * time
        + level[subject]
        + slope[subject] * time
        + 2 * rng.normal(size=len(time))
    )
    table = pd.DataFrame({"one": 1.0, "arm": arm, "time": time, "cross": arm * time, "y": y.round(2)})
    table["subject"], table["slope"] = subject, int(k % 3 == 0)
    return table[rng.random(len(table)) > 0.12].reset_index(drop=True)


def gee(k: int) -> pd.DataFrame:
    rng = _rng(8, k)
    clusters = int(rng.integers(10, 26))
    cluster = np.repeat(np.arange(clusters), rng.integers(1, 5, clusters))
    n = len(cluster)
    table = pd.DataFrame({"one": 1.0, "arm": (cluster % 2).astype(float), "x": rng.normal(size=n).round(2)})
    shared = rng.normal(size=clusters)[cluster]
    eta = -0.6 + 0.8 * table["arm"] - 0.4 * table["x"] + 0.8 * shared
    if k % 3 == 0:
        table["y"] = (10 + 3 * eta + rng.normal(size=n)).round(1)
    elif k % 3 == 1:
        table["y"] = (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float)
    else:
        table["y"] = rng.poisson(np.exp(eta)).astype(float)
    table["cluster"] = cluster
    table["link"] = ["identity", "logit", "log"][k % 3]
    table["working"] = "exchangeable" if (k // 3) % 2 == 0 else "independence"
    return table


#: Family -> how a set is made, and how many there are.
FAMILIES: dict[str, tuple[Callable[[int], pd.DataFrame], int]] = {
    "linear": (linear, 150),
    "logistic": (logistic, 100),
    "firth": (firth, 60),
    "poisson": (poisson, 100),
    "ordinal": (ordinal, 100),
    "spline": (spline, 30),
    "mixed": (mixed, 60),
    "gee": (gee, 90),
}
