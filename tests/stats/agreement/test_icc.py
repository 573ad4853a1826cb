"""Intraclass correlation and error of measurement: by hand, laws, tables that say nothing, refusals."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.agreement.icc import AGREEMENTS, UNITS, intraclass_correlation
from outcomes.stats.agreement.mean_squares import mean_squares
from outcomes.stats.agreement.measurement_error import (
    sem_from_reliability,
    smallest_detectable_change,
    standard_error_of_measurement,
    variance_limits,
    within_subject_cv,
)

RATINGS = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7.0]])
KINDS = [(agreement, of) for agreement in AGREEMENTS for of in UNITS]
TABLES = st.integers(0, 10**6).map(
    lambda seed: np.random.default_rng(seed).normal(
        20, 3, np.random.default_rng(seed).integers([3, 2], [9, 5])
    )
)


def icc(ratings, agreement="absolute agreement", of="single rating", **options):
    return intraclass_correlation(ratings, agreement=agreement, of=of, **options)


def test_mean_squares_are_those_of_the_analysis_of_variance():
    found = mean_squares(RATINGS)
    n, k = RATINGS.shape
    f_subjects = stats.f_oneway(*RATINGS)
    assert math.isclose(found.subjects / found.within, f_subjects.statistic, rel_tol=1e-12)
    assert math.isclose(found.raters, n * RATINGS.mean(axis=0).var(ddof=1), rel_tol=1e-12)
    left = n * (k - 1) * found.within - (k - 1) * found.raters
    assert math.isclose(found.residual, left / ((n - 1) * (k - 1)), rel_tol=1e-12)


def test_test_of_zero_is_that_of_the_analysis_of_variance():
    f = stats.f_oneway(*RATINGS)
    found = icc(RATINGS, "one-way")
    assert math.isclose(found.f, f.statistic, rel_tol=1e-12)
    assert math.isclose(found.estimate.p_value, f.pvalue, rel_tol=1e-9)
    assert (found.df1, found.df2, icc(RATINGS).df2) == (5, 18, 15)


def test_limits_of_one_way_hold_where_the_f_test_just_rejects():
    """The lower limit is the correlation whose variance ratio makes the F observed its upper 2.5 % point."""
    e = icc(RATINGS, "one-way").estimate
    for limit, tail in ((e.conf_low, 0.025), (e.conf_high, 0.975)):
        ratio = 1 + 4 * limit / (1 - limit)
        assert math.isclose(stats.f.sf(icc(RATINGS, "one-way").f / ratio, 5, 18), tail, rel_tol=1e-9)


@settings(max_examples=40, deadline=None)
@given(TABLES)
def test_the_mean_of_ratings_follows_spearman_and_brown(table):
    k = table.shape[1]
    for agreement in AGREEMENTS:
        single, mean = (icc(table, agreement, of).estimate for of in UNITS)
        for one, many in (
            (single.value, mean.value), (single.conf_low, mean.conf_low), (single.conf_high, mean.conf_high),
        ):  # fmt: skip
            if one is not None and many is not None:
                assert math.isclose(many, k * one / (1 + (k - 1) * one), rel_tol=1e-8, abs_tol=1e-8)


@settings(max_examples=40, deadline=None)
@given(TABLES, st.sampled_from(KINDS))
def test_unit_offset_and_order_change_nothing(table, kind):
    first = icc(table, *kind).estimate
    rng = np.random.default_rng(1)
    assert icc(rng.permutation(table), *kind).estimate == first
    turned = icc(table[:, ::-1], *kind).estimate
    moved = icc(-2.5 * table + 1000, *kind).estimate
    for other in (turned, moved):
        for name in ("value", "conf_low", "conf_high", "p_value"):
            one, two = getattr(first, name), getattr(other, name)
            assert (one is None) == (two is None)
            assert one is None or math.isclose(one, two, rel_tol=1e-8, abs_tol=1e-8)


def test_consistency_ignores_levels_of_raters_and_agreement_does_not():
    shifted = RATINGS + np.array([0, 10, -4, 3.0])
    assert math.isclose(
        icc(shifted, "consistency").estimate.value, icc(RATINGS, "consistency").estimate.value, rel_tol=1e-12
    )
    assert icc(shifted).estimate.value < icc(RATINGS).estimate.value


def test_a_large_offset_costs_no_digits():
    assert math.isclose(icc(RATINGS + 1e9).estimate.value, icc(RATINGS).estimate.value, rel_tol=1e-12)


def test_a_subject_with_a_missing_rating_is_left_out_and_counted():
    with_gap = np.vstack([RATINGS, [5, np.nan, 5, 5]])
    found = icc(with_gap)
    assert (found.estimate.n, found.estimate.n_missing) == (6, 1)
    assert found.estimate.value == icc(RATINGS).estimate.value
    assert icc(pd.DataFrame(with_gap)).estimate == found.estimate


@pytest.mark.parametrize(
    ("ratings", "reason"),
    [
        ([[1, 2, 3]], "1 subjects"),
        ([[1], [2], [3]], "one rater"),
        ([[4, 4], [4, 4], [4, 4]], "all ratings are the same"),
        ([[1, np.nan], [2, 3]], "1 subjects"),
        ([[np.nan, np.nan]], "0 subjects"),
    ],
)
def test_what_is_not_estimable_says_why(ratings, reason):
    for kind in KINDS:
        found = icc(ratings, *kind)
        assert reason in found.estimate.reason
        assert (found.estimate.value, found.f) == (None, None)
    for agreement in ("consistency", "absolute agreement"):
        assert reason in standard_error_of_measurement(ratings, agreement=agreement).reason


def test_full_agreement_has_a_value_and_no_interval():
    found = icc([[0.1 + 0.2, 0.3], [1, 1], [5, 5]]).estimate
    assert (found.value, found.conf_low, found.p_value) == (1.0, None, None)
    assert "no error" in found.reason


def test_constant_distance_of_two_raters_has_limits_for_agreement_only():
    table = [[1, 3], [2, 4], [6, 8], [9, 11]]
    assert icc(table, "consistency").estimate.conf_low is None
    e = icc(table).estimate
    assert e.conf_low < e.value < e.conf_high < 1


def test_raters_who_turn_the_order_have_a_negative_correlation():
    table = [[1, 5], [2, 4], [4, 2], [5, 1.5]]
    assert icc(table, "one-way").estimate.value < 0
    assert icc([[1, 5], [5, 1]], "consistency").estimate.value == -1.0
    assert "denominator" in icc([[1, 5], [5, 1]], "consistency", "mean of ratings").estimate.reason


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: icc([["a", "b"]]), "not_numeric"), (lambda: icc([1, 2, 3]), "bad_shape"),
        (lambda: icc([[1, np.inf], [1, 2]]), "infinite"), (lambda: icc(RATINGS, "two-way"), "bad_choice"),
        (lambda: icc(RATINGS, of="mean"), "bad_choice"), (lambda: icc(RATINGS, level=1.0), "bad_level"),
        (lambda: icc([[1, 2], [3]]), "not_numeric"), (lambda: icc(np.empty((0, 2))), "bad_shape"),
        (lambda: standard_error_of_measurement(RATINGS, agreement="both"), "bad_choice"),
        (lambda: within_subject_cv([[0, 1], [2, 3]]), "not_positive"),
        (lambda: within_subject_cv(RATINGS, method="root"), "bad_choice"),
        (lambda: sem_from_reliability(0, Estimate(value=0.5, conf_low=None, conf_high=None)), "bad_summary"),
        (lambda: sem_from_reliability(2, Estimate(value=1.5, conf_low=None, conf_high=None)), "bad_reliability"),
        (lambda: smallest_detectable_change(Estimate(value=1, conf_low=None, conf_high=None), n=0), "bad_count"),
        (lambda: smallest_detectable_change(Estimate(value=1, conf_low=None, conf_high=None), certainty=1), "bad_level"),
    ],
)  # fmt: skip
def test_refused(call, code):
    with pytest.raises(EstimationError) as error:
        call()
    assert error.value.code == code


def test_no_message_repeats_a_rating():
    with pytest.raises(EstimationError) as error:
        icc([["Smith", 1.0], [2.0, 3.0]])
    assert "Smith" not in str(error.value)


@settings(max_examples=40, deadline=None)
@given(TABLES)
def test_error_is_the_total_sd_times_the_root_of_what_the_correlation_leaves(table):
    ms = mean_squares(table)
    n, k = table.shape
    subjects = (ms.subjects - ms.residual) / k
    total = {
        "one-way": (ms.subjects - ms.within) / k + ms.within,
        "consistency": subjects + ms.residual,
        "absolute agreement": subjects + ms.residual + (ms.raters - ms.residual) / n,
    }
    for agreement, variance in total.items():
        sem = standard_error_of_measurement(table, agreement=agreement).value
        value = icc(table, agreement).estimate.value
        if value is None or variance <= 0:
            continue
        assert math.isclose(sem**2, variance * (1 - value), rel_tol=1e-8)
        known = sem_from_reliability(math.sqrt(variance), icc(table, agreement).estimate)
        assert math.isclose(known.value, sem, rel_tol=1e-6)


def test_within_subject_sd_of_unequal_numbers_of_ratings():
    """Variances 2 (2 ratings), 1 (3 ratings) and none: (1 x 2 + 2 x 1) / 3, 3 df."""
    e = standard_error_of_measurement(
        [[1, 3, np.nan], [4, 5, 6], [7, np.nan, np.nan]], agreement="one-way", unit="mm"
    )
    assert math.isclose(e.value**2, 4 / 3, rel_tol=1e-12)
    assert (e.df, e.n, e.n_missing, e.unit) == (3.0, 2, 1, "mm")
    low, high = (math.sqrt(4 / stats.chi2.isf(tail, 3)) for tail in (0.025, 0.975))
    assert math.isclose(e.conf_low, low, rel_tol=1e-10)
    assert math.isclose(e.conf_high, high, rel_tol=1e-10)


def test_limits_of_two_variances_add_their_distances_in_squares():
    one, two = (variance_limits([part], 0.9) for part in ((3.0, 4.0), (2.0, 9.0)))
    low, high = variance_limits([(3.0, 4.0), (2.0, 9.0)], 0.9)
    assert math.isclose(low, 5 - math.hypot(3 - one[0], 2 - two[0]), rel_tol=1e-12)
    assert math.isclose(high, 5 + math.hypot(one[1] - 3, two[1] - 2), rel_tol=1e-12)
    assert math.isclose(one[0], 3 * 4 / stats.chi2.ppf(0.95, 4), rel_tol=1e-10)


def test_error_scales_with_the_unit_and_not_with_the_offset():
    for agreement in AGREEMENTS:
        e = standard_error_of_measurement(RATINGS, agreement=agreement)
        moved = standard_error_of_measurement(10 * RATINGS - 7, agreement=agreement)
        for name in ("value", "conf_low", "conf_high"):
            assert math.isclose(getattr(moved, name), 10 * getattr(e, name), rel_tol=1e-9)
    cv, scaled = within_subject_cv(RATINGS), within_subject_cv(10 * RATINGS)
    assert math.isclose(cv.value, scaled.value, rel_tol=1e-9)


def test_changes_and_groups():
    sem = Estimate(value=2.0, conf_low=1.0, conf_high=3.0, n=20, unit="kg")
    one, group = smallest_detectable_change(sem), smallest_detectable_change(sem, n=25, certainty=0.9)
    assert math.isclose(one.value, 1.959963984540054 * math.sqrt(2) * 2, rel_tol=1e-12)
    assert math.isclose(one.conf_high, 1.5 * one.value, rel_tol=1e-12)
    assert math.isclose(group.value, 1.6448536269514722 * math.sqrt(2) * 2 / 5, rel_tol=1e-12)
    assert "mean of 25 subjects" in group.contrast
    gone = smallest_detectable_change(Estimate.not_estimable("no pairs"))
    assert (gone.value, gone.reason) == (None, "no pairs")


def test_a_share_known_by_construction_comes_back():
    """Lognormal errors of 10 %: both methods give 10 % of 4,000 subjects."""
    rng = np.random.default_rng(1)
    s = math.sqrt(math.log1p(0.01))
    table = np.exp(rng.normal(3, 0.5, (4000, 1)) + rng.normal(0, s, (4000, 3)))
    logs, root = within_subject_cv(table), within_subject_cv(table, method="root mean square")
    assert abs(logs.value - 10) < 0.25
    assert abs(root.value - 10) < 0.35
    assert logs.conf_low < 10 < logs.conf_high


def test_no_error_has_a_value_and_no_interval():
    same = [[2, 2], [3, 3]]
    for e in (
        standard_error_of_measurement(same), standard_error_of_measurement(same, agreement="one-way"),
        within_subject_cv(same), within_subject_cv(same, method="root mean square"),
    ):  # fmt: skip
        assert (e.value, e.conf_low, e.conf_high) == (0.0, None, None)
        assert "no error" in e.reason
    assert within_subject_cv([[1, np.nan]]).value is None
    assert standard_error_of_measurement([[1, np.nan]], agreement="one-way").value is None
    assert within_subject_cv([[1, 2]], method="root mean square").value is None


def test_generalised_limits_are_quantiles_of_the_pivot():
    """The probability that the pivot lies under each limit, drawn half a million times."""
    rng = np.random.default_rng(4)
    ms = mean_squares(RATINGS)
    e = icc(RATINGS, interval="generalised").estimate
    draws = 500_000
    residual, raters, subjects = (
        square * df / rng.chisquare(df, draws)
        for square, df in ((ms.residual, 15), (ms.raters, 3), (ms.subjects, 5))
    )
    true = (subjects - residual) / 4
    pivot = true / (true + (raters - residual) / 6 + residual)
    for limit, share in ((e.conf_low, 0.025), (e.conf_high, 0.975)):
        assert abs((pivot < limit).mean() - share) < 4 * math.sqrt(0.025 * 0.975 / draws)
    assert e.method.endswith("generalised limits")
    assert e.value == icc(RATINGS).estimate.value


def test_generalised_limits_do_not_depend_on_the_number_of_nodes(monkeypatch):
    first = icc(RATINGS, interval="generalised").estimate
    monkeypatch.setattr("outcomes.stats.agreement.icc_generalised.NODES", 128)
    again = icc(RATINGS, interval="generalised").estimate
    assert math.isclose(first.conf_low, again.conf_low, rel_tol=1e-4)
    assert math.isclose(first.conf_high, again.conf_high, rel_tol=1e-7)


def test_generalised_limits_hold_where_the_usual_ones_do_not(monkeypatch):
    """Two raters with twice the variance of the errors, 30 subjects: 78 % against 95 % (150 sets)."""
    monkeypatch.setattr("outcomes.stats.agreement.icc_generalised.NODES", 20)
    rng = np.random.default_rng(8)
    usual = generalised = 0
    for _ in range(150):
        table = (
            rng.normal(0, math.sqrt(0.85), (30, 1))
            + rng.normal(0, math.sqrt(0.1), (1, 2))
            + rng.normal(0, math.sqrt(0.05), (30, 2))
        )
        one, two = (icc(table, interval=i).estimate for i in ("McGraw-Wong", "generalised"))
        usual += one.conf_low <= 0.85 <= one.conf_high
        generalised += two.conf_low <= 0.85 <= two.conf_high
    assert usual < 132
    assert generalised > 135


def test_generalised_limits_of_other_kinds_are_the_exact_ones():
    for agreement in ("one-way", "consistency"):
        assert icc(RATINGS, agreement, interval="generalised") == icc(RATINGS, agreement)
    assert icc([[1, 3], [2, 4], [6, 8], [9, 11]], interval="generalised").estimate.conf_low is not None
    with pytest.raises(EstimationError, match="generalised"):
        icc(RATINGS, interval="exact")


def test_tables_and_sentences():
    found = icc(RATINGS)
    row = found.tidy().iloc[0]
    assert (row["n"], row["raters"], row["df1"]) == (6, 4, 5)
    # four raters who differ by more than their errors (variances 5.2 and 1.0)
    assert row["method"] == (
        "ICC(2,1), absolute agreement, single rating; limits may be too short: few raters who differ more than their "
        "errors, see interval='generalised'"
    )
    assert str(found).endswith("4 raters")
    assert "0.2898 (95 % CI 0.01879 to 0.7611" in str(found)
