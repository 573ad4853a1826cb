"""The studentised range: closed forms for two groups, the integral by its definition, ends and refusals."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from outcomes.errors import EstimationError
from outcomes.stats.numerics.inputs import SMALLEST_P
from outcomes.stats.numerics.studentised_range import studentised_range_p, studentised_range_quantile


def range_tail(w: float, k: int) -> float:
    """The chance that the range of k standard normals exceeds w, by its definition."""
    below = integrate.quad(
        lambda z: k * stats.norm.pdf(z) * (special.ndtr(z) - special.ndtr(z - w)) ** (k - 1),
        -9, 9 + w, epsabs=1e-14, epsrel=1e-13, limit=400,
    )[0]  # fmt: skip
    return 1.0 - below


@pytest.mark.parametrize("df", [1, 2.5, 8, 60, 5000])
def test_two_groups_are_the_t_distribution(df):
    for q in (1e-6, 0.5, 1.7, 4.0, 12.0, 35.0):
        expected = 2 * float(special.stdtr(df, -q / math.sqrt(2)))
        assert studentised_range_p(q, 2, df) == pytest.approx(expected, rel=1e-9)
    for level in (0.5, 0.9, 0.999):
        expected = math.sqrt(2) * stats.t.ppf(0.5 + level / 2, df)
        assert studentised_range_quantile(level, 2, df) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("k", [3, 5, 12])
def test_a_known_standard_deviation_leaves_the_range_of_normals(k):
    for q in (0.3, 1.5, 3.6, 5.0):
        assert studentised_range_p(q, k, math.inf) == pytest.approx(range_tail(q, k), abs=2e-13)
    assert studentised_range_p(4.0, k, 1e7) == pytest.approx(studentised_range_p(4.0, k, math.inf), rel=1e-5)


@pytest.mark.parametrize(("k", "df"), [(3, 4), (4, 10.5), (7, 30)])
def test_p_is_the_mean_of_range_tails_over_the_standard_deviation(k, df):
    # both integrals by Gauss's rule, over the variance and over the smallest of the normals
    z, weight_z = np.polynomial.legendre.leggauss(160)
    u, weight_u = np.polynomial.legendre.leggauss(300)
    end = df + 25 * math.sqrt(df) + 40
    u, weight_u = end * (u + 1) / 2, weight_u * end / 2
    z, weight_z = 9 * z, 9 * weight_z
    width = 3.2 * np.sqrt(u / df)
    inside = special.ndtr(z + width[:, None]) - special.ndtr(z)
    tails = 1.0 - (k * stats.norm.pdf(z) * inside ** (k - 1)) @ weight_z
    expected = (stats.chi2.pdf(u, df) * tails) @ weight_u
    assert studentised_range_p(3.2, k, df) == pytest.approx(expected, rel=1e-9)


def test_small_tails_keep_their_digits():
    # far out the tail is that of one of the k (k - 1) / 2 pairs, twice counted nowhere
    for k in (3, 6):
        pairs = k * (k - 1) / 2
        ratio = studentised_range_p(30.0, k, 1e6) / studentised_range_p(30.0, 2, 1e6) / pairs
        assert ratio == pytest.approx(1.0, rel=1e-6)
    assert studentised_range_p(30.0, 2, math.inf) == pytest.approx(
        2 * float(special.ndtr(-30 / math.sqrt(2))), rel=1e-9
    )
    # wider than any double holds: the smallest that is printed, for either kind of error
    assert studentised_range_p(200.0, 4, math.inf) == SMALLEST_P
    assert studentised_range_p(1e9, 4, 200) == SMALLEST_P


def test_the_quantile_is_where_the_tail_says():
    for k, df, level in ((3, 2, 0.95), (5, 17.5, 0.5), (10, 200, 0.999), (4, 1, 0.9), (40, 12, 0.99)):
        q = studentised_range_quantile(level, k, df)
        assert studentised_range_p(q, k, df) == pytest.approx(1 - level, rel=1e-9)
    # printed tables of Pearson and Hartley: 3.88 (3, 10), 4.23 (5, 20), 26.98 (3, 1)
    for k, df, printed in ((3, 10, 3.88), (5, 20, 4.23), (3, 1, 26.98)):
        assert studentised_range_quantile(0.95, k, df) == pytest.approx(printed, abs=0.006)


def test_ends_and_order():
    assert studentised_range_p(0.0, 3, 5) == 1.0
    assert studentised_range_p(1e-9, 3, 5) == pytest.approx(1.0, abs=1e-12)
    assert studentised_range_p(1e-9, 3, 5) <= 1.0
    grid = [studentised_range_p(q, 4, 9) for q in np.linspace(0.1, 20, 25)]
    assert all(a > b for a, b in itertools.pairwise(grid))
    assert studentised_range_p(3, 5, 9) > studentised_range_p(3, 4, 9) > studentised_range_p(3, 4, 10)


@pytest.mark.parametrize(
    ("q", "k", "df"), [(-1e-9, 3, 5), (math.nan, 3, 5), (math.inf, 3, 5), (2, 1, 5), (2, 3, 0)]
)
def test_refusals(q, k, df):
    with pytest.raises(EstimationError, match="studentised range needs") as caught:
        studentised_range_p(q, k, df)
    assert caught.value.code == "bad_range"


def test_levels_outside_0_to_1_are_refused():
    for level in (0.0, 1.0, 95):
        with pytest.raises(EstimationError, match="between 0 and 1"):
            studentised_range_quantile(level, 3, 5)
