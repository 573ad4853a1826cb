"""Write the inputs to a temporary folder, let R compute, and keep what it gives: `python generate.py`."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import pandas as pd
from data_sets import N_SETS, chart, ratio, unit

HERE = Path(__file__).parent


def main() -> None:
    """Make results.csv again."""
    rows = [(number, *ratio(number), *unit(number), *chart(number)) for number in range(N_SETS)]
    columns = ["set", "observed", "expected", "n", "target", "p", "k", "h", "shift"]
    with tempfile.TemporaryDirectory() as folder:
        pd.DataFrame(rows, columns=columns).to_csv(Path(folder) / "data.csv", index=False)
        subprocess.run(["Rscript", str(HERE / "reference.R"), folder], check=True)
        (HERE / "results.csv").write_text(
            (Path(folder) / "results.csv").read_text(encoding="utf-8"), encoding="utf-8"
        )


if __name__ == "__main__":
    main()
