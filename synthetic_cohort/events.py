"""Complications, planned removals and what followed from them.

Up to four events a case, written into the slots in order of date:

=====================  ==========================================================================
layer                  equation
=====================  ==========================================================================
planned removal        wires at about 6 weeks, fixators at about 8, a fixator added to a plate at
                       3-4 weeks (common practice, no source), spanning plates at about 18 weeks;
                       a planned stage (reason *planned*), not a complication and not a reoperation
complication           probability from :mod:`synthetic_cohort.function`; kind by strategy; after the
                       film that defines the reduction
consequence            a reoperation for that complication (22 %), the reason being its kind, or a
                       second complication (6 %); only where the reduction held
reduction              *loss of reduction* at 1-5 weeks where it was lost, otherwise *malunion* at
                       4-6 months with a probability of the label (20 % not met, 2 % met)
its treatment          after a loss: conversion of a cast (55 %), reoperation otherwise (35 %), both
                       with the reason loss of reduction; after a malunion: osteotomy (12 %), reason
                       malunion
=====================  ==========================================================================

In the demo the reason of 8 % of the operations is not recorded. Non-union is left out as too rare to show. Everything is invented.
"""

from __future__ import annotations

import numpy as np

from synthetic_cohort import levels
from synthetic_cohort.levels import EVENT_SLOTS, Bools, Floats, Ints, Variables
from synthetic_cohort.scenarios import Scenario

REMOVAL: dict[str, tuple[float, float, float]] = {
    levels.PINS: (0.95, 42.0, 4.0),
    levels.FIXATOR: (1.0, 58.0, 6.0),
    levels.FIXATOR_ALONE: (1.0, 58.0, 6.0),
    levels.NON_BRIDGING: (1.0, 56.0, 6.0),
    levels.NON_BRIDGING_ALONE: (1.0, 56.0, 6.0),
    levels.SPANNING: (1.0, 126.0, 14.0),
    levels.COMBINED: (0.5, 25.0, 2.0),
}
"""Probability, mean day and SD of the planned removal; for combined it follows the record."""

KINDS = (
    "carpal tunnel syndrome",
    "superficial radial nerve irritation",
    "tendon irritation",
    "tendon rupture",
    "pin site infection",
    "superficial infection",
    "deep infection",
    "complex regional pain syndrome",
    "stiffness",
    "hardware prominence",
)
KIND_SEVERITY = np.array([2, 1, 1, 3, 2, 2, 3, 3, 1, 1])
KIND_WEIGHTS: dict[str, tuple[float, ...]] = {
    "plate": (5, 1, 5, 2, 0, 2, 0.7, 2, 3, 4),
    "external": (2, 4, 1, 0.5, 8, 1, 0.7, 3, 3, 0),
    "cast": (5, 2, 0.5, 1.5, 0, 0.3, 0, 3, 5, 0),
}
EXTERNAL = frozenset(
    (levels.PINS, levels.FIXATOR, levels.FIXATOR_ALONE, levels.NON_BRIDGING, levels.NON_BRIDGING_ALONE)
)
LAYERS = 5
WIRES_OUT, FIXATOR_OUT, PLATE_OUT = (
    "removal of wires",
    "removal of external fixator",
    "removal of spanning plate",
)
REMOVALS = (WIRES_OUT, FIXATOR_OUT, PLATE_OUT)
LOSS, MALUNION, PLANNED = "loss of reduction", "malunion", "planned"
CONVERSION, REOPERATION, OSTEOTOMY = "conversion", "reoperation", "corrective osteotomy"
TOKENS = np.array(
    [*KINDS, *REMOVALS, LOSS, MALUNION, CONVERSION, REOPERATION, OSTEOTOMY, PLANNED, None], dtype=object
)
NONE = len(TOKENS) - 1
CODE = {name: code for code, name in enumerate(TOKENS[:-1])}
MALUNION_RISK = (0.20, 0.02)
"""Probability of a malunion, not met and met, where the reduction was not lost."""


def reduction_linked_risk(met: Bools, lost: Bools) -> Floats:
    """Return the probability of a loss of reduction or a malunion."""
    malunion = np.where(met, MALUNION_RISK[1], MALUNION_RISK[0])
    return np.asarray(np.where(lost, 1.0, malunion), dtype=np.float64)


def _removal_of(strategy: str) -> str:
    """Return what is taken out by plan after a strategy."""
    if strategy == levels.PINS:
        return WIRES_OUT
    return PLATE_OUT if strategy == levels.SPANNING else FIXATOR_OUT


def _kind(strategy: Ints, scenario: Scenario, u: Floats) -> Ints:
    """Draw the kind of complication by strategy, from uniform numbers."""
    weights = []
    for name in scenario.strategies:
        group = "external" if name in EXTERNAL else "cast" if name == levels.CAST else "plate"
        weights.append(np.cumsum(KIND_WEIGHTS[group]) / np.sum(KIND_WEIGHTS[group]))
    return np.asarray((u[:, None] > np.array(weights)[strategy]).sum(axis=1), dtype=np.int64)


def draw_events(
    strategy: Ints,
    scenario: Scenario,
    *,
    treated: Ints,
    filmed: Ints,
    temporary: Bools,
    complication: Bools,
    met: Bools,
    lost: Bools,
    rng: np.random.Generator,
) -> Variables:
    """Draw the events of each case.

    Parameters
    ----------
    strategy : array (n,) of int
    scenario : Scenario
    treated, filmed : array (n,) of int
        Days (since 1970) of the index strategy and of the film that defines the reduction.
    temporary : array (n,) of bool
        A fixator was added to a plate for a time.
    complication, met, lost : array (n,) of bool
    rng : numpy.random.Generator

    Returns
    -------
    dict of arrays
        ``kind``, ``reason`` (codes into :data:`TOKENS`), ``day`` and ``severity`` (NaN where there is
        none), each (n, 4) and in order of date.
    """
    n = len(strategy)
    shape = (n, LAYERS)
    kind, reason = np.full(shape, NONE), np.full(shape, NONE)
    day, grade = np.full(shape, np.nan), np.full(shape, np.nan)

    plan = np.array([REMOVAL.get(name, (0.0, 0.0, 0.0)) for name in scenario.strategies])[strategy]
    combined = np.isin(strategy, [i for i, s in enumerate(scenario.strategies) if s == levels.COMBINED])
    removed = np.where(combined, temporary, rng.random(n) < plan[:, 0])
    when = treated + np.round(plan[:, 1] + plan[:, 2] * np.clip(rng.normal(size=n), -2.5, 2.5))
    what = np.array([CODE[_removal_of(name)] for name in scenario.strategies])[strategy]
    kind[removed, 0], day[removed, 0], reason[removed, 0] = what[removed], when[removed], CODE[PLANNED]

    first = _kind(strategy, scenario, rng.random(n))
    when = filmed + 1.0 + np.floor(np.minimum(rng.gamma(1.5, 50.0, n), 300.0))
    kind[complication, 1], day[complication, 1] = first[complication], when[complication]
    grade[complication, 1] = np.minimum(KIND_SEVERITY[first] + (rng.random(n) < 0.1), 5)[complication]

    malunion = ~lost & (rng.random(n) < np.where(met, MALUNION_RISK[1], MALUNION_RISK[0]))
    held, chance = complication & ~lost & ~malunion, rng.random(n)
    redo, again = held & (chance < 0.22), held & (chance > 0.94)
    later = when + 14.0 + np.floor(rng.random(n) * 50.0)
    kind[redo, 2], reason[redo, 2], grade[redo, 2] = CODE[REOPERATION], first[redo], 3
    second = (first + 3) % len(KINDS)
    kind[again, 2], grade[again, 2] = second[again], KIND_SEVERITY[second][again]
    day[redo | again, 2] = later[redo | again]

    kind[lost, 3], grade[lost, 3] = CODE[LOSS], 2
    kind[malunion, 3], grade[malunion, 3] = CODE[MALUNION], 2
    when = np.where(
        lost, filmed + 7 + np.floor(rng.random(n) * 28), treated + 120 + np.floor(rng.random(n) * 60)
    )
    day[lost | malunion, 3] = when[lost | malunion]

    cast = np.isin(strategy, [i for i, s in enumerate(scenario.strategies) if s == levels.CAST])
    chance = rng.random(n)
    convert, redo = lost & cast & (chance < 0.55), lost & ~cast & (chance < 0.35)
    osteotomy = malunion & (chance < 0.12)
    for which, code, why in (
        (convert, CONVERSION, LOSS),
        (redo, REOPERATION, LOSS),
        (osteotomy, OSTEOTOMY, MALUNION),
    ):
        kind[which, 4], reason[which, 4], grade[which, 4] = CODE[code], CODE[why], 3
    treated_again = convert | redo | osteotomy
    day[treated_again, 4] = (when + 3.0 + np.floor(rng.random(n) * 18.0))[treated_again]

    if scenario.missing_film:  # a department that loses films also loses reasons
        operated = np.isin(kind, [CODE[CONVERSION], CODE[REOPERATION], CODE[OSTEOTOMY]])
        reason[operated & (rng.random(shape) < 0.08)] = NONE
    order = np.argsort(day, axis=1, kind="stable")  # NaN, which is no event, goes last
    return {
        name: np.take_along_axis(values, order, axis=1)[:, :EVENT_SLOTS]
        for name, values in (("kind", kind), ("reason", reason), ("day", day), ("severity", grade))
    }
