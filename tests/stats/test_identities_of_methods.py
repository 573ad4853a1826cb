"""Methods that must agree where one is a special case of the other, and laws that hold for many at once."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats

from outcomes.estimates import Estimate, Margin
from outcomes.stats.agreement.icc import intraclass_correlation
from outcomes.stats.causal.doubly_robust import aipw
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.weighting import exposure_weights, weighted_difference
from outcomes.stats.charts.standardised_ratio import indirect_standardisation, observed_to_expected
from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.balance import standardised_difference
from outcomes.stats.groups.effect_size import hedges_g
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.multiple_comparisons import games_howell, tukey_kramer
from outcomes.stats.groups.paired import paired_mean_difference
from outcomes.stats.groups.permutation import permutation_test
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis, mann_whitney
from outcomes.stats.groups.stratified_ranks import van_elteren
from outcomes.stats.groups.trend import cochran_armitage, linear_trend
from outcomes.stats.pooling.peto import peto_odds_ratio
from outcomes.stats.pooling.pooled_effect import pool
from outcomes.stats.proportions.contingency import chi_squared
from outcomes.stats.proportions.risks import odds_ratio, risk_difference, risk_ratio, wilson
from outcomes.stats.proportions.score_intervals import score_test
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.proportions.stratified_differences import stratified_newcombe
from outcomes.stats.regression.linear import fit_linear, linear_contrast
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.poisson import fit_poisson
from outcomes.stats.regression.standardised import risk_contrasts, standardised_risk
from outcomes.stats.repeated.gee import fit_gee
from outcomes.stats.repeated.mixed import fit_mixed
from outcomes.stats.resampling.bca import Jackknife, bca_interval
from outcomes.stats.resampling.bootstrap import percentile_interval
from outcomes.stats.survival.cox import fit_cox
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence
from outcomes.stats.survival.kaplan_meier import kaplan_meier
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.restricted_mean import restricted_mean
from outcomes.stats.survival.subdistribution import fit_subdistribution
from outcomes.stats.testing.equivalence import non_inferiority, tost

RNG = np.random.default_rng(20)
A, B = RNG.normal(10, 2, 23).round(1), RNG.normal(11, 3, 17).round(1)
X = np.column_stack([np.ones(60), RNG.integers(0, 2, 60), RNG.normal(size=60).round(2)])
Y = (X @ [1.0, 0.5, 0.3] + RNG.normal(size=60)).round(2)
EVENT = (RNG.random(60) < 1 / (1 + np.exp(-(X @ [-0.4, 0.7, 0.5])))).astype(float)
COUNT = np.repeat([1, 2, 3], 20)
CLUSTER = np.repeat(np.arange(20), 3)
TIME = RNG.permutation(np.arange(1.0, 61.0))
NAMES = ["one", "group", "x"]
#: Closed forms and their special cases; searches and iterations.
CLOSED, SEARCHED = 1e-12, 1e-8


def close(value: object, other: object, relative: float = CLOSED) -> None:
    np.testing.assert_allclose(
        np.asarray(value, float), np.asarray(other, float), rtol=relative, atol=relative * 1e-2
    )


class TestSpecialCases:
    def test_pooled_t_squared_is_the_f_of_two_groups(self) -> None:
        t, f = mean_difference(A, B, pooled=True), one_way_anova([A, B])
        close([(t.value / t.std_error) ** 2, t.p_value, t.df], [f.f, f.p_value, f.df_within])

    def test_welch_t_squared_is_welchs_f_of_two_groups(self) -> None:
        t, f = mean_difference(A, B), welch_anova([A, B])
        close([(t.value / t.std_error) ** 2, t.p_value, t.df], [f.f, f.p_value, f.df_within])

    def test_pooled_t_is_the_linear_model_and_welch_is_its_hc2(self) -> None:
        y, group = np.r_[A, B], np.r_[np.ones(len(A)), np.zeros(len(B))]
        design = np.column_stack([np.ones(len(y)), group])
        for pooled, kind in ((True, "classical"), (False, "HC2")):
            fit = fit_linear(design, y, names=["one", "group"], covariance=kind)
            t = mean_difference(A, B, pooled=pooled)
            close([fit.coefficients[1], math.sqrt(fit.covariance[1, 1])], [t.value, t.std_error])

    def test_paired_t_is_the_mean_of_the_differences(self) -> None:
        a, b = A[:17], B
        t = paired_mean_difference(a, b)
        fit = fit_linear(np.ones((17, 1)), a - b, names=["mean"], covariance="classical")
        mean = linear_contrast(fit, [[1.0]])[0]
        close(
            [t.value, t.std_error, t.p_value, t.conf_low],
            [mean.value, mean.std_error, mean.p_value, mean.conf_low],
        )

    def test_mann_whitney_by_the_normal_is_kruskal_wallis_of_two_groups(self) -> None:
        a, b = np.round(A), np.round(B)  # ties
        h, u = kruskal_wallis([a, b]), mann_whitney(a, b, method="normal")
        # without the continuity correction: U, its mean and its variance with ties
        n, m = len(a), len(b)
        _, ties = np.unique(np.r_[a, b], return_counts=True)
        total = n + m
        variance = n * m / 12 * (total + 1 - (ties**3 - ties).sum() / (total * (total - 1)))
        close((u.statistic - n * m / 2) ** 2 / variance, h.statistic)
        assert u.p_value > h.p_value

    def test_van_elteren_of_one_stratum_is_kruskal_wallis(self) -> None:
        one = van_elteren(A, B, (np.zeros(len(A)), np.zeros(len(B))))
        close(one.p_value, kruskal_wallis([A, B]).p_value)

    def test_every_arrangement_of_ranks_is_the_exact_mann_whitney(self) -> None:
        a, b = [1.0, 2.0, 7.0, 9.0], [3.0, 4.0, 10.0, 12.0, 15.0]
        ranks = stats.rankdata(a + b)
        close(permutation_test(ranks[:4], ranks[4:]).p_value, mann_whitney(a, b, method="exact").p_value)

    def test_log_rank_is_the_score_test_of_cox_without_ties(self) -> None:
        test = log_rank(TIME, EVENT, np.where(X[:, 1] == 1, "b", "a"))
        fit = fit_cox(X[:, [1]], TIME, EVENT, names=["group"])
        close(fit.score_statistic, test.chi_squared, 1e-10)

    def test_log_rank_is_mantel_haenszel_over_the_event_times(self) -> None:
        tables = []
        for t in np.sort(TIME[EVENT == 1]):
            risk, dead = t <= TIME, (t == TIME) & (EVENT == 1)
            group = X[:, 1] == 1
            d1, d0 = int((dead & group).sum()), int((dead & ~group).sum())
            tables.append([[d1, int((risk & group).sum()) - d1], [d0, int((risk & ~group).sum()) - d0]])
        test = log_rank(TIME, EVENT, np.where(X[:, 1] == 1, "b", "a"))
        close(mantel_haenszel(tables).test.statistic, test.chi_squared, 1e-10)

    @pytest.mark.parametrize("ties", ["efron", "breslow", "exact"])
    def test_rules_for_ties_agree_without_ties(self, ties) -> None:
        plain = fit_cox(X[:, 1:], TIME, EVENT, names=NAMES[1:])
        close(
            fit_cox(X[:, 1:], TIME, EVENT, names=NAMES[1:], ties=ties).coefficients,
            plain.coefficients,
            SEARCHED,
        )

    def test_kaplan_meier_without_censoring_is_the_empirical_share(self) -> None:
        times = np.round(TIME / 5)
        curve = kaplan_meier(times, np.ones(60))
        close(curve.survival, [(times > t).mean() for t in curve.time])
        close(
            [e for s, e in zip(curve.survival, curve.std_error, strict=True) if 0 < s < 1],
            [math.sqrt(s * (1 - s) / 60) for s in curve.survival if 0 < s < 1],
        )
        close(restricted_mean(times, np.ones(60), tau=times.max()).value, times.mean())

    def test_incidence_of_one_cause_is_one_less_kaplan_meier(self) -> None:
        curve = kaplan_meier(TIME, EVENT)
        at = [10.0, 30.0, 45.0]
        found = cumulative_incidence(TIME, EVENT.astype(int), at=at, causes=[1])
        survival = [curve.survival[np.searchsorted(curve.time, t, side="right") - 1] for t in at]
        own = [row.estimate.value for row in found.rows if row.cause == "1"]
        close(own, 1 - np.array(survival))

    def test_subdistribution_of_one_cause_is_cox(self) -> None:
        # Efron and Breslow agree without ties
        sub = fit_subdistribution(TIME, EVENT.astype(int), X[:, 1:], names=NAMES[1:], cause=1)
        cox = fit_cox(X[:, 1:], TIME, EVENT, names=NAMES[1:])
        close(sub.coefficients, cox.coefficients, SEARCHED)
        close(sub.log_likelihood, cox.log_likelihood, SEARCHED)

    def test_one_stratum_of_mantel_haenszel_is_the_two_by_two(self) -> None:
        table, counts = [[[9, 34], [7, 35]]], (9, 43, 7, 42)
        found = mantel_haenszel(table)
        ratio, risk = odds_ratio(*counts, method="woolf"), risk_ratio(*counts)
        for mine, own in ((found.odds_ratio, ratio), (found.risk_ratio, risk)):
            close([mine.value, mine.conf_low, mine.conf_high], [own.value, own.conf_low, own.conf_high])
        close(found.risk_difference.value, risk_difference(*counts).value)
        close(found.test.statistic, chi_squared(table[0]).statistic * 84 / 85)
        close(
            peto_odds_ratio(table).odds_ratio.value,
            math.exp((9 - 43 * 16 / 85) / (43 * 42 * 16 * 69 / (85**2 * 84))),
        )

    def test_trend_of_two_groups_is_chi_squared_and_the_score_test(self) -> None:
        chi = chi_squared([[9, 34], [7, 35]])
        close(cochran_armitage([7, 9], [42, 43]).z ** 2, chi.statistic)
        plain = score_test(9, 43, 7, 42, 0.0, variance="plain")
        close([plain.statistic**2, plain.p_value], [chi.statistic, chi.p_value], 1e-9)

    def test_saturated_logistic_is_the_odds_ratio(self) -> None:
        y = np.r_[np.ones(9), np.zeros(34), np.ones(7), np.zeros(35)]
        design = np.column_stack([np.ones(85), np.r_[np.ones(43), np.zeros(42)]])
        fit = fit_logistic(design, y, names=["one", "group"], covariance="classical")
        own = odds_ratio(9, 43, 7, 42, method="woolf")
        close(math.exp(fit.coefficients[1]), own.value, 1e-10)
        close(math.sqrt(fit.covariance[1, 1]), math.sqrt(1 / 9 + 1 / 34 + 1 / 7 + 1 / 35), 1e-10)
        risks = standardised_risk(fit, np.stack([np.tile([1.0, k], (85, 1)) for k in (0.0, 1.0)]))
        close(risks.risks, [7 / 42, 9 / 43], 1e-10)
        poisson = fit_poisson(design, y, names=["one", "group"])
        close(math.exp(poisson.coefficients[1]), risk_ratio(9, 43, 7, 42).value, 1e-10)

    def test_saturated_aipw_weights_and_standardisation_agree(self) -> None:
        z, a = (X[:, 2] > 0).astype(float), X[:, 1]
        levels = np.where(a == 1, "b", "a")
        design = np.column_stack([np.ones(60), z])
        model = fit_exposure(design, levels, names=["one", "z"], levels=("a", "b"))
        full = np.column_stack([design, a, a * z])
        fit = fit_linear(full, Y, names=["one", "z", "a", "az"], covariance="HC0")
        predicted = np.column_stack(
            [np.column_stack([design, np.full(60, k), k * z]) @ fit.coefficients for k in (0.0, 1.0)]
        )
        standardised = predicted.mean(axis=0)
        doubly = aipw(levels, Y, predicted, model.probabilities, levels=("a", "b"))
        close([e.value for e in doubly.means], standardised, SEARCHED)
        weighted = weighted_difference(Y, exposure_weights(model))[0]
        close(weighted.value, standardised[1] - standardised[0], SEARCHED)
        close(weighted.value, doubly.contrasts[0].value, SEARCHED)

    def test_independent_estimating_equations_are_the_model_with_robust_errors(self) -> None:
        for kind in ("CR0", "CR2"):
            linear = fit_linear(X, Y, names=NAMES, clusters=CLUSTER, covariance=kind)
            gee = fit_gee(X, Y, names=NAMES, clusters=CLUSTER, working="independence", covariance=kind)
            close(gee.coefficients, linear.coefficients, SEARCHED)
            close(gee.covariance, linear.covariance, SEARCHED)
        logistic = fit_logistic(X, EVENT, names=NAMES, clusters=CLUSTER, covariance="CR0")
        gee = fit_gee(
            X, EVENT, names=NAMES, clusters=CLUSTER, link="logit", working="independence", covariance="CR0"
        )
        close(gee.coefficients, logistic.coefficients, SEARCHED)
        close(gee.covariance, logistic.covariance, SEARCHED)

    def test_mixed_model_without_variance_between_subjects_is_linear(self) -> None:
        # residuals that add up to 0 within every subject: less than no variance between them
        y = X @ [1.0, 0.5, 0.0] * 0 + np.tile([1.0, -2.0, 1.0], 20) + np.tile([0.0, 1.0, 2.0], 20)
        design = np.column_stack([np.ones(60), np.tile([0.0, 1.0, 2.0], 20)])
        mixed = fit_mixed(design, y, names=["one", "visit"], subjects=CLUSTER)
        linear = fit_linear(design, y, names=["one", "visit"], covariance="classical")
        assert mixed.singular
        close(mixed.coefficients, linear.coefficients, SEARCHED)
        close(mixed.covariance, linear.covariance, SEARCHED)
        close(mixed.residual_sd, linear.residual_sd, SEARCHED)

    def test_intraclass_correlation_is_from_the_mean_squares_of_the_analysis_of_variance(self) -> None:
        ratings = RNG.normal(size=(12, 1)) + RNG.normal(size=(12, 3))
        table = one_way_anova(list(ratings))
        between, within = table.ss_between / table.df_between, table.ss_within / table.df_within
        one = intraclass_correlation(ratings, agreement="one-way")
        close(one.estimate.value, (between - within) / (between + 2 * within))
        close(one.f, table.f)

    def test_bca_without_correction_is_percentile(self) -> None:
        draws = np.arange(1.0, 1000.0)
        units = Jackknife(std_error=1.0, acceleration=0.0, n=50)
        bca, plain = bca_interval(draws, 500.0, units).estimate, percentile_interval(draws, 500.0).estimate
        close([bca.conf_low, bca.conf_high], [plain.conf_low, plain.conf_high])

    def test_one_study_pooled_and_random_without_heterogeneity(self) -> None:
        values, errors = [0.5, 0.5, 0.5], [0.1, 0.2, 0.3]
        fixed = pool(values, errors, model="fixed", interval="normal").estimate
        random = pool(values, errors, model="random", interval="normal").estimate
        close([fixed.value, fixed.std_error], [random.value, random.std_error])
        close(fixed.std_error, sum(e**-2 for e in errors) ** -0.5)

    def test_indirect_standardisation_of_one_stratum_is_observed_over_expected(self) -> None:
        event, units = (
            np.r_[np.ones(7), np.zeros(33), np.ones(5), np.zeros(15)],
            np.repeat(["u", "v"], [40, 20]),
        )
        found = indirect_standardisation(event, np.full(60, 12 / 60), units)
        for unit, observed, n in zip(found.units, (7, 5), (40, 20), strict=True):
            own = observed_to_expected(observed, n * 12 / 60)
            close(
                [unit.ratio.value, unit.ratio.conf_low, unit.ratio.conf_high],
                [observed / n / (12 / 60), own.conf_low, own.conf_high],
            )

    def test_shares_by_the_score_are_chi_squared_inverted(self) -> None:
        w = wilson(9, 43)
        for limit in (w.conf_low, w.conf_high):
            close((9 / 43 - limit) ** 2 / (limit * (1 - limit) / 43), stats.chi2.ppf(0.95, 1), 1e-10)


class TestLaws:
    SWAPPED = (
        ("mean_difference", lambda a, b: mean_difference(a, b)),
        ("pooled", lambda a, b: mean_difference(a, b, pooled=True)),
        ("hodges_lehmann", hodges_lehmann),
        ("paired", lambda a, b: paired_mean_difference(a[:17], b[:17])),
        ("risk_difference", lambda a, b: risk_difference((a > 10).sum(), len(a), (b > 10).sum(), len(b))),
    )

    @pytest.mark.parametrize(("name", "statistic"), SWAPPED)
    def test_swapping_groups_turns_a_difference_round(self, name, statistic) -> None:
        one, two = statistic(A, B), statistic(B, A)
        close([one.value, one.conf_low, one.conf_high], [-two.value, -two.conf_high, -two.conf_low])
        if one.p_value is not None:
            close(one.p_value, two.p_value)

    @pytest.mark.parametrize("ratio", [risk_ratio, odds_ratio])
    def test_swapping_groups_inverts_a_ratio(self, ratio) -> None:
        one, two = ratio(9, 43, 7, 42), ratio(7, 42, 9, 43)
        close(
            [one.value, one.conf_low, one.conf_high],
            [1 / two.value, 1 / two.conf_high, 1 / two.conf_low],
            1e-8,
        )

    @pytest.mark.parametrize("factor", [1000.0, 0.45359237, 1 / 9.80665])
    @pytest.mark.parametrize("size", [0.5, 1.5, 3.0, 6.0])
    def test_units_leave_what_is_said_about_a_margin(self, factor, size) -> None:
        def margin(value: float) -> Margin:
            return Margin(value=value, unit="", source="invented", kind="declared by the authors")

        plain, scaled = mean_difference(A, B), mean_difference(A * factor, B * factor)
        one, two = tost(plain, margin(size)), tost(scaled, margin(size * factor))
        assert one.shown == two.shown
        close(one.p_value, two.p_value, 1e-10)
        for better in ("higher", "lower"):
            one, two = (
                non_inferiority(e, margin(m), better=better)
                for e, m in ((plain, size), (scaled, size * factor))
            )
            assert one.shown == two.shown
            close(one.p_value, two.p_value, 1e-10)

    @pytest.mark.parametrize("fit", [fit_linear, fit_logistic, fit_poisson])
    def test_whole_weights_are_repeated_rows(self, fit) -> None:
        y = Y if fit is fit_linear else EVENT
        weighted = fit(X, y, names=NAMES, weights=COUNT, covariance="CR0", clusters=np.arange(60))
        rows = np.repeat(np.arange(60), COUNT)
        repeated = fit(X[rows], y[rows], names=NAMES, covariance="CR0", clusters=rows)
        close(weighted.coefficients, repeated.coefficients, SEARCHED)
        close(weighted.covariance, repeated.covariance, SEARCHED)

    def test_whole_weights_are_repeated_rows_in_cox_with_breslow(self) -> None:
        rows = np.repeat(np.arange(60), COUNT)
        weighted = fit_cox(X[:, 1:], TIME, EVENT, names=NAMES[1:], weights=COUNT, ties="breslow")
        repeated = fit_cox(X[rows, 1:], TIME[rows], EVENT[rows], names=NAMES[1:], ties="breslow")
        close(weighted.coefficients, repeated.coefficients, SEARCHED)

    @staticmethod
    @cache
    def orders() -> tuple[np.ndarray, ...]:
        return tuple(np.random.default_rng(k).permutation(60) for k in range(5))

    def test_order_of_rows_changes_no_bit_of_plain_statistics(self) -> None:
        def said(order: np.ndarray) -> list[object]:
            group, y, event, time = X[order, 1], Y[order], EVENT[order], TIME[order]
            a, b = y[group == 1], y[group == 0]
            label = np.where(group == 1, "b", "a")
            return [
                mean_difference(a, b), mean_difference(a, b, pooled=True), one_way_anova([a, b]),
                welch_anova([a, b]), tukey_kramer([a, b]), games_howell([a, b]), hedges_g(a, b),
                linear_trend([a, b]), mann_whitney(a, b), hodges_lehmann(a, b), kruskal_wallis([a, b]),
                standardised_difference([a, b]), repr(kaplan_meier(time, event)),
                replace(restricted_mean(time, event, tau=40.0)), repr(log_rank(time, event, label)),
            ]  # fmt: skip

        plain = said(np.arange(60))
        for order in self.orders():
            assert said(order) == plain

    def test_order_of_strata_and_studies_changes_no_bit(self) -> None:
        rng = np.random.default_rng(3)
        tables, values = rng.integers(1, 20, (9, 2, 2)), rng.normal(size=9).round(2)
        errors = (rng.random(9) + 0.1).round(2)

        def said(order: np.ndarray) -> list[object]:
            estimate = pool(values[order], errors[order], tau2="DL").estimate
            return [
                mantel_haenszel(tables[order]), peto_odds_ratio(tables[order]), stratified_newcombe(tables[order]),
                estimate,
            ]  # fmt: skip

        plain = said(np.arange(9))
        for k in range(6):
            assert said(np.random.default_rng(k).permutation(9)) == plain

    def test_order_of_rows_changes_iterated_fits_by_rounding_only(self) -> None:
        def fits(order: np.ndarray) -> list[np.ndarray]:
            x, group = X[order], {"clusters": CLUSTER[order]}
            y, event, time = Y[order], EVENT[order], TIME[order]
            found = [
                fit_linear(x, y, names=NAMES, **group), fit_logistic(x, event, names=NAMES, **group),
                fit_poisson(x, event, names=NAMES, **group), fit_gee(x, y, names=NAMES, **group),
                fit_cox(x[:, 1:], time, event, names=NAMES[1:], **group),
            ]  # fmt: skip
            return [part for fit in found for part in (fit.coefficients, fit.covariance)]

        plain = fits(np.arange(60))
        for order in self.orders():
            for one, two in zip(fits(order), plain, strict=True):
                np.testing.assert_allclose(one, two, rtol=1e-10, atol=1e-12)

    def test_risk_difference_of_a_model_swaps_with_its_designs(self) -> None:
        fit = fit_logistic(X, EVENT, names=NAMES)
        designs = np.stack([np.column_stack([X[:, 0], np.full(60, k), X[:, 2]]) for k in (0.0, 1.0)])
        one = risk_contrasts(fit, standardised_risk(fit, designs), [[-1.0, 1.0]])[0]
        two: Estimate = risk_contrasts(fit, standardised_risk(fit, designs[::-1]), [[-1.0, 1.0]])[0]
        close([one.value, one.conf_low, one.conf_high], [-two.value, -two.conf_high, -two.conf_low], 1e-10)
