"""Joint Wald test against closed forms and an independent implementation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.groups.anova import one_way_anova
from outcomes.stats.regression.clusters import degrees_of_freedom
from outcomes.stats.regression.linear import fit_linear, linear_contrast
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.wald import _denominator, wald_test


def _three_groups(seed: int = 3, n: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    group = rng.integers(0, 3, n)
    y = 20.0 + group + rng.normal(size=n) * (1 + group)
    X = np.column_stack([np.ones(n), group == 1, group == 2]).astype(float)
    return group, X, y


def test_one_contrast_is_t_squared():
    _, X, y = _three_groups()
    fit = fit_linear(X, y, names=["a", "b", "c"], clusters=np.arange(60) // 2)
    estimate = linear_contrast(fit, [[0, 1, -1]])[0]
    test = wald_test(fit, [[0, 1, -1]])
    assert test.f == pytest.approx((estimate.value / estimate.std_error) ** 2, rel=1e-12)
    assert test.df_within == pytest.approx(estimate.df, rel=1e-12)
    assert test.p_value == pytest.approx(estimate.p_value, rel=1e-10)


def test_classical_joint_test_is_the_analysis_of_variance():
    group, X, y = _three_groups()
    fit = fit_linear(X, y, names=["a", "b", "c"], covariance="classical")
    test = wald_test(fit, [[0, 1, 0], [0, 0, 1]])
    expected = one_way_anova([y[group == g] for g in range(3)])
    assert test.f == pytest.approx(expected.f, rel=1e-12)
    assert (test.df_between, test.df_within) == (2, 57)
    assert test.p_value == pytest.approx(expected.p_value, rel=1e-10)


def test_test_does_not_depend_on_how_the_hypothesis_is_written():
    _, X, y = _three_groups()
    fit = fit_linear(X, y, names=["a", "b", "c"], clusters=np.arange(60) // 2)
    one = wald_test(fit, [[0, 1, 0], [0, 0, 1]])
    other = wald_test(fit, [[0, 7, -3], [0, 1, 1]])
    assert one.f == pytest.approx(other.f, rel=1e-10)


@pytest.mark.parametrize(("covariance", "options"), [("HC1", {}), ("CR1", {"groups": np.arange(60) // 2})])
def test_statistic_agrees_with_an_independent_implementation(covariance, options):
    # statsmodels, wald_test with use_f; the same covariances under its own names
    _, X, y = _three_groups()
    ours = fit_linear(
        X,
        y,
        names=["a", "b", "c"],
        clusters=np.arange(60) // 2 if covariance.startswith("CR") else None,
        covariance=covariance,
    )
    kind = "HC1" if covariance == "HC1" else "cluster"
    theirs = sm.OLS(y, X).fit(cov_type=kind, cov_kwds=options, use_t=True)
    C = np.array([[0.0, 1, 0], [0, 0, 1]])
    assert wald_test(ours, C).f == pytest.approx(
        float(np.squeeze(theirs.wald_test(C, use_f=True, scalar=True).statistic)), rel=1e-9
    )


def test_size_is_held_with_few_unequal_clusters():
    # a check of the choice of degrees of freedom, not of an asymptotic statement: 16 clusters, null true
    rng = np.random.default_rng(11)
    clusters = np.repeat(np.arange(16), np.r_[[8] * 4, [2] * 12])
    arm = np.repeat(np.arange(16) % 3, np.r_[[8] * 4, [2] * 12])
    X = np.column_stack([np.ones(len(arm)), arm == 1, arm == 2]).astype(float)
    rejected = 0
    for _ in range(400):
        y = rng.normal(size=16)[clusters] + rng.normal(size=len(arm))
        test = wald_test(fit_linear(X, y, names=["a", "b", "c"], clusters=clusters), [[0, 1, 0], [0, 0, 1]])
        rejected += (test.p_value or 1.0) < 0.05
    assert rejected / 400 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


def test_dependent_contrasts_and_no_spread_give_a_reason():
    _, X, y = _three_groups()
    fit = fit_linear(X, y, names=["a", "b", "c"])
    assert "not independent" in wald_test(fit, [[0, 1, 0], [0, 2, 0]]).reason
    flat = fit_linear(X, X @ np.array([1.0, 2.0, 3.0]), names=["a", "b", "c"])
    test = wald_test(flat, [[0, 1, 0], [0, 0, 1]])
    assert test.p_value is None
    assert "no test" in str(test)


def test_wrong_shape_is_refused():
    _, X, y = _three_groups()
    with pytest.raises(EstimationError, match="finite numbers of shape"):
        wald_test(fit_linear(X, y, names=["a", "b", "c"]), [[0, 1]])


def test_normal_reference_is_chi_squared():
    # a logistic fit with classical errors has no denominator degrees of freedom: p was NaN
    X = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], 8), np.tile([0.0, 1.0], 8)])
    y = np.repeat([1.0, 0.0, 1.0, 0.0], [3, 5, 6, 2])
    fit = fit_logistic(X, y, names=["one", "arm", "x"], covariance="classical")
    both = fit.coefficients[1:] @ np.linalg.solve(fit.covariance[1:, 1:], fit.coefficients[1:])
    test = wald_test(fit, np.eye(3)[1:])
    assert test.df_within is None
    assert test.f == pytest.approx(both / 2, rel=1e-10)
    assert test.p_value == pytest.approx(np.exp(-both / 2), rel=1e-10)
    assert f"chi-squared(2) = {both:.4g}" in str(test)
    one = wald_test(fit, np.eye(3)[[1]])
    assert one.p_value == pytest.approx(linear_contrast(fit, np.eye(3)[1])[0].p_value, rel=1e-10)


def test_p_of_a_contrast_is_never_zero():
    x = np.arange(200.0)
    y = 1e9 * x + np.tile([1.0, -1.0], 100)
    fit = fit_linear(np.column_stack([np.ones(200), x]), y, names=["one", "x"], covariance="classical")
    assert 0 < linear_contrast(fit, [0, 1])[0].p_value < 1e-300


def test_denominator_of_unequal_degrees_of_freedom_by_hand():
    # E = 4 / 2 + 10 / 8 = 3.25, and 2 E / (E - 2) = 5.2: the average of the two squared t has the mean of that F
    assert _denominator(np.array([4.0, 10.0])) == pytest.approx(5.2, rel=1e-14)
    assert _denominator(np.array([10.0, 4.0])) == pytest.approx(5.2, rel=1e-14)
    assert _denominator(np.array([7.0, 7.0, 7.0])) == 7.0
    assert _denominator(np.array([1.5])) == 1.5
    for below in (2.0, 1.9):
        assert _denominator(np.array([below, 10.0])) == 2.0
    assert 2.0 < _denominator(np.array([2.1, 10.0])) < 10.0


def test_unequal_clusters_have_the_denominator_of_their_directions():
    rng = np.random.default_rng(11)
    clusters = np.repeat(np.arange(9), [2, 3, 4, 5, 6, 8, 10, 14, 18])
    n = len(clusters)
    X = np.column_stack([np.ones(n), clusters % 2, rng.normal(size=n)])
    y = rng.normal(size=9)[clusters] + rng.normal(size=n)
    fit = fit_linear(X, y, names=["a", "b", "c"], clusters=clusters)
    C = np.array([[0.0, 1, 0], [0, 0, 1]])
    test = wald_test(fit, C)
    covariance = fit.covariance[1:, 1:]
    scale = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    directions = vectors.T @ (C / scale[:, None])
    parts = linear_contrast(fit, directions)
    freedoms = np.array([e.df for e in parts])
    assert np.ptp(freedoms) > 0.1
    assert test.f == pytest.approx(np.mean([(e.value / e.std_error) ** 2 for e in parts]), rel=1e-9)
    expected = np.sum(freedoms / (freedoms - 2))
    assert test.df_within == pytest.approx(2 * expected / (expected - 2), rel=1e-9)
    assert test.p_value == pytest.approx(stats.f.sf(test.f, 2, test.df_within), rel=1e-9)
    np.testing.assert_allclose(values, [(e.std_error) ** 2 for e in parts], rtol=1e-9)
    np.testing.assert_allclose(degrees_of_freedom(fit.pieces, directions), freedoms, rtol=1e-9)
