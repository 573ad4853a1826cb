"""Closed forms by hand: what the other files leave, family by family."""

from __future__ import annotations

from math import exp, log, sqrt

import numpy as np
from hand_oracles import Pairs, hand
from scipy import stats

from outcomes.estimates import Estimate
from outcomes.stats.agreement.bland_altman_repeated import repeated_limits_of_agreement
from outcomes.stats.agreement.measurement_error import within_subject_cv
from outcomes.stats.agreement.rating_tables import category_counts, cross_table
from outcomes.stats.causal.doubly_robust_fit import fit_doubly_robust
from outcomes.stats.causal.matched_balance import matched_balance
from outcomes.stats.causal.matching import match_cases, sets_of_pairs
from outcomes.stats.causal.mediation import mediation_effects
from outcomes.stats.causal.mediation_sensitivity import mediator_confounding
from outcomes.stats.causal.negative_control import negative_control_outcome
from outcomes.stats.causal.propensity import fit_propensity
from outcomes.stats.charts.run_rules import run_chart, shewhart_rules
from outcomes.stats.groups.effect_size import partial_eta_squared
from outcomes.stats.missing.observation_weights import observation_weights, observed_difference
from outcomes.stats.numerics.rank import rank_check
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.pooling.trim_and_fill import trim_and_fill
from outcomes.stats.printed.granularity import grim, grimmer
from outcomes.stats.printed.percent_counts import common_denominators, fitting_counts, fitting_denominators
from outcomes.stats.proportions.score_intervals import score_odds_ratio
from outcomes.stats.proportions.stratified_differences import stratified_score_difference
from outcomes.stats.regression.clusters import degrees_of_freedom
from outcomes.stats.regression.contrasts import at_level, contrast_covariance
from outcomes.stats.regression.interactions import interaction_test
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.ordinal import fit_ordinal, ordinal_contrast
from outcomes.stats.regression.ordinal_risks import grade_contrasts
from outcomes.stats.repeated.mixed import fit_mixed, mixed_contrast
from outcomes.stats.resampling.bca import Jackknife, bca_interval
from outcomes.stats.survival.cox_penalised import fit_firth_cox
from outcomes.stats.survival.gray import gray_test
from outcomes.stats.survival.kaplan_meier import follow_up, kaplan_meier, number_at_risk, survival_quantile

Z = stats.norm.ppf(0.975)
Z95 = stats.norm.ppf(0.95)
TABLE = np.column_stack([np.ones(8), np.repeat([1.0, 0.0], 4)])
EVENTS = np.array([1, 1, 1, 0, 1, 0, 0, 0.0])


@hand("groups.effect_size.partial_eta_squared", what="F = 27 on 1 and 1 df: 27/28")
def _() -> Pairs:
    return [(partial_eta_squared(27, 1, 1).value, 27 / 28)]


@hand("numerics.student.t_quantile", what="2 df: 0.95 sqrt(2 / (1 - 0.95^2)); 1 df: tan(0.475 pi)")
def _() -> Pairs:
    return [
        (t_quantile(0.975, 2), 0.95 * sqrt(2 / (1 - 0.95**2))),
        (t_quantile(0.975, 1), np.tan(0.475 * np.pi)),
    ]


@hand(
    "regression.clusters.degrees_of_freedom",
    "regression.contrasts.contrast_covariance",
    what="two groups of 3 and 2: Welch-Satterthwaite with equal variances",
)
def _() -> Pairs:
    design = np.column_stack([np.ones(5), [1.0, 1, 1, 0, 0]])
    fit = fit_linear(design, [0.0, 1.0, 5.0, 2.0, 4.0], names=["one", "group"])
    df = float(degrees_of_freedom(fit.pieces, np.array([[0.0, 1.0]]))[0])
    return [
        (df, (1 / 3 + 1 / 2) ** 2 / ((1 / 3) ** 2 / 2 + (1 / 2) ** 2 / 1)),
        (contrast_covariance(fit, [[0.0, 1.0]])[0, 0], 7 / 3 + 2 / 2),
    ]  # fmt: skip


@hand(
    "regression.ordinal.ordinal_contrast",
    "regression.ordinal_risks.grade_contrasts",
    what="two grades, 3 of 4 against 1 of 4: odds ratio 9, risks 50 points apart",
)
def _() -> Pairs:
    fit = fit_ordinal(TABLE[:, 1:], EVENTS.astype(int), names=["exposed"], levels=[0, 1])
    ones, zeros = np.ones((8, 1)), np.zeros((8, 1))
    return [
        (ordinal_contrast(fit, [[1.0]], ratio=True)[0].value, 9), (abs(grade_contrasts(fit, ones, zeros)[-1].value), 50)
    ]  # fmt: skip


@hand(
    "regression.interactions.interaction_test", what="eight values, two by two: the F of the two-way analysis"
)
def _() -> Pairs:
    y = np.array([1.0, 3, 5, 7, 2, 4, 10, 12])
    a, b = np.repeat([0.0, 1.0], 4), np.tile([0.0, 0.0, 1.0, 1.0], 2)
    t = interaction_test(
        np.column_stack([np.ones(8), a, b]),
        y,
        names=["one", "a", "b"],
        first=["a"],
        second=["b"],
        covariance="classical",
    )
    return [(t.f, (11 - 3 - 6 + 2) ** 2 / (2 * (1 / 2 + 1 / 2 + 1 / 2 + 1 / 2)))]


@hand(
    "repeated.mixed.mixed_contrast", what="balanced one-way, three subjects: 2 degrees of freedom, mean 3.5"
)
def _() -> Pairs:
    fit = fit_mixed(np.ones((6, 1)), [0.0, 1.0, 3.0, 4.0, 6.0, 7.0], names=["one"], subjects=list("aabbcc"))
    e = mixed_contrast(fit, [[1.0]])[0]
    return [(e.value, 3.5), (round(e.df, 5), 2)]


@hand("numerics.rank.rank_check", what="three columns, the third the sum of the others: rank 2")
def _() -> Pairs:
    return [(rank_check([[1.0, 0, 1], [0, 1, 1], [1, 1, 2]], ["a", "b", "c"]).rank, 2)]


@hand(
    "agreement.rating_tables.cross_table",
    "agreement.rating_tables.category_counts",
    what="four ratings counted",
)
def _() -> Pairs:
    table = np.asarray(cross_table(list("aabb"), list("abbb"), "ab").counts, float)
    counts = np.asarray(category_counts([list("aab"), list("bbb")], "ab").counts, float)
    return [*zip(table.ravel(), [1, 1, 0, 2], strict=True), *zip(counts.ravel(), [2, 1, 0, 3], strict=True)]


@hand(
    "agreement.measurement_error.within_subject_cv",
    what="pairs in the ratio of 1 to 2: sqrt(exp((log 2)^2 / 2) - 1)",
)
def _() -> Pairs:
    return [(within_subject_cv([[1.0, 2.0], [4.0, 8.0]]).value, 100 * sqrt(exp(log(2) ** 2 / 2) - 1))]


@hand(
    "agreement.bland_altman_repeated.repeated_limits_of_agreement",
    what="differences 0, 2 and 4, 6: within 2, between 16 / 2 less 1",
)
def _() -> Pairs:
    found = repeated_limits_of_agreement([0.0, 2, 4, 6], [0.0] * 4, list("aabb"), true_value="varying")
    return [(found.bias.value, 3), (found.sd**2, 2 + (16 - 2) / 2)]


@hand("causal.doubly_robust_fit.fit_doubly_robust", what="two strata, differences 4 and 5 in halves")
def _() -> Pairs:
    X = np.repeat([[1.0, 0], [1, 1]], 4, axis=0)
    found = fit_doubly_robust(X, list("aabb") * 2, [0.0, 2, 4, 6, 3, 5, 8, 10], names=["one", "stratum"])
    return [(found.contrasts[0].value, 4.5)]


@hand(
    "causal.matching.match_cases",
    "causal.matched_balance.matched_balance",
    what="nearest scores 3-2.9 and 1-1.1; a covariate alike in every pair",
)
def _() -> Pairs:
    found = match_cases(list("bbaaa"), [3.0, 1.0, 1.1, 2.9, 9.0], treated="b", caliper=None)
    sets = sets_of_pairs(list("baba"), [(0, 1), (2, 3)], treated="b")
    balance = matched_balance({"x": [1.0, 1.0, 2.0, 2.0]}, sets)[0]
    return [*zip(found.control_rows, [3, 2], strict=True), (balance.after.value, 0)]


@hand(
    "causal.mediation.mediation_effects",
    what="mediator 1 + 2 a, outcome 3 a + 4 m by design: 3 direct, 8 indirect",
)
def _() -> Pairs:
    a = np.repeat([0.0, 1.0], 4)
    e, u = np.tile([-1.0, 1, -1, 1], 2), np.tile([-1.0, -1, 1, 1], 2)
    m = 1 + 2 * a + e
    found = mediation_effects(np.ones((8, 1)), a, m, 3 * a + 4 * m + u, names=["one"], interaction=False)
    return [(found.direct.value, 3), (found.indirect.value, 8), (found.total.value, 11)]


@hand(
    "causal.mediation_sensitivity.mediator_confounding",
    what="effect 4, prevalence -1/2: 2 moved from indirect to direct",
)
def _() -> Pairs:
    d = Estimate(value=1.0, conf_low=0.0, conf_high=2.0)
    i = Estimate(value=2.0, conf_low=1.0, conf_high=3.0)
    found = mediator_confounding(d, i, effects=[4.0], prevalences=[-0.5])
    return [(found.direct[0][0].value, 3), (found.indirect[0][0].value, 0)]


@hand("pooling.trim_and_fill.trim_and_fill", what="effects symmetric about 2: none filled, mean 2")
def _() -> Pairs:
    found = trim_and_fill([0.0, 1.0, 2.0, 3.0, 4.0], [0.3, 0.2, 0.1, 0.2, 0.3], model="fixed")
    return [(found.filled.estimate.value, 2)]


@hand(
    "printed.granularity.grim",
    "printed.granularity.grimmer",
    what="146/28 and 145/28 miss 5.19; the SD of 1 and 3 is sqrt 2",
)
def _() -> Pairs:
    return [
        (grim("5.19", 28).finding == "inconsistent", True), (grim("5.19", 32).finding == "consistent", True),
        (grimmer("2.00", "1.41", 2).finding == "consistent", True), (grimmer("2.00", "2.00", 2).finding == "inconsistent", True),
    ]  # fmt: skip


@hand(
    "printed.percent_counts.fitting_counts",
    "printed.percent_counts.fitting_denominators",
    "printed.percent_counts.common_denominators",
    what="11/39 is 28.2 %; 1 as 50 % of 2 only; 1 and 2 as 33 and 67 % of 3",
)
def _() -> Pairs:
    return [
        (fitting_counts("28.2", 39).values[0], 11), (fitting_denominators(1, "50.0", largest=100).values[0], 2),
        (common_denominators([(1, "33"), (2, "67")], largest=100).values[0], 3),
    ]  # fmt: skip


@hand(
    "proportions.score_intervals.score_odds_ratio",
    what="equal shares: 1, with limits that are inverse to one another",
)
def _() -> Pairs:
    e = score_odds_ratio(5, 10, 5, 10)
    return [(e.value, 1), (e.conf_low * e.conf_high, 1)]


@hand("causal.propensity.fit_propensity", what="an intercept alone is not penalised: the share, 3/8")
def _() -> Pairs:
    return [(p, 0.375) for p in fit_propensity(np.ones((8, 1)), np.array([1.0, 1, 1, 0, 0, 0, 0, 0]))]


@hand(
    "survival.kaplan_meier.follow_up",
    "survival.kaplan_meier.number_at_risk",
    what="ends of follow-up at 2, 3, 4 after an event at 1: median 3; at risk 4, 3, 1",
)
def _() -> Pairs:
    table = number_at_risk({"a": kaplan_meier([1, 2, 3, 4], [1, 0, 1, 0])}, [0, 2, 4])
    median = survival_quantile(follow_up([1, 2, 3, 4], [1, 0, 0, 0])).value
    return [(median, 3), *zip(table["n_risk"], [4, 3, 1], strict=True)]


@hand(
    "survival.gray.gray_test",
    what="without censoring or other causes, the log-rank test: chi-squared by its two tables",
)
def _() -> Pairs:
    t = gray_test([1, 2, 3, 4] * 2, [1, 2, 1, 0] * 2, list("aaaabbbb"), cause=1)
    return [(t.statistic, 0), (t.p_value, 1)]


@hand("survival.cox_penalised.fit_firth_cox", what="one of each, the event first: b - log(1 + b) ... r = 3")
def _() -> Pairs:
    # penalised likelihood r / (1 + r) x sqrt(r) / (1 + r): largest at r = 3
    fit = fit_firth_cox([[1], [0]], [1, 2], [1, 0], names=["x"])
    return [(exp(fit.coefficients[0]), 3)]


@hand(
    "charts.run_rules.run_chart",
    "charts.run_rules.shewhart_rules",
    what="alternating 1 and 2: 19 crossings, runs of one; 2 of 3 beyond 2 SD at the fourth and fifth",
)
def _() -> Pairs:
    chart = run_chart([1, 2] * 10)
    signals = shewhart_rules([0, 2.1, 0, 2.2, 3.5], centre=0, sd=1).signals["2 of 3 beyond 2 SD"]
    return [(chart.longest_run, 1), (chart.crossings, 19), (signals[0], 4), (signals[1], 5)]


@hand("regression.contrasts.at_level", what="0 with error 1: z of 90 %")
def _() -> Pairs:
    e = Estimate(value=0.0, conf_low=-Z, conf_high=Z, std_error=1.0)
    return [(at_level(e, 0.9).conf_high, Z95)]


@hand(
    "proportions.stratified_differences.stratified_score_difference",
    what="one stratum: the difference of its shares",
)
def _() -> Pairs:
    return [(stratified_score_difference([[[9, 34], [7, 35]]]).value, 9 / 43 - 7 / 42)]


@hand("resampling.bca.bca_interval", what="1 to 999 around 500 without acceleration: the 25th and the 975th")
def _() -> Pairs:
    units = Jackknife(std_error=1.0, acceleration=0.0, n=50)
    e = bca_interval(np.arange(1.0, 1000.0), 500.0, units).estimate
    return [(e.conf_low, 25), (e.conf_high, 975)]


@hand(
    "causal.negative_control.negative_control_outcome",
    what="an outcome that is its own control: nothing is left",
)
def _() -> Pairs:
    X, y = np.column_stack([np.ones(8), np.tile([0.0, 1.0], 4)]), [1.0, 3.0, 2.0, 5.0, 1.0, 4.0, 2.0, 4.0]
    found = negative_control_outcome(X, y, y, [0, 1], names=["intercept", "exposed"])
    return [(found.calibrated.value, 0), (found.correlation, 1)]


@hand(
    "missing.observation_weights.observed_difference",
    what="a: 4, 6 and 5, 5 weighted alike, mean 5; b: mean 2",
)
def _() -> Pairs:
    X = np.column_stack([np.ones(12), np.repeat([1.0, 0.0], [8, 4])])
    w = observation_weights(
        X, np.array([1, 1, 0, 0] * 2 + [1, 1, 1, 0], dtype=bool), names=["intercept", "a"]
    )
    y = np.array([4.0, 6, np.nan, np.nan, 5, 5, np.nan, np.nan, 1, 2, 3, np.nan])
    return [(observed_difference(y, list("aaaaaaaabbbb"), w)[0].value, -3)]
