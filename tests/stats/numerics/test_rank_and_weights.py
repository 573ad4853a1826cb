"""Rank report and effective sample size."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import EstimationError
from outcomes.stats.numerics.rank import rank_check
from outcomes.stats.numerics.weights import effective_size


def test_full_rank_in_awkward_units():
    # a birth year beside an intercept, a laboratory value in the millions and one in the millionths
    rng = np.random.default_rng(1)
    X = np.column_stack(
        [np.ones(50), 1950 + rng.integers(0, 3, 50), 1e6 + rng.normal(size=50), 1e-9 * rng.random(50)]
    )
    report = rank_check(X, ["intercept", "year", "big", "small"])
    assert (report.rank, report.culprits) == (4, ())
    assert str(report) == "all 4 columns can be told apart"


def test_all_dummies_and_an_intercept():
    k = np.arange(30) % 3
    X = np.column_stack([np.ones(30), k == 0, k == 1, k == 2, (k == 1) * 5.0]).astype(float)
    report = rank_check(X, ["intercept", "plate", "nail", "cast", "nail times five"])
    assert report.rank == 3
    assert report.culprits == ("cast", "nail times five")
    assert "cast is a combination of intercept, plate, nail" in report.explanations
    assert "nail times five is a combination of nail" in report.explanations


def test_fewer_rows_than_columns():
    assert rank_check(np.random.default_rng(2).normal(size=(2, 3)), list("abc")).culprits == ("c",)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.integers(1, 6), st.integers(0, 3))
def test_rank_and_culprits_of_made_up_designs(seed, independent, dependent):
    rng = np.random.default_rng(seed)
    base = rng.integers(-3, 4, size=(40, independent)).astype(float) + rng.normal(size=(40, independent))
    extra = base @ rng.integers(-2, 3, size=(independent, dependent)).astype(float)
    scales = 10.0 ** rng.integers(-6, 7, size=independent + dependent)
    names = [f"c{j}" for j in range(independent + dependent)]
    report = rank_check(np.hstack([base, extra]) * scales, names)
    assert report.rank == independent
    assert report.culprits == tuple(names[independent:])
    assert report.n_columns == report.rank + len(report.culprits)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(st.floats(0, 1e6), min_size=1, max_size=30).filter(lambda w: max(w) > 1e-3), st.floats(1e-6, 1e6)
)
def test_effective_size_bounds_and_scale(w, scale):
    n_eff = effective_size(w)
    assert 1 - 1e-12 <= n_eff <= sum(x > 0 for x in w) + 1e-9
    assert effective_size(np.array(w) * scale) == pytest.approx(n_eff, rel=1e-9)


def test_effective_size_by_hand():
    # two weights dominate: (1000 + 500 + 98)^2 / (1e6 + 25e4 + 98)
    w = [1000.0, 500.0] + [1.0] * 98
    assert effective_size(w) == pytest.approx(1598**2 / 1250098, rel=1e-14)
    assert effective_size([1e200, 1e200]) == 2.0
    for bad in ([-1, 2], [0, 0], [np.nan, 1], [np.inf, 1]):
        with pytest.raises(EstimationError, match="weights"):
            effective_size(bad)
