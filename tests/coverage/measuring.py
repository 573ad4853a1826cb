"""Repeat a scenario and count: how often limits hold the truth, how often a true null is rejected, how errors fit.

A scenario draws one data set and yields what one wants to know of it: an estimate beside its truth, a p-value of a true
null, or whether something happened that should happen with a known chance. Every scenario has its own stream of random
numbers, made from its key, so that adding one moves no other.
"""

from __future__ import annotations

import math
import time
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate

SEED = 20261125
FULL = 10_000
#: 94-96 % of intervals, 4-6 % of tests: a fifth of the nominal error rate, or three Monte Carlo errors if that is more.
SLACK = 0.2
#: Monte Carlo errors of the mean by which an estimate may be off, when dozens are looked at.
BIAS_BAR = 3.5
#: Error of the model over spread of the estimates: 0.95 to 1.05.
ERROR_SLACK = 0.05
KS_BAR = 0.001
ESTIMATE, TEST, CHANCE = "interval", "test", "event"


@dataclass(frozen=True, slots=True)
class Seen:
    """One thing seen in one data set; `held` and the numbers are NaN where there is none."""

    name: str
    kind: str
    held: float
    off: float = math.nan
    std_error: float = math.nan
    p_value: float = math.nan
    expected: float = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A way to make data, what is measured on them, and what is known of the measures that miss the bar.

    `share` is the part of the repetitions that a slow scenario runs.
    """

    key: str
    family: str
    data: str
    make: Callable[[np.random.Generator], Iterator[Seen]]
    share: float = 1.0


def draw_seed(rng: np.random.Generator) -> int:
    """Return a seed for a method that draws by itself."""
    return int(rng.integers(2**31))


def interval(name: str, estimate: Estimate, truth: float) -> Seen:
    """Return whether the limits hold the truth, and how far off the value is: on the log scale for ratios.

    A limit on one side only is an interval without end on the other. Where the null is true its p-value is kept.
    """
    if estimate.value is None or (estimate.conf_low is None and estimate.conf_high is None):
        return Seen(name, ESTIMATE, math.nan)
    low, high = (
        far if limit is None else limit
        for limit, far in ((estimate.conf_low, -math.inf), (estimate.conf_high, math.inf))
    )
    ratio = estimate.unit == "ratio"
    off = math.log(estimate.value / truth) if ratio else estimate.value - truth
    p = estimate.p_value if truth == (1.0 if ratio else 0.0) else None
    return Seen(
        name, ESTIMATE, float(low <= truth <= high), off,
        math.nan if estimate.std_error is None else estimate.std_error, math.nan if p is None else p,
        estimate.level,
    )  # fmt: skip


def null_test(name: str, p_value: float | None, level: float = 0.05) -> Seen:
    """Return whether a true null is rejected."""
    if p_value is None:
        return Seen(name, TEST, math.nan, expected=level)
    return Seen(name, TEST, float(p_value <= level), p_value=p_value, expected=level)


def happened(name: str, yes: bool, expected: float) -> Seen:
    """Return whether something happened that should happen with chance `expected`."""
    return Seen(name, CHANCE, float(yes), expected=expected)


def run(scenario: Scenario, repetitions: int, seed: int = SEED) -> dict[str, Any]:
    """Return what was counted over the repetitions, one entry a check."""
    n = max(1, round(repetitions * scenario.share))
    rng = np.random.default_rng([seed, zlib.crc32(scenario.key.encode())])
    seen: dict[str, list[Seen]] = {}
    refused, started = 0, time.process_time()
    for _ in range(n):
        try:
            found = list(scenario.make(rng))
        except EstimationError:  # counted, and shown on the page
            refused += 1
            continue
        for one in found:
            seen.setdefault(one.name, []).append(one)
    seconds = time.process_time() - started
    checks = [summary(name, found) for name, found in seen.items()]
    for check in checks:
        check["missed"] = missed(check)
    return {
        "key": scenario.key, "family": scenario.family, "data": scenario.data, "repetitions": n,
        "refused": refused, "seconds": round(seconds, 1), "checks": checks,
    }  # fmt: skip


def summary(name: str, found: list[Seen]) -> dict[str, Any]:
    """Return the counts and ratios of one check."""
    held, off, error, p = (
        np.array([getattr(one, part) for one in found], dtype=float)
        for part in ("held", "off", "std_error", "p_value")
    )
    there = ~np.isnan(held)
    n = int(there.sum())
    share = float(held[there].mean())
    made: dict[str, Any] = {
        "name": name, "kind": found[0].kind, "expected": found[0].expected, "n": n,
        "without": int(len(found) - n), "percent": round(100 * share, 2),
        "mc_error": round(100 * math.sqrt(share * (1 - share) / n), 2),
    }  # fmt: skip
    if found[0].kind == ESTIMATE:
        off = off[there]
        spread = float(off.std(ddof=1))
        made["bias"] = float(f"{off.mean():.3g}")
        made["spread"] = float(f"{spread:.3g}")
        made["bias_in_mc_errors"] = round(float(off.mean()) / (spread / math.sqrt(n)), 2)
        if not np.isnan(error[there]).any():
            made["error_ratio"] = round(math.sqrt(float((error[there] ** 2).mean())) / spread, 3)
    p = p[~np.isnan(p)]
    if len(p):
        made["rejected"] = round(100 * float((p <= 0.05).mean()), 2)
        made["ks_p"] = float(f"{stats.kstest(p, 'uniform').pvalue:.2g}")
    return made


def bar(expected: float, n: int) -> tuple[float, float]:
    """Return the least and the most percent: a fifth of the nominal error rate off, or three Monte Carlo errors."""
    tail = min(expected, 1 - expected)
    half = 100 * max(SLACK * tail, 3 * math.sqrt(tail * (1 - tail) / n))
    return 100 * expected - half, 100 * expected + half


def missed(check: dict[str, Any]) -> list[str]:
    """Return which bars a check misses."""
    n, found = check["n"], []
    low, high = bar(check["expected"], n)
    if not low <= check["percent"] <= high:
        found.append("too low" if check["percent"] < low else "too high")
    if abs(check.get("bias_in_mc_errors", 0.0)) > BIAS_BAR:
        found.append("bias")
    if abs(check.get("error_ratio", 1.0) - 1) > max(ERROR_SLACK, 3 / math.sqrt(2 * n)):
        found.append("error")
    low, high = bar(0.05, n)
    if check["kind"] == ESTIMATE and not low <= check.get("rejected", 5.0) <= high:
        found.append("size")
    if check.get("ks_p", 1.0) <= KS_BAR:
        found.append("p-values")
    return found
