"""Limits of agreement: by hand, exact factors, laws, repeated measurements, pairs that say nothing, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.agreement.bland_altman import INTERVALS, limits_of_agreement
from outcomes.stats.agreement.bland_altman_repeated import repeated_limits_of_agreement
from outcomes.stats.numerics.tolerance import end_factors, tolerance_factor

A = np.array([512.0, 430, 520, 428, 500, 600, 364, 380, 658])
B = np.array([494.0, 395, 516, 434, 476, 557, 413, 442, 650])


def test_bias_is_the_paired_t():
    found, t = limits_of_agreement(A, B), stats.ttest_rel(A, B)
    assert math.isclose(found.bias.p_value, t.pvalue, rel_tol=1e-10)
    low, high = t.confidence_interval()
    assert math.isclose(found.bias.conf_low, low, rel_tol=1e-10)
    assert math.isclose(found.bias.conf_high, high, rel_tol=1e-10)


def test_exact_interval_of_a_limit_is_where_the_noncentral_t_just_rejects():
    """The sample mean and SD are at their 2.5 % and 97.5 % points when mean + 1.96 SD is a limit of the interval."""
    found, n, z = limits_of_agreement(A, B), 9, stats.norm.ppf(0.975)
    for limit, tail in ((found.upper.conf_low, 0.025), (found.upper.conf_high, 0.975)):
        t = (limit - found.bias.value) / found.sd * 3
        assert math.isclose(stats.nct.cdf(t, n - 1, z * 3), tail, rel_tol=1e-9)


def test_published_tolerance_factors():
    """95 % of the population with confidence 95 %; tables of Odeh and of ISO 16269-6, from memory."""
    factors = {2: 36.519, 3: 9.789, 5: 5.077, 10: 3.393, 20: 2.760, 50: 2.382, 100: 2.234}
    assert {n: round(tolerance_factor(n, 0.95, 0.95), 3) for n in factors} == factors


def test_tolerance_factor_holds_its_share_as_often_as_it_says():
    rng = np.random.default_rng(3)
    x = rng.normal(0, 1, (20_000, 7))
    k = tolerance_factor(7, 0.9, 0.8)
    m, s = x.mean(axis=1), x.std(axis=1, ddof=1)
    held = stats.norm.cdf(m + k * s) - stats.norm.cdf(m - k * s) >= 0.9
    assert abs(held.mean() - 0.8) < 3 * math.sqrt(0.8 * 0.2 / 20_000)


def test_intervals_nest_and_widen_with_the_level():
    for interval in INTERVALS:
        narrow, wide = (limits_of_agreement(A, B, interval=interval, level=level) for level in (0.9, 0.99))
        for n, w in ((narrow.upper, wide.upper), (narrow.lower, wide.lower)):
            assert w.conf_low < n.conf_low < n.value < n.conf_high < w.conf_high
    exact, rough = (limits_of_agreement(A, B, interval=i).upper for i in ("exact", "approximate"))
    assert exact.conf_high > rough.conf_high
    assert exact.conf_low > rough.conf_low  # the exact interval is not symmetric


def test_large_samples_bring_exact_and_approximate_together():
    rng = np.random.default_rng(1)
    a, b = rng.normal(50, 5, 4000), rng.normal(50, 5, 4000)
    exact, rough = (limits_of_agreement(a, b, interval=i) for i in ("exact", "approximate"))
    assert abs(exact.upper.conf_high - rough.upper.conf_high) < 0.005 * exact.sd
    assert exact.upper.std_error == rough.upper.std_error


@pytest.mark.parametrize("interval", INTERVALS)
def test_swap_units_and_order(interval):
    first = limits_of_agreement(A, B, interval=interval)
    swapped = limits_of_agreement(B, A, interval=interval)
    scaled = limits_of_agreement(0.1 * A + 7, 0.1 * B, interval=interval)
    for name, mirror in (("bias", "bias"), ("lower", "upper"), ("upper", "lower")):
        one, two, three = getattr(first, name), getattr(swapped, mirror), getattr(scaled, name)
        assert math.isclose(one.value, -two.value, rel_tol=1e-12)
        assert math.isclose(one.conf_low, -two.conf_high, rel_tol=1e-9)
        assert math.isclose(three.conf_high, 0.1 * one.conf_high + 7, rel_tol=1e-9)
    assert math.isclose(swapped.slope.value, -first.slope.value, rel_tol=1e-12)
    order = np.random.default_rng(2).permutation(9)
    again = limits_of_agreement(A[order], B[order], interval=interval)
    assert (again.bias, again.lower, again.upper, again.slope) == (
        first.bias,
        first.lower,
        first.upper,
        first.slope,
    )


def test_slope_is_least_squares():
    found, line = limits_of_agreement(A, B).slope, stats.linregress((A + B) / 2, A - B)
    assert math.isclose(found.value, line.slope, rel_tol=1e-10)
    assert math.isclose(found.std_error, line.stderr, rel_tol=1e-10)
    assert math.isclose(found.p_value, line.pvalue, rel_tol=1e-9)


def test_multiplier():
    two = limits_of_agreement(A, B, multiplier=2)
    assert math.isclose(two.upper.value, two.bias.value + 2 * two.sd, rel_tol=1e-12)
    low, high = end_factors(9, 2.0, 0.95)
    assert math.isclose(two.upper.conf_high, two.bias.value + high * two.sd, rel_tol=1e-12)
    assert math.isclose(two.lower.conf_high, two.bias.value - low * two.sd, rel_tol=1e-12)
    assert "2 SD" in two.upper.method


@pytest.mark.parametrize(
    ("a", "b", "reason"),
    [
        ([], [], "0 complete pairs"), ([1], [2], "1 complete pairs"), ([1, np.nan], [2, 3], "1 complete pairs"),
        ([1, 2, 3], [2, 3, 4], "do not vary"), ([0.3, 0.4, 0.7], [0.1, 0.2, 0.5], "do not vary"),
    ],
)  # fmt: skip
def test_without_value_or_interval(a, b, reason):
    found = limits_of_agreement(a, b)
    for e in (found.bias, found.lower, found.upper):
        assert reason in e.reason
        assert (e.conf_low, e.p_value) == (None, None)
    assert reason in str(found) or found.sd == 0


def test_missing_values_are_counted():
    found = limits_of_agreement([*A, 5, np.nan], [*B, None, np.nan])
    assert (found.n, found.n_missing, found.bias.n_missing) == (9, 2, 2)
    assert found.upper.value == limits_of_agreement(A, B).upper.value


def test_slopes_without_interval():
    assert "means of the pairs" in limits_of_agreement([1, 2, 3], [3, 2, 1]).slope.reason
    exact = limits_of_agreement([1, 2, 4], [2, 4, 8]).slope
    assert math.isclose(exact.value, -2 / 3, rel_tol=1e-12)
    assert "exactly on a line" in exact.reason
    assert "at least 3" in limits_of_agreement([1, 2], [3, 5]).slope.reason


def test_constant_true_value_balanced_by_hand():
    """Means differ by 1, 2, 6 (variance 7); variances within 2 and 0.5; (1 - 1/2) of both: 7 + 1 + 0.25."""
    a, b = [3, 5, 10, 12, 20, 22], [2.5, 3.5, 8.5, 9.5, 14.5, 15.5]
    found = repeated_limits_of_agreement(a, b, [1, 1, 2, 2, 3, 3], true_value="constant")
    assert math.isclose(found.sd**2, 8.25, rel_tol=1e-12)
    assert math.isclose(found.bias.value, 3.0, rel_tol=1e-12)
    assert np.allclose(found.sd_within, [math.sqrt(2), math.sqrt(0.5)])
    assert math.isclose(found.sd_between**2, 7 - 1.25, rel_tol=1e-12)
    assert (found.n, found.n_values, found.n_missing) == (3, 12, 0)


def test_constant_true_value_needs_no_pairs():
    """Method values may stand in rows of their own, in any order; one method without repeats has no SD within."""
    a = [3, 5, 10, 12, np.nan, np.nan]
    b = [np.nan, 4, np.nan, 9, 8, np.nan]
    found = repeated_limits_of_agreement(a, b, ["p", "p", "q", "q", "r", "r"], true_value="constant")
    assert (found.n, found.n_values, found.n_missing) == (2, 6, 6)
    assert found.sd_within == (pytest.approx(math.sqrt(2)), None)
    order = [3, 5, 0, 2, 1, 4]
    turned = repeated_limits_of_agreement(
        np.array(a)[order],
        np.array(b)[order],
        np.array(["p", "p", "q", "q", "r", "r"])[order],
        true_value="constant",
    )
    assert turned.sd == found.sd
    assert turned.upper == found.upper


@pytest.mark.parametrize("kind", ["constant", "varying"])
def test_repeated_swap_and_units(kind):
    rng = np.random.default_rng(6)
    subject = np.repeat(np.arange(8), rng.integers(2, 5, 8))
    a = rng.normal(50, 5, 8)[subject] + rng.normal(0, 1, subject.size)
    b = a + rng.normal(0, 2, 8)[subject] + rng.normal(0, 1, subject.size)
    first = repeated_limits_of_agreement(a, b, subject, true_value=kind)
    swapped = repeated_limits_of_agreement(b, a, subject, true_value=kind)
    scaled = repeated_limits_of_agreement(10 * a, 10 * b, subject, true_value=kind)
    assert math.isclose(first.upper.conf_high, -swapped.lower.conf_low, rel_tol=1e-9)
    assert math.isclose(first.upper.conf_low, -swapped.lower.conf_high, rel_tol=1e-9)
    assert math.isclose(first.bias.conf_low, -swapped.bias.conf_high, rel_tol=1e-9)
    assert math.isclose(scaled.upper.conf_high, 10 * first.upper.conf_high, rel_tol=1e-9)
    assert first.lower.conf_low < first.lower.value < first.lower.conf_high
    order = rng.permutation(subject.size)
    again = repeated_limits_of_agreement(a[order], b[order], subject[order], true_value=kind)
    assert again.upper == first.upper
    assert again.bias == first.bias


def test_the_variance_of_single_differences_comes_back():
    """2,000 subjects, two or three pairs each: between 4, within 1 and 2: the SD of a difference is root 7."""
    rng = np.random.default_rng(7)
    subject = np.repeat(np.arange(2000), rng.integers(2, 4, 2000))
    a = rng.normal(0, 1, subject.size)
    b = rng.normal(0, 2, 2000)[subject] + rng.normal(0, math.sqrt(2), subject.size)
    for kind in ("constant", "varying"):
        found = repeated_limits_of_agreement(a, b, subject, true_value=kind)
        assert abs(found.sd - math.sqrt(7)) < 0.1
        assert abs(found.sd_between - 2) < 0.15


@pytest.mark.parametrize(
    ("rows", "kind", "reason"),
    [
        (([1, 2], [2, 2], ["p", "p"]), "varying", "1 subjects"), (([1, 2], [2, 2], ["p", "q"]), "varying", "no subject has two"),
        (([1, 2], [2, 2], ["p", "q"]), "constant", "no subject has two"),
        (([1, np.nan], [np.nan, 2], ["p", "q"]), "constant", "0 subjects"),
        (([np.nan], [1], ["p"]), "varying", "0 subjects"),
    ],
)  # fmt: skip
def test_repeated_not_estimable(rows, kind, reason):
    found = repeated_limits_of_agreement(*rows, true_value=kind)
    assert reason in found.bias.reason
    assert reason in str(found)
    assert found.sd is None


def test_repeated_without_spread():
    found = repeated_limits_of_agreement(
        [1, 2, 3, 4], [2, 3, 4, 5], ["p", "p", "q", "q"], true_value="varying"
    )
    assert (found.sd, found.bias.conf_low) == (0.0, None)
    assert "do not vary" in found.upper.reason


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: limits_of_agreement([1, 2], [1]), "bad_shape"), (lambda: limits_of_agreement([1, np.inf], [1, 2]), "infinite"),
        (lambda: limits_of_agreement(["a", "b"], [1, 2]), "not_numeric"),
        (lambda: limits_of_agreement(A, B, interval="t"), "bad_choice"),
        (lambda: limits_of_agreement(A, B, multiplier=0), "bad_multiplier"),
        (lambda: limits_of_agreement(A, B, level=95), "bad_level"),
        (lambda: repeated_limits_of_agreement(A, B, list("aabbccdde"), true_value="both"), "bad_choice"),
        (lambda: repeated_limits_of_agreement(A, B, list("aab"), true_value="constant"), "bad_shape"),
        (lambda: repeated_limits_of_agreement(A, B[:3], list("aab"), true_value="constant"), "bad_shape"),
        (lambda: repeated_limits_of_agreement(A, B, [None] * 9, true_value="constant"), "missing_cluster"),
        (lambda: repeated_limits_of_agreement([np.inf], [1], ["p"], true_value="varying"), "infinite"),
        (lambda: tolerance_factor(1, 0.95, 0.95), "too_few"), (lambda: end_factors(1, 2, 0.95), "too_few"),
        (lambda: tolerance_factor(5, 1, 0.95), "bad_level"),
    ],
)  # fmt: skip
def test_refused(call, code):
    with pytest.raises(EstimationError) as error:
        call()
    assert error.value.code == code


def test_tables_and_sentences():
    found = limits_of_agreement(A, B, unit="l/min")
    assert found.tidy()["contrast"].tolist() == [
        "bias, first minus second", "lower limit of agreement", "upper limit of agreement", "slope of difference on mean",
    ]  # fmt: skip
    assert "limits of agreement" in str(found)
    subject = np.repeat([1, 2, 3], 3)
    again = repeated_limits_of_agreement(A, B, subject, true_value="varying")
    assert again.tidy()["n_values"].tolist() == [9, 9, 9]
    assert str(again).endswith("9 values")
