"""Make the cross-check values: data from a seed, statistics from R, tails of the studentised range from scipy.

python tests/reference/group_cross_checks/generate.py     (R 4.2.2 with coin, car, emmeans and jsonlite; scipy)
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "stats" / "groups"))
from group_data_sets import data_sets  # noqa: E402


def from_r(sets: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return what R computes, one dictionary a data set."""
    with tempfile.TemporaryDirectory() as folder:
        given, found = Path(folder) / "sets.json", Path(folder) / "found.json"
        given.write_text(json.dumps(sets))
        subprocess.run(["Rscript", str(HERE / "reference.R"), str(given), str(found)], check=True)
        return json.loads(found.read_text())


def with_ranges(values: dict[str, Any], groups: list[list[float]]) -> dict[str, Any]:
    """Replace the errors of each pair by the adjusted p and half width, by the library's studentised range."""
    found = {
        name: value
        for name, value in values.items()
        if not name.endswith(("_se", "_d")) or name[1] not in "12345"
    }
    n, big = sum(map(len, groups)), sum(len(group) > 1 for group in groups)
    ranges = stats.studentized_range
    for i in range(1, len(groups) + 1):
        for j in range(i + 1, len(groups) + 1):
            d = float(np.mean(groups[i - 1]) - np.mean(groups[j - 1]))
            if (error := values.get(f"t{i}{j}_se")) is not None:
                k = (len(groups), n - len(groups))
                found[f"t{i}{j}_p"] = float(ranges.sf(abs(d) / error * math.sqrt(2), *k))
                if (i, j) == (1, 2):
                    found["t12_half"] = float(ranges.ppf(0.95, *k)) / math.sqrt(2) * error
            if (error := values.get(f"g{i}{j}_se")) is not None:
                df = found.pop(f"g{i}{j}_df")
                found[f"g{i}{j}_p"] = float(ranges.sf(abs(d) / error * math.sqrt(2), big, df))
                if (i, j) == (1, 2):
                    found["g12_half"] = float(ranges.ppf(0.95, big, df)) / math.sqrt(2) * error
    return found


def short(value: Any) -> float | None:
    """Return a value with ten significant digits; None where there is none."""
    return None if not isinstance(value, int | float) else float(f"{value:.10g}")


def main() -> None:
    sets = data_sets()
    found = from_r(sets)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library warns where its integrals converge slowly
        found["groups"] = [
            with_ranges(values or {}, data["groups"])
            for values, data in zip(found["groups"], sets["groups"], strict=True)
        ]
    for kind, rows in found.items():
        rows = [row or {} for row in rows]
        names = list(dict.fromkeys(name for row in rows for name in row))
        table = {"names": names, "rows": [[short(row.get(name)) for name in names] for row in rows]}
        text = json.dumps(table, separators=(",", ":")).replace("],[", "],\n[")
        (HERE / f"{kind.replace(' ', '_')}.json").write_text(text + "\n")


if __name__ == "__main__":
    main()
