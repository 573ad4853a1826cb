"""Effects in units of spread: closed forms, the equations the limits solve, traps, laws, coverage."""

from __future__ import annotations

import math
from math import lgamma

import numpy as np
import pytest
from scipy import integrate, special, stats

from outcomes.errors import EstimationError
from outcomes.stats.groups.anova import one_way_anova
from outcomes.stats.groups.effect_size import (
    hedges_g,
    hedges_g_from_summary,
    partial_eta_squared,
    partial_omega_squared,
)
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.numerics.noncentral import noncentral_f_below, noncentral_t_below
from outcomes.stats.pooling.study_effects import effects_of_means

A, B = [1.0, 4, 2, 8, 5], [3.0, 9, 7, 8]


def t_below_by_integration(t: float, df: float, nc: float) -> float:
    """P(Z + nc <= t S), averaged over S: the definition, by an adaptive rule."""

    def term(s: float) -> float:
        log_density = math.log(2) + df / 2 * math.log(df / 2) - lgamma(df / 2) + (df - 1) * math.log(s)
        return math.exp(log_density - df * s * s / 2) * special.ndtr(t * s - nc)

    return integrate.quad(term, 1e-12, 8, epsabs=1e-13, epsrel=1e-11, limit=400, points=[0.5, 1, 1.5, 2])[0]


def f_above_by_mixture(f: float, df1: float, df2: float, nc: float) -> float:
    """A Poisson mixture of beta distributions."""
    j = np.arange(int(nc + 30 * math.sqrt(nc + 1)) + 60)
    weights = np.exp(j * math.log(nc / 2) - nc / 2 - special.gammaln(j + 1))
    return float(weights @ special.betaincc(df1 / 2 + j, df2 / 2, df1 * f / (df1 * f + df2)))


@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_limits_of_d_solve_their_equations(level: float) -> None:
    e = hedges_g(A, B, corrected=False, level=level)
    root, tail = math.sqrt(5 * 4 / 9), (1 - level) / 2
    t = e.value * root
    assert math.isclose(t_below_by_integration(t, 7, e.conf_high * root), tail, rel_tol=1e-8)
    assert math.isclose(1 - t_below_by_integration(t, 7, e.conf_low * root), tail, rel_tol=1e-8)


def test_d_is_t_over_the_root_and_shares_its_p() -> None:
    d, t = hedges_g(A, B, corrected=False), mean_difference(A, B, pooled=True)
    assert math.isclose(d.value * math.sqrt(20 / 9), t.value / t.std_error, rel_tol=1e-13)
    assert math.isclose(d.p_value, t.p_value, rel_tol=1e-12)
    assert (d.n, d.df) == (9, 7)


def test_correction_is_exact() -> None:
    """J of 7 degrees of freedom: Gamma(3.5) / (sqrt(3.5) Gamma(3)) = 15 sqrt(pi) / (16 sqrt(3.5))."""
    j = 15 * math.sqrt(math.pi) / 16 / math.sqrt(3.5)
    d, g = hedges_g(A, B, corrected=False), hedges_g(A, B)
    for name in ("value", "conf_low", "conf_high"):
        assert math.isclose(getattr(g, name), j * getattr(d, name), rel_tol=1e-12)


def test_the_pooling_of_studies_has_the_same_g() -> None:
    studies = effects_of_means([10], [2], [12], [9], [3], [15], "Hedges g")
    assert math.isclose(hedges_g_from_summary(10, 2, 12, 9, 3, 15).value, studies.values[0], rel_tol=1e-9)


def test_summary_numbers_and_arrays_agree() -> None:
    a, b = np.array(A), np.array(B)
    printed = hedges_g_from_summary(a.mean(), a.std(ddof=1), 5, b.mean(), b.std(ddof=1), 4)
    assert math.isclose(printed.conf_low, hedges_g(a, b).conf_low, rel_tol=1e-10)


def test_g_of_zero_is_symmetric() -> None:
    g = hedges_g([1, 2, 3], [1, 2, 3])
    assert g.value == 0
    assert math.isclose(g.conf_low, -g.conf_high, rel_tol=1e-10)


def test_swap_units_and_rows() -> None:
    first, second = hedges_g(A, B), hedges_g(B, A)
    assert math.isclose(first.conf_low, -second.conf_high, rel_tol=1e-10)
    scaled = hedges_g(np.multiply(A, 7.0) - 3, np.multiply(B, 7.0) - 3)
    assert math.isclose(first.conf_high, scaled.conf_high, rel_tol=1e-10)
    assert hedges_g(A[::-1], B[::-1]) == first
    assert hedges_g([*A, None], [np.nan, *B]).n_missing == 2


@pytest.mark.parametrize(
    ("a", "b", "reason"),
    [([1], [2, 3], "n too small"), ([], [], "n too small"), ([1, 1], [2, 2], "no variation")],
)
def test_no_effect_where_there_is_none(a: list[float], b: list[float], reason: str) -> None:
    for corrected in (True, False):
        e = hedges_g(a, b, corrected=corrected)
        assert not e.estimable
        assert reason in e.reason


def test_one_flat_group_is_allowed() -> None:
    assert math.isclose(hedges_g([1, 1, 1], [2, 3, 4], corrected=False).value, -2 / math.sqrt(2 / 4))


def test_an_effect_beyond_all_measure_has_no_limits() -> None:
    e = hedges_g([1e9, 1e9 + 1], [0, 1])
    assert e.value > 1e8
    assert e.conf_low is e.conf_high is None
    assert "noncentral" in e.reason
    assert 0 < e.p_value < 1e-9


def test_coverage_of_g() -> None:
    """700 samples of 5 and 9, difference of 1 SD: the limits of d hold it in 95 %, those of g nearly."""
    rng = np.random.default_rng(11)
    held, values = 0, []
    for _ in range(700):
        d = hedges_g(rng.normal(1, 1, 5), rng.normal(0, 1, 9), corrected=False)
        held += d.conf_low <= 1 <= d.conf_high
        values.append(d.value * math.exp(lgamma(6) - lgamma(5.5)) / math.sqrt(6))
    assert abs(held / 700 - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 700)
    assert abs(np.mean(values) - 1) < 3 * np.std(values) / math.sqrt(700)  # g is unbiased


@pytest.mark.parametrize(
    ("f", "df1", "df2"), [(4.10699109402, 2, 54), (12.0, 3, 9), (1.6, 4, 40), (80.0, 1, 20)]
)
@pytest.mark.parametrize("level", [0.9, 0.95])
def test_limits_of_the_share_solve_their_equations(f: float, df1: float, df2: float, level: float) -> None:
    e = partial_eta_squared(f, df1, df2, level=level)
    base, tail = df1 + df2 + 1, (1 - level) / 2
    high = e.conf_high * base / (1 - e.conf_high)
    assert math.isclose(1 - f_above_by_mixture(f, df1, df2, high), tail, rel_tol=1e-7)
    if e.conf_low > 0:
        low = e.conf_low * base / (1 - e.conf_low)
        assert math.isclose(f_above_by_mixture(f, df1, df2, low), tail, rel_tol=1e-7)
    else:
        assert e.p_value >= tail


@pytest.mark.parametrize(
    ("df", "nc", "t"), [(58, 5.1, -7.5), (200, 8.3, -4.1), (18, 8.5, -5.9), (2, 6.0, -40.0)]
)
def test_noncentral_t_where_signs_differ(df: float, nc: float, t: float) -> None:
    """The tail lies between that of the normal at s = 0 and 0; scipy gives NaN there."""
    below = noncentral_t_below(t, df, nc)
    assert 0 <= below < special.ndtr(-nc)
    assert math.isclose(noncentral_t_below(-t, df, -nc), 1 - below, rel_tol=1e-13)


def test_noncentral_t_and_f_against_scipy() -> None:
    rng = np.random.default_rng(1)
    for _ in range(300):
        df, nc = float(rng.choice([1, 2, 3.5, 7, 58, 1000])), rng.normal() * 10 ** rng.uniform(-1, 1.7)
        t = nc + 2 * rng.normal()
        expected = float(special.nctdtr(df, nc, t))
        if math.isfinite(expected):
            assert math.isclose(noncentral_t_below(t, df, nc), expected, abs_tol=1e-12)
        df1, nc = float(rng.integers(1, 8)), 10 ** rng.uniform(-2, 4)
        f = (df1 + nc) / df1 * 10 ** rng.normal(0, 0.4)
        expected = float(special.ncfdtr(df1, df, nc, f))
        assert math.isclose(noncentral_f_below(f, df1, df, nc), expected, abs_tol=1e-10)


def test_central_t_and_f() -> None:
    for t, df in ((1.3, 4), (-2.0, 1), (0.5, 400), (5000.0, 3)):
        assert math.isclose(noncentral_t_below(t, df, 0.0), special.stdtr(df, t), rel_tol=1e-13)
    assert math.isclose(noncentral_f_below(2.5, 3, 11, 0.0), special.fdtr(3, 11, 2.5), rel_tol=1e-13)
    assert noncentral_f_below(0.0, 3, 11, 4.0) == 0.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: noncentral_t_below(2e4, 3, 0), lambda: noncentral_t_below(1, 0, 0),
        lambda: noncentral_t_below(math.nan, 3, 0), lambda: noncentral_f_below(-1, 2, 3, 0),
        lambda: noncentral_f_below(1, 2, 3, 2e6), lambda: noncentral_f_below(1, 2, 0, 1),
    ],
)  # fmt: skip
def test_noncentral_out_of_range(call) -> None:
    with pytest.raises(EstimationError, match="noncentral"):
        call()


def test_limits_exist_wherever_t_lies() -> None:
    """Groups of 30 a little apart: the search passes where scipy's noncentral t is NaN."""
    rng = np.random.default_rng(3)
    for _ in range(200):
        e = hedges_g(rng.normal(1, 1, 30), rng.normal(0, 1, 30))
        assert e.conf_low < e.value < e.conf_high


def test_two_conventions_share_one_noncentrality() -> None:
    total, residual = (partial_eta_squared(6, 2, 30, over=over) for over in ("total", "residual"))
    assert total.value == residual.value == 12 / 42
    for name in ("conf_low", "conf_high"):
        a, b = getattr(total, name), getattr(residual, name)
        assert math.isclose(a / (1 - a) * 33, b / (1 - b) * 30, rel_tol=1e-9)


def test_share_is_that_of_the_one_way_table() -> None:
    groups = [[1, 2, 4, 4], [3, 5, 4, 7], [2, 9, 8, 8, 7]]
    test = one_way_anova(groups)
    eta = partial_eta_squared(test.f, test.df_between, test.df_within)
    omega = partial_omega_squared(test.f, test.df_between, test.df_within)
    assert math.isclose(eta.value, test.r_squared, rel_tol=1e-12)
    assert math.isclose(omega.value, test.omega_squared, rel_tol=1e-12)
    assert (omega.conf_low, omega.conf_high) == (eta.conf_low, eta.conf_high)
    assert math.isclose(eta.p_value, test.p_value, rel_tol=1e-12)
    assert eta.n == 13


def test_one_factor_of_two_groups_is_d() -> None:
    """The same noncentrality once as t and once as F, where the lower tail of the other side is nothing."""
    rng = np.random.default_rng(2)
    a, b = rng.normal(3, 1, 20), rng.normal(0, 1, 15)
    d, f = hedges_g(a, b, corrected=False), one_way_anova([a, b])
    share = partial_eta_squared(f.f, f.df_between, f.df_within)
    nc = (d.conf_high * math.sqrt(20 * 15 / 35)) ** 2
    assert math.isclose(share.conf_high, nc / (nc + 35), rel_tol=1e-6)


def test_a_small_f_has_a_lower_limit_of_zero_or_no_limits() -> None:
    assert partial_eta_squared(1.1, 2, 20).conf_low == 0.0
    tiny = partial_eta_squared(0.001, 2, 20)
    assert tiny.conf_low is tiny.conf_high is None
    assert "no effect" in tiny.reason
    assert partial_eta_squared(0, 2, 20).p_value == 1.0
    assert partial_omega_squared(0.5, 2, 20).value < 0


def test_a_huge_f_has_a_share_and_no_limits() -> None:
    e = partial_eta_squared(1e12, 2, 20)
    assert e.conf_low is e.conf_high is None
    assert "so large" in e.reason
    assert e.p_value > 0


@pytest.mark.parametrize(
    "call",
    [
        lambda: partial_eta_squared(-1, 2, 20), lambda: partial_eta_squared(math.inf, 2, 20),
        lambda: partial_eta_squared(1, 0, 20), lambda: partial_eta_squared(1, 2, 20, over="all"),
        lambda: partial_omega_squared(1, 2, 20, n=20), lambda: partial_eta_squared(1, 2, 20, level=1),
    ],
)  # fmt: skip
def test_what_is_no_f_is_refused(call) -> None:
    with pytest.raises(EstimationError):
        call()


def test_coverage_of_the_share() -> None:
    """700 tables of three groups of 8 with a population share of 0.2, L = 24 * 0.25."""
    rng = np.random.default_rng(12)
    means = np.array([-1.0, 0.0, 1.0]) * math.sqrt(0.25 * 1.5)
    y = rng.normal(means[:, None], 1.0, (700, 3, 8))
    f = stats.f_oneway(*y.transpose(1, 2, 0), axis=0).statistic
    held = 0
    for value in f:
        e = partial_eta_squared(float(value), 2, 21)
        held += e.conf_low is not None and e.conf_low <= 0.2 <= e.conf_high
    assert abs(held / 700 - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 700)
