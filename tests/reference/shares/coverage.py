"""Coverage of the intervals for shares of explained variation, with no effect and with effects.

Run ``python tests/reference/shares/coverage.py`` from the top of the repository (``--repetitions``,
``--resamples``). All data are invented. Truth: shares of the population covariance matrix, which is summed
exactly over the cells of the design.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import scipy

sys.path.insert(0, str(Path(__file__).parents[3]))

from outcomes.stats.regression.share_intervals import share_intervals
from outcomes.stats.regression.shares import shapley_coefficients, subset_r2

LEVELS, MET = 5, np.array([0.4, 0.55, 0.7, 0.75, 0.6])
SHARE = np.array([0.35, 0.25, 0.2, 0.12, 0.08])
NAMES = ["s1", "s2", "s3", "s4", "met", "age"]
GROUPS = ["strategy"] * 4 + ["reduction", "age"]
PAIR = ("reduction", "strategy")


@dataclass(frozen=True)
class Scenario:
    """Effects in units of the error SD; two rows a patient when `icc` is above 0."""

    name: str
    strategy: tuple[float, float, float, float]
    met: float
    age: float
    n: int
    icc: float = 0.0
    heavy: bool = False


NONE = (0.0, 0.0, 0.0, 0.0)
SOME, LARGE = (0.2, -0.3, 0.4, 0.1), (1.0, -1.5, 2.0, 0.5)
SCENARIOS = [
    *[Scenario("no effect at all", NONE, 0.0, 0.0, n) for n in (150, 400, 1000)],
    *[Scenario("reduction only", NONE, 0.6, 0.0, n) for n in (150, 400, 1000)],
    *[Scenario("strategy and reduction", SOME, 0.6, 0.3, n) for n in (150, 400, 1000)],
    *[Scenario("large effects, R2 0.6", LARGE, 1.0, 0.5, n) for n in (150, 400, 1000)],
    Scenario("strategy and reduction, heavy tails", SOME, 0.6, 0.3, 400, heavy=True),
    Scenario("no effect, two wrists, ICC 0.7", NONE, 0.0, 0.0, 400, icc=0.7),
    Scenario("strategy and reduction, two wrists, ICC 0.7", SOME, 0.6, 0.3, 400, icc=0.7),
]


def truth(s: Scenario) -> np.ndarray:
    """Return the shares in the population; age is normal around 0.3 times the level."""
    cells = [(a, m) for a in range(LEVELS) for m in (0, 1)]
    weight = np.array([SHARE[a] * (MET[a] if m else 1 - MET[a]) for a, m in cells])
    means = np.array([[*(float(a == j) for j in range(1, LEVELS)), m, 0.3 * a] for a, m in cells])
    centred = means - weight @ means
    cov = centred.T @ (centred * weight[:, None])
    cov[5, 5] += 1.0
    beta = np.array([*s.strategy, s.met, s.age])
    joint = np.block([[cov, (cov @ beta)[:, None]], [cov @ beta, np.array([beta @ cov @ beta + 1.0])]])
    r2, _ = subset_r2(joint[None], np.array([0, 0, 0, 0, 1, 2]), 3)
    return r2[0] @ shapley_coefficients(3)


def draw(s: Scenario, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return columns, outcome and patients; strategy and age are the patient's, reduction is the wrist's."""
    wrists = 2 if s.icc else 1
    patient = np.repeat(np.arange(s.n // wrists), wrists)
    level = rng.choice(LEVELS, size=s.n // wrists, p=SHARE)
    age = (0.3 * level + rng.normal(size=len(level)))[patient]
    level = level[patient]
    met = (rng.random(s.n) < MET[level]).astype(float)
    own = rng.standard_t(5, s.n) / (5 / 3) ** 0.5 if s.heavy else rng.normal(size=s.n)
    error = s.icc**0.5 * rng.normal(size=patient[-1] + 1)[patient] + (1 - s.icc) ** 0.5 * own
    X = np.column_stack([level[:, None] == np.arange(1, LEVELS), met, age]).astype(float)
    return X, X @ np.array([*s.strategy, s.met, s.age]) + error, patient


def run(s: Scenario, repetitions: int, resamples: int, seed: int) -> dict[str, np.ndarray]:
    """Return truth, mean estimates and coverage of strategy, reduction, age and reduction minus strategy."""
    target = truth(s)
    target = np.append(target, target[1] - target[0])
    rng = np.random.default_rng(seed)
    values, low, high, raw = (np.empty((repetitions, 4)) for _ in range(4))
    for i in range(repetitions):
        X, y, patient = draw(s, rng)
        r = share_intervals(
            X, y, names=NAMES, groups=GROUPS, clusters=patient, differences=[PAIR], n_boot=resamples,
            seed=int(rng.integers(2**31)),
        )  # fmt: skip
        found = [i.estimate for i in (*r.intervals, *r.differences)]
        values[i] = [e.value for e in found]
        low[i] = [e.conf_low for e in found]
        high[i] = [e.conf_high for e in found]
        raw[i] = np.append(r.shares.share, r.shares.share[1] - r.shares.share[0])
    return {
        "truth": target,
        "mean": values.mean(axis=0),
        "error": values.std(axis=0, ddof=1) / repetitions**0.5,
        "uncorrected": raw.mean(axis=0),
        "covered": ((low <= target) & (target <= high)).mean(axis=0),
        "above": (low > target).mean(axis=0),
        "below": (high < target).mean(axis=0),
        "width": (high - low).mean(axis=0),
    }


def main() -> None:
    """Print the tables as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repetitions", type=int, default=2000)
    parser.add_argument("--resamples", type=int, default=499)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print(
        f"{options.repetitions} data sets a scenario, {options.resamples} resamples, seed {options.seed}; "
        f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}.\n"
    )
    names = ["true share", "mean corrected", "mean uncorrected", "coverage", "mean width"]
    print(f"| scenario | n | {' | '.join(f'{name} %' for name in names)} |")
    print("|---|---|---|---|---|---|---|")
    for number, s in enumerate(SCENARIOS):
        r = run(s, options.repetitions, options.resamples, options.seed + number)

        def line(key: str, digits: int = 1, r: dict[str, np.ndarray] = r) -> str:
            return " / ".join(f"{100 * x:.{digits}f}" for x in r[key])

        cells = [line("truth"), line("mean"), line("uncorrected"), line("covered"), line("width")]
        print(f"| {s.name} | {s.n} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
