"""Differences of means: closed forms, degenerate input, bad input."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.groups.means import mean_difference, mean_difference_from_summary
from outcomes.stats.numerics.moments import moments

CLOSED = 1e-12


def test_welch_by_hand():
    """Means 2 and 5; variances 1 and 4; SE^2 = 1/3 + 4/4; df by Satterthwaite."""
    d = mean_difference([1, 2, 3], [3, 4, 6, 7])
    var_b = 10 / 3
    se2 = 1 / 3 + var_b / 4
    df = se2**2 / ((1 / 3) ** 2 / 2 + (var_b / 4) ** 2 / 3)
    assert math.isclose(d.value, -3, rel_tol=CLOSED)
    assert math.isclose(d.std_error, math.sqrt(se2), rel_tol=CLOSED)
    assert math.isclose(d.df, df, rel_tol=CLOSED)


def test_pooled_has_closed_form_with_two_degrees_of_freedom():
    """With df = 2, p = 1 - |t| / sqrt(2 + t^2), and the quantile is 2 (q) / sqrt(2 (1 - q^2))."""
    d = mean_difference([1, 3], [2, 6], pooled=True)
    t = -2 / math.sqrt((2 + 8) / 2)
    assert math.isclose(d.p_value, 1 - abs(t) / math.sqrt(2 + t * t), rel_tol=CLOSED)
    q = 0.95
    quantile = math.sqrt(2) * q / math.sqrt(1 - q * q)
    assert math.isclose(d.conf_high - d.value, quantile * math.sqrt(5), rel_tol=CLOSED)


def test_missing_values_are_left_out_and_counted():
    d = mean_difference([1, 2, None, 3, np.nan], [1, None, 2])
    assert (d.n, d.n_missing) == (5, 3)
    assert d.value == 0.5


@pytest.mark.parametrize(("a", "b"), [([1.0], [1, 2, 3]), ([], [1, 2]), ([np.nan, 2], [1, 2])])
def test_too_few_values(a, b):
    d = mean_difference(a, b)
    assert not d.estimable
    assert "at least 2" in d.reason


@pytest.mark.parametrize("pooled", [False, True])
def test_no_variation_never_gives_a_p(pooled):
    d = mean_difference([5, 5, 5], [3, 3], pooled=pooled)
    assert d.value == 2
    assert d.p_value is d.conf_low is d.conf_high is None
    assert "no variation" in d.reason


def test_rounding_is_not_variation():
    noisy = [0.1 + 0.2, 0.3, 0.3]
    assert noisy[0] != noisy[1]
    assert moments(np.array(noisy)).variance == 0
    assert mean_difference(noisy, [0.7 - 0.4, 0.3]).p_value is None


def test_one_constant_group_is_enough_to_estimate():
    d = mean_difference([5, 5, 5], [1, 2, 3])
    assert math.isclose(d.df, 2, rel_tol=CLOSED)
    assert d.p_value is not None


def test_p_never_underflows_to_zero():
    rng = np.random.default_rng(1)
    d = mean_difference(rng.normal(0, 1, 2000), rng.normal(100, 1, 2000))
    assert 0 < d.p_value < 1e-300


def test_numacc4_variance():
    """NIST NumAcc4: 1001 values 10000000.2, then .1 and .3 by turns; SD exactly 0.1; 8 digits are possible."""
    values = np.array([10000000.2] + [10000000.1, 10000000.3] * 500)
    sd = math.sqrt(moments(values).variance)
    assert -math.log10(abs(sd - 0.1) / 0.1) >= 8
    assert math.isclose(moments(values).mean, 10000000.2, rel_tol=1e-14)


def test_summary_equals_data():
    rng = np.random.default_rng(2)
    a, b = rng.normal(10, 2, 30), rng.normal(9, 3, 20)
    d = mean_difference(a, b)
    s = mean_difference_from_summary(a.mean(), a.std(ddof=1), 30, b.mean(), b.std(ddof=1), 20)
    for name in ("value", "conf_low", "conf_high", "std_error", "df", "p_value"):
        assert math.isclose(getattr(d, name), getattr(s, name), rel_tol=1e-10)


@pytest.mark.parametrize(
    ("a", "match"),
    [
        (["x", "y"], "must be a number"),
        (["1", "2"], "must be a number"),
        ([1j, 2], "must be a number"),
        ([[1, 2], [3, 4]], "one dimension"),
        ([1, np.inf], "infinite"),
    ],
)
def test_bad_samples_are_refused_without_quoting_them(a, match):
    with pytest.raises(EstimationError, match=match) as raised:
        mean_difference(a, [1, 2])
    assert "'x'" not in str(raised.value)
    assert raised.value.__cause__ is None


@pytest.mark.parametrize("level", [0, 1, 95, -0.1])
def test_bad_level(level):
    with pytest.raises(EstimationError, match=r"between 0 and 1"):
        mean_difference([1, 2], [3, 4], level=level)


def test_summary_of_tiny_groups():
    assert not mean_difference_from_summary(1, 0, 1, 2, 1, 5).estimable
    two = mean_difference_from_summary(1, 1, 2, 2, 1, 2)
    assert (two.n, two.n_missing) == (4, 0)
    assert math.isclose(two.df, 2, rel_tol=CLOSED)
    assert "no variation" in mean_difference_from_summary(1, 0, 5, 2, 0, 5).reason


def test_bad_summary():
    with pytest.raises(EstimationError, match="SD 0 or more"):
        mean_difference_from_summary(1, -1, 5, 2, 1, 5)
    with pytest.raises(EstimationError, match="whole number"):
        mean_difference_from_summary(1, 1, 5.5, 2, 1, 5)


def test_the_method_says_whether_variances_are_pooled() -> None:
    a, b = [1.0, 4.0, 2.0], [3.0, 9.0, 7.0, 8.0]
    assert mean_difference(a, b).method == "Welch t"
    assert mean_difference(a, b, pooled=True).method == "Student t, pooled variance"
