"""Strategies in total without any covariate: the raw risk difference, with an interval made for raw counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.effects import Effect
from outcomes.analysis.estimands import Contrast, Family
from outcomes.analysis.standardisation import Cases, Reading
from outcomes.analysis.states import effect_direction, effect_state
from outcomes.estimates import Estimate
from outcomes.stats.proportions.risks import risk_difference

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def is_crude(cases: Cases, used: BoolArray) -> bool:
    """Whether nothing is adjusted for and no cluster has two cases, so that arms are plain counts."""
    return cases.X.shape[1] == 0 and len(np.unique(cases.cluster[used])) == int(used.sum())


def crude_effects(
    cases: Cases, y: FloatArray, used: BoolArray, families: Sequence[Family], reading: Reading
) -> dict[str, tuple[Effect, ...]]:
    """Compare raw risks of every pair, in percentage points.

    Newcombe's interval, because a delta-method interval of a raw difference fails at small counts. A family of several
    pairs is read together by Bonferroni: each interval at level 1 - 0.05 / number of pairs.

    Parameters
    ----------
    cases : Cases
        Without covariates (see :func:`is_crude`).
    y : ndarray of float, shape (n,)
        0, 1 or NaN.
    used : ndarray of bool, shape (n,)
    families : sequence of Family
        E3.
    reading : Reading

    Returns
    -------
    dict of family name to tuple of Effect

    Notes
    -----
    Newcombe (1998) Statistics in Medicine 17:873, method 10.
    """
    found = {}
    for family in families:
        level = 1 - 0.05 / max(family.read_with, len(family.contrasts), 1)
        found[family.name] = tuple(
            _effect(contrast, cases, y, used, reading, level) for contrast in family.contrasts
        )
    return found


def _effect(
    contrast: Contrast, cases: Cases, y: FloatArray, used: BoolArray, reading: Reading, level: float
) -> Effect:
    """Return one pair with its interval in the family and its ordinary 90 % interval."""
    counts = []
    for group in contrast.groups:
        arm = used & contrast.target & (cases.strategy == group)
        counts += [int(y[arm].sum()), int(arm.sum())]
    shown, ordinary = (_difference(counts, contrast, reading, each) for each in (level, 0.90))
    return Effect(
        estimand=contrast.estimand, groups=contrast.groups, at=contrast.at, estimate=shown, ordinary=ordinary,
        state=effect_state(shown, ordinary, reading.margin), direction=effect_direction(shown, reading.better),
        population=contrast.population,
    )  # fmt: skip


def _difference(counts: list[int], contrast: Contrast, reading: Reading, level: float) -> Estimate:
    """Return Newcombe's risk difference; in a family of several pairs the level is that of the family."""
    events1, n1, events0, n0 = counts
    found = risk_difference(
        events1, n1, events0, n0, level, contrast=contrast.label, unit="percentage points"
    )
    if level in (0.90, 0.95):
        return replace(found, method="raw risks, Newcombe")
    return replace(found, level=0.95, method="raw risks, Newcombe; simultaneous by Bonferroni")
