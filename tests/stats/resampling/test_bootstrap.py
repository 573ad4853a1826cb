"""Cluster bootstrap."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.resampling.bootstrap import cluster_resamples, percentile_interval

CLUSTERS = np.array(["p1", "p1", "p2", "p3", "p3", "p4", "p5", "p6"], dtype=object)


def test_whole_clusters_are_drawn():
    w = cluster_resamples(CLUSTERS, 500, seed=1)
    assert w.shape == (500, 8)
    assert np.issubdtype(w.dtype, np.integer)
    assert (w[:, 0] == w[:, 1]).all()
    assert (w[:, 3] == w[:, 4]).all()
    first = w[:, [0, 2, 3, 5, 6, 7]]
    assert (first.sum(axis=1) == 6).all()
    np.testing.assert_array_equal(w, cluster_resamples(CLUSTERS, 500, seed=1))
    assert (w != cluster_resamples(CLUSTERS, 500, seed=2)).any()


def test_strata_keep_their_number_of_clusters():
    strata = [0, 0, 0, 1, 1, 1, 1, 1]
    w = cluster_resamples(CLUSTERS, 200, seed=3, strata=strata)
    assert (w[:, [0, 2]].sum(axis=1) == 2).all()
    assert (w[:, [3, 5, 6, 7]].sum(axis=1) == 4).all()
    with pytest.raises(EstimationError, match="1 clusters lie in more than one stratum"):
        cluster_resamples(CLUSTERS, 10, seed=3, strata=[0, 1, 0, 1, 1, 1, 1, 1])


def test_standard_error_of_a_mean_is_the_plug_in_one():
    # exact: the bootstrap variance of a mean of G values is their variance (divisor G) over G
    y = np.random.default_rng(4).normal(size=20)
    w = cluster_resamples(np.arange(20), 20_000, seed=5)
    means = w @ y / w.sum(axis=1)
    r = percentile_interval(means, float(y.mean()), n=20)
    # 20,000 replicates: the SD has a relative error of 0.5 %
    assert r.estimate.std_error == pytest.approx(y.std() / 20**0.5, rel=0.02)
    half = (r.estimate.conf_high - r.estimate.conf_low) / 2
    assert half == pytest.approx(1.96 * y.std() / 20**0.5, rel=0.03)
    assert 0 < r.error_low < 0.05 * half


def test_limits_are_the_weibull_quantiles():
    draws = np.random.default_rng(6).normal(size=999)
    e = percentile_interval(draws, 0.0, contrast="a minus b", unit="kg", n=50, n_missing=2).estimate
    expected = np.quantile(draws, [0.025, 0.975], method="weibull")
    np.testing.assert_allclose([e.conf_low, e.conf_high], expected, rtol=1e-12)
    assert (e.n, e.n_missing, e.unit, e.p_value) == (50, 2, "kg", None)
    assert e.method == "cluster bootstrap, percentile interval, 999 replicates"


def test_monte_carlo_error_of_the_limits():
    # for a uniform the SE of the 2.5 % quantile of B draws is sqrt(p (1 - p) / B)
    rng = np.random.default_rng(7)
    results = [percentile_interval(rng.random(2000), 0.5) for _ in range(300)]
    lows = np.array([r.estimate.conf_low for r in results])
    exact = (0.025 * 0.975 / 2000) ** 0.5
    assert lows.std(ddof=1) == pytest.approx(exact, rel=0.15)
    assert np.mean([r.error_low for r in results]) == pytest.approx(exact, rel=0.1)


def test_failures_are_counted():
    draws = np.random.default_rng(8).normal(size=1000)
    draws[:10] = np.nan
    few = percentile_interval(draws, 0.0)
    assert few.n_failed == 10
    assert few.estimate.conf_low is not None
    assert few.estimate.method.endswith("1000 replicates, 10 failed")
    draws[10] = np.inf
    many = percentile_interval(draws, 0.0)
    assert many.n_failed == 11
    assert many.estimate.value == 0.0
    assert many.estimate.conf_low is None
    assert many.estimate.reason == "11 of 1000 bootstrap replicates failed, more than 1%"
    assert many.tidy()["n_failed"].tolist() == [11]
    assert "Monte Carlo error" in str(few)


def test_refusals():
    with pytest.raises(EstimationError, match="2 clusters"):
        cluster_resamples(["a", "a"], 10, seed=1)
    with pytest.raises(EstimationError, match="0 resamples"):
        cluster_resamples(CLUSTERS, 0, seed=1)
    with pytest.raises(EstimationError, match="cluster is missing in 1 rows"):
        cluster_resamples(["a", None, "b"], 10, seed=1)
    with pytest.raises(EstimationError, match="at least 400"):
        percentile_interval(np.zeros(399), 0.0)
    with pytest.raises(EstimationError, match="level"):
        percentile_interval(np.zeros(999), 0.0, level=0)
