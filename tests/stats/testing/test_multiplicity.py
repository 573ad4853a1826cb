"""Families of p: by definition (closed testing, step by step), laws, gaps."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.testing.multiplicity import (
    benjamini_hochberg,
    benjamini_yekutieli,
    bonferroni,
    hochberg,
    holm,
    hommel,
)

METHODS = (bonferroni, holm, hochberg, hommel, benjamini_hochberg, benjamini_yekutieli)
FAMILIES = [
    np.random.default_rng(seed).random(1 + seed % 6).round(2 + seed % 2) ** 2 for seed in range(40)
]  # fmt: skip


def simes(p):
    return min(len(p) * q / (i + 1) for i, q in enumerate(sorted(p)))


def closed(p, joint):
    """Adjusted p by the closure principle: the largest joint p of all subfamilies with the test in it."""
    every = range(len(p))
    subsets = [s for k in every for s in itertools.combinations(every, k + 1)]
    return [max(joint([p[j] for j in s]) for s in subsets if i in s) for i in every]


@pytest.mark.parametrize("p", FAMILIES, ids=range(40))
def test_hommel_is_the_closed_test_of_simes_and_holm_that_of_bonferroni(p):
    assert hommel(p) == pytest.approx([min(1.0, q) for q in closed(p, simes)], rel=1e-12)
    assert holm(p) == pytest.approx(
        [min(1.0, q) for q in closed(p, lambda part: len(part) * min(part))], rel=1e-12
    )


def test_step_up_by_hand():
    """Hochberg rejects the k smallest for the largest k with p(k) <= alpha / (m - k + 1); BH with k alpha / m."""
    rng, seen = np.random.default_rng(9), set()
    for _ in range(60):
        p = rng.random(int(rng.integers(1, 9))) ** 3
        m, ordered = len(p), sorted(p)
        for alpha in (0.01, 0.05, 0.2, 0.5):
            up = max((k for k in range(1, m + 1) if ordered[k - 1] <= alpha / (m - k + 1)), default=0)
            share = max((k for k in range(1, m + 1) if ordered[k - 1] <= k * alpha / m), default=0)
            assert sum(q <= alpha for q in hochberg(p)) == up
            assert sum(q <= alpha for q in benjamini_hochberg(p)) == share
            seen.add((up, share))
    assert len(seen) > 15


def test_order_of_strength():
    for p in FAMILIES:
        strict = [np.array(method(p)) for method in (bonferroni, holm, hochberg, hommel)]
        for weak, strong in itertools.pairwise(strict):
            assert (weak >= strong - 1e-15).all()
        assert (strict[-1] >= np.array(benjamini_hochberg(p)) - 1e-15).all()
        assert (np.array(benjamini_yekutieli(p)) >= np.array(benjamini_hochberg(p))).all()
        assert (strict[-1] >= p).all()


@pytest.mark.parametrize("method", METHODS)
def test_gaps_keep_their_place_and_do_not_count(method):
    p = [0.01, None, 0.04, math.nan, 0.03]
    found = method(p)
    assert [q is None for q in found] == [False, True, False, True, False]
    assert [q for q in found if q is not None] == list(method([0.01, 0.04, 0.03]))


@pytest.mark.parametrize("method", METHODS)
def test_order_ties_and_ends(method):
    p = [0.2, 0.01, 0.01, 0.7]
    found, turned = method(p), method(p[::-1])
    assert found == turned[::-1]
    assert found[1] == found[2]
    assert method([]) == ()
    assert method([None]) == (None,)
    assert method([0.3]) == (0.3,)
    assert method([0.0, 1.0])[1] == 1.0
    assert max(method([0.9, 0.8, 0.95])) <= 1


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("bad", [-0.1, 1.1, math.inf])
def test_refusals(method, bad):
    with pytest.raises(EstimationError, match="between 0 and 1"):
        method([0.1, bad])
