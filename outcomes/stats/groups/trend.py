"""Trends over ordered groups: of proportions (Cochran-Armitage) and of means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import SMALLEST_P, events_of, numbers, sample, two_sided_p
from outcomes.stats.numerics.moments import Moments, moments
from outcomes.stats.numerics.student import t_quantile

TrendMethod = Literal["auto", "exact", "normal"]
METHODS: tuple[TrendMethod, ...] = ("auto", "exact", "normal")
LARGEST_EXACT = 2_000_000  # distinct sums gone through for an exact trend of proportions


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendTest:
    """A test for trend over ordered groups.

    Attributes
    ----------
    statistic : float or None
        Sum of scores of the events, or the number of pairs in which the later group is larger (ties half).
    z : float or None
        Standard deviate of the statistic, above 0 when the outcome rises with the order; None where
        `reason` says why.
    p_value : float or None
        Two-sided.
    n, n_missing, n_groups, n_empty_groups : int
    method, reason : str
    """

    statistic: float | None
    z: float | None
    p_value: float | None
    n: int
    n_missing: int
    n_groups: int
    n_empty_groups: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "statistic": self.statistic, "z": self.z, "p_value": self.p_value, "n": self.n,
            "n_missing": self.n_missing, "n_empty_groups": self.n_empty_groups, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.z is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        return f"{self.method}: z = {self.z:.4g}, p = {self.p_value:.3g}, n = {self.n}"


def cochran_armitage(
    events: Sequence[float],
    n: Sequence[float],
    *,
    scores: Sequence[float] | None = None,
    method: TrendMethod = "normal",
) -> TrendTest:
    """Test whether a proportion rises or falls over ordered groups.

    Parameters
    ----------
    events, n : sequence of int
        Events and cases of each group, in order. Empty groups take no part and are counted.
    scores : sequence of float, optional
        Place of each group; 1, 2, 3, ... otherwise.
    method : {"normal", "exact", "auto"}
        "exact" goes through all ways to deal the events to the cases; two-sided: at least as far from
        what is expected. "auto" is exact when an expected count is below 5.

    Returns
    -------
    TrendTest
        The square of z is the usual chi-squared for trend (no continuity correction). Without p when fewer
        than two groups have cases, or nobody or everybody had the event.

    Raises
    ------
    EstimationError
        For counts that are none, lengths that differ, scores that are all equal, and an exact test that is
        too large.

    References
    ----------
    Cochran WG. Biometrics 1954; 10: 417-451. Armitage P. Biometrics 1955; 11: 375-386.

    Examples
    --------
    0 of 2, 1 of 2, 2 of 2: sum 2 + 2 * 3 = 8 beside 6, variance 6 * (1/4) * (2/3), z = 2 / 1.

    >>> test = cochran_armitage([0, 1, 2], [2, 2, 2])
    >>> test.statistic, round(test.z, 12)
    (8.0, 2.0)
    """
    check_choice(method, METHODS, "method")
    if len(events) != len(n) or (scores is not None and len(scores) != len(n)):
        raise EstimationError("events, n and scores need one value for each group", code="bad_shape")
    counts = [events_of(e, size, f"group {i}") for i, (e, size) in enumerate(zip(events, n, strict=True), 1)]
    places = _places(scores, len(counts))
    kept = [i for i, (_, size) in enumerate(counts) if size]
    e = np.array([counts[i][0] for i in kept], dtype=np.float64)
    size = np.array([counts[i][1] for i in kept], dtype=np.float64)
    s, total, cases = places[kept], float(e.sum()), float(size.sum())
    shared: dict[str, Any] = {
        "n": int(cases),
        "n_missing": 0,
        "n_groups": len(kept),
        "n_empty_groups": len(counts) - len(kept),
    }
    name, reason = "Cochran-Armitage test for trend", ""
    if len(kept) < 2 or np.ptp(s) == 0:
        reason = f"{len(np.unique(s))} places with cases, 2 are needed"
    elif total in (0.0, cases):
        reason = "nobody or everybody had the event"
    if reason:
        return TrendTest(statistic=None, z=None, p_value=None, method=name, reason=reason, **shared)
    share = total / cases
    centred = s - float(size @ s) / cases
    variance = share * (1 - share) * float(size @ centred**2)
    z = float(e @ centred) / math.sqrt(variance)
    sparse = min(float(size.min()) * share, float(size.min()) * (1 - share)) < 5
    if method == "exact" or (method == "auto" and sparse):
        p, how = _exact_trend_p(e, size, centred), ", exact"
    else:
        p, how = two_sided_p(z), ""
    return TrendTest(statistic=float(e @ s), z=z, p_value=max(p, SMALLEST_P), method=name + how, **shared)


def linear_trend(
    groups: Sequence[ArrayLike],
    *,
    scores: Sequence[float] | None = None,
    pooled: bool = False,
    level: float = 0.95,
    unit: str = "",
) -> Estimate:
    """Return the slope of the group means over ordered groups.

    Parameters
    ----------
    groups : sequence of array_like
        One sample a group, in order, in `unit`; NaN or None where missing. Empty groups take no part.
    scores : sequence of float, optional
        Place of each group; 1, 2, 3, ... otherwise.
    pooled : bool
        False (default): each group has its own variance, Satterthwaite degrees of freedom. True: one common
        variance.
    level : float
        Confidence level.
    unit : str
        Unit of the outcome.

    Returns
    -------
    Estimate
        Least-squares slope through the means, every group counting the same, per unit of the scores.
        Not estimable with fewer than two groups or a group of one value (unless pooled); without limits
        and p when nothing varies within the groups.

    Raises
    ------
    EstimationError
        For samples that are not numeric, scores of another number or all equal.

    References
    ----------
    Satterthwaite FE. Biometrics Bulletin 1946; 2: 110-114. Contrasts: Scheffé H. The Analysis of
    Variance. 1959, section 3.5.

    Examples
    --------
    Means 2, 3, 5 at 1, 2, 3: slope (5 - 2) / 2.

    >>> linear_trend([[1, 3], [2, 4], [4, 6]], unit="kg").value
    1.5
    """
    check_level(level)
    cleaned = [sample(group, f"group {i + 1}") for i, group in enumerate(groups)]
    places = _places(scores, len(cleaned))
    kept = [i for i, (values, _) in enumerate(cleaned) if values.size]
    parts = [moments(np.sort(cleaned[i][0])) for i in kept]
    n, missing = sum(part.n for part in parts), sum(m for _, m in cleaned)
    method = "linear contrast of means, " + ("pooled variance" if pooled else "Satterthwaite t")
    shared: dict[str, Any] = {
        "contrast": "change a step of the order",
        "unit": unit,
        "n": n,
        "n_missing": missing,
        "method": method,
    }
    reason = _no_slope(parts, places[kept], pooled, n)
    if reason:
        return Estimate.not_estimable(reason, **shared)
    centred = places[kept] - places[kept].mean()
    weights = centred / float(centred @ centred)
    means = np.array([part.mean for part in parts], dtype=np.float64)
    value = float(weights @ (means - means[0]))
    squared, df = _slope_variance(weights, parts, pooled, n)
    if squared == 0:
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=level,
            reason="no variation within any group: no interval, no p", **shared,
        )  # fmt: skip
    error = math.sqrt(squared)
    half = float(t_quantile((1 + level) / 2, df)) * error
    return Estimate(
        value=value, conf_low=value - half, conf_high=value + half, level=level, std_error=error, df=df,
        p_value=two_sided_p(value / error, df), **shared,
    )  # fmt: skip


def _places(scores: Sequence[float] | None, k: int) -> FloatArray:
    """Return the scores of the groups, or refuse them."""
    wanted = np.arange(1.0, k + 1) if scores is None else scores
    places = numbers(wanted, "scores: every value must be a number")
    if places.shape != (k,) or not np.isfinite(places).all() or (k > 1 and np.ptp(places) == 0):
        raise EstimationError(
            f"scores: give one finite number for each of {k} groups, not all equal", code="bad_scores"
        )
    return places


def _exact_trend_p(events: FloatArray, sizes: FloatArray, centred: FloatArray) -> float:
    """Return the chance of a score sum at least as far from its mean, given the number of events."""
    seen, m = abs(float(events @ centred)), int(events.sum())
    near = 1e-9 * max(float(np.abs(centred).max()) * m, seen)
    # State: events dealt so far and their score; sums that differ by rounding only are one state.
    states: dict[tuple[int, int], tuple[float, float]] = {(0, 0): (0.0, 0.0)}
    for size, score in zip(sizes.astype(int), centred, strict=True):
        ways = special.gammaln(size + 1) - special.gammaln(np.arange(size + 1) + 1)
        ways -= special.gammaln(size - np.arange(size + 1) + 1)
        following: dict[tuple[int, int], tuple[float, float]] = {}
        for (dealt, _), (total, log_ways) in states.items():
            for here in range(min(size, m - dealt) + 1):
                reached = total + here * score
                key = (dealt + here, round(reached / near))
                old = following.get(key)
                more = log_ways + float(ways[here])
                following[key] = (reached, more if old is None else float(np.logaddexp(old[1], more)))
        states = following
        if len(states) > LARGEST_EXACT:
            raise EstimationError(
                "method: 'exact' has too many score sums; use 'normal' or scores that are whole numbers",
                code="exact_too_large",
            )
    ends = [(abs(total), log_ways) for (dealt, _), (total, log_ways) in states.items() if dealt == m]
    everything = special.logsumexp([log_ways for _, log_ways in ends])
    far = [log_ways for total, log_ways in ends if total >= seen - near]
    return min(1.0, math.exp(float(special.logsumexp(far) - everything)))


def _no_slope(parts: Sequence[Moments], places: FloatArray, pooled: bool, n: int) -> str:
    """Return why there is no slope; empty when there is one."""
    if len(parts) < 2 or np.ptp(places) == 0:
        return f"{len(np.unique(places))} places with values, 2 are needed"
    if pooled and n - len(parts) < 1:
        return f"n too small: {n} values in {len(parts)} groups leave nothing within groups"
    small = sum(part.n < 2 for part in parts)
    if not pooled and small:
        return f"n too small: {small} of {len(parts)} groups have fewer than 2 values"
    return ""


def _slope_variance(
    weights: FloatArray, parts: Sequence[Moments], pooled: bool, n: int
) -> tuple[float, float]:
    """Return the variance of a contrast of means and its degrees of freedom."""
    sizes = np.array([part.n for part in parts], dtype=np.float64)
    own = np.array([part.variance or 0.0 for part in parts])
    if pooled:
        df = float(n - len(parts))
        return float(((sizes - 1) @ own) / df * (weights**2 / sizes).sum()), df
    pieces = weights**2 * own / sizes
    total = float(pieces.sum())
    if total == 0:
        return 0.0, math.nan
    return total, 1 / float(((pieces / total) ** 2 / (sizes - 1)).sum())
