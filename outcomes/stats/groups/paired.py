"""Two measurements of the same cases: their mean difference, and Wilcoxon's signed ranks."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.groups.ranks import midranks
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import SMALLEST_P, complete_pairs, normal_quantile, two_sided_p
from outcomes.stats.numerics.moments import moments
from outcomes.stats.numerics.student import t_quantile

SignedRankMethod = Literal["auto", "exact", "normal"]
METHODS: tuple[SignedRankMethod, ...] = ("auto", "exact", "normal")
EXACT_BELOW = 50  # differences: with fewer, no ties and no zeros, "auto" is exact
LARGEST_PAIRED = 5_000  # differences whose pairwise means are made


def paired_mean_difference(
    a: ArrayLike,
    b: ArrayLike,
    *,
    level: float = 0.95,
    contrast: str = "a minus b",
    unit: str = "",
) -> Estimate:
    """Return the mean difference of two measurements of the same cases, with its t interval.

    Parameters
    ----------
    a, b : array_like, shape (n,)
        Both measurements of each case, in `unit`; NaN or None where missing: the case is left out and counted.
    level : float
        Confidence level.
    contrast, unit : str
        What is subtracted from what, and the unit.

    Returns
    -------
    Estimate
        Not estimable with fewer than two pairs; without limits and p when all differences are equal.

    Raises
    ------
    EstimationError
        For columns that are not numeric, hold infinite values or differ in length.

    References
    ----------
    Student. Biometrika 1908; 6: 1-25.

    Examples
    --------
    Differences 1, 2, 3: mean 2, SE 1 / sqrt(3), t = 3.464 on 2 degrees of freedom.

    >>> d = paired_mean_difference([2, 4, 6], [1, 2, 3], unit="kg")
    >>> d.value, round(d.std_error ** 2, 12), d.df
    (2.0, 0.333333333333, 2.0)
    """
    check_level(level)
    x, y, missing = complete_pairs(a, b)
    scale = max(float(np.abs(x).max(initial=0.0)), float(np.abs(y).max(initial=0.0)))
    found = moments(np.sort(x - y))
    shared: dict[str, Any] = {
        "contrast": contrast,
        "unit": unit,
        "n": found.n,
        "n_missing": missing,
        "method": "paired t",
    }
    if found.mean is None or found.variance is None:
        return Estimate.not_estimable(f"n too small: {found.n} pairs, at least 2 are needed", **shared)
    # Spread that is only rounding of the measurements themselves is none.
    if math.sqrt(found.variance) <= 8 * np.finfo(np.float64).eps * scale:
        return Estimate(
            value=found.mean, conf_low=None, conf_high=None, level=level,
            reason="all differences are equal: no interval, no p", **shared,
        )  # fmt: skip
    error, df = math.sqrt(found.variance / found.n), float(found.n - 1)
    half = float(t_quantile((1 + level) / 2, df)) * error
    return Estimate(
        value=found.mean, conf_low=found.mean - half, conf_high=found.mean + half, level=level,
        std_error=error, df=df, p_value=two_sided_p(found.mean / error, df), **shared,
    )  # fmt: skip


def signed_rank(
    a: ArrayLike,
    b: ArrayLike,
    *,
    level: float = 0.95,
    method: SignedRankMethod = "auto",
    contrast: str = "a minus b",
    unit: str = "",
) -> Estimate:
    """Return the median of the pairwise means of paired differences, with the p of Wilcoxon's signed ranks.

    Parameters
    ----------
    a, b : array_like, shape (n,)
        Both measurements of each case, in `unit`; NaN or None where missing: the case is left out and counted.
    level : float
        Confidence level; the exact interval has at least this level.
    method : {"auto", "exact", "normal"}
        "exact" needs differences without ties and zeros. "auto" is exact then and below 50 differences, else
        the normal approximation with variance corrected for ties and continuity correction; its limits
        use the variance without ties.
    contrast, unit : str
        What is subtracted from what, and the unit.

    Returns
    -------
    Estimate
        Hodges-Lehmann estimate (pseudomedian) of all differences other than 0; zeros take no part and
        `method` counts them. Limits are None with a reason when there are too few differences for the level.
        Not estimable without any difference other than 0. Differences that only the rounding of decimals tells
        apart (1.1 - 1.0 and 0.3 - 0.2) are tied, so that a change of unit changes nothing.

    Raises
    ------
    EstimationError
        For columns that are not numeric or differ in length, for "exact" with ties or zeros, and for more than
        5,000 differences, whose pairwise means would fill the memory.

    References
    ----------
    Wilcoxon F. Biometrics Bulletin 1945; 1: 80-83. Interval: Tukey, in Hollander M, Wolfe DA. Nonparametric
    Statistical Methods. Wiley 1973, section 3.3.

    Examples
    --------
    Differences 1, 2, 4, all above 0: 1 of 8 signs, twice; pairwise means 1, 1.5, 2, 2.5, 3, 4.

    >>> shift = signed_rank([2, 4, 8], [1, 2, 4], level=0.7, unit="kg")
    >>> shift.value, shift.p_value, shift.conf_low, shift.conf_high
    (2.25, 0.25, 1.0, 4.0)
    """
    check_level(level)
    check_choice(method, METHODS, "method")
    x, y, missing = complete_pairs(a, b)
    every = _levelled(x, y)
    d = every[every != 0]
    zeros, n = every.size - d.size, d.size
    shared: dict[str, Any] = {"contrast": contrast, "unit": unit, "n": every.size, "n_missing": missing}
    note = f"; {zeros} differences of 0 left out" if zeros else ""
    if n == 0:
        reason = "no pairs" if not zeros else "all differences are 0"
        return Estimate.not_estimable(reason, method="Wilcoxon signed rank", **shared)
    ranks, ties = midranks(np.abs(d))
    tied = ties.size > 0
    exact = _is_exact(n, tied or zeros > 0, method)
    w = float(ranks[d > 0].sum())
    p = _exact_p(w, n) if exact else _normal_p(w, n, ties)
    means = _pairwise_means(d)
    count = _limit_rank(n, level, exact)
    reason = "" if count else f"{n} differences are too few for an interval of level {level:g}"
    limits = (float(means[count - 1]), float(means[means.size - count])) if count else (None, None)
    if count and limits[0] == limits[1]:
        limits, reason = (None, None), "no interval: so many differences are tied that its limits coincide"
    name = "exact" if exact else "normal approximation" + (" with ties" if tied else "")
    return Estimate(
        value=float(np.median(means)), conf_low=limits[0], conf_high=limits[1], level=level,
        p_value=max(p, SMALLEST_P), method=f"Wilcoxon signed rank, {name}{note}", reason=reason, **shared,
    )  # fmt: skip


def _levelled(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the sorted differences, sizes that differ only by the rounding of the measurements made equal."""
    d = x - y
    scale = max(float(np.abs(x).max(initial=0.0)), float(np.abs(y).max(initial=0.0)))
    close = 8 * np.finfo(np.float64).eps * scale
    order = np.argsort(np.abs(d), kind="stable")
    size = np.abs(d)[order]
    size[size <= close] = 0.0
    first = np.diff(size, prepend=-np.inf) > close
    d[order] = np.copysign(size[first][np.cumsum(first) - 1], d[order]) + 0.0 if d.size else size
    return np.sort(d)


def _is_exact(n: int, tied: bool, method: SignedRankMethod) -> bool:
    """Return whether the exact distribution is used; refuse it for ties, zeros and too many differences."""
    if method == "exact" and tied:
        raise EstimationError(
            "method: 'exact' needs differences without ties and zeros; use 'normal' or 'auto'",
            code="exact_with_ties",
        )
    if method == "exact" and n > 1000:
        raise EstimationError(
            f"method: 'exact' is too large for {n} differences; use 'normal', which is close to it",
            code="exact_too_large",
        )
    return method == "exact" or (method == "auto" and not tied and n < EXACT_BELOW)


@lru_cache(maxsize=64)
def _rank_sum_chances(n: int) -> FloatArray:
    """Return P(W <= w) for w = 0 .. n (n + 1) / 2 without ties."""
    chances = np.ones(1)
    for rank in range(1, n + 1):
        longer = np.zeros(chances.size + rank)
        longer[: chances.size] = chances
        longer[rank:] += chances
        chances = longer / 2
    cumulative = np.cumsum(chances)
    cumulative.setflags(write=False)
    return cumulative


def _exact_p(w: float, n: int) -> float:
    """Return the two-sided exact p."""
    return min(1.0, 2 * float(_rank_sum_chances(n)[int(min(w, n * (n + 1) / 2 - w))]))


def _normal_p(w: float, n: int, ties: FloatArray) -> float:
    """Return the two-sided normal p with ties and continuity correction."""
    variance = n * (n + 1) * (2 * n + 1) / 24 - float((ties**3 - ties).sum()) / 48
    return two_sided_p(max(abs(w - n * (n + 1) / 4) - 0.5, 0.0) / math.sqrt(variance))


def _pairwise_means(d: FloatArray) -> FloatArray:
    """Return the means of all pairs, each with itself too, sorted."""
    if d.size > LARGEST_PAIRED:
        raise EstimationError(
            f"{d.size} differences; up to {LARGEST_PAIRED} are taken: use paired_mean_difference",
            code="too_many",
        )
    i, j = np.triu_indices(d.size)
    return np.sort((d[i] + d[j]) / 2)


def _limit_rank(n: int, level: float, exact: bool) -> int:
    """Return which smallest pairwise mean is the lower limit; 0 when there is none."""
    if exact:
        return int(np.searchsorted(_rank_sum_chances(n), (1 - level) / 2 * (1 + 1e-12), side="right"))
    spread = math.sqrt(n * (n + 1) * (2 * n + 1) / 24)
    return max(math.floor(n * (n + 1) / 4 - normal_quantile(level) * spread), 0)
