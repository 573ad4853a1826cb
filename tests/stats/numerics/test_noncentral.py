"""Noncentral t and F: against their integrals by definition, closed forms and one another."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from outcomes.errors import EstimationError
from outcomes.stats.numerics.noncentral import (
    LARGEST_NONCENTRALITY,
    LARGEST_T,
    noncentral_f_below,
    noncentral_t_below,
)


def by_definition(t: float, df: float, noncentrality: float) -> float:
    """The mean of Phi(t s - noncentrality) over s, root of a chi-squared over its degrees of freedom."""

    def part(u: float) -> float:
        return float(stats.chi2.pdf(u, df) * special.ndtr(t * math.sqrt(u / df) - noncentrality))

    ends = [float(stats.chi2.ppf(p, df)) for p in (1e-16, 0.01, 0.5, 0.99)] + [
        float(stats.chi2.isf(1e-16, df))
    ]
    return math.fsum(
        integrate.quad(part, a, b, epsabs=1e-15, epsrel=1e-13, limit=400)[0]
        for a, b in itertools.pairwise(ends)
    )


@pytest.mark.parametrize(
    ("t", "df", "noncentrality"),
    [
        (2.0, 4, 1.0),
        (-1.5, 3, 0.5),
        (0.3, 12.5, -2.0),
        (5.0, 58, 5.1),
        (30.0, 6, 25.0),
        (1.0, 200, 0.0),
        (-2, 5, -3),
    ],
)
def test_t_is_the_mean_of_normal_areas(t, df, noncentrality):
    assert noncentral_t_below(t, df, noncentrality) == pytest.approx(
        by_definition(t, df, noncentrality), abs=2e-14
    )


@pytest.mark.parametrize("df", [0.5, 1, 2, 7.3, 100, 1e5])
def test_t_without_noncentrality_is_students(df):
    for t in (-40.0, -1.2, 0.0, 0.7, 9.0):
        assert noncentral_t_below(t, df, 0.0) == pytest.approx(float(special.stdtr(df, t)), abs=2e-14)


def test_t_is_summed_out_to_the_last_t_allowed():
    for t in (-3.0, 0.2, 1.0):
        assert noncentral_t_below(t, 1, 0.0) == pytest.approx(0.5 + math.atan(t) / math.pi, abs=1e-13)
    # so far out the normal hardly spreads: T <= t is that the root of chi-squared / 6 is above 2
    expected = float(special.chdtrc(6, 24.0))
    assert noncentral_t_below(LARGEST_T, 6, 2 * LARGEST_T) == pytest.approx(expected, rel=1e-4)
    assert noncentral_t_below(-LARGEST_T, 6, -2 * LARGEST_T) == pytest.approx(1 - expected, rel=1e-6)


def test_t_of_opposite_signs_has_a_tail_and_no_nan():
    value = noncentral_t_below(-7.5, 58, 5.1)
    assert 0.0 < value < 1e-16
    # the other tail of the mirror image, where nothing cancels
    assert noncentral_t_below(7.5, 58, -5.1) == 1.0
    assert noncentral_t_below(-2.0, 6, 1.5) == pytest.approx(
        1.0 - noncentral_t_below(2.0, 6, -1.5), abs=1e-14
    )


@pytest.mark.parametrize(("df2", "noncentrality"), [(3, 0.5), (10, 4.0), (40, 30.0), (25, 1500.0), (60, 2e4)])
def test_f_on_one_degree_of_freedom_is_the_square_of_t(df2, noncentrality):
    root = math.sqrt(noncentrality)
    for t in (0.2, root * 0.8, root, root * 1.3 + 1):
        both = noncentral_t_below(t, df2, root) - noncentral_t_below(-t, df2, root)
        assert noncentral_f_below(t * t, 1, df2, noncentrality) == pytest.approx(both, abs=1e-12)


def test_f_by_definition_for_other_degrees_of_freedom():
    for f, df1, df2, noncentrality in ((2.5, 3, 11, 4.0), (0.4, 6, 5, 1.0), (12.0, 2, 30, 18.0)):
        # over the chi-squared of the denominator
        value = integrate.quad(
            lambda u, f=f, df1=df1, df2=df2, nc=noncentrality: stats.chi2.pdf(u, df2)
            * stats.ncx2.cdf(f * df1 * u / df2, df1, nc),
            0, df2 + 40 * math.sqrt(df2), epsabs=1e-13, limit=400,
        )[0]  # fmt: skip
        assert noncentral_f_below(f, df1, df2, noncentrality) == pytest.approx(value, abs=1e-10)


def test_f_without_noncentrality_is_fishers_and_at_the_ends():
    for f, df1, df2 in ((0.0, 3, 4), (0.5, 3, 4), (2.0, 7.5, 20), (1.0, 1, 1)):
        assert noncentral_f_below(f, df1, df2, 0.0) == pytest.approx(stats.f.cdf(f, df1, df2), abs=1e-13)
    # at the largest noncentrality the ratio lies at 1 + noncentrality / df1, spread by the denominator
    middle = 1.0 + LARGEST_NONCENTRALITY / 4
    below = noncentral_f_below(middle * 0.9, 4, 1e4, LARGEST_NONCENTRALITY)
    above = noncentral_f_below(middle * 1.1, 4, 1e4, LARGEST_NONCENTRALITY)
    assert below < 1e-9
    assert above > 1 - 1e-9
    assert noncentral_f_below(middle, 4, 1e4, LARGEST_NONCENTRALITY) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(
    ("t", "df", "noncentrality"),
    [(math.nan, 3, 0), (math.inf, 3, 0), (1, 3, math.inf), (1, 3, math.nan), (1, 0, 0), (1, -2, 0),
     (np.nextafter(LARGEST_T, math.inf), 3, 0), (-2 * LARGEST_T, 3, 0)],
)  # fmt: skip
def test_t_refuses_what_it_cannot_sum(t, df, noncentrality):
    with pytest.raises(EstimationError, match="noncentral t needs") as caught:
        noncentral_t_below(t, df, noncentrality)
    assert caught.value.code == "bad_noncentral"


@pytest.mark.parametrize(
    ("f", "df1", "df2", "noncentrality"),
    [(-1e-9, 2, 3, 0), (1, 0, 3, 0), (1, 2, 0, 0), (1, 2, 3, -1e-9), (1, 2, 3, LARGEST_NONCENTRALITY + 1),
     (math.nan, 2, 3, 0), (1, math.inf, 3, 0), (1, 2, math.inf, 0), (1, 2, 3, math.nan)],
)  # fmt: skip
def test_f_refuses_what_it_cannot_sum(f, df1, df2, noncentrality):
    with pytest.raises(EstimationError, match="noncentral F needs") as caught:
        noncentral_f_below(f, df1, df2, noncentrality)
    assert caught.value.code == "bad_noncentral"
