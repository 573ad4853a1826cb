"""The signed-rank test where it changes from exact to normal, and by counting all signs."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.groups.paired import (
    EXACT_BELOW,
    LARGEST_PAIRED,
    _is_exact,
    paired_mean_difference,
    signed_rank,
)


def test_exact_by_counting_all_signs() -> None:
    d = np.array([0.7, -1.1, 2.3, 3.1, -0.2, 4.6, 5.2])
    ranks = np.argsort(np.argsort(np.abs(d))) + 1.0
    middle, seen = ranks.sum() / 2, ranks[d > 0].sum()
    sums = [ranks[np.array(signs)].sum() for signs in product([True, False], repeat=7)]
    expected = np.mean([abs(s - middle) >= abs(seen - middle) for s in sums])
    e = signed_rank(d, np.zeros(7))
    assert e.p_value == pytest.approx(expected, rel=1e-12)
    means = sorted((d[i] + d[j]) / 2 for i in range(7) for j in range(i, 7))
    assert e.value == pytest.approx(np.median(means))
    back = signed_rank(np.zeros(7), d)
    assert (back.p_value, back.value) == (e.p_value, -e.value)
    assert (back.conf_low, back.conf_high) == (-e.conf_high, -e.conf_low)


def test_where_exact_ends() -> None:
    assert _is_exact(EXACT_BELOW - 1, False, "auto")
    assert not _is_exact(EXACT_BELOW, False, "auto")
    assert not _is_exact(5, True, "auto")
    assert not _is_exact(5, False, "normal")
    assert _is_exact(1000, False, "exact")
    with pytest.raises(EstimationError, match="too large for 1001") as caught:
        _is_exact(1001, False, "exact")
    assert caught.value.code == "exact_too_large"
    with pytest.raises(EstimationError, match="without ties and zeros"):
        _is_exact(5, True, "exact")


def test_normal_p_by_hand_with_ties() -> None:
    # differences -1, 1, 1, 2, 3: ranks 2, 2, 2, 4, 5; W = 13, mean 7.5, variance 13.75 - 24 / 48
    e = signed_rank([-1, 1, 1, 2, 3], [0] * 5, method="normal")
    z = (13 - 7.5 - 0.5) / np.sqrt(13.75 - 0.5)
    assert e.p_value == pytest.approx(2 * stats.norm.sf(z), rel=1e-12)
    assert "normal approximation with ties" in e.method


def test_more_differences_than_the_memory_takes() -> None:
    many = np.arange(1.0, LARGEST_PAIRED + 2)
    with pytest.raises(EstimationError, match=f"{LARGEST_PAIRED + 1} differences") as caught:
        signed_rank(many, np.zeros(len(many)))
    assert caught.value.code == "too_many"


def test_paired_means_in_any_unit() -> None:
    a, b = np.array([2.0, 4.0, 9.0, 5.0]), np.array([1.0, 2.0, 4.0, 6.0])
    plain = paired_mean_difference(a, b)
    for unit in (2.0**-60, 2.0**60):
        scaled = paired_mean_difference(unit * a, unit * b)
        assert (scaled.value, scaled.std_error) == (unit * plain.value, unit * plain.std_error)
        assert scaled.p_value == plain.p_value
        assert signed_rank(unit * a, unit * b).p_value == signed_rank(a, b).p_value
