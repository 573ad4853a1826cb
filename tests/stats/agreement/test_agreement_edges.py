"""Agreement at its edges: rounding beside disagreement, nothing to compare, and intervals at other levels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from outcomes.stats.agreement.bland_altman import limits_of_agreement
from outcomes.stats.agreement.bland_altman_repeated import repeated_limits_of_agreement
from outcomes.stats.agreement.icc import intraclass_correlation
from outcomes.stats.agreement.kappa import cohen_kappa, kappa_context
from outcomes.stats.agreement.mean_squares import mean_squares


@pytest.mark.parametrize(
    ("ratings", "reason"),
    [
        ([[1.0], [2.0]], "one rater"),
        ([[1.0, 2.0], [np.nan, 1.0]], "1 subjects"),
        ([[3.0, 3.0], [3.0, 3.0]], "the same"),
    ],
)
def test_nothing_to_compare_gives_zeros_and_a_reason(ratings, reason):
    found = mean_squares(ratings)
    assert (found.subjects, found.within, found.raters, found.residual) == (0.0, 0.0, 0.0, 0.0)
    assert reason in found.reason


def test_rounding_is_no_disagreement_and_little_disagreement_is():
    exact = mean_squares([[0.1 + 0.2, 0.3], [0.7, 0.7], [1.1, 1.1]])
    assert (exact.within, exact.raters, exact.residual) == (0.0, 0.0, 0.0)
    assert exact.subjects == pytest.approx(2 * np.var([0.3, 0.7, 1.1], ddof=1), rel=1e-12)
    little = mean_squares([[0.3 + 1e-13, 0.3], [0.7, 0.7], [1.1, 1.1]])
    assert little.within == pytest.approx(1e-26 / 2 / 3, rel=0.01)
    # in large units the same rounding is larger, in small ones smaller
    for scale in (1e-9, 1e9):
        assert mean_squares(np.array([[0.1 + 0.2, 0.3], [0.7, 0.7], [1.1, 1.1]]) * scale).within == 0.0
        assert mean_squares(np.array([[0.3 + 1e-13, 0.3], [0.7, 0.7], [1.1, 1.1]]) * scale).within > 0.0


@pytest.mark.parametrize("level", [0.5, 0.95])
def test_slope_of_differences_on_means_is_least_squares(level):
    rng = np.random.default_rng(8)
    a = rng.normal(50, 9, 14)
    b = a + rng.normal(1, 2, 14) - 0.1 * (a - 50)
    found = limits_of_agreement(a, b, level=level).slope
    line = stats.linregress((a + b) / 2, a - b)
    half = stats.t.ppf((1 + level) / 2, 12) * line.stderr
    assert found.value == pytest.approx(line.slope, rel=1e-11)
    assert found.std_error == pytest.approx(line.stderr, rel=1e-11)
    assert (found.conf_low, found.conf_high) == pytest.approx(
        (line.slope - half, line.slope + half), rel=1e-10
    )
    assert (found.df, found.p_value) == (12, pytest.approx(line.pvalue, rel=1e-9))
    assert found.conf_low < found.value < found.conf_high


@pytest.mark.parametrize("level", [0.5, 0.95])
@pytest.mark.parametrize("interval", ["exact", "exact for the pair", "approximate", "approximate 1986"])
def test_every_limit_lies_within_its_own_interval(level, interval):
    d = np.array([-2.0, -1, 0, 0.5, 1, 1.5, 2, 4])
    found = limits_of_agreement(10 + d, np.full(8, 10.0), interval=interval, level=level)
    mean, sd, z = d.mean(), d.std(ddof=1), stats.norm.ppf(0.975)
    for e, sign in ((found.lower, -1), (found.upper, 1)):
        assert e.value == pytest.approx(mean + sign * z * sd, rel=1e-12)
        assert e.conf_low < e.conf_high
        if interval != "exact for the pair":
            assert e.conf_low < e.value < e.conf_high
        if interval.startswith("approximate"):
            error = sd * math.sqrt(3 / 8 if interval.endswith("1986") else 1 / 8 + z * z / 14)
            half = stats.t.ppf((1 + level) / 2, 7) * error
            assert (e.conf_low, e.conf_high) == pytest.approx((e.value - half, e.value + half), rel=1e-11)
            assert e.std_error == pytest.approx(error, rel=1e-12)
    half = stats.t.ppf((1 + level) / 2, 7) * sd / math.sqrt(8)
    assert (found.bias.conf_low, found.bias.conf_high) == pytest.approx((mean - half, mean + half), rel=1e-11)
    assert found.bias.p_value == pytest.approx(stats.ttest_1samp(d, 0).pvalue, rel=1e-10)


def test_two_and_three_pairs_are_the_fewest():
    none = limits_of_agreement([1.0], [2.0])
    assert none.bias.value is none.lower.value is none.upper.value is none.slope.value is None
    two = limits_of_agreement([1.0, 2.0], [2.0, 5.0])
    assert two.bias.value == -2.0
    assert two.sd == pytest.approx(math.sqrt(2), rel=1e-14)
    assert "at least 3" in two.slope.reason
    assert limits_of_agreement([1.0, 2.0, 4.0], [2.0, 5.0, 4.5]).slope.value is not None


@pytest.mark.parametrize("agreement", ["one-way", "consistency"])
@pytest.mark.parametrize("level", [0.5, 0.95])
def test_limits_of_a_correlation_are_quantiles_of_f(agreement, level):
    rng = np.random.default_rng(5)
    table = rng.normal(0, 2, (7, 1)) + rng.normal(0, 1, (7, 3))
    found = intraclass_correlation(table, agreement=agreement, level=level).estimate
    ms, tail = mean_squares(table), (1 - level) / 2
    error, df = (ms.within, 14) if agreement == "one-way" else (ms.residual, 12)
    f = ms.subjects / error
    ends = f / stats.f.isf(tail, 6, df), f * stats.f.isf(tail, df, 6)
    assert (found.conf_low, found.conf_high) == pytest.approx([(x - 1) / (x + 2) for x in ends], rel=1e-10)
    assert found.value == pytest.approx((f - 1) / (f + 2), rel=1e-12)
    assert found.p_value == pytest.approx(stats.f.sf(f, 6, df), rel=1e-10)
    mean = intraclass_correlation(table, agreement=agreement, of="mean of ratings", level=level).estimate
    assert (mean.value, mean.conf_low, mean.conf_high) == pytest.approx(
        [1 - 1 / f, *(1 - 1 / x for x in ends)], rel=1e-10
    )


def test_kappa_at_its_ends():
    full = cohen_kappa([[5, 0], [0, 7]])
    assert (full.estimate.value, full.estimate.conf_low, full.observed) == (1.0, None, 1.0)
    assert "agree on every subject" in full.estimate.reason
    one = cohen_kappa([[9, 0], [0, 0]])
    assert (one.estimate.value, one.observed, one.expected) == (None, 1.0, 1.0)
    reverse = cohen_kappa([[0, 5], [5, 0]])
    assert reverse.estimate.value == pytest.approx(-1.0, rel=1e-14)
    few = cohen_kappa([[1, 0], [0, 0]]).estimate
    assert "at least 2" in few.reason
    assert cohen_kappa([[1, 0], [0, 1]]).estimate.value == 1.0
    # all in one column: the second rater says one level only, kappa is 0 whatever happens
    flat = cohen_kappa([[4, 0], [6, 0]]).estimate
    assert (flat.value, flat.conf_low, flat.std_error) == (0.0, None, None)
    context = kappa_context([[4, 1], [2, 3]])
    assert (context.prevalence, context.bias) == (pytest.approx(0.1), pytest.approx(0.1))
    assert kappa_context([[4, 1, 0], [2, 3, 0], [0, 0, 1]]).prevalence is None


def test_error_of_a_bias_over_repeated_pairs():
    """Component between subjects times the sum of (size / all)^2, plus the variance within over all."""
    # differences 1, 3 and -3, -1: component 7, within 2; 7 x 8 / 16 + 2 / 4 = 4
    rows = (np.array([5.0, 7, 2, 2]), np.array([4.0, 4, 5, 3]), list("ppqq"))
    found = repeated_limits_of_agreement(*rows, true_value="varying").bias
    assert (found.std_error, found.df) == (pytest.approx(2.0, rel=1e-12), 1)
    # unequal: p 1, 3, 5 and q 8; bias 17/4; between 3 (3 - 17/4)^2 + (8 - 17/4)^2 = 18.75, within 8/2 = 4,
    # typical size (4 - 10/4) / 1 = 1.5, component 14.75 / 1.5
    d = np.array([1.0, 3, 5, 8])
    unequal = repeated_limits_of_agreement(d + 2, np.full(4, 2.0), list("pppq"), true_value="varying")
    component = 14.75 / 1.5
    assert unequal.bias.value == 4.25
    assert unequal.bias.std_error == pytest.approx(math.sqrt(component * 10 / 16 + 4 / 4), rel=1e-12)
    assert unequal.sd == pytest.approx(math.sqrt(component + 4), rel=1e-12)
    assert unequal.sd_between == pytest.approx(math.sqrt(component), rel=1e-12)
    # subjects closer to one another than their own values: no component, and the smaller mean square
    like = repeated_limits_of_agreement([1.0, 5, 2, 4.0], np.zeros(4), list("ppqq"), true_value="varying")
    assert like.sd_between == 0.0
    none = repeated_limits_of_agreement([1.0, 5, 2, 5.0], np.zeros(4), list("ppqq"), true_value="varying")
    # means 3 and 3.5: between 0.25, within (8 + 4.5) / 2
    assert none.bias.std_error == pytest.approx(math.sqrt(0.25 / 4), rel=1e-12)


@pytest.mark.parametrize("kind", ["varying", "constant"])
def test_repeated_pairs_that_say_nothing_count_nobody(kind):
    found = repeated_limits_of_agreement([1.0, np.nan], [2.0, 2.0], ["p", "q"], true_value=kind)
    assert (found.n, found.sd, found.bias.value) == (0, None, None)
    said = [e.contrast for e in (found.bias, found.lower, found.upper)]
    assert said == ["bias, first minus second", "lower limit of agreement", "upper limit of agreement"]
