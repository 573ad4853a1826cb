"""Closed forms by hand: means, ranks, effect sizes, agreement, resampling."""

from __future__ import annotations

from math import comb, sqrt

import numpy as np
from hand_oracles import Pairs, hand
from scipy import stats

from outcomes.estimates import Estimate
from outcomes.stats.agreement.bland_altman import limits_of_agreement
from outcomes.stats.agreement.fleiss_kappa import fleiss_kappa
from outcomes.stats.agreement.icc import intraclass_correlation
from outcomes.stats.agreement.kappa import cohen_kappa, kappa_context
from outcomes.stats.agreement.measurement_error import (
    sem_from_reliability,
    smallest_detectable_change,
    standard_error_of_measurement,
)
from outcomes.stats.groups.ancova import ancova
from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.balance import standardised_difference
from outcomes.stats.groups.effect_size import hedges_g, hedges_g_from_summary, partial_omega_squared
from outcomes.stats.groups.means import mean_difference, mean_difference_from_summary
from outcomes.stats.groups.multiple_comparisons import games_howell, tukey_kramer
from outcomes.stats.groups.nested import nested_test
from outcomes.stats.groups.paired import paired_mean_difference, signed_rank
from outcomes.stats.groups.permutation import permutation_test
from outcomes.stats.groups.rank_trend import jonckheere_terpstra
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis, mann_whitney
from outcomes.stats.groups.stratified_ranks import van_elteren
from outcomes.stats.groups.trend import cochran_armitage, linear_trend
from outcomes.stats.groups.two_way import two_way_anova
from outcomes.stats.numerics.moments import moments
from outcomes.stats.numerics.weights import effective_size
from outcomes.stats.resampling.bca import jackknife
from outcomes.stats.resampling.bootstrap import percentile_interval

LOW, HIGH = [1.0, 2.0, 3.0], [2.0, 5.0, 8.0]
EIGHT = [1.0, 3.0, 5.0, 7.0, 2.0, 4.0, 10.0, 12.0]
FIRST, SECOND = list("aaaabbbb"), list("uuvvuuvv")


@hand("numerics.moments.moments", what="1, 2, 6: mean 3, squares 4 + 1 + 9 over 2")
def _() -> Pairs:
    m = moments(np.array([1.0, 2.0, 6.0]))
    return [(m.mean, 3), (m.variance, 7)]


@hand(
    "groups.means.mean_difference", "groups.means.mean_difference_from_summary",
    what="means 2 and 5, variances 1 and 9, three a group: error sqrt(10/3), Welch and pooled df",
)  # fmt: skip
def _() -> Pairs:
    df = (10 / 3) ** 2 / ((1 / 3) ** 2 / 2 + 9 / 2)
    pairs = []
    for d in (mean_difference(LOW, HIGH), mean_difference_from_summary(2, 1, 3, 5, 3, 3)):
        pairs += [(d.value, -3), (d.std_error, sqrt(10 / 3)), (d.df, df)]
    pooled = mean_difference(
        [0.0, 2.0], [1.0, 3.0], pooled=True
    )  # t on 2 df: p = 1 - t / sqrt(2 + t^2), t = 1 / sqrt 2
    return [*pairs, (pooled.p_value, 1 - sqrt(0.5) / sqrt(2.5)), (pooled.std_error, sqrt(2))]


@hand("groups.anova.one_way_anova", what="means 2 and 4 about 3: SSB 6, SSW 4, F 6, R squared 0.6")
def _() -> Pairs:
    t = one_way_anova([LOW, [3.0, 4.0, 5.0]])
    return [(t.f, 6), (t.r_squared, 0.6), (t.residual_sd, 1), (t.omega_squared, (6 - 1) / (10 + 1))]


@hand("groups.anova.welch_anova", what="two groups: Welch's t squared, 27/10, and his df")
def _() -> Pairs:
    t = welch_anova([LOW, HIGH])
    return [(t.f, 2.7), (t.df_within, (10 / 3) ** 2 / ((1 / 3) ** 2 / 2 + 9 / 2))]


@hand(
    "groups.ranks.mann_whitney",
    "groups.ranks.hodges_lehmann",
    what="3 against 4, none above: p = 2 / 35; median of 12 differences",
)
def _() -> Pairs:
    a, b = [1.0, 2.0, 4.0], [8.0, 16.0, 32.0, 64.0]
    differences = sorted(x - y for x in a for y in b)
    return [
        (mann_whitney(a, b).p_value, 2 / comb(7, 3)), (mann_whitney(a, b).statistic, 0),
        (hodges_lehmann(a, b).value, (differences[5] + differences[6]) / 2),
    ]  # fmt: skip


@hand(
    "groups.ranks.kruskal_wallis",
    what="ranks 1-2, 3-4, 5-6: H = 12/42 (9/2 + 49/2 + 121/2) - 21; p = exp(-H/2)",
)
def _() -> Pairs:
    t = kruskal_wallis([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]])
    h = 12 / 42 * (9 + 49 + 121) / 2 - 21
    return [(t.statistic, h), (t.p_value, np.exp(-h / 2))]


@hand("groups.stratified_ranks.van_elteren", what="two strata of 1 + 1, all the same way: z squared = 2")
def _() -> Pairs:
    t = van_elteren([1.0, 3.0], [2.0, 4.0], (["u", "v"], ["u", "v"]))
    return [(t.p_value, 2 * stats.norm.sf(sqrt(2)))]


@hand(
    "groups.rank_trend.jonckheere_terpstra",
    what="three groups of two in order: J = 12, 1 of 90 arrangements each way",
)
def _() -> Pairs:
    t = jonckheere_terpstra([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]])
    return [(t.statistic, 12), (t.p_value, 2 / 90)]


@hand(
    "groups.permutation.permutation_test",
    what="3 against 4 with the largest difference: 2 of 35 arrangements",
)
def _() -> Pairs:
    t = permutation_test([1.0, 2.0, 4.0], [8.0, 16.0, 32.0, 64.0])
    return [(t.statistic, 7 / 3 - 30), (t.p_less, 1 / 35)]


@hand(
    "groups.paired.paired_mean_difference",
    what="differences 1, 2, 3: t = 2 sqrt 3 on 2 df, p = 1 - t / sqrt(2 + t^2)",
)
def _() -> Pairs:
    d = paired_mean_difference([2.0, 4.0, 6.0], [1.0, 2.0, 3.0])
    return [(d.value, 2), (d.std_error, 1 / sqrt(3)), (d.p_value, 1 - sqrt(12 / 14))]


@hand("groups.paired.signed_rank", what="six differences above 0: p = 2 / 64; median of 21 Walsh averages")
def _() -> Pairs:
    d = signed_rank([1.0, 2.0, 4.0, 8.0, 16.0, 32.0], [0.0] * 6)
    values = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0]
    walsh = sorted((values[i] + values[j]) / 2 for i in range(6) for j in range(i, 6))
    return [(d.p_value, 2 / 64), (d.value, walsh[10])]


@hand(
    "groups.trend.cochran_armitage",
    what="two groups: z squared is Pearson's, 85 (9 x 35 - 34 x 7)^2 / (43 x 42 x 16 x 69)",
)
def _() -> Pairs:
    z = cochran_armitage([7, 9], [42, 43]).z
    return [(z**2, 85 * (9 * 35 - 34 * 7) ** 2 / (43 * 42 * 16 * 69))]


@hand(
    "groups.trend.linear_trend",
    what="means 1, 2, 4 at 0, 1, 2 with variances 2, 2, 8 of two: slope 3/2, error sqrt(5)/2",
)
def _() -> Pairs:
    t = linear_trend([[0.0, 2.0], [1.0, 3.0], [2.0, 6.0]], scores=[0, 1, 2])
    return [(t.value, 1.5), (t.std_error, sqrt((2 / 2 + 8 / 2) / 4))]


@hand(
    "groups.multiple_comparisons.tukey_kramer",
    "groups.multiple_comparisons.games_howell",
    what="two groups: q is t times sqrt 2, p is Student's",
)
def _() -> Pairs:
    tukey, welch = (f([[0.0, 2.0], [1.0, 3.0]]).estimates[0] for f in (tukey_kramer, games_howell))
    own = 1 - sqrt(0.5) / sqrt(2.5)
    return [
        (abs(tukey.value), 1),
        (round(tukey.p_value, 9), round(own, 9)),
        (abs(welch.value), 1),
        (welch.df, 2),
    ]


@hand(
    "groups.effect_size.hedges_g",
    "groups.effect_size.hedges_g_from_summary",
    what="difference -1, pooled SD sqrt 2, 2 df: J = 1 / (gamma(1/2) sqrt 1) x gamma(1)",
)
def _() -> Pairs:
    j = 1 / sqrt(np.pi)
    d, g = (hedges_g([0.0, 2.0], [1.0, 3.0], corrected=c).value for c in (False, True))
    return [
        (d, -sqrt(0.5)),
        (g, -sqrt(0.5) * j),
        (hedges_g_from_summary(1, sqrt(2), 2, 2, sqrt(2), 2).value, -sqrt(0.5) * j),
    ]


@hand(
    "groups.effect_size.partial_omega_squared", what="F = 6 on 1 and 4 df of 6 cases: (6 - 1) / (6 - 1 + 6)"
)
def _() -> Pairs:
    return [(partial_omega_squared(6.0, 1, 4).value, 5 / 11)]


@hand("groups.two_way.two_way_anova", what="eight values, two by two: 16 and 72 between, 24.5 together")
def _() -> Pairs:
    y = np.array(EIGHT).reshape(2, 2, 2)
    cell = y.mean(axis=2)
    grand, rows, columns = cell.mean(), cell.mean(axis=1), cell.mean(axis=0)
    ss = 4 * ((rows - grand) ** 2).sum(), 4 * ((columns - grand) ** 2).sum()
    both = 2 * ((cell - rows[:, None] - columns + grand) ** 2).sum()
    found = two_way_anova(EIGHT, FIRST, SECOND)
    return [
        (found.first.ss, ss[0]),
        (found.second.ss, ss[1]),
        (found.interaction.ss, both),
        (found.ss_residual, 8),
    ]


@hand(
    "groups.nested.nested_test", what="mean against line through 0, 1, 3 at -1, 0, 1: SS 4.5 and 1/6, F = 27"
)
def _() -> Pairs:
    ones = np.ones((3, 1))
    t = nested_test(
        ones,
        np.column_stack([ones, [-1.0, 0, 1]]),
        [0.0, 1.0, 3.0],
        names_small=["one"],
        names_large=["one", "x"],
    )
    return [(t.f, 27), (t.ss, 4.5), (t.ss_residual, 1 / 6), (t.likelihood_ratio, 3 * np.log(28))]


@hand(
    "groups.ancova.ancova",
    what="four rows, slope 1 within both groups: difference of 2 at the same covariate",
)
def _() -> Pairs:
    found = ancova(
        [1.0, 2.0, 4.0, 5.0], list("aabb"), {"x": [0.0, 1.0, 1.0, 2.0]}, reference="a", covariance="HC0"
    )
    return [(found.slopes[0].value, 1), (found.differences[0].value, 2), (found.adjusted_means[0].value, 2)]


@hand("groups.balance.standardised_difference", what="means 2 and 5, variances 1 and 9: 3 / sqrt 5")
def _() -> Pairs:
    return [(standardised_difference([LOW, HIGH]).value, -3 / sqrt(5))]


@hand("numerics.weights.effective_size", what="1, 2, 3: 36 / 14")
def _() -> Pairs:
    return [(effective_size([1, 2, 3]), 36 / 14)]


@hand(
    "agreement.icc.intraclass_correlation",
    what="three rows of two, one apart: mean squares 8 and 0.5, ICC 7.5 / 8.5",
)
def _() -> Pairs:
    found = intraclass_correlation([[0.0, 1.0], [2.0, 3.0], [4.0, 5.0]], agreement="one-way")
    return [(found.estimate.value, 7.5 / 8.5), (found.f, 16)]


@hand(
    "agreement.kappa.cohen_kappa",
    "agreement.kappa.kappa_context",
    what="20, 5, 10, 15: agreement 0.7, by chance 0.5, kappa 0.4",
)
def _() -> Pairs:
    k, context = cohen_kappa([[20, 5], [10, 15]]), kappa_context([[20, 5], [10, 15]])
    return [
        (k.estimate.value, 0.4),
        (k.observed, 0.7),
        (k.expected, 0.5),
        (context.agreement.value, 0.7),
        (context.maximum, 0.8),
    ]


@hand(
    "agreement.fleiss_kappa.fleiss_kappa", what="two cases of three raters, 3-0 and 1-2: (2/3 - 5/9) / (4/9)"
)
def _() -> Pairs:
    return [(fleiss_kappa([[3, 0], [1, 2]]).estimate.value, (2 / 3 - 5 / 9) / (4 / 9))]


@hand(
    "agreement.bland_altman.limits_of_agreement",
    what="differences 1, 2, 3: bias 2, SD 1, limits 2 plus and minus the quantile",
)
def _() -> Pairs:
    found = limits_of_agreement([2.0, 4.0, 6.0], [1.0, 2.0, 3.0])
    return [
        (found.bias.value, 2),
        (found.sd, 1),
        (found.upper.value - found.lower.value, 2 * stats.norm.ppf(0.975)),
    ]


@hand(
    "agreement.measurement_error.standard_error_of_measurement",
    "agreement.measurement_error.smallest_detectable_change",
    what="pairs one apart: within-subject variance 1/2; 1.96 sqrt 2 of it",
)
def _() -> Pairs:
    sem = standard_error_of_measurement([[0.0, 1.0], [3.0, 2.0], [4.0, 5.0]], agreement="one-way")
    change = smallest_detectable_change(sem)
    return [(sem.value, sqrt(0.5)), (change.value, stats.norm.ppf(0.975) * sqrt(2) * sqrt(0.5))]


@hand("agreement.measurement_error.sem_from_reliability", what="SD 10, reliability 0.84: 10 sqrt 0.16")
def _() -> Pairs:
    reliability = Estimate(value=0.84, conf_low=None, conf_high=None)
    return [(sem_from_reliability(10, reliability).value, 4)]


@hand(
    "resampling.bca.jackknife",
    what="left out: 0, 0, 3: acceleration sum of cubes over six sums of squares to 3/2",
)
def _() -> Pairs:
    found = jackknife([0.0, 0.0, 3.0])
    return [(found.std_error, sqrt(2 / 3 * 6)), (found.acceleration, (1 + 1 - 8) / (6 * 6**1.5))]


@hand("resampling.bootstrap.percentile_interval", what="1 to 999: the 25th and the 975th")
def _() -> Pairs:
    e = percentile_interval(np.arange(1.0, 1000.0), 500.0).estimate
    return [(e.conf_low, 25), (e.conf_high, 975)]
