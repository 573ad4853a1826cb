"""Joint claims: every part at its full level, what could not be read, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate, Margin
from outcomes.stats.proportions.risks import risk_difference
from outcomes.stats.testing.equivalence import non_inferiority, tost
from outcomes.stats.testing.intersection_union import intersection_union

MARGIN = Margin(value=2, unit="kg", source="declared by the authors: a test")


def pair(value, contrast="", error=1.0):
    return Estimate(
        value=value, conf_low=value - 2 * error, conf_high=value + 2 * error, std_error=error, unit="kg",
        contrast=contrast,
    )  # fmt: skip


def test_all_shown_and_the_largest_p():
    parts = [tost(pair(v, name, 0.5), MARGIN) for v, name in ((0.1, "a"), (0.9, "b"), (-0.3, "c"))]
    joint = intersection_union(parts)
    assert joint.shown is True
    assert (joint.p_value, joint.weakest) == (max(part.p_value for part in parts), "b")
    assert joint.p_value == pytest.approx(stats.norm.sf(1.1 / 0.5), rel=1e-9)
    assert (joint.n_parts, joint.n_shown, joint.n_not_shown, joint.n_unread) == (3, 3, 0, 0)
    assert len(joint.tidy()) == 3
    assert str(joint).startswith("joint claim shown (3 of 3 parts shown, p = 0.0139")


def test_one_failure_is_enough():
    joint = intersection_union([tost(pair(0.0, error=0.1), MARGIN), tost(pair(1.9), MARGIN)])
    assert joint.shown is False
    assert joint.n_not_shown == 1


def test_a_part_that_cannot_be_read_leaves_the_claim_open_unless_another_fails():
    lost = tost(Estimate.not_estimable("no cases", unit="kg", contrast="b minus c"), MARGIN)
    good, bad = tost(pair(0.0, error=0.1), MARGIN), tost(pair(1.9), MARGIN)
    joint = intersection_union([good, lost])
    assert (joint.shown, joint.p_value, joint.n_unread) == (None, None, 1)
    assert joint.reason == "could not be read: b minus c"
    assert "joint claim not read (could not be read: b minus c; 1 of 2" in str(joint)
    assert intersection_union([lost, bad]).shown is False


def test_intervals_without_p_are_read_too():
    margin = Margin(value=0.3, unit="proportion", source="declared by the authors: a test")
    parts = [non_inferiority(risk_difference(8, 50, 7, 50), margin, better="lower") for _ in range(2)]
    joint = intersection_union(parts)
    assert (joint.shown, joint.p_value, joint.weakest) == (True, None, "")


def test_level_holds_where_one_part_is_at_its_margin():
    """One pair exactly at the margin, the others at 0: claims in 5 % of 4,000 sets at most, plus three errors."""
    rng = np.random.default_rng(3)
    draws = rng.normal([2.0, 0.0, 0.0], 0.4, (4000, 3))
    claims = sum(
        all(abs(v) < 2 - stats.norm.ppf(0.95) * 0.4 for v in row) for row in draws
    )  # fmt: skip
    made = [intersection_union([tost(pair(v, error=0.4), MARGIN) for v in row]).shown for row in draws[:200]]
    assert made == [all(abs(v) < 2 - stats.norm.ppf(0.95) * 0.4 for v in row) for row in draws[:200]]
    assert claims / 4000 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 4000)


def test_refusals():
    with pytest.raises(EstimationError, match="at least one part"):
        intersection_union([])
    with pytest.raises(EstimationError, match="2 different alphas"):
        intersection_union([tost(pair(0.0), MARGIN), tost(pair(0.0), MARGIN, 0.025)])
