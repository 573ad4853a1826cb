"""Text in the place of a number: whatever a statistic says about it, it never says the text.

Every statistic whose arguments are among those below is called once for each argument, with a cell of it replaced.
"""

from __future__ import annotations

import copy
import importlib
import inspect
import re
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CELL = "Canary 1961"
EIGHT = [1.0, 2.0, 4.0, 3.0, 5.0, 6.0, 8.0, 7.0]
LEVELS = list("aabbaabb")
#: Usual arguments; what a function asks for beyond these is not tried here.
USUAL: dict[str, Any] = {
    "a": [1.0, 2.0, 3.0, 4.0], "b": [2.0, 3.0, 5.0, 7.0], "first": [1.0, 2.0, 3.0, 4.0], "second": [2.0, 1.0, 3.0, 5.0],
    "X": [[1.0, float(k)] for k in range(8)], "y": EIGHT, "names": ["one", "x"], "time": sorted(EIGHT),
    "event": [1, 0, 1, 1, 0, 1, 1, 0], "values": [0.1, 0.2, 0.5, 0.3], "std_errors": [0.1, 0.2, 0.1, 0.3],
    "clusters": list("aabbccdd"), "subjects": list("aabbccdd"), "tables": [[[9, 11], [4, 16]], [[7, 8], [5, 12]]],
    "table": [[3, 1], [5, 2]], "ratings": [[1.0, 2.0], [3.0, 2.0], [4.0, 5.0]], "exposure": LEVELS, "units": LEVELS,
    "columns": [[1.0], [2.0], [3.0], [4.0]], "replicates": [float(k) for k in range(1000)], "value": 500.0,
    "expected": [0.5] * 8, "moderator": [1.0, 2.0, 3.0, 4.0], "end": [5.0, 5.0], "event_time": [1.0, 2.0],
    "event_case": [0, 1], "at": [3.0], "groups": [[1.0, 2.0, 4.0], [2.0, 5.0, 6.0]],
}  # fmt: skip
CALLED = ("weights", "entry", "offset")


def with_a_cell(value: Any) -> Any:
    """Return an argument with its first cell replaced."""
    made = copy.deepcopy(value)
    inner = made
    while isinstance(inner, list) and isinstance(inner[0], list):
        inner = inner[0]
    if not isinstance(inner, list):
        return CELL
    inner[0] = CELL
    return made


def calls() -> Iterator[tuple[str, str]]:
    """Yield every statistic of the index and each argument that can carry cells."""
    index = Path(__file__).parents[2] / "docs" / "validation" / "index.md"
    for name, module in re.findall(r"^\| `(\w+)` \| ([\w.]+) \|", index.read_text(encoding="utf-8"), re.M):
        given = inspect.signature(function(f"{module}.{name}")).parameters.values()
        needed = [p.name for p in given if p.default is p.empty]
        if set(needed) <= set(USUAL):
            for argument in [*needed, *(p.name for p in given if p.default is None and p.name in CALLED)]:
                if argument != "names":
                    yield f"{module}.{name}", argument


def function(dotted: str) -> Any:
    module, _, name = dotted.rpartition(".")
    return getattr(importlib.import_module(f"outcomes.stats.{module}"), name)


CALLS = list(calls())


def test_many_are_called() -> None:
    assert len(CALLS) > 120
    assert len({dotted for dotted, _ in CALLS}) > 60


@pytest.mark.parametrize(("dotted", "argument"), CALLS)
def test_text_is_not_quoted(dotted: str, argument: str) -> None:
    needed = inspect.signature(function(dotted)).parameters.values()
    arguments = {p.name: copy.deepcopy(USUAL[p.name]) for p in needed if p.default is p.empty}
    arguments[argument] = with_a_cell(USUAL.get(argument, EIGHT))
    said = ""
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            function(dotted)(**arguments)
        except Exception as error:  # of whatever kind: none may carry the cell
            said = str(error)
    assert CELL not in " ".join([said, *(str(warning.message) for warning in warned)])
