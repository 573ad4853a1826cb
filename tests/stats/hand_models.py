"""Closed forms by hand: regression, repeated measures, causal contrasts, missing data."""

from __future__ import annotations

from math import exp, log, sqrt

import numpy as np
from hand_oracles import Pairs, hand
from scipy import stats

from outcomes.estimates import Estimate
from outcomes.stats.causal.bias_analysis import confounder_bias, tipping_effect
from outcomes.stats.causal.crossfit import median_of_repeats
from outcomes.stats.causal.doubly_robust import aipw
from outcomes.stats.causal.evalue import bias_factor, e_value
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.indirect_product import indirect_product
from outcomes.stats.causal.matched_effect import matched_difference
from outcomes.stats.causal.matching import logit_score, sets_of_pairs
from outcomes.stats.causal.negative_control import judge_negative_control
from outcomes.stats.causal.weighting import exposure_weights, weighted_balance, weighted_difference
from outcomes.stats.missing.missing_bounds import difference_bounds, share_bounds
from outcomes.stats.missing.observation_weights import observation_weights
from outcomes.stats.missing.pooled_tests import pooled_chi_squared, pooled_likelihood_ratio
from outcomes.stats.missing.pooled_wald import pooled_wald_test
from outcomes.stats.missing.rubin import pool_estimates, pool_scalar
from outcomes.stats.regression.clusters import robust_covariance
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.firth import fit_firth
from outcomes.stats.regression.interactions import product_columns
from outcomes.stats.regression.likelihood import likelihood_ratio_test
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.marginal import marginal_contrast
from outcomes.stats.regression.ordinal import fit_ordinal
from outcomes.stats.regression.poisson import fit_poisson
from outcomes.stats.regression.shares import explained_shares
from outcomes.stats.regression.splines import restricted_cubic_spline
from outcomes.stats.regression.standardised import risk_contrasts, standardised_risk
from outcomes.stats.regression.wald import wald_test
from outcomes.stats.repeated.gee import fit_gee
from outcomes.stats.repeated.mixed import fit_mixed

ONES = np.ones((3, 1))
LINE = np.column_stack([ONES, [-1.0, 0.0, 1.0]])
#: 3 of 4 with the event where exposed, 1 of 4 where not.
TABLE = np.column_stack([np.ones(8), np.repeat([1.0, 0.0], 4)])
EVENTS = np.array([1, 1, 1, 0, 1, 0, 0, 0.0])


@hand(
    "regression.linear.fit_linear",
    "regression.contrasts.linear_contrast",
    "regression.wald.wald_test",
    what="0, 1, 3 at -1, 0, 1: slope 3/2, residuals 1/6, -2/6, 1/6, F 27",
)
def _() -> Pairs:
    fit = fit_linear(LINE, [0.0, 1.0, 3.0], names=["one", "x"], covariance="classical")
    slope = linear_contrast(fit, [[0.0, 1.0]])[0]
    return [
        (fit.coefficients[0], 4 / 3), (slope.value, 1.5), (slope.std_error, sqrt(1 / 12)), (fit.residual_sd, sqrt(1 / 6)),
        (fit.r2, 27 / 28), (wald_test(fit, [[0.0, 1.0]]).f, 27), (slope.p_value, 2 * stats.t.sf(sqrt(27), 1)),
    ]  # fmt: skip


@hand(
    "regression.clusters.robust_covariance",
    what="a mean of three: HC0 sum of squares over 9; two clusters CR0",
)
def _() -> Pairs:
    residuals = np.array([-1.0, 0.0, 1.0])
    plain = robust_covariance(ONES, residuals, names=["one"], covariance="HC0")
    clustered = robust_covariance(ONES, residuals, names=["one"], clusters=["a", "a", "b"], covariance="CR0")
    hc3 = robust_covariance(ONES, residuals, names=["one"], covariance="HC3")
    return [(plain[0, 0], 2 / 9), (clustered[0, 0], 2 / 9), (hc3[0, 0], 2 / 9 / (2 / 3) ** 2)]


@hand(
    "regression.logistic.fit_logistic",
    "regression.likelihood.likelihood_ratio_test",
    what="3 of 4 against 1 of 4: log odds ratio 2 log 3, error sqrt(8/3)",
)
def _() -> Pairs:
    fit = fit_logistic(TABLE, EVENTS, names=["one", "exposed"], covariance="classical")
    test = likelihood_ratio_test(TABLE, EVENTS, names=["one", "exposed"], drop=["exposed"])
    ratio = 2 * (2 * (3 * log(3 / 4) + log(1 / 4)) - 8 * log(1 / 2))
    return [
        (fit.coefficients[1], 2 * log(3)), (sqrt(fit.covariance[1, 1]), sqrt(8 / 3)),
        (test.statistic, ratio),
    ]  # fmt: skip


@hand(
    "regression.standardised.standardised_risk",
    "regression.standardised.risk_contrasts",
    "regression.marginal.marginal_contrast",
    what="saturated: the shares 1/4 and 3/4, their difference 50 points",
)
def _() -> Pairs:
    fit = fit_logistic(TABLE, EVENTS, names=["one", "exposed"])
    designs = np.stack([np.tile([1.0, k], (8, 1)) for k in (0.0, 1.0)])
    found = standardised_risk(fit, designs)
    d = risk_contrasts(fit, found, [[-1.0, 1.0]])[0]
    m = marginal_contrast(fit, designs[1], designs[0], link="logit")
    return [(found.risks[0], 0.25), (found.risks[1], 0.75), (d.value, 50), (m.value, 50)]


@hand("regression.firth.fit_firth", what="an intercept: log((events + 1/2) / (others + 1/2))")
def _() -> Pairs:
    fit = fit_firth(np.ones((8, 1)), [1.0] + [0.0] * 7, names=["one"], intercept_correction=False)
    return [(fit.coefficients[0], log(1.5 / 7.5))]


@hand(
    "regression.poisson.fit_poisson", what="3 of 4 over 1 of 4: log ratio log 3, HC0 error sqrt(1/12 + 3/4)"
)
def _() -> Pairs:
    fit = fit_poisson(TABLE, EVENTS, names=["one", "exposed"], covariance="HC0")
    return [(fit.coefficients[1], log(3)), (sqrt(fit.covariance[1, 1]), sqrt(1 / 12 + 3 / 4))]


@hand("regression.ordinal.fit_ordinal", what="two grades: the logistic model, log odds ratio 2 log 3")
def _() -> Pairs:
    fit = fit_ordinal(TABLE[:, 1:], EVENTS.astype(int), names=["exposed"], levels=[0, 1])
    return [(fit.coefficients[0], 2 * log(3)), (abs(fit.thresholds[0]), log(3))]


@hand(
    "regression.interactions.product_columns",
    "regression.splines.restricted_cubic_spline",
    what="products; Harrell's basis at 0, 1, 2, 3",
)
def _() -> Pairs:
    columns, _ = product_columns([[2.0, 3.0]], names=["a", "b"], first=["a"], second=["b"])
    basis = restricted_cubic_spline([3.0], [0.0, 1.0, 2.0])
    return [(columns[0, -1], 6), (basis[0, -1] * 1.0, (27 - 8 * 2 + 1) / 4)]


@hand("regression.shares.explained_shares", what="two orthogonal columns, y = 2 a + b: shares 4/5 and 1/5")
def _() -> Pairs:
    a, b = np.array([1.0, 1, -1, -1]), np.array([1.0, -1, 1, -1])
    d = np.tile(np.column_stack([a, b]), (2, 1))
    found = explained_shares(
        d, 2 * d[:, 0] + d[:, 1] + np.r_[a * b, -a * b], names=["a", "b"], groups=["a", "b"]
    )
    return [(found.share[0], 4 / 6), (found.share[1], 1 / 6), (found.r2, 5 / 6)]


@hand("repeated.gee.fit_gee", what="balanced clusters of two: mean 2, CR0 error from cluster totals -2 and 2")
def _() -> Pairs:
    fit = fit_gee(
        np.ones((4, 1)), [0.0, 2.0, 2.0, 4.0], names=["one"], clusters=list("aabb"), covariance="CR0"
    )
    return [(fit.coefficients[0], 2), (fit.covariance[0, 0], 8 / 16)]


@hand(
    "repeated.mixed.fit_mixed", what="balanced one-way: residual mean square 1/2, error sqrt(MS between / n)"
)
def _() -> Pairs:
    y = [0.0, 1.0, 3.0, 4.0, 6.0, 7.0]
    fit = fit_mixed(np.ones((6, 1)), y, names=["one"], subjects=list("aabbcc"))
    return [(fit.coefficients[0], 3.5), (round(fit.covariance[0, 0], 8), 3.0)]


@hand(
    "causal.exposure_model.fit_exposure",
    "causal.matching.logit_score",
    "causal.weighting.exposure_weights",
    what="3 of 4 and 1 of 4 exposed by stratum: chances, logits and inverse weights",
)
def _() -> Pairs:
    model = fit_exposure(TABLE, np.where(EVENTS == 1, "b", "a"), names=["one", "z"])
    made = {k: exposure_weights(model, k) for k in ("inverse probability", "overlap")}
    return [
        (model.probabilities[0, 1], 0.75), (logit_score(model)[0], log(3)), (made["inverse probability"].values[0], 4 / 3),
        (made["inverse probability"].values[3], 4), (made["overlap"].values[0] / made["overlap"].values[3], 1 / 3),
    ]  # fmt: skip


@hand(
    "causal.weighting.weighted_difference",
    "causal.weighting.weighted_balance",
    "causal.doubly_robust.aipw",
    what="two strata, differences 4 and 2 in halves: 3; the stratum balanced",
)
def _() -> Pairs:
    exposure = np.where(EVENTS == 1, "b", "a")
    y = np.array([5.0, 5, 5, 1, 4, 2, 2, 2])
    model = fit_exposure(TABLE, exposure, names=["one", "z"])
    weights = exposure_weights(model)
    predicted = np.column_stack([np.repeat([1.0, 2.0], 4), np.repeat([5.0, 4.0], 4)])
    balance = weighted_balance({"z": TABLE[:, 1]}, exposure, weights.values, kinds={"z": "binary"})[0]
    return [
        (weighted_difference(y, weights)[0].value, 3), (aipw(exposure, y, predicted, model.probabilities).contrasts[0].value, 3),
        (round(balance.after.value, 12), 0), (abs(balance.before.value), 0.5 / sqrt(3 / 16)),
    ]  # fmt: skip


@hand(
    "causal.matched_effect.matched_difference",
    "causal.matching.sets_of_pairs",
    what="three pairs with differences 1, 2, 6: mean 3",
)
def _() -> Pairs:
    sets = sets_of_pairs(list("bababa"), [(0, 1), (2, 3), (4, 5)], treated="b")
    e = matched_difference([1.0, 0.0, 5.0, 3.0, 8.0, 2.0], sets)
    return [(e.value, 3), (sets.n_sets, 3)]


@hand("causal.evalue.e_value", "causal.evalue.bias_factor", what="2 + sqrt(2); 2 x 3 / 4")
def _() -> Pairs:
    e = e_value(2.0, 1.25, 3.2)
    return [(e.value, 2 + sqrt(2)), (e.limit, 1.25 + sqrt(1.25 * 0.25)), (bias_factor(2, 3), 1.5)]


@hand(
    "causal.bias_analysis.confounder_bias",
    "causal.bias_analysis.tipping_effect",
    what="ratio 5 in a half and a fifth: 3 / 1.8; ratio 2 by 0.8 and 0.2: 7/2",
)
def _() -> Pairs:
    e = Estimate(value=2.0, conf_low=1.5, conf_high=8 / 3, unit="ratio")
    made = confounder_bias(e, in_exposed=[0.5], in_unexposed=[0.2], effects=[5.0], measure="ratio")
    # (1 + 0.8 (x - 1)) / (1 + 0.2 (x - 1)) = 2
    tip = tipping_effect(e, in_exposed=0.8, in_unexposed=0.2, measure="ratio")
    return [(made.bias[0], 3 / 1.8), (made.corrected[0].value, 1.2), (tip.value, 3.5)]


@hand("causal.indirect_product.indirect_product", what="2 x 3 with errors of 1: variance 4 + 9")
def _() -> Pairs:
    e = indirect_product(2.0, 1.0, 3.0, 1.0, interval="normal")
    return [(e.value, 6), (e.std_error, sqrt(13))]


@hand(
    "causal.negative_control.judge_negative_control",
    what="5 with error 2, control 3 with error 1: 2 with variance 5; p of 3 beyond 1 either way: z of 2 and 4",
)
def _() -> Pairs:
    primary = Estimate(value=5.0, conf_low=1.0, conf_high=9.0, std_error=2.0)
    control = Estimate(value=3.0, conf_low=1.0, conf_high=5.0, std_error=1.0)
    found = judge_negative_control(primary, control, tolerated=1.0, correlation=0.0)
    return [
        (found.calibrated.value, 2),
        (found.calibrated.std_error, sqrt(5)),
        (found.p_beyond, stats.norm.sf(2) + stats.norm.sf(4)),
    ]


@hand(
    "causal.crossfit.median_of_repeats",
    what="1, 2, 6 with errors of 1: median 2, variance 1 + median of 1, 0, 16",
)
def _() -> Pairs:
    made = [Estimate(value=v, conf_low=v - 2, conf_high=v + 2, std_error=1.0) for v in (1.0, 2.0, 6.0)]
    e = median_of_repeats(made)
    return [(e.value, 2), (e.std_error, sqrt(2))]


@hand(
    "missing.rubin.pool_scalar",
    "missing.rubin.pool_estimates",
    what="1, 2, 3 with variance 2: B = 1, T = 10/3, df 2 / 0.16",
)
def _() -> Pairs:
    p = pool_scalar([1, 2, 3], [sqrt(2)] * 3)
    sets = [Estimate(value=v, conf_low=None, conf_high=None, std_error=1.0, df=30.0) for v in (4.0, 5.0, 6.0)]
    return [(p.estimate.value, 2), (p.total, 10 / 3), (p.estimate.df, 12.5), (p.relative_increase, 2 / 3),
            (pool_estimates(sets).total, 7 / 3)]  # fmt: skip


@hand(
    "missing.pooled_wald.pooled_wald_test",
    "missing.pooled_tests.pooled_chi_squared",
    "missing.pooled_tests.pooled_likelihood_ratio",
    what="D1 9/5; D2 of 4, 9, 9: r = 4/9; D3 of 12 at 9: r = 1/2... F = 9/8",
)
def _() -> Pairs:
    wald = pooled_wald_test([[2, 0], [4, 0]], [[[1, 0], [0, 1]]] * 2)
    # D2: roots 2, 3, 3, variance 1/3, r = 4/3 x 1/3; F = (22/3 / 2 - 4/2 x 4/9) / (1 + 4/9)
    chi = pooled_chi_squared([4.0, 9.0, 9.0], 2)
    lr = pooled_likelihood_ratio([12.0, 10.0, 14.0], [9.0, 9.0, 9.0], 2)
    r = 4 / (2 * 2) * (12 - 9)
    return [(wald.f, 1.8), (chi.f, (22 / 6 - 2 * 4 / 9) / (1 + 4 / 9)), (lr.f, 9 / (2 * (1 + r)))]


@hand(
    "missing.missing_bounds.share_bounds",
    "missing.missing_bounds.difference_bounds",
    what="6 of 10 and 10 missing: 6/20 to 16/20; differences at the extremes",
)
def _() -> Pairs:
    b, d = share_bounds(6, 10, 10), difference_bounds(5, 10, 2, 4, 10, 2)
    return [
        (b.lowest.value, 0.3),
        (b.highest.value, 0.8),
        (d.lowest.value, 5 / 12 - 6 / 12),
        (d.highest.value, 7 / 12 - 4 / 12),
    ]


@hand("missing.observation_weights.observation_weights", what="1 of 2 and 2 of 3 observed: weights 2 and 3/2")
def _() -> Pairs:
    X = [[1, 0], [1, 0], [1, 0], [1, 0], [1, 1], [1, 1], [1, 1]]
    w = observation_weights(X, [1, 0, 1, 0, 1, 1, 0], names=["intercept", "stratum"])
    return [(w.values[0], 2), (w.values[4], 1.5), (w.values[1], 0), (exp(0), 1)]
