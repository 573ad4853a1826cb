"""Who can be compared with whom: judged strategies and comparable sets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.effects import OutOfComparison
from outcomes.reference import load_reference

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]


def limits_of(changed: Mapping[str, float]) -> dict[str, float]:
    """Return the project's limits with the changes that a study declares.

    Examples
    --------
    >>> limits_of({"judged_met_min": 30})["judged_met_min"]
    30
    """
    shipped = {name: float(row["value"]) for name, row in load_reference("limits")["limits"].items()}
    return {**shipped, **changed}


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The strategies the strategy axis speaks for.

    Attributes
    ----------
    strategies : tuple of str
        Enough cases that met the criteria with the outcome known, in plan order.
    for_interaction : tuple of str
        Of these, also enough that did not meet them.
    not_judged : tuple of str
        Other strategies among the eligible cases, and those of the plan that no eligible case had.
    cover : float
        Share of the eligible cases that the judged strategies hold.
    """

    strategies: tuple[str, ...]
    for_interaction: tuple[str, ...]
    not_judged: tuple[str, ...]
    cover: float

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Every pair of judged strategies, in plan order."""
        return tuple(combinations(self.strategies, 2))


def judged_strategies(
    planned: tuple[str, ...],
    strategy: ObjectArray,
    met: FloatArray | None,
    has_outcome: BoolArray,
    limits: Mapping[str, float],
    *,
    n_unclear: int = 0,
) -> Judged:
    """Choose the strategies to judge, by counts only.

    Parameters
    ----------
    planned : tuple of str
        Strategies that the plan wants judged.
    strategy : ndarray of str, shape (n,)
        Eligible cases.
    met : ndarray of float, shape (n,), or None
        1 met, 0 not met, NaN indeterminate; None when reduction is not asked: every case then counts.
    has_outcome : ndarray of bool, shape (n,)
    limits : mapping
        See :func:`limits_of`.
    n_unclear : int
        Cases that would be eligible if their strategy were clear; they count among those to be covered.

    Examples
    --------
    >>> s = np.array(["plate"] * 30 + ["pins"] * 5, dtype=object)
    >>> j = judged_strategies(("plate", "pins"), s, np.ones(35), np.ones(35, bool), limits_of({}))
    >>> j.strategies, j.not_judged, round(j.cover, 3)
    (('plate',), ('pins',), 0.857)
    """
    good = has_outcome if met is None else has_outcome & (met == 1)
    poor = has_outcome if met is None else has_outcome & (met == 0)
    judged = tuple(s for s in planned if int((good & (strategy == s)).sum()) >= limits["judged_met_min"])
    both = tuple(s for s in judged if int((poor & (strategy == s)).sum()) >= limits["judged_not_met_min"])
    others = tuple(sorted({*strategy.tolist(), *planned} - set(judged)))
    cover = float(np.isin(strategy, judged).sum()) / max(len(strategy) + n_unclear, 1)
    return Judged(strategies=judged, for_interaction=both, not_judged=others, cover=cover)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparable:
    """The comparable set of one pair of strategies.

    Attributes
    ----------
    groups : tuple of str
    cases : ndarray of bool, shape (n,)
        Users of either strategy in patterns where both are supported.
    kept : float
        Share of the pair's cases that the set keeps.
    outside : tuple of OutOfComparison
    """

    groups: tuple[str, str]
    cases: BoolArray
    kept: float
    outside: tuple[OutOfComparison, ...]


def comparable_set(
    groups: tuple[str, str], strategy: ObjectArray, pattern: ObjectArray | None, limits: Mapping[str, float]
) -> Comparable:
    """Take out the fracture patterns in which one of two strategies is hardly ever used.

    Within a pattern the fitted probability of a strategy is its share of the pattern's cases: a model with
    pattern indicators reproduces that share exactly.

    Examples
    --------
    >>> s = np.array(["plate", "pins", "plate", "plate"], dtype=object)
    >>> p = np.array(["bending", "bending", "rim shear", "rim shear"], dtype=object)
    >>> found = comparable_set(("plate", "pins"), s, p, limits_of({}))
    >>> found.kept, found.outside[0].pattern, found.outside[0].why
    (0.5, 'rim shear', 'pins never used')
    """
    users = np.isin(strategy, groups)
    if pattern is None or not users.any():
        return Comparable(groups=groups, cases=users, kept=1.0, outside=())
    cases = users.copy()
    outside = []
    for name in sorted(set(pattern.tolist())):
        here = pattern == name
        shares = [float((strategy[here] == group).mean()) for group in groups]
        lacking = [
            group for group, share in zip(groups, shares, strict=True) if share < limits["propensity_min"]
        ]
        if lacking and (here & users).any():
            share = min(shares)
            why = " and ".join(lacking) + (
                " never used" if share == 0 else f" used in {share * 100:.1f} % of cases"
            )
            outside.append(
                OutOfComparison(groups=groups, pattern=name, n_cases=int((here & users).sum()), why=why)
            )
            cases &= ~here
    return Comparable(
        groups=groups, cases=cases, kept=float(cases.sum() / users.sum()), outside=tuple(outside)
    )
