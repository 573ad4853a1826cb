"""Equivalence and non-inferiority: both ways of reading, refusals."""

from __future__ import annotations

import pytest

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate, Margin
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.proportions.risks import risk_difference, risk_ratio
from outcomes.stats.testing.equivalence import non_inferiority, tost
from outcomes.stats.testing.multiplicity import holm

A, B = [10.0, 12, 11, 13, 9, 10], [11.0, 12, 10, 12, 11, 10]


def margin(value: float, unit: str = "kg") -> Margin:
    return Margin(value=value, unit=unit, source="declared by the authors: a test")


@pytest.mark.parametrize("size", [0.2, 0.5, 1.0, 1.5, 2.0, 4.0])
def test_p_and_interval_say_the_same(size: float):
    answer = tost(mean_difference(A, B, unit="kg"), margin(size))
    assert answer.shown == (-size < answer.conf_low and answer.conf_high < size)
    assert answer.shown == (answer.p_value < 0.05)


def test_interval_is_the_ninety_percent_interval():
    answer = tost(mean_difference(A, B, unit="kg"), margin(2))
    ninety = mean_difference(A, B, unit="kg", level=0.9)
    assert answer.conf_low == pytest.approx(ninety.conf_low, rel=1e-12)
    assert answer.conf_high == pytest.approx(ninety.conf_high, rel=1e-12)


def test_shown_beyond_the_margin_is_not_equivalent():
    answer = tost(mean_difference([x + 9 for x in A], B, unit="kg"), margin(2))
    assert answer.shown is False
    assert answer.p_value > 0.99


def test_without_standard_error_the_level_must_fit():
    points = margin(30, "percentage points")
    with pytest.raises(EstimationError, match=r"level=0\.9"):
        tost(risk_difference(9, 43, 7, 42, unit="percentage points"), points)
    answer = tost(risk_difference(9, 43, 7, 42, 0.9, unit="percentage points"), points)
    assert answer.shown is True
    assert answer.p_value is None


def test_non_inferiority_reads_the_harmful_side():
    d = risk_difference(82, 100, 80, 100)
    assert non_inferiority(d, margin(0.1, "proportion"), better="higher").shown is True
    assert non_inferiority(d, margin(0.1, "proportion"), better="lower").shown is False
    with_p = non_inferiority(mean_difference(A, B, unit="kg"), margin(2), better="lower")
    assert with_p.p_lower is None
    assert with_p.shown == (with_p.conf_high < 2) == (with_p.p_upper < 0.025)


def test_a_limit_on_the_margin_is_not_within_it():
    touching = Estimate(value=0.5, conf_low=-1.0, conf_high=2.0, level=0.9, unit="kg")
    assert tost(touching, margin(2)).shown is False
    below = Estimate(value=-0.2, conf_low=-1.0, conf_high=0.6, level=0.9, unit="kg")
    assert tost(below, margin(1)).shown is False
    assert tost(below, margin(1.001)).shown is True
    assert tost(touching, margin(2.001)).shown is True
    assert non_inferiority(touching, margin(1), alpha=0.05, better="higher").shown is False
    assert non_inferiority(touching, margin(2), alpha=0.05, better="lower").shown is False


def test_one_limit_is_enough_for_its_own_side():
    half = Estimate(value=0.5, conf_low=None, conf_high=1.5, level=0.9, unit="kg", reason="no lower limit")
    assert tost(half, margin(2)).shown is None
    assert non_inferiority(half, margin(2), alpha=0.05, better="lower").shown is True
    assert non_inferiority(half, margin(2), alpha=0.05, better="higher").reason == "no lower limit"


def test_ratio_and_other_units_are_refused():
    with pytest.raises(EstimationError, match="never read against a margin"):
        tost(risk_ratio(9, 43, 7, 42), margin(1, "ratio"))
    with pytest.raises(EstimationError, match="give both in one unit"):
        tost(mean_difference(A, B, unit="kg"), margin(2, "lb"))


@pytest.mark.parametrize(
    "estimate",
    [Estimate.not_estimable("no patients", unit="kg"), mean_difference([1, 1], [1, 1], unit="kg")],
)
def test_no_estimate_no_answer(estimate):
    for answer in (tost(estimate, margin(2)), non_inferiority(estimate, margin(2), better="higher")):
        assert answer.shown is None
        assert answer.reason
        assert "not read" in str(answer)


def test_tidy_and_sentence():
    answer = tost(mean_difference(A, B, unit="kg"), margin(2))
    assert answer.tidy()["shown"][0]
    assert "90 % CI" in str(answer)
    assert "margin 2 kg" in str(answer)


def test_holm_keeps_gaps_order_and_limits():
    assert holm([]) == ()
    assert holm([None, float("nan")]) == (None, None)
    assert holm([0.04, None, 0.01]) == (0.04, None, 0.02)
    assert holm([0.9, 0.8]) == (1.0, 1.0)
    with pytest.raises(EstimationError, match="between 0 and 1"):
        holm([0.1, 1.2])
