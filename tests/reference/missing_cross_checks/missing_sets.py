"""Invented small data sets for the cross-checks of pooling and of bounds, made again from their number.

Run as a script to compute the pinned values: `python missing_sets.py` writes the sets to a temporary file, has
`reference.R` compute, and writes `values.csv` beside this file.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
SETS = 500


def numbers_of(number: int) -> dict[str, Any]:
    """Return estimates and errors to pool, chi-squared statistics to pool, and counts to bound."""
    rng = np.random.default_rng([20261126, number])
    m = int(rng.integers(2, 31))
    spread = 10.0 ** float(rng.integers(-2, 2))
    # in one set of ten all imputations agree; integers make ties between them
    draws = np.zeros(m) if number % 10 == 9 else np.round(rng.standard_normal(m), 1) * spread
    k = int(rng.integers(1, 6))
    n = rng.integers(0, 25, 2)
    if n[1] == 0:
        n[1] = 1
    return {
        "q": 2.0 + draws, "u": np.round(0.5 + np.abs(rng.standard_normal(m)), 1),
        "df": float(rng.integers(3, 400)), "k": k, "chi2": np.round(np.square(rng.standard_normal((m, k))).sum(axis=1), 2),
        "n": n, "events": np.array([rng.integers(0, v + 1) for v in n]), "missing": rng.integers(0, 10, 2),
    }  # fmt: skip


def regressions_of(number: int) -> dict[str, Any]:
    """Return imputed copies of a small logistic regression: outcome (n,), columns (m, n, 2)."""
    rng = np.random.default_rng([20261127, number])
    m, n = int(rng.integers(2, 6)), int(rng.integers(40, 81))
    columns = np.round(rng.standard_normal((n, 2)), 1)
    y = (columns[:, 0] * float(rng.integers(0, 3)) / 2 + rng.standard_normal(n) * 1.5 > 0.3) * 1.0
    copies = np.repeat(columns[None], m, axis=0)
    gone = rng.standard_normal((n, 2)) > 0.8
    copies[:, gone] = np.round(rng.standard_normal((m, int(gone.sum()))), 1)
    return {"y": y, "copies": copies}


def main() -> None:
    """Write the sets, have R compute, keep ten significant digits."""
    rows, copies = [], []
    for i in range(SETS):
        s = numbers_of(i)
        for j in range(len(s["q"])):
            row = {"set": i, "q": s["q"][j], "u": s["u"][j], "df": s["df"], "k": s["k"], "chi2": s["chi2"][j]}
            for name in ("n", "events", "missing"):
                row |= {f"{name}1": s[name][0], f"{name}0": s[name][1]}
            rows.append(row)
        if i % 2 == 0:
            r = regressions_of(i)
            for j, block in enumerate(r["copies"]):
                frame = pd.DataFrame(block, columns=["x", "z"])
                copies.append(frame.assign(y=r["y"], imp=j, set=i))
    with tempfile.TemporaryDirectory() as folder:
        pd.DataFrame(rows).to_csv(Path(folder) / "sets.csv", index=False)
        pd.concat(copies).to_csv(Path(folder) / "copies.csv", index=False)
        subprocess.run(["Rscript", str(HERE / "reference.R"), folder], check=True)
        table = pd.read_csv(Path(folder) / "values.csv")
    table.to_csv(HERE / "values.csv", index=False, float_format="%.10g", lineterminator="\n")
    sys.stdout.write(f"{len(table)} sets, {table.shape[1]} columns\n")


if __name__ == "__main__":
    main()
