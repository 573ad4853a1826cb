"""Write the csv files of this folder: tables from the seed, values from R (needs Rscript and the packages of README)."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import table_inputs

HERE = Path(__file__).parent

with tempfile.TemporaryDirectory() as name:
    folder = Path(name)
    np.savetxt(folder / "two_by_two.csv", table_inputs.two_by_two(), "%d", ",")
    rows = [(i, *table.ravel()) for i, tables in enumerate(table_inputs.strata()) for table in tables]
    np.savetxt(folder / "strata.csv", np.array(rows), "%d", ",")
    lines = [
        f"{i},{'' if p is None else repr(p)}"
        for i, family in enumerate(table_inputs.families())
        for p in family
    ]
    (folder / "families.csv").write_text("\n".join(lines) + "\n")
    subprocess.run(["Rscript", HERE / "reference.R", folder], check=True)
    for part in ("two_by_two", "strata", "families"):
        shutil.copy(folder / f"{part}_r.csv", HERE / f"{part}.csv")
