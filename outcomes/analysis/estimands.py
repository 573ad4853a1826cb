"""The estimands as contrasts of potential outcomes, before any model is chosen.

Each contrast is a signed sum of means ``E[Y(s, r)]`` over a named population. E1 is what meeting the criteria
changes; E2 compares strategies at a given reduction; E3 compares strategies in total, by a model without
reduction or anything else after the strategy; E4 is the interaction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.design import ExposureColumns
from outcomes.analysis.support import Comparable, Judged

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]
Estimand = Literal["E1", "E2", "E3", "E4"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One signed mean of potential outcomes; strategy None keeps each case's own, label None sets none."""

    sign: float
    strategy: str | None
    met: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contrast:
    """A signed sum of means of potential outcomes over one population.

    Attributes
    ----------
    estimand, groups, at
        As in :class:`outcomes.analysis.effects.Effect`.
    terms : tuple of Term
    target : ndarray of bool, shape (n,)
        Population among the modelled study's eligible cases.
    label, population : str
        What is subtracted from what, and over whom.
    """

    estimand: Estimand
    groups: tuple[str, ...]
    at: Literal["met", "not met", ""]
    terms: tuple[Term, ...]
    target: BoolArray
    label: str
    population: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Contrasts read together.

    Attributes
    ----------
    name : str
    contrasts : tuple of Contrast
    simultaneous : bool
        Whether they share one critical value: that of the largest of their correlated t statistics.
    read_with : int
        When above 0, the contrasts are part of a family of this many that come from different fits; they are read
        together by Bonferroni.
    """

    name: str
    contrasts: tuple[Contrast, ...]
    simultaneous: bool
    read_with: int = 0


def reduction_families(
    columns: ExposureColumns, strategy: ObjectArray, supported: BoolArray, judged: Judged
) -> tuple[Family, ...]:
    """E1 over all cases with support for both labels, and E1(s) over the users of each judged strategy.

    Parameters
    ----------
    columns : ExposureColumns
        Of the fitted model: a strategy without a reduction effect has no support for both labels.
    strategy : ndarray of str, shape (n,)
        Eligible cases.
    supported : ndarray of bool, shape (n,)
        Cases whose pattern was seen on both sides of the criteria.
    judged : Judged
    """
    with_effect = [name for name in columns.strategies if columns.has_effect(name)]
    target = supported & np.isin(strategy, with_effect)
    met_or_not = (Term(sign=1, strategy=None, met=1), Term(sign=-1, strategy=None, met=0))
    overall = Contrast(
        estimand="E1", groups=(), at="", terms=met_or_not, target=target, label="criteria met minus not met",
        population="eligible cases with support for both labels, each keeping its own strategy",
    )  # fmt: skip
    single = tuple(
        Contrast(
            estimand="E1", groups=(name,), at="", terms=met_or_not, target=supported & (strategy == name),
            label=f"criteria met minus not met, {name}", population=f"users of {name}",
        )
        for name in judged.strategies
        if columns.has_effect(name) and (supported & (strategy == name)).any()
    )  # fmt: skip
    families = [Family(name="E1", contrasts=(overall,), simultaneous=False)] if target.any() else []
    return (*families, Family(name="E1(s)", contrasts=single, simultaneous=False))


def strategy_families(
    judged: Judged, comparable: Mapping[tuple[str, str], Comparable], *, with_interaction: bool
) -> tuple[Family, ...]:
    """E2 at met and at not met, and E4, for every judged pair in its comparable set."""
    at_met = tuple(_pair(pair, comparable[pair], 1, "met") for pair in judged.pairs)
    poor = [pair for pair in judged.pairs if set(pair) <= set(judged.for_interaction)]
    at_not_met = tuple(_pair(pair, comparable[pair], 0, "not met") for pair in poor)
    interaction = tuple(_interaction(pair, comparable[pair]) for pair in poor) if with_interaction else ()
    return (
        Family(name="E2", contrasts=_populated(at_met), simultaneous=True),
        Family(name="E2 at not met", contrasts=_populated(at_not_met), simultaneous=True),
        Family(name="E4", contrasts=_populated(interaction), simultaneous=True),
    )


def total_family(judged: Judged, comparable: Mapping[tuple[str, str], Comparable]) -> Family:
    """E3 for every judged pair; its terms carry no label."""
    return Family(
        name="E3",
        contrasts=_populated(tuple(_pair(pair, comparable[pair], None, "") for pair in judged.pairs)),
        simultaneous=True,
    )


def _populated(contrasts: tuple[Contrast, ...]) -> tuple[Contrast, ...]:
    """Leave out pairs without any comparable case; the gates name them."""
    return tuple(contrast for contrast in contrasts if contrast.target.any())


def _population(pair: tuple[str, str], comparable: Comparable) -> str:
    """Name the population of a pair."""
    where = " in the patterns where both are used" if comparable.outside else ""
    return f"users of {pair[0]} or {pair[1]}{where}"


def _pair(
    pair: tuple[str, str], comparable: Comparable, met: float | None, at: Literal["met", "not met", ""]
) -> Contrast:
    """One strategy minus another at a given reduction, or in total."""
    first, second = pair
    where = f", criteria {at}" if at else ""
    return Contrast(
        estimand="E3" if met is None else "E2", groups=pair, at=at,
        terms=(Term(sign=1, strategy=first, met=met), Term(sign=-1, strategy=second, met=met)),
        target=comparable.cases, label=f"{first} minus {second}{where}", population=_population(pair, comparable),
    )  # fmt: skip


def _interaction(pair: tuple[str, str], comparable: Comparable) -> Contrast:
    """Effect of meeting the criteria under one strategy minus that under another."""
    first, second = pair
    terms = tuple(
        Term(sign=sign, strategy=name, met=met)
        for name, outer in ((first, 1.0), (second, -1.0))
        for met, sign in ((1.0, outer), (0.0, -outer))
    )
    return Contrast(
        estimand="E4", groups=pair, at="", terms=terms, target=comparable.cases,
        label=f"effect of meeting criteria, {first} minus {second}", population=_population(pair, comparable),
    )  # fmt: skip
