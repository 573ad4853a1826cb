"""Every closed form of hand_*.py to 12 digits."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hand_oracles import NO_CLOSED_FORM, Hand, all_hands


@pytest.mark.parametrize("entry", all_hands(), ids=lambda entry: entry.functions[0])
def test_closed_form(entry: Hand) -> None:
    pairs = list(entry.pairs())
    assert pairs
    wrong = [pair for pair in pairs if not math.isclose(*map(float, pair), rel_tol=1e-12, abs_tol=1e-14)]
    assert wrong == []


def test_every_statistic_that_is_offered_or_used_has_one_or_says_why_not() -> None:
    """A new statistic gets its closed form in hand_*.py, or stands in NO_CLOSED_FORM."""
    index = (Path(__file__).parents[2] / "docs" / "validation" / "index.md").read_text(encoding="utf-8")
    table = index.partition("## Every statistic")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| `(\w+)` \| ([\w.]+) \| .+? \| (.+?) \|$", table, re.M)
    wanted = {f"{module}.{name}" for name, module, used in rows if not used.startswith("within")}
    by_hand = {name for entry in all_hands() for name in entry.functions}
    without = {name for names in NO_CLOSED_FORM.values() for name in names}
    assert wanted - by_hand - without == set()
    assert by_hand & without == set()
    assert (by_hand | without) - {f"{module}.{name}" for name, module, _ in rows} == set()
