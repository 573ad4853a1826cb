"""Closed forms worked out by hand, for every estimator that has one; test_hand_oracles.py asks for 12 digits.

Each function of the files ``hand_*.py`` returns pairs: what the package gives, what the hand gives.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

Pairs = Sequence[tuple[Any, Any]]
FILES = ("hand_means", "hand_tables", "hand_models", "hand_times")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """A closed form: the functions that it checks, what was worked out, and the pairs."""

    functions: tuple[str, ...]
    what: str
    pairs: Callable[[], Pairs]


HANDS: list[Hand] = []


def hand(*functions: str, what: str) -> Callable[[Callable[[], Pairs]], Callable[[], Pairs]]:
    """Enter a closed form into the table."""

    def enter(pairs: Callable[[], Pairs]) -> Callable[[], Pairs]:
        HANDS.append(Hand(functions=functions, what=what, pairs=pairs))
        return pairs

    return enter


def all_hands() -> list[Hand]:
    """Return the table, filled by its files."""
    for name in FILES:
        importlib.import_module(name)
    return HANDS
