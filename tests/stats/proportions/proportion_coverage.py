"""Exact coverage of intervals of proportions: every possible sample with its probability.

Each coverage is worked out twice: from the limits that the package gives, and by a second road that shares no
code with it (decisions by the test that an interval inverts, own probabilities). `make_coverage.py` in
tests/reference/proportion_coverage writes the whole grid.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, norm

from outcomes.estimates import Estimate
from outcomes.stats.proportions.mid_p import mid_p_share
from outcomes.stats.proportions.risks import clopper_pearson, risk_difference, risk_ratio, wilson
from outcomes.stats.proportions.score_statistics import score_limits
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.proportions.stratified_differences import stratified_newcombe, stratified_score_difference

Array = NDArray[np.float64]
Z = float(norm.ppf(0.975))
SHARES = np.round(np.arange(0.01, 0.505, 0.01), 2)
SLACK = 1e-12  # a truth on a limit counts as held


# one proportion -------------------------------------------------------------------------------------------------
ONE: dict[str, Callable[..., Estimate]] = {
    "Wilson": wilson,
    "Clopper-Pearson": clopper_pearson,
    "mid-p": mid_p_share,
}


def one_by_limits(method: str, n: int) -> Array:
    """Coverage at every share of the grid, from the package's limits."""
    found = [ONE[method](x, n) for x in range(n + 1)]
    low, high = (np.array([getattr(e, name) for e in found]) for name in ("conf_low", "conf_high"))
    held = (low - SLACK <= SHARES[:, None]) & (SHARES[:, None] <= high + SLACK)
    return (held * binom.pmf(np.arange(n + 1), n, SHARES[:, None])).sum(axis=1)


def own_chances(n: int, p: float) -> Array:
    """Binomial chances by products, without a library's distribution."""
    log = [math.lgamma(n + 1) - math.lgamma(x + 1) - math.lgamma(n - x + 1) for x in range(n + 1)]
    return np.array([math.exp(c + x * math.log(p) + (n - x) * math.log1p(-p)) for x, c in enumerate(log)])


def one_by_test(method: str, n: int) -> Array:
    """The same, by whether the test of each share rejects."""
    made = []
    for p in SHARES.tolist():
        chance = own_chances(n, p)
        below, x = np.concatenate([[0.0], np.cumsum(chance)[:-1]]), np.arange(n + 1)
        above = 1 - below - chance
        if method == "Wilson":
            kept = np.abs(x - n * p) <= Z * math.sqrt(n * p * (1 - p)) * (1 + SLACK)
        else:
            own = chance if method == "Clopper-Pearson" else chance / 2
            kept = (below + own >= 0.025 - SLACK) & (above + own >= 0.025 - SLACK)
        made.append(float(chance[kept].sum()))
    return np.array(made)


# two proportions ------------------------------------------------------------------------------------------------
TWO = ("Newcombe", "Miettinen-Nurminen", "Mee", "Miettinen-Nurminen ratio", "Koopman ratio", "Katz ratio")
PAIRS = ((10, 10), (10, 30), (20, 20), (15, 60), (50, 50), (30, 150), (100, 100), (200, 200))
TRUTHS = [
    (p1, p0) for p1 in (0.02, 0.05, 0.1, 0.2, 0.3, 0.5) for p0 in (0.02, 0.05, 0.1, 0.2, 0.3, 0.5) if p1 >= p0
]  # fmt: skip


def both_groups(n1: int, n0: int) -> tuple[Array, Array]:
    """Every pair of events, as two flat arrays."""
    x1, x0 = np.meshgrid(np.arange(n1 + 1.0), np.arange(n0 + 1.0), indexing="ij")
    return x1.ravel(), x0.ravel()


def two_by_limits(method: str, n1: int, n0: int) -> Array:
    """Coverage of every truth, from the package's limits, among the samples that have an interval."""
    x1, x0 = both_groups(n1, n0)
    if method in ("Newcombe", "Katz ratio"):
        function = risk_difference if method == "Newcombe" else risk_ratio
        found = [function(int(a), n1, int(c), n0) for a, c in zip(x1, x0, strict=True)]
        low, high = (
            np.array([np.nan if getattr(e, name) is None else getattr(e, name) for e in found])
            for name in ("conf_low", "conf_high")
        )
    else:
        ratio = method.endswith("ratio")
        usable = (x1 + x0 > 0) | (not ratio)
        factor = 1.0 if method in ("Mee", "Koopman ratio") else (n1 + n0) / (n1 + n0 - 1)
        low, high = np.full(x1.size, 0.0 if ratio else np.nan), np.full(x1.size, np.inf)
        low[usable], high[usable] = score_limits(
            "risk ratio" if ratio else "risk difference", x1[usable], np.full(usable.sum(), float(n1)),
            x0[usable], np.full(usable.sum(), float(n0)), Z, np.full(usable.sum(), factor),
        )  # fmt: skip
    made = []
    for p1, p0 in TRUTHS:
        truth = p1 / p0 if method.endswith("ratio") else p1 - p0
        chance = np.multiply.outer(binom.pmf(range(n1 + 1), n1, p1), binom.pmf(range(n0 + 1), n0, p0)).ravel()
        held = chance[(low - SLACK <= truth) & (truth <= high + SLACK)].sum()
        made.append(float(held / chance[np.isfinite(low)].sum()))
    return np.array(made)


def own_wilson(x: Array, n: int) -> tuple[Array, Array]:
    """Wilson's limits as roots of (n + z^2) p^2 - (2 x + z^2) p + x^2 / n."""
    a, b, c = n + Z**2, 2 * x + Z**2, x**2 / n
    root = np.sqrt(np.maximum(b**2 - 4 * a * c, 0))
    return (b - root) / (2 * a), (b + root) / (2 * a)


def own_risks(x1: Array, n1: int, x0: Array, n0: int, effect: float, *, ratio: bool) -> tuple[Array, Array]:
    """Likeliest risks with a given effect, by halving the slope of the likelihood."""
    low = np.full(x1.size, 0.0 if ratio else max(0.0, -effect))
    high = np.full(x1.size, min(1.0, 1 / effect) if ratio else min(1.0, 1 - effect))
    for _ in range(60):
        p0 = (low + high) / 2
        p1 = p0 * effect if ratio else p0 + effect
        step = effect if ratio else 1.0
        with np.errstate(divide="ignore", invalid="ignore"):  # a risk may reach 0 or 1 in rounding
            slope = step * (x1 / p1 - (n1 - x1) / (1 - p1)) + x0 / p0 - (n0 - x0) / (1 - p0)
        low, high = np.where(slope > 0, p0, low), np.where(slope > 0, high, p0)
    p0 = (low + high) / 2
    return (p0 * effect if ratio else p0 + effect), p0


def two_by_test(method: str, n1: int, n0: int) -> Array:
    """The same, by the tests that the score intervals invert, or by formulas written anew."""
    x1, x0 = both_groups(n1, n0)
    made = []
    for p1, p0 in TRUTHS:
        chance = np.multiply.outer(own_chances(n1, p1), own_chances(n0, p0)).ravel()
        ratio = method.endswith("ratio")
        truth = p1 / p0 if ratio else p1 - p0
        if method == "Newcombe":
            (l1, u1), (l0, u0), d = own_wilson(x1, n1), own_wilson(x0, n0), x1 / n1 - x0 / n0
            low, high = d - np.hypot(x1 / n1 - l1, u0 - x0 / n0), d + np.hypot(u1 - x1 / n1, x0 / n0 - l0)
            kept = (low - SLACK <= truth) & (truth <= high + SLACK)
        elif method == "Katz ratio":
            usable = (x1 > 0) & (x0 > 0) & ~((x1 == n1) & (x0 == n0))
            a, c = np.where(usable, x1, 1), np.where(usable, x0, 1)
            error = np.sqrt(1 / a - 1 / n1 + 1 / c - 1 / n0)
            kept = usable & (np.abs(np.log(a / n1 / (c / n0)) - math.log(truth)) <= Z * error + SLACK)
        else:
            q1, q0 = own_risks(x1, n1, x0, n0, truth, ratio=ratio)
            gap = x1 / n1 - (truth * x0 / n0 if ratio else x0 / n0 + truth)
            variance = q1 * (1 - q1) / n1 + (truth**2 if ratio else 1) * q0 * (1 - q0) / n0
            factor = 1.0 if method in ("Mee", "Koopman ratio") else (n1 + n0) / (n1 + n0 - 1)
            kept = np.abs(gap) <= Z * np.sqrt(factor * variance) + SLACK
        there = float(chance[usable].sum()) if method == "Katz ratio" else 1.0
        made.append(float(chance[kept].sum()) / there)
    return np.array(made)


# strata ---------------------------------------------------------------------------------------------------------
STRATA = ("Sato", "Greenland-Robins", "stratified Newcombe", "stratified Miettinen-Nurminen", "odds ratio")
#: Cases of both groups in each stratum.
DESIGNS = (((6, 6), (8, 5)), ((10, 10), (10, 10)), ((4, 12), (12, 4)), ((2, 3), (3, 2), (2, 2)))
#: Risks of group 0 in the strata (repeated as needed) and the common difference.
RISKS = (((0.1, 0.3), 0.0), ((0.1, 0.3), 0.2), ((0.3, 0.5), 0.0), ((0.3, 0.5), 0.3), ((0.5, 0.7), -0.3))


def every_table(design: tuple[tuple[int, int], ...]) -> Array:
    """All outcomes of a design, shape (m, k, 2, 2)."""
    sizes = [n for pair in design for n in pair]
    grids = np.meshgrid(*(np.arange(n + 1.0) for n in sizes), indexing="ij")
    events = np.stack([grid.ravel() for grid in grids], axis=1).reshape(-1, len(design), 2)
    return np.stack([events, np.array(design, dtype=float) - events], axis=3)


def chances(tables: Array, risks: list[tuple[float, float]]) -> Array:
    """The probability of each outcome."""
    made = np.ones(len(tables))
    for i, pair in enumerate(risks):
        for g, p in enumerate(pair):
            x, n = tables[:, i, g, 0], int(tables[0, i, g].sum())
            made *= own_chances(n, p)[x.astype(int)]
    return made


def truths(design: tuple[tuple[int, int], ...]) -> list[tuple[list[tuple[float, float]], float]]:
    """Risks of both groups in each stratum, and the common difference."""
    made = []
    for base, difference in RISKS:
        risks0 = [base[i % len(base)] for i in range(len(design))]
        made.append(([(p + difference, p) for p in risks0], difference))
    return made


def odds_truths(design: tuple[tuple[int, int], ...]) -> list[tuple[list[tuple[float, float]], float]]:
    """The same with a common odds ratio."""
    made = []
    for base, _ in RISKS[::2]:
        for ratio in (1.0, 4.0):
            risks0 = [base[i % len(base)] for i in range(len(design))]
            made.append(([(ratio * p / (1 - p + ratio * p), p) for p in risks0], ratio))
    return made


def stratum_interval(method: str, tables: Array) -> tuple[float, float]:
    """Limits of the package, NaN where there are none."""
    if method == "odds ratio":
        found = mantel_haenszel(tables).odds_ratio
    elif method in ("Sato", "Greenland-Robins"):
        found = mantel_haenszel(tables, difference_variance=method).risk_difference  # type: ignore[arg-type]
    else:
        found = (stratified_newcombe if method.endswith("Newcombe") else stratified_score_difference)(tables)
    if found.conf_low is None or found.conf_high is None:
        return math.nan, math.nan
    return found.conf_low, found.conf_high


def strata_by_limits(method: str, design: tuple[tuple[int, int], ...]) -> tuple[Array, Array]:
    """Coverage of every truth among the samples that have an interval, and the chance of having one."""
    tables = every_table(design)
    low, high = np.array([stratum_interval(method, part) for part in tables]).T
    return _given_interval(method, design, tables, low, high)


def strata_by_formula(method: str, design: tuple[tuple[int, int], ...]) -> tuple[Array, Array]:
    """The same with the formulas written anew, all samples at once (Sato, Greenland-Robins, odds ratio)."""
    tables = every_table(design)
    a, b, c, d = (tables[:, :, i, j] for i in (0, 1) for j in (0, 1))
    n1, n0, n = a + b, c + d, a + b + c + d
    with np.errstate(divide="ignore", invalid="ignore"):
        if method == "odds ratio":
            r, s, p = (a * d / n).sum(1), (b * c / n).sum(1), (a + d) / n
            v = (p * a * d / n).sum(1) / (2 * r**2) + ((1 - p) * b * c / n).sum(1) / (2 * s**2)
            v += (p * b * c / n + (1 - p) * a * d / n).sum(1) / (2 * r * s)
            half, middle = Z * np.sqrt(v), np.log(r / s)
            low, high = np.exp(middle - half), np.exp(middle + half)
        else:
            w = (n1 * n0 / n).sum(1)
            middle = ((a * n0 - c * n1) / n).sum(1) / w
            if method == "Sato":
                v = middle * ((n1**2 * c - n0**2 * a + n1 * n0 * (n0 - n1) / 2) / n**2).sum(1)
                v = (v + ((a * (n0 - c) + c * (n1 - a)) / n).sum(1) / 2) / w**2
            else:
                v = ((n1 * n0 / n) ** 2 * (a * b / n1**3 + c * d / n0**3)).sum(1) / w**2
            half = np.where(v > 1e-14, Z * np.sqrt(np.maximum(v, 0)), np.nan)
            low, high = np.maximum(middle - half, -1), np.minimum(middle + half, 1)
    bad = ~(np.isfinite(low) & np.isfinite(high))
    return _given_interval(method, design, tables, np.where(bad, np.nan, low), np.where(bad, np.nan, high))


def strata_by_test(design: tuple[tuple[int, int], ...]) -> tuple[Array, Array]:
    """Coverage of the stratified score interval, by whether the test of each truth rejects."""
    tables = every_table(design)
    w = np.array([n1 * n0 / (n1 + n0) for n1, n0 in design])
    w /= w.sum()
    held = []
    for risks, truth in truths(design):
        gap, variance = np.zeros(len(tables)), np.zeros(len(tables))
        for i, (n1, n0) in enumerate(design):
            x1, x0 = tables[:, i, 0, 0], tables[:, i, 1, 0]
            q1, q0 = own_risks(x1, n1, x0, n0, truth, ratio=False)
            gap += w[i] * (x1 / n1 - x0 / n0 - truth)
            own = q1 * (1 - q1) / n1 + q0 * (1 - q0) / n0
            variance += w[i] ** 2 * own * (n1 + n0) / (n1 + n0 - 1)
        held.append(float(chances(tables, risks)[np.abs(gap) <= Z * np.sqrt(variance) + SLACK].sum()))
    return np.array(held), np.ones(len(held))


def _given_interval(
    method: str, design: tuple[tuple[int, int], ...], tables: Array, low: Array, high: Array
) -> tuple[Array, Array]:
    held, there = [], []
    for risks, truth in odds_truths(design) if method == "odds ratio" else truths(design):
        chance = chances(tables, risks)
        exists = np.isfinite(low)
        there.append(float(chance[exists].sum()))
        kept = exists & (low - SLACK <= truth) & (truth <= high + SLACK)
        held.append(float(chance[kept].sum()) / there[-1])
    return np.array(held), np.array(there)


# the page -------------------------------------------------------------------------------------------------------
def percent(value: float) -> str:
    """In percent with one decimal, cut and not rounded, so that 94.98 does not pass for 95."""
    return f"{math.floor(value * 1000 + 1e-9) / 10:.1f}"


def page_rows(found: dict) -> list[str]:
    """Return the lines of the tables of docs/validation/proportions.md."""
    lines = []
    for method, by_n in found["one"].items():
        means, least = [v[0] for v in by_n.values()], min(by_n, key=lambda n: by_n[n][1])
        later = min(v[1] for n, v in by_n.items() if int(n) >= 60)
        low = by_n[least]
        lines.append(
            f"| {method} | {percent(min(means))} to {percent(max(means))} | {percent(low[1])} "
            f"(n = {least}, p = {SHARES[low[2]]:.2f}) | {percent(later)} |"
        )
    for method, by_pair in found["two"].items():
        cells = " | ".join(f"{percent(mean)}, {percent(low)}" for mean, low, _ in by_pair.values())
        lines.append(f"| {method} | {cells} |")
    for method, by_design in found["strata"].items():
        cells = " | ".join(f"{percent(mean)}, {percent(low)}" for mean, low, *_ in by_design.values())
        lines.append(f"| {method} | {cells} | {percent(min(v[3] for v in by_design.values()))} |")
    return lines
