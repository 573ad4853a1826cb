"""Turnbull's curve: conditions of the maximum, hand cases, Kaplan-Meier as a special case, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize

from outcomes.errors import EstimationError
from outcomes.stats.resampling.bootstrap import cluster_resamples
from outcomes.stats.survival import interval_censored
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence
from outcomes.stats.survival.interval_censored import interval_censored_curve


def draw(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 30))
    low = rng.integers(0, 10, n).astype(float)
    high = low + rng.integers(0, 5, n)
    high[rng.random(n) < 0.25] = np.inf
    return low, high


def contains(low, high, part):
    """Return whether cases (low, high], or exactly low, contain a support interval."""
    exact = low == high
    if part.low == part.high:
        return np.where(exact, low == part.low, (low < part.low) & (part.low <= high))
    return ~exact & (low <= part.low) & (part.high <= high)


@pytest.mark.parametrize("seed", range(60))
def test_no_interval_anywhere_would_raise_the_likelihood(seed):
    """The derivative towards every half-day piece of the time axis is at most n, and n on the support."""
    low, high = draw(seed)
    found = interval_censored_curve(low, high, at=[3])
    mass = np.array([part.mass for part in found.support])
    inside = np.array([contains(low, high, part) for part in found.support]).T
    share = inside @ mass
    assert math.isclose(mass.sum(), 1, rel_tol=1e-12)
    assert math.isclose(found.log_likelihood, np.log(share).sum(), rel_tol=1e-9, abs_tol=1e-9)
    gains = inside.T @ (1 / share)
    assert np.allclose(gains[mass > 1e-6], len(low), rtol=1e-4)
    for point in np.arange(0, 20, 0.5):  # whole numbers as exact times, halves as any time between
        holds = np.where(low == high, low == point, (low < point) & (point <= high))
        assert (holds / share).sum() <= len(low) * (1 + 1e-6)


@pytest.mark.parametrize("seed", range(100, 112))
def test_general_optimiser_finds_no_more(seed):
    low, high = draw(seed)
    found = interval_censored_curve(low, high, at=[3])
    inside = np.array([contains(low, high, part) for part in found.support], float).T

    def minus(raw):
        mass = np.exp(raw - raw.max())
        return -np.log(inside @ (mass / mass.sum())).sum()

    best = minimize(minus, np.zeros(inside.shape[1]), method="BFGS")
    assert -best.fun <= found.log_likelihood + 1e-7
    assert -best.fun >= found.log_likelihood - 1e-3


def test_exact_and_right_censored_times_are_kaplan_meier():
    time, event = np.array([1.0, 2, 2, 3, 5, 6, 6]), np.array([1, 1, 0, 1, 0, 1, 0])
    found = interval_censored_curve(time, np.where(event == 1, time, np.inf), at=[1, 2, 3, 6])
    curve = cumulative_incidence(time, event, at=[1, 2, 3, 6])
    for row in found.rows:
        assert math.isclose(row.estimate.value, curve.at("1", "all", row.time).value, rel_tol=1e-6)
    assert (found.n, found.n_exact, found.n_never) == (7, 4, 3)


def test_intervals_that_overlap_share_one_support():
    """(0, 2], (1, 3] overlap on (1, 2] alone."""
    found = interval_censored_curve([0, 1], [2, 3], at=[1, 1.5, 2])
    assert [(part.low, part.high, part.mass) for part in found.support] == [(1.0, 2.0, 1.0)]
    assert [(row.least, row.most) for row in found.rows] == [(0.0, 0.0), (0.0, 1.0), (1.0, 1.0)]
    assert not found.rows[1].estimate.estimable
    assert "any share from 0 to 1" in found.rows[1].estimate.reason


def test_closed_above_and_open_below():
    """An exact 2 lies in (1, 2] and not in (2, 3]."""
    found = interval_censored_curve([2, 1, 2], [2, 2, 3], at=[2])
    assert {(p.low, p.high): round(p.mass, 6) for p in found.support} == {
        (2.0, 2.0): 0.666667,
        (2.0, 3.0): 0.333333,
    }


def test_order_and_copies_change_nothing():
    low, high = draw(3)
    order = np.random.default_rng(1).permutation(len(low))
    one, two = (interval_censored_curve(a, b, at=[2, 5]) for a, b in ((low, high), (low[order], high[order])))
    assert one.support == two.support
    twice = interval_censored_curve(np.tile(low, 2), np.tile(high, 2), at=[2, 5])
    for a, b in zip(one.support, twice.support, strict=True):
        assert math.isclose(a.mass, b.mass, abs_tol=1e-7)


def test_bootstrap_is_binomial_when_nothing_is_censored():
    time = np.repeat([1.0, 3.0], [30, 70])
    found = interval_censored_curve(time, time, at=[2], n_boot=400, seed=3).rows[0].estimate
    assert found.value == pytest.approx(0.3, abs=1e-9)
    assert found.conf_low == pytest.approx(0.3 - 1.96 * math.sqrt(0.21 / 100), abs=0.03)
    assert found.conf_high == pytest.approx(0.3 + 1.96 * math.sqrt(0.21 / 100), abs=0.03)
    pairs = interval_censored_curve(time, time, at=[2], n_boot=400, seed=3, clusters=np.repeat(range(10), 10))
    assert pairs.rows[0].estimate.conf_high - pairs.rows[0].estimate.conf_low > 0.4
    assert pairs.n_failed == 0
    assert {"time", "estimate", "least", "most", "conf_low", "n"} <= set(pairs.tidy())
    assert str(pairs).startswith("event by 2: 0.3 proportion")


@pytest.mark.parametrize("level", [0.5, 0.8])
def test_limits_are_the_quantiles_of_the_resamples(level):
    time = np.repeat([1.0, 3.0], [120, 80])
    found = interval_censored_curve(time, time, at=[2], n_boot=200, seed=5, level=level).rows[0].estimate
    shares = cluster_resamples(np.arange(200), 200, 5) @ (time <= 2) / 200
    assert found.conf_low == pytest.approx(np.quantile(shares, (1 - level) / 2), abs=1e-7)
    assert found.conf_high == pytest.approx(np.quantile(shares, (1 + level) / 2), abs=1e-7)
    assert np.quantile(shares, level) < found.conf_high - 0.005


def test_no_convergence_is_said(monkeypatch):
    monkeypatch.setattr(interval_censored, "MAX_ROUNDS", 1)
    with pytest.raises(EstimationError, match="no convergence"):
        interval_censored_curve(*draw(7), at=[3])
    low, high = np.append(draw(7)[0], 0.0), np.append(draw(7)[1], np.inf)
    with pytest.raises(EstimationError, match="no convergence"):
        interval_censored_curve(low, high, at=[3])


def test_missing_and_single():
    found = interval_censored_curve([1, np.nan, 2], [2, 3, None], at=[2])
    assert (found.n, found.n_missing) == (1, 2)
    assert found.rows[0].estimate.reason == "no limits asked for"


@pytest.mark.parametrize(
    ("low", "high", "more", "code"),
    [
        ([2], [1], {}, "bad_interval"),
        ([-1], [1], {}, "bad_interval"),
        ([np.inf], [np.inf], {}, "bad_interval"),
        ([1, 2], [3], {}, "bad_shape"),
        ([np.nan], [3], {}, "no_rows"),
        ([1], [3], {"n_boot": 20}, "bad_count"),
        ([1], [3], {"at": []}, "bad_time"),
        ([1], [3], {"level": 0}, "bad_level"),
    ],
)
def test_refused(low, high, more, code):
    with pytest.raises(EstimationError) as refused:
        interval_censored_curve(low, high, **({"at": [1]} | more))
    assert refused.value.code == code
