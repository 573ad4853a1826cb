"""Gray's test: laws and degenerate cases; the numbers are checked in test_competing_cross_checks.py."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.gray import gray_test

RNG = np.random.default_rng(11)
TIME = RNG.integers(1, 12, 60)
EVENT = RNG.integers(0, 3, 60)
GROUP = np.array(list("abc"))[RNG.integers(0, 3, 60)]


def test_scores_by_hand():
    """Times 1 to 4, all events of one cause: a a b b. Expected of a: 2 of 4 at risk, then 1 of 3."""
    found = gray_test([1, 2, 3, 4], [1, 1, 1, 1], list("aabb"), cause=1)
    # one cause and nobody censored: (1 - F) / S is 1, so R is the number at risk
    assert math.isclose(found.score[0], 2 - (2 / 4 + 1 / 3), rel_tol=1e-12)
    assert math.isclose(sum(found.score), 0, abs_tol=1e-12)
    assert found.observed == (2.0, 2.0)


def test_competing_events_stay_at_risk():
    """After b's competing event at 1, b counts 2 / (2/3) = 3 at time 2, where a counts 1."""
    found = gray_test([1, 2, 3, 4], [2, 1, 1, 1], list("babb"), cause=1)
    # R at 2: a 1, b 2 / (2/3) = 3 of the three who were there; at 3 and 4 only b is at risk
    assert math.isclose(found.score[0], 1 - 1 / 4, rel_tol=1e-12)


def test_order_of_rows_groups_and_names_of_other_causes_change_nothing():
    plain = gray_test(TIME, EVENT, GROUP, cause=1)
    order = RNG.permutation(60)
    assert gray_test(TIME[order], EVENT[order], GROUP[order], cause=1).statistic == plain.statistic
    turned = gray_test(TIME, EVENT, np.array(list("zyx"))[np.searchsorted(list("abc"), GROUP)], cause=1)
    assert math.isclose(turned.statistic, plain.statistic, rel_tol=1e-10)
    split = np.where((EVENT == 2) & (TIME > 5), 3, EVENT)
    assert math.isclose(gray_test(TIME, split, GROUP, cause=1).statistic, plain.statistic, rel_tol=1e-10)
    assert plain.df == 2
    assert math.isclose(plain.p_value, math.exp(-plain.statistic / 2), rel_tol=1e-12)  # chi-squared with 2 df


def test_time_enters_by_its_order_only():
    one, other = gray_test(TIME, EVENT, GROUP, cause=2), gray_test(np.exp(TIME / 3), EVENT, GROUP, cause=2)
    assert one.statistic == other.statistic


def test_one_stratum_is_no_stratum_and_two_copies_double_the_statistic():
    plain = gray_test(TIME, EVENT, GROUP, cause=1)
    assert gray_test(TIME, EVENT, GROUP, cause=1, strata=["s"] * 60).statistic == plain.statistic
    both = gray_test(
        np.tile(TIME, 2), np.tile(EVENT, 2), np.tile(GROUP, 2), cause=1, strata=["s"] * 60 + ["t"] * 60
    )
    assert math.isclose(both.statistic, 2 * plain.statistic, rel_tol=1e-10)
    assert both.n_strata == 2


def test_a_group_without_events_counts_and_a_lone_group_does_not():
    late = gray_test([1, 2, 3, 4, 5, 9], [1, 1, 1, 1, 1, 1], list("aabbac"), cause=1)
    assert late.df == 2
    early = gray_test([1, 2, 3, 4, 5, 0.5], [1, 1, 1, 1, 1, 0], list("aabbac"), cause=1)
    assert early.df == 1
    assert early.statistic == gray_test([1, 2, 3, 4, 5], [1] * 5, list("aabba"), cause=1).statistic


@pytest.mark.parametrize(
    ("time", "event", "reason"),
    [
        ([1, 2, 3, 4], [0, 2, 0, 2], "no event of this cause"),
        ([1, 2, 9, 9], [0, 0, 1, 1], "no event while two"),
    ],
)
def test_no_test(time, event, reason):
    found = gray_test(time, event, list("aabb"), cause=1, causes=[1, 2])
    assert found.statistic is None
    assert reason in found.reason
    assert "no test" in str(found)
    assert found.tidy()["p_value"].isna().all()


def test_refused():
    with pytest.raises(EstimationError, match="fewer than two"):
        gray_test([1, 2], [1, 1], ["a", "a"], cause=1)
    with pytest.raises(EstimationError, match="allowed: 1"):
        gray_test([1, 2], [1, 1], ["a", "b"], cause=2)
    with pytest.raises(EstimationError, match="missing in 1 rows"):
        gray_test([1, 2], [1, 1], ["a", "b"], cause=1, strata=["s", None])
