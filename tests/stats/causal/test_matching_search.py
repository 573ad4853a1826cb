"""The search for matches by itself: against all assignments, one after another, at the caliper and the largest table."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.causal import matching_search
from outcomes.stats.causal.matching_search import SLACK, greedy_matches, optimal_matches

ONE = np.zeros(40, dtype=np.int64)


def best_of_all(steps: np.ndarray, rows: np.ndarray, controls: np.ndarray, reach: float, ratio: int):
    """Most matches, then most cases with one, then the smallest sum, over all ways to deal out the controls."""
    slots = [(row, copy) for copy in range(ratio) for row in rows]
    best = (0, 0, 0.0)
    for chosen in permutations([*controls, *[-1] * len(slots)], len(slots)):
        made = [(row, c) for (row, _), c in zip(slots, chosen, strict=True) if c >= 0]
        gaps = [abs(steps[row] - steps[c]) for row, c in made]
        if all(gap <= reach for gap in gaps):
            best = min(best, (-len(made), -len({row for row, _ in made}), float(sum(gaps))))
    return best


@pytest.mark.parametrize("seed", range(12))
def test_optimal_with_two_controls_each_is_the_best_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    steps = rng.integers(0, 12, 5).astype(float)
    rows, controls, reach = np.array([0, 1]), np.array([2, 3, 4]), float(rng.integers(3, 12))
    pairs = optimal_matches(steps, ONE[:5], rows, controls, reach, 2)
    gaps = np.abs(steps[pairs[:, 0]] - steps[pairs[:, 1]])
    assert (gaps <= reach).all()
    found = (-len(pairs), -len(set(pairs[:, 0].tolist())), float(gaps.sum()))
    assert found == best_of_all(steps, rows, controls, reach, 2)
    assert len(set(pairs[:, 1].tolist())) == len(pairs)


def test_first_controls_go_before_second_ones_whatever_they_cost() -> None:
    # two controls beside the first case, far from the second: each case gets one
    pairs = optimal_matches(
        np.array([0.0, 1000.0, 1.0, 2.0]), ONE[:4], np.array([0, 1]), np.array([2, 3]), 1e9, 2
    )
    assert pairs.tolist() == [[0, 2], [1, 3]]


def test_one_match_more_outweighs_any_distance() -> None:
    # 0 could take the control at distance 1 and leave 3 alone; both are matched at 90 and 95 instead
    steps = np.array([0.0, 95.0, 1.0, -90.0])
    pairs = optimal_matches(steps, ONE[:4], np.array([0, 1]), np.array([2, 3]), 100.0, 1)
    assert pairs.tolist() == [[0, 3], [1, 2]]


def test_the_largest_table_is_taken_and_one_cell_more_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = np.arange(7.0)
    rows, controls = np.array([0, 1, 2]), np.array([3, 4, 5, 6])
    for ratio, cells in ((1, 12), (2, 24)):
        monkeypatch.setattr(matching_search, "LARGEST", cells)
        assert len(optimal_matches(steps, ONE[:7], rows, controls, 99.0, ratio)) == min(3 * ratio, 4)
        monkeypatch.setattr(matching_search, "LARGEST", cells - 1)
        with pytest.raises(EstimationError, match="3 treated cases times 4 controls") as caught:
            optimal_matches(steps, ONE[:7], rows, controls, 99.0, ratio)
        assert caught.value.code == "too_large"


def test_strata_are_searched_by_themselves() -> None:
    steps = np.array([0.0, 0.0, 5.0, 6.0, 0.0])
    strata = np.array([0, 1, 0, 1, 2])
    rows, controls = np.array([1, 0]), np.array([2, 3, 4])
    for search in (greedy_matches, optimal_matches):
        assert search(steps, strata, rows, controls, 9.0, 1).tolist() == [[1, 3], [0, 2]]
        assert search(steps, strata, rows, controls, 5.5, 1).tolist() == [[0, 2]]
        # a stratum without controls
        assert search(steps, strata, rows, controls[2:], 9.0, 1).shape == (0, 2)


def test_greedy_takes_the_nearest_at_the_caliper_and_ties_in_order() -> None:
    steps = np.array([10.0, 4.0, 15.0, 16.0 - SLACK / 4])
    rows = np.array([0])
    # 6 and 5 away: as good as equal, but only the second lies within reach; a distance equal to it is allowed
    assert greedy_matches(steps, ONE[:4], rows, np.array([1, 2]), 5.0, 1).tolist() == [[0, 2]]
    assert greedy_matches(steps, ONE[:4], rows, np.array([1]), 6.0, 1).tolist() == [[0, 1]]
    assert greedy_matches(steps, ONE[:4], rows, np.array([1]), 5.9, 1).shape == (0, 2)
    # within the slack the earlier control wins, beyond it the nearer
    steps = np.array([0.0, 100.0 + SLACK, 100.0, 100.0 + 2 * SLACK])
    assert greedy_matches(steps, ONE[:4], rows, np.array([1, 2]), 999.0, 1).tolist() == [[0, 1]]
    assert greedy_matches(steps, ONE[:4], rows, np.array([3, 2]), 999.0, 1).tolist() == [[0, 2]]


def test_greedy_with_replacement_takes_each_control_once_a_case() -> None:
    steps = np.array([0.0, 100.0, 10.0, 300.0])
    rows, controls = np.array([0, 1]), np.array([2, 3])
    again = greedy_matches(steps, ONE[:4], rows, controls, 999.0, 3, replacement=True)
    assert again.tolist() == [[0, 2], [1, 2], [0, 3], [1, 3]]
    once = greedy_matches(steps, ONE[:4], rows, controls, 999.0, 3)
    assert once.tolist() == [[0, 2], [1, 3]]
