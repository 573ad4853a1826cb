"""Numerical traps: data on which statistics quietly go wrong, one test a trap with the behaviour asked for.

The list is closed: never infinity, NaN or a p of 0; what cannot be estimated says why; and the estimates beside it stay
what they were. Each family has further edge cases in its own tests.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from sane_results import sane, unestimable

from outcomes.errors import EstimationError
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.weighting import exposure_weights
from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.effect_size import hedges_g
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.paired import paired_mean_difference
from outcomes.stats.groups.permutation import permutation_test
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis, mann_whitney
from outcomes.stats.numerics.moments import moments
from outcomes.stats.numerics.rank import rank_check
from outcomes.stats.numerics.weights import effective_size
from outcomes.stats.proportions.contingency import chi_squared, fisher_exact
from outcomes.stats.proportions.exact_tables import exact_test
from outcomes.stats.proportions.risks import clopper_pearson, odds_ratio, risk_difference, risk_ratio, wilson
from outcomes.stats.proportions.score_intervals import score_difference, score_odds_ratio, score_risk_ratio
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.regression.firth import fit_firth
from outcomes.stats.regression.firth_profile import profile_interval
from outcomes.stats.regression.linear import fit_linear, linear_contrast
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.poisson import fit_poisson
from outcomes.stats.regression.separation import find_separation
from outcomes.stats.resampling.bca import bca_interval, jackknife
from outcomes.stats.resampling.bootstrap import cluster_resamples, percentile_interval
from outcomes.stats.resampling.totals_bootstrap import bootstrap_mean_difference
from outcomes.stats.survival.cox import cox_contrast, fit_cox
from outcomes.stats.survival.cox_penalised import fit_firth_cox
from outcomes.stats.survival.kaplan_meier import kaplan_meier, survival_at
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.subdistribution import fit_subdistribution

LINE = np.column_stack([np.ones(8), np.arange(8.0)])


class TestMeans:
    def test_variance_of_values_with_a_large_offset(self) -> None:
        offset = moments(np.r_[10000000.2, np.tile([10000000.1, 10000000.3], 500)])
        assert offset.variance is not None
        assert offset.variance == pytest.approx(0.01, rel=2e-8)  # eight digits: the decimals leave no more
        a, b = np.array([1.0, 2.0, 4.0, 8.0]), np.array([0.0, 3.0, 5.0, 12.0])
        plain, moved = mean_difference(a, b), mean_difference(a + 2.0**40, b + 2.0**40)
        assert (moved.value, moved.std_error, moved.p_value) == (plain.value, plain.std_error, plain.p_value)

    def test_group_of_one(self) -> None:
        for test in (mean_difference([5.0], [1.0, 2.0]), mean_difference([1.0, 2.0], [5.0])):
            sane(test)
            assert test.p_value is None
            assert test.conf_low is None
            assert "at least 2" in test.reason or "too few" in test.reason or "1 " in test.reason
        for result in (
            paired_mean_difference([1.0], [2.0]),
            hedges_g([5.0], [1.0, 2.0]),
            one_way_anova([[1.0], [2.0]]),
        ):
            assert sane(result).reason
        assert welch_anova([[1.0], [2.0, 3.0]]).p_value is None

    def test_no_variance_and_different_means_has_no_p(self) -> None:
        for pooled in (False, True):
            d = sane(mean_difference([5.0, 5.0, 5.0], [1.0, 1.0], pooled=pooled))
            assert d.value == 4.0
            assert (d.p_value, d.conf_low, d.conf_high) == (None, None, None)
            assert d.reason
        for test in (one_way_anova([[5.0, 5.0], [1.0, 1.0]]), welch_anova([[5.0, 5.0], [1.0, 1.0]])):
            assert sane(test).p_value is None
            assert test.reason
        d = sane(paired_mean_difference([3.0, 4.0, 5.0], [1.0, 2.0, 3.0]))
        assert d.p_value is None

    def test_no_variance_and_equal_means_is_no_variation(self) -> None:
        same = [2.0, 2.0, 2.0]
        assert sane(mean_difference(same, same)).p_value is None
        assert sane(one_way_anova([same, same])).p_value is None
        test = sane(kruskal_wallis([same, same]))
        assert test.p_value is None
        assert test.reason
        ranks = sane(mann_whitney(same, same))
        # every value ties: no arrangement is more extreme than another
        assert ranks.p_value in {None, 1.0}
        sane(hodges_lehmann(same, same))
        assert sane(permutation_test(same, same)).p_value in {None, 1.0}

    def test_one_group_of_several_without_variance_leaves_the_others(self) -> None:
        groups = [[1.0, 2.0, 4.0], [3.0, 3.0, 3.0]]
        beside = mean_difference(groups[0], [5.0, 6.0, 9.0])
        sane(mean_difference(*groups))
        sane(welch_anova(groups))
        assert mean_difference(groups[0], [5.0, 6.0, 9.0]) == beside

    def test_p_that_underflows_is_not_0(self) -> None:
        wide = sane(mean_difference(np.arange(200.0), np.arange(200.0) + 1e9))
        assert wide.p_value is not None
        assert wide.p_value > 0
        spread = np.tile([0.0, 1.0], 50)
        assert sane(one_way_anova([spread, spread + 1e8, spread])).p_value > 0
        assert chi_squared([[5000, 0], [0, 5000]]).p_value > 0


class TestTables:
    def test_zero_cell_of_a_two_by_two_has_no_half_added(self) -> None:
        ratio = sane(odds_ratio(0, 10, 5, 10))
        assert ratio.value in {None, 0.0}
        assert ratio.conf_high is not None  # the one-sided exact limit stands
        assert "exact" in ratio.method or "exact" in ratio.reason
        unestimable(sane(risk_ratio(0, 10, 5, 10)), "no events")
        # the difference needs no correction and stays
        d = sane(risk_difference(0, 10, 5, 10))
        assert d.value == -0.5
        assert d.conf_low is not None
        sane(fisher_exact(0, 10, 5, 10))

    @pytest.mark.parametrize("measure", [score_difference, score_risk_ratio, score_odds_ratio])
    @pytest.mark.parametrize(
        "counts", [(0, 10, 0, 10), (10, 10, 10, 10), (0, 10, 10, 10), (0, 1, 1, 1), (0, 10, 3, 10)]
    )
    def test_corners_of_the_score_intervals(self, measure, counts) -> None:
        sane(measure(*counts))

    @pytest.mark.parametrize("measure", [risk_difference, risk_ratio, odds_ratio, fisher_exact])
    @pytest.mark.parametrize(
        "counts", [(0, 10, 0, 10), (10, 10, 10, 10), (0, 10, 10, 10), (0, 1, 1, 1), (0, 0, 3, 10)]
    )
    def test_corners_of_the_ratios(self, measure, counts) -> None:
        result = sane(measure(*counts))
        if counts[1] == 0:
            assert getattr(
                result, "value", result.p_value if isinstance(result.p_value, float) else None
            ) in {None, 1.0}
            assert result.reason

    def test_no_events_of_n_and_no_patients(self) -> None:
        low = sane(wilson(0, 10))
        assert (low.value, low.conf_low) == (0.0, 0.0)
        assert low.conf_high == pytest.approx(0.2775, abs=5e-5)
        exact = sane(clopper_pearson(0, 10))
        assert exact.conf_high == pytest.approx(0.3085, abs=5e-5)
        for empty in (wilson(0, 0), clopper_pearson(0, 0)):
            assert sane(empty).value is None
            assert "no " in empty.reason

    def test_empty_row_of_a_table_is_left_out_and_counted(self) -> None:
        table = [[5, 7], [0, 0], [8, 2]]
        test = sane(chi_squared(table))
        assert test.n_empty_rows == 1
        assert test.p_value == chi_squared([[5, 7], [8, 2]]).p_value
        alone = sane(chi_squared([[5, 7], [0, 0]]))
        assert alone.p_value is None
        assert alone.reason
        sane(exact_test(table))


class TestStrata:
    SEEN = (((9, 11), (4, 16)), ((7, 8), (5, 12)))

    def test_stratum_without_events_adds_nothing_to_ratios_and_is_counted(self) -> None:
        both = mantel_haenszel([*self.SEEN, [[0, 12], [0, 10]]])
        alone = mantel_haenszel(self.SEEN)
        sane(both)
        assert both.n_uninformative == 1
        assert both.odds_ratio.value == alone.odds_ratio.value
        assert both.risk_ratio.value == alone.risk_ratio.value
        assert both.test.p_value == alone.test.p_value

    def test_no_events_at_all(self) -> None:
        found = sane(mantel_haenszel([[[0, 12], [0, 10]], [[0, 3], [0, 4]]]))
        for estimate in (found.odds_ratio, found.risk_ratio):
            assert estimate.value is None
            assert estimate.reason
        assert found.test.p_value is None

    def test_events_on_one_side_only(self) -> None:
        found = sane(mantel_haenszel([[[3, 9], [0, 10]], [[2, 5], [0, 4]]]))
        assert found.odds_ratio.value is None
        assert found.odds_ratio.reason
        # the difference needs no correction and stays
        assert found.risk_difference.value is not None
        assert found.risk_difference.conf_low is not None
        assert found.test.p_value is not None

    def test_stratum_of_one_patient_is_left_out_of_the_test_and_counted(self) -> None:
        both, alone = mantel_haenszel([*self.SEEN, [[1, 0], [0, 0]]]), mantel_haenszel(self.SEEN)
        sane(both)
        assert both.test.p_value == alone.test.p_value
        assert both.test.n_uninformative == alone.test.n_uninformative + 1
        assert both.odds_ratio.value == pytest.approx(alone.odds_ratio.value, rel=1e-12)


class TestSeparation:
    COMPLETE = np.array([0, 0, 0, 0, 1, 1, 1, 1.0])
    DUMMY = np.column_stack([np.ones(12), np.repeat([0.0, 1.0], 6), np.tile([0.0, 1.0, 2.0], 4)])
    QUASI = np.array([0, 0, 0, 0, 0, 0, 0, 1, 0, 1, 1, 0.0])

    def test_complete_separation_is_found_and_refused(self) -> None:
        assert find_separation(LINE, self.COMPLETE, ["one", "x"]).kind == "complete"
        with pytest.raises(EstimationError, match="separat") as caught:
            fit_logistic(LINE, self.COMPLETE, names=["one", "x"])
        assert "x" in str(caught.value)
        fit = fit_firth(LINE, self.COMPLETE, names=["one", "x"])
        assert fit.converged
        assert np.isfinite(fit.coefficients).all()

    def test_quasi_complete_separation_is_found_without_the_solver(self) -> None:
        names = ["one", "group", "x"]
        found = find_separation(self.DUMMY, self.QUASI, names)
        assert found.kind == "quasi-complete"
        assert "group" in found.columns
        with pytest.raises(EstimationError, match="separat"):
            fit_logistic(self.DUMMY, self.QUASI, names=names)
        fit = fit_firth(self.DUMMY, self.QUASI, names=names)
        assert fit.converged
        limits = profile_interval(fit, [0.0, 1.0, 0.0])
        sane(limits)

    def test_group_without_events_is_refused_by_poisson_too(self) -> None:
        with pytest.raises(EstimationError):
            fit_poisson(self.DUMMY, self.QUASI, names=["one", "group", "x"])

    def test_one_outcome_only(self) -> None:
        for y in (np.zeros(8), np.ones(8)):
            with pytest.raises(EstimationError):
                fit_logistic(LINE, y, names=["one", "x"])


class TestDesigns:
    def test_collinear_dummies_are_named(self) -> None:
        k = np.arange(12) % 3
        X = np.column_stack([np.ones(12), k == 0, k == 1, k == 2]).astype(float)
        names = ["one", "a", "b", "c"]
        assert rank_check(X, names).culprits == ("c",)
        for fit in (fit_linear, fit_logistic, fit_poisson, fit_firth):
            with pytest.raises(EstimationError, match=r"\bc\b"):
                fit(X, (np.arange(12) % 2).astype(float), names=names)

    def test_factor_of_one_level_is_named(self) -> None:
        X = np.column_stack([np.ones(8), np.ones(8)])
        with pytest.raises(EstimationError, match="one_level"):
            fit_linear(X, np.arange(8.0), names=["one", "one_level"])

    def test_missing_values_are_refused_with_a_count_not_dropped(self) -> None:
        y = np.arange(8.0)
        y[3] = np.nan
        for fit in (fit_linear, fit_logistic, fit_poisson, fit_firth):
            with pytest.raises(EstimationError, match="1 missing"):
                fit(LINE, y, names=["one", "x"])
        X = LINE.copy()
        X[2, 1] = np.nan
        with pytest.raises(EstimationError, match=r"x \(1\)"):
            fit_linear(X, np.arange(8.0), names=["one", "x"])

    def test_constant_outcome(self) -> None:
        fit = fit_linear(LINE, np.full(8, 3.0), names=["one", "x"])
        sane(linear_contrast(fit, [[0.0, 1.0]])[0])
        assert linear_contrast(fit, [[0.0, 1.0]])[0].p_value is None

    def test_more_columns_than_rows(self) -> None:
        with pytest.raises(EstimationError):
            fit_linear(np.arange(12.0).reshape(3, 4) ** 2, np.arange(3.0), names=list("abcd"))


class TestTimes:
    TIME, EVENT, X = [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], np.array([1, 1, 1, 0, 0, 0.0])[:, None]

    def test_ties_are_handled_as_named(self) -> None:
        breslow = math.log((3 + math.sqrt(33)) / 2)
        efron = math.log(2 * math.sqrt(23 / 3) * math.cos(math.acos(45 / 23 * math.sqrt(3 / 23)) / 3))
        for ties, expected in (("breslow", breslow), ("efron", efron)):
            fit = fit_cox(self.X, self.TIME, self.EVENT, names=["x"], ties=ties)
            assert fit.coefficients[0] == pytest.approx(expected, rel=1e-12)
            assert ties in fit.ties
        assert str(cox_contrast(fit, [[1.0]])[0])

    def test_no_events(self) -> None:
        for fit in (fit_cox, fit_firth_cox):
            with pytest.raises(EstimationError, match="no event"):
                fit(self.X, self.TIME, [0] * 6, names=["x"])
        curve = sane(kaplan_meier(self.TIME, [0] * 6))
        sane(survival_at(curve, [5.0])[0])
        test = log_rank(self.TIME, [0] * 6, list("aaabbb"))
        assert test.p_value is None
        assert "event" in test.reason

    def test_negative_times_are_refused(self) -> None:
        times = [-1, 1, 6, 6, 8, 9]
        with pytest.raises(EstimationError, match=r"negative|below 0|at least 0"):
            kaplan_meier(times, self.EVENT)
        with pytest.raises(EstimationError, match=r"negative|below 0|at least 0"):
            fit_cox(self.X, times, self.EVENT, names=["x"])

    def test_group_without_events_is_refused_by_cox_and_not_by_firth(self) -> None:
        event = [1, 1, 1, 0, 0, 0]
        with pytest.raises(EstimationError, match="x"):
            fit_cox(self.X, self.TIME, event, names=["x"])
        assert np.isfinite(fit_firth_cox(self.X, self.TIME, event, names=["x"]).coefficients).all()
        with pytest.raises(EstimationError):
            fit_subdistribution(self.TIME, event, self.X, names=["x"], cause=1)


class TestWeightsAndResamples:
    def test_extreme_weights_show_their_effective_size(self) -> None:
        assert effective_size([1000.0, 500.0] + [1.0] * 98) == pytest.approx(2.04, abs=0.005)
        rng = np.random.default_rng(4)
        x = rng.normal(size=60)
        exposure = np.where(rng.random(60) < 1 / (1 + np.exp(-3 * x)), "b", "a")
        model = fit_exposure(np.column_stack([np.ones(60), x]), exposure, names=["one", "x"])
        weights = exposure_weights(model)
        sizes = [effective_size(weights.values[weights.codes == k]) for k in range(2)]
        assert weights.effective == pytest.approx(sizes, rel=1e-12)
        assert min(sizes) < 20

    def test_strata_never_run_empty_in_a_resample(self) -> None:
        clusters, strata = np.arange(12), np.repeat(["a", "b", "c"], [10, 1, 1])
        draws = cluster_resamples(clusters, 200, seed=1, strata=strata)
        for level in ("a", "b", "c"):
            assert (draws[:, strata == level].sum(axis=1) == (strata == level).sum()).all()

    def test_failed_resamples_are_counted_and_too_many_leave_no_interval(self) -> None:
        rng = np.random.default_rng(2)
        draws = rng.normal(size=1000)
        draws[:5] = np.nan
        few = percentile_interval(draws, 0.0)
        assert few.n_failed == 5
        assert few.estimate.conf_low is not None
        draws[:50] = np.nan
        many = percentile_interval(draws, 0.0)
        assert many.n_failed == 50
        assert (many.estimate.conf_low, many.estimate.conf_high) == (None, None)
        assert many.estimate.reason
        sane(many.estimate)

    def test_bca_of_constant_data_and_of_two_cases(self) -> None:
        constant = bootstrap_mean_difference([2.0] * 12, [1.0] * 12, n_boot=400, seed=1)
        sane(constant.estimate)
        assert "no variation between replicates" in constant.estimate.method
        assert "percentile" in constant.estimate.method
        two = bootstrap_mean_difference([1.0, 2.0], [0.0, 1.0], n_boot=400, seed=1)
        sane(two.estimate)
        assert "percentile interval" in two.estimate.method
        assert "fewer than 10: limits not corrected" in two.estimate.method
        with pytest.raises(EstimationError):
            bca_interval(np.zeros(400), 0.0, jackknife([1.0]))


class TestTwoWristsOfOnePatient:
    """An interval that takes rows of one patient for independent is too narrow."""

    @staticmethod
    def held(covariance: str, n_sets: int = 400) -> int:
        """Return how many of the intervals of a mean of 40 pairs with correlation 0.6 hold the truth, 0."""
        rng, names = np.random.default_rng(7), ["one"]
        clusters = np.repeat(np.arange(40), 2)
        held = 0
        for _ in range(n_sets):
            y = np.repeat(rng.normal(size=40), 2) * math.sqrt(0.6) + rng.normal(size=80) * math.sqrt(0.4)
            own = clusters if covariance == "CR2" else None
            fit = fit_linear(np.ones((80, 1)), y, names=names, clusters=own, covariance=covariance)
            mean = linear_contrast(fit, [[1.0]])[0]
            held += mean.conf_low <= 0.0 <= mean.conf_high
        return held

    def test_rows_taken_for_independent_hold_too_seldom_and_clusters_do_not(self) -> None:
        # expected 87.6 % and 95 %; four binomial errors of 400 sets are 6.6 % and 4.4 %
        assert self.held("classical") <= 0.91 * 400
        assert self.held("CR2") >= 0.92 * 400


#: Traps that are met before a statistic sees the numbers, or after: where, and the test that holds them.
ELSEWHERE = {
    "other side 0 or injured": "cohort/test_labels_function.py::test_other_hand_that_is_no_reference",
    "sign convention": "cohort/test_dictionary.py::test_a_sign_has_no_default",
    "rounded data": "cohort/test_labels_reduction.py::test_limits_are_exact_in_decimals_after_unit_conversion",
    "inclusive and exclusive limits": "cohort/test_labels_reduction.py::test_common_practice_set",
    "many outcomes and strata": "analysis/test_comparison.py::test_holm_over_the_declared_family_only",
    "few effective cases": "analysis/test_support.py::test_limits_are_the_declared_ones",
    "thin cells": "analysis/test_comparison.py::test_empty_and_thin_cells_say_why",
    "a fit that fails": "analysis/test_thin_support.py::test_one_pairs_fit_that_fails_leaves_the_others",
}


@pytest.mark.parametrize("trap", ELSEWHERE)
def test_traps_outside_the_statistics_have_their_test(trap: str) -> None:
    file, _, name = ELSEWHERE[trap].partition("::")
    assert f"def {name}(" in (Path(__file__).parents[1] / file).read_text(encoding="utf-8")
