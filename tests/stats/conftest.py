"""What the tests of all rooms share."""

from __future__ import annotations

import importlib
import inspect
import json
import math
import pkgutil
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

PINNED = Path(__file__).parent / "pinned_defaults.json"


def defaults_of(package: ModuleType) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the name of everything public that a room can be asked for, with the defaults of its arguments."""
    for info in pkgutil.iter_modules(package.__path__):
        module = importlib.import_module(f"{package.__name__}.{info.name}")
        for name, thing in sorted(vars(module).items()):
            own = getattr(thing, "__module__", None) == module.__name__
            if own and not name.startswith("_") and (inspect.isfunction(thing) or inspect.isclass(thing)):
                signature = inspect.signature(thing)
                given = {
                    p.name: plain(p.default)
                    for p in signature.parameters.values()
                    if p.default is not p.empty
                }
                yield f"{info.name}.{name}", given


def plain(value: Any) -> Any:
    """Return a default as JSON has it; what JSON has not, as text."""
    if isinstance(value, tuple | list):
        return [plain(part) for part in value]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value if isinstance(value, str | int | float | bool | None) else type(value).__name__


@pytest.fixture
def changed_defaults() -> Callable[[ModuleType], list[str]]:
    """Return what differs from the pinned defaults of a room.

    A default is part of every result for which nobody chose otherwise. Where a change is meant, change it in
    pinned_defaults.json too. New functions need not stand there, but keep the common defaults.
    """

    def changed(room: ModuleType) -> list[str]:
        pinned = json.loads(PINNED.read_text(encoding="utf-8"))[room.__name__.rpartition(".")[2]]
        now = dict(defaults_of(room))
        common = {"level": 0.95, "n_missing": 0, "unit": ""}
        found = [f"{name}: not there any more" for name in pinned if name not in now]
        for name, given in now.items():
            expected = pinned.get(name) or {key: common[key] for key in given if key in common}
            found += [
                f"{name}({key}={given.get(key)!r}), pinned {value!r}"
                for key, value in expected.items()
                if key not in given or given[key] != value or type(given[key]) is not type(value)
            ]
        return found

    return changed
