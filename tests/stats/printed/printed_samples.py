"""Honest samples of whole numbers with what a paper would print of them, and errors planted into it.

Everything printed is rounded from exact fractions (halves up or to even, by chance) or, for p and limits, from floats.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction

import numpy as np
from scipy import stats

from outcomes.stats.printed.granularity import grim, grimmer
from outcomes.stats.printed.percent_counts import judge_percent
from outcomes.stats.printed.printed_comparisons import judge_two_counts, judge_two_means
from outcomes.stats.printed.printed_intervals import judge_interval
from outcomes.stats.printed.printed_tests import judge_statistic
from outcomes.stats.printed.printed_text import PrintedCheck
from outcomes.stats.printed.spread_limits import judge_order, judge_sd

CHECKS = ("grim", "grimmer", "sd range", "order", "two means", "t", "interval", "percent", "two counts", "r")


def rounded(value: Fraction, decimals: int, rounding: str, root: bool = False) -> str:
    """Return a fraction, or its square root, as printed with so many decimals."""
    with localcontext() as context:
        context.prec = 50
        exact = Decimal(value.numerator) / Decimal(value.denominator)
        exact = exact.sqrt() if root else exact
    return str(exact.quantize(Decimal(1).scaleb(-decimals), rounding=rounding))


@dataclass
class Report:
    """What is printed of two groups, as the arguments of each check."""

    n: int
    decimals: int
    arguments: dict[str, tuple[tuple, dict]] = field(default_factory=dict)

    def check(self, name: str) -> PrintedCheck:
        positional, named = self.arguments[name]
        return FUNCTIONS[name](*positional, **named)


FUNCTIONS = {
    "grim": grim, "grimmer": grimmer, "sd range": judge_sd, "order": judge_order, "two means": judge_two_means,
    "t": judge_statistic, "interval": judge_interval, "percent": judge_percent, "two counts": judge_two_counts,
    "r": judge_statistic,
}  # fmt: skip


def shown_p(g: np.random.Generator, p: float) -> str:
    """Return p as some papers print it."""
    style = int(g.integers(4))
    if style == 0 and p < 0.05:
        return next(f"< {limit}" for limit in ("0.001", "0.01", "0.05") if p < float(limit))
    return f"{p:.{2 if style == 1 else 3}f}"


def reports(number: int, seed: int) -> Iterator[Report]:
    """Yield what honest authors print of two groups of whole numbers, and the numbers themselves."""
    g = np.random.default_rng(seed)
    made = 0
    while made < number:
        sizes = [int(np.exp(g.uniform(np.log(4), np.log(200)))) for _ in range(2)]
        high, items, decimals = int(g.integers(1, 101)), int(g.integers(1, 4)), int(g.integers(0, 4))
        rounding = (ROUND_HALF_UP, ROUND_HALF_EVEN)[int(g.integers(2))]
        rates = np.clip(g.uniform(0.1, 0.9) + np.array([0, g.normal(0, 0.1)]), 0.02, 0.98)
        spread = g.uniform(2, 40)
        groups = [
            g.binomial(high * items, g.beta(rate * spread, (1 - rate) * spread, n))
            for rate, n in zip(rates, sizes, strict=True)
        ]
        if any(group.min() == group.max() for group in groups):
            continue
        made += 1
        yield _report(g, groups, high, items, decimals, rounding)


def _report(
    g: np.random.Generator, groups: list[np.ndarray], high: int, items: int, decimals: int, rounding: str
) -> Report:
    n1, n0 = (group.size for group in groups)
    exact = [[Fraction(int(v), items) for v in group] for group in groups]
    means = [sum(values) / len(values) for values in exact]
    variances = [
        sum((v - m) ** 2 for v in values) / (len(values) - 1) for values, m in zip(exact, means, strict=True)
    ]
    shown_means = [rounded(m, decimals, rounding) for m in means]
    shown_sds = [rounded(v, decimals, rounding, root=True) for v in variances]
    found = Report(n=n1, decimals=decimals)
    scale = {"minimum": 0, "maximum": high, "items": items}
    found.arguments["grim"] = (shown_means[0], n1), {"items": items}
    found.arguments["grimmer"] = (shown_means[0], shown_sds[0], n1), scale
    five = [Fraction(int(q * 4), 4 * items) for q in np.quantile(groups[0], [0, 0.25, 0.5, 0.75, 1])]
    shown = [rounded(value, decimals, rounding) for value in five]
    found.arguments["sd range"] = (shown_sds[0], n1, shown[0], shown[4]), {"mean": shown_means[0]}
    names = ("minimum", "q1", "median", "q3", "maximum")
    found.arguments["order"] = (
        (),
        dict(zip(names, shown, strict=True)) | {"mean": shown_means[0], "sd": shown_sds[0]},
    )
    welch = bool(g.integers(2))
    test = stats.ttest_ind(groups[0] / items, groups[1] / items, equal_var=not welch)
    p = shown_p(g, float(test.pvalue))
    printed_means = shown_means[0], shown_sds[0], n1, shown_means[1], shown_sds[1], n0
    found.arguments["two means"] = (*printed_means, p), {}
    df = n1 + n0 - 2 if not welch else f"{test.df:.1f}"
    found.arguments["t"] = ("t", f"{test.statistic:.2f}", p), {"df": df}
    limits = test.confidence_interval(0.95)
    difference = [f"{x:.{decimals}f}" for x in (float(means[0] - means[1]), limits.low, limits.high)]
    found.arguments["interval"] = (*difference, p), {"df": float(test.df)}
    middle = int(np.median(np.concatenate(groups)))
    events = [int((group > middle).sum()) for group in groups]
    percent = rounded(Fraction(100 * events[0], n1), min(decimals, 2), rounding)
    found.arguments["percent"] = (percent, n1), {"count": events[0]}
    table = [[events[0], n1 - events[0]], [events[1], n0 - events[1]]]
    which = int(g.integers(3)) if 0 < sum(events) < n1 + n0 else 0
    p_counts = (
        stats.fisher_exact(table).pvalue if which == 0
        else stats.chi2_contingency(table, correction=which == 1).pvalue
    )  # fmt: skip
    found.arguments["two counts"] = (events[0], n1, events[1], n0, shown_p(g, float(p_counts))), {}
    r = stats.pearsonr(groups[0], groups[0] + g.normal(0, 3 * groups[0].std(), n1))
    found.arguments["r"] = ("r", f"{r.statistic:.2f}", shown_p(g, float(r.pvalue))), {"n": n1}
    return found


ERRORS = {
    "mean, last digit": "grim", "mean, last digit, with SD": "grimmer", "SD, last digit": "grimmer",
    "standard error as SD": "sd range", "standard error as SD, whole numbers": "grimmer",
    "p of means halved": "two means", "significance of means claimed": "two means", "p of t halved": "t",
    "t, first two digits swapped": "t", "sign of a limit lost": "interval", "percent of n - 1": "percent",
    "p of counts, last digit": "two counts", "r of twice n": "r",
}  # fmt: skip


def planted(g: np.random.Generator, report: Report, error: str) -> tuple[str, tuple, dict] | None:
    """Return the check and its arguments with an error planted, None where there is no room for it."""
    name = ERRORS[error]
    given, named = report.arguments[name]
    values = list(given)
    if error.startswith("mean"):
        values[0] = _nudged(g, values[0])
    elif error == "SD, last digit":
        values[1] = _nudged(g, values[1])
    elif error.startswith("standard error"):
        place = 0 if name == "sd range" else 1
        values[place] = str(
            (Decimal(values[place]) / Decimal(report.n).sqrt()).quantize(Decimal(values[place]))
        )
    elif error in ("p of means halved", "p of t halved"):
        if values[-1].startswith("<") or float(values[-1]) < 0.01:
            return None
        values[-1] = f"{float(values[-1]) / 2:.{len(values[-1]) - 2}f}"
    elif error == "significance of means claimed":
        if values[-1].startswith("<") or float(values[-1]) < 0.1:
            return None
        values[-1] = "< 0.05"
    elif error.startswith("t,"):
        digits = values[1].lstrip("-")
        if digits[1] != "." or digits[0] == digits[2]:
            return None
        values[1] = f"{digits[2]}.{digits[0]}{digits[3:]}"
    elif error == "sign of a limit lost":
        if not values[1].startswith("-") or Decimal(values[1]) == 0:
            return None
        values[1] = values[1][1:]
    elif error == "percent of n - 1":
        count = named["count"]
        if not 0 < count < report.n:
            return None
        values[0] = rounded(
            Fraction(100 * count, report.n - 1), len(values[0].partition(".")[2]), ROUND_HALF_UP
        )
    elif error.startswith("p of counts"):
        if values[-1].startswith("<") or not 0.02 < float(values[-1]) < 0.98:
            return None
        values[-1] = _nudged(g, values[-1])
    else:
        named = {"n": 2 * report.n}
        if values[-1].startswith("<") or float(values[-1]) > 0.9:
            return None
    return name, tuple(values), named


def _nudged(g: np.random.Generator, text: str) -> str:
    """Return a number with 1 to 4 units more or less in its last digit, not below 0."""
    step = Decimal(1).scaleb(Decimal(text).as_tuple().exponent)
    size = int(g.integers(1, 5)) * (1 if g.integers(2) or Decimal(text) < 5 * step else -1)
    return str(Decimal(text) + size * step)
