"""Reading, typing and labelling 100,000 rows, against pandas.read_csv plus conversion of the same file.

Run from the repository: ``python tests/benchmarks/bench_reading.py [rows]``. Both roads run in this one
process, in turn, and the ratio of their best times is printed: times of one machine mean nothing elsewhere,
the ratio nearly does. The table is the package's own invented cohort.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from outcomes.cohort.concepts import concepts, slug, times
from outcomes.cohort.fixation import classify_fixation
from outcomes.cohort.reduction import grade_reduction
from outcomes.cohort.table import Cohort, read_cohort
from synthetic_cohort import generate

LIMIT = 4.0
REPEATS = 5
COLUMNS = (
    "case_id", "patient_id", "side", "dominant_hand", "age", "sex", "energy", "open_injury", "fracture_class",
    "pattern", "bone_quality", "diabetes", "smoking", "hospital", "surgeon", "surgeon_experience", "injury_date",
    "treatment_date", "last_seen_date", "operation_text", "component_wires", "component_volar_plate",
    "component_external_fixator_bridging", "component_bone_graft", "tilt_injury", "ulnar_variance_injury",
    "step_injury", "tilt_postoperative", "inclination_postoperative", "ulnar_variance_postoperative",
    "shortening_postoperative", "step_postoperative", "gap_postoperative", "druj_congruent_postoperative",
    "grip_injured_12_months", "grip_other_12_months", "pronation_12_months", "supination_12_months",
    "prwe_12_months", "pain_12_months",
)  # fmt: skip


def dictionary_for(names: list[str]) -> dict[str, Any]:
    """Return the dictionary of a table whose headings are internal names."""
    columns = {name: entry_for(name) for name in names}
    return {"table": {"date_order": "day-month-year"}, "columns": columns}


def entry_for(name: str) -> dict[str, Any]:
    """Return what one internal name means."""
    concept = max((c for c in concepts() if name == c or name.startswith(f"{c}_")), key=len)
    entry: dict[str, Any] = {"is": concept}
    rest = name[len(concept) + 1 :]
    rule = concepts()[concept]
    if "component" in rule.takes:
        entry["component"] = rest
    if "hand" in rule.takes:
        entry["hand"], rest = rest.split("_", 1)
    if "time" in rule.takes:
        entry["time"] = next(time for time in times() if slug(time) == rest)
    if "unit" in rule.needs:
        entry["unit"] = {"angle": "degrees", "length": "mm", "force": "kg"}[rule.measure]
    if rule.sign:
        entry["positive"] = rule.sign[0]
    if rule.references:
        entry["reference"] = rule.references[0]
    return entry


def plain_road(path: Path, kinds: dict[str, str]) -> pd.DataFrame:
    """Read and convert as an analyst without this package would."""
    frame = pd.read_csv(path, dtype={name: str for name, kind in kinds.items() if kind in ("key", "text")})
    for name, kind in kinds.items():
        if kind == "date":
            frame[name] = pd.to_datetime(frame[name], format="%d/%m/%Y")
        elif kind == "yes_no":
            frame[name] = frame[name].map({"yes": 1.0, "no": 0.0})
        elif kind == "category":
            frame[name] = frame[name].astype("category")
    return frame


def timed(work: Callable[[], object]) -> float:
    """Return the seconds one call takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def label(cohort: Cohort) -> None:
    """Label strategy and reduction of every case."""
    classify_fixation(cohort)
    grade_reduction(cohort, "common-practice", "postoperative")


def main(rows: int) -> int:
    """Print both times and their ratio; return 1 when the ratio is above the limit."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cohort.csv"
        frame = generate(rows, "demo", seed=1)[list(COLUMNS)]
        frame.to_csv(path, index=False, date_format="%d/%m/%Y")
        dictionary = dictionary_for(list(COLUMNS))
        kinds = {name: concepts()[entry["is"]].kind for name, entry in dictionary["columns"].items()}
        plain, ours, labels = [], [], []
        for _ in range(REPEATS):
            plain.append(timed(lambda: plain_road(path, kinds)))
            ours.append(timed(lambda: read_cohort(path, dictionary)))
        cohort = read_cohort(path, dictionary)
        for _ in range(REPEATS):
            labels.append(timed(lambda: label(cohort)))
    ratio = (min(ours) + min(labels)) / min(plain)
    print(f"{rows} rows x {len(COLUMNS)} columns; {len(cohort)} cases; balanced: {cohort.ledger.balanced}")
    print(
        f"pandas.read_csv plus conversion {min(plain):.2f} s; read_cohort {min(ours):.2f} s, ratio "
        f"{min(ours) / min(plain):.2f}; with strategy and reduction labelled {min(ours) + min(labels):.2f} s, ratio {ratio:.2f}"
    )
    return int(ratio > LIMIT)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000))
