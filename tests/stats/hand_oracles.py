"""Closed forms worked out by hand, one or more for every estimator that has one; test_hand_oracles.py asks for 12 digits.

Each function returns what the package gives and what the hand gives, in this order, as pairs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Any

import numpy as np

Pairs = Sequence[tuple[Any, Any]]


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


from outcomes.stats.groups.means import mean_difference  # noqa: E402


@hand(
    "groups.means.mean_difference",
    what="Welch: means 2 and 5, variances 1 and 9, three a group: t = -3 / sqrt(10/3)",
)
def _welch() -> Pairs:
    d = mean_difference([1.0, 2.0, 3.0], [2.0, 5.0, 8.0])
    error, df = sqrt(10 / 3), (10 / 3) ** 2 / ((1 / 3) ** 2 / 2 + 9 / 2)
    return [(d.value, -3.0), (d.std_error, error), (d.df, df)]
