"""Published counts written as a cohort table, one row a case, and taken through the main path."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from outcomes.analysis.run import Analysis, analyse
from outcomes.analysis.study_file import read_study
from outcomes.cohort.table import read_cohort


class PublishedTable:
    """A cohort table made of published counts, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def write(self, arms: Sequence[tuple[Mapping[str, str], Mapping[str, tuple[int, int]]]]) -> Path:
        """Write one row a case: `arms` gives the cells every case of an arm shares, and (events, n) by column.

        Cases beyond the n of a column were not assessed for it: their cell stays empty.
        """
        rows: list[dict[str, str]] = []
        for shared, outcomes in arms:
            size = max(n for _, n in outcomes.values())
            for i in range(size):
                cells = {
                    column: "yes" if i < events else "no" if i < n else ""
                    for column, (events, n) in outcomes.items()
                }
                rows.append({"Patient": f"{len(rows) + 1:03d}", **shared, **cells})
        path = self.folder / "cohort.csv"
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, fieldnames=list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
        return path

    def analyse(self, table: Path, columns: Mapping[str, Any], study: Mapping[str, Any]) -> Analysis:
        """Read the table by a dictionary and run the whole study."""
        patient = {"is": "patient_id"}
        dictionary = {"format": "outcomes dictionary 1", "columns": {"Patient": patient, **columns}}
        plan = {
            "format": "outcomes study 1",
            "declared": "2026-01-15",
            "data_seen_before_plan": "yes",
            **study,
        }
        cohort = read_cohort(table, dictionary)
        cohort.ledger.check()
        return analyse(cohort, read_study(plan))
