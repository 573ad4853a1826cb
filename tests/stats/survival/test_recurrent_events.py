"""Mean cumulative counts: by hand, laws, refusals; numbers of R in test_competing_cross_checks.py."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence
from outcomes.stats.survival.recurrent_events import mean_cumulative_count

END = [5, 6, 4, 7, 3, 8]
WHEN, WHOSE = [1, 3, 2, 4, 2], [0, 0, 1, 3, 3]
DIED = [1, 0, 1, 1, 0, 0]
GROUP = list("xxyyxy")


def test_by_hand_with_death():
    """1/6 + 2/6 + 1/6 by time 3; deaths at 4 and 5: at time 4 five alive share 1, at risk 5."""
    found = mean_cumulative_count(END, WHEN, WHOSE, at=[3, 4], died=DIED)
    assert math.isclose(found.rows[0].estimate.value, 4 / 6, rel_tol=1e-12)
    assert math.isclose(found.rows[1].estimate.value, 4 / 6 + 1 / 5, rel_tol=1e-12)
    late = mean_cumulative_count(END, [6, 7], [1, 3], at=[7], died=DIED)
    alive = (1 - 1 / 5) * (1 - 1 / 4)  # deaths at 4 of 5 and at 5 of 4
    assert math.isclose(late.rows[0].estimate.value, alive / 3 + alive / 2, rel_tol=1e-12)
    assert (found.n, found.n_events, found.n_deaths) == (6, 5, 3)


def test_everybody_followed_is_the_mean_and_its_error():
    found = mean_cumulative_count([9] * 4, [1, 2, 3, 3, 8], [0, 0, 0, 1, 2], at=[9]).rows[0].estimate
    counts = np.array([3, 1, 1, 0])
    assert math.isclose(found.value, counts.mean(), rel_tol=1e-12)
    assert math.isclose(found.std_error, counts.std() / 2, rel_tol=1e-12)
    half = math.log(found.conf_high / found.value)
    assert math.isclose(half, 1.959963984540054 * found.std_error / found.value, rel_tol=1e-12)
    assert math.isclose(found.value**2, found.conf_low * found.conf_high, rel_tol=1e-12)


def test_one_event_a_case_then_over_is_cumulative_incidence():
    """An event that ends follow-up, counted as a death as well, is a cause with competing deaths."""
    time, event = [1, 2, 2, 3, 5, 5, 6], [1, 2, 1, 0, 1, 2, 0]
    own = [i for i, e in enumerate(event) if e == 1]
    found = mean_cumulative_count(
        time, [time[i] for i in own], own, at=[2, 5], died=[int(e > 0) for e in event]
    )
    curve = cumulative_incidence(time, event, at=[2, 5])
    for row, t in zip(found.rows, (2, 5), strict=True):
        other = curve.at("1", "all", t)
        assert math.isclose(row.estimate.value, other.value, rel_tol=1e-12)
        assert math.isclose(row.estimate.std_error, other.std_error, rel_tol=1e-12)


def test_groups_and_difference():
    found = mean_cumulative_count(END, WHEN, WHOSE, at=[2.5], died=DIED, groups=GROUP)
    x, y = (row.estimate for row in found.rows)
    gap = found.differences[0].estimate
    assert gap.contrast == "events by 2.5: y minus x"
    assert math.isclose(gap.value, y.value - x.value, rel_tol=1e-12)
    assert math.isclose(gap.std_error, math.hypot(x.std_error, y.std_error), rel_tol=1e-12)
    back = mean_cumulative_count(
        END, WHEN, WHOSE, at=[2.5], died=DIED, groups=GROUP, pairs=[("x", "y")]
    ).differences[0]
    assert (back.estimate.value, back.estimate.conf_low) == (-gap.value, -gap.conf_high)
    assert back.at_risk == 6
    assert {"group", "time", "estimate", "std_error", "p_value", "n", "n_missing"} <= set(found.tidy())
    assert str(found).count("\n") == 2


def test_order_and_clusters():
    order = np.array([3, 0, 5, 1, 4, 2])
    place = np.argsort(order)
    one = mean_cumulative_count(END, WHEN, WHOSE, at=[4], died=DIED, groups=GROUP)
    two = mean_cumulative_count(
        np.array(END)[order], WHEN[::-1], place[WHOSE][::-1], at=[4], died=np.array(DIED)[order],
        groups=np.array(GROUP)[order],
    )  # fmt: skip
    assert [r.estimate for r in one.rows] == [r.estimate for r in two.rows]
    twice = mean_cumulative_count(
        END * 2, WHEN * 2, [*WHOSE, *(w + 6 for w in WHOSE)], at=[4], died=DIED * 2, clusters=[*range(6)] * 2
    )
    plain = mean_cumulative_count(END, WHEN, WHOSE, at=[4], died=DIED)
    assert math.isclose(twice.rows[0].estimate.std_error, plain.rows[0].estimate.std_error, rel_tol=1e-12)


def test_wrists_of_one_patient_in_both_groups_are_paired():
    """Everybody followed: the error of the mean of within-patient differences, divided by n."""
    first, second = [2, 1, 0, 3, 1, 0], [1, 1, 0, 2, 0, 1]
    number = [*first, *second]
    case = np.repeat(np.arange(12), number)
    when = np.concatenate([np.arange(1, k + 1) for k in number])
    found = mean_cumulative_count(
        [9] * 12,
        when,
        case,
        at=[5],
        groups=["x"] * 6 + ["y"] * 6,
        clusters=[*range(6)] * 2,
        pairs=[("x", "y")],
    ).differences[0]
    gap = np.subtract(first, second)
    assert math.isclose(found.estimate.value, gap.mean(), rel_tol=1e-12)
    assert math.isclose(found.estimate.std_error, gap.std() / math.sqrt(6), rel_tol=1e-12)


def test_no_answer_or_no_limits():
    beyond = mean_cumulative_count(END, WHEN, WHOSE, at=[9]).rows[0].estimate
    assert "beyond" in beyond.reason
    assert mean_cumulative_count([1, 2], [1], [0], at=[9], died=[1, 1]).rows[0].estimate.value == 0.5
    nothing = mean_cumulative_count(END, [], [], at=[2]).rows[0].estimate
    assert (nothing.value, nothing.conf_high, nothing.reason) == (0.0, None, "no event so far: no limits")
    alone = mean_cumulative_count([4], [1, 2], [0, 0], at=[3]).rows[0].estimate
    assert (alone.value, alone.std_error) == (2.0, None)


def test_missing_cases_are_counted():
    found = mean_cumulative_count([5, np.nan, 6], [1, 2], [0, 1], at=[3], groups=["a", "a", None])
    assert (found.n, found.n_missing, found.n_events) == (1, 2, 1)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"event_time": [6], "event_case": [0]}, "event_after_end"),
        ({"event_time": [1], "event_case": [6]}, "bad_case"),
        ({"event_time": [1, 2], "event_case": [0]}, "bad_case"),
        ({"event_time": [np.nan], "event_case": [0]}, "missing_time"),
        ({"died": [2] * 6}, "bad_flag"),
        ({"end": [np.nan] * 6}, "no_rows"),
        ({"at": []}, "bad_time"),
        ({"clusters": [None] * 6}, "missing_cluster"),
    ],
)
def test_refused(change, code):
    given = {"end": END, "event_time": WHEN, "event_case": WHOSE, "at": [2]} | change
    with pytest.raises(EstimationError) as refused:
        mean_cumulative_count(given.pop("end"), given.pop("event_time"), given.pop("event_case"), **given)
    assert refused.value.code == code
