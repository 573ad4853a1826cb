"""Cluster-robust covariances against closed forms worked by hand, and their coverage."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from outcomes.errors import EstimationError
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.regression.clusters import (
    covariance_of,
    degrees_of_freedom,
    mean_variance,
    robust_covariance,
    sandwich_pieces,
)
from outcomes.stats.regression.linear import fit_linear, linear_contrast


def welch_df(n0: int, n1: int) -> float:
    """Bell and McCaffrey's df of a two-group difference, worked by hand under equal variances."""
    return (1 / n0 + 1 / n1) ** 2 / (1 / (n0**2 * (n0 - 1)) + 1 / (n1**2 * (n1 - 1)))


def two_groups(rng: np.random.Generator, n0: int, n1: int) -> tuple[np.ndarray, np.ndarray]:
    arm = np.repeat([0.0, 1.0], [n0, n1])
    return np.column_stack([np.ones(n0 + n1), arm]), rng.normal(size=n0 + n1) * (1 + arm)


def test_hc2_of_two_groups_is_welch():
    rng = np.random.default_rng(1)
    X, y = two_groups(rng, 7, 12)
    e = linear_contrast(fit_linear(X, y, names=["a", "b"]), [[0, 1]])[0]
    welch = y[:7].var(ddof=1) / 7 + y[7:].var(ddof=1) / 12
    assert e.std_error**2 == pytest.approx(welch, rel=1e-12)
    assert e.df == pytest.approx(welch_df(7, 12), rel=1e-12)


def test_cr2_two_rows_a_cluster_arm_by_cluster():
    # two wrists of one patient in one arm: Welch on the patient means, by hand
    rng = np.random.default_rng(2)
    arm = np.repeat([0.0, 1.0], [10, 16])
    y = rng.normal(size=26) + np.repeat(rng.normal(size=13), 2)
    fit = fit_linear(
        np.column_stack([np.ones(26), arm]), y, names=["a", "b"], clusters=np.repeat(np.arange(13), 2)
    )
    e = linear_contrast(fit, [[0, 1]])[0]
    means = y.reshape(13, 2).mean(axis=1)
    assert e.std_error**2 == pytest.approx(means[:5].var(ddof=1) / 5 + means[5:].var(ddof=1) / 8, rel=1e-12)
    assert e.df == pytest.approx(welch_df(5, 8), rel=1e-12)


def test_cr2_one_wrist_in_each_arm_is_the_paired_t():
    rng = np.random.default_rng(3)
    y = rng.normal(size=24) + np.repeat(rng.normal(size=12), 2)
    X = np.column_stack([np.ones(24), np.tile([0.0, 1.0], 12)])
    e = linear_contrast(fit_linear(X, y, names=["a", "b"], clusters=np.repeat(np.arange(12), 2)), [[0, 1]])[0]
    difference = y[1::2] - y[::2]
    assert e.value == pytest.approx(difference.mean(), rel=1e-12)
    assert e.std_error**2 == pytest.approx(difference.var(ddof=1) / 12, rel=1e-12)
    assert e.df == pytest.approx(11, rel=1e-12)


def test_large_clusters_use_the_small_matrix():
    # 4 clusters of 30 rows and 2 columns: the p x p form against the n_g x n_g definition, written out
    rng = np.random.default_rng(4)
    X = np.column_stack([np.ones(120), rng.normal(size=120)])
    cluster = np.repeat(np.arange(4), 30)
    y = rng.normal(size=120)
    fit = fit_linear(X, y, names=["a", "b"], clusters=cluster)
    bread = np.linalg.inv(X.T @ X)
    meat = np.zeros((2, 2))
    stack = []
    hat = X @ bread @ X.T
    for g in range(4):
        rows = cluster == g
        values, vectors = np.linalg.eigh(np.eye(30) - hat[np.ix_(rows, rows)])
        adjust = vectors @ np.diag(values**-0.5) @ vectors.T
        score = X[rows].T @ adjust @ fit.residuals[rows]
        meat += np.outer(score, score)
        stack.append((np.eye(120) - hat)[:, rows] @ adjust @ X[rows] @ bread @ [0, 1])
    np.testing.assert_allclose(fit.covariance, bread @ meat @ bread, rtol=1e-11)
    gram = np.array(stack) @ np.array(stack).T
    df = np.trace(gram) ** 2 / np.square(gram).sum()
    assert degrees_of_freedom(fit.pieces, np.array([[0.0, 1.0]]))[0] == pytest.approx(df, rel=1e-11)


def test_cr2_is_unbiased_under_independent_errors():
    # E of the CR2 covariance equals sigma^2 (X'X)^-1 exactly: take it over a basis instead of simulating
    rng = np.random.default_rng(5)
    X = np.column_stack([np.ones(15), rng.normal(size=(15, 2))])
    clusters = [0, 0, 1, 2, 2, 2, 3, 3, 4, 4, 4, 4, 5, 6, 6]
    pieces = sandwich_pieces(X, ("a", "b", "c"), clusters=clusters)
    residual_maker = np.eye(15) - X @ np.linalg.inv(X.T @ X) @ X.T
    total = sum(
        robust_covariance(X, residual_maker[:, i], names=["a", "b", "c"], clusters=clusters)
        for i in range(15)
    )
    np.testing.assert_allclose(total, pieces.bread, rtol=1e-10, atol=1e-12)


@pytest.mark.parametrize("kind", ["CR0", "CR1", "HC0", "HC1", "HC2", "HC3"])
def test_against_statsmodels(kind):
    rng = np.random.default_rng(6)
    n = 90
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 3))])
    y = X @ [1, 2, 0, -1] + rng.normal(size=n)
    cluster = rng.integers(0, 30, n)
    fit = fit_linear(
        X, y, names=list("abcd"), clusters=cluster if kind.startswith("CR") else None, covariance=kind
    )
    if kind.startswith("HC"):
        other = sm.OLS(y, X).fit(cov_type=kind)
    else:
        options = {"groups": cluster, "use_correction": kind == "CR1"}
        other = sm.OLS(y, X).fit(cov_type="cluster", cov_kwds=options)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-9, atol=1e-14)


def test_reference_distributions():
    rng = np.random.default_rng(7)
    X, y = two_groups(rng, 15, 15)
    cluster = np.repeat(np.arange(15), 2)
    df = {
        kind: linear_contrast(
            fit_linear(
                X, y, names=["a", "b"], clusters=cluster if kind.startswith("CR") else None, covariance=kind
            ),
            [[0, 1]],
        )[0].df
        for kind in ("CR0", "CR1", "HC1", "HC3", "classical")
    }
    assert df == {"CR0": 14.0, "CR1": 14.0, "HC1": 28.0, "HC3": 28.0, "classical": 28.0}
    # without clusters CR1 is HC1 in every respect
    one = linear_contrast(fit_linear(X, y, names=["a", "b"], covariance="CR1"), [[0, 1]])[0]
    two = linear_contrast(fit_linear(X, y, names=["a", "b"], covariance="HC1"), [[0, 1]])[0]
    assert one == two


def test_mean_variance():
    values = np.array([1.0, 4.0, 2.0, 8.0, 5.0])
    # by hand: mean 4; cluster totals of deviations -3+0, -2+4, 1; 3/2 * (9 + 4 + 1) / 25
    assert mean_variance(values, [1, 1, 2, 2, 3])[0] == pytest.approx(1.5 * 14 / 25, rel=1e-14)
    weighted = mean_variance(values, [1, 1, 2, 2, 3], weights=[2, 1, 1, 1, 1])[0]
    copied = mean_variance(np.append(values, 1.0), [1, 1, 2, 2, 3, 1])[0]
    assert weighted == pytest.approx(copied, rel=1e-13)
    two = mean_variance(np.column_stack([values, 2 * values]))
    assert two[1] == pytest.approx(4 * two[0])


def test_coverage_with_two_wrists():
    """Seeded: 14 of 24 patients with two wrists in the same arm, correlation 0.7 between wrists.

    4,000 cohorts: 95 % plus or minus three Monte Carlo errors (0.34 points each) for CR2 with
    Satterthwaite df; errors that ignore the patients, or their small number, must fall short.
    """
    rng = np.random.default_rng(20261124)
    n_cohorts, contrast = 4000, np.array([[0.0, 1.0, 0.0]])
    patient = np.repeat(np.arange(24), np.repeat([2, 1], [14, 10]))
    n = len(patient)
    arm = (np.arange(24) % 3 == 0).astype(float)[patient]
    X = np.column_stack([np.ones(n), arm, rng.normal(size=n)])
    y = 0.7**0.5 * rng.normal(size=(n_cohorts, 24))[:, patient] + 0.3**0.5 * rng.normal(size=(n_cohorts, n))
    coverage = {}
    for kind in ("CR2", "HC2", "CR0"):
        first = fit_linear(
            X,
            y[0],
            names=["a", "arm", "x"],
            clusters=patient if kind.startswith("CR") else None,
            covariance=kind,
        )
        beta = np.linalg.solve(X.T @ X, X.T @ y.T).T
        half = float(t_quantile(0.975, degrees_of_freedom(first.pieces, contrast))[0])
        errors = [covariance_of(first.pieces, row)[1, 1] ** 0.5 for row in y - beta @ X.T]
        assert errors[0] == pytest.approx(first.covariance[1, 1] ** 0.5, rel=1e-10)
        coverage[kind] = float(np.mean(np.abs(beta[:, 1]) <= half * np.array(errors)))
    assert 0.939 <= coverage["CR2"] <= 0.961
    assert coverage["HC2"] < 0.92
    assert coverage["CR0"] < coverage["CR2"] - 0.01


def test_refusals():
    X, y = np.column_stack([np.ones(4), [0, 1, 0, 1.0]]), np.array([1.0, 2, 3, 5])
    cases = [
        ({"clusters": ["a"] * 4}, "too_few_clusters"),
        ({"clusters": ["a", "b", None, "c"]}, "missing_cluster"),
        ({"clusters": ["a", "b"]}, "bad_shape"),
        ({"covariance": "CR4"}, "bad_choice"),
        ({"weights": [1, -1, 1, 1]}, "bad_weights"),
        ({"weights": [0, 0, 0, 0]}, "bad_weights"),
        ({"weights": [1, 1, 0, 0]}, "saturated"),
    ]
    for options, code in cases:
        with pytest.raises(EstimationError) as caught:
            fit_linear(X, y, names=["a", "b"], **options)
        assert caught.value.code == code, options
    with pytest.raises(EstimationError, match="at least 2 clusters"):
        mean_variance([1.0, 2.0], [1, 1])
    with pytest.raises(EstimationError, match="leave nothing"):
        robust_covariance(np.eye(2), np.zeros(2), names=["a", "b"], covariance="HC1")


@pytest.mark.parametrize("kind", ["HC0", "HC1", "HC2", "HC3", "classical"])
def test_a_type_that_would_ignore_the_clusters_is_refused(kind):
    with pytest.raises(EstimationError, match=f"{kind}' ignores the clusters"):
        fit_linear(
            np.ones((6, 1)), np.arange(6.0), names=["mean"], clusters=[1, 1, 2, 2, 3, 3], covariance=kind
        )
