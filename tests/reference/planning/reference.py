"""Write results.csv: what R gives for the scenarios. Usage: python reference.py"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "stats" / "planning"))

from planning_scenarios import scenarios  # noqa: E402

with tempfile.TemporaryDirectory() as folder:
    given = Path(folder) / "scenarios.csv"
    widest = max(len(values) for _, values in scenarios())
    given.write_text(
        "".join(
            f"{kind},{','.join([*map(repr, values), *[''] * (widest - len(values))])}\n"
            for kind, values in scenarios()
        ),
        encoding="utf-8",
    )
    subprocess.run(["Rscript", str(HERE / "reference.R"), str(given), str(HERE / "results.csv")], check=True)
