"""Closed forms by hand: proportions, tables, strata, families of tests, studies, printed numbers."""

from __future__ import annotations

from math import exp, log, sqrt

from hand_oracles import Pairs, hand
from scipy import stats

from outcomes.estimates import Estimate, Margin
from outcomes.stats.pooling.heterogeneity import judge_heterogeneity
from outcomes.stats.pooling.meta_regression import egger, meta_regression
from outcomes.stats.pooling.peto import peto_odds_ratio
from outcomes.stats.pooling.pooled_effect import leave_one_out, pool
from outcomes.stats.pooling.rank_asymmetry import rank_asymmetry
from outcomes.stats.pooling.strata_homogeneity import effect_homogeneity
from outcomes.stats.pooling.study_effects import effects_of_estimates, effects_of_means, effects_of_tables
from outcomes.stats.printed.fragility import fragility_index
from outcomes.stats.printed.group_numbers import combine_groups, mean_sd_from_quantiles
from outcomes.stats.printed.printed_intervals import interval_from_p, p_from_interval
from outcomes.stats.printed.printed_tests import p_from_statistic
from outcomes.stats.printed.spread_limits import sd_limits
from outcomes.stats.printed.summary_numbers import (
    correlation_from_change,
    sd_from_difference_interval,
    sd_from_difference_se,
    sd_from_interval,
    sd_from_p,
    sd_from_se,
    sd_of_change,
)
from outcomes.stats.proportions.contingency import chi_squared, fisher_exact
from outcomes.stats.proportions.exact_tables import exact_test
from outcomes.stats.proportions.mcnemar import mcnemar, mcnemar_from_pairs
from outcomes.stats.proportions.mid_p import mid_p_share
from outcomes.stats.proportions.number_needed import number_needed
from outcomes.stats.proportions.risks import clopper_pearson, odds_ratio, risk_difference, risk_ratio, wilson
from outcomes.stats.proportions.score_intervals import score_difference, score_risk_ratio, score_test
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.proportions.stratified_differences import stratified_newcombe
from outcomes.stats.testing.equivalence import non_inferiority, tost
from outcomes.stats.testing.intersection_union import intersection_union
from outcomes.stats.testing.multiplicity import (
    benjamini_hochberg,
    benjamini_yekutieli,
    bonferroni,
    hochberg,
    holm,
    hommel,
)
from outcomes.stats.testing.simultaneous import max_t_quantile

Z = stats.norm.ppf(0.975)
MARGIN = Margin(value=2.0, unit="", source="invented", kind="declared by the authors")
FOUR = Estimate(value=0.0, conf_low=-Z, conf_high=Z, std_error=1.0)


def score(events: int, n: int) -> tuple[float, float]:
    """Return Wilson's limits as roots of (p - x)^2 = z^2 x (1 - x) / n."""
    a, b, c = n + Z**2, -(2 * events + Z**2), events**2 / n
    root = sqrt(b * b - 4 * a * c)
    return (-b - root) / (2 * a), (-b + root) / (2 * a)


@hand("proportions.risks.wilson", what="9 of 43: roots of a quadratic")
def _() -> Pairs:
    w, (low, high) = wilson(9, 43), score(9, 43)
    return [(w.value, 9 / 43), (w.conf_low, low), (w.conf_high, high)]


@hand("proportions.risks.clopper_pearson", what="0 and 1 of 10: 1 - 0.025^(1/10); 1 - 0.975^(1/10)")
def _() -> Pairs:
    return [
        (clopper_pearson(0, 10).conf_high, 1 - 0.025**0.1), (clopper_pearson(1, 10).conf_low, 1 - 0.975**0.1)
    ]  # fmt: skip


@hand("proportions.mid_p.mid_p_share", what="0 of 10: half of (1 - p)^10 is 0.025")
def _() -> Pairs:
    return [(mid_p_share(0, 10).conf_high, 1 - 0.05**0.1)]


@hand("proportions.risks.risk_difference", what="9 of 43 less 7 of 42: Newcombe from Wilson's roots")
def _() -> Pairs:
    d, (l1, u1), (l0, u0) = risk_difference(9, 43, 7, 42), score(9, 43), score(7, 42)
    p, q = 9 / 43, 7 / 42
    return [
        (d.value, p - q), (d.conf_low, p - q - sqrt((p - l1) ** 2 + (u0 - q) ** 2)),
        (d.conf_high, p - q + sqrt((u1 - p) ** 2 + (q - l0) ** 2)),
    ]  # fmt: skip


@hand(
    "proportions.risks.risk_ratio",
    "proportions.risks.odds_ratio",
    what="9 of 43 over 7 of 42: log errors by Katz and Woolf",
)
def _() -> Pairs:
    r, o = risk_ratio(9, 43, 7, 42), odds_ratio(9, 43, 7, 42, method="woolf")
    katz, woolf = sqrt(1 / 9 - 1 / 43 + 1 / 7 - 1 / 42), sqrt(1 / 9 + 1 / 34 + 1 / 7 + 1 / 35)
    ratio, odds = 9 * 42 / (43 * 7), 9 * 35 / (34 * 7)
    return [
        (r.value, ratio),
        (r.conf_low, ratio * exp(-Z * katz)),
        (o.value, odds),
        (o.conf_high, odds * exp(Z * woolf)),
    ]


@hand("proportions.score_intervals.score_test", what="no difference, plain variance: Pearson's chi-squared")
def _() -> Pairs:
    t = score_test(9, 43, 7, 42, 0.0, variance="plain")
    return [(t.statistic**2, 85 * (9 * 35 - 34 * 7) ** 2 / (43 * 42 * 16 * 69))]


@hand(
    "proportions.score_intervals.score_difference",
    "proportions.score_intervals.score_risk_ratio",
    what="plain variance, 0 of 10 on both sides: z^2 / (10 + z^2); ratio of equal shares is 1",
)
def _() -> Pairs:
    d = score_difference(0, 10, 0, 10, variance="plain")
    r = score_risk_ratio(5, 10, 5, 10)
    return [(d.conf_high, Z**2 / (10 + Z**2)), (d.value, 0), (r.value, 1), (r.conf_low * r.conf_high, 1)]


@hand(
    "proportions.contingency.chi_squared",
    what="two by two: n (ad - bc)^2 over the margins; V its root over n",
)
def _() -> Pairs:
    t = chi_squared([[9, 34], [7, 35]])
    own = 85 * (9 * 35 - 34 * 7) ** 2 / (43 * 42 * 16 * 69)
    return [(t.statistic, own), (t.cramers_v, sqrt(own / 85)), (t.smallest_expected, 42 * 16 / 85)]


@hand(
    "proportions.contingency.fisher_exact",
    "proportions.exact_tables.exact_test",
    what="tea, 3 of 4: 34/70 both ways, 17/70 one way",
)
def _() -> Pairs:
    t = fisher_exact(3, 4, 1, 4)
    return [(t.p_value, 34 / 70), (t.p_greater, 17 / 70), (exact_test([[3, 1], [1, 3]]).p_value, 34 / 70)]


@hand(
    "proportions.mcnemar.mcnemar",
    "proportions.mcnemar.mcnemar_from_pairs",
    what="1 and 5 changes: exact 14/64, mid-p 8/64, chi-squared 16/6",
)
def _() -> Pairs:
    t = mcnemar([[3, 1], [5, 2]])
    pairs = mcnemar_from_pairs([1] * 4 + [0] * 7, [1] * 3 + [0] + [1] * 5 + [0] * 2)
    return [(t.p_exact, 14 / 64), (t.p_mid, 8 / 64), (t.chi_squared, 16 / 6), (t.chi_squared_corrected, 9 / 6),
            (pairs.p_exact, 14 / 64)]  # fmt: skip


@hand("proportions.number_needed.number_needed", what="difference 1/4: four")
def _() -> Pairs:
    d = Estimate(value=0.25, conf_low=0.125, conf_high=0.5, unit="proportion")
    return [(number_needed(d, better="higher").value, 4)]


@hand(
    "proportions.strata.mantel_haenszel",
    what="two strata: sums of ad/n over bc/n, of risks, of weighted differences",
)
def _() -> Pairs:
    m = mantel_haenszel([[[9, 11], [4, 16]], [[7, 3], [5, 15]]])
    odds = (9 * 16 / 40 + 7 * 15 / 30) / (11 * 4 / 40 + 3 * 5 / 30)
    risk = (9 * 20 / 40 + 7 * 20 / 30) / (4 * 20 / 40 + 5 * 10 / 30)
    w = (20 * 20 / 40, 10 * 20 / 30)
    difference = (w[0] * 5 / 20 + w[1] * (7 / 10 - 5 / 20)) / sum(w)
    spread = 20 * 20 * 13 * 27 / (40**2 * 39) + 10 * 20 * 12 * 18 / (30**2 * 29)
    return [
        (m.odds_ratio.value, odds), (m.risk_ratio.value, risk), (m.risk_difference.value, difference),
        (m.test.statistic, (16 - 6.5 - 4) ** 2 / spread),
    ]  # fmt: skip


@hand("proportions.stratified_differences.stratified_newcombe", what="one stratum: Newcombe's difference")
def _() -> Pairs:
    return [(stratified_newcombe([[[9, 34], [7, 35]]]).value, 9 / 43 - 7 / 42)]


@hand(
    "pooling.strata_homogeneity.effect_homogeneity",
    what="differences 0.1 and 0.3 with variances 0.0025 and 0.0033: 0.2^2 / 0.0058",
)
def _() -> Pairs:
    t = effect_homogeneity([[[20, 80], [10, 90]], [[40, 60], [10, 90]]], "risk difference")
    return [(t.statistic, 0.04 / (0.0016 + 0.0009 + 0.0024 + 0.0009))]


@hand("pooling.peto.peto_odds_ratio", what="one table: exp((O - E) / V)")
def _() -> Pairs:
    v = 43 * 42 * 16 * 69 / (85**2 * 84)
    e = peto_odds_ratio([[[9, 34], [7, 35]]]).odds_ratio
    return [(e.value, exp((9 - 43 * 16 / 85) / v)), (e.conf_high / e.value, exp(Z / sqrt(v)))]


@hand(
    "pooling.pooled_effect.pool",
    "pooling.heterogeneity.judge_heterogeneity",
    "pooling.pooled_effect.leave_one_out",
    what="0 and 4 with errors of 1: Q = 8, DL tau squared 7, mean 2 with error 2",
)
def _() -> Pairs:
    found = pool([0.0, 4.0], [1.0, 1.0], tau2="DL", interval="normal")
    h = judge_heterogeneity([0.0, 4.0], [1.0, 1.0], method="DL")
    left = leave_one_out([0.0, 4.0, 4.0], [1.0, 1.0, 1.0], tau2="DL", interval="normal").results[0]
    return [
        (found.estimate.value, 2), (found.estimate.std_error, 2), (h.q, 8), (h.tau2, 7), (h.i2, 87.5),
        (left.estimate.value, 4), (left.estimate.std_error, sqrt(0.5)),
    ]  # fmt: skip


@hand(
    "pooling.meta_regression.meta_regression",
    "pooling.meta_regression.egger",
    what="exact lines: slope 2; effects 1 + 3 x error: asymmetry 3",
)
def _() -> Pairs:
    line = meta_regression(
        [1.0, 3.0, 5.0, 7.0], [1.0] * 4, [0.0, 1.0, 2.0, 3.0], tau2="DL", interval="normal"
    )
    e = egger(
        [1 + 3 * s + d for s, d in zip((0.1, 0.2, 0.3, 0.4), (0, 0, 0, 0), strict=True)], [0.1, 0.2, 0.3, 0.4]
    )
    return [
        (line.slope.value, 2),
        (line.intercept.value, 1),
        (e.asymmetry.value, 3),
        (e.limit_effect.value, 1),
    ]


@hand(
    "pooling.rank_asymmetry.rank_asymmetry", what="five effects that rise with their errors: tau 1, p 2/120"
)
def _() -> Pairs:
    t = rank_asymmetry([0.0, 1.0, 4.0, 9.0, 16.0], [0.1, 0.2, 0.3, 0.4, 0.5])
    return [(t.tau, 1), (t.p_value, 2 / 120)]


@hand(
    "pooling.study_effects.effects_of_tables",
    "pooling.study_effects.effects_of_means",
    "pooling.study_effects.effects_of_estimates",
    what="log odds ratio and its error; difference of means; estimates as they are",
)
def _() -> Pairs:
    t = effects_of_tables([[[9, 34], [7, 35]]], "log odds ratio")
    m = effects_of_means([5.0], [3.0], [9], [2.0], [4.0], [16])
    e = effects_of_estimates([FOUR])
    return [
        (t.values[0], log(9 * 35 / (34 * 7))), (t.std_errors[0], sqrt(1 / 9 + 1 / 34 + 1 / 7 + 1 / 35)),
        (m.values[0], 3), (m.std_errors[0], sqrt(2)), (e.std_errors[0], 1),
    ]  # fmt: skip


@hand(
    "testing.equivalence.tost",
    "testing.equivalence.non_inferiority",
    "testing.intersection_union.intersection_union",
    what="0 with error 1 within 2: p = P(Z > 2)",
)
def _() -> Pairs:
    t, n = tost(FOUR, MARGIN), non_inferiority(FOUR, MARGIN, better="higher")
    return [
        (t.p_value, stats.norm.sf(2)),
        (n.p_value, stats.norm.sf(2)),
        (intersection_union([t, t]).p_value, stats.norm.sf(2)),
    ]


@hand(
    "testing.multiplicity.holm",
    "testing.multiplicity.hochberg",
    "testing.multiplicity.hommel",
    "testing.multiplicity.bonferroni",
    "testing.multiplicity.benjamini_hochberg",
    "testing.multiplicity.benjamini_yekutieli",
    what="p of 0.01, 0.04, 0.03",
)
def _() -> Pairs:
    p = [0.01, 0.04, 0.03]
    own = {
        holm: (0.03, 0.06, 0.06), hochberg: (0.03, 0.04, 0.04), hommel: (0.03, 0.04, 0.04), bonferroni: (0.03, 0.12, 0.09),
        benjamini_hochberg: (0.03, 0.04, 0.04), benjamini_yekutieli: (0.03 * 11 / 6, 0.04 * 11 / 6, 0.04 * 11 / 6),
    }  # fmt: skip
    return [pair for f, wanted in own.items() for pair in zip(f(p), wanted, strict=True)]


@hand(
    "testing.simultaneous.max_t_quantile",
    what="one contrast: Student's quantile, on 2 df 0.95 sqrt(2 / (1 - 0.95^2))",
)
def _() -> Pairs:
    return [(max_t_quantile([[1.0]], 2), 0.95 * sqrt(2 / (1 - 0.95**2)))]


@hand(
    "printed.summary_numbers.sd_from_se", "printed.summary_numbers.sd_from_interval",
    "printed.summary_numbers.sd_from_difference_se", "printed.summary_numbers.sd_from_difference_interval",
    "printed.summary_numbers.sd_from_p", "printed.summary_numbers.sd_of_change",
    "printed.summary_numbers.correlation_from_change",
    what="SD from an error, limits, a difference, p (t of 2 df in closed form); 3, 4 and 5",
)  # fmt: skip
def _() -> Pairs:
    t = 0.5 * sqrt(2 / (1 - 0.25))  # p = 1 - t / sqrt(2 + t^2) = 0.5
    return [
        (sd_from_se(1.2, 25).value, 6), (sd_from_interval(30 - Z, 30 + Z, 100, reference="normal").value, 10),
        (sd_from_difference_se(2.0, 8, 8).value, 4), (sd_from_difference_interval(-Z, Z, 8, 8, reference="normal").value, 2),
        (sd_from_p(3.0, 0.5, 2, 2).value, 3 / t), (sd_of_change(3, 4, 0).value, 5), (correlation_from_change(3, 4, 5).value, 0),
    ]  # fmt: skip


@hand(
    "printed.group_numbers.combine_groups",
    "printed.group_numbers.mean_sd_from_quantiles",
    what="1, 3 and 5, 7: mean 4, variance 20/3; symmetric quartiles",
)
def _() -> Pairs:
    both, m = (
        combine_groups([2, 2], [2, 6], [sqrt(2), sqrt(2)]),
        mean_sd_from_quantiles(100, 50, q1=40, q3=60),
    )
    return [
        (both.mean, 4),
        (both.sd**2, 20 / 3),
        (m.mean, 50),
        (m.sd, 20 / (2 * stats.norm.ppf(74.875 / 100.25))),
    ]


@hand(
    "printed.printed_tests.p_from_statistic",
    what="t = 1 on 1 df: 1/2; chi-squared 2 on 2 df: 1/e; F = 1 on 2 and 2 df: 1/2",
)
def _() -> Pairs:
    return [
        (p_from_statistic("t", 1, 1), 0.5),
        (p_from_statistic("chi2", 2, 2), exp(-1)),
        (p_from_statistic("F", 1, 2, 2), 0.5),
    ]


@hand(
    "printed.printed_intervals.p_from_interval",
    "printed.printed_intervals.interval_from_p",
    what="2 with limits 2 -+ z: p of z = 2, and back",
)
def _() -> Pairs:
    p = 2 * stats.norm.sf(2)
    e = interval_from_p(2, p)
    return [(p_from_interval(2, 2 - Z, 2 + Z).p_value, p), (e.conf_low, 2 - Z), (e.conf_high, 2 + Z)]


@hand(
    "printed.fragility.fragility_index", what="0 of 4 against 4 of 4, p = 2/70: one event more makes it 10/70"
)
def _() -> Pairs:
    f = fragility_index(0, 4, 4, 4)
    return [(f.index, 1), (f.quotient, 1 / 8), (f.p_values[0], 2 / 70), (f.p_values[-1], 10 / 70)]


@hand("printed.spread_limits.sd_limits", what="four from 0 to 10 with mean 5: two at each end, sqrt(100/3)")
def _() -> Pairs:
    return [(sd_limits(4, 0, 10, mean=5).high, sqrt(100 / 3))]
