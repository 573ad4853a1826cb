"""Firth's logistic regression: closed forms, independent maximisation, resamples.

The published examples sex2 and endometrial (Heinze and Schemper 2002) agree with logistf 1.26.1 and
brglm2 0.9 to 1e-11 in coefficients and profile limits; their data are under a GPL and are not kept here, so
that comparison is recorded in docs/validation and not repeated by this file.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from outcomes.errors import EstimationError
from outcomes.stats.regression.firth import fit_firth, shift_to_share
from outcomes.stats.regression.firth_profile import profile_interval
from outcomes.stats.regression.firth_resamples import fit_firth_resamples
from outcomes.stats.resampling.bootstrap import cluster_resamples

NAMES = ["intercept", "nail", "x", "age"]


def cohort(seed: int = 1, n: int = 120) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a cohort with few events, none of them where nail is 1."""
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.random(n) < 0.15, rng.normal(size=n), 60 + 10 * rng.normal(size=n)])
    X = X.astype(float)
    y = (rng.random(n) < 1 / (1 + np.exp(2 - X[:, 2]))) * (X[:, 1] == 0)
    return X, y.astype(float), rng.integers(0, 100, n)


def penalised(beta: np.ndarray, X: np.ndarray, y: np.ndarray) -> float:
    """Return the penalised log likelihood, written independently of the package."""
    p = 1 / (1 + np.exp(-(X @ beta)))
    information = X.T @ (X * (p * (1 - p))[:, None])
    return float(np.sum(np.where(y == 1, np.log(p), np.log1p(-p))) + 0.5 * np.linalg.slogdet(information)[1])


@pytest.mark.parametrize("cells", [(3, 5, 6, 2), (0, 8, 4, 4), (0, 9, 0, 7), (5, 0, 0, 6)])
def test_two_by_two_is_adding_one_half(cells):
    a, b, c, d = cells
    X = np.column_stack([np.ones(sum(cells)), np.repeat([0.0, 1.0], [a + b, c + d])])
    y = np.repeat([1.0, 0.0, 1.0, 0.0], cells)
    fit = fit_firth(X, y, names=["i", "arm"], intercept_correction=False, covariance="classical")
    first, second = np.log((a + 0.5) / (b + 0.5)), np.log((c + 0.5) / (d + 0.5))
    np.testing.assert_allclose(fit.coefficients, [first, second - first], rtol=1e-10, atol=1e-12)
    assert fit.penalised_log_likelihood == pytest.approx(penalised(fit.coefficients, X, y), rel=1e-12)


def test_maximum_by_an_independent_search():
    X, y, _ = cohort()
    fit = fit_firth(X, y, names=NAMES, intercept_correction=False)
    start = np.zeros(4)
    found = optimize.minimize(lambda b: -penalised(b, X, y), start, method="Nelder-Mead",
                              options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 20_000, "maxfev": 20_000})  # fmt: skip
    np.testing.assert_allclose(fit.coefficients, found.x, rtol=1e-4, atol=1e-5)
    assert fit.penalised_log_likelihood == pytest.approx(-found.fun, abs=1e-9)
    assert penalised(fit.coefficients, X, y) >= -found.fun - 1e-12
    assert fit.coefficients[1] < 0
    assert np.isfinite(fit.covariance).all()


def test_profile_limits_by_an_independent_search():
    X, y, _ = cohort(2)
    fit = fit_firth(X, y, names=NAMES, intercept_correction=False)
    top = penalised(fit.coefficients, X, y)
    nail, x, _ = profile_interval(fit, np.eye(4)[1:], labels=NAMES[1:])
    for e, j in ((nail, 1), (x, 2)):
        for limit in (e.conf_low, e.conf_high):
            free = [k for k in range(4) if k != j]

            def held(b: np.ndarray, j: int = j, limit: float = limit, free: list[int] = free) -> float:
                beta = np.zeros(4)
                beta[j], beta[free] = limit, b * [1, 1, 0.01]
                return -penalised(beta, X, y)

            r = optimize.minimize(held, fit.coefficients[free] * [1, 1, 100], method="Nelder-Mead",
                                  options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 20_000, "maxfev": 20_000})  # fmt: skip
            assert 2 * (top + r.fun) == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-6)
    assert nail.conf_low < nail.value < nail.conf_high
    assert nail.unit == "log odds"


def test_profile_of_a_contrast_is_that_of_a_changed_column():
    X, y, _ = cohort(3)
    fit = fit_firth(X, y, names=NAMES)
    C = [0, 1, -0.7, 0.02]
    one = profile_interval(fit, [C], level=0.9)[0]
    # beta_1 of the design with x and age shifted by their share of the nail column is the contrast
    changed = X.copy()
    changed[:, 2] += 0.7 * X[:, 1]
    changed[:, 3] -= 0.02 * X[:, 1]
    two = profile_interval(fit_firth(changed, y, names=NAMES), [[0, 1, 0, 0]], level=0.9)[0]
    assert (one.value, one.conf_low, one.conf_high, one.p_value, one.std_error) == pytest.approx(
        (two.value, two.conf_low, two.conf_high, two.p_value, two.std_error), rel=1e-6
    )


def test_profile_refuses_the_corrected_intercept():
    X, y, _ = cohort(4)
    fit = fit_firth(X, y, names=NAMES)
    assert [e.contrast for e in profile_interval(fit)] == NAMES[1:]
    with pytest.raises(EstimationError, match="corrected intercept"):
        profile_interval(fit, [[1, 0, 0, 0]])
    with pytest.raises(EstimationError, match="contrast of zeros"):
        profile_interval(fit, [[0, 0, 0, 0]])
    plain = profile_interval(fit_firth(X, y, names=NAMES, intercept_correction=False))
    assert [e.contrast for e in plain] == NAMES
    # the correction moves the intercept only
    assert [e.conf_low for e in profile_interval(fit)] == pytest.approx(
        [e.conf_low for e in plain[1:]], rel=1e-8
    )


def test_intercept_correction_is_maximum_likelihood_with_the_slopes_fixed():
    X, y, _ = cohort(5)
    plain = fit_firth(X, y, names=NAMES, intercept_correction=False)
    flic = fit_firth(X, y, names=NAMES)
    slopes = X[:, 1:] @ plain.coefficients[1:]
    other = sm.GLM(y, np.ones((len(y), 1)), family=sm.families.Binomial(), offset=slopes).fit(tol=1e-14)
    assert flic.coefficients[0] == pytest.approx(other.params[0], rel=1e-9)
    np.testing.assert_allclose(flic.coefficients[1:], plain.coefficients[1:], rtol=1e-12)
    assert flic.probabilities.mean() == pytest.approx(y.mean(), rel=1e-12)
    # the penalty alone pulls rare events towards one half
    assert plain.probabilities.mean() > y.mean()
    assert flic.model == "Firth logistic regression, intercept corrected"


def test_shift_far_from_the_start():
    eta = np.array([[-30.0, 0.0, 25.0], [5.0, 5.0, 5.0]])
    shift = shift_to_share(eta, np.array([[1.0, 2.0, 1.0], [1.0, 1.0, 0.0]]), np.array([0.001, 1.9]))
    p = 1 / (1 + np.exp(-(eta + shift[:, None])))
    assert p[0] @ [1, 2, 1] == pytest.approx(0.001, rel=1e-9)
    assert p[1, 0] * 2 == pytest.approx(1.9, rel=1e-12)


def test_weights_are_copies_and_columns_may_be_mixed():
    X, y, cluster = cohort(6)
    copies = np.random.default_rng(7).integers(0, 3, len(y))
    weighted = fit_firth(X, y, names=NAMES, clusters=cluster, weights=copies)
    copied = fit_firth(
        np.repeat(X, copies, axis=0), np.repeat(y, copies), names=NAMES, clusters=np.repeat(cluster, copies)
    )
    np.testing.assert_allclose(weighted.coefficients, copied.coefficients, rtol=1e-8)
    np.testing.assert_allclose(weighted.covariance, copied.covariance, rtol=1e-7)
    A = np.random.default_rng(8).normal(size=(4, 4)) + 3 * np.eye(4)
    plain = fit_firth(X, y, names=NAMES, intercept_correction=False)
    mixed = fit_firth(X @ A, y, names=NAMES, intercept_correction=False)
    np.testing.assert_allclose(A @ mixed.coefficients, plain.coefficients, rtol=1e-7)


def test_resamples_equal_single_fits():
    X, y, cluster = cohort(9)
    weights = cluster_resamples(cluster, 40, seed=1)
    together = fit_firth_resamples(X, y, weights, names=NAMES)
    assert together.n_failed == 0
    for w, beta in zip(weights, together.coefficients, strict=True):
        alone = fit_firth(X, y, names=NAMES, weights=w)
        np.testing.assert_allclose(beta, alone.coefficients, rtol=1e-5, atol=1e-6)
    again = fit_firth_resamples(X, y, weights, names=NAMES, intercept_correction=False)
    np.testing.assert_allclose(again.coefficients[:, 1:], together.coefficients[:, 1:], rtol=1e-12)
    assert together.tidy()["n"].tolist() == [40] * 4


def test_failed_resamples_are_counted_by_reason():
    X, y, _ = cohort(10)
    weights = np.ones((5, len(y)))
    weights[1, X[:, 1] == 1] = 0  # the nail column is lost
    weights[3, y == 1] = 0  # no events left
    found = fit_firth_resamples(X, y, weights, names=NAMES)
    assert np.isnan(found.coefficients[:, 0]).tolist() == [False, True, False, True, False]
    assert (found.n_rank_deficient, found.n_without_variation, found.n_not_converged) == (1, 1, 0)
    assert "5 resamples, 2 failed (1 lost a column" in str(found)
    # without the correction a resample without events still has an estimate
    assert fit_firth_resamples(X, y, weights, names=NAMES, intercept_correction=False).n_failed == 1


def test_refusals():
    X, y, _ = cohort(11)
    cases = [
        (lambda: fit_firth(X[:, 1:], y, names=NAMES[1:]), "no_intercept"),
        (lambda: fit_firth(X, y * 0, names=NAMES), "no_variation"),
        (lambda: fit_firth(X, y, names=NAMES, max_iter=1), "not_converged"),
        (lambda: fit_firth(np.column_stack([X, X[:, 1]]), y, names=[*NAMES, "again"]), "rank_deficient"),
        (lambda: fit_firth(X, y + 1, names=NAMES), "not_binary"),
        (lambda: fit_firth_resamples(X[:, 1:], y, np.ones((2, 120)), names=NAMES[1:]), "no_intercept"),
        (lambda: fit_firth_resamples(X, y, np.ones((2, 3)), names=NAMES), "bad_weights"),
        (lambda: fit_firth_resamples(X, y, np.zeros((2, 120)), names=NAMES), "bad_weights"),
    ]
    for call, code in cases:
        with pytest.raises(EstimationError) as caught:
            call()
        assert caught.value.code == code
    # no events at all: the penalised fit exists all the same
    assert np.isfinite(fit_firth(X, y * 0, names=NAMES, intercept_correction=False).coefficients).all()
