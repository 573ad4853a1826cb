"""Write coverage.json: exact coverage over the whole grid, and how far the two roads to it differ (two minutes)."""

from __future__ import annotations

import json
import platform
import sys
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import scipy

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "stats" / "proportions"))
import proportion_coverage as study  # noqa: E402

SIZES = range(10, 201)


def summary(coverage: Any) -> list[float]:
    """Mean, smallest value and its place in the grid."""
    return [float(f"{coverage.mean():.12g}"), float(f"{coverage.min():.12g}"), int(coverage.argmin())]


def whole_grid() -> dict[str, Any]:
    """Return the coverages of the whole grid."""
    farthest = 0.0
    found: dict[str, Any] = {"one": {}, "two": {}, "strata": {}}
    for method in study.ONE:
        found["one"][method] = {}
        for n in SIZES:
            ours, other = study.one_by_limits(method, n), study.one_by_test(method, n)
            farthest = max(farthest, float(np.abs(ours - other).max()))
            found["one"][method][str(n)] = summary(ours)
    for method in study.TWO:
        found["two"][method] = {}
        for n1, n0 in study.PAIRS:
            ours, other = study.two_by_limits(method, n1, n0), study.two_by_test(method, n1, n0)
            farthest = max(farthest, float(np.abs(ours - other).max()))
            found["two"][method][f"{n1}, {n0}"] = summary(ours)
    for method in study.STRATA:
        found["strata"][method] = {}
        for design in study.DESIGNS:
            ours, there = strata(method, design)
            if method in ("Sato", "Greenland-Robins", "odds ratio"):
                other, _ = study.strata_by_formula(method, design)
                farthest = max(farthest, float(np.abs(ours - other).max()))
            elif method.endswith("Nurminen"):
                other, _ = study.strata_by_test(design)
                farthest = max(farthest, float(np.abs(ours - other).max()))
            found["strata"][method]["; ".join(f"{a}, {b}" for a, b in design)] = [
                *summary(ours), float(f"{there.min():.12g}")
            ]  # fmt: skip
    return found | {"farthest": farthest}


def strata(method: str, design: Any) -> Any:
    """By limits; the stratified score interval of more than 5,000 samples by its test."""
    if method.endswith("Nurminen") and len(study.every_table(design)) > 5000:
        return study.strata_by_test(design)
    return study.strata_by_limits(method, design)


if __name__ == "__main__":
    versions = {"python": platform.python_version(), "numpy": np.__version__, "scipy": scipy.__version__}
    made = {"made": date.today().isoformat(), "versions": versions, **whole_grid()}
    (HERE / "coverage.json").write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")
