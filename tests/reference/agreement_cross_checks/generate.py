"""Random small data sets of agreement, and what R makes of them: `python generate.py` writes the CSV files here.

The data are invented. They are made again from the seed by the tests, which import this file; R is needed only
to write the values anew.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
RATINGS, TABLES, COUNTS, PAIRS, REPEATS = 160, 160, 100, 120, 80


def ratings(case: int) -> np.ndarray:
    """Return subjects by raters: whole numbers with ties in odd cases, levels of raters in every third."""
    rng = np.random.default_rng([1, case])
    n, k = int(rng.integers(3, 13)), int(rng.integers(2, 6))
    subject = rng.normal(0, rng.choice([0.0, 1.0, 4.0]), (n, 1))
    rater = rng.normal(0, 2.0 if case % 3 == 0 else 0.0, (1, k))
    values = 20 + subject + rater + rng.normal(0, 1.5, (n, k))
    return np.round(values) if case % 2 else np.round(values, 3)


def table(case: int) -> np.ndarray:
    """Return the square table of two raters, many cells empty; one rater with one level in every 20th case."""
    rng = np.random.default_rng([2, case])
    k, n = int(rng.integers(2, 6)), int(rng.integers(6, 90))
    shares = rng.dirichlet(np.full(k * k, 0.4)).reshape(k, k) + rng.choice([0.0, 0.3]) * np.eye(k)
    counts = rng.multinomial(n, (shares / shares.sum()).ravel()).reshape(k, k)
    if case % 20 == 0:
        counts[:, 1:] = 0
    return counts


def counts(case: int) -> np.ndarray:
    """Return subjects by categories, each row with the same number of ratings."""
    rng = np.random.default_rng([3, case])
    n, k, m = int(rng.integers(3, 25)), int(rng.integers(2, 5)), int(rng.integers(2, 7))
    return np.stack([rng.multinomial(m, rng.dirichlet(np.full(k, rng.choice([0.2, 1.0])))) for _ in range(n)])


def pairs(case: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the values of two methods, all above 0, rounded in odd cases."""
    rng = np.random.default_rng([4, case])
    n = int(rng.integers(3, 45))
    true = rng.uniform(20, 60, n)
    a, b = true + rng.normal(0, 2, n), 1 + rng.choice([1.0, 1.2]) * true + rng.normal(0, 3, n)
    digits = 0 if case % 2 else 3
    return np.round(a, digits), np.round(b, digits)


def repeats(case: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return values of two methods and the subject of each row; some subjects have one row."""
    rng = np.random.default_rng([5, case])
    n = int(rng.integers(3, 12))
    sizes = np.full(n, int(rng.integers(2, 5))) if case % 2 else rng.integers(1, 6, n)
    sizes[0] = max(2, sizes[0])
    subject = np.repeat(np.arange(n), sizes)
    shift = rng.normal(0, rng.choice([0.0, 2.0]), n)[subject]
    true = rng.uniform(20, 60, n)[subject]
    values = true + rng.normal(0, 1, subject.size), true + shift + rng.normal(0, 2, subject.size)
    return np.round(values[0], 3), np.round(values[1], 3), subject


def long(kind: str, number: int) -> pd.DataFrame:
    """Return all data sets of one kind below one another, as R reads them."""
    frames = []
    for case in range(number):
        if kind == "pairs":
            frame = pd.DataFrame(dict(zip("ab", pairs(case), strict=True)))
        elif kind == "repeats":
            frame = pd.DataFrame(dict(zip("abs", repeats(case), strict=True)))
        else:
            frame = pd.DataFrame({"ratings": ratings, "table": table, "counts": counts}[kind](case))
        frames.append(frame.assign(case=case))
    return pd.concat(frames)


def main() -> None:
    """Write the data for R, run it, keep its values."""
    kinds = {"ratings": RATINGS, "table": TABLES, "counts": COUNTS, "pairs": PAIRS, "repeats": REPEATS}
    with tempfile.TemporaryDirectory() as folder:
        for kind, number in kinds.items():
            long(kind, number).to_csv(Path(folder) / f"{kind}.csv", index=False)
        subprocess.run(["Rscript", str(HERE / "reference.R"), folder, str(HERE)], check=True)


if __name__ == "__main__":
    main()
