"""Scenarios of two and several groups: means, ranks, permutations, families of tests, margins."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from measuring import Scenario, Seen, draw_seed, happened, interval, null_test

from outcomes.estimates import Margin
from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.multiple_comparisons import games_howell, tukey_kramer
from outcomes.stats.groups.paired import paired_mean_difference, signed_rank
from outcomes.stats.groups.permutation import permutation_test
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis
from outcomes.stats.groups.stratified_ranks import van_elteren
from outcomes.stats.testing.equivalence import non_inferiority, tost
from outcomes.stats.testing.multiplicity import hochberg, holm, hommel

Made = Iterator[Seen]


def two_means(rng: np.random.Generator, sizes: tuple[int, int], spreads: tuple[float, float]) -> Made:
    """Normal values of equal means."""
    a, b = (spread * rng.standard_normal(n) for n, spread in zip(sizes, spreads, strict=True))
    yield interval("Welch", mean_difference(a, b), 0.0)
    yield interval("pooled", mean_difference(a, b, pooled=True), 0.0)
    if spreads[0] == spreads[1]:
        yield interval("Hodges-Lehmann", hodges_lehmann(a, b), 0.0)


def skewed(rng: np.random.Generator, sizes: tuple[int, int]) -> Made:
    """Exponential values, one group shifted by half a standard deviation."""
    a, b = 0.5 + rng.standard_exponential(sizes[0]), rng.standard_exponential(sizes[1])
    yield interval("Welch", mean_difference(a, b), 0.5)
    yield interval("pooled", mean_difference(a, b, pooled=True), 0.5)
    yield interval("Hodges-Lehmann", hodges_lehmann(a, b), 0.5)


def skewed_spreads(rng: np.random.Generator) -> Made:
    """Exponential values with means and standard deviations 3 and 1; the few have the larger."""
    a, b = 3 * rng.standard_exponential(15), rng.standard_exponential(45)
    yield interval("Welch", mean_difference(a, b), 2.0)


def scores(rng: np.random.Generator) -> Made:
    """Whole-number scores with many ties, no difference."""
    a, b = (np.rint(1.5 * rng.standard_normal(n)) for n in (25, 35))
    yield interval("Welch", mean_difference(a, b), 0.0)
    yield interval("Hodges-Lehmann", hodges_lehmann(a, b), 0.0)
    yield null_test(
        "permutation, 999 drawn", permutation_test(a, b, n_samples=999, seed=draw_seed(rng)).p_value
    )


def small_permutations(rng: np.random.Generator) -> Made:
    """Two of the same skewed distribution, seven and eight."""
    a, b = rng.standard_exponential(7), rng.standard_exponential(8)
    yield null_test("permutation of all arrangements", permutation_test(a, b).p_value)
    yield interval("Hodges-Lehmann, exact", hodges_lehmann(a, b), 0.0)


def pairs(rng: np.random.Generator) -> Made:
    """Differences of 24 pairs, t of 5 degrees of freedom."""
    base = rng.standard_normal(24)
    a = base + rng.standard_t(5, 24)
    yield interval("paired t", paired_mean_difference(a, base), 0.0)
    yield interval("signed rank", signed_rank(a, base), 0.0)


def strata(rng: np.random.Generator) -> Made:
    """Six strata of unequal sizes and levels, shares of the groups that follow the level; no effect within."""
    stratum = np.repeat(np.arange(6), (8, 10, 14, 18, 24, 30))
    y = 0.8 * stratum + rng.standard_exponential(len(stratum))
    first = rng.random(len(stratum)) < 0.25 + 0.08 * stratum
    a, b, of = y[first], y[~first], (stratum[first], stratum[~first])
    yield null_test("van Elteren", van_elteren(a, b, of).p_value)
    yield null_test(
        "permutation within strata",
        permutation_test(a, b, strata=of, n_samples=499, seed=draw_seed(rng)).p_value,
    )


def several(rng: np.random.Generator, spreads: tuple[float, ...]) -> Made:
    """Four groups of 12 to 30 with equal means."""
    groups = [s * rng.standard_normal(n) for s, n in zip(spreads, (30, 20, 15, 12), strict=True)]
    yield null_test("analysis of variance", one_way_anova(groups).p_value)
    yield null_test("Welch analysis of variance", welch_anova(groups).p_value)
    if spreads[0] == spreads[-1]:
        yield null_test("Kruskal-Wallis", kruskal_wallis(groups).p_value)
    for name, compared in (("Tukey-Kramer", tukey_kramer(groups)), ("Games-Howell", games_howell(groups))):
        all_held = all(e.conf_low <= 0 <= e.conf_high for e in compared.estimates)  # type: ignore[operator]
        yield happened(f"{name}: all six hold", all_held, 0.95)


MARGIN = Margin(value=0.8, unit="points", source="declared by the authors: of an invented study")


def at_the_margin(rng: np.random.Generator) -> Made:
    """Normal values whose means differ by exactly the margin."""
    a, b = MARGIN.value + rng.standard_normal(50), rng.standard_normal(60)
    upper = mean_difference(a, b, unit="points")
    yield happened("two one-sided tests, alpha 0.05", bool(tost(upper, MARGIN).shown), 0.05)
    lower = mean_difference(b, a, unit="points")
    shown = non_inferiority(lower, MARGIN, better="higher").shown
    yield happened("non-inferiority, alpha 0.025", bool(shown), 0.025)


def families(rng: np.random.Generator, correlation: float) -> Made:
    """Five outcomes of 30 against 30, none differs."""
    shared, own = rng.standard_normal((60, 1)), rng.standard_normal((60, 5))
    y = np.sqrt(correlation) * shared + np.sqrt(1 - correlation) * own
    p = [mean_difference(y[:30, j], y[30:, j]).p_value for j in range(5)]
    yield happened("unadjusted: any of five", min(p) <= 0.05, 0.05)
    for name, adjust in (("Holm", holm), ("Hochberg", hochberg), ("Hommel", hommel)):
        yield happened(f"{name}: any of five", min(adjust(p)) <= 0.05, 0.05)


def some_effects(rng: np.random.Generator) -> Made:
    """Five outcomes with correlation 0.3; two differ by a standard deviation, three do not."""
    y = np.sqrt(0.3) * rng.standard_normal((60, 1)) + np.sqrt(0.7) * rng.standard_normal((60, 5))
    y[:30, :2] += 1.0
    p = [mean_difference(y[:30, j], y[30:, j]).p_value for j in range(5)]
    for name, adjust in (("Holm", holm), ("Hochberg", hochberg)):
        yield happened(f"{name}: any of the three true nulls", min(adjust(p)[2:]) <= 0.05, 0.05)


GROUPS = "two and several groups"
TESTS = "claims and families of tests"
SCENARIOS = [
    Scenario(
        key="two normal groups", family=GROUPS, data="25 and 35, equal spread, no difference",
        make=lambda rng: two_means(rng, (25, 35), (1.0, 1.0)),
    ),
    Scenario(
        key="two normal groups, unequal spread", family=GROUPS,
        data="20 with SD 3 and 60 with SD 1, no difference",
        make=lambda rng: two_means(rng, (20, 60), (3.0, 1.0)),
    ),
    Scenario(
        key="two skewed groups", family=GROUPS, data="exponential, 30 and 30, shifted by 0.5",
        make=lambda rng: skewed(rng, (30, 30)),
    ),
    Scenario(
        key="two skewed groups, unequal size", family=GROUPS, data="exponential, 15 and 60, shifted by 0.5",
        make=lambda rng: skewed(rng, (15, 60)),
    ),
    Scenario(
        key="two skewed groups, unequal spread", family=GROUPS,
        data="exponential, 15 with SD 3 and 45 with SD 1", make=skewed_spreads,
    ),
    Scenario(key="scores with ties", family=GROUPS, data="whole numbers, SD 1.5, 25 and 35, no difference", make=scores, share=0.2),
    Scenario(
        key="two small skewed groups", family=GROUPS, data="exponential, 7 and 8, no difference",
        make=small_permutations, share=0.2,
    ),
    Scenario(key="pairs", family=GROUPS, data="24 pairs, heavy tails, no difference", make=pairs),
    Scenario(key="strata of ranks", family=GROUPS, data="104 in six strata, skewed, group depends on stratum, no effect", make=strata, share=0.2),
    Scenario(
        key="four groups", family=GROUPS, data="30, 20, 15, 12, equal spread and means",
        make=lambda rng: several(rng, (1.0, 1.0, 1.0, 1.0)), share=0.1,
    ),
    Scenario(
        key="four groups, unequal spread", family=GROUPS, data="30, 20, 15, 12 with SD 1, 1.5, 2, 3, equal means",
        make=lambda rng: several(rng, (1.0, 1.5, 2.0, 3.0)), share=0.1,
    ),
    Scenario(key="at the margin", family=TESTS, data="50 and 60, SD 1, true difference = margin = 0.8", make=at_the_margin),
    Scenario(
        key="five independent outcomes", family=TESTS, data="30 and 30, five independent outcomes, no effect",
        make=lambda rng: families(rng, 0.0),
    ),
    Scenario(
        key="five correlated outcomes", family=TESTS, data="30 and 30, five outcomes, correlation 0.6, no effect",
        make=lambda rng: families(rng, 0.6),
    ),
    Scenario(key="five outcomes, two affected", family=TESTS, data="30 and 30, correlation 0.3, two effects of 1 SD", make=some_effects),
]  # fmt: skip
