"""Estimating equations where rows, pairs or spread run out, and what a fit says of itself."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.repeated.gee import fit_gee

NAMES = ["one", "x"]


def in_pairs(n_pairs: int, n_single: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Clusters of two rows, then of one."""
    rng = np.random.default_rng(seed)
    cluster = np.r_[np.repeat(np.arange(n_pairs), 2), n_pairs + np.arange(n_single)]
    n = len(cluster)
    y = rng.normal(size=n) + 0.5 * rng.normal(size=n_pairs + n_single)[cluster]
    return np.column_stack([np.ones(n), rng.normal(size=n)]), y, cluster


def test_as_many_pairs_as_coefficients_measure_no_correlation() -> None:
    X, y, cluster = in_pairs(2, 12)
    with pytest.raises(EstimationError, match="make 2 pairs for 2 coefficients") as caught:
        fit_gee(X, y, names=NAMES, clusters=cluster)
    assert caught.value.code == "too_few_pairs"
    alone = fit_gee(X, y, names=NAMES, clusters=cluster, working="independence")
    assert alone.correlation is None
    assert "correlation" not in str(alone).split("coefficients")[1]


def test_one_pair_more_measures_one() -> None:
    X, y, cluster = in_pairs(3, 12)
    fit = fit_gee(X, y, names=NAMES, clusters=cluster, working="independence")
    left = y - fit.fitted
    products = sum(left[2 * i] * left[2 * i + 1] for i in range(3))
    assert fit.scale == pytest.approx(left @ left / (18 - 2), rel=1e-12)
    assert fit.correlation == pytest.approx(products / fit.scale / (3 - 2), rel=1e-10)
    assert fit.n_iterations == 0
    assert (fit.n, fit.n_clusters, fit.largest) == (18, 15, 2)


def test_all_numbers_as_divisor_need_a_pair_only() -> None:
    X, y, cluster = in_pairs(1, 12)
    fit = fit_gee(X, y, names=NAMES, clusters=cluster, divisor="n")
    left = y - fit.fitted
    assert fit.scale == pytest.approx(left @ left / 14, rel=1e-12)
    assert fit.correlation == pytest.approx(left[0] * left[1] / fit.scale, rel=1e-8)
    with pytest.raises(EstimationError, match="make 0 pairs"):
        fit_gee(X, y, names=NAMES, clusters=np.arange(14), divisor="n")


def test_as_many_rows_as_coefficients_are_refused_whatever_the_working_correlation() -> None:
    for working in ("independence", "exchangeable"):
        with pytest.raises(EstimationError, match="2 rows in 2 clusters"):
            fit_gee(
                np.array([[1.0, 0.0], [1.0, 1.0]]), [1.0, 2.0], names=NAMES, clusters=[1, 2], working=working
            )


def test_no_residual_spread_is_refused() -> None:
    X, _, cluster = in_pairs(6, 4)
    for working in ("independence", "exchangeable"):
        with pytest.raises(EstimationError, match="no spread") as caught:
            fit_gee(X, X @ [2.0, 3.0], names=NAMES, clusters=cluster, working=working)
        assert caught.value.code == "no_variation"


def test_equal_rows_of_a_cluster_have_a_correlation_of_one_and_are_refused() -> None:
    y = np.repeat([1.0, 4.0, 2.0, 7.0, 5.0], 2)
    with pytest.raises(EstimationError, match=r"1\.000, outside -1\.000 to 1") as caught:
        fit_gee(np.ones((10, 1)), y, names=["mean"], clusters=np.repeat(range(5), 2), divisor="n")
    assert caught.value.code == "bad_correlation"


def test_a_fit_knows_its_link_its_reference_and_its_spread() -> None:
    X, y, cluster = in_pairs(20, 5, seed=3)
    made = {"identity": y, "logit": (y > 0) * 1.0, "log": np.round(np.exp(y))}
    for link, outcome in made.items():
        fit = fit_gee(X, outcome, names=NAMES, clusters=cluster, link=link)
        assert fit.pieces.linear is (link == "identity")
        assert fit.pieces.kind == "CR2"
        eta = X @ fit.coefficients
        mean = {"identity": eta, "logit": 1 / (1 + np.exp(-eta)), "log": np.exp(eta)}[link]
        np.testing.assert_allclose(fit.fitted, mean, rtol=1e-12)
        variance = {"identity": np.ones(45), "logit": mean * (1 - mean), "log": mean}[link]
        assert fit.scale == pytest.approx(np.sum((outcome - mean) ** 2 / variance) / 43, rel=1e-10)
        assert fit.n_iterations >= 2
