"""Every published case: recomputed to its tolerance and to the digits printed, and none dropped.

Sources stand beside the values in tests/reference/published/cases.json.
"""

from __future__ import annotations

import json
import math
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from published_case_values import REFERENCE, computed

CASES = json.loads((REFERENCE / "published" / "cases.json").read_text(encoding="utf-8"))["cases"]
BY_ID = {case["id"]: case for case in CASES}

REQUIRED = {
    "nist-sirstv", "nist-smls01", "nist-atmwtag", "nist-smls04", "nist-smls07",
    "welch-sleep", "pooled-sleep", "mw-hw69", "kw-hw116", "kw-airquality", "anova-plant",
    "welchanova-plant", "wilson-81-263", "wilson-15-148", "wilson-0-20", "wilson-1-29",
    "newcombe-56_70-48_80", "newcombe-9_10-3_10", "newcombe-6_7-2_7", "newcombe-5_56-0_29",
    "newcombe-0_10-0_20", "newcombe-0_10-0_10", "newcombe-10_10-0_20", "newcombe-10_10-0_10",
    "fisher-tea", "fisher-twins", "fisher-central-zero", "fisher-4x4", "katz-aspirin", "cmh-ucb",
    "mh-rothman151", "mh-bcg-or", "mh-bcg-rr", "mh-bcg-rd", "holm-bh1995", "tost-welch-sleep",
    "noninf-prop", "chisq-party", "smd-nhefs",
}  # fmt: skip


def tolerance(case: dict[str, Any], name: str) -> float:
    given = case["tolerance"]
    return given.get(name, given["default"]) if isinstance(given, dict) else given


def agrees(value: Any, expected: Any, relative: float) -> bool:
    if expected is None or isinstance(expected, bool):
        return value is expected
    if isinstance(expected, list):
        return len(value) == len(expected) and all(map(agrees, value, expected, [relative] * len(value)))
    return math.isclose(value, expected, rel_tol=relative, abs_tol=relative if expected == 0 else 0)


def test_no_case_is_dropped_or_repeated():
    assert len(CASES) == len(BY_ID)
    assert set(BY_ID) == REQUIRED


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_expected_values(case: dict[str, Any]):
    values = computed(case)
    assert case["expected"]
    wrong = {
        name: (values[name], expected)
        for name, expected in case["expected"].items()
        if not agrees(values[name], expected, tolerance(case, name))
    }
    assert not wrong


@pytest.mark.parametrize("case", [c for c in CASES if c["printed"]], ids=lambda case: case["id"])
def test_printed_digits(case: dict[str, Any]):
    values = computed(case)
    for name, text in case["printed"].items():
        half_a_digit = Decimal(5).scaleb(int(Decimal(text).as_tuple().exponent) - 1)
        assert abs(Decimal(values[name]) - Decimal(text)) <= half_a_digit, name


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_every_case_names_its_source(case: dict[str, Any]):
    assert case["source"]
    assert case["generator"]
    assert case["printed_seen"].split(":")[0].split(",")[0] in {
        "seen in the file", "seen second-hand", "from memory", "no printed value",
    }  # fmt: skip
    assert bool(case["printed"]) == (case["printed_seen"].startswith(("seen second", "from memory")))


@pytest.mark.parametrize("replicates", [21, 201, 2001])
@pytest.mark.parametrize(
    ("base", "digits"), [("SmLs01", 12), ("SmLs04", 9.5), ("SmLs07", 3.5)], ids=["lower", "average", "higher"]
)
def test_nist_simon_lesage_of_every_size(base: str, digits: float, replicates: int):
    """SmLs02/03, 05/06 and 08/09 are 01, 04 and 07 with 201 and 2001 replicates: the pattern goes on.

    Certified (NIST): F = replicates, within-treatment SD 0.1. The floor on digits of F is that of reading
    13 constant leading digits as floating point (Simon and Lesage 1989).
    """
    from published_case_values import nist_groups

    from outcomes.stats.anova import one_way_anova

    groups = []
    for short in nist_groups(REFERENCE / "nist" / f"{base}.dat"):
        first, pair = short[:1], short[1:3]
        assert np.array_equal(short, np.concatenate([first, np.tile(pair, 10)]))
        groups.append(np.concatenate([first, np.tile(pair, (replicates - 1) // 2)]))
    test = one_way_anova(groups)
    assert -math.log10(max(abs(test.f - replicates) / replicates, 1e-16)) >= digits
    assert -math.log10(max(abs(test.residual_sd - 0.1) / 0.1, 1e-16)) >= digits
    assert test.df_within == 9 * (replicates - 1)
