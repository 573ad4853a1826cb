"""Closed forms by hand: times to an event, charts, plans."""

from __future__ import annotations

from math import acos, cos, exp, log, sqrt

import numpy as np
from hand_oracles import Pairs, hand
from scipy import stats

from outcomes.stats.charts.attribute_charts import p_chart, u_chart
from outcomes.stats.charts.funnel import proportion_funnel, ratio_funnel
from outcomes.stats.charts.over_dispersion import over_dispersion, widened_limits
from outcomes.stats.charts.risk_adjusted_cusum import observed_minus_expected, risk_adjusted_cusum
from outcomes.stats.charts.standardised_ratio import (
    expected_from_strata,
    indirect_standardisation,
    observed_to_expected,
)
from outcomes.stats.planning.precision import precision_of_proportion
from outcomes.stats.planning.sample_size_clusters import design_effect
from outcomes.stats.planning.sample_size_means import power_two_means, size_two_means
from outcomes.stats.planning.sample_size_proportions import exact_power, size_two_proportions
from outcomes.stats.planning.sample_size_survival import (
    events_for_hazard_ratio,
    power_survival,
    share_with_event,
)
from outcomes.stats.survival.concordance import concordance
from outcomes.stats.survival.cox import cox_contrast, fit_cox
from outcomes.stats.survival.cox_residuals import cox_residuals
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence, incidence_difference
from outcomes.stats.survival.interval_censored import interval_censored_curve
from outcomes.stats.survival.kaplan_meier import kaplan_meier, survival_at, survival_quantile
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.recurrent_events import mean_cumulative_count
from outcomes.stats.survival.restricted_mean import (
    restricted_mean,
    restricted_mean_difference,
    restricted_mean_ratio,
)
from outcomes.stats.survival.subdistribution import fit_subdistribution

Z, Z80 = stats.norm.ppf(0.975), stats.norm.ppf(0.8)
TIME, EVENT = [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1]
X = [[1], [1], [1], [0], [0], [0]]


@hand(
    "survival.kaplan_meier.kaplan_meier",
    "survival.kaplan_meier.survival_at",
    "survival.kaplan_meier.survival_quantile",
    what="events at 1 and 3 of four: 3/4, 3/8, Greenwood; log-log limit; median 3",
)
def _() -> Pairs:
    curve = kaplan_meier([1, 2, 3, 4], [1, 0, 1, 0])
    at = survival_at(curve, [2.5])[0]
    error = sqrt(1 / 12) / abs(log(0.75))
    return [
        (curve.survival[2], 3 / 8), (curve.std_error[2], 3 / 8 * sqrt(1 / 12 + 1 / 2)), (at.value, 0.75),
        (at.conf_low, 0.75 ** exp(Z * error)), (survival_quantile(curve).value, 3),
    ]  # fmt: skip


@hand("survival.log_rank.log_rank", what="two events, expected 2/4 and 1/2, variances 1/4: chi-squared 2")
def _() -> Pairs:
    t = log_rank([1, 2, 3, 4], [1, 0, 1, 0], ["a", "b", "a", "b"])
    return [(t.chi_squared, 2), (t.expected[0], 1), (t.p_value, 2 * stats.norm.sf(sqrt(2)))]


@hand(
    "survival.restricted_mean.restricted_mean",
    "survival.restricted_mean.restricted_mean_difference",
    "survival.restricted_mean.restricted_mean_ratio",
    what="one and two of four at 1, up to 2: 7/4, 3/2",
)
def _() -> Pairs:
    a, b = ([1, 2, 2, 2], [1, 0, 0, 0]), ([1, 1, 2, 2], [1, 1, 0, 0])
    return [
        (restricted_mean(*a, tau=2).value, 1.75), (restricted_mean_difference(*a, *b, tau=2).value, 0.25),
        (restricted_mean_ratio(*a, *b, tau=2).value, 7 / 6),
    ]  # fmt: skip


@hand(
    "survival.cox.fit_cox",
    "survival.cox.cox_contrast",
    what="six rows (Therneau and Grambsch 2000, appendix E): Breslow and Efron in closed form",
)
def _() -> Pairs:
    breslow = fit_cox(X, TIME, EVENT, names=["x"], ties="breslow")
    efron = fit_cox(X, TIME, EVENT, names=["x"])
    r = (3 + sqrt(33)) / 2
    closed = 2 * sqrt(23 / 3) * cos(acos(45 / 23 * sqrt(3 / 23)) / 3)
    information = r / (r + 1) ** 2 + 2 * 3 * r / (r + 3) ** 2
    return [
        (breslow.coefficients[0], log(r)), (cox_contrast(breslow, [[1]])[0].value, r), (efron.coefficients[0], log(closed)),
        (breslow.covariance[0, 0], 1 / information),
    ]  # fmt: skip


@hand(
    "survival.cox_residuals.cox_residuals",
    what="the same, Breslow: Schoenfeld 1 - r / (r + 1), twice about r / (r + 3), 0",
)
def _() -> Pairs:
    r = (3 + sqrt(33)) / 2
    found = cox_residuals(fit_cox(X, TIME, EVENT, names=["x"], ties="breslow")).schoenfeld[:, 0]
    return list(zip(found, [1 - r / (r + 1), 1 - r / (r + 3), -r / (r + 3), 0.0], strict=True))


@hand("survival.concordance.concordance", what="three pairs, two in order: 2/3")
def _() -> Pairs:
    return [(concordance([1, 2, 3], [1, 1, 0], [5.0, 1.0, 2.0]).value, 2 / 3)]


@hand(
    "survival.cumulative_incidence.cumulative_incidence",
    "survival.cumulative_incidence.incidence_difference",
    what="four cases: 1/4 + 3/4 x 1/3, 1/4; difference of 2/4 and 1/4 without censoring",
)
def _() -> Pairs:
    found = cumulative_incidence([1, 2, 2, 3], [1, 2, 1, 0], at=[2])
    d = incidence_difference([1, 2, 3, 4] * 2, [1, 1, 2, 2, 1, 2, 2, 2], list("bbbbaaaa"), at=[4], cause=1)
    row = [r for r in d.rows if r.cause == "1"][-1].estimate
    return [
        (found.at("1", "all", 2).value, 0.5),
        (found.at("2", "all", 2).value, 0.25),
        (abs(row.value), 0.25),
    ]


@hand(
    "survival.subdistribution.fit_subdistribution",
    what="one event each way among four, the others later: r^2 = 2 / (2 ...), Cox's score",
)
def _() -> Pairs:
    # events of b (2 b, 2 a at risk) and of a (1 b, 2 a): 1 - r / (1 + r) - r / (2 + r) = 0, r^2 = 2
    fit = fit_subdistribution([1, 2, 3, 4], [1, 1, 0, 0], [[1], [0], [1], [0]], names=["b"], cause=1)
    return [(fit.ratios[0].value, sqrt(2))]


@hand("survival.recurrent_events.mean_cumulative_count", what="two cases, three events: 3/2, variance 1/8")
def _() -> Pairs:
    e = mean_cumulative_count([5, 5], [1, 2, 2], [0, 0, 1], at=[5]).rows[0].estimate
    return [(e.value, 1.5), (e.std_error, sqrt(1 / 8))]


@hand(
    "survival.interval_censored.interval_censored_curve",
    what="one by 1, one from 1 to 2, one later: 1/3, 2/3",
)
def _() -> Pairs:
    found = interval_censored_curve([0, 1, 2], [1, 2, np.inf], at=[1, 2])
    return [(row.estimate.value, k / 3) for k, row in enumerate(found.rows, 1)]


@hand(
    "charts.standardised_ratio.observed_to_expected",
    "charts.standardised_ratio.indirect_standardisation",
    "charts.standardised_ratio.expected_from_strata",
    what="none over 2: -log(0.025) / 2; ratios 1 and 4; rates of strata",
)
def _() -> Pairs:
    units = indirect_standardisation([1, 0, 1, 1], [0.5, 0.5, 0.25, 0.25], ["a", "a", "b", "b"]).units
    rates = expected_from_strata(["old", "young"], [1, 5], [10, 20], levels=["young", "old"])
    return [
        (observed_to_expected(0, 2).conf_high, -log(0.025) / 2), (units[0].ratio.value, 1), (units[1].ratio.value, 4),
        (rates[0], 0.25), (rates[1], 0.1),
    ]  # fmt: skip


@hand(
    "charts.funnel.proportion_funnel",
    "charts.funnel.ratio_funnel",
    what="one case, target 1/2; expected log 2: interpolated by hand",
)
def _() -> Pairs:
    one = proportion_funnel([1], 0.5, probabilities=[0.25], fewest=0).raw[0, 0]
    return [(one, -0.5), (ratio_funnel([log(2)], probabilities=[0.25], fewest=0).raw[0, 0], -0.5 / log(2))]


@hand(
    "charts.over_dispersion.over_dispersion",
    "charts.over_dispersion.widened_limits",
    what="z of -2, 2, -2, 2: phi 4, tau squared 3, limits 2 z",
)
def _() -> Pairs:
    found = over_dispersion([-2, 2, -2, 2], [1, 1, 1, 1], 0, winsorise=0, target_known=True)
    return [(found.phi, 4), (found.tau, sqrt(3)), (widened_limits(0.0, [1.0], found)[1][0], 2 * Z)]


@hand(
    "charts.risk_adjusted_cusum.risk_adjusted_cusum",
    "charts.risk_adjusted_cusum.observed_minus_expected",
    what="even risk, twice the odds: log(4/3) up",
)
def _() -> Pairs:
    score = risk_adjusted_cusum([0, 1, 1], [0.5, 0.5, 0.5]).score
    return [(score[2], 2 * log(4 / 3)), (observed_minus_expected([0, 1], [0.25, 0.25]).difference[1], -0.5)]


@hand(
    "charts.attribute_charts.p_chart", "charts.attribute_charts.u_chart", what="three errors above the centre"
)
def _() -> Pairs:
    p = p_chart([5, 5, 30], [100, 100, 100], method="normal", centre=0.05)
    u = u_chart([2, 3, 20], [10, 10, 10], centre=0.3, method="normal")
    return [(p.high[0], 0.05 + 3 * sqrt(0.05 * 0.95 / 100)), (u.high[0], 0.3 + 3 * sqrt(0.3 / 10))]


@hand(
    "planning.sample_size_means.size_two_means",
    "planning.sample_size_means.power_two_means",
    what="half an SD by the normal: 8 (z + z)^2; power at 32",
)
def _() -> Pairs:
    power = power_two_means(32, 32, 0.5, 1, method="z").power
    return [
        (size_two_means(0.5, 1, method="z").groups[0], np.ceil(8 * (Z + Z80) ** 2)),
        (power, stats.norm.sf(Z - 2) + stats.norm.cdf(-Z - 2)),
    ]  # fmt: skip


@hand(
    "planning.sample_size_proportions.size_two_proportions",
    "planning.sample_size_proportions.exact_power",
    what="0.65 and 0.85 unpooled; Fisher with 4 and 4: 2 / 2^8",
)
def _() -> Pairs:
    size = size_two_proportions(0.65, 0.85, method="unpooled").groups[0]
    return [
        (size, np.ceil((Z + Z80) ** 2 * (0.65 * 0.35 + 0.85 * 0.15) / 0.04)),
        (exact_power(4, 4, 0.5, 0.5).power, 2**-7),
    ]


@hand(
    "planning.sample_size_survival.events_for_hazard_ratio",
    "planning.sample_size_survival.power_survival",
    "planning.sample_size_survival.share_with_event",
    what="Schoenfeld: 4 (z + z)^2 / (log 2)^2; 1 - 1/e",
)
def _() -> Pairs:
    power = power_survival(64, 2).power
    return [
        (events_for_hazard_ratio(2), 4 * (Z + Z80) ** 2 / log(2) ** 2),
        (power, stats.norm.sf(Z - 4 * log(2)) + stats.norm.cdf(-Z - 4 * log(2))), (share_with_event(1.0, 1.0), 1 - exp(-1)),
        (share_with_event(1.0, 0.0, accrual=1.0), exp(-1)),
    ]  # fmt: skip


@hand(
    "planning.sample_size_clusters.design_effect",
    "planning.precision.precision_of_proportion",
    what="1 + 20 x 0.05; Wald at 1/2 within 0.05",
)
def _() -> Pairs:
    return [
        (design_effect(21, 0.05), 2),
        (precision_of_proportion(0.05, 0.5, method="Wald").n, np.ceil(Z**2 / 4 / 0.0025)),
    ]
