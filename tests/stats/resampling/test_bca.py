"""BCa limits and the bootstrap of totals: by hand, beside scipy, and their laws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.resampling.bca import (
    Jackknife,
    bca_interval,
    bias_correction,
    corrected_probability,
    jackknife,
)
from outcomes.stats.resampling.totals_bootstrap import bootstrap_mean_difference, bootstrap_totals


def mean(t):
    return t[:, 0] / t[:, 1]


def with_ones(x):
    return np.column_stack([x, np.ones(len(x))])


def skewed(n, seed=3):
    return np.random.default_rng(seed).exponential(size=n).round(2)


def test_jackknife_of_counts_and_strata_by_hand():
    x = np.array([1.0, 1.0, 2.0, 4.0])
    without = (x.sum() - x) / 3
    d = x - x.mean()
    found = jackknife(without)
    assert found.std_error == pytest.approx(x.std(ddof=1) / 2, rel=1e-12)
    assert found.acceleration == pytest.approx((d**3).sum() / (6 * (d**2).sum() ** 1.5), rel=1e-12)
    grouped = jackknife(without[1:], counts=[2, 1, 1])
    assert (grouped.std_error, grouped.n) == (pytest.approx(found.std_error, rel=1e-12), 4)
    assert grouped.acceleration == pytest.approx(found.acceleration, rel=1e-12)
    # mean of a minus mean of b: variances add, and cubes with the sign of the group
    a, b = np.array([1.0, 2.0, 6.0]), np.array([0.0, 5.0])
    values = np.concatenate([(a.sum() - a) / 2 - b.mean(), a.mean() - (b.sum() - b)])
    both = jackknife(values, strata=[0, 0, 0, 1, 1])
    assert both.std_error == pytest.approx((a.var(ddof=1) / 3 + b.var(ddof=1) / 2) ** 0.5, rel=1e-12)
    cubes = ((a - a.mean()) ** 3).sum() / 27 - ((b - b.mean()) ** 3).sum() / 8
    squares = ((a - a.mean()) ** 2).sum() / 9 + ((b - b.mean()) ** 2).sum() / 4
    assert both.acceleration == pytest.approx(cubes / (6 * squares**1.5), rel=1e-12)


def test_corrected_probabilities_by_hand():
    phi, quantile = stats.norm.cdf, stats.norm.ppf
    z = 0.2 + quantile(0.975)
    assert corrected_probability(0.975, 0.2, 0.05) == pytest.approx(phi(0.2 + z / (1 - 0.05 * z)), rel=1e-12)
    assert np.isnan(corrected_probability(0.975, 0.0, 0.6))


def test_limits_agree_with_scipy_on_the_same_data():
    x = skewed(60)
    ours = bootstrap_totals(with_ones(x), mean, seed=1, n_boot=40_000)
    theirs = stats.bootstrap((x,), np.mean, n_resamples=40_000, rng=np.random.default_rng(2))
    for limit, error, other in zip(
        (ours.estimate.conf_low, ours.estimate.conf_high), (ours.error_low, ours.error_high),
        theirs.confidence_interval, strict=True,
    ):  # fmt: skip
        assert abs(limit - other) < 3.5 * 2**0.5 * error
    assert ours.estimate.std_error == pytest.approx(x.std() / 60**0.5, rel=0.02)
    assert "BCa" in ours.estimate.method


def test_two_groups_agree_with_scipy():
    a, b = skewed(30), skewed(45, seed=4) / 2
    ours = bootstrap_mean_difference(a, b, seed=1, n_boot=40_000)
    theirs = stats.bootstrap(
        (a, b),
        lambda x, y, axis: x.mean(axis) - y.mean(axis),
        n_resamples=40_000,
        rng=np.random.default_rng(2),
    ).confidence_interval
    assert ours.estimate.value == pytest.approx(a.mean() - b.mean(), rel=1e-12)
    assert abs(ours.estimate.conf_low - theirs.low) < 3.5 * 2**0.5 * ours.error_low
    assert abs(ours.estimate.conf_high - theirs.high) < 3.5 * 2**0.5 * ours.error_high


def test_monte_carlo_error_is_the_spread_over_seeds():
    x = skewed(40)
    many = [bootstrap_totals(with_ones(x), mean, seed=s, n_boot=1000) for s in range(200)]
    for side in ("low", "high"):
        spread = np.std([getattr(m.estimate, f"conf_{side}") for m in many], ddof=1)
        assert np.mean([getattr(m, f"error_{side}") for m in many]) == pytest.approx(spread, rel=0.25)


def test_few_distinct_values_and_many_rows_draw_the_same_distribution():
    x = skewed(400).round(0)  # about ten values: counts of values are drawn
    fine = x + np.linspace(0, 1e-9, 400)  # the same, all distinct: rows are drawn
    few, many = (bootstrap_totals(with_ones(v), mean, seed=1, n_boot=20_000) for v in (x, fine))
    assert few.estimate.std_error == pytest.approx(many.estimate.std_error, rel=0.03)
    assert few.estimate.conf_low == pytest.approx(many.estimate.conf_low, abs=4 * few.error_low)


def test_clusters_are_drawn_whole_and_strata_kept():
    rng = np.random.default_rng(1)
    patient = np.repeat(np.arange(60), 2)
    y = rng.normal(size=60)[patient] + 0.1 * rng.normal(size=120)
    whole = bootstrap_totals(with_ones(y), mean, clusters=patient, seed=1)
    apart = bootstrap_totals(with_ones(y), mean, seed=1)
    assert whole.estimate.std_error / apart.estimate.std_error == pytest.approx(2**0.5, rel=0.1)
    assert whole.estimate.method.startswith("cluster bootstrap")
    group = np.repeat([0, 1], 60)
    shift = 10.0 * group  # between strata, so that it adds nothing when strata are kept
    kept = bootstrap_totals(with_ones(y + shift), mean, clusters=patient, strata=group, seed=1)
    assert kept.estimate.std_error == pytest.approx(whole.estimate.std_error, rel=0.15)
    assert bootstrap_totals(with_ones(y + shift), mean, clusters=patient, seed=1).estimate.std_error > 3 * (
        kept.estimate.std_error
    )


def test_laws_of_order_units_and_swapped_groups():
    a, b = skewed(30), skewed(20, seed=5)
    base = bootstrap_mean_difference(a, b, seed=7)
    assert bootstrap_mean_difference(a[::-1], b[::-1], seed=7) == base
    doubled = bootstrap_mean_difference(2 * a, 2 * b, seed=7).estimate
    assert doubled.conf_high == pytest.approx(2 * base.estimate.conf_high, rel=1e-9)
    swapped = bootstrap_mean_difference(b, a, seed=7, n_boot=20_000).estimate
    long = bootstrap_mean_difference(a, b, seed=8, n_boot=20_000)
    assert swapped.value == -long.estimate.value
    assert swapped.conf_low == pytest.approx(-long.estimate.conf_high, abs=5 * long.error_high)
    assert bootstrap_mean_difference(a, b, seed=8) != base


def test_fallbacks_are_named():
    few = bootstrap_totals(with_ones(skewed(9)), mean, seed=1).estimate
    assert "9 units, fewer than 10" in few.method
    assert few.conf_low is not None
    constant = bootstrap_totals(with_ones(np.full(20, 3.0)), mean, seed=1).estimate
    assert "no variation" in constant.method
    assert (constant.conf_low, constant.conf_high) == (3.0, 3.0)
    one_event = np.array([1.0] + [0.0] * 19)
    lost = bootstrap_totals(np.column_stack([one_event, 1 - one_event]), lambda t: t[:, 1] / t[:, 0], seed=1)
    assert lost.n_failed > 500
    assert lost.estimate.conf_low is None
    assert "replicates failed" in lost.estimate.reason
    single = np.array([1.0, *[0.0] * 30])
    no_value = bootstrap_totals(
        np.column_stack([single, np.ones(31)]),
        lambda t: np.where(t[:, 0] + t[:, 1] == 30, np.nan, t[:, 0] / t[:, 1]),
        seed=1,
    ).estimate
    assert "no value without some one unit" in no_value.method
    one_sided = bca_interval(
        np.linspace(1, 2, 1000), 0.5, Jackknife(std_error=1, acceleration=0, n=50)
    ).estimate
    assert "one side" in one_sided.method
    beyond = bca_interval(
        np.linspace(0, 1, 1000), 0.999, Jackknife(std_error=1, acceleration=0.1, n=50)
    ).estimate
    assert "beyond the replicates" in beyond.method


def test_missing_values_are_counted():
    found = bootstrap_mean_difference([1.0, 2, np.nan, 3] * 5, np.arange(12.0), seed=1).estimate
    assert (found.n, found.n_missing) == (27, 5)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: jackknife([1.0, np.nan]), "1 of 2 values"),
        (lambda: jackknife([1.0, 2.0], counts=[1, 0]), "counts do not fit"),
        (lambda: jackknife([1.0, 2.0, 3.0], strata=["a", "a", "b"]), "fewer than 2 units"),
        (lambda: bias_correction([1.0, 2.0], 0.0), "one side"),
        (lambda: bootstrap_totals([[1.0, np.inf]], mean, seed=1), "1 missing or infinite"),
        (lambda: bootstrap_totals([1.0, 2.0], mean, seed=1), r"shape \(2,\)"),
        (lambda: bootstrap_totals(with_ones(skewed(12)), mean, clusters=[1] * 12, seed=1), "1 cluster;"),
        (lambda: bootstrap_totals(with_ones(skewed(12)), mean, seed=1, interval="bca"), "'BCa'"),
        (lambda: bootstrap_totals(with_ones(skewed(12)), mean, seed=1, n_boot=100), "at least 400 replicates"),
        (lambda: bootstrap_totals(with_ones(skewed(12)), lambda t: t, seed=1), "one value a row"),
        (lambda: bootstrap_totals(np.zeros((12, 2)), mean, seed=1), "no value on the data"),
        (lambda: bootstrap_mean_difference([1.0], [2.0, 3.0], seed=1), "1 and 2 values"),
    ],
)  # fmt: skip
def test_bad_input_is_named(call, words):
    with pytest.raises(EstimationError, match=words):
        call()
