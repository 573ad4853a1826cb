"""How many digits of a check value the package gives, and which functions were called for it."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import test_check_values as table

#: More digits than double precision can show are not counted.
MOST = 15.0
STATS = "outcomes.stats."
HERE = str(Path(__file__).parent)


def digits(value: float, expected: float, *, absolute: bool = False) -> float:
    """Return -log10 of the relative error (absolute where 0 is expected), at most 15, infinity where equal."""
    if value == expected:
        return math.inf
    error = abs(value - expected) / (1.0 if absolute or not expected else abs(expected))
    return min(-math.log10(error), MOST) if error > 0 else MOST


def agreements(value: Any, expected: Any, path: str, absolute: bool) -> Iterator[tuple[float, str]]:
    """Yield the digits of every number among expected values, lists or tables, and where it stands."""
    if isinstance(expected, dict):
        for key, part in expected.items():
            yield from agreements(value[key], part, f"{path}.{key}", absolute)
    elif isinstance(expected, list):
        for i, (got, part) in enumerate(zip(value, expected, strict=True)):
            yield from agreements(got, part, f"{path}[{i}]", absolute)
    elif isinstance(expected, int | float) and not isinstance(expected, bool):
        yield digits(float(value), float(expected), absolute=absolute), path


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What came of one case: digits, the value that has the fewest, how many numbers, functions called."""

    digits: float
    where: str
    numbers: int
    functions: tuple[str, ...]


def called(compute: Callable[[], Any]) -> tuple[Any, tuple[str, ...]]:
    """Return what a function computes and the functions of the statistics that the check values called for it."""
    found: dict[str, None] = {}

    def watch(frame: FrameType, event: str, _: Any) -> None:
        if event != "call":
            return
        module = frame.f_globals.get("__name__", "")
        caller = frame.f_back
        if not module.startswith(STATS) or caller is None or not caller.f_code.co_filename.startswith(HERE):
            return
        name = frame.f_code.co_name
        if getattr(frame.f_globals.get(name), "__code__", None) is frame.f_code:
            found[f"{module.removeprefix(STATS)}.{name}"] = None

    forget()
    sys.setprofile(watch)
    try:
        values = compute()
    finally:
        sys.setprofile(None)
    return values, tuple(sorted(found))


def forget() -> None:
    """Empty what the families keep between cases, so that every case calls what it uses."""
    for name, module in list(sys.modules.items()):
        if name.startswith("values_"):
            for kept in vars(module).values():
                if hasattr(kept, "cache_clear") and getattr(kept, "__module__", "") == name:
                    kept.cache_clear()


def agreement(name: str) -> Agreement:
    """Return the agreement of one case, its disputed values left out."""
    case, disputed = table.CASES[name], table.DISPUTED.get(name, {})
    values, functions = called(lambda: table.COMPUTED[name](case))
    found = [
        pair
        for key, expected in case["expected"].items()
        if key not in disputed
        for pair in agreements(values[key], expected, key, table.tolerance(case, key)[0] == 0)
    ]
    fewest, where = min(found, default=(math.inf, ""))
    return Agreement(digits=fewest, where=where, numbers=len(found), functions=functions)


def all_agreements() -> dict[str, Agreement]:
    """Return the agreement of every case, in the order of the table."""
    return {name: agreement(name) for name in table.CASES}
