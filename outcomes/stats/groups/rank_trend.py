"""Trend of ranks over ordered groups: the Jonckheere-Terpstra test."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.stats.groups.ranks import pair_count_chances
from outcomes.stats.groups.trend import METHODS, TrendMethod, TrendTest
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import SMALLEST_P, sample, two_sided_p

EXACT_UP_TO = 100  # cases: with so few and no ties, "auto" is exact
LARGEST_EXACT = 300  # cases: more would take minutes


def jonckheere_terpstra(groups: Sequence[ArrayLike], *, method: TrendMethod = "auto") -> TrendTest:
    """Test whether values tend to rise or fall over ordered groups, by ranks.

    Parameters
    ----------
    groups : sequence of array_like
        One sample a group, in order; NaN or None where missing. Empty groups take no part.
    method : {"auto", "exact", "normal"}
        "exact" needs data without ties. "auto" is exact up to 100 cases without ties, else the normal
        approximation with variance corrected for ties, without continuity correction.

    Returns
    -------
    TrendTest
        Without p when fewer than two groups have values or all values are equal.

    Raises
    ------
    EstimationError
        For samples that are not numeric, and for "exact" with ties or above 300 cases.

    References
    ----------
    Jonckheere AR. Biometrika 1954; 41: 133-145. Terpstra TJ. Indagationes Mathematicae 1952; 14: 327-333.
    Ties: Hollander M, Wolfe DA. Nonparametric Statistical Methods. 2nd ed. 1999, section 6.2.

    Examples
    --------
    Three groups of one, in order: 1 of 6 orders, twice for two sides.

    >>> test = jonckheere_terpstra([[1], [2], [3]])
    >>> test.statistic, round(test.p_value, 12)
    (3.0, 0.333333333333)
    """
    check_choice(method, METHODS, "method")
    cleaned = [sample(group, f"group {i + 1}") for i, group in enumerate(groups)]
    present = [values for values, _ in cleaned if values.size]
    sizes = np.array([values.size for values in present], dtype=np.float64)
    n, name = int(sizes.sum()), "Jonckheere-Terpstra test for trend"
    shared: dict[str, Any] = {
        "n": n, "n_missing": sum(missing for _, missing in cleaned), "n_groups": len(present),
        "n_empty_groups": len(cleaned) - len(present),
    }  # fmt: skip
    both = np.concatenate(present) if present else np.zeros(0)
    if len(present) < 2 or both.min() == both.max():
        reason = (
            f"{len(present)} groups with values, 2 are needed"
            if len(present) < 2
            else "no variation: all values are equal"
        )
        return TrendTest(statistic=None, z=None, p_value=None, method=name, reason=reason, **shared)
    ties = np.unique(both, return_counts=True)[1].astype(np.float64)
    tied = bool((ties > 1).any())
    if method == "exact" and tied:
        raise EstimationError(
            "method: 'exact' needs values without ties; use 'normal' or 'auto'", code="exact_with_ties"
        )
    j = _pairs_rising(present)
    z = (j - (n**2 - float(sizes @ sizes)) / 4) / math.sqrt(_rank_trend_variance(sizes, ties, n))
    if method == "exact" or (method == "auto" and not tied and n <= EXACT_UP_TO):
        p, how = _exact_rank_trend_p(j, sizes), ", exact"
    else:
        p, how = two_sided_p(z), ", normal approximation" + (" with ties" if tied else "")
    return TrendTest(statistic=j, z=z, p_value=max(p, SMALLEST_P), method=name + how, **shared)


def _pairs_rising(groups: Sequence[FloatArray]) -> float:
    """Return the number of pairs in which the value of the later group is larger, ties counting half."""
    total = 0.0
    before = np.sort(groups[0])
    for values in groups[1:]:
        smaller = np.searchsorted(before, values, side="left").sum()
        not_larger = np.searchsorted(before, values, side="right").sum()
        total += (float(smaller) + float(not_larger)) / 2
        before = np.sort(np.concatenate([before, values]))
    return total


def _rank_trend_variance(sizes: FloatArray, ties: FloatArray, n: int) -> float:
    """Return the variance of the number of rising pairs, given the tied sets."""

    def two(x: FloatArray) -> float:
        return float((x * (x - 1)).sum())

    def three(x: FloatArray) -> float:
        return float((x * (x - 1) * (x - 2)).sum())

    def five(x: FloatArray) -> float:
        return float((x * (x - 1) * (2 * x + 5)).sum())

    variance = (five(np.array([float(n)])) - five(sizes) - five(ties)) / 72
    if n > 2:
        variance += three(sizes) * three(ties) / (36 * n * (n - 1) * (n - 2))
    return variance + two(sizes) * two(ties) / (8 * n * (n - 1))


def _exact_rank_trend_p(j: float, sizes: FloatArray) -> float:
    """Return the two-sided exact p: the statistic is a sum of independent counts of smaller predecessors."""
    if float(sizes.sum()) > LARGEST_EXACT:
        raise EstimationError(
            f"method: 'exact' takes up to {LARGEST_EXACT} cases; use 'normal', which is close to it",
            code="exact_too_large",
        )
    chances = np.ones(1)
    before = int(sizes[0])
    for size in sizes[1:].astype(int):
        chances = np.convolve(chances, pair_count_chances(before, int(size)))
        before += size
    count = int(min(j, chances.size - 1 - j))
    return min(1.0, 2 * float(chances[: count + 1].sum()))
