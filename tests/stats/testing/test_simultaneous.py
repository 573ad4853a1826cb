"""Quantiles of the largest |t| against exact ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, optimize, special, stats

from outcomes.errors import EstimationError
from outcomes.stats.testing.simultaneous import max_t_quantile


def all_pairs(k: int) -> np.ndarray:
    """Return the (singular) correlation of all differences of k groups of equal size."""
    pairs = [(i, j) for i in range(k) for j in range(i)]
    A = np.zeros((len(pairs), k))
    for row, (i, j) in enumerate(pairs):
        A[row, i], A[row, j] = 1, -1
    return A @ A.T / 2


@pytest.mark.parametrize("k", [3, 4, 5, 6, 7])
@pytest.mark.parametrize("df", [6.0, 27.3, 200.0])
@pytest.mark.parametrize("level", [0.90, 0.95])
def test_all_pairs_are_tukeys_range(k, df, level):
    # Tukey (1953), Kramer (1956): the studentised range quantile over the root of 2 is exact here
    exact = stats.studentized_range.ppf(level, k, df) / np.sqrt(2)
    for seed in (0, 1):
        assert abs(max_t_quantile(all_pairs(k), df, level=level, seed=seed) - exact) < 0.01


@pytest.mark.parametrize("m", [2, 3, 5])
@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
@pytest.mark.parametrize("df", [10.0, np.inf])
def test_equal_correlations_are_dunnetts(m, rho, df):
    # Dunnett (1955) J Am Stat Assoc 50:1096: one-dimensional integral, and one more over the common SD
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    places, shares = np.polynomial.legendre.leggauss(60)
    # over the quantiles of the common SD; it is 1 for the normal
    scales = np.ones(60) if np.isinf(df) else np.sqrt(stats.chi2.ppf(0.5 * (places + 1), df) / df)

    def coverage(c: float) -> float:
        reach = c * scales[:, None]
        up, down = reach + rho**0.5 * nodes, -reach + rho**0.5 * nodes
        root = (1 - rho) ** 0.5
        inside = (special.ndtr(up / root) - special.ndtr(down / root)) ** m
        return float(shares / 2 @ inside @ weights / np.sqrt(2 * np.pi))

    exact = optimize.brentq(lambda c: coverage(c) - 0.95, 1.5, 5, xtol=1e-5)
    R = np.full((m, m), rho) + (1 - rho) * np.eye(m)
    assert abs(max_t_quantile(R, df) - exact) < 0.01


def test_two_uneven_correlations_against_scipy():
    R = np.array([[1, 0.3, -0.6], [0.3, 1, 0.2], [-0.6, 0.2, 1]])
    c = max_t_quantile(R, 15)
    inside = stats.multivariate_t(shape=R, df=15, seed=1).cdf(np.full(3, c), lower_limit=np.full(3, -c))
    # 0.01 in the quantile is about 0.0015 in the probability
    assert inside == pytest.approx(0.95, abs=0.0015)


def test_exact_cases():
    assert max_t_quantile([[1.0]], 7.5) == pytest.approx(stats.t.ppf(0.975, 7.5), rel=1e-9)
    assert max_t_quantile([[1.0]], np.inf, level=0.9) == pytest.approx(stats.norm.ppf(0.95), rel=1e-12)
    # statistics that coincide, or mirror each other, are one
    assert max_t_quantile([[1, 1], [1, 1]], 9) == pytest.approx(stats.t.ppf(0.975, 9), rel=1e-9)
    assert max_t_quantile([[1, -1], [-1, 1]], 9) == pytest.approx(stats.t.ppf(0.975, 9), rel=1e-9)
    # independent normals: the Sidak quantile
    sidak = stats.norm.ppf(0.5 + 0.95 ** (1 / 4) / 2)
    assert max_t_quantile(np.eye(4), np.inf) == pytest.approx(sidak, abs=0.005)


def test_order_and_signs_do_not_matter_and_runs_repeat():
    R = all_pairs(4)
    signs = np.array([1, -1, 1, 1, -1, 1])
    turned = (R * signs[:, None] * signs)[::-1, ::-1]
    assert max_t_quantile(turned, 20) == pytest.approx(max_t_quantile(R, 20), abs=0.005)
    assert max_t_quantile(R, 20, seed=3) == max_t_quantile(R, 20, seed=3)


def test_between_one_and_bonferroni():
    rng = np.random.default_rng(1)
    for _ in range(20):
        A = rng.normal(size=(5, rng.integers(2, 6)))
        S = A @ A.T
        R = S / np.sqrt(np.outer(np.diag(S), np.diag(S)))
        df = float(rng.uniform(3, 60))
        c = max_t_quantile(R, df)
        assert stats.t.ppf(0.975, df) <= c <= stats.t.ppf(1 - 0.025 / 5, df) + 1e-9


def test_refusals():
    bad = [np.ones((2, 3)), np.array([[1, 2], [2, 1.0]]), np.array([[1, 0.5], [0.2, 1]]), np.array([[2.0]])]
    for matrix in bad:
        with pytest.raises(EstimationError, match="correlation"):
            max_t_quantile(matrix, 10)
    with pytest.raises(EstimationError, match="missing"):
        max_t_quantile([[np.nan]], 10)
    with pytest.raises(EstimationError, match="df is 0"):
        max_t_quantile(np.eye(2), 0)
    with pytest.raises(EstimationError, match="level"):
        max_t_quantile(np.eye(2), 5, level=95)


def test_integral_is_what_it_claims():
    # the polar form itself, for two independent normals: an integral over the quarter circle
    c = max_t_quantile(np.eye(2), np.inf)
    value, _ = integrate.quad(
        lambda a: 1 - np.exp(-0.5 * (c / max(np.cos(a), np.sin(a))) ** 2), 0, np.pi / 2, points=[np.pi / 4]
    )
    assert value / (np.pi / 2) == pytest.approx(0.95, abs=0.0005)
