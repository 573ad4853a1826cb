"""Number needed to treat: reciprocals, the interval through infinity, directions, refusals."""

from __future__ import annotations

import pytest

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.proportions.number_needed import number_needed
from outcomes.stats.proportions.risks import risk_difference
from outcomes.stats.proportions.score_intervals import score_difference, score_risk_ratio


def difference(value, low, high, unit="proportion", **more):
    return Estimate(value=value, conf_low=low, conf_high=high, unit=unit, n=100, contrast="a minus b", **more)


def stretches(found):
    return [(part.direction, part.low, part.high) for part in found.ranges]


def test_interval_on_one_side_of_zero_is_one_stretch():
    found = number_needed(difference(-0.1, -0.2, -0.05), better="lower")
    assert (found.value, found.direction) == (10.0, "benefit")
    assert stretches(found) == [("benefit", 5.0, 20.0)]
    assert str(found) == "a minus b: NNTB 10 (95 % CI NNTB 5 to 20; n = 100)"
    worse = number_needed(difference(-0.1, -0.2, -0.05), better="higher")
    assert stretches(worse) == [("harm", 5.0, 20.0)]
    assert worse.direction == "harm"


def test_percentage_points_are_hundredths():
    found = number_needed(difference(-10.0, -20.0, -5.0, unit="percentage points"), better="lower")
    assert (found.value, found.direction, stretches(found)) == (10.0, "benefit", [("benefit", 5.0, 20.0)])
    through = number_needed(difference(10.0, -5.0, 25.0, unit="percentage points"), better="higher")
    assert stretches(through) == [("benefit", 4.0, None), ("harm", 20.0, None)]


def test_interval_over_zero_runs_through_infinity():
    found = number_needed(difference(0.1, -0.05, 0.25), better="higher")
    assert stretches(found) == [("benefit", 4.0, None), ("harm", 20.0, None)]
    assert str(found) == "a minus b: NNTB 10 (95 % CI NNTB 4 to infinity to NNTH 20; n = 100)"
    assert list(found.tidy()["range"]) == ["benefit", "harm"]
    assert list(found.tidy()["conf_low"]) == [4.0, 20.0]
    assert found.tidy()["conf_high"].isna().all()


def test_altman_1998():
    """Altman's example (from memory): difference 0.0625, 95 % interval -0.0214 to 0.1464 -> NNTB 16, NNTH 46.7 to
    infinity to NNTB 6.8."""
    found = number_needed(difference(0.0625, -0.0214, 0.1464), better="higher")
    assert found.value == 16.0
    assert [(d, round(low, 1)) for d, low, _ in stretches(found)] == [("benefit", 6.8), ("harm", 46.7)]


def test_a_limit_of_zero_is_infinity():
    assert stretches(number_needed(difference(0.1, 0.0, 0.2), better="higher")) == [("benefit", 5.0, None)]
    assert stretches(number_needed(difference(-0.1, -0.2, 0.0), better="higher")) == [("harm", 5.0, None)]
    assert "NNTH 5 to infinity" in str(number_needed(difference(-0.1, -0.2, 0.0), better="higher"))


def test_no_difference_has_no_number_but_an_interval():
    found = number_needed(score_difference(0, 10, 0, 20), better="lower")
    assert (found.value, found.direction, found.reason) == (None, None, "the difference is 0")
    assert [part.high for part in found.ranges] == [None, None]
    assert "no number needed, the difference is 0 (95 % CI NNTB" in str(found)


def test_percentage_points_and_swapped_groups():
    one = number_needed(risk_difference(9, 43, 7, 42, unit="percentage points"), better="lower")
    two = number_needed(risk_difference(9, 43, 7, 42), better="lower")
    assert one.value == pytest.approx(two.value, rel=1e-12)
    swapped = number_needed(risk_difference(7, 42, 9, 43), better="lower")
    assert (two.direction, swapped.direction) == ("harm", "benefit")
    assert swapped.ranges[0].low == pytest.approx(two.ranges[1].low, rel=1e-12)
    assert one.ranges[0].low == pytest.approx(two.ranges[0].low, rel=1e-12)


def test_never_under_one():
    found = number_needed(score_difference(10, 10, 0, 20), better="higher")
    assert found.value == found.ranges[0].low == 1.0


def test_what_has_no_interval_says_why():
    nobody = number_needed(risk_difference(0, 0, 1, 5), better="lower")
    assert (nobody.value, nobody.ranges) == (None, ())
    assert "no patients in group 1" in str(nobody)
    assert nobody.tidy()["estimate"].isna().all()
    alone = number_needed(difference(0.1, None, None, reason="no spread"), better="higher")
    assert (alone.value, alone.reason) == (10.0, "no spread")
    unexplained = number_needed(difference(0.1, None, None), better="higher")
    assert unexplained.reason == "the difference has no interval"
    point = number_needed(difference(0.0, 0.0, 0.0), better="higher")
    assert point.ranges == ()


def test_refusals():
    with pytest.raises(EstimationError, match="risk difference"):
        number_needed(score_risk_ratio(1, 5, 2, 5), better="lower")
    with pytest.raises(EstimationError, match="one limit only"):
        number_needed(difference(0.1, 0.0, None), better="lower")
    with pytest.raises(EstimationError, match="'higher', 'lower'"):
        number_needed(difference(0.1, 0.0, 0.2), better="more")
