"""docs/validation/digits.md says what holds today: the same cases, and no digit has fallen."""

from __future__ import annotations

import re
from functools import cache

import agreed_digits
import make_digits_page as maker
import nist_digits
import pytest
import test_check_values as table

PAGE = maker.PAGE.read_text(encoding="utf-8")
NOW = cache(maker.page)


def test_the_page_lists_exactly_the_cases_of_today() -> None:
    section = PAGE.partition("## Check values")[2].partition("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("| ")][1:]
    assert [line.split(" | ")[0].removeprefix("| ") for line in lines] == list(table.CASES)


def test_no_digit_has_fallen_and_the_rest_is_the_same() -> None:
    assert maker.fallen(PAGE, NOW()) == []


def test_every_case_names_a_function_of_the_statistics() -> None:
    for line in NOW().partition("## Check values")[2].partition("\n## ")[0].splitlines():
        if line.startswith("| ") and line.count(" | ") == 9 and not line.startswith("| case"):
            assert line.split(" | ")[2].startswith("`"), line


def test_certified_sets_reach_what_is_asked_for() -> None:
    sets = nist_digits.all_sets()
    assert [f"{name}: {reached:.1f}" for name, *_, asked, reached in sets if reached < asked] == []
    names = {name.partition(",")[0] for name, *_ in sets}
    assert names == {
        "SiRstv", "AtmWtAg", "Norris", "Longley", *(f"SmLs0{k}" for k in range(1, 10)),
        *(f"NumAcc{k}" for k in range(1, 5)), *(f"Wampler{k}" for k in range(1, 6)),
    }  # fmt: skip


@pytest.mark.parametrize("folder", maker.CROSS_CHECKS)
def test_versions_of_the_cross_checks_stand_in_their_folder(folder: str) -> None:
    texts = [*(maker.REFERENCE / folder).glob("README.md"), *(maker.REFERENCE / folder).glob("versions.txt")]
    said = " ".join(path.read_text(encoding="utf-8") for path in texts)
    _, by, test, _ = maker.CROSS_CHECKS[folder]
    assert all(re.search(rf"\b{part}\b", said) for part in maker.PARTS.get(folder, ()))
    for program in by.replace(", base", "").split(", "):
        version = program.split()[-1]
        assert version in said, program
    assert list((maker.ROOT / "tests").rglob(test))


def test_every_cross_check_with_r_is_on_the_page() -> None:
    scripts = {path.parent.name for path in maker.REFERENCE.glob("*/*.R")} | {"survival_cross_checks"}
    # shares are checked by enumeration; their R is one of three ways (docs/validation/shares.md)
    assert scripts - {"shares"} == set(maker.CROSS_CHECKS)


def test_a_fallen_digit_and_a_dropped_line_are_seen() -> None:
    line = maker.row("case", "method", "`f`", "R", "11.5", "t", "3", "source", "none", "-")
    assert maker.fallen(line, line.replace("11.5", "11.0")) == []
    assert maker.fallen(line, line.replace("11.5", "12.4")) == []
    assert maker.fallen(line, line.replace("| t |", "| df |")) == []
    assert maker.fallen(line, line.replace("11.5", "10.9"))
    assert maker.fallen(line, line.replace("source", "other"))
    assert maker.fallen(line, "")
    assert maker.fallen(line.replace("11.5", "exact"), line.replace("11.5", "14.2"))
    assert not maker.fallen(line.replace("11.5", "exact"), line.replace("11.5", "15.0"))


def test_digits_by_hand() -> None:
    assert agreed_digits.digits(1.001, 1.0) == pytest.approx(3.0)
    assert agreed_digits.digits(200.2, 200.0) == pytest.approx(3.0)
    assert agreed_digits.digits(0.001, 0.0) == pytest.approx(3.0)
    assert agreed_digits.digits(1e-9 + 1e-6, 1e-9, absolute=True) == pytest.approx(6.0)
    assert agreed_digits.digits(1 + 2e-16, 1.0) in {float("inf"), 15.0}
    assert maker.shown(agreed_digits.digits(5, 5)) == "exact"
    assert maker.shown(9.99) == "9.9"
