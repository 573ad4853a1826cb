"""The lists of planted faults and of survivors fit the code as it stands."""

from __future__ import annotations

from pathlib import Path

import pytest
from mutants import planted_texts
from planting import SURVIVORS, justified
from thirty import FAULTS, LABELS, STATISTICS

PACKAGE = Path(__file__).parents[2] / "outcomes"


def test_thirty_in_the_statistics_and_four_in_labels():
    assert (len(STATISTICS), len(LABELS)) == (30, 4)
    assert len(set(FAULTS)) == 34


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.effect)
def test_the_text_of_a_planted_fault_stands_once(fault):
    text = (PACKAGE / fault.file).read_text(encoding="utf-8")
    assert text.count(fault.old) == 1
    assert fault.new != fault.old
    if fault.file.endswith(".py"):
        compile(text.replace(fault.old, fault.new), fault.file, "exec")


def test_every_justified_survivor_can_still_be_planted():
    """A survivor whose line has changed is judged anew, so it leaves the list."""
    stats = {path.stem: path for path in (PACKAGE / "stats").rglob("*.py")}
    for module in sorted({row["module"] for row in SURVIVORS}):
        possible = planted_texts(stats[module].read_text(encoding="utf-8"))
        anywhere = {(before, after) for before, after, _ in possible}
        for row in (row for row in SURVIVORS if row["module"] == module):
            change = (row["before"], row["after"])
            assert (*change, row["line"]) in possible if "line" in row else change in anywhere, row


def test_survivors_are_sorted_reasoned_and_listed_once():
    keys = [(row["module"], row["before"], row["after"], row.get("line", "")) for row in SURVIVORS]
    assert keys == sorted(set(keys))
    assert all(len(row["why"]) > 20 for row in SURVIVORS)
    assert all(set(row) - {"line"} == {"module", "before", "after", "why"} for row in SURVIVORS)
    assert all(justified(*key) for key in keys)
    assert not justified("means", "a", "b", "")
