"""Cumulative incidence: by hand, laws, degenerate cases."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.competing_times import competing_times
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence, incidence_difference
from outcomes.stats.survival.gray import gray_test
from outcomes.stats.survival.incidence_steps import (
    counting_process_variance,
    incidence_influence,
    incidence_steps,
)
from outcomes.stats.survival.subdistribution import fit_subdistribution

TIME = [1, 2, 2, 3, 3, 4, 5, 6, 6, 8]
EVENT = [1, 2, 1, 0, 1, 2, 0, 1, 0, 0]
GROUP = list("aabbababab")
AT = (2.5, 5.0)


def weighted(time, event, weight, at, cause):
    """Return the estimator with weights, written out step by step."""
    free, total = 1.0, 0.0
    for t in sorted(set(time)):
        if t > at:
            break
        risk = sum(w for x, w in zip(time, weight, strict=True) if x >= t)
        own = sum(w for x, e, w in zip(time, event, weight, strict=True) if x == t and e == cause)
        both = sum(w for x, e, w in zip(time, event, weight, strict=True) if x == t and e)
        total += free * own / risk
        free *= 1 - both / risk
    return total


def numbers(found):
    return [(r.cause, r.group, r.time, r.estimate.value, r.estimate.std_error) for r in found.rows]


def test_by_hand():
    """10 at risk: 1/10; then 9/10 x 1/9 of each cause; then, 7 at risk, 7/10 x 1/7."""
    found = cumulative_incidence(TIME, EVENT, at=[2, 3])
    assert math.isclose(found.at("1", "all", 2).value, 0.2, rel_tol=1e-12)
    assert math.isclose(found.at("2", "all", 2).value, 0.1, rel_tol=1e-12)
    assert math.isclose(found.at("1", "all", 3).value, 0.3, rel_tol=1e-12)
    assert [row.at_risk for row in found.rows if row.cause == "1"] == [9, 7]
    assert (found.n, found.n_missing) == (10, 0)


def test_without_censoring_the_error_is_binomial():
    """Exactly so for the jackknife; counting processes give S(t)^2 times the sum of 1 / (n - 1)^2."""
    time, event = [1, 2, 3, 4, 5, 6], [1, 2, 1, 2, 1, 1]
    e = cumulative_incidence(time, event, at=[3.5]).at("1", "all", 3.5)
    assert math.isclose(e.std_error**2, 2 / 6 * 4 / 6 / 6, rel_tol=1e-12)
    e = cumulative_incidence(time, [1] * 6, at=[3.5], error="counting process").at("1", "all", 3.5)
    assert math.isclose(e.std_error**2, 0.25 * (1 / 25 + 1 / 16 + 1 / 9), rel_tol=1e-12)


@pytest.mark.parametrize("cause", [1, 2])
@pytest.mark.parametrize("at", AT)
def test_influence_is_the_derivative_by_weight(cause, at):
    steps = incidence_steps(np.array(TIME, float), np.array(EVENT), 2)
    influence = incidence_influence(steps, np.array(TIME, float), np.array(EVENT), cause - 1, at)
    step = 1e-6
    for i, value in enumerate(influence):
        up, down = np.ones(10), np.ones(10)
        up[i] += step
        down[i] -= step
        slope = (weighted(TIME, EVENT, up, at, cause) - weighted(TIME, EVENT, down, at, cause)) / (2 * step)
        assert math.isclose(value, slope, abs_tol=1e-8)
    assert abs(influence.sum()) < 1e-12


def test_limits_are_symmetric_on_the_log_log_scale():
    e = cumulative_incidence(TIME, EVENT, at=[5], level=0.9).at("1", "all", 5)
    half = 1.6448536269514722 * e.std_error / (e.value * abs(math.log(e.value)))
    scale = [math.log(-math.log(x)) for x in (e.conf_high, e.value, e.conf_low)]
    assert math.isclose(scale[1] - scale[0], half, rel_tol=1e-9)
    assert math.isclose(scale[2] - scale[1], half, rel_tol=1e-9)
    assert 0 < e.conf_low < e.value < e.conf_high < 1


def test_causes_and_event_free_add_up_and_censored_causes_make_kaplan_meier():
    found = cumulative_incidence(TIME, EVENT, at=AT, groups=GROUP)
    for group in "ab":
        for t in AT:
            assert math.isclose(
                sum(found.at(cause, group, t).value for cause in ("event-free", "1", "2")), 1, rel_tol=1e-12
            )
    joined = cumulative_incidence(TIME, np.minimum(EVENT, 1), at=AT)
    both = cumulative_incidence(TIME, EVENT, at=AT)
    for t in AT:
        one, two = joined.at("event-free", "all", t), both.at("event-free", "all", t)
        assert math.isclose(one.value, two.value, rel_tol=1e-12)
        assert math.isclose(one.std_error, two.std_error, rel_tol=1e-12)


def test_row_order_changes_no_byte():
    order = np.random.default_rng(5).permutation(10)
    clusters = np.array([0, 1, 2, 0, 1, 2, 3, 4, 3, 4])
    shuffled = [np.asarray(x)[order] for x in (TIME, EVENT, GROUP)]
    assert numbers(cumulative_incidence(TIME, EVENT, at=AT, groups=GROUP, clusters=clusters)) == numbers(
        cumulative_incidence(shuffled[0], shuffled[1], at=AT, groups=shuffled[2], clusters=clusters[order])
    )


def test_unit_of_time_and_names_of_causes_change_nothing():
    one = cumulative_incidence(TIME, EVENT, at=AT)
    other = cumulative_incidence(
        np.array(TIME) * 0.25, np.array(["none", "plate", "death"])[EVENT], at=np.array(AT) * 0.25,
        censored="none", causes=["plate", "death"],
    )  # fmt: skip
    assert [r.estimate.value for r in one.rows] == [r.estimate.value for r in other.rows]
    assert other.causes == ("plate", "death")


def test_each_row_twice_in_one_cluster_changes_nothing():
    one = cumulative_incidence(TIME, EVENT, at=AT)
    two = cumulative_incidence(TIME * 2, EVENT * 2, at=AT, clusters=[*range(10)] * 2)
    for a, b in zip(one.rows, two.rows, strict=True):
        assert math.isclose(a.estimate.std_error, b.estimate.std_error, rel_tol=1e-12)
        assert b.at_risk == 2 * a.at_risk


def test_difference_is_the_difference_and_turns_with_the_groups():
    found = cumulative_incidence(TIME, EVENT, at=AT, groups=GROUP)
    made = incidence_difference(TIME, EVENT, GROUP, at=AT, cause=1, pairs=[("b", "a"), ("a", "b")])
    for j, t in enumerate(AT):
        a, b = found.at("1", "a", t), found.at("1", "b", t)
        forth, back = made.rows[j].estimate, made.rows[j + 2].estimate
        assert math.isclose(forth.value, b.value - a.value, abs_tol=1e-12)
        assert math.isclose(forth.std_error, math.hypot(a.std_error, b.std_error), rel_tol=1e-12)
        assert forth.contrast == f"1 at {t:g}: b minus a"
        assert (forth.value, forth.conf_low) == (-back.value, -back.conf_high)
        assert forth.p_value == back.p_value
        assert math.isclose(forth.conf_high - forth.value, 1.959963984540054 * forth.std_error, rel_tol=1e-12)


def test_wrists_of_one_patient_in_both_groups_are_paired():
    """Nobody censored: the error of the mean of within-patient differences, divided by n."""
    first, second = [1, 1, 0, 1, 0, 0], [1, 0, 0, 1, 1, 0]
    time = [1 if e else 2 for e in first + second]
    made = incidence_difference(
        time,
        first + second,
        ["x"] * 6 + ["y"] * 6,
        at=[1],
        cause=1,
        pairs=[("x", "y")],
        clusters=[*range(6)] * 2,
    ).rows[0]
    gap = np.subtract(first, second)
    assert math.isclose(made.estimate.std_error, np.std(gap) / math.sqrt(6), rel_tol=1e-12)


def test_no_answer_where_the_data_end():
    found = cumulative_incidence(TIME, EVENT, at=[9])
    assert not found.at("1", "all", 9).estimable
    assert "beyond the longest follow-up, 8" in found.at("1", "all", 9).reason
    everybody = cumulative_incidence([1, 2], [1, 2], at=[9]).at("1", "all", 9)
    assert everybody.value == 0.5
    assert (
        incidence_difference(TIME, EVENT, GROUP, at=[8], cause=1)
        .rows[0]
        .estimate.reason.startswith("a: follow")
    )


def test_shares_of_nobody_and_everybody_have_no_limits():
    found = cumulative_incidence(TIME, EVENT, at=[0.5, 6])
    for cause, value in (("1", 0.0), ("event-free", 1.0)):
        e = found.at(cause, "all", 0.5)
        assert (e.value, e.std_error, e.conf_low) == (value, None, None)
        assert e.reason
    alone = cumulative_incidence([3], [1], at=[3]).at("1", "all", 3)
    assert (alone.value, alone.conf_high) == (1.0, None)
    one_cluster = cumulative_incidence([1, 2], [1, 0], at=[1], clusters=["p", "p"]).at("1", "all", 1)
    assert (one_cluster.value, one_cluster.std_error, one_cluster.reason[:11]) == (0.5, None, "one cluster")


def test_everyone_censored_needs_declared_causes():
    with pytest.raises(EstimationError, match="everyone is censored"):
        cumulative_incidence([1, 2], [0, 0], at=[1])
    assert cumulative_incidence([1, 2], [0, 0], at=[1], causes=[1]).at("1", "all", 1).value == 0


def test_missing_rows_and_empty_groups_are_counted():
    groups = pd.Categorical(["a", "a", "a", None, "a"], categories=["a", "b"])
    found = cumulative_incidence([1, 2, np.nan, 1, 3], [1, 0, 1, 1, None], at=[1], groups=groups)
    assert (found.n, found.n_missing) == (2, 3)
    assert found.at("1", "b", 1).reason == "no cases"
    assert found.tidy()["n_missing"].tolist() == [3] * 4
    assert "b: no cases" in str(incidence_difference([1, 2], [1, 0], groups[:2], at=[1], cause=1))


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"time": [-1, 2]}, "negative_time"),
        ({"time": [np.inf, 2]}, "infinite"),
        ({"time": ["1", "2"]}, "not_numeric"),
        ({"time": [np.nan, np.nan]}, "no_rows"),
        ({"event": [1]}, "bad_shape"),
        ({"event": [1, 7], "causes": [1, 2]}, "unknown_label"),
        ({"groups": ["a"]}, "bad_shape"),
        ({"clusters": [1, None]}, "missing_cluster"),
        ({"at": []}, "bad_time"),
        ({"at": [-1]}, "bad_time"),
        ({"error": "greenwood"}, "bad_choice"),
        ({"error": "counting process", "clusters": [1, 2]}, "clusters_not_allowed"),
        ({"level": 1.5}, "bad_level"),
    ],
)
def test_refused(change, code):
    given = {"time": [1, 2], "event": [1, 0], "at": [1]} | change
    with pytest.raises(EstimationError) as refused:
        cumulative_incidence(given.pop("time"), given.pop("event"), **given)
    assert refused.value.code == code
    assert "7" not in str(refused.value)


def test_unknown_names_are_refused_with_what_there_is():
    with pytest.raises(EstimationError, match="allowed: event-free, 1, 2"):
        incidence_difference(TIME, EVENT, GROUP, at=[2], cause=3)
    with pytest.raises(EstimationError, match="causes: 1, 2; groups: all; times: 2"):
        cumulative_incidence(TIME, EVENT, at=[2]).at("3", "all", 2)
    with pytest.raises(EstimationError, match="out of a, b"):
        incidence_difference(TIME, EVENT, GROUP, at=[2], cause=1, pairs=[("a", "c")])


def test_tied_variance_by_hand():
    """Two of four at once, nobody else: S- = 1, 2 x (1 - 1/3) / 16."""
    steps = incidence_steps(np.array([1.0, 1, 2, 2]), np.array([1, 1, 0, 0]), 1)
    assert math.isclose(counting_process_variance(steps, 0, 1), 2 * (2 / 3) / 16, rel_tol=1e-12)


def test_sorted_input_says_where_rows_came_from():
    data = competing_times([3, 1, 2], [0, 1, 1], clusters=["q", "p", "q"])
    assert data.order.tolist() == [1, 2, 0]
    assert data.cluster.tolist() == [0, 1, 1]


def test_words():
    found = cumulative_incidence(TIME, EVENT, at=[5], groups=GROUP)
    assert str(found).split("\n")[1].startswith("1 in a at 5: 0.4 proportion (95 % CI")
    assert {
        "outcome",
        "group",
        "contrast",
        "estimate",
        "std_error",
        "conf_low",
        "conf_high",
        "p_value",
        "n",
    } <= set(found.tidy())


TIMES, TEXTS, SIDES = [1, 2, 3, 4], ["revision", "censored", "death", "censored"], list("abab")
READERS = [
    lambda event, **more: cumulative_incidence(TIMES, event, at=[2], **more),
    lambda event, **more: incidence_difference(TIMES, event, SIDES, at=[2], cause="revision", **more),
    lambda event, **more: gray_test(TIMES, event, SIDES, cause="revision", **more),
    lambda event, **more: fit_subdistribution(
        TIMES, event, [[1], [0], [1], [0]], names=["x"], cause="revision", **more
    ),
]


@pytest.mark.parametrize("read", READERS)
def test_text_events_need_the_word_for_censored(read):
    with pytest.raises(EstimationError, match="give censored="):
        read(TEXTS)
    with pytest.raises(EstimationError, match="give censored="):
        read(pd.Series(TEXTS, dtype="category"))
    with pytest.raises(EstimationError, match="a missing event is left out, not censored"):
        read(TEXTS, censored=None)
    with pytest.raises(EstimationError, match="a missing event is left out, not censored"):
        read([1, None, 2, 1], censored=float("nan"))


def test_times_given_as_events_are_noticed():
    times = np.arange(1.0, 31.0)
    with pytest.raises(EstimationError, match="are time and event swapped"):
        cumulative_incidence(np.ones(30), times, at=[1])
    declared = cumulative_incidence(times, times, at=[1], causes=times.tolist())
    assert len(declared.rows) == 31  # and event-free
