"""Invented small data sets for the cross-checks of weighting, matching and mediation, made again from their number.

Run as a script to compute the pinned values: `python causal_sets.py` writes the sets to a temporary file, has
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


def data_of(number: int) -> dict[str, Any]:
    """Return one data set: 24 to 60 rows, ties in every column, one to three rows a patient."""
    rng = np.random.default_rng([20261125, number])
    n = int(rng.integers(24, 61))
    x = np.round(rng.standard_normal(n), 1)
    # in one set of ten the yes/no covariate has one level only, and is left out of the models
    z = (rng.standard_normal(n) > 0.2) * (number % 10 != 9) * 1.0
    noise = rng.standard_normal((4, n))
    a = (0.7 * x + 0.4 * z - 0.3 + noise[0] > 0) * 1.0
    m = np.round(0.8 * a + 0.5 * x + noise[1], 1)
    mb = (0.6 * a + 0.4 * x + noise[1] > 0.2) * 1.0
    own = m if number % 4 in (0, 1) else 2 * mb
    y = np.round(1.0 * a + 0.6 * own + 0.4 * x + 0.3 * a * own + noise[2], 1)
    yb = (0.5 * a + 0.5 * own + 0.3 * x - 0.4 + noise[2] > 0) * 1.0
    lb = (0.8 * a + 0.5 * x - 0.2 + noise[3] > 0) * 1.0
    return {
        "x": x, "z": z, "a": a, "m": m, "mb": mb, "y": y, "yb": yb, "lb": lb,
        "patient": rng.integers(0, max(n * 2 // 3, 2), n), "stratum": rng.integers(0, 2, n),
        "seen": (1.0 + 0.5 * x - 0.5 * a + rng.standard_normal(n) > 0) * 1.0,
    }  # fmt: skip


def main() -> None:
    """Write the sets, have R compute, keep ten significant digits."""
    with tempfile.TemporaryDirectory() as folder:
        frame = pd.concat([pd.DataFrame(data_of(i)).assign(set=i) for i in range(SETS)])
        frame.to_csv(Path(folder) / "sets.csv", index=False)
        subprocess.run(
            ["Rscript", str(HERE / "reference.R"), f"{folder}/sets.csv", f"{folder}/values.csv"], check=True
        )
        table = pd.read_csv(Path(folder) / "values.csv")
    table.to_csv(HERE / "values.csv", index=False, float_format="%.10g", lineterminator="\n")
    sys.stdout.write(f"{len(table)} sets, {table.shape[1]} columns\n")


if __name__ == "__main__":
    main()
