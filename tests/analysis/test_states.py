"""States by the declared rules, in their declared order."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.analysis.effects import AxisState, Effect
from outcomes.analysis.states import ANSWERS, effect_direction, effect_state, pairs_axis, reduction_axis
from outcomes.estimates import Estimate


def interval(low: float, high: float, level: float = 0.95) -> Estimate:
    return Estimate(value=(low + high) / 2, conf_low=low, conf_high=high, level=level)


def effect(state: str, direction: str = "better", estimand: str = "E2") -> Effect:
    return Effect(
        estimand=estimand, groups=("a", "b"), estimate=interval(0, 1), ordinary=interval(0, 1), state=state,
        direction=direction, population="all",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("wide", "narrow", "state"),
    [
        ((10.1, 20), (11, 19), "material"),
        ((-20, -10.1), (-19, -11), "material"),
        ((10, 20), (11, 19), "present"),  # touching the margin is not beyond it
        ((1, 9), (2, 8), "trivial"),
        ((-9, -1), (-8, -2), "trivial"),
        ((-5, 5), (-4, 4), "absent"),
        ((-12, 8), (-9.9, 7), "absent"),  # absent reads the 90 % interval against the margin
        ((-12, 8), (-10, 7), "undetermined"),  # touching the margin is not inside it
        ((1, 12), (2, 11), "present"),
        ((-12, 12), (-10.5, 10.5), "undetermined"),
        ((0, 5), (1, 4), "absent"),  # an interval that touches 0 includes it
    ],
)
def test_state_of_one_effect(wide, narrow, state):
    assert effect_state(interval(*wide), interval(*narrow, level=0.90), 10) == state


def test_without_margin_or_interval_nothing_is_determined():
    assert effect_state(interval(20, 30), interval(21, 29), None) == "undetermined"
    none = Estimate.not_estimable("no cases")
    assert effect_state(none, none, 10) == "undetermined"


@given(
    value=st.floats(-30, 30),
    half=st.floats(0.1, 30),
    scale=st.floats(0.01, 100),
    margin=st.floats(0.5, 20),
)
def test_change_of_unit_and_swap_of_groups_leave_the_state(value, half, scale, margin):
    def state(sign: float, factor: float) -> str:
        wide = sorted((sign * (value - half) * factor, sign * (value + half) * factor))
        narrow = sorted((sign * (value - 0.8 * half) * factor, sign * (value + 0.8 * half) * factor))
        return effect_state(interval(*wide), interval(*narrow, level=0.90), margin * factor)

    assert state(1, 1) == state(-1, 1)
    if abs(abs(value) - half) > 1e-6 and abs(abs(value) + 0.8 * half - margin) > 1e-6:
        assert state(1, 1) == state(1, scale)


def test_direction_follows_the_outcome():
    assert effect_direction(interval(1, 3), "higher") == "better"
    assert effect_direction(interval(1, 3), "lower") == "worse"
    assert effect_direction(interval(-1, 1), "lower") == ""


@pytest.mark.parametrize(
    ("states", "axis"),
    [
        (("trivial", "absent", "absent"), "does not count"),
        (("trivial", "undetermined"), "undetermined"),
        (("present", "undetermined"), "counts"),
        (("material", "absent"), "counts"),
        ((), "undetermined"),
    ],
)
def test_axis_of_pairs(states, axis):
    assert pairs_axis([effect(state) for state in states]) == axis


def test_reduction_axis_depends_on_the_strategy_when_interaction_is_material():
    absent = effect("absent", estimand="E1")
    assert reduction_axis(absent, [], [effect("material", estimand="E4")]) == ("counts", True)
    opposite = [effect("present", "better", "E1"), effect("material", "worse", "E1")]
    assert reduction_axis(absent, opposite, []) == ("counts", True)
    assert reduction_axis(absent, [], [effect("undetermined", estimand="E4")]) == ("does not count", False)
    assert reduction_axis(effect("present"), [], []) == ("counts", False)
    assert reduction_axis(effect("undetermined"), [], []) == ("undetermined", False)


def test_answer_table_is_complete():
    axis: tuple[AxisState, ...] = ("counts", "does not count", "undetermined")
    assert set(ANSWERS) == set(itertools.product(axis, axis))
    assert len(set(ANSWERS.values())) == 9
    assert ANSWERS["counts", "does not count"] == "reduction, not strategy"
    assert all(
        words.startswith("these data cannot tell") for key, words in ANSWERS.items() if "undetermined" in key
    )
