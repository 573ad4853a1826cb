"""Rules that find unlikely patterns in a series of points, each with how often it finds one where there is none."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import sample

RuleName = Literal[
    "1 beyond 3 SD", "2 of 3 beyond 2 SD", "4 of 5 beyond 1 SD", "8 on one side", "9 on one side", "6 rising or falling",
    "14 alternating", "15 within 1 SD", "8 beyond 1 SD on both sides",
]  # fmt: skip
WESTERN_ELECTRIC: tuple[RuleName, ...] = (
    "1 beyond 3 SD", "2 of 3 beyond 2 SD", "4 of 5 beyond 1 SD", "8 on one side",
)  # fmt: skip
NELSON: tuple[RuleName, ...] = (
    "1 beyond 3 SD", "9 on one side", "6 rising or falling", "14 alternating", "2 of 3 beyond 2 SD",
    "4 of 5 beyond 1 SD", "15 within 1 SD", "8 beyond 1 SD on both sides",
)  # fmt: skip
FEWEST_POINTS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSignals:
    """Points at which each rule is broken.

    Attributes
    ----------
    signals : dict of str to tuple of int
        Rule -> points, from 1; a pattern is signalled at its last point.
    centre, sd : float
    n, n_missing : int
    """

    signals: dict[str, tuple[int, ...]]
    centre: float
    sd: float
    n: int
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a rule."""
        return pd.DataFrame(
            [
                {
                    "contrast": rule,
                    "signals": len(points),
                    "first": points[0] if points else None,
                    "n": self.n,
                }
                for rule, points in self.signals.items()
            ]
        )

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        broken = "; ".join(f"{r} at point {', '.join(map(str, p))}" for r, p in self.signals.items() if p)
        return f"{len(self.signals)} rules on {self.n} points: {broken or 'none broken'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleFalseAlarms:
    """How often rules are broken when nothing is going on.

    Attributes
    ----------
    by_rule : dict of str to float
        Share of series of n points in which the rule is broken at least once.
    any_rule, error : float
        Share with at least one rule broken, and its Monte Carlo standard error.
    n, n_simulations, seed : int
    """

    by_rule: dict[str, float]
    any_rule: float
    error: float
    n: int
    n_simulations: int
    seed: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a rule, and one for any."""
        shares = self.by_rule | {"any": self.any_rule}
        return pd.DataFrame(
            [{"contrast": rule, "estimate": share, "n": self.n} for rule, share in shares.items()]
        )

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        return (
            f"in control, {self.any_rule:.3g} of series of {self.n} points break at least one of {len(self.by_rule)} "
            f"rules (Monte Carlo error {self.error:.2g})"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RunChart:
    """Longest run and crossings of a series about its centre.

    Attributes
    ----------
    centre : float
    n_useful : int
        Points that do not lie on the centre.
    longest_run, longest_allowed : int
        Signal when longer than allowed.
    crossings, fewest_allowed : int
        Signal when fewer than allowed.
    signal : bool
    false_alarm : float or None
        Exact chance that a series of fair coins gives either signal.
    n, n_missing : int
    reason : str
    """

    centre: float
    n_useful: int
    longest_run: int
    longest_allowed: int
    crossings: int
    fewest_allowed: int
    signal: bool
    false_alarm: float | None
    n: int
    n_missing: int
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row."""
        return pd.DataFrame(
            [
                {
                    "estimate": self.centre, "longest_run": self.longest_run, "longest_allowed": self.longest_allowed,
                    "crossings": self.crossings, "fewest_allowed": self.fewest_allowed, "signal": self.signal,
                    "false_alarm": self.false_alarm, "n": self.n, "n_missing": self.n_missing, "reason": self.reason,
                }
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        if self.false_alarm is None:
            return f"run chart: no judgement ({self.reason})"
        what = (
            f"longest run {self.longest_run} (at most {self.longest_allowed}), {self.crossings} crossings (at least "
            f"{self.fewest_allowed})"
        )
        found = "signal of a shift" if self.signal else "no signal of a shift"
        return f"{what} of {self.n_useful} points: {found}; false alarms in {self.false_alarm:.3g} of steady series"


def shewhart_rules(
    values: Any, *, centre: float, sd: float, rules: Sequence[RuleName] = WESTERN_ELECTRIC
) -> RuleSignals:
    """Apply named rules to points in order about a known centre and SD.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order of time; missing points are left out, counted, and the points beside them become neighbours.
    centre, sd : float
        In control; sd above 0.
    rules : sequence of str
        `WESTERN_ELECTRIC` (four) or `NELSON` (eight), or any of them.

    Returns
    -------
    RuleSignals
        "2 of 3" and "4 of 5" on one side count only when the last point is one of them.

    Raises
    ------
    EstimationError
        No points, bad centre or SD, unknown rule.

    Notes
    -----
    Sources: Western Electric. Statistical Quality Control Handbook (1956). Nelson LS. Journal of Quality Technology
    1984; 16: 237-239.

    Examples
    --------
    >>> shewhart_rules([0, 2.1, 0, 2.2, 3.5], centre=0, sd=1).signals["2 of 3 beyond 2 SD"]
    (4, 5)
    """
    points, n_missing = sample(values, "values")
    if not len(points) or not (math.isfinite(centre) and math.isfinite(sd) and sd > 0):
        raise EstimationError("give at least one point, a finite centre and an sd above 0", code="bad_value")
    names = _rules(rules)
    found = _broken((points[None, :] - centre) / sd, names)
    return RuleSignals(
        signals={rule: tuple((np.flatnonzero(found[rule][0]) + 1).tolist()) for rule in names},
        centre=float(centre), sd=float(sd), n=len(points), n_missing=n_missing,
    )  # fmt: skip


def rule_false_alarms(
    n: int, *, rules: Sequence[RuleName] = WESTERN_ELECTRIC, n_simulations: int = 10_000, seed: int = 0
) -> RuleFalseAlarms:
    """Return how often independent normal points in control break rules within n points, by simulation.

    Parameters
    ----------
    n : int
        Points of a series.
    rules, n_simulations, seed
        As for :func:`shewhart_rules`; at least 1,000 series.

    Raises
    ------
    EstimationError
        Bad counts, unknown rule.

    Notes
    -----
    With a centre and SD estimated from few points, or points that depend on one another, false alarms are more frequent.
    Champ CW, Woodall WH. Technometrics 1987; 29: 393-399 give average run lengths (91.75 for the four).

    Examples
    --------
    >>> alarms = rule_false_alarms(20, rules=["1 beyond 3 SD"], n_simulations=4000)
    >>> abs(alarms.any_rule - (1 - (1 - 0.0026998) ** 20)) < 4 * alarms.error
    True
    """
    if n < 1 or n_simulations < 1000:
        raise EstimationError("n at least 1 and n_simulations at least 1000", code="bad_count")
    names = _rules(rules)
    rng = np.random.default_rng(seed)
    hits = np.zeros(len(names) + 1)
    block = max(1, 1_000_000 // n)
    for start in range(0, n_simulations, block):
        found = _broken(rng.standard_normal((min(block, n_simulations - start), n)), names)
        each = np.stack([found[rule].any(axis=1) for rule in names])
        hits += np.append(each.sum(axis=1), each.any(axis=0).sum())
    shares = hits / n_simulations
    share = float(shares[-1])
    return RuleFalseAlarms(
        by_rule=dict(zip(names, shares[:-1].tolist(), strict=True)), any_rule=share,
        error=math.sqrt(max(share * (1 - share), 1 / n_simulations) / n_simulations), n=n,
        n_simulations=n_simulations, seed=seed,
    )  # fmt: skip


def run_chart(values: Any, *, centre: float | None = None) -> RunChart:
    """Judge a series by its longest run and its crossings of the centre.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order of time; missing points are left out and counted.
    centre : float, optional
        The median of the values for None; better, of an earlier period.

    Returns
    -------
    RunChart
        No judgement with fewer than ten points off the centre (common practice, no source).

    Raises
    ------
    EstimationError
        No points, or a centre that is not finite.

    Notes
    -----
    A run longer than round(log2 n) + 3, or fewer crossings than the 5 % quantile of the binomial of n - 1 fair coins.
    The false alarm rate is exact for fair coins; a centre that is the median of the same points makes it slightly
    lower. Sources: Anhoej J, Olesen AV. PLoS ONE 2014; 9: e113825; Chen Z. Annals of Mathematical Statistics 1978 and
    Schilling MF. College Mathematics Journal 1990; 21: 196-207 for longest runs (from memory).

    Examples
    --------
    >>> chart = run_chart([1, 2] * 10)
    >>> chart.longest_run, chart.longest_allowed, chart.crossings, chart.fewest_allowed, chart.signal
    (1, 7, 19, 6, False)
    """
    points, n_missing = sample(values, "values")
    if not len(points):
        raise EstimationError("values: no points", code="no_rows")
    if centre is not None and not math.isfinite(centre):
        raise EstimationError("centre: a finite number, or None for the median", code="bad_value")
    middle = float(np.median(points)) if centre is None else float(centre)
    side = np.sign(points - middle)
    side = side[side != 0]
    n = len(side)
    changes = np.flatnonzero(np.diff(side)) + 1
    longest = int(np.diff(np.concatenate([[0], changes, [n]])).max()) if n else 0
    allowed = round(math.log2(n)) + 3 if n else 0
    fewest = _binomial_quantile_half(0.05, n - 1) if n > 1 else 0
    enough = n >= FEWEST_POINTS
    return RunChart(
        centre=middle, n_useful=n, longest_run=longest, longest_allowed=allowed, crossings=len(changes),
        fewest_allowed=fewest, signal=enough and (longest > allowed or len(changes) < fewest),
        false_alarm=coin_false_alarm(n, allowed, fewest) if enough else None, n=len(points), n_missing=n_missing,
        reason="" if enough else f"{n} points off the centre; at least {FEWEST_POINTS} are needed",
    )  # fmt: skip


def coin_false_alarm(n: int, longest_allowed: int, fewest_allowed: int) -> float:
    """Return the exact chance that n fair coins have a longer run or fewer crossings than allowed.

    Examples
    --------
    Three coins: 2 of 8 series are one run of three, which also have no crossing.

    >>> coin_false_alarm(3, 2, 0), coin_false_alarm(3, 3, 1), coin_false_alarm(3, 3, 2)
    (0.25, 0.25, 0.75)
    """
    if longest_allowed < 1:
        return 1.0
    # [run so far - 1, crossings so far, those enough counted together]
    state = np.zeros((longest_allowed, fewest_allowed + 1))
    state[0, 0] = 1.0
    for _ in range(n - 1):
        new = np.zeros_like(state)
        new[1:] = state[:-1] / 2
        turned = state.sum(axis=0) / 2
        new[0, 1:] += turned[:-1]
        new[0, -1] += turned[-1]
        state = new
    return float(1 - state[:, -1].sum())


def _binomial_quantile_half(p: float, n: int) -> int:
    """Return the smallest count whose cumulative probability with n fair coins is at least p."""
    counts = np.arange(n + 1)
    at_most = np.append(special.betainc(n - counts[:-1], counts[:-1] + 1, 0.5), 1.0)
    return int(np.argmax(at_most >= p))


def _rules(rules: Sequence[RuleName]) -> tuple[str, ...]:
    """Return the rules, or refuse an unknown one or none."""
    if not rules:
        raise EstimationError("rules: give at least one", code="no_rules")
    for rule in rules:
        check_choice(rule, tuple(dict.fromkeys((*WESTERN_ELECTRIC, *NELSON))), "rule")
    return tuple(dict.fromkeys(rules))


def _broken(z: FloatArray, rules: Sequence[str]) -> dict[str, NDArray[np.bool_]]:
    """Return rule -> whether it is broken at each point, for series in rows."""
    rise = np.sign(np.diff(z, axis=1))
    outside = np.abs(z) > 1

    def one_side(beyond: float, need: int, window: int) -> NDArray[np.bool_]:
        up, down = z > beyond, z < -beyond
        either = [side & (_last(side, window) >= need) for side in (up, down)]
        return np.asarray(either[0] | either[1])

    def padded(found: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.concatenate([np.zeros((len(z), 1), dtype=bool), found], axis=1)

    turning = rise[:, 1:] * rise[:, :-1] < 0
    made = {
        "1 beyond 3 SD": lambda: np.abs(z) > 3,
        "2 of 3 beyond 2 SD": lambda: one_side(2, 2, 3),
        "4 of 5 beyond 1 SD": lambda: one_side(1, 4, 5),
        "8 on one side": lambda: one_side(0, 8, 8),
        "9 on one side": lambda: one_side(0, 9, 9),
        # six points are five steps; fourteen are thirteen steps with twelve turns
        "6 rising or falling": lambda: padded((_last(rise > 0, 5) >= 5) | (_last(rise < 0, 5) >= 5)),
        "14 alternating": lambda: (
            padded(padded(_last(turning, 12) >= 12)) if z.shape[1] > 2 else np.zeros_like(outside)
        ),
        "15 within 1 SD": lambda: _last(~outside, 15) >= 15,
        "8 beyond 1 SD on both sides": lambda: (
            (_last(outside, 8) >= 8) & (_last(z > 1, 8) > 0) & (_last(z < -1, 8) > 0)
        ),
    }
    return {rule: np.asarray(made[rule]()) for rule in rules}


def _last(flags: NDArray[np.bool_], window: int) -> NDArray[np.int64]:
    """Return how many of the last `window` points, this one included, are flagged."""
    total = np.cumsum(flags, axis=1)
    earlier = np.zeros_like(total)
    earlier[:, window:] = total[:, :-window]
    return np.asarray(total - earlier)
