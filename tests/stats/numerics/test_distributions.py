"""Student's, noncentral and other distributions against closed forms and independent sums."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import integrate, special, stats

from outcomes.errors import EstimationError
from outcomes.stats.numerics.extended import refine_least_squares, two_product
from outcomes.stats.numerics.noncentral import noncentral_f_below, noncentral_t_below
from outcomes.stats.numerics.rank import full_rank_qr, rank_check
from outcomes.stats.numerics.student import t_quantile, t_two_sided_p
from outcomes.stats.numerics.studentised_range import studentised_range_p, studentised_range_quantile
from outcomes.stats.numerics.tolerance import end_factors, tolerance_factor

SIZES = [1e-4, 0.01, 0.3, 1.0, math.sqrt(2.0), 1.5, 12.0, 1e6]


@pytest.mark.parametrize("t", SIZES)
def test_two_sided_p_in_closed_form(t):
    for sign in (t, -t):
        assert t_two_sided_p(sign, 1) == pytest.approx(2 / math.pi * math.atan(1 / t), rel=1e-13)
        # 1 - t / root(2 + t^2) without cancellation
        root = math.sqrt(2 + t * t)
        assert t_two_sided_p(sign, 2) == pytest.approx(2 / (root * (root + t)), rel=1e-13)
        assert t_two_sided_p(sign, math.inf) == pytest.approx(math.erfc(t / math.sqrt(2)), rel=1e-13)


def test_two_sided_p_at_the_ends():
    assert t_two_sided_p(0.0, 7) == t_two_sided_p(0.0, math.inf) == 1.0
    # beyond what can be squared, the tail of one degree of freedom is still a number
    assert t_two_sided_p(1e150, 1) == pytest.approx(2 / math.pi * 1e-150, rel=1e-12)
    assert 0 < t_two_sided_p(-1e300, 1) <= 2 / math.pi * 1e-150 * 1.001


@pytest.mark.parametrize("p", [1e-12, 0.001, 0.025, 0.24, 0.4, 0.6, 0.76, 0.975, 0.9999])
def test_quantiles_in_closed_form(p):
    assert t_quantile(p, 1) == pytest.approx(-1 / math.tan(math.pi * p), rel=1e-11)
    assert t_quantile(p, 2) == pytest.approx((2 * p - 1) / math.sqrt(2 * p * (1 - p)), rel=1e-11)
    assert math.erfc(-float(t_quantile(p, math.inf)) / math.sqrt(2)) / 2 == pytest.approx(p, rel=1e-12)
    both = t_quantile([p, p], [1.0, math.inf])
    assert both.tolist() == [float(t_quantile(p, 1)), float(t_quantile(p, math.inf))]


def test_the_middle_quantile_is_0():
    assert float(t_quantile(0.5, 3)) == 0.0


@pytest.mark.parametrize(
    ("t", "df", "shift"), [(2.0, 3, 1.0), (-0.7, 9.5, 0.4), (25.0, 40, 22.0), (0.5, 1, -1.5)]
)
def test_noncentral_t_by_another_integral(t, df, shift):
    # over the density of chi with df degrees of freedom itself, not over its logarithm
    def part(x):
        log_density = (
            (df - 1) * math.log(x) - x * x / 2 - special.gammaln(df / 2) - (df / 2 - 1) * math.log(2)
        )
        return special.ndtr(t * x / math.sqrt(df) - shift) * math.exp(log_density)

    whole, _ = integrate.quad(part, 0, math.sqrt(df) + 12, epsabs=1e-14, epsrel=1e-13, limit=400)
    assert noncentral_t_below(t, df, shift) == pytest.approx(whole, abs=1e-11)


def test_noncentral_t_turns_about_0_and_is_refused_out_of_range():
    assert noncentral_t_below(1.3, 5, 0.0) == pytest.approx(1 - t_two_sided_p(1.3, 5) / 2, rel=1e-12)
    assert noncentral_t_below(1.3, 5, 0.8) == pytest.approx(1 - noncentral_t_below(-1.3, 5, -0.8), rel=1e-12)
    assert noncentral_t_below(1e4, 1, 0.0) == pytest.approx(1 - 1e-4 / math.pi, abs=1e-11)
    for wrong in ((1.0001e4, 3, 0.0), (-1.0001e4, 3, 0), (1, 0, 0), (math.nan, 3, 0), (1, 3, math.inf)):
        with pytest.raises(EstimationError, match="noncentral t needs"):
            noncentral_t_below(*wrong)


@pytest.mark.parametrize(
    ("f", "df1", "df2", "shift"), [(1.0, 2, 8, 3.0), (4.5, 3, 20, 10.0), (0.2, 5, 6, 0.5)]
)
def test_noncentral_f_is_a_mixture(f, df1, df2, shift):
    total = sum(
        math.exp(-shift / 2 + j * math.log(shift / 2) - math.lgamma(j + 1))
        * stats.f.cdf(f * df1 / (df1 + 2 * j), df1 + 2 * j, df2)
        for j in range(120)
    )
    assert noncentral_f_below(f, df1, df2, shift) == pytest.approx(total, rel=1e-11)


def test_noncentral_f_at_the_ends_and_out_of_range():
    assert noncentral_f_below(0.0, 3, 9, 2.0) == 0.0
    assert noncentral_f_below(1.7, 3, 9, 0.0) == pytest.approx(stats.f.cdf(1.7, 3, 9), rel=1e-12)
    # mean 1 + shift / df1 of the numerator, by the normal, where both are large
    assert noncentral_f_below(1e6 + 1, 1, 1e9, 1e6) == pytest.approx(0.5, abs=0.002)
    for wrong in (
        (-0.1, 3, 9, 1),
        (1, 0, 9, 1),
        (1, 3, 0, 1),
        (1, 3, 9, -1),
        (1, 3, 9, 1.1e6),
        (math.nan, 3, 9, 1),
    ):
        with pytest.raises(EstimationError, match="noncentral F needs"):
            noncentral_f_below(*wrong)


@pytest.mark.parametrize("df", [2.0, 5.0, 60.0, math.inf])
def test_range_of_two_is_root_2_times_t(df):
    for q in (0.5, 2.0, 3.6):
        assert studentised_range_p(q, 2, df) == pytest.approx(
            float(t_two_sided_p(q / math.sqrt(2), df)), rel=1e-10
        )
    assert studentised_range_quantile(0.9, 2, df) == pytest.approx(
        math.sqrt(2) * t_quantile(0.95, df), rel=1e-12
    )


@pytest.mark.parametrize(("groups", "df"), [(3, 4.0), (5, 27.0), (9, math.inf)])
def test_range_against_scipy(groups, df):
    for q in (0.7, 2.0, 4.5):
        wanted = stats.studentized_range.sf(q, groups, min(df, 1e12))
        assert studentised_range_p(q, groups, df) == pytest.approx(wanted, rel=1e-7)
    for level in (0.5, 0.95):
        q = studentised_range_quantile(level, groups, df)
        assert studentised_range_p(q, groups, df) == pytest.approx(1 - level, rel=1e-9)


def test_range_at_0_and_out_of_range():
    assert studentised_range_p(0.0, 4, 8.0) == 1.0
    for wrong in ((-0.1, 3, 5), (1, 1, 5), (1, 3, 0), (math.inf, 3, 5)):
        with pytest.raises(EstimationError, match="studentised range needs"):
            studentised_range_p(*wrong)


def test_tolerance_factors_need_two_values():
    for made in (lambda n: tolerance_factor(n, 0.9, 0.9), lambda n: end_factors(n, 1.0, 0.9)):
        made(2)
        with pytest.raises(EstimationError, match="2 or more"):
            made(1)


@pytest.mark.parametrize(("n", "coverage", "confidence"), [(2, 0.9, 0.8), (10, 0.95, 0.95), (40, 0.99, 0.5)])
def test_tolerance_factors_by_another_integral(n, coverage, confidence):
    k = tolerance_factor(n, coverage, confidence)

    def part(z):
        # the share within mean -/+ k SD is enough when the SD is, given how far the mean is off
        needed = (n - 1) * stats.ncx2.ppf(coverage, 1, z * z / n) / k**2
        return stats.norm.pdf(z) * stats.chi2.sf(needed, n - 1)

    held = 2 * integrate.quad(part, 0, 9, epsabs=1e-11, epsrel=1e-10)[0]
    assert held == pytest.approx(confidence, abs=1e-7)


def test_end_factors_are_where_the_noncentral_t_says():
    low, high = end_factors(12, 1.96, 0.9)
    root = math.sqrt(12)
    assert noncentral_t_below(low * root, 11, 1.96 * root) == pytest.approx(0.05, abs=1e-9)
    assert noncentral_t_below(high * root, 11, 1.96 * root) == pytest.approx(0.95, abs=1e-9)


def exact_least_squares(design, outcome):
    """Solve the normal equations in fractions."""
    rows = [[Fraction(float(v)) for v in row] for row in design]
    y, p = [Fraction(float(v)) for v in outcome], len(rows[0])
    a = [
        [sum(r[i] * r[j] for r in rows) for j in range(p)]
        + [sum(r[i] * v for r, v in zip(rows, y, strict=True))]
        for i in range(p)
    ]
    for i in range(p):
        a[i] = [value / a[i][i] for value in a[i]]
        for k in range(p):
            if k != i:
                a[k] = [u - a[k][i] * v for u, v in zip(a[k], a[i], strict=True)]
    return np.array([float(a[i][p]) for i in range(p)])


def test_refinement_gives_every_digit_where_columns_are_nearly_alike():
    rng = np.random.default_rng(3)
    x = np.round(rng.random(20), 3)
    design = np.column_stack(
        [np.ones(20), x, x**2, np.round(x**2, 7) + np.round(rng.random(20), 2) * 2.0**-24]
    )
    outcome = np.round(rng.normal(size=20) * 1e6, 1)
    length = np.sqrt((design**2).sum(axis=0))
    q, r = np.linalg.qr(design / length)
    t = np.linalg.solve(r, np.eye(4)) / length[:, None]
    start, exact = t @ (q.T @ outcome), exact_least_squares(design, outcome)
    assert np.abs(start / exact - 1).max() > 1e-11
    for from_where in (start, np.zeros(4)):
        refined = refine_least_squares(design, outcome, q, t, from_where)
        np.testing.assert_allclose(refined, exact, rtol=1e-14)


def test_products_lose_nothing():
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=200) * 1e3, rng.normal(size=200) / 7
    high, low = two_product(a, b)
    assert all(
        Fraction(float(x)) * Fraction(float(y)) == Fraction(float(h)) + Fraction(float(rest))
        for x, y, h, rest in zip(a, b, high, low, strict=True)
    )


def test_a_square_design_has_full_rank_and_a_wide_one_has_not():
    square = np.array([[2.0, 1.0], [1.0, 3.0]])
    q, t = full_rank_qr(square, ("a", "b"))
    np.testing.assert_allclose(square @ t, q, atol=1e-15)
    np.testing.assert_allclose(q.T @ q, np.eye(2), atol=1e-15)
    with pytest.raises(EstimationError, match=r"b is constant; drop or merge these columns \(3 rows\)"):
        full_rank_qr(np.ones((3, 2)) * [1.0, 2.0], ("a", "b"))
    with pytest.raises(EstimationError, match=r"\(2 rows\)"):
        full_rank_qr(np.array([[1.0, 0.0, 2.0], [0.0, 1.0, 1.0]]), ("a", "b", "c"))


def test_culprits_that_are_zero_or_constant_say_so():
    x = np.arange(5.0)
    report = rank_check(np.column_stack([np.ones(5), x, np.zeros(5), np.full(5, 3.0)]), list("abcd"))
    assert report.explanations == ("c is zero in every row", "d is constant")
    assert (report.rank, report.n_columns, report.culprits) == (2, 4, ("c", "d"))
    # what is left of the column beside the others, relative to its length, against the tolerance
    near = np.column_stack([np.ones(4), np.ones(4) + 1e-6 * np.array([1, -1, 1, -1])])
    assert rank_check(near, ["a", "b"], tolerance=0.9e-6).rank == 2
    assert rank_check(near, ["a", "b"], tolerance=1.1e-6).culprits == ("b",)
    # without a tolerance asked for, a part of 1e-10
    for part, rank in ((0.9e-10, 1), (1.2e-10, 2)):
        near[:, 1] = 1.0 + part * np.array([1, -1, 1, -1])
        assert rank_check(near, ["a", "b"]).rank == rank
