"""When did it happen, if it is only known between which two visits: Turnbull's curve of interval-censored times."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_level, cluster_codes, clusters_of
from outcomes.stats.numerics.inputs import numbers
from outcomes.stats.resampling.bootstrap import cluster_resamples
from outcomes.stats.survival.survival_times import check_horizons

KKT_TOLERANCE = 1e-8  # largest relative gain in likelihood that moving mass could still bring
MAX_ROUNDS = 200
FEWEST_RESAMPLES = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class SupportInterval:
    """An interval to which the curve gives mass; how the mass lies within it, no data can tell.

    Attributes
    ----------
    low, high : float
        After `low` and by `high`; equal for a time known exactly; `high` infinite for "not by the last visit".
    mass : float
        Share of the cases.
    """

    low: float
    high: float
    mass: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareBy:
    """The share of cases with the event by a time.

    Attributes
    ----------
    time, least, most : float
        The likelihood is the same for every share from `least` to `most`; they differ inside a support interval.
    estimate : Estimate
        Without value where `least` and `most` differ.
    """

    time: float
    least: float
    most: float
    estimate: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalCensoredCurve:
    """The nonparametric maximum likelihood estimate of interval-censored times.

    Attributes
    ----------
    support : tuple of SupportInterval
    rows : tuple of ShareBy
    log_likelihood : float
    gap : float
        Largest relative gain that moving mass could still bring; at the maximum it is 0.
    n, n_exact, n_never, n_missing : int
        Cases used, known exactly, still without event at their last visit, and left out.
    n_boot, n_failed : int
    """

    support: tuple[SupportInterval, ...]
    rows: tuple[ShareBy, ...]
    log_likelihood: float
    gap: float
    n: int
    n_exact: int
    n_never: int
    n_missing: int
    n_boot: int
    n_failed: int

    def tidy(self) -> pd.DataFrame:
        """Return one row for each chosen time with the common column names."""
        return pd.DataFrame(
            [
                {
                    "time": row.time, "contrast": e.contrast, "estimate": e.value, "least": row.least,
                    "most": row.most, "std_error": e.std_error, "conf_low": e.conf_low, "conf_high": e.conf_high,
                    "p_value": e.p_value, "n": self.n, "n_missing": self.n_missing, "reason": e.reason,
                }
                for row in self.rows
                for e in [row.estimate]
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return one sentence a time."""
        return "\n".join(str(row.estimate) for row in self.rows)


def interval_censored_curve(
    low: Any,
    high: Any,
    *,
    at: Sequence[float],
    clusters: Any = None,
    n_boot: int = 0,
    seed: int = 0,
    level: float = 0.95,
) -> IntervalCensoredCurve:
    """Return the share with the event by chosen times when each time is only known to lie in an interval.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        After `low` (last visit without the event, 0 if none) and by `high` (first visit with it, infinite if never
        seen). Equal where the time is known exactly.
    at : sequence of float
        Times.
    clusters : array_like, shape (n,), optional
        Drawn together by the bootstrap.
    n_boot : int
        Resamples for limits; 0 for none, else at least 100.
    seed : int
        Of the resamples.
    level : float
        Confidence level of the percentile limits: from the lower limit of the least to the upper one of the most.

    Returns
    -------
    IntervalCensoredCurve

    Raises
    ------
    EstimationError
        Bad input, an interval that ends before it begins, no complete row, no convergence.

    Notes
    -----
    Self-consistency (Turnbull) and constrained Newton steps (Wang) alternate until no move of mass between support
    intervals could raise the likelihood. Percentile limits have no proof here (the estimate converges at the cube
    root of n between visits); they are a guide. Sources: Turnbull BW. J R Stat Soc B 1976; 38: 290-295. Gentleman R,
    Geyer CJ. Biometrika 1994; 81: 618-623. Wang Y. J R Stat Soc B 2007; 69: 185-198.

    Examples
    --------
    By visit 1: 1 of 3; between 1 and 2: 1; not by 2: 1.

    >>> found = interval_censored_curve([0, 1, 2], [1, 2, np.inf], at=[1, 2])
    >>> [round(row.estimate.value, 9) for row in found.rows]
    [0.333333333, 0.666666667]
    """
    check_level(level)
    if n_boot and n_boot < FEWEST_RESAMPLES:
        raise EstimationError(f"n_boot is {n_boot}; give 0 or at least {FEWEST_RESAMPLES}", code="bad_count")
    chosen = check_horizons(at)
    lows, highs, used = _intervals(low, high)
    edges, inside = _support(lows, highs)
    patterns, which = np.unique(inside, axis=0, return_inverse=True)
    counts = np.bincount(which, minlength=len(patterns)).astype(np.float64)
    mass, gap = _maximise(patterns.astype(np.float64), counts)
    if gap > KKT_TOLERANCE:
        raise EstimationError(f"no convergence: a relative gain of {gap:.1e} is left", code="not_converged")
    bounds = _shares(edges, mass, chosen)
    draws: list[list[tuple[float, float]]] = []
    failed = 0
    if n_boot:
        codes = cluster_codes(clusters_of(clusters, used), len(lows))[0]
        draws, failed = _resample(patterns, which, edges, chosen, codes, n_boot, seed)
    rows = tuple(
        _share(
            t, *bounds[j], [draw[j] for draw in draws], failed, n_boot, level, len(lows), int((~used).sum())
        )
        for j, t in enumerate(chosen)
    )
    kept = [
        SupportInterval(low=float(a), high=float(b), mass=float(m))
        for (a, b), m in zip(edges, mass, strict=True)
        if m > 0
    ]
    return IntervalCensoredCurve(
        support=tuple(kept), rows=rows, log_likelihood=float(counts @ np.log(patterns @ mass)), gap=gap,
        n=len(lows), n_exact=int((lows == highs).sum()), n_never=int(np.isinf(highs).sum()),
        n_missing=int((~used).sum()), n_boot=n_boot, n_failed=failed,
    )  # fmt: skip


def _intervals(low: Any, high: Any) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return the checked limits of the complete rows, and which rows they are."""
    lows, highs = (
        numbers(values, f"{name}: every value must be a number or missing")
        for values, name in ((low, "low"), (high, "high"))
    )
    if lows.ndim != 1 or lows.shape != highs.shape or not len(lows):
        raise EstimationError(
            f"low and high have shapes {lows.shape} and {highs.shape}; give one of each for every case",
            code="bad_shape",
        )
    used = ~np.isnan(lows) & ~np.isnan(highs)
    lows, highs = lows[used], highs[used]
    if not len(lows):
        raise EstimationError(
            "no case with both limits; a time that is not yet over has high infinite", code="no_rows"
        )
    bad = (lows < 0) | np.isinf(lows) | (highs < lows)
    if bad.any():
        raise EstimationError(
            f"{int(bad.sum())} intervals begin below 0, begin at infinity or end before they begin",
            code="bad_interval",
        )
    return lows, highs, used


def _support(lows: FloatArray, highs: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the intervals that can bear mass (m, 2), and which of them each case contains (n, m)."""
    exact = lows == highs
    # at one value: an exact time opens, then every interval up to the value closes, then intervals after it open
    opening = np.column_stack([lows, np.where(exact, 0.0, 2.0)])
    closing = np.column_stack([highs, np.ones(len(highs))])
    keys, rank = np.unique(np.vstack([opening, closing]), axis=0, return_inverse=True)
    rank = rank.ravel()
    opens, closes = rank[: len(lows)], rank[len(lows) :]
    is_opening = keys[:, 1] != 1
    starts = np.flatnonzero(is_opening[:-1] & ~is_opening[1:])
    edges = np.column_stack([keys[starts, 0], keys[starts + 1, 0]])
    inside = (opens[:, None] <= starts) & (starts + 1 <= closes[:, None])
    return edges, inside


def _maximise(inside: FloatArray, counts: FloatArray) -> tuple[FloatArray, float]:
    """Return the masses and the largest relative gain left; deterministic."""
    from scipy.optimize import nnls

    n, m = counts.sum(), inside.shape[1]
    mass = np.full(m, 1.0 / m)
    gap = math.inf
    for _ in range(MAX_ROUNDS):
        for _ in range(5):
            mass = mass * (inside.T @ (counts / (inside @ mass))) / n
        share = inside @ mass
        gap = float((inside.T @ (counts / share)).max() / n - 1)
        if gap <= KKT_TOLERANCE / 10:
            break
        root = np.sqrt(counts / n)
        scaled = root[:, None] * (inside / share[:, None] - 2.0)
        target = np.append(np.zeros(len(counts)), 1.0)
        found = nnls(np.vstack([scaled, np.ones(m)]), target)[0]
        step = found / found.sum() - mass
        size, value = 1.0, float(counts @ np.log(share))
        while size > 1e-10:
            tried = inside @ (mass + size * step)
            if (tried > 0).all() and float(counts @ np.log(tried)) >= value:
                mass = np.maximum(mass + size * step, 0.0)
                break
            size /= 2
        # a little mass back on every interval whose gradient says it was dropped in error
        gradient = inside.T @ (counts / (inside @ mass)) / n
        mass = np.where((mass == 0) & (gradient > 1 + KKT_TOLERANCE / 10), 1e-6, mass)
        mass = mass / mass.sum()
    mass = np.where(mass < 1e-12, 0.0, mass)
    mass = mass / mass.sum()
    share = inside @ mass
    return mass, float((inside.T @ (counts / share)).max() / n - 1)


def _shares(edges: FloatArray, mass: FloatArray, at: Sequence[float]) -> list[tuple[float, float]]:
    """Return the least and the most share with the event by each time."""
    made = []
    for t in at:
        over = edges[:, 1] <= t
        begun = over | (edges[:, 0] < t)
        made.append((min(float(mass[over].sum()), 1.0), min(float(mass[begun].sum()), 1.0)))
    return made


def _resample(
    patterns: Any,
    which: IntArray,
    edges: FloatArray,
    at: Sequence[float],
    codes: IntArray,
    n_boot: int,
    seed: int,
) -> tuple[list[list[tuple[float, float]]], int]:
    """Return shares of every resample of clusters that converged, and how many did not."""
    draws, failed = [], 0
    for weights in cluster_resamples(codes, n_boot, seed):
        counts = np.bincount(which, weights=weights, minlength=len(patterns))
        some = counts > 0
        mass, gap = _maximise(patterns[some].astype(np.float64), counts[some].astype(np.float64))
        if gap > KKT_TOLERANCE:
            failed += 1
        else:
            draws.append(_shares(edges, mass, at))
    return draws, failed


def _share(
    at: float, least: float, most: float, draws: list[tuple[float, float]], failed: int, n_boot: int, level: float,
    n: int, n_missing: int,
) -> ShareBy:  # fmt: skip
    """Return one row, with percentile limits when there are resamples enough."""
    common: dict[str, Any] = {
        "contrast": f"event by {at:g}", "unit": "proportion", "n": n, "n_missing": n_missing,
        "method": "Turnbull" + (f", percentile bootstrap of {n_boot}" if n_boot else ""), "level": level,
    }  # fmt: skip
    low = high = None
    why = "" if n_boot else "no limits asked for"
    if n_boot and failed > 0.01 * n_boot:
        why = f"{failed} of {n_boot} resamples did not converge: no limits"
    elif n_boot:
        tail = (1 - level) / 2
        low = float(np.quantile([a for a, _ in draws], tail))
        high = float(np.quantile([b for _, b in draws], 1 - tail))
    if most - least > 1e-9:
        why = f"inside a support interval: any share from {least:.4g} to {most:.4g} fits as well"
        made = Estimate(value=None, conf_low=low, conf_high=high, reason=why, **common)
    else:
        made = Estimate(value=least, conf_low=low, conf_high=high, reason=why, **common)
    return ShareBy(time=at, least=least, most=most, estimate=made)
