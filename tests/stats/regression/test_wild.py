"""Wild cluster bootstrap of one contrast: by hand, by refitting, by size, by symmetry."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.regression.linear import fit_linear, linear_contrast
from outcomes.stats.regression.wild import wild_cluster_bootstrap


def made_up(n_clusters: int, seed: int, *, per_cluster: int = 8, effect: float = 0.0):
    """Return design, outcome and clusters: a cluster-level exposure in every second cluster, one covariate."""
    rng = np.random.default_rng(seed)
    clusters = np.repeat(np.arange(n_clusters), per_cluster)
    exposed = (clusters % 2).astype(float)
    age = rng.normal(size=len(clusters))
    y = (
        2
        + effect * exposed
        + 0.5 * age
        + rng.normal(size=n_clusters)[clusters]
        + rng.normal(size=len(clusters))
    )
    return np.column_stack([np.ones(len(y)), exposed, age]), y, clusters


def fitted(X, y, clusters, **options):
    return fit_linear(X, y, names=["intercept", "exposed", "age"], clusters=clusters, **options)


@pytest.mark.parametrize(("level", "low", "high"), [(0.75, 1.0, 3.0), (0.5, 1.5, 2.5)])
def test_three_clusters_by_hand(level: float, low: float, high: float):
    # A sign-flip test of a mean: flipping a set A reaches further than the data when the mean of A, or of
    # the rest, lies on the other side of the hypothesis. The means of sets of {1, 2, 3} are 1, 1.5, 2, 2.5, 3.
    fit = fit_linear(np.ones((6, 1)), [0, 2, 1, 3, 2, 4], names=["mean"], clusters=list("aabbcc"))
    found = wild_cluster_bootstrap(fit, [1.0], level=level, weights="rademacher")
    assert found.estimate.conf_low == pytest.approx(low, abs=1e-8)
    assert found.estimate.conf_high == pytest.approx(high, abs=1e-8)
    assert found.estimate.p_value == 0.25
    assert (found.n_patterns, found.exact, found.smallest_p) == (8, True, 0.25)


def test_no_limit_where_no_value_can_be_rejected():
    fit = fit_linear(np.ones((3, 1)), [1.0, 2.0, 3.0], names=["mean"], clusters=list("abc"))
    found = wild_cluster_bootstrap(fit, [1.0], level=0.95, weights="rademacher")
    assert (found.estimate.value, found.estimate.conf_low, found.estimate.conf_high) == (2.0, None, None)
    assert found.estimate.reason == "no lower and no upper limit: no value on that side is rejected"


def refitted_p(X, y, clusters, position: int, hypothesis: float, values) -> float:
    """Return p by refitting every pattern with numpy, nothing shared with the package."""
    others = np.delete(X, position, axis=1)
    offset = y - hypothesis * X[:, position]
    restricted = hypothesis * X[:, position] + others @ np.linalg.lstsq(others, offset, rcond=None)[0]
    residuals = y - restricted
    bread = np.linalg.inv(X.T @ X)

    def statistic(outcome):
        beta = np.linalg.lstsq(X, outcome, rcond=None)[0]
        left = outcome - X @ beta
        scores = np.array([X[clusters == g].T @ left[clusters == g] for g in np.unique(clusters)])
        return (beta[position] - hypothesis) / np.sqrt(
            (bread @ scores.T @ scores @ bread)[position, position]
        )

    seen = abs(statistic(y))
    drawn = [
        abs(statistic(restricted + np.array(v)[clusters] * residuals))
        for v in product(values, repeat=len(np.unique(clusters)))
    ]
    return float(np.mean(np.array(drawn) >= seen * (1 - 1e-9)))


@pytest.mark.parametrize(
    ("n_clusters", "weights", "values"),
    [
        (7, "rademacher", (-1.0, 1.0)),
        (4, "webb", (-(1.5**0.5), -1.0, -(0.5**0.5), 0.5**0.5, 1.0, 1.5**0.5)),
    ],
)
def test_p_and_limits_equal_refitting_every_pattern(n_clusters: int, weights, values):
    X, y, clusters = made_up(n_clusters, seed=11, effect=1.0)
    fit = fitted(X, y, clusters)
    for position in (1, 2):
        found = wild_cluster_bootstrap(fit, np.eye(3)[position], weights=weights, level=0.8)
        e = found.estimate
        assert found.exact
        assert e.p_value == pytest.approx(refitted_p(X, y, clusters, position, 0.0, values), abs=1e-12)
        width = e.conf_high - e.conf_low
        for limit, outward in ((e.conf_low, -1), (e.conf_high, 1)):
            # just inside a limit the value is not rejected, just outside it is
            near = [limit - outward * 1e-6 * width, limit + outward * 1e-6 * width]
            p_inside, p_outside = (refitted_p(X, y, clusters, position, h, values) for h in near)
            assert p_inside > 0.2 >= p_outside


def test_size_is_exact_for_a_mean_of_symmetric_clusters():
    # sign flips of six cluster means: a true hypothesis is rejected at 0.10 with probability 6 / 64
    rng = np.random.default_rng(12)
    n_sets = 1000
    rejected = 0
    for _ in range(n_sets):
        y = rng.standard_t(5, size=6).repeat(2) + np.tile([-0.5, 0.5], 6)
        fit = fit_linear(np.ones((12, 1)), y, names=["mean"], clusters=np.repeat(np.arange(6), 2))
        rejected += wild_cluster_bootstrap(fit, [1.0], weights="rademacher").estimate.p_value <= 0.10
    error = (6 / 64 * 58 / 64 / n_sets) ** 0.5
    assert rejected / n_sets == pytest.approx(6 / 64, abs=3 * error)


def test_size_with_six_clusters_and_an_exposure_of_whole_clusters():
    # A hard case: three exposed clusters against three. Nominal 10 %: the bootstrap rejects a true hypothesis in about
    # 13 %, normal limits from CR0 in about 27 %.
    n_sets, wild, plain = 400, 0, 0
    for seed in range(n_sets):
        fit = fitted(*made_up(6, seed=seed))
        e = wild_cluster_bootstrap(fit, [0, 1, 0], weights="rademacher").estimate
        wild += e.p_value <= 0.10
        crude = fitted(*made_up(6, seed=seed), covariance="CR0")
        plain += abs(e.value) > 1.645 * crude.covariance[1, 1] ** 0.5
    assert 0.06 < wild / n_sets < 0.17
    assert plain / n_sets > 0.22


@pytest.mark.parametrize("position", [1, 2])
def test_many_clusters_agree_with_the_sandwich(position: int):
    fit = fitted(*made_up(80, seed=3))
    row = np.eye(3)[position]
    e, reference = wild_cluster_bootstrap(fit, row).estimate, linear_contrast(fit, row)[0]
    width = reference.conf_high - reference.conf_low
    assert e.value == reference.value
    assert e.conf_low == pytest.approx(reference.conf_low, abs=0.05 * width)
    assert e.conf_high == pytest.approx(reference.conf_high, abs=0.05 * width)
    assert e.p_value == pytest.approx(reference.p_value, abs=0.02)


def limits(fit, row, **options):
    e = wild_cluster_bootstrap(fit, row, **options).estimate
    return np.array([e.conf_low, e.value, e.conf_high, e.p_value])


def test_symmetries():
    X, y, clusters = made_up(6, seed=5, effect=1.0)
    row = [0, 1, 0]
    plain = limits(fitted(X, y, clusters), row)
    turned = limits(fitted(X, -y, clusters), row)
    np.testing.assert_allclose(turned, [-plain[2], -plain[1], -plain[0], plain[3]], rtol=1e-9)
    units = limits(fitted(X, 10 * y, clusters), row)
    np.testing.assert_allclose(units, [*(10 * plain[:3]), plain[3]], rtol=1e-9)
    doubled = limits(fitted(X, y, clusters), [0, 2, 0])
    np.testing.assert_allclose(doubled, [*(2 * plain[:3]), plain[3]], rtol=1e-9)
    order = np.random.default_rng(1).permutation(len(y))
    shuffled = limits(fitted(X[order], y[order], 10 - clusters[order]), row)
    np.testing.assert_allclose(shuffled, plain, rtol=1e-9)
    shifted = limits(fitted(X, y + X @ [1.0, 0.0, 3.0], clusters), row)
    np.testing.assert_allclose(shifted, plain, rtol=1e-9)
    basis = np.column_stack([1 - X[:, 1], X[:, 1], X[:, 2] * 7])
    rebuilt = limits(fitted(basis, y, clusters), [-1, 1, 0])
    np.testing.assert_allclose(rebuilt, plain, rtol=1e-9)


def test_draws_are_seeded_and_labelled():
    fit = fitted(*made_up(8, seed=6))
    found = wild_cluster_bootstrap(
        fit, [0, 1, 0], seed=4, label="exposed minus not", unit="kg", n=50, n_missing=3
    )
    assert (found.weights, found.exact, found.n_patterns) == ("webb", False, 9999)
    assert found == wild_cluster_bootstrap(
        fit, [0, 1, 0], seed=4, label="exposed minus not", unit="kg", n=50, n_missing=3
    )
    assert found != wild_cluster_bootstrap(fit, [0, 1, 0], seed=5, label="exposed minus not", unit="kg")
    e = found.estimate
    assert (e.contrast, e.unit, e.n, e.n_missing, e.std_error) == ("exposed minus not", "kg", 50, 3, None)
    assert e.method == "wild cluster bootstrap, 9999 drawn patterns of Webb weights; unreliable: 8 clusters"
    assert found.tidy()["n_clusters"].tolist() == [8]
    many = wild_cluster_bootstrap(fitted(*made_up(12, seed=6)), [0, 1, 0])
    assert many.estimate.method == "wild cluster bootstrap, all 4096 patterns of Rademacher weights"


def test_contrast_without_spread():
    X = np.column_stack([np.ones(6), [0, 0, 0, 0, 1, 1]])
    fit = fit_linear(X, [5, 5, 5, 5, 7, 7], names=["a", "b"], clusters=[1, 1, 2, 2, 3, 3])
    e = wild_cluster_bootstrap(fit, [0, 1]).estimate
    assert (round(e.value, 9), e.conf_low, e.p_value) == (2.0, None, None)
    assert e.reason


def test_contrast_that_one_cluster_carries_has_no_interval():
    # one hospital of six used the nail, and only it: its own residuals sum to 0 and say nothing of its error
    _, y, clusters = made_up(6, seed=2)
    nail = (clusters == 3).astype(float)
    fit = fit_linear(np.column_stack([np.ones(len(y)), nail]), y, names=["rest", "nail"], clusters=clusters)
    e = wild_cluster_bootstrap(fit, [0, 1]).estimate
    assert (e.conf_low, e.conf_high, e.p_value) == (None, None, None)
    assert e.reason.startswith("one cluster (or case) alone carries this contrast")
    assert linear_contrast(fit, [0, 1])[0].conf_low is None


@pytest.mark.parametrize(
    ("contrast", "options", "message"),
    [
        ([0, 0, 0], {}, "1 contrasts, of which 0 are not all zeros"),
        (np.eye(3), {}, "3 contrasts"),
        ([0, 1], {}, "give finite numbers of shape"),
        ([0, 1, 0], {"level": 1.5}, "level is 1.5"),
        ([0, 1, 0], {"weights": "mammen"}, "allowed: 'auto', 'rademacher', 'webb'"),
        ([0, 1, 0], {"n_draws": 10}, "give at least 99"),
    ],
)
def test_refusals(contrast, options, message: str):
    with pytest.raises(EstimationError, match=message):
        wild_cluster_bootstrap(fitted(*made_up(6, seed=1)), contrast, **options)


@pytest.mark.parametrize("lost", [0, 1])
def test_weighted_fits_are_refused(lost: int):
    X, y, clusters = made_up(6, seed=1)
    weights = np.random.default_rng(2).random(len(y)) + 0.5
    weights[:lost] = 0.0
    with pytest.raises(EstimationError, match="without weights"):
        wild_cluster_bootstrap(fitted(X, y, clusters, weights=weights), [0, 1, 0])


@pytest.mark.parametrize("unit", [1e-9, 1.0, 1e9])
def test_weights_are_seen_in_any_unit(unit: float):
    X, y, clusters = made_up(5, 4)
    plain = wild_cluster_bootstrap(fitted(X, y, clusters), [0.0, 1.0, 0.0])
    scaled = wild_cluster_bootstrap(fitted(X, unit * y, clusters), [0.0, 1.0, 0.0])
    assert scaled.estimate.p_value == plain.estimate.p_value
    w = np.where(np.arange(len(y)) % 3, 1.0, 4.0)
    with pytest.raises(EstimationError, match="without weights") as caught:
        wild_cluster_bootstrap(fitted(X, unit * y, clusters, weights=w), [0.0, 1.0, 0.0])
    assert caught.value.code == "weighted_fit"


def test_smallest_p_of_draws_counts_the_data_themselves():
    X, y, clusters = made_up(14, 4, effect=50.0)
    found = wild_cluster_bootstrap(
        fitted(X, y, clusters), [0.0, 1.0, 0.0], n_draws=199, seed=2, weights="webb"
    )
    assert not found.exact
    assert (found.n_patterns, found.smallest_p) == (199, 1 / 200)
    assert found.estimate.p_value >= 1 / 200
