"""Make the data sets, let R fit them, keep what R says: ``python generate.py`` in this folder (needs R)."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import pandas as pd

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "stats" / "regression"))

from regression_sets import FAMILIES  # noqa: E402


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        for family, (make, count) in FAMILIES.items():
            tables = [make(k).assign(set=k) for k in range(count)]
            pd.concat(tables).to_csv(Path(folder, f"{family}.csv"), index=False)
        done = subprocess.run(
            ["Rscript", str(HERE / "reference.R"), folder], check=True, capture_output=True, text=True
        )
        (HERE / "versions.txt").write_text(done.stdout)
        for family in FAMILIES:
            table = pd.read_csv(Path(folder, f"{family}_out.csv"), dtype=str).sort_values(
                "set", key=lambda s: s.astype(int)
            )
            table.to_csv(HERE / f"{family}.csv", index=False)


if __name__ == "__main__":
    main()
