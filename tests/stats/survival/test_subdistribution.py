"""Subdistribution regression: identities, derivatives by hand, laws, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.subdistribution import fit_subdistribution

RNG = np.random.default_rng(7)
N = 40
TIME = RNG.integers(1, 15, N).astype(float)
EVENT = RNG.integers(0, 3, N)
X = np.column_stack([RNG.integers(0, 2, N), RNG.normal(size=N).round(2)]).astype(float)
NAMES = ["group", "size"]
FIT = fit_subdistribution(TIME, EVENT, X, names=NAMES, cause=1)


def censoring(t, weight):
    """Return the product limit and the summed hazard of censoring before t; events come first."""
    share, total = 1.0, 0.0
    for u in sorted(set(TIME[EVENT == 0])):
        if u < t:
            risk = weight[(u < TIME) | ((u == TIME) & (EVENT == 0))].sum()
            step = weight[(u == TIME) & (EVENT == 0)].sum() / risk
            share, total = share * (1 - step), total + step
    return share, total


def score(beta, weight):
    """Return the weighted score of the model written out row by row.

    The censoring curve is the product limit, moved by weights as its hazard moves: the formula of the paper.
    """

    def uncensored(t):
        share, total = censoring(t, np.ones(N))
        return share * math.exp(total - censoring(t, weight)[1])

    value = np.zeros(2)
    for i in np.flatnonzero(EVENT == 1):
        t = TIME[i]
        share = np.where(t <= TIME, 1.0, 0.0)
        for k in np.flatnonzero((EVENT == 2) & (t > TIME)):
            share[k] = uncensored(t) / uncensored(TIME[k])
        share = share * weight * np.exp(X @ beta)
        value += weight[i] * (X[i] - share @ X / share.sum())
    return value


def test_robust_error_is_the_derivative_by_weight():
    """The score at the fit vanishes; differentiated by each weight, the censoring curve moves along."""
    assert np.allclose(score(FIT.coefficients, np.ones(N)), 0, atol=1e-9)
    step, slopes = 1e-6, []
    for i in range(N):
        up, down = np.ones(N), np.ones(N)
        up[i] += step
        down[i] -= step
        slopes.append((score(FIT.coefficients, up) - score(FIT.coefficients, down)) / (2 * step))
    bread = -np.array(
        [
            (score(FIT.coefficients + step * e, np.ones(N)) - score(FIT.coefficients - step * e, np.ones(N)))
            / (2 * step)
            for e in np.eye(2)
        ]
    )
    influence = np.array(slopes) @ np.linalg.inv(bread)
    assert np.allclose(influence.T @ influence, FIT.covariance, rtol=1e-5)
    # times at which some are censored and others have an event, the case that no other program gives
    assert len(set(TIME[EVENT == 0]) & set(TIME[EVENT > 0])) > 3


def test_without_competing_events_this_is_a_partial_likelihood():
    """Six rows with ties, Breslow: b = log((3 + sqrt 33) / 2), Therneau's validation of the survival package."""
    fit = fit_subdistribution(
        [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], [[1], [1], [1], [0], [0], [0]], names=["x"], cause=1
    )
    assert math.isclose(fit.coefficients[0], math.log((3 + math.sqrt(33)) / 2), rel_tol=1e-9)


def test_without_censoring_competing_events_stay_for_ever():
    last = EVENT.copy()
    last[last == 0] = 2
    one = fit_subdistribution(TIME, last, X, names=NAMES, cause=1)
    late = np.where(last == 2, 99.0, TIME)
    other = fit_subdistribution(late, np.where(last == 1, 1, 0), X, names=NAMES, cause=1)
    assert np.allclose(one.coefficients, other.coefficients, rtol=1e-9)
    assert np.allclose(one.covariance, other.covariance, rtol=1e-9)
    assert math.isclose(one.log_likelihood, other.log_likelihood, rel_tol=1e-12)


def test_units_names_and_order():
    rescaled = fit_subdistribution(TIME * 30, EVENT, X * [1, 10] + [5, -3], names=NAMES, cause=1)
    assert np.allclose(rescaled.coefficients * [1, 10], FIT.coefficients, rtol=1e-9)
    assert np.allclose(rescaled.covariance * [[1, 10], [10, 100]], FIT.covariance, rtol=1e-9)
    order = RNG.permutation(N)
    shuffled = fit_subdistribution(TIME[order], EVENT[order], X[order], names=NAMES, cause=1)
    assert shuffled.coefficients.tobytes() == FIT.coefficients.tobytes()
    assert shuffled.covariance.tobytes() == FIT.covariance.tobytes()
    turned = fit_subdistribution(TIME, EVENT, X * [-1, 1], names=NAMES, cause=1)
    assert math.isclose(turned.ratios[0].value, 1 / FIT.ratios[0].value, rel_tol=1e-9)
    assert math.isclose(turned.ratios[0].conf_low, 1 / FIT.ratios[0].conf_high, rel_tol=1e-9)


def test_clusters():
    own = fit_subdistribution(TIME, EVENT, X, names=NAMES, cause=1, clusters=range(N))
    assert np.allclose(own.covariance, FIT.covariance, rtol=1e-12)
    twice = fit_subdistribution(
        np.tile(TIME, 2), np.tile(EVENT, 2), np.vstack([X, X]), names=NAMES, cause=1, clusters=[*range(N)] * 2
    )
    assert np.allclose(twice.coefficients, FIT.coefficients, rtol=1e-9)
    assert np.allclose(twice.covariance, FIT.covariance, rtol=1e-7)
    assert (twice.n, twice.n_clusters) == (2 * N, N)


def test_counts_limits_and_words():
    ratio = FIT.ratios[1]
    assert (FIT.n, FIT.n_events, FIT.n_competing) == (N, int((EVENT == 1).sum()), int((EVENT == 2).sum()))
    half = math.log(ratio.conf_high) - math.log(ratio.value)
    assert math.isclose(half, 1.959963984540054 * ratio.std_error, rel_tol=1e-9)
    assert FIT.log_likelihood > FIT.log_likelihood_null
    assert str(FIT).startswith("group: ")
    assert FIT.tidy()["n_events"].tolist() == [FIT.n_events] * 2


def test_missing_times_are_counted():
    time = TIME.copy()
    time[3] = np.nan
    fit = fit_subdistribution(time, EVENT, X, names=NAMES, cause=1)
    kept = np.arange(N) != 3
    assert fit.n_missing == 1
    assert np.allclose(
        fit.coefficients,
        fit_subdistribution(TIME[kept], EVENT[kept], X[kept], names=NAMES, cause=1).coefficients,
    )


@pytest.mark.parametrize(
    ("event", "column", "code", "word"),
    [
        ([1, 1, 1, 2, 0, 2], [1, 1, 1, 0, 0, 0], "no_maximum", "x"),
        ([0, 2, 0, 2, 0, 2], [1, 0, 1, 0, 1, 0], "no_events", "no event"),
        ([1, 2, 1, 2, 0, 2], [1, 1, 1, 1, 1, 1], "rank_deficient", "x"),
        ([1, 0, 0, 0, 0, 1], [0, 0, 0, 0, 0, 1], "no_maximum", "x"),
    ],
)
def test_refused(event, column, code, word):
    with pytest.raises(EstimationError, match=word) as refused:
        fit_subdistribution(
            [1, 2, 3, 4, 5, 6], event, np.array(column)[:, None], names=["x"], cause=1, causes=[1, 2]
        )
    assert refused.value.code == code


def test_bad_arguments():
    with pytest.raises(EstimationError, match="allowed: 1, 2"):
        fit_subdistribution(TIME, EVENT, X, names=NAMES, cause=9)
    with pytest.raises(EstimationError, match="events first"):
        fit_subdistribution(TIME, EVENT, X, names=NAMES, cause=1, ties="breslow")
    with pytest.raises(EstimationError, match="one for each time"):
        fit_subdistribution(TIME, EVENT, X[:5], names=NAMES, cause=1)
