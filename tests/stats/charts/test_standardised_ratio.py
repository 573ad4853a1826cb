"""Observed against expected: exact tails, laws, refusals; limits of R in test_chart_cross_checks.py."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.charts.standardised_ratio import (
    expected_from_strata,
    indirect_standardisation,
    observed_to_expected,
    poisson_limits,
)


@pytest.mark.parametrize("observed", [0, 1, 4, 30, 2000])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.998])
def test_limits_have_their_tails(observed, level):
    tail = (1 - level) / 2
    low, high = poisson_limits(observed, "exact", level)
    assert math.isclose(stats.poisson.cdf(observed, high), tail, rel_tol=1e-8)
    if observed:
        assert math.isclose(stats.poisson.sf(observed - 1, low), tail, rel_tol=1e-8)
    mid_low, mid_high = poisson_limits(observed, "mid-P", level)
    half = stats.poisson.pmf(observed, mid_high) / 2
    assert math.isclose(stats.poisson.cdf(observed, mid_high) - half, tail, rel_tol=1e-8)
    assert low <= mid_low <= observed <= mid_high < high
    byar = poisson_limits(observed, "Byar", level)
    assert byar[1] == pytest.approx(high, rel=0.03)
    assert byar[0] == pytest.approx(low, abs=0.02 * observed)


def test_byar_by_hand():
    """Ten observed: 10 (1 - 1/90 - z / (3 sqrt 10))^3 and 11 (1 - 1/99 + z / (3 sqrt 11))^3."""
    z = 1.959963984540054
    low, high = poisson_limits(10, "Byar")
    assert math.isclose(low, 10 * (1 - 1 / 90 - z / (3 * math.sqrt(10))) ** 3, rel_tol=1e-12)
    assert math.isclose(high, 11 * (1 - 1 / 99 + z / (3 * math.sqrt(11))) ** 3, rel_tol=1e-12)


def test_p_fits_the_limits():
    for limits in ("exact", "mid-P"):
        low, high = poisson_limits(7, limits)
        assert math.isclose(observed_to_expected(7, high, limits=limits).p_value, 0.05, rel_tol=1e-7)
        assert math.isclose(observed_to_expected(7, low, limits=limits).p_value, 0.05, rel_tol=1e-7)
    assert observed_to_expected(5, 5).p_value == 1.0
    assert 0 < observed_to_expected(4000, 5).p_value < 1e-300
    assert observed_to_expected(7, 2, limits="Byar").p_value == observed_to_expected(7, 2).p_value


def test_nothing_expected():
    assert observed_to_expected(0, 0).reason == "no event was expected"


def test_units_by_hand_with_missing_cases():
    event = [1, 0, 1, 1, 0, np.nan]
    expected = [0.2, 0.3, 0.5, 0.5, np.nan, 0.1]
    found = indirect_standardisation(event, expected, ["a", "a", "b", "b", "b", "a"])
    a, b = found.units
    assert (a.observed, a.expected, a.ratio.n, a.ratio.n_missing) == (1, 0.5, 2, 1)
    assert (b.observed, b.expected, b.ratio.value) == (2, 1.0, 2.0)
    assert found.overall_rate == 0.75
    assert b.rate.value == 1.5
    assert b.rate.conf_low == b.ratio.conf_low * 0.75
    assert "too few to judge" in a.caution
    assert b.caution == ""
    assert (found.n, found.n_missing) == (4, 2)
    assert found.tidy()["observed"].tolist() == [1, 2]
    assert "[fewer than 1 event" in str(found)


def test_expected_of_the_units_own_strata_is_the_observed():
    strata, event = ["x", "x", "y", "y", "y"], [1, 0, 1, 1, 0]
    expected = expected_from_strata(strata, [1, 2], [2, 3], levels=["x", "y"])
    found = indirect_standardisation(event, expected, ["all"] * 5)
    assert math.isclose(found.units[0].ratio.value, 1, rel_tol=1e-12)


def test_strata_without_reference_are_missing():
    made = expected_from_strata(["x", "y", None], [1, 0], [4, 0], levels=["x", "y"])
    assert made[0] == 0.25
    assert np.isnan(made[1:]).all()


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: observed_to_expected(1.5, 2), "bad_count"),
        (lambda: observed_to_expected(1, -2), "bad_expected"),
        (lambda: observed_to_expected(1, 2, limits="wald"), "bad_choice"),
        (lambda: indirect_standardisation([1], [1.5], ["a"]), "bad_value"),
        (lambda: indirect_standardisation([2], [0.5], ["a"]), "bad_value"),
        (lambda: indirect_standardisation([1], [0.5, 0.5], ["a"]), "bad_shape"),
        (lambda: expected_from_strata(["x"], [5], [4], levels=["x"]), "bad_shape"),
        (lambda: expected_from_strata(["q"], [1], [4], levels=["x"]), "unknown_label"),
    ],
)
def test_refused(call, code):
    with pytest.raises(EstimationError) as refused:
        call()
    assert refused.value.code == code
