"""Random small sets of studies, and what R makes of them: `python generate.py` writes the CSV files here.

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
STUDIES, TABLES, MEANS = 220, 150, 150


def studies(case: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return effects, standard errors and a moderator; the moderator has two kinds in odd cases."""
    rng = np.random.default_rng([1, case])
    k = int(rng.integers(3, 16))
    se = np.round(rng.uniform(0.1, 1.2, k), 3)
    y = rng.normal(0.4, np.sqrt(se**2 + rng.choice([0.0, 0.1, 1.0])))
    x = np.arange(k) % 2 * 1.0 if case % 2 else np.round(rng.uniform(0, 10, k), 2)
    return np.round(y, 4), se, x


def tables(case: int) -> np.ndarray:
    """Return 2 x 2 tables of studies with rare events; empty cells in most sets."""
    rng = np.random.default_rng([2, case])
    k = int(rng.integers(2, 9))
    n = rng.integers(5, 60, (k, 2))
    events = rng.binomial(n, rng.uniform(0.02, 0.5, (k, 1)))
    return np.stack([events, n - events], axis=2)


def means(case: int) -> np.ndarray:
    """Return n, mean, SD of both groups, shape (k, 6)."""
    rng = np.random.default_rng([3, case])
    k = int(rng.integers(1, 7))
    sizes = rng.integers(2, 40, (k, 2))
    centre, spread = np.round(rng.normal(10, 3, (k, 2)), 2), np.round(rng.uniform(0.5, 4, (k, 2)), 2)
    return np.column_stack([sizes[:, 0], centre[:, 0], spread[:, 0], sizes[:, 1], centre[:, 1], spread[:, 1]])


def long(kind: str, number: int) -> pd.DataFrame:
    """Return all sets of one kind below one another, as R reads them."""
    frames = []
    for case in range(number):
        if kind == "studies":
            frame = pd.DataFrame(dict(zip(("y", "se", "x"), studies(case), strict=True)))
        elif kind == "tables":
            frame = pd.DataFrame(tables(case).reshape(-1, 4), columns=["a", "b", "c", "d"])
        else:
            frame = pd.DataFrame(means(case), columns=["n1", "m1", "s1", "n2", "m2", "s2"])
        frames.append(frame.assign(case=case))
    return pd.concat(frames)


def main() -> None:
    """Write the data for R, run it, keep its values."""
    with tempfile.TemporaryDirectory() as folder:
        for kind, number in {"studies": STUDIES, "tables": TABLES, "means": MEANS}.items():
            long(kind, number).to_csv(Path(folder) / f"{kind}.csv", index=False)
        subprocess.run(["Rscript", str(HERE / "reference.R"), folder, str(HERE)], check=True)


if __name__ == "__main__":
    main()
