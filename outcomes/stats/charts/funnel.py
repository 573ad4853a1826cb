"""Funnel limits: how far a unit's proportion or ratio may lie from a target by chance, given its size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import count_array, numbers

FunnelMethod = Literal["exact", "exact counts", "normal"]
METHODS = ("exact", "exact counts", "normal")
FEWEST_CASES = 10
PROBABILITIES = (0.001, 0.025, 0.975, 0.999)


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelLimits:
    """Limits of a funnel for units of given size.

    Attributes
    ----------
    size : ndarray, shape (u,)
        Cases (proportions) or expected events (ratios).
    target : float
    probabilities : tuple of float, length m
        Probability below each limit when the unit is on target.
    raw : ndarray, shape (u, m)
        Limits as computed; interpolation and the normal may leave the possible range.
    shown : ndarray, shape (u, m)
        The same cut to the possible range; NaN for units too small to judge.
    too_few : ndarray of bool, shape (u,)
    fewest : float
        Size below which a unit is too small.
    measure, method : str
    """

    size: FloatArray
    target: float
    probabilities: tuple[float, ...]
    raw: FloatArray
    shown: FloatArray
    too_few: Any
    fewest: float
    measure: str
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return one row for each unit and limit."""
        rows = [
            {
                "outcome": self.measure, "n": n, "probability": p, "estimate": self.target, "limit": shown,
                "raw_limit": raw, "too_few": few, "method": self.method,
            }
            for n, few, raws, showns in zip(self.size, self.too_few, self.raw, self.shown, strict=True)
            for p, raw, shown in zip(self.probabilities, raws, showns, strict=True)
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return what the limits are."""
        few = int(np.sum(self.too_few))
        return (
            f"Funnel limits of a {self.measure} about {self.target:g} ({self.method}) for {len(self.size)} units"
            + (f"; {few} with too few to judge (below {self.fewest:g})" if few else "")
        )


def proportion_funnel(
    n: Any,
    target: float,
    *,
    probabilities: Sequence[float] = PROBABILITIES,
    method: FunnelMethod = "exact",
    fewest: int = FEWEST_CASES,
) -> FunnelLimits:
    """Return funnel limits of a proportion for units of n cases.

    Parameters
    ----------
    n : array_like of int, shape (u,)
        Cases of each unit.
    target : float
        Proportion in control, strictly between 0 and 1.
    probabilities : sequence of float
        Probability below each limit; 0.025 and 0.975 are about two, 0.001 and 0.999 three standard errors.
    method : {"exact", "exact counts", "normal"}
        Binomial with interpolation between counts, which draws a smooth funnel but flags up to three times 1 - p
        above in small units (7.8 % for 2.5 %, docs/validation/charts.md); the binomial count itself, beyond which
        never more than the tail lies: take it to judge a unit; the normal approximation.
    fewest : int
        Units with fewer cases are not shown limits (common practice, no source); 0 shows all.

    Returns
    -------
    FunnelLimits

    Raises
    ------
    EstimationError
        A target or probability that is not between 0 and 1, counts that are not whole, a unit without cases.

    Notes
    -----
    Exact: with r the smallest count with P(R <= r) >= p, the limit is (r - a) / n, a = (P(R <= r) - p) / P(R = r).
    As the upper limit lies below r / n, r itself is beyond it, with chance P(R >= r) above 1 - p. "exact counts" is
    r / n: counts strictly beyond have at most the chance asked for. Source: Spiegelhalter DJ. Statistics in Medicine 2005; 24: 1185-1202, appendix A.1 (formula from memory).

    Examples
    --------
    One case, target 1/2, lower limit at p = 1/4: r = 0, P = 1/2, so (0 - (1/2 - 1/4) / (1/2)) / 1.

    >>> proportion_funnel([1], 0.5, probabilities=[0.25], fewest=0).raw.tolist()
    [[-0.5]]
    """
    check_choice(method, METHODS, "method")
    sizes = count_array(n, "n", "(units,)", 1)
    levels = _probabilities(probabilities)
    if not 0 < target < 1:
        raise EstimationError("target: a proportion strictly between 0 and 1", code="bad_target")
    if (sizes == 0).any():
        raise EstimationError(
            f"n: {int((sizes == 0).sum())} units without cases; leave them out", code="no_cases"
        )
    size, p = sizes[:, None], np.asarray(levels)[None, :]
    if method == "normal":
        raw = target + special.ndtri(p) * np.sqrt(target * (1 - target) / size)
    else:
        r = binomial_quantile(p, size, target)
        if method == "exact":
            r = r - _overshoot(_at_most(r, size, target), p, _below(r, size, target))
        raw = r / size
    return _limits(sizes, target, levels, raw, fewest, 1.0, "proportion", f"{method} binomial")


def ratio_funnel(
    expected: Any,
    target: float = 1.0,
    *,
    probabilities: Sequence[float] = PROBABILITIES,
    method: FunnelMethod = "exact",
    fewest: float = 1.0,
) -> FunnelLimits:
    """Return funnel limits of a standardised ratio (observed over expected events).

    Parameters
    ----------
    expected : array_like, shape (u,)
        Expected events of each unit, above 0, taken as known.
    target : float
        Ratio in control, above 0.
    probabilities, method
        As for :func:`proportion_funnel`; exact is Poisson with interpolation.
    fewest : float
        Units with fewer expected events are not shown limits (common practice, no source).

    Raises
    ------
    EstimationError
        Expected events or a target not above 0 and finite, bad probabilities.

    Notes
    -----
    Source: as :func:`proportion_funnel`, with the Poisson distribution.

    Examples
    --------
    Expected log 2: P(0) = 1/2, so the lower limit at p = 1/4 is -1/2 event over log 2.

    >>> round(float(ratio_funnel([math.log(2)], probabilities=[0.25], fewest=0).raw[0, 0] * math.log(2)), 12)
    -0.5
    """
    check_choice(method, METHODS, "method")
    sizes = numbers(expected, "expected: every value must be a number; convert the column first")
    levels = _probabilities(probabilities)
    if not (math.isfinite(target) and target > 0):
        raise EstimationError("target: a finite ratio above 0", code="bad_target")
    if sizes.ndim != 1 or not len(sizes) or not np.isfinite(sizes).all() or (sizes <= 0).any():
        raise EstimationError("expected: one column of finite numbers above 0", code="bad_expected")
    size, p = sizes[:, None], np.asarray(levels)[None, :]
    mean = size * target
    if method == "normal":
        raw = target + special.ndtri(p) * np.sqrt(target / size)
    else:
        r = poisson_quantile(p, mean)
        below = np.where(r > 0, special.pdtr(np.maximum(r - 1, 0), mean), 0.0)
        raw = (r - _overshoot(special.pdtr(r, mean), p, below) if method == "exact" else r) / size
    return _limits(sizes, target, levels, raw, fewest, math.inf, "standardised ratio", f"{method} Poisson")


def binomial_quantile(p: Any, n: Any, target: float) -> FloatArray:
    """Return the smallest count r with P(R <= r) >= p, searched so that rounding cannot miss it.

    Examples
    --------
    >>> float(binomial_quantile(0.5, 4, 0.5))
    2.0
    """
    p, n = np.broadcast_arrays(np.asarray(p, dtype=np.float64), np.asarray(n, dtype=np.float64))
    low, high = np.full(p.shape, -1.0), n.copy()  # P(R <= low) < p <= P(R <= high)
    while (high - low > 1).any():
        middle = np.floor((low + high) / 2)
        enough = (middle >= 0) & (_at_most(np.maximum(middle, 0), n, target) >= p)
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        # a finished cell keeps low = high - 1, because then the middle is low itself
    return np.asarray(high)


def poisson_quantile(p: Any, mean: Any) -> FloatArray:
    """Return the smallest count r with P(R <= r) >= p.

    Examples
    --------
    >>> float(poisson_quantile(0.5, 2.0))
    2.0
    """
    p, mean = np.broadcast_arrays(np.asarray(p, dtype=np.float64), np.asarray(mean, dtype=np.float64))
    low, high = np.full(p.shape, -1.0), np.ceil(mean + 40 * np.sqrt(mean) + 60)
    while (high - low > 1).any():
        middle = np.floor((low + high) / 2)
        enough = (middle >= 0) & (special.pdtr(np.maximum(middle, 0), mean) >= p)
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.asarray(high)


def _at_most(r: Any, n: Any, target: float) -> FloatArray:
    """Return P(R <= r) of the binomial distribution for 0 <= r <= n."""
    inner = special.betainc(np.maximum(n - r, 1.0), r + 1.0, 1 - target)
    return np.asarray(np.where(r >= n, 1.0, inner))


def _below(r: FloatArray, n: FloatArray, target: float) -> FloatArray:
    """Return P(R <= r - 1)."""
    return np.asarray(np.where(r > 0, _at_most(np.maximum(r - 1, 0), n, target), 0.0))


def _overshoot(at_most: FloatArray, p: FloatArray, below: FloatArray) -> FloatArray:
    """Return the share of the last count's probability that lies beyond p."""
    mass = at_most - below
    return np.asarray(np.divide(at_most - p, mass, out=np.zeros_like(mass), where=mass > 0))


def _limits(
    sizes: FloatArray, target: float, levels: tuple[float, ...], raw: FloatArray, fewest: float, top: float,
    measure: str, method: str,
) -> FunnelLimits:  # fmt: skip
    """Return the limits, cut to what is possible and hidden where too few."""
    too_few = sizes < fewest
    shown = np.clip(raw, 0.0, top)
    shown[too_few] = np.nan
    return FunnelLimits(
        size=sizes, target=float(target), probabilities=levels, raw=np.asarray(raw), shown=shown, too_few=too_few,
        fewest=float(fewest), measure=measure, method=method,
    )  # fmt: skip


def _probabilities(given: Sequence[float]) -> tuple[float, ...]:
    """Return the probabilities, or refuse them."""
    levels = tuple(float(p) for p in given)
    if not levels or any(not 0 < p < 1 for p in levels):
        raise EstimationError("probabilities: one or more, strictly between 0 and 1", code="bad_level")
    return levels
