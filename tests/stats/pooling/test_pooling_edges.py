"""Pooling at its edges: unequal errors by their formulas, moderators in every rule, the fewest studies, one value short."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.pooling.heterogeneity import (
    judge_heterogeneity,
    tau_squared,
    tau_squared_interval,
    weighted_fit,
)
from outcomes.stats.pooling.meta_regression import egger, meta_regression
from outcomes.stats.pooling.peto import peto_odds_ratio
from outcomes.stats.pooling.pooled_effect import effect_estimate, leave_one_out, pool
from outcomes.stats.pooling.rank_asymmetry import rank_asymmetry
from outcomes.stats.pooling.strata_homogeneity import effect_homogeneity
from outcomes.stats.pooling.study_effects import effects_of_estimates, effects_of_means, effects_of_tables
from outcomes.stats.pooling.tau_likelihood import likelihood_tau_squared
from outcomes.stats.pooling.trim_and_fill import trim_and_fill
from outcomes.stats.proportions.risks import risk_ratio
from outcomes.stats.proportions.strata import mantel_haenszel

Y = np.array([0.3, -0.4, 1.1, 0.45, 0.2])
SE = np.array([0.2, 0.15, 0.3, 0.1, 0.25])
X = np.array([1.0, 4, 2, 7, 5])
TABLES = [[[12, 38], [5, 45]], [[9, 21], [8, 32]], [[4, 16], [3, 27]]]


def q_at(y, v, design, tau2):
    """Return the weighted squares about the weighted fit, with full matrices."""
    inverse = np.diag(1 / (v + tau2))
    beta = np.linalg.solve(design.T @ inverse @ design, design.T @ inverse @ y)
    return float((y - design @ beta) @ inverse @ (y - design @ beta))


def test_typical_variance_of_unequal_errors():
    """(k - 1) sum w / ((sum w)^2 - sum w^2): I squared, its limits and H squared from tau squared over it."""
    w = 1 / SE**2
    typical = 4 * w.sum() / (w.sum() ** 2 - (w**2).sum())
    h = judge_heterogeneity(Y, SE, method="PM", level=0.9)
    assert math.isclose(h.i2_of_tau2, 100 * h.tau2 / (h.tau2 + typical), rel_tol=1e-12)
    assert math.isclose(h.h2, 1 + h.tau2 / typical, rel_tol=1e-12)
    assert math.isclose(h.i2_low, 100 * h.tau2_low / (h.tau2_low + typical), rel_tol=1e-12)
    assert math.isclose(h.i2_high, 100 * h.tau2_high / (h.tau2_high + typical), rel_tol=1e-12)
    assert math.isclose(h.i2, 100 * (h.q - 4) / h.q, rel_tol=1e-12)
    assert h.q_df == 4
    assert math.isclose(h.q_p, stats.chi2.sf(h.q, 4), rel_tol=1e-10)
    table = h.tidy()
    assert table["conf_high"].tolist() == [h.tau2_high, h.i2_high]
    assert table["q_df"].tolist() == [4, 4]


def test_moderators_in_the_rules_for_tau_squared():
    v, design = SE**2, np.column_stack([np.ones(5), X])
    w = np.diag(1 / v)
    p = w - w @ design @ np.linalg.inv(design.T @ w @ design) @ design.T @ w
    q = q_at(Y, v, design, 0.0)
    assert math.isclose(tau_squared(Y, SE, method="DL", design=design), (q - 3) / np.trace(p), rel_tol=1e-10)
    assert math.isclose(tau_squared(Y, SE, method="HS", design=design), (q - 5) / np.trace(w), rel_tol=1e-10)
    found = tau_squared(Y, SE, method="PM", design=design)
    assert math.isclose(q_at(Y, v, design, found), 3.0, rel_tol=1e-10)
    start = Y.var()
    expected = start * q_at(Y, v, design, start) / 3
    assert math.isclose(tau_squared(Y, SE, method="SJ", design=design), expected, rel_tol=1e-10)


def test_limits_of_tau_squared_with_a_moderator():
    design = np.column_stack([np.ones(5), X])
    low, high = tau_squared_interval(Y, SE, 0.9, design=design)
    assert math.isclose(q_at(Y, SE**2, design, low), stats.chi2.isf(0.05, 3), rel_tol=1e-9)
    assert math.isclose(q_at(Y, SE**2, design, high), stats.chi2.isf(0.95, 3), rel_tol=1e-9)
    assert tau_squared_interval(Y[:2], SE[:2], design=np.column_stack([np.ones(2), [0.0, 1.0]])) is None


def test_no_variance_between_where_studies_agree_enough():
    """Q of 2 (0, 2; errors 1) on 1 df; errors of sqrt(2): Q is 1, just the degrees of freedom."""
    assert math.isclose(tau_squared([0, 2], [1, 1], method="PM"), 1.0, rel_tol=1e-9)
    at = [0.0, 2.0], [math.sqrt(2)] * 2
    for rule in ("PM", "EB", "DL", "REML"):
        assert tau_squared(*at, method=rule) == pytest.approx(0.0, abs=1e-9)
    assert judge_heterogeneity([0.0, 1.0], [1, 1]).i2 == 0.0
    assert judge_heterogeneity([0.0, 1.0], [1, 1]).h2 == 1.0
    ones = np.ones((3, 1))
    assert likelihood_tau_squared(np.array([0.0, 0.1, 0.2]), np.ones(3), ones, 0.01, restricted=True) == 0.0


@pytest.mark.parametrize("ratio", [False, True])
def test_prediction_of_three_studies_by_hand(ratio):
    """0, 2, 4 with errors 1: tau squared 3, variance 4/3 plain and by Hartung and Knapp; t of 1 df and of 2."""
    back = math.exp if ratio else float
    root = math.sqrt(3 + 4 / 3)
    for kind, df in (("t(k-2)", 1), ("t(k-1), Hartung-Knapp", 2), ("normal", math.inf)):
        found = pool([0, 2, 4], [1, 1, 1], prediction=kind, ratio=ratio)
        quantile = stats.norm.ppf(0.975) if math.isinf(df) else stats.t.ppf(0.975, df)
        assert found.prediction_low == pytest.approx(back(2 - quantile * root), rel=1e-8)
        assert found.prediction_high == pytest.approx(back(2 + quantile * root), rel=1e-8)
    fixed = pool([0, 2, 4], [1, 1, 1], model="fixed")
    assert (fixed.prediction_low, fixed.prediction_high) == (None, None)
    assert pool([1, 1, 1], [1, 1, 1], prediction="t(k-1), Hartung-Knapp").prediction_low is None


def test_prediction_with_the_variance_of_hartung_and_knapp():
    found = pool(Y, SE, prediction="t(k-1), Hartung-Knapp", tau2="DL", level=0.9)
    w = 1 / (SE**2 + found.heterogeneity.tau2)
    variance = w @ (Y - w @ Y / w.sum()) ** 2 / 4 / w.sum()
    assert math.isclose(found.estimate.std_error**2, variance, rel_tol=1e-10)
    assert found.estimate.df == 4
    half = stats.t.ppf(0.95, 4) * math.sqrt(found.heterogeneity.tau2 + variance)
    assert math.isclose(found.prediction_high, found.estimate.value + half, rel_tol=1e-10)
    assert np.allclose(found.weights, 100 * w / w.sum(), rtol=1e-12)


def test_hartung_knapp_not_below_normal_where_studies_differ_less_and_more():
    """The factor q / (k - 1), or 1 where it is smaller."""
    for y, factor in (([0.0, 0.5, 1.0], 1.0), ([0.0, 2.0, 4.0], 1.0), ([0.0, 3.0, 9.0], None)):
        kept = pool(y, [1, 1, 1], interval="Hartung-Knapp, not below normal", tau2="ML").estimate
        plain = pool(y, [1, 1, 1], interval="normal", tau2="ML").estimate
        free = pool(y, [1, 1, 1], tau2="ML").estimate
        assert math.isclose(kept.std_error, max(plain.std_error, free.std_error), rel_tol=1e-12)
        if factor and free.std_error <= plain.std_error:
            assert math.isclose(kept.std_error, plain.std_error, rel_tol=1e-12)
        assert kept.df == 2


def test_ratios_at_the_end_of_numbers():
    def ratio(log, variance=1.0):
        return effect_estimate(
            log, variance, math.inf, level=0.95, ratio=True, contrast="", unit="", n=3, method=""
        )

    assert ratio(700.0).value == math.exp(700)
    assert ratio(700.0).conf_high is None
    assert "a limit" in ratio(700.0).reason
    assert ratio(-700.0).conf_low is None
    assert ratio(700.1).value is None
    assert ratio(0.0, None).conf_low is None
    assert ratio(0.0, None).value == 1.0


def test_without_each_study_in_turn():
    found = leave_one_out(Y, SE, model="fixed", unit="points", contrast="a minus b", level=0.9)
    assert found.left_out == tuple(f"study {i}" for i in range(1, 6))
    for i, result in enumerate(found.results):
        kept = np.arange(5) != i
        assert (
            result.estimate
            == pool(Y[kept], SE[kept], model="fixed", unit="points", contrast="a minus b", level=0.9).estimate
        )
        assert result.names == tuple(f"study {j + 1}" for j in range(5) if j != i)
    values = [r.estimate.value for r in found.results]
    low, high = int(np.argmin(values)), int(np.argmax(values))
    assert str(found) == (
        f"leaving one study out: from {min(values):.4g} (without study {low + 1}) to {max(values):.4g} "
        f"(without study {high + 1})"
    )
    assert pool(Y, SE).names == found.left_out
    assert "not estimable" in str(leave_one_out([1.0, 2.0], [1.0, 1.0]))


def test_share_of_variance_that_a_moderator_explains():
    line = meta_regression(Y, SE, X, tau2="DL", level=0.9)
    design = np.column_stack([np.ones(5), X])
    assert math.isclose(line.tau2, tau_squared(Y, SE, method="DL", design=design), rel_tol=1e-9)
    assert math.isclose(line.tau2_without, tau_squared(Y, SE, method="DL"), rel_tol=1e-12)
    assert math.isclose(line.r2, max(0.0, 100 * (1 - line.tau2 / line.tau2_without)), abs_tol=1e-9)
    assert (line.q_df, line.slope.df, line.slope.n) == (3, 3, 5)
    assert math.isclose(line.q_residual, q_at(Y, SE**2, design, 0.0), rel_tol=1e-9)
    assert math.isclose(line.q_p, stats.chi2.sf(line.q_residual, 3), rel_tol=1e-9)
    # slope and intercept with full matrices, variance by the weighted residuals
    w = np.diag(1 / (SE**2 + line.tau2))
    inverse = np.linalg.inv(design.T @ w @ design)
    beta, scale = inverse @ design.T @ w @ Y, q_at(Y, SE**2, design, line.tau2) / 3
    for e, j in ((line.intercept, 0), (line.slope, 1)):
        assert math.isclose(e.value, beta[j], rel_tol=1e-9)
        assert math.isclose(e.std_error**2, scale * inverse[j, j], rel_tol=1e-9)
        assert math.isclose(e.conf_high - e.value, stats.t.ppf(0.95, 3) * e.std_error, rel_tol=1e-9)
    half = meta_regression([0.0, 3.0, 1.0, 5.0], [1.0] * 4, [0, 0, 1, 1], tau2="DL")
    assert half.r2 == max(0.0, 100 * (1 - half.tau2 / half.tau2_without))
    assert meta_regression([0.0, 0.1, 0.2], [1.0] * 3, [0, 1, 5]).r2 is None


def test_asymmetry_of_three_studies():
    found = egger([1.0, 2.5, 3.0], [1.0, 2.0, 4.0], ratio=True, unit="ignored", level=0.9)
    plain = stats.linregress([1, 0.5, 0.25], [1.0, 1.25, 0.75])
    assert (found.asymmetry.df, found.k, found.asymmetry.unit) == (1, 3, "standard errors")
    assert math.isclose(found.asymmetry.value, plain.intercept, rel_tol=1e-9)
    assert math.isclose(
        found.asymmetry.conf_high - found.asymmetry.value,
        stats.t.ppf(0.95, 1) * plain.intercept_stderr,
        rel_tol=1e-8,
    )
    assert math.isclose(found.limit_effect.value, math.exp(plain.slope), rel_tol=1e-9)
    assert found.limit_effect.unit == "ratio"


def test_petos_parts_by_hand():
    """Expected n1 m1 / n and variance n1 n0 m1 m0 / (n^2 (n - 1)) of each stratum, squares about the common log."""
    excess, variance = [], []
    for (a, b), (c, d) in TABLES:
        n1, n0, m1, m0, n = a + b, c + d, a + c, b + d, a + b + c + d
        excess.append(a - n1 * m1 / n)
        variance.append(n1 * n0 * m1 * m0 / (n**2 * (n - 1)))
    log = sum(excess) / sum(variance)
    found = peto_odds_ratio(TABLES, 0.9)
    assert math.isclose(found.odds_ratio.value, math.exp(log), rel_tol=1e-12)
    assert math.isclose(found.odds_ratio.std_error, 1 / math.sqrt(sum(variance)), rel_tol=1e-12)
    assert math.isclose(
        found.odds_ratio.conf_low,
        math.exp(log - 1.6448536269514722 / math.sqrt(sum(variance))),
        rel_tol=1e-10,
    )
    squares = sum(v * (e / v - log) ** 2 for e, v in zip(excess, variance, strict=True))
    assert math.isclose(found.homogeneity.statistic, squares, rel_tol=1e-10)
    assert found.homogeneity.df == 2
    assert math.isclose(found.homogeneity.p_value, stats.chi2.sf(squares, 2), rel_tol=1e-10)
    assert (found.odds_ratio.n, found.n_strata, found.n_uninformative) == (220, 3, 0)
    row = peto_odds_ratio([*TABLES, [[0, 3], [0, 4]], [[2, 0], [3, 0]], [[0, 0], [1, 3]]]).tidy().iloc[0]
    assert (row["n"], row["n_strata"], row["n_uninformative"]) == (220, 6, 3)


@pytest.mark.parametrize("measure", ["log risk ratio", "log odds ratio", "risk difference"])
def test_homogeneity_about_either_middle(measure):
    effects = effects_of_tables(TABLES, measure)
    w = 1 / effects.std_errors**2
    pooled = mantel_haenszel(TABLES)
    middle = {
        "log risk ratio": math.log(pooled.risk_ratio.value),
        "log odds ratio": math.log(pooled.odds_ratio.value),
        "risk difference": pooled.risk_difference.value,
    }[measure]
    for about, centre in (("inverse variance", w @ effects.values / w.sum()), ("Mantel-Haenszel", middle)):
        test = effect_homogeneity(TABLES, measure, about=about)
        expected = float(w @ (effects.values - centre) ** 2)
        assert math.isclose(test.statistic, expected, rel_tol=1e-10)
        assert (test.df, test.n_strata, test.n_uninformative) == (2, 3, 0)
        assert math.isclose(test.p_value, stats.chi2.sf(expected, 2), rel_tol=1e-10)


def test_homogeneity_of_one_and_of_two_strata():
    one = effect_homogeneity([TABLES[0], [[0, 9], [0, 8]]], "log odds ratio")
    assert (one.statistic, one.n_strata, one.n_uninformative) == (None, 2, 1)
    assert one.reason == "fewer than two strata with an effect of their own"
    assert effect_homogeneity(TABLES[:2], "log odds ratio").df == 1
    assert effect_homogeneity([[[0, 9], [0, 8]]], "log odds ratio").n_uninformative == 1


def test_effects_of_tables_by_hand():
    (a, b), (c, d) = TABLES[0]
    ratio, odds, difference = (
        effects_of_tables(TABLES[:1], m) for m in ("log risk ratio", "log odds ratio", "risk difference")
    )
    assert math.isclose(ratio.values[0], math.log(a / 50 / (c / 50)))
    assert math.isclose(ratio.std_errors[0] ** 2, 1 / a - 1 / 50 + 1 / c - 1 / 50)
    assert math.isclose(odds.values[0], math.log(a * d / (b * c)))
    assert math.isclose(odds.std_errors[0] ** 2, 1 / a + 1 / b + 1 / c + 1 / d)
    assert math.isclose(difference.values[0], a / 50 - c / 50)
    assert math.isclose(difference.std_errors[0] ** 2, a * b / 50**3 + c * d / 50**3)
    assert odds.tidy()["group"].tolist() == [1]
    assert effects_of_tables([*TABLES[:1], [[0, 4], [0, 5]]], "risk difference").used.tolist() == [0]


def test_effects_of_means_of_unequal_groups():
    """SD 2 of 8 and 3 of 13: variance 4/8 + 9/13; pooled (7 x 4 + 12 x 9) / 19."""
    groups = ([5.0], [2.0], [8], [3.0], [3.0], [13])
    plain, pooled = (effects_of_means(*groups, m) for m in ("mean difference", "mean difference, pooled SD"))
    square = (7 * 4 + 12 * 9) / 19
    assert plain.values[0] == pooled.values[0] == 2.0
    assert math.isclose(plain.std_errors[0] ** 2, 4 / 8 + 9 / 13)
    assert math.isclose(pooled.std_errors[0] ** 2, square * (1 / 8 + 1 / 13))
    d = 2 / math.sqrt(square)
    cohen = effects_of_means(*groups, "Cohen d")
    assert math.isclose(cohen.values[0], d)
    assert math.isclose(cohen.std_errors[0] ** 2, 1 / 8 + 1 / 13 + d * d / 42)
    exact = effects_of_means(*groups, "Hedges g")
    j = math.exp(math.lgamma(9.5) - math.lgamma(9.0)) / math.sqrt(9.5)
    assert math.isclose(exact.values[0], j * d, rel_tol=1e-10)
    rough = effects_of_means(*groups, "Hedges g, approximate J")
    assert math.isclose(rough.values[0], (1 - 3 / (4 * 19 - 1)) * d)


def test_effects_of_estimates_that_have_none():
    estimates = [risk_ratio(4, 20, 5, 25), risk_ratio(0, 20, 5, 25), risk_ratio(9, 30, 6, 33)]
    found = effects_of_estimates(estimates)
    assert (found.used.tolist(), found.left_out) == ([0, 2], 1)
    assert np.allclose(np.exp(found.values), [1.0, 9 / 30 / (6 / 33)])


def test_rank_test_of_49_studies_is_exact():
    y, se = np.linspace(0, 1, 49) ** 2, np.linspace(0.1, 0.9, 49)
    assert rank_asymmetry(y, se).method == "Kendall, exact"
    assert 0 < rank_asymmetry(y, se).p_value < 1e-50
    # the same error twice is a tie, however the effects differ
    assert rank_asymmetry([0.1, 0.4, 0.9], [0.2, 0.2, 0.5]).method == "Kendall, normal, ties"


def test_trim_and_fill_by_hand():
    """Small studies to the right: ranks of the distances from the weighted mean, until the number stays."""
    y, w = np.array([-0.5, 0.0, 0.4, 2.0, 3.0, 5.0]), np.array([1.0, 100, 25, 1, 0.25, 0.25])
    found = trim_and_fill(y, w**-0.5, side="left", model="fixed")
    kept, tried = 0, None
    while tried != kept:
        tried = kept
        centre = np.average(y[: 6 - kept], weights=w[: 6 - kept])
        ranks = stats.rankdata(np.abs(y - centre))
        c = (4 * ranks[y > centre].sum() - 42) / 11
        kept = min(max(0, round(c)), 5)
    variance = (6 * 7 * 13 + 10 * c**3 + 27 * c**2 + 17 * c - 108 * c**2 - 108 * c + 216 * c) / 24
    assert found.added == kept == 2
    assert math.isclose(found.std_error, 4 * math.sqrt(variance) / 11, rel_tol=1e-12)
    both, weights = np.concatenate([y, 2 * centre - y[::-1][:2]]), np.concatenate([w, w[::-1][:2]])
    assert math.isclose(found.filled.estimate.value, np.average(both, weights=weights), rel_tol=1e-12)
    assert found.filled.k == 8
    right = trim_and_fill(-y, w**-0.5, side="right", model="fixed")
    assert math.isclose(right.filled.estimate.value, -found.filled.estimate.value, rel_tol=1e-12)
    assert found.tidy()["added"].tolist() == [0, 2]


def test_side_by_the_slope_of_effects_on_errors():
    assert trim_and_fill([0.0, 1.0, 2.0], [0.1, 0.2, 0.3], model="fixed").side == "left"
    assert trim_and_fill([2.0, 1.0, 0.0], [0.1, 0.2, 0.3], model="fixed").side == "right"


def test_weighted_fit_of_a_line():
    design = np.column_stack([np.ones(5), X])
    fit = weighted_fit(Y, SE**2, design, 0.04)
    w = np.diag(1 / (SE**2 + 0.04))
    inverse = np.linalg.inv(design.T @ w @ design)
    assert np.allclose(fit.covariance, inverse, rtol=1e-10)
    assert np.allclose(fit.beta, inverse @ design.T @ w @ Y, rtol=1e-10)
    assert math.isclose(fit.q, q_at(Y, SE**2, design, 0.04), rel_tol=1e-10)


@pytest.mark.parametrize("unit", [1e-9, 1.0, 1e9])
def test_tiny_and_huge_units_keep_their_intervals(unit):
    """Rounding is judged in units of the values: what differs in one unit differs in every other."""
    for result in (
        meta_regression(unit * Y, unit * SE, X).slope,
        egger(unit * Y, unit * SE).limit_effect,
        pool(unit * Y, unit * SE).estimate,
    ):
        assert result.conf_low is not None
        assert result.conf_low < result.value < result.conf_high
    plain, other = meta_regression(Y, SE, X).slope, meta_regression(unit * Y, unit * SE, X).slope
    assert math.isclose(other.p_value, plain.p_value, rel_tol=1e-6)


def test_a_line_far_from_0_without_residuals_has_no_interval():
    line = meta_regression([1e6 + 0.1 * x for x in (0, 1, 3, 7)], [0.1, 0.2, 0.1, 0.3], [0, 1, 3, 7])
    assert math.isclose(line.slope.value, 0.1, rel_tol=1e-6)
    assert line.slope.conf_low is None
    assert "exactly on the line" in line.slope.reason
    same = pool([1e6 + 0.1] * 3, [0.1, 0.2, 0.3])
    assert same.estimate.conf_low is None


@pytest.mark.parametrize(
    "measure",
    ["mean difference", "mean difference, pooled SD", "Cohen d", "Hedges g", "Hedges g, approximate J"],
)
def test_groups_without_spread_or_of_one_have_no_effect(measure):
    groups = [1, 2, 3], [0, 1, 1], [5, 1, 2], [0, 0, 0], [0, 1, 1], [5, 5, 2]
    found = effects_of_means(*groups, measure)
    assert (found.used.tolist(), found.left_out) == ([2], 2)


def test_side_and_number_at_their_limits():
    """With weights 1 / error^2 the line falls, with 1 / error it would rise; of three studies two may be mirrored."""
    assert trim_and_fill([4.0, 1.0, 3.0, 5.0], [1.0, 2.0, 4.0, 8.0], model="fixed").side == "right"
    # ranks 2 and 3 on the right: (4 x 5 - 12) / 5 = 1.6
    assert trim_and_fill([0.0, 1.0, 2.0], [0.001, 1.0, 1.0], side="left", model="fixed").added == 2


def test_names_of_all_studies_are_taken_where_one_was_left_out():
    tables = [[[5, 95], [10, 90]], [[0, 50], [0, 50]], [[8, 92], [9, 91]], [[3, 47], [6, 44]]]
    effects = effects_of_tables(tables, "log odds ratio")
    assert effects.left_out == 1
    every = ["A", "B", "C", "D"]
    pooled = pool(effects, names=every, ratio=True)
    assert pooled.names == ("A", "C", "D") == pool(effects, names=["A", "C", "D"]).names
    assert pooled.estimate == pool(effects.values, effects.std_errors, ratio=True).estimate
    assert str(pooled).endswith(f"1 study left out ({effects.reason})")
    assert int(pooled.tidy()["n_missing"].iloc[0]) == 1
    assert leave_one_out(effects, names=every).left_out == ("A", "C", "D")
    with pytest.raises(EstimationError, match=r"4 names for 3 studies; .* those of the studies used"):
        pool(effects.values, effects.std_errors, names=every)
    with pytest.raises(EstimationError, match="hold them already"):
        pool(effects, effects.std_errors)
    with pytest.raises(EstimationError, match="give the standard error of each study"):
        pool([0.1, 0.2])
