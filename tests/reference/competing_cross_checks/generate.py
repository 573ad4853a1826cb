"""Write the data sets to a temporary folder, let R compute, and keep what it gives: `python generate.py`."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import pandas as pd
from data_sets import N_SETS, data_set, recurrent

HERE = Path(__file__).parent


def main() -> None:
    """Make results.csv again."""
    frames, cases, events = [], [], []
    for number in range(N_SETS):
        d, r = data_set(number), recurrent(number)
        frames.append(
            pd.DataFrame(
                {
                    "set": number, "time": d.time, "event": d.event, "group": d.group, "third": d.third,
                    "stratum": d.stratum, "cluster": d.cluster, "x1": d.x[:, 0], "x2": d.x[:, 1],
                }
            )
        )  # fmt: skip
        cases.append(pd.DataFrame({"set": number, "end": r.end, "died": r.died}))
        events.append(pd.DataFrame({"set": number, "when": r.when, "whose": r.whose}))
    with tempfile.TemporaryDirectory() as folder:
        for name, parts in (("data", frames), ("recurrent", cases), ("events", events)):
            pd.concat(parts).to_csv(Path(folder) / f"{name}.csv", index=False)
        subprocess.run(["Rscript", str(HERE / "reference.R"), folder], check=True)
        (HERE / "results.csv").write_text(
            (Path(folder) / "results.csv").read_text(encoding="utf-8"), encoding="utf-8"
        )


if __name__ == "__main__":
    main()
