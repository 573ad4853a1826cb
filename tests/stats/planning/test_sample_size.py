"""Sample size, power and precision: simulated where formulas are approximate, inverses, laws, edges, refusals."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import special, stats

from outcomes.errors import EstimationError
from outcomes.stats.planning.margin_planning import tost_power
from outcomes.stats.planning.plans import smallest
from outcomes.stats.planning.precision import (
    precision_of_agreement_limits,
    precision_of_icc,
    precision_of_mean,
    precision_of_mean_difference,
    precision_of_proportion,
    precision_of_risk_difference,
)
from outcomes.stats.planning.sample_size_clusters import design_effect, inflate
from outcomes.stats.planning.sample_size_interaction import (
    detectable_interaction_means,
    power_interaction_means,
    power_interaction_proportions,
    size_interaction_means,
    size_interaction_proportions,
)
from outcomes.stats.planning.sample_size_margins import (
    power_equivalence_means,
    power_non_inferiority_means,
    size_equivalence_means,
    size_non_inferiority_means,
)
from outcomes.stats.planning.sample_size_means import (
    detectable_paired_means,
    detectable_two_means,
    power_of_shift,
    power_paired_means,
    power_two_means,
    size_paired_means,
    size_two_means,
)
from outcomes.stats.planning.sample_size_proportions import (
    detectable_two_proportions,
    exact_power,
    power_two_proportions,
    size_two_proportions,
)
from outcomes.stats.planning.sample_size_share_margins import (
    power_equivalence_proportions,
    power_non_inferiority_proportions,
    size_equivalence_proportions,
    size_non_inferiority_proportions,
)
from outcomes.stats.planning.sample_size_survival import (
    detectable_hazard_ratio,
    events_for_hazard_ratio,
    power_survival,
    share_with_event,
    size_survival,
)
from outcomes.stats.planning.simulated_power import simulated_power
from outcomes.stats.proportions.fisher_tables import fisher_p_table
from outcomes.stats.proportions.risks import risk_difference, wilson

PLANS = [{}, {"power": 0.9}, {"alpha": 0.01}, {"sided": "one"}, {"ratio": 2.0}, {"ratio": 0.4, "power": 0.95}]


def holds(found, power: float) -> bool:
    """Return whether a power lies within three and a half Monte Carlo errors of a simulated one."""
    return abs(found.value - power) < 3.5 * math.sqrt(power * (1 - power) / found.n) + 1e-3


@pytest.mark.parametrize("plan", PLANS, ids=str)
def test_sizes_of_means_are_the_smallest(plan) -> None:
    size = size_two_means(3, 10, **plan)
    target = plan.get("power", 0.8)
    kept = {key: value for key, value in plan.items() if key in ("alpha", "sided")}
    assert size.power >= target
    assert size.groups == tuple(math.ceil(x - 1e-9) for x in size.unrounded)
    assert math.isclose(size.unrounded[0] / size.unrounded[1], plan.get("ratio", 1), rel_tol=1e-12)
    fewer = power_two_means(size.groups[0] - 1, size.groups[1] - 1, 3, 10, **kept).power
    assert fewer < target
    assert size_two_means(-3, 10, **plan).groups == size.groups
    assert size_two_means(0.3, 1, **plan).groups == size.groups


@pytest.mark.parametrize("method", ["t", "z"])
@pytest.mark.parametrize("sided", ["one", "two"])
def test_detectable_difference_has_the_power(method, sided) -> None:
    options = {"method": method, "sided": sided, "alpha": 0.03}
    effect = detectable_two_means(20, 35, 7, power=0.85, **options).effect
    assert math.isclose(power_two_means(20, 35, effect, 7, **options).power, 0.85, rel_tol=1e-9)
    effect = detectable_paired_means(20, 7, power=0.85, **options).effect
    assert math.isclose(power_paired_means(20, effect, 7, **options).power, 0.85, rel_tol=1e-9)
    effect = detectable_interaction_means([20, 35, 9, 14], 7, power=0.85, **options).effect
    assert math.isclose(
        power_interaction_means([20, 35, 9, 14], effect, 7, **options).power, 0.85, rel_tol=1e-9
    )


def test_power_of_a_t_by_quadrature_and_without_effect() -> None:
    """P(Z + shift > q s) averaged over the SD, another way to the noncentral t; and where scipy gives NaN."""
    for df, shift, alpha in itertools.product((3, 10, 62, 190), (0.3, 1.0, 2.8, 5.0, 9.0), (0.05, 0.01)):
        q = stats.t.isf(alpha / 2, df)
        s = np.sqrt(stats.chi2.ppf((np.arange(8_000) + 0.5) / 8_000, df) / df)
        upper, lower = special.ndtr(shift - q * s).mean(), special.ndtr(-shift - q * s).mean()
        assert abs(power_of_shift(shift, df, alpha) - upper - lower) < 5e-5
        assert abs(power_of_shift(shift, df, alpha / 2, "one") - upper) < 5e-5
    for df, alpha, sided in itertools.product((1, 2, 7.5, 300, math.inf), (0.05, 0.001), ("one", "two")):
        assert math.isclose(power_of_shift(0, df, alpha, sided), alpha, rel_tol=1e-9)
        assert power_of_shift(60, df + 50, alpha, sided) == 1


def test_pairs_need_their_own_degrees_of_freedom() -> None:
    size = size_paired_means(5, 10)
    assert power_paired_means(size.n - 1, 5, 10).power < 0.8 <= size.power
    assert math.isclose(
        size_paired_means(5, 10, method="z").unrounded[0], 4 * (1.959963985 + 0.841621234) ** 2, rel_tol=1e-8
    )
    assert size_paired_means(100, 1).n == 2


def test_two_means_simulated() -> None:
    def p_values(g, k):
        a, b = g.normal(0.9, 1, (k, 12)), g.normal(0, 1, (k, 24))
        return stats.ttest_ind(a, b, axis=1).pvalue

    assert holds(simulated_power(p_values, seed=1), power_two_means(12, 24, 0.9, 1).power)


def test_equivalence_and_non_inferiority_of_means_simulated() -> None:
    """Small groups, where the two tests hinder one another most."""

    def both(g, k):
        a, b = g.normal(0.2, 1, (k, 10)), g.normal(0, 1, (k, 16))
        error = np.sqrt((9 * a.var(1, ddof=1) + 15 * b.var(1, ddof=1)) / 24 * (1 / 10 + 1 / 16))
        d = a.mean(1) - b.mean(1)
        return np.maximum(stats.t.sf((d + 1.1) / error, 24), stats.t.cdf((d - 1.1) / error, 24))

    power = power_equivalence_means(10, 16, 1.1, 1, true_difference=0.2).power
    assert holds(simulated_power(both, seed=2, n_simulations=30_000), power)

    def one(g, k):
        a, b = g.normal(0.2, 1, (k, 10)), g.normal(0, 1, (k, 16))
        error = np.sqrt((9 * a.var(1, ddof=1) + 15 * b.var(1, ddof=1)) / 24 * (1 / 10 + 1 / 16))
        return stats.t.cdf((a.mean(1) - b.mean(1) - 1.1) / error, 24)

    power = power_non_inferiority_means(10, 16, 1.1, 1, true_difference=0.2, better="lower").power
    assert holds(simulated_power(one, alpha=0.025, seed=3), power)


def test_proportions_simulated_and_exact() -> None:
    """Formulas against the sum over all tables: chi-squared by the pooled one, Fisher by the corrected one."""
    for p1, p0 in ((0.65, 0.85), (0.3, 0.5), (0.4, 0.6)):
        for n in (60, 90):
            assert (
                abs(
                    power_two_proportions(n, n, p1, p0).power
                    - exact_power(n, n, p1, p0, test="chi-squared").power
                )
                < 0.02
            )
            corrected = power_two_proportions(n, n, p1, p0, method="continuity-corrected").power
            assert abs(corrected - exact_power(n, n, p1, p0).power) < 0.025

    def p_values(g, k):
        table = fisher_p_table(40, 30)
        return table[g.binomial(40, 0.5, k), g.binomial(30, 0.2, k)]

    assert holds(simulated_power(p_values, seed=4), exact_power(40, 30, 0.5, 0.2).power)
    size = size_two_proportions(0.2, 0.5, method="Fisher")
    first = next(n for n in range(2, 80) if exact_power(n, n, 0.2, 0.5).power >= 0.8)
    assert size.groups == (first, first)
    assert exact_power(20, 20, 0.3, 0.3).power < 0.05
    assert exact_power(5, 5, 0.0, 1.0).power == 1


@pytest.mark.parametrize("method", ["pooled", "unpooled", "arcsine", "continuity-corrected"])
def test_sizes_of_proportions_have_the_power(method) -> None:
    for plan in PLANS:
        size = size_two_proportions(0.3, 0.45, method=method, **plan)
        assert size.power >= plan.get("power", 0.8) - 1e-12
        assert size.power < plan.get("power", 0.8) + 0.02
        mirrored = size_two_proportions(0.7, 0.55, method=method, **plan)
        assert mirrored.groups == size.groups
        kept = {key: value for key, value in plan.items() if key in ("alpha", "sided")}
        for higher in (True, False):
            found = detectable_two_proportions(150, 120, 0.3, higher=higher, method=method, **kept)
            assert (found.effect > 0) == higher
            again = power_two_proportions(150, 120, 0.3 + found.effect, 0.3, method=method, **kept).power
            assert math.isclose(again, 0.8, rel_tol=1e-7)
    equal = size_two_proportions(0.3, 0.45, method=method)
    assert equal.groups == size_two_proportions(0.45, 0.3, method=method).groups


def test_margins_of_proportions_simulated() -> None:
    """The tests planned for: difference over its unpooled error against the margin."""

    def z_of(g, k, p1, p0, n1, n0):
        a, b = g.binomial(n1, p1, k) / n1, g.binomial(n0, p0, k) / n0
        return a - b, np.sqrt(a * (1 - a) / n1 + b * (1 - b) / n0)

    def inferior(g, k):
        d, error = z_of(g, k, 0.82, 0.8, 260, 180)
        return stats.norm.sf((d + 0.1) / error)

    power = power_non_inferiority_proportions(260, 180, 0.82, 0.8, 0.1, better="higher").power
    assert abs(simulated_power(inferior, alpha=0.025, seed=5).value - power) < 0.02

    def equivalent(g, k):
        d, error = z_of(g, k, 0.42, 0.4, 300, 240)
        return np.maximum(stats.norm.sf((d + 0.15) / error), stats.norm.cdf((d - 0.15) / error))

    power = power_equivalence_proportions(300, 240, 0.42, 0.4, 0.15).power
    assert abs(simulated_power(equivalent, seed=6).value - power) < 0.02


def test_sizes_against_a_margin_are_the_smallest() -> None:
    for options in ({}, {"ratio": 2.0}, {"true_difference": 1.0, "power": 0.9}):
        for method in ("t", "z"):
            size = size_equivalence_means(4, 10, method=method, **options)
            kept = {"true_difference": options.get("true_difference", 0.0), "method": method}
            target = options.get("power", 0.8)
            assert (
                power_equivalence_means(size.groups[0] - 1, size.groups[1] - 1, 4, 10, **kept).power
                < target
                <= size.power
            )
            size = size_non_inferiority_means(4, 10, method=method, **options)
            assert (
                power_non_inferiority_means(size.groups[0] - 1, size.groups[1] - 1, 4, 10, **kept).power
                < target
                <= size.power
            )
        mirrored = dict(options)
        if "true_difference" in mirrored:
            mirrored["true_difference"] *= -1
        assert (
            size_equivalence_means(4, 10, **mirrored).groups
            == size_equivalence_means(4, 10, **options).groups
        )
        turned = size_non_inferiority_means(4, 10, better="lower", **mirrored).groups
        assert turned == size_non_inferiority_means(4, 10, **options).groups
    helpful = size_non_inferiority_means(4, 10, true_difference=2).n
    assert (
        helpful
        < size_non_inferiority_means(4, 10).n
        < size_non_inferiority_means(4, 10, true_difference=-2).n
    )
    assert (
        size_equivalence_means(4, 10, method="half beta").groups
        == size_equivalence_means(4, 10, method="z").groups
    )
    size = size_non_inferiority_proportions(0.2, 0.2, 0.1, better="lower")
    assert size.groups == size_non_inferiority_proportions(0.8, 0.8, 0.1, better="higher").groups
    assert math.isclose(size.unrounded[0], (1.959963985 + 0.841621234) ** 2 * 2 * 0.16 / 0.01, rel_tol=1e-8)
    size = size_equivalence_proportions(0.4, 0.45, 0.2, ratio=1.5)
    assert size.power >= 0.8
    assert size_equivalence_proportions(0.45, 0.4, 0.2, ratio=1 / 1.5).groups == size.groups[::-1]


@pytest.mark.parametrize("ratio", [1.0, 2.5])
def test_unrounded_sizes_against_a_margin_have_just_the_power(ratio) -> None:
    n1, n0 = size_non_inferiority_means(8, 10, ratio=ratio).unrounded
    shift = 0.8 / math.sqrt(1 / n1 + 1 / n0)
    assert math.isclose(power_of_shift(shift, n1 + n0 - 2, 0.025, "one"), 0.8, rel_tol=1e-9)
    n1, n0 = size_equivalence_means(8, 10, true_difference=1, ratio=ratio).unrounded
    error = 10 * math.sqrt(1 / n1 + 1 / n0)
    assert math.isclose(tost_power(8, 1, error, n1 + n0 - 2, 0.05), 0.8, rel_tol=1e-9)
    n1, n0 = size_two_means(8, 10, ratio=ratio).unrounded
    shift = 0.8 / math.sqrt(1 / n1 + 1 / n0)
    assert math.isclose(power_of_shift(shift, n1 + n0 - 2, 0.05), 0.8, rel_tol=1e-9)


def test_two_in_each_group_are_the_fewest() -> None:
    for size in (
        size_two_means(100, 1),
        size_equivalence_means(100, 1),
        size_non_inferiority_means(100, 1),
        size_equivalence_proportions(0.02, 0.02, 0.9),
        size_non_inferiority_proportions(0.02, 0.02, 0.9, better="lower"),
    ):
        assert size.groups == (2, 2)
        assert size.power > 0.8


def test_unrounded_sizes_keep_the_ratio() -> None:
    for size in (
        size_equivalence_means(4, 10, ratio=1.5),
        size_non_inferiority_means(4, 10, ratio=1.5),
        size_equivalence_proportions(0.4, 0.45, 0.2, ratio=1.5),
        size_non_inferiority_proportions(0.8, 0.8, 0.1, better="higher", ratio=1.5),
        size_two_proportions(0.3, 0.45, ratio=1.5),
    ):
        assert math.isclose(size.unrounded[0], 1.5 * size.unrounded[1], rel_tol=1e-12)
        assert size.groups == tuple(math.ceil(x - 1e-9) for x in size.unrounded)


def test_power_of_equivalence_at_its_ends() -> None:
    assert power_equivalence_means(2, 2, 0.1, 1).power < 0.01
    assert tost_power(1, 0, 10, math.inf, 0.05) == 0
    assert math.isclose(tost_power(50, 0, 1, 30, 0.05), 1, rel_tol=1e-12)
    # many degrees of freedom: as the normal
    assert math.isclose(tost_power(3, 0.5, 1, 1e7, 0.05), tost_power(3, 0.5, 1, math.inf, 0.05), rel_tol=1e-6)


def test_interaction_simulated_and_by_share() -> None:
    cells = (12, 20, 8, 30)

    def p_values(g, k):
        groups = [g.normal(mean, 1, (k, n)) for mean, n in zip((1.5, 0.2, 0.3, 0.1), cells, strict=True)]
        d = groups[0].mean(1) - groups[1].mean(1) - groups[2].mean(1) + groups[3].mean(1)
        within = sum(((x - x.mean(1, keepdims=True)) ** 2).sum(1) for x in groups) / (sum(cells) - 4)
        return 2 * stats.t.sf(np.abs(d) / np.sqrt(within * sum(1 / n for n in cells)), sum(cells) - 4)

    assert holds(simulated_power(p_values, seed=7), power_interaction_means(cells, 1.1, 1).power)

    def shares(g, k):
        n, p = np.array([150, 90, 60, 200]), np.array([0.6, 0.4, 0.35, 0.4])
        a = g.binomial(n, p, (k, 4)) / n
        d = a @ [1, -1, -1, 1]
        return 2 * stats.norm.sf(np.abs(d) / np.sqrt((a * (1 - a) / n).sum(1)))

    power = power_interaction_proportions([150, 90, 60, 200], [0.6, 0.4, 0.35, 0.4]).power
    assert abs(simulated_power(shares, seed=8).value - power) < 0.02
    even = size_interaction_means(0.5, 1, method="z")
    main = size_two_means(0.5, 1, method="z")
    assert math.isclose(math.fsum(even.unrounded), 4 * math.fsum(main.unrounded), rel_tol=1e-12)
    uneven = size_interaction_means(0.5, 1, shares=(0.45, 0.4, 0.1, 0.05))
    assert uneven.n > size_interaction_means(0.5, 1).n
    assert uneven.power >= 0.8
    assert uneven.groups[0] > uneven.groups[3]
    size = size_interaction_proportions([0.6, 0.4, 0.35, 0.4], shares=(0.3, 0.2, 0.1, 0.4))
    assert size.power >= 0.8
    assert math.isclose(size.effect, 0.25)


def log_rank_p(g, k, ratio, hazard, n, follow_up, accrual):
    """Return two-sided log-rank p of k simulated trials."""
    group = np.repeat([1, 0], n)
    times = g.exponential(1 / (hazard * np.where(group == 1, ratio, 1.0)), (k, sum(n)))
    ends = follow_up + accrual * g.uniform(size=(k, sum(n)))
    seen, times = times <= ends, np.minimum(times, ends)
    order = np.argsort(times, axis=1)
    seen, treated = np.take_along_axis(seen, order, 1), group[order]
    at_risk = np.arange(sum(n), 0, -1)
    share = np.cumsum(treated[:, ::-1], axis=1)[:, ::-1] / at_risk
    apart = ((treated - share) * seen).sum(1)
    return 2 * stats.norm.sf(np.abs(apart) / np.sqrt((share * (1 - share) * seen).sum(1)))


def test_survival_simulated() -> None:
    size = size_survival(0.6, 0.5, follow_up=1, accrual=2, power=0.8)
    found = simulated_power(
        lambda g, k: log_rank_p(g, k, 0.6, 0.5, size.groups, 1, 2), seed=9, n_simulations=3000
    )
    assert abs(found.value - size.power) < 0.035
    g = np.random.default_rng(10)
    times, lost = g.exponential(1 / 0.7, 200_000), g.exponential(1 / 0.2, 200_000)
    seen = (times <= 1 + 2 * g.uniform(size=200_000)) & (times <= lost)
    assert abs(seen.mean() - share_with_event(0.7, 1, accrual=2, loss_hazard=0.2)) < 0.004


def test_survival_laws() -> None:
    assert math.isclose(events_for_hazard_ratio(2), events_for_hazard_ratio(0.5), rel_tol=1e-12)
    assert math.isclose(
        events_for_hazard_ratio(2, ratio=3), events_for_hazard_ratio(2) * 4 / 3, rel_tol=1e-12
    )
    effect = detectable_hazard_ratio(80, power=0.9, alpha=0.02, ratio=2).effect
    assert math.isclose(power_survival(80, effect, alpha=0.02, ratio=2).power, 0.9, rel_tol=1e-9)
    assert math.isclose(power_survival(80, 1 / effect, alpha=0.02, ratio=2).power, 0.9, rel_tol=1e-9)
    assert math.isclose(share_with_event(0.3, 2), 1 - math.exp(-0.6), rel_tol=1e-12)
    # short accrual is none
    assert math.isclose(share_with_event(0.3, 2, accrual=1e-7), share_with_event(0.3, 2), rel_tol=1e-6)
    assert share_with_event(0.3, 2, accrual=1) > share_with_event(0.3, 2)
    assert share_with_event(0.3, 2, loss_hazard=0.2) < share_with_event(0.3, 2)
    size = size_survival(1.8, 0.4, follow_up=1.5, ratio=2)
    assert size.events == math.ceil(events_for_hazard_ratio(1.8, ratio=2))
    assert abs(size.power - 0.8) < 0.01
    assert math.isclose(size.unrounded[0] / size.unrounded[1], 2)
    # the unit of time does not matter
    months = size_survival(1.8, 0.4 / 12, follow_up=18, ratio=2)
    assert months.groups == size.groups


def test_precision_is_that_of_the_intervals() -> None:
    """Counts that are whole: the planned width is the width of the interval itself."""
    size = precision_of_proportion(0.08, 0.3)
    assert size.half_width <= 0.08
    share = wilson(30, 100)
    assert math.isclose(
        precision_of_proportion((share.conf_high - share.conf_low) / 2 + 1e-12, 0.3).half_width,
        (share.conf_high - share.conf_low) / 2,
        rel_tol=1e-9,
    )
    difference = risk_difference(30, 100, 20, 100)
    half = (difference.conf_high - difference.conf_low) / 2
    found = precision_of_risk_difference(half + 1e-12, 0.3, 0.2)
    assert found.groups == (100, 100)
    assert math.isclose(found.half_width, half, rel_tol=1e-9)
    for found in (
        precision_of_mean(1.5, 8), precision_of_mean_difference(1.5, 8, ratio=2), precision_of_agreement_limits(1.5, 8),
        precision_of_icc(0.08, 0.7, readings=3), precision_of_proportion(0.03, 0.01), precision_of_proportion(0.03, 0.5, method="Wald"),
    ):  # fmt: skip
        assert found.half_width <= found.target
        assert found.half_width > 0.93 * found.target
    assert precision_of_mean(1.5, 8, level=0.9).n < precision_of_mean(1.5, 8).n
    assert (
        precision_of_mean_difference(1.5, 8, ratio=2).groups[0]
        == 2 * precision_of_mean_difference(1.5, 8, ratio=2).groups[1]
    )


def test_precision_of_icc_simulated() -> None:
    """Mean width of the F interval (Shrout and Fleiss) of simulated pairs of readings is about the planned one."""
    n, r = precision_of_icc(0.1, 0.8).n, 0.8
    g = np.random.default_rng(11)
    patient = g.normal(0, math.sqrt(r), (4000, n, 1))
    readings = patient + g.normal(0, math.sqrt(1 - r), (4000, n, 2))
    between = 2 * readings.mean(2).var(1, ddof=1)
    within = readings.var(2, ddof=1).mean(1)
    f = between / within
    low, high = f / stats.f.isf(0.025, n - 1, n), f * stats.f.isf(0.025, n, n - 1)
    half = ((high - 1) / (high + 1) - (low - 1) / (low + 1)) / 2
    assert abs(half.mean() - 0.1) < 0.01


def test_clusters_and_losses() -> None:
    assert math.isclose(design_effect(20, 0.05), 1.95)
    assert math.isclose(design_effect(20, 0.05, cv=0.5), 1 + (1.25 * 20 - 1) * 0.05)
    plain = size_two_means(5, 10)
    assert inflate(plain) == plain
    assert inflate(plain, lost=0.2).groups == (80, 80)
    made = inflate(plain, cluster_size=20, icc=0.05, cv=0.5, lost=0.1)
    assert made.groups[0] == math.ceil(plain.unrounded[0] * design_effect(20, 0.05, cv=0.5) / 0.9)
    assert made.assumed[-2:] == ("design effect 2.2", "10 % lost")
    assert inflate(size_survival(2, 0.5, follow_up=1), cluster_size=5, icc=0.1).events == 93


def test_design_effect_simulated() -> None:
    """Clusters of 4 and 16 by half: power of cluster means weighted by size is no less than planned."""
    sizes = np.tile([4, 16], 10)
    icc, cv = 0.1, float(sizes.std() / sizes.mean())
    effect = design_effect(sizes.mean(), icc, cv=cv)
    n = sizes.sum()

    def p_values(g, k):
        def arm(shift):
            means = (
                shift
                + g.normal(0, math.sqrt(icc), (k, 20))
                + g.normal(0, 1, (k, 20)) * np.sqrt((1 - icc) / sizes)
            )
            return means @ sizes / n

        true = math.sqrt(2 * (icc * (sizes**2).sum() / n + 1 - icc) / n)
        return 2 * stats.norm.sf(np.abs(arm(0.4) - arm(0.0)) / true)

    planned = power_two_means(round(n / effect), round(n / effect), 0.4, 1, method="z").power
    assert abs(simulated_power(p_values, seed=12).value - planned) < 0.02


def test_simulated_power_counts_data_sets_without_a_test() -> None:
    found = simulated_power(
        lambda g, k: np.where(g.uniform(size=k) < 0.5, np.nan, 0.01), seed=1, n_simulations=25_000
    )
    assert found.n == 25_000
    assert abs(found.n_missing - 12_500) < 400
    assert abs(found.value - 0.5) < 0.02
    blocks = []
    simulated_power(lambda g, k: blocks.append(k) or np.zeros(k), seed=1, n_simulations=25_000)
    assert blocks == [10_000, 10_000, 5_000]
    assert simulated_power(lambda g, k: np.zeros(k), seed=1, n_simulations=50).value == 1
    again = simulated_power(lambda g, k: g.uniform(size=k), seed=1, n_simulations=25_000)
    assert again == simulated_power(lambda g, k: g.uniform(size=k), seed=1, n_simulations=25_000)


def test_sentences_and_tables() -> None:
    size = size_two_means(5, 10, ratio=2)
    assert str(size) == (
        "two means: 96 and 48, 144 in all give 80.2 % power for a difference of 5, SD 10 "
        "(two-sided alpha 0.05; t test, noncentral t)"
    )
    assert size.tidy()["group"].tolist() == [1, 0]
    assert "34 in all" in str(size_paired_means(5, 10))
    assert "in each of 4 groups" in str(size_interaction_means(0.5, 1))
    assert size_interaction_means(0.5, 1).tidy().shape[0] == 4
    assert "events)" in str(size_survival(2, 0.5, follow_up=1))
    assert "detect 4.991 with 80.0 % power" in str(detectable_two_means(64, 64, 10))
    assert "give 80.1 % power" in str(power_two_means(64, 64, 5, 10))
    assert power_two_means(64, 64, 5, 10).tidy()["n"][0] == 128
    assert "half width" in str(precision_of_mean(2, 10))
    assert precision_of_mean(2, 10).tidy()["n"][0] == 99


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: size_two_means(0, 1), "bad_plan"), (lambda: size_two_means(1, 0), "bad_plan"),
        (lambda: size_two_means(math.nan, 1), "bad_plan"), (lambda: size_two_means(1, 1, power=0.04), "bad_power"),
        (lambda: size_two_means(1, 1, power=1.0), "bad_power"), (lambda: size_two_means(1, 1, alpha=0), "bad_level"),
        (lambda: size_two_means(1, 1, ratio=0), "bad_ratio"), (lambda: size_two_means(1, 1, sided="three"), "bad_choice"),
        (lambda: size_two_means(1, 1, method="F"), "bad_choice"), (lambda: size_two_means(1e-6, 1), "too_large"),
        (lambda: power_two_means(1, 5, 1, 1), "too_few"), (lambda: size_two_proportions(0.5, 0.5), "bad_plan"),
        (lambda: size_two_proportions(0, 0.5), "bad_plan"), (lambda: size_two_proportions(0.1, 0.5, method="Fisher", sided="one"), "bad_choice"),
        (lambda: size_two_proportions(0.1, 0.5, method="Fisher", ratio=2), "bad_ratio"),
        (lambda: exact_power(3000, 3000, 0.1, 0.2), "too_large"), (lambda: exact_power(30, 30, 1.1, 0.2), "bad_plan"),
        (lambda: exact_power(30, 30, 0.1, 0.2, test="G"), "bad_choice"),
        (lambda: detectable_two_proportions(3, 3, 0.5), "too_few"),
        (lambda: size_equivalence_means(1, 5, true_difference=1), "margin_not_beyond"),
        (lambda: size_equivalence_means(1, 5, true_difference=-1.5), "margin_not_beyond"),
        (lambda: size_equivalence_means(0, 5), "bad_plan"), (lambda: size_non_inferiority_means(-1, 5), "bad_plan"),
        (lambda: size_non_inferiority_means(1, 5, true_difference=-1), "margin_not_beyond"),
        (lambda: size_non_inferiority_means(1, 5, true_difference=1, better="lower"), "margin_not_beyond"),
        (lambda: size_non_inferiority_means(1, 5, better="more"), "bad_choice"),
        (lambda: size_non_inferiority_proportions(0.3, 0.45, 0.15, better="higher"), "margin_not_beyond"),
        (lambda: size_equivalence_proportions(0.3, 0.5, 0.1), "margin_not_beyond"),
        (lambda: size_interaction_means(0, 1), "bad_plan"), (lambda: size_interaction_means(1, 1, shares=(0.5, 0.5)), "bad_shares"),
        (lambda: size_interaction_means(1, 1, shares=(0.3, 0.3, 0.3, 0.3)), "bad_shares"),
        (lambda: power_interaction_means([5, 5], 1, 1), "bad_shape"), (lambda: size_interaction_proportions([0.1, 0.2]), "bad_shape"),
        (lambda: size_interaction_proportions([0.5, 0.3, 0.4, 0.2]), "bad_plan"), (lambda: events_for_hazard_ratio(1), "bad_plan"),
        (lambda: events_for_hazard_ratio(-1), "bad_plan"), (lambda: share_with_event(1, 0), "bad_plan"),
        (lambda: share_with_event(0, 1), "bad_plan"), (lambda: share_with_event(1, -1), "bad_plan"),
        (lambda: detectable_hazard_ratio(0), "too_few"), (lambda: precision_of_mean(0, 1), "bad_plan"),
        (lambda: precision_of_mean(1e-9, 1), "too_large"), (lambda: precision_of_mean(1, 1, level=95), "bad_level"),
        (lambda: precision_of_proportion(0.1, 0), "bad_plan"), (lambda: precision_of_proportion(0.1, 0.2, method="x"), "bad_choice"),
        (lambda: precision_of_icc(0.1, 0.5, readings=1), "too_few"), (lambda: design_effect(0.5, 0.1), "bad_plan"),
        (lambda: design_effect(5, 1.1), "bad_plan"), (lambda: design_effect(5, 0.1, cv=-1), "bad_plan"),
        (lambda: inflate(size_two_means(1, 1), lost=1), "bad_plan"),
        (lambda: simulated_power(lambda g, k: [0.5], seed=1), "bad_p"), (lambda: simulated_power(lambda g, k: g.normal(size=k), seed=1), "bad_p"),
        (lambda: simulated_power(lambda g, k: g.uniform(size=k), seed=1, alpha=2), "bad_level"),
        (lambda: smallest(lambda n: 0.0, 0.8, 2), "too_large"),
    ],
)  # fmt: skip
def test_refused(call, code: str) -> None:
    with pytest.raises(EstimationError) as caught:
        call()
    assert caught.value.code == code
