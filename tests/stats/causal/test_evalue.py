"""E-values: conversions, and the laws they obey; published examples stand in tests/check_values."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.errors import EstimationError
from outcomes.stats.causal.evalue import bias_factor, e_value

CLOSE = {"rel_tol": 1e-11}


@pytest.mark.parametrize("measure", ["odds ratio", "hazard ratio"])
def test_rare_outcomes_are_taken_as_risk_ratios(measure):
    rare, plain = e_value(1.7, 1.2, 2.4, measure=measure, rare=True), e_value(1.7, 1.2, 2.4)
    assert (rare.value, rare.limit) == (plain.value, plain.limit)
    assert e_value(1.7, 1.2, 2.4, measure=measure, rare=False).value < plain.value


def test_two_equal_associations_of_the_size_of_the_e_value_make_just_the_bias():
    for ratio in (1.01, 1.5, 3.9, 40.0):
        strength = e_value(ratio).value
        assert math.isclose(bias_factor(strength, strength), ratio, rel_tol=1e-12)


@given(st.floats(0.05, 20), st.floats(0.05, 20))
def test_swapping_the_groups_changes_nothing(ratio, target):
    for measure, rare in (("risk ratio", None), ("odds ratio", False), ("hazard ratio", False)):
        one = e_value(ratio, ratio / 1.3, ratio * 1.3, measure=measure, rare=rare, target=target)
        other = e_value(
            1 / ratio, 1 / (ratio * 1.3), 1.3 / ratio, measure=measure, rare=rare, target=1 / target
        )
        assert math.isclose(one.value, other.value, rel_tol=1e-6, abs_tol=1e-6)
        assert math.isclose(one.limit, other.limit, rel_tol=1e-6, abs_tol=1e-6)
        assert one.value >= one.limit >= 1


@given(st.floats(0.3, 3), st.floats(0.5, 2), st.floats(0.2, 5))
def test_a_risk_ratio_and_its_target_in_other_units_need_the_same_bias(ratio, target, scale):
    one, other = e_value(ratio, target=target), e_value(ratio * scale, target=target * scale)
    assert math.isclose(one.value, other.value, rel_tol=1e-6)


def test_an_interval_that_holds_the_target_needs_nothing():
    assert e_value(1.4, 0.9, 2.2).limit == 1.0
    assert e_value(1.4, 1.0, 2.2).limit == 1.0
    assert e_value(1.4, 1.1, 2.2, target=1.5).limit == 1.0
    assert e_value(1.0, 0.8, 1.2).value == 1.0
    assert e_value(1.4).limit is None


def test_bias_needed_to_reach_a_margin():
    """A ratio of 1.1 that would have to be 1.5: 1.5 / 1.1 of bias; the limit nearest is the upper one."""
    found = e_value(1.1, 0.9, 1.3, target=1.5)
    assert math.isclose(found.bias, 1.5 / 1.1, rel_tol=1e-12)
    assert math.isclose(found.bias_limit, 1.5 / 1.3, rel_tol=1e-12)


def test_risk_difference_through_its_risks():
    """Risks 0.30 and 0.20, limits 0.25 and 0.35 of the first: ratios 1.5 and 1.25."""
    found = e_value(0.10, 0.05, 0.15, measure="risk difference", reference_risk=0.2)
    assert math.isclose(found.value, e_value(1.5).value, rel_tol=1e-12)
    assert math.isclose(found.limit, e_value(1.25).value, rel_tol=1e-12)
    other = e_value(-0.10, -0.15, -0.05, measure="risk difference", reference_risk=0.3)
    assert math.isclose(other.value, found.value, rel_tol=1e-12)


def least_bias(p1, p0, target, share):
    """Smallest B on a fine grid at which (p1 - B p0)(f + (1 - f) / B) is at most the target."""
    low, high = 1.0, 1e4
    for _ in range(200):
        middle = math.sqrt(low * high)
        reached = (p1 - middle * p0) * (share + (1 - share) / middle) <= target
        low, high = (low, middle) if reached else (middle, high)
    return high


@pytest.mark.parametrize(("p1", "p0", "target"), [(0.3, 0.1, 0.05), (0.3, 0.1, -0.02), (0.6, 0.2, 0.1)])
def test_no_other_population_could_be_moved_by_less_bias(p1, p0, target):
    """Ding and VanderWeele's bound searched for every share of exposed; then with the groups swapped."""
    bias = e_value(p1 - p0, measure="risk difference", reference_risk=p0, target=target).bias
    searched = [least_bias(p1, p0, target, share / 10) for share in range(11)]
    assert math.isclose(min(searched), bias, rel_tol=1e-9)
    swapped = e_value(p0 - p1, measure="risk difference", reference_risk=p1, target=-target).bias
    assert math.isclose(swapped, bias, rel_tol=1e-12)


def test_what_is_not_estimable_says_why():
    gone = e_value(-0.3, measure="risk difference", reference_risk=0.2)
    assert gone.value is None
    assert "not estimable (reference risk plus difference leaves" in str(gone)
    partly = e_value(0.5, 0.4, 0.9, measure="standardised difference", target=-900.0)
    assert partly.value is None
    assert "beyond" in partly.reason
    assert e_value(-0.15, -0.9, -0.05, measure="risk difference", reference_risk=0.2).limit > 1


@pytest.mark.parametrize(
    ("arguments", "options", "code", "culprit"),
    [
        ((0.0,), {}, "bad_estimate", "value"),
        ((math.nan,), {}, "bad_estimate", "value"),
        ((2.0, -1.0, 3.0), {}, "bad_estimate", "conf_low"),
        ((2.0, 2.5, 3.0), {}, "bad_limits", "enclose"),
        ((2.0,), {"target": 0.0}, "bad_estimate", "target"),
        ((2.0,), {"measure": "odds ratio"}, "missing_argument", "rare"),
        ((0.1,), {"measure": "risk difference"}, "missing_argument", "reference_risk"),
        ((0.1,), {"measure": "risk difference", "reference_risk": 0.0}, "missing_argument", "reference_risk"),
        ((2.0,), {"std_error": 0.1}, "bad_argument", "std_error"),
        ((2.0,), {"measure": "rate ratio"}, "bad_choice", "hazard ratio"),
    ],
)
def test_refused(arguments, options, code, culprit):
    with pytest.raises(EstimationError, match=culprit) as error:
        e_value(*arguments, **options)
    assert error.value.code == code


def test_bias_factor_refuses_a_protective_ratio():
    for pair in itertools.permutations((0.5, 2.0)):
        with pytest.raises(EstimationError, match="invert"):
            bias_factor(*pair)


def test_table_and_sentence():
    found = e_value(2.0, 1.25, 3.2, contrast="met over not met")
    row = found.tidy().iloc[0]
    assert (row["estimate"], row["e_value_limit"]) == (found.value, found.limit)
    assert str(found).startswith(
        "met over not met: E-value to move the risk ratio to 1: 3.41; for the limit 1.81"
    )
