"""Every check value: recomputed to its tolerance and to the digits printed, and none dropped.

Sources stand beside the values in cases.json; values that the package disputes in disputed.json.
"""

from __future__ import annotations

import importlib
import json
import math
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
CASES: dict[str, dict[str, Any]] = {
    case["id"]: case for case in json.loads((HERE / "cases.json").read_text(encoding="utf-8"))["cases"]
}
#: The printed values once more, with the digits as they stand in the file.
PRINTED: dict[str, Any] = {
    case["id"]: case["printed"]
    for case in json.loads((HERE / "cases.json").read_text(encoding="utf-8"), parse_float=Decimal)["cases"]
}
DISPUTED: dict[str, dict[str, dict[str, Any]]] = json.loads(
    (HERE / "disputed.json").read_text(encoding="utf-8")
)
COMPUTED: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {}
for family in sorted(HERE.glob("values_*.py")):
    found = importlib.import_module(family.stem).COMPUTED
    assert not set(found) & set(COMPUTED), f"{family.name} repeats a case of another family"
    COMPUTED |= found


def tolerance(case: dict[str, Any], name: str) -> tuple[float, float]:
    """Return relative and absolute tolerance of one expected value.

    A number is relative, and absolute where 0 is expected. A table gives it by name, by the beginning of the name
    before a low line, or by ``default``; what it does not name at all is held to its smallest. Names that end in
    ``_abs`` are absolute.
    """
    given = case["tolerance"]
    if not isinstance(given, dict):
        return given, given if case["expected"][name] == 0 else 0.0
    if f"{name}_abs" in given:
        return 0.0, given[f"{name}_abs"]
    smallest = given.get("default", min(given.values()))
    relative = given.get(name, given.get(name.partition("_")[0], smallest))
    return relative, relative if case["expected"][name] == 0 else 0.0


def differences(value: Any, expected: Any, relative: float, absolute: float, path: str) -> list[str]:
    """Return where two values, lists or tables differ; an absent value is a difference."""
    if isinstance(expected, dict):
        return [
            line
            for key, part in expected.items()
            for line in differences(value.get(key), part, relative, absolute, f"{path}.{key}")
        ]
    if isinstance(expected, list):
        if value is None or len(value) != len(expected):
            return [f"{path}: {value!r} instead of {expected!r}"]
        return [
            line
            for i, (got, part) in enumerate(zip(value, expected, strict=True))
            for line in differences(
                got, part, relative, max(absolute, relative if part == 0 else 0), f"{path}[{i}]"
            )
        ]
    if expected is None or isinstance(expected, bool | str) or value is None:
        same = value == expected
    else:
        same = math.isclose(value, expected, rel_tol=relative, abs_tol=absolute)
    return [] if same else [f"{path}: {value!r} instead of {expected!r}"]


@pytest.mark.parametrize("name", sorted(COMPUTED))
def test_case(name: str) -> None:
    case = CASES[name]
    values, disputed = COMPUTED[name](case), DISPUTED.get(name, {})
    expected = {key: disputed.get(key, {"value": value})["value"] for key, value in case["expected"].items()}
    wrong = []
    for key, value in expected.items():
        relative, absolute = tolerance(case, key)
        wrong += differences(values.get(key), value, relative, absolute, key)
    assert not wrong


def misprints(value: Any, printed: Any, path: str) -> list[str]:
    """Return where a value is off by more than half a unit of the last digit printed."""
    if isinstance(printed, dict):
        return [
            line for key, part in printed.items() for line in misprints(value.get(key), part, f"{path}.{key}")
        ]
    if isinstance(printed, list):
        if value is None or len(value) != len(printed):
            return [f"{path}: {value!r}, printed {printed!r}"]
        pairs = enumerate(zip(value, printed, strict=True))
        return [line for i, (got, part) in pairs for line in misprints(got, part, f"{path}[{i}]")]
    if isinstance(printed, int | Decimal) and value is not None:
        text = Decimal(printed)
        half = Decimal(5).scaleb(int(text.as_tuple().exponent) - 1)
        return [] if abs(Decimal(float(value)) - text) <= half else [f"{path}: {value!r}, printed {text}"]
    return [] if value == printed else [f"{path}: {value!r}, printed {printed!r}"]


@pytest.mark.parametrize("name", sorted(name for name in COMPUTED if isinstance(PRINTED[name], dict)))
def test_printed_digits(name: str) -> None:
    values, excused = COMPUTED[name](CASES[name]), DISPUTED.get(name, {}).get("printed", {})
    wrong = [
        line
        for key, printed in PRINTED[name].items()
        if key not in excused
        for line in misprints(values.get(key), printed, key)
    ]
    assert not wrong


def test_what_is_disputed_is_there_and_says_why() -> None:
    for name, values in DISPUTED.items():
        for key, entry in values.items():
            if key == "printed":
                assert set(entry) <= set(PRINTED[name])
                assert all(isinstance(why, str) and why for why in entry.values())
            else:
                assert key in CASES[name]["expected"]
                assert set(entry) == {"value", "why"}
                assert entry["why"]


def test_no_case_is_dropped_or_repeated() -> None:
    listed = json.loads((HERE / "cases.json").read_text(encoding="utf-8"))["cases"]
    assert len(listed) == len(CASES) == 122
    assert set(COMPUTED) == set(CASES)
    assert all(case["expected"] and case["source"] and case["generator"] for case in listed)
