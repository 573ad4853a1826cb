"""Honest numbers are never flagged, and errors planted into them are found as often as the page says."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from printed_samples import CHECKS, ERRORS, FUNCTIONS, planted, reports

PAGE = Path(__file__).parents[3] / "docs" / "validation" / "printed_checks.md"


def alarms(number: int, seed: int) -> dict[str, int]:
    found = dict.fromkeys(CHECKS, 0)
    for report in reports(number, seed):
        for name in CHECKS:
            line = report.check(name)
            if line.finding == "inconsistent" or line.decision == "reversed":
                found[name] += 1
    return found


def found_shares(number: int, seed: int) -> dict[str, tuple[int, int]]:
    g = np.random.default_rng(seed)
    found = {error: [0, 0] for error in ERRORS}
    for report in reports(number, seed):
        for error, count in found.items():
            made = planted(g, report, error)
            if made is None:
                continue
            name, values, named = made
            count[0] += FUNCTIONS[name](*values, **named).finding == "inconsistent"
            count[1] += 1
    return {error: (hit, tried) for error, (hit, tried) in found.items()}


def test_no_false_alarm_in_four_hundred_reports() -> None:
    assert alarms(400, seed=7) == dict.fromkeys(CHECKS, 0)


@pytest.mark.simulation
def test_no_false_alarm_in_ten_thousand_reports() -> None:
    assert alarms(10_000, seed=8) == dict.fromkeys(CHECKS, 0)


def test_planted_errors_are_found_as_often_as_the_page_says() -> None:
    text = PAGE.read_text(encoding="utf-8")
    stated = {
        name: int(share)
        for name, share in re.findall(r"^\| ([^|`]+?) \| `\w+` \| (\d+) \| \d+ \|$", text, re.M)
    }
    assert set(stated) == set(ERRORS)
    for error, (hit, tried) in found_shares(150, seed=9).items():
        assert abs(100 * hit / tried - stated[error]) <= 3 * 100 * (0.25 / tried) ** 0.5 + 0.5, error
