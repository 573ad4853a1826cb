"""Every closed form of hand_*.py to 12 digits."""

from __future__ import annotations

import math

import pytest
from hand_oracles import Hand, all_hands


@pytest.mark.parametrize("entry", all_hands(), ids=lambda entry: entry.functions[0])
def test_closed_form(entry: Hand) -> None:
    pairs = list(entry.pairs())
    assert pairs
    wrong = [pair for pair in pairs if not math.isclose(*map(float, pair), rel_tol=1e-12, abs_tol=1e-14)]
    assert wrong == []
