"""Means and SDs from printed numbers: the Handbook's and the papers' examples, inverses, laws, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.errors import EstimationError
from outcomes.stats.groups.means import mean_difference_from_summary
from outcomes.stats.printed.group_numbers import combine_groups, mean_sd_from_quantiles
from outcomes.stats.printed.summary_numbers import (
    correlation_from_change,
    sd_from_difference_interval,
    sd_from_difference_se,
    sd_from_interval,
    sd_from_p,
    sd_from_se,
    sd_of_change,
)

FIVE = {"minimum": 2, "q1": 4, "q3": 10, "maximum": 14}
RANGE = {"minimum": 2, "maximum": 14}
QUARTILES = {"q1": 4, "q3": 10}


def close(value, expected, relative=1e-11):
    return math.isclose(value, expected, rel_tol=relative)


def test_cochrane_sd():
    """Cochrane Handbook 6.5.2.2-3: the steps; 4.69 is printed from the rounded SE. Values: tests/check_values."""
    assert sd_from_p(3.8, 0.008, 25, 22).steps[0] == "t = 2.776 (45 df) from p = 0.008"
    assert close(sd_from_difference_se(3.8 / 2.7755453695, 25, 22).value, 4.68346934138, 1e-10)
    assert close(sd_from_difference_se(1.37, 25, 22).value, 4.69, 1e-3)


def test_normal_interval_differs_from_the_handbook_by_its_rounded_quantile_only():
    """The Handbook divides by 3.92; the quantile is 1.959964."""
    exact = sd_from_interval(31.5, 34.5, 100, reference="normal").value
    assert close(exact * 1.959963984540054 / 1.96, 7.65306122449)


def test_an_assumed_correlation_is_named():
    assert sd_of_change(6.4, 7.1, 0.8).assumed == ("correlation 0.8 between before and after",)


@given(st.floats(-1e3, 1e3), st.floats(0.01, 1e3), st.integers(2, 2000))
def test_quantiles_move_with_the_units(shift, scale, n):
    plain = mean_sd_from_quantiles(n, 6, **FIVE)
    moved = {name: shift + scale * value for name, value in FIVE.items()}
    other = mean_sd_from_quantiles(n, shift + scale * 6, **moved)
    assert math.isclose(other.mean, shift + scale * plain.mean, rel_tol=1e-9, abs_tol=1e-9)
    assert math.isclose(other.sd, scale * plain.sd, rel_tol=1e-7)


def test_exact_normal_quantiles_give_back_mean_and_sd():
    """Large n: the quartiles of a normal lie 0.6745 SD from its mean."""
    group = mean_sd_from_quantiles(10**6, 40.0, q1=40 - 0.67448975 * 8, q3=40 + 0.67448975 * 8)
    assert close(group.mean, 40.0)
    assert close(group.sd, 8.0, 1e-5)


@pytest.mark.parametrize("n", [15, 60, 400])
def test_bias_on_normal_samples_is_small(n):
    """Seeded: 4,000 normal samples; the mean of the estimates lies within 3 % of the SD for every scenario."""
    draws = np.random.default_rng(1).normal(size=(4000, n))
    a, q1, m, q3, b = np.quantile(draws, [0, 0.25, 0.5, 0.75, 1], axis=1).mean(axis=1)
    for numbers in ({"minimum": a, "maximum": b}, {"q1": q1, "q3": q3}):
        group = mean_sd_from_quantiles(n, m, **numbers)
        assert abs(group.mean) < 0.03
        # quartiles by another rule than the paper's are narrower in a small sample
        assert abs(group.sd - 1) < (0.03 if n > 15 else 0.08)


def test_error_interval_and_p_agree_with_the_comparison_they_come_from():
    """A pooled t comparison printed in three ways gives back its pooled SD."""
    d = mean_difference_from_summary(12.0, 5.0, 14, 9.5, 5.0, 19, pooled=True)
    assert close(sd_from_difference_se(d.std_error, 14, 19).value, 5.0)
    assert close(sd_from_difference_interval(d.conf_low, d.conf_high, 14, 19).value, 5.0)
    assert close(sd_from_p(d.value, d.p_value, 14, 19).value, 5.0, 1e-9)
    assert close(sd_from_p(-d.value, d.p_value, 19, 14).value, 5.0, 1e-9)


@given(st.lists(st.lists(st.floats(-50, 50), min_size=1, max_size=6), min_size=2, max_size=5))
def test_combining_is_what_all_patients_at_once_give(groups):
    everyone = np.concatenate([np.asarray(group) for group in groups])
    sds = [float(np.std(group, ddof=1)) if len(group) > 1 else 0.0 for group in groups]
    both = combine_groups([len(group) for group in groups], [float(np.mean(group)) for group in groups], sds)
    assert math.isclose(both.mean, everyone.mean(), rel_tol=1e-9, abs_tol=1e-9)
    assert math.isclose(both.sd, everyone.std(ddof=1), rel_tol=1e-9, abs_tol=1e-9)


def test_combining_keeps_its_digits_under_a_large_offset_and_in_any_order():
    far = combine_groups([2, 2], [1e9 + 2, 1e9 + 6], [2**0.5, 2**0.5])
    assert close(far.sd, math.sqrt(20 / 3))
    one = combine_groups([10, 20, 15], [11.8, 15.3, 8.4], [2.4, 3.2, 4.1])
    other = combine_groups([15, 20, 10], [8.4, 15.3, 11.8], [4.1, 3.2, 2.4])
    assert close(one.sd, other.sd, 1e-14)
    padded = combine_groups([0, 10, 20, 15], [0, 11.8, 15.3, 8.4], [0, 2.4, 3.2, 4.1])
    assert (padded.n, padded.mean, padded.sd) == (one.n, one.mean, one.sd)


def test_change_of_paired_values_is_exact():
    rng = np.random.default_rng(3)
    before, after = rng.normal(size=40), rng.normal(size=40)
    r = float(np.corrcoef(before, after)[0, 1])
    found = sd_of_change(before.std(ddof=1), after.std(ddof=1), r).value
    assert close(found, float((after - before).std(ddof=1)), 1e-10)
    assert sd_of_change(5.0, 5.0, 1.0).value == 0.0


def test_derived_groups_go_into_the_comparison():
    a, b = combine_groups([3, 3], [1, 4], [1, 1]), combine_groups([2, 4], [2, 3], [1, 2])
    d = mean_difference_from_summary(a.mean, a.sd, a.n, b.mean, b.sd, b.n)
    assert close(d.value, 2.5 - 8 / 3)
    assert d.n == 12


def test_a_change_that_is_the_same_for_all_means_full_correlation():
    assert correlation_from_change(5, 5, 0).value == 1.0
    assert correlation_from_change(3, 4, 7).value == -1.0


def test_the_trace_names_the_rule_that_was_used():
    assert "SD by Wan 2014" in mean_sd_from_quantiles(20, 6, **QUARTILES).steps
    assert "SD by Wan 2014" in mean_sd_from_quantiles(20, 6, **RANGE).steps
    assert "mean by Wan 2014" in mean_sd_from_quantiles(20, 6, **FIVE, mean_method="Wan").steps


def test_what_is_not_estimable_says_why():
    none = sd_from_p(0.0, 0.4, 10, 10)
    assert none.value is None
    assert "not estimable (the difference is 0" in str(none)
    assert correlation_from_change(3, 4, 7.5).value is None
    assert sd_from_se(1e308, 1000).value is None


@pytest.mark.parametrize(
    ("call", "code", "culprit"),
    [
        (lambda: sd_from_se(0.0, 10), "bad_summary", "std_error"),
        (lambda: sd_from_se(1.0, 1), "too_few", "n must"),
        (lambda: sd_from_se(1.0, 10.5), "bad_count", "n: must"),
        (lambda: sd_from_interval(3.0, 1.0, 10), "bad_limits", "conf_low"),
        (lambda: sd_from_interval(1.0, 3.0, 10, 95.0), "bad_level", "level"),
        (lambda: sd_from_interval(1.0, 3.0, 10, reference="z"), "bad_choice", "normal"),
        (lambda: sd_from_p(1.0, 0.0, 10, 10), "bad_p", "p must"),
        (lambda: sd_from_p(math.nan, 0.5, 10, 10), "bad_summary", "difference"),
        (lambda: sd_from_p(1.0, 0.5, 1, 1), "too_few", "n1 and n0"),
        (lambda: sd_of_change(1.0, 2.0, 1.2), "bad_correlation", "correlation"),
        (lambda: sd_of_change(-1.0, 2.0, 0.2), "bad_summary", "sd_before"),
        (lambda: correlation_from_change(1.0, 2.0, -1.0), "bad_summary", "sd_change"),
        (lambda: combine_groups([2.5, 3], [2.0, 3.0], [1, 1]), "bad_count", "n of group 1"),
        (lambda: combine_groups([1], [2.0], []), "bad_shape", "one of each"),
        (lambda: combine_groups([], [], []), "bad_shape", "one of each"),
        (lambda: combine_groups([1, 0], [2.0, 3.0], [0, 0]), "too_few", "fewer than 2"),
        (lambda: combine_groups([3, 3], [2.0, 3.0], [1, -1]), "bad_summary", "group 2"),
        (lambda: mean_sd_from_quantiles(20, 6), "missing_argument", "range"),
        (lambda: mean_sd_from_quantiles(20, 6, q1=4), "half_a_pair", "q1 and q3"),
        (lambda: mean_sd_from_quantiles(20, 3, q1=4, q3=10), "bad_order", "q1, median, q3"),
        (lambda: mean_sd_from_quantiles(20, math.nan, q1=4, q3=10), "bad_summary", "finite"),
        (lambda: mean_sd_from_quantiles(1, 6, q1=4, q3=10), "too_few", "n must"),
        (lambda: mean_sd_from_quantiles(9, 6, q1=4, q3=10, sd_method="Luo"), "bad_choice", "Shi"),
    ],
)
def test_refused(call, code, culprit):
    with pytest.raises(EstimationError, match=culprit) as error:
        call()
    assert error.value.code == code


def test_tables_and_sentences_carry_the_trace():
    group = mean_sd_from_quantiles(20, 6, **FIVE)
    row = group.tidy().iloc[0]
    assert (row["estimate"], row["sd"], row["n"]) == (group.mean, group.sd, 20)
    assert row["how"] == "from minimum 2, q1 4, median 6, q3 10, maximum 14; mean by Luo 2018; SD by Shi 2020"
    assert str(group).startswith("mean 6.939, SD 3.679, n = 20 (from minimum 2")
    number = sd_of_change(3, 4, 0).tidy().iloc[0]
    assert (number["estimate"], number["assumed"]) == (5.0, "correlation 0 between before and after")


@pytest.mark.parametrize(
    ("call", "wanted"),
    [
        (lambda: sd_from_se("1.2", 40), "std_error: give one number"),
        (lambda: sd_from_interval("1", 3, 40), "conf_low: give one number"),
        (lambda: sd_from_p(3.8, "0.008", 25, 22), "p: give one number, such as 0.008"),
        (lambda: mean_difference_from_summary("14", "6", 49, 10, 5, 50), "mean of a: give one number"),
        (lambda: mean_difference_from_summary(14, 6, 49, 10, "5", 50), "SD of b: give one number"),
    ],
)
def test_text_among_printed_numbers_is_refused_by_name(call, wanted):
    with pytest.raises(EstimationError, match=wanted):
        call()
