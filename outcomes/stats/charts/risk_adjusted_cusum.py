"""Charts over consecutive cases of different risk: CUSUM of log likelihood ratios, observed minus expected."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_level
from outcomes.stats.numerics.inputs import normal_quantile, numbers

_BLOCK = 2_000_000  # uniforms drawn at a time


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskAdjustedCusum:
    """A CUSUM of cases in order.

    Attributes
    ----------
    weights, score : ndarray, shape (n,)
        Log likelihood ratio of each case, and the CUSUM after it, from 0 up.
    odds_ratio : float
        Of the alternative against the expected odds.
    limit : float or None
    signals : tuple of int
        Cases (from 1) at which the score reached the limit; it starts again at 0 after each.
    n : int
    """

    weights: FloatArray
    score: FloatArray
    odds_ratio: float
    limit: float | None
    signals: tuple[int, ...]
    n: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a case."""
        rows = pd.DataFrame({"case": np.arange(1, self.n + 1), "weight": self.weights, "score": self.score})
        return rows.assign(limit=self.limit, signal=rows["case"].isin(self.signals))

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        what = f"CUSUM of {self.n} cases for odds times {self.odds_ratio:g}: highest score {self.score.max():.3g}"
        if self.limit is None:
            return f"{what}; no limit given"
        found = ", ".join(map(str, self.signals)) if self.signals else "none"
        return f"{what}, limit {self.limit:.3g}; signals at case: {found}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumLimit:
    """A limit with a chosen chance of a false alarm.

    Attributes
    ----------
    limit, limit_low, limit_high : float
        Limit, and its Monte Carlo interval of 95 %.
    false_alarm : float
        Share of simulated series in control that reach the limit.
    error : float
        Monte Carlo standard error of that share.
    wanted : float
    n, n_simulations, seed : int
    odds_ratio : float
    """

    limit: float
    limit_low: float
    limit_high: float
    false_alarm: float
    error: float
    wanted: float
    n: int
    n_simulations: int
    seed: int
    odds_ratio: float

    def tidy(self) -> pd.DataFrame:
        """Return one row."""
        return pd.DataFrame(
            [
                {
                    "contrast": f"odds times {self.odds_ratio:g}", "estimate": self.limit, "conf_low": self.limit_low,
                    "conf_high": self.limit_high, "false_alarm": self.false_alarm, "std_error": self.error,
                    "n": self.n, "n_replicates": self.n_simulations,
                }
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        return (
            f"limit {self.limit:.3g} (Monte Carlo 95 % {self.limit_low:.3g} to {self.limit_high:.3g}): in control, "
            f"{self.false_alarm:.3g} of {self.n_simulations} simulated series of {self.n} cases reach it "
            f"(Monte Carlo error {self.error:.2g})"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedMinusExpected:
    """Expected less observed events, added up case by case.

    Attributes
    ----------
    difference : ndarray, shape (n,)
        Expected minus observed after each case: rises with fewer events than expected.
    band : ndarray, shape (n,)
        Half width of the pointwise band about 0 when all is as expected.
    level : float
    n : int
    """

    difference: FloatArray
    band: FloatArray
    level: float
    n: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a case."""
        return pd.DataFrame(
            {"case": np.arange(1, self.n + 1), "estimate": self.difference, "band_low": -self.band}
        ).assign(band_high=self.band)

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        end, width = float(self.difference[-1]), float(self.band[-1])
        return (
            f"after {self.n} cases {abs(end):.3g} {'fewer' if end >= 0 else 'more'} events than expected; "
            f"chance alone stays within {width:.3g} at this one case in {self.level * 100:g} % of series"
        )


def risk_adjusted_cusum(
    event: Any, expected: Any, *, odds_ratio: float = 2.0, limit: float | CusumLimit | None = None
) -> RiskAdjustedCusum:
    """Return the risk-adjusted CUSUM of cases in order, for one direction.

    Parameters
    ----------
    event : array_like of 0 and 1, shape (n,)
        In order of time.
    expected : array_like, shape (n,)
        Probability of each case when all is as expected, strictly between 0 and 1.
    odds_ratio : float
        Alternative: above 1 looks for more events, below 1 for fewer; run both for two sides.
    limit : float or CusumLimit, optional
        A score at or above it signals, and the CUSUM starts again at 0. What :func:`cusum_limit` returned for the same
        odds ratio, or its number.

    Raises
    ------
    EstimationError
        Missing or bad values, an odds ratio of 1, a limit made for another odds ratio.

    Notes
    -----
    The weight is y log R - log(1 - p + R p). Source: Steiner SH, Cook RJ, Farewell VT, Treasure T. Biostatistics 2000;
    1: 441-452.

    Examples
    --------
    Even risk and twice the odds: log(4/3) up with an event, log(2/3) down without, not below 0.

    >>> chart = risk_adjusted_cusum([0, 1, 1], [0.5, 0.5, 0.5])
    >>> chart.score.round(6).tolist(), round(math.log(4 / 3), 6)
    ([0.0, 0.287682, 0.575364], 0.287682)
    """
    y, p = _cases(event, expected)
    weights = _weights(y, p, odds_ratio)
    if isinstance(limit, CusumLimit):
        if limit.odds_ratio != float(odds_ratio):
            raise EstimationError(
                f"limit: made for an odds ratio of {limit.odds_ratio:g}, the chart is for {odds_ratio:g}; make both "
                "for the same one",
                code="bad_limit",
            )
        limit = limit.limit
    if limit is not None and not isinstance(limit, int | float | np.integer | np.floating):
        raise EstimationError("limit: a number above 0, or what cusum_limit returned", code="bad_limit")
    if limit is not None and not (math.isfinite(limit) and limit > 0):
        raise EstimationError("limit: a finite number above 0", code="bad_limit")
    score, signals, now = np.empty(len(y)), [], 0.0
    for i, weight in enumerate(weights.tolist()):
        now = max(0.0, now + weight)
        score[i] = now
        if limit is not None and now >= limit:
            signals.append(i + 1)
            now = 0.0
    return RiskAdjustedCusum(
        weights=weights,
        score=score,
        odds_ratio=float(odds_ratio),
        limit=limit,
        signals=tuple(signals),
        n=len(y),
    )


def cusum_limit(
    expected: Any,
    *,
    odds_ratio: float = 2.0,
    false_alarm: float = 0.05,
    n: int | None = None,
    n_simulations: int = 20_000,
    seed: int = 0,
) -> CusumLimit:
    """Return the limit that a CUSUM in control reaches within n cases with a chosen chance, by simulation.

    Parameters
    ----------
    expected : array_like, shape (m,)
        Probabilities of cases such as will come.
    odds_ratio : float
        As for :func:`risk_adjusted_cusum`.
    false_alarm : float
        Chance that the highest score of n cases in control reaches the limit.
    n : int, optional
        Cases, drawn from `expected` with replacement; the cases given, in their order, for None.
    n_simulations, seed : int

    Returns
    -------
    CusumLimit
        The smallest score that at most the wanted share of series reaches. Scores are discrete when all risks are
        alike, so the share can be well below.

    Raises
    ------
    EstimationError
        Bad input, fewer than 1,000 simulations.

    Notes
    -----
    The Monte Carlo interval has the scores at the binomial limits of the rank. Source: Steiner et al. 2000, section 4,
    for limits by simulation.

    Examples
    --------
    >>> found = cusum_limit([0.1] * 50, n_simulations=2_000, seed=1)
    >>> bool(found.false_alarm <= 0.05 and found.limit_low <= found.limit <= found.limit_high)
    True
    """
    _, p = _cases(np.zeros(np.shape(expected)), expected)
    check_level(1 - false_alarm)
    if n_simulations < 1000:
        raise EstimationError("n_simulations: at least 1000", code="bad_count")
    if n is not None and n < 1:
        raise EstimationError("n: at least 1 case", code="bad_count")
    _weights(p, p, odds_ratio)
    highest = np.sort(_highest_scores(p, odds_ratio, n, n_simulations, seed))
    limit = _reached_by(highest, false_alarm)
    spread = normal_quantile(0.95) * math.sqrt(false_alarm * (1 - false_alarm) / n_simulations)
    reached = float((highest >= limit).mean())
    return CusumLimit(
        limit=limit, limit_low=_reached_by(highest, min(false_alarm + spread, 0.999)),
        limit_high=_reached_by(highest, max(false_alarm - spread, 0.0)), false_alarm=reached,
        error=math.sqrt(max(reached * (1 - reached), 1 / n_simulations) / n_simulations), wanted=false_alarm,
        n=n or len(p), n_simulations=n_simulations, seed=seed, odds_ratio=float(odds_ratio),
    )  # fmt: skip


def observed_minus_expected(event: Any, expected: Any, *, level: float = 0.95) -> ObservedMinusExpected:
    """Return expected minus observed events, added up over cases in order (variable life-adjusted display).

    Parameters
    ----------
    event, expected
        As for :func:`risk_adjusted_cusum`.
    level : float
        Of the pointwise band: it is right for one case chosen beforehand, and a series that is watched all along leaves
        it far more often.

    Notes
    -----
    Band: normal quantile times the root of the sum of p (1 - p). Sources: Lovegrove J, Valencia O, Treasure T,
    Sherlaw-Johnson C, Gallivan S. Lancet 1997; 350: 1128-1130; Poloniecki J, Valencia O, Littlejohns P. BMJ 1998; 316:
    1697-1700.

    Examples
    --------
    >>> observed_minus_expected([0, 1], [0.25, 0.25]).difference.tolist()
    [0.25, -0.5]
    """
    y, p = _cases(event, expected)
    half = normal_quantile(level) * np.sqrt(np.cumsum(p * (1 - p)))
    return ObservedMinusExpected(difference=np.cumsum(p - y), band=half, level=level, n=len(y))


def _cases(event: Any, expected: Any) -> tuple[FloatArray, FloatArray]:
    """Return events and probabilities of the cases, or refuse them: a chart must not skip a case silently."""
    y, p = (
        numbers(column, f"{name}: every value must be a number; convert the column first")
        for name, column in (("event", event), ("expected", expected))
    )
    if y.ndim != 1 or y.shape != p.shape or not len(y):
        raise EstimationError(
            f"event and expected have shapes {y.shape} and {p.shape}; give one of each for at least one case",
            code="bad_shape",
        )
    bad = int((~np.isin(y, (0.0, 1.0))).sum()), int((~((p > 0) & (p < 1))).sum())
    if any(bad):
        raise EstimationError(
            f"{bad[0]} events are not 0 or 1 and {bad[1]} probabilities not strictly between 0 and 1; leave those "
            "cases out first and count them",
            code="bad_value",
        )
    return y, p


def _weights(y: FloatArray, p: FloatArray, odds_ratio: float) -> FloatArray:
    """Return the log likelihood ratio of each case."""
    if not (math.isfinite(odds_ratio) and odds_ratio > 0 and odds_ratio != 1):
        raise EstimationError("odds_ratio: finite, above 0 and not 1", code="bad_odds_ratio")
    return np.asarray(y * math.log(odds_ratio) - np.log1p((odds_ratio - 1) * p))


def _highest_scores(
    p: FloatArray, odds_ratio: float, n: int | None, n_simulations: int, seed: int
) -> FloatArray:
    """Return the highest score of every simulated series in control."""
    rng = np.random.default_rng(seed)
    length, gain = n or len(p), math.log(odds_ratio)
    done = []
    size = max(1, _BLOCK // length)
    for start in range(0, n_simulations, size):
        series = min(size, n_simulations - start)
        score, highest = np.zeros(series), np.zeros(series)
        for i in range(length):
            risk = np.full(series, p[i]) if n is None else p[rng.integers(len(p), size=series)]
            happened = rng.random(series) < risk
            score = np.maximum(0.0, score + happened * gain - np.log1p((odds_ratio - 1) * risk))
            highest = np.maximum(highest, score)
        done.append(highest)
    return np.concatenate(done)


def _reached_by(highest: FloatArray, share: float) -> float:
    """Return the smallest limit that at most a share of the sorted highest scores reaches."""
    # scores that agree within rounding are one score
    rounded = np.round(highest, 10)
    allowed = math.floor(share * len(rounded) + 1e-9)
    edge = rounded[len(rounded) - 1 - allowed]
    above = rounded[rounded > edge]
    # halfway up to the next score that occurs, or just above the highest
    return float((edge + above[0]) / 2 if len(above) else edge + 1e-6)
