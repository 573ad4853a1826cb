"""Funnel limits and over-dispersion: by hand, laws, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.charts.funnel import (
    PROBABILITIES,
    binomial_quantile,
    poisson_quantile,
    proportion_funnel,
    ratio_funnel,
)
from outcomes.stats.charts.over_dispersion import over_dispersion, widened_limits, winsorised


def test_two_cases_by_hand():
    """P(0), P(<= 1), P(<= 2) = 1/4, 3/4, 1. At p = 0.9: r = 2, a = (1 - 0.9) / (1/4)."""
    raw = proportion_funnel([2], 0.5, probabilities=[0.25, 0.5, 0.9], fewest=0).raw[0]
    assert np.allclose(raw, [0.0, 0.25, (2 - 0.4) / 2], rtol=1e-12)


def test_normal_by_hand():
    limits = proportion_funnel([100], 0.2, probabilities=[0.025], method="normal")
    assert math.isclose(limits.raw[0, 0], 0.2 - 1.959963984540054 * 0.04, rel_tol=1e-12)
    ratio = ratio_funnel([4.0], 2.0, probabilities=[0.975], method="normal")
    assert math.isclose(ratio.raw[0, 0], 2 + 1.959963984540054 * math.sqrt(0.5), rel_tol=1e-12)


def test_limits_are_two_and_three_errors_on_both_sides():
    """Limits unless others are asked for: 1 in 1,000 beyond each outer one, 1 in 40 beyond each inner one."""
    for limits in (proportion_funnel([400], 0.5, method="normal"), ratio_funnel([400.0], method="normal")):
        assert limits.probabilities == (0.001, 0.025, 0.975, 0.999)
    wanted = (
        0.5 + np.array([-3.090232306167813, -1.959963984540054, 1.959963984540054, 3.090232306167813]) / 40
    )
    assert np.allclose(proportion_funnel([400], 0.5, method="normal").raw[0], wanted, rtol=1e-12)


def test_quantiles_are_the_smallest_counts():
    n = np.array([1, 7, 40, 900])[:, None]
    p = np.array([0.001, 0.025, 0.5, 0.975, 0.999])[None, :]
    assert (binomial_quantile(p, n, 0.13) == stats.binom.ppf(p, n, 0.13)).all()
    assert (poisson_quantile(p, n * 0.3) == stats.poisson.ppf(p, n * 0.3)).all()


def test_chance_of_being_beyond_a_limit():
    """Whole counts keep 2.5 % on either side and no count more would; interpolation lies within the count before."""
    for n in (15, 40, 173, 800):
        low, high = (
            proportion_funnel([n], 0.1, probabilities=[0.025, 0.975], method="exact counts").raw[0] * n
        )
        assert stats.binom.cdf(low - 1, n, 0.1) <= 0.025 < stats.binom.cdf(low, n, 0.1)
        assert stats.binom.sf(high, n, 0.1) <= 0.025 < stats.binom.sf(high - 1, n, 0.1)
        smooth = proportion_funnel([n], 0.1, probabilities=[0.025, 0.975]).raw[0] * n
        assert (np.array([low, high]) - 1 < smooth).all()
        assert (smooth <= [low, high]).all()
    by_ratio = ratio_funnel([7.5], probabilities=[0.025, 0.975], method="exact counts").raw[0] * 7.5
    assert np.allclose(by_ratio, stats.poisson.ppf([0.025, 0.975], 7.5))


def test_limits_close_in_with_size_and_mirror():
    sizes = [30, 100, 1000, 10000]
    wide = proportion_funnel(sizes, 0.3)
    assert (np.diff(wide.raw[:, 2]) < 0).all()
    assert (np.diff(wide.raw[:, 1]) > 0).all()
    mirror = proportion_funnel(sizes, 0.7, method="normal")
    plain = proportion_funnel(sizes, 0.3, method="normal")
    assert np.allclose(plain.raw, 1 - mirror.raw[:, ::-1], rtol=1e-9)
    exact = proportion_funnel([10_000_000], 0.3)
    normal = proportion_funnel([10_000_000], 0.3, method="normal")
    assert np.allclose(exact.raw, normal.raw, atol=2e-7)
    assert np.allclose(ratio_funnel([1e6]).raw, ratio_funnel([1e6], method="normal").raw, atol=3e-6)


def test_small_units_are_said_to_be_too_few_and_nothing_impossible_is_shown():
    limits = proportion_funnel([9, 10, 20], 0.074)
    assert limits.too_few.tolist() == [True, False, False]
    assert np.isnan(limits.shown[0]).all()
    assert (limits.raw[:, 0] < 0).all()
    assert (limits.shown[1:, 0] == 0).all()
    assert "1 with too few" in str(limits)
    assert proportion_funnel([10], 0.97).shown.max() <= 1
    assert ratio_funnel([0.99, 1.0]).too_few.tolist() == [True, False]
    assert limits.tidy()["too_few"].sum() == len(PROBABILITIES)


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: proportion_funnel([10], 1.0), "bad_target"),
        (lambda: proportion_funnel([0, 10], 0.5), "no_cases"),
        (lambda: proportion_funnel([1.5], 0.5), "bad_count"),
        (lambda: proportion_funnel([10], 0.5, probabilities=[1.0]), "bad_level"),
        (lambda: proportion_funnel([10], 0.5, method="wilson"), "bad_choice"),
        (lambda: ratio_funnel([0.0]), "bad_expected"),
        (lambda: ratio_funnel([1.0], 0.0), "bad_target"),
        (lambda: over_dispersion([1.0], [1.0], 0), "bad_shape"),
        (lambda: over_dispersion([1.0, np.nan], [1.0, 1.0], 0), "not_finite"),
        (lambda: over_dispersion([1.0, 2.0], [1.0, 0.0], 0), "not_finite"),
        (lambda: over_dispersion([1.0, 2.0], [1.0, 1.0], 0, winsorise=0.5), "bad_share"),
    ],
)
def test_refused(call, code):
    with pytest.raises(EstimationError) as refused:
        call()
    assert refused.value.code == code


Z = np.array([-3.0, -2, -1, 0, 0, 1, 2, 2, 3, 9])


def test_over_dispersion_by_hand():
    """Pulled in: -3 -> -2 and 9 -> 3; squares 4 4 1 0 0 1 4 4 9 9 = 36 of ten."""
    found = over_dispersion(Z, np.ones(10), 0.0)
    assert found.phi == 3.6
    assert math.isclose(found.tau**2, (36 - 9) / (10 - 1), rel_tol=1e-12)
    assert math.isclose(found.adjusted[9], 9 / 2, rel_tol=1e-12)
    known = over_dispersion(Z, np.ones(10), 0.0, target_known=True)
    assert math.isclose(known.tau**2, (36 - 10) / 10, rel_tol=1e-12)
    by_factor = over_dispersion(Z, np.ones(10), 0.0, model="multiplicative")
    assert math.isclose(by_factor.adjusted[9], 9 / math.sqrt(3.6), rel_tol=1e-12)
    assert over_dispersion(Z, np.ones(10), 0.0, winsorise=0).phi == 11.3


def test_additive_with_unequal_errors_by_hand():
    y, s = np.array([3.0, -3, 2, -2]), np.array([1.0, 1, 0.5, 0.5])
    found = over_dispersion(y, s, 0.0, winsorise=0)
    w = np.array([1.0, 1, 4, 4])
    assert math.isclose(found.phi, (9 + 9 + 16 + 16) / 4, rel_tol=1e-12)
    assert math.isclose(found.tau**2, (50 - 3) / (10 - 34 / 10), rel_tol=1e-12)
    assert math.isclose(w.sum(), 10)
    low, high = widened_limits(0.0, s, found)
    assert np.allclose(high, 1.959963984540054 * np.sqrt(s**2 + found.tau**2), rtol=1e-12)
    assert np.allclose(low, -high)
    assert "4 units" in found.caution


def test_chance_alone_widens_nothing():
    calm = over_dispersion(Z / 4, np.ones(10), 0.0)
    assert (calm.used, calm.tau) == (False, 0.0)
    assert (calm.adjusted == calm.z).all()
    factor = over_dispersion(Z / 1.6, np.ones(10), 0.0, model="multiplicative")
    assert 1.4 < factor.phi < 1 + 2 * math.sqrt(0.2)
    assert (factor.adjusted == factor.z).all()
    assert np.allclose(widened_limits(0.0, [1.0], factor)[1], 1.959963984540054)
    assert "not widened" in str(factor)
    assert len(factor.tidy()) == 10


def test_units_of_the_values_do_not_matter():
    one, two = over_dispersion(Z, np.ones(10), 0.5), over_dispersion(Z * 7 + 3, np.full(10, 7.0), 6.5)
    assert np.allclose(one.adjusted, two.adjusted, rtol=1e-12)
    assert math.isclose(two.tau, 7 * one.tau, rel_tol=1e-12)


def test_winsorising_counts_down():
    assert winsorised(np.arange(19.0), 0.1).tolist() == [1, *range(1, 18), 17]
    assert winsorised(np.arange(9.0), 0.1).tolist() == list(range(9))
