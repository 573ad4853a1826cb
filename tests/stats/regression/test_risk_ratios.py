"""Modified Poisson regression and marginal contrasts."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import EstimationError
from outcomes.stats.proportions.risks import risk_ratio
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.delta import delta_estimates
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.marginal import marginal_contrast
from outcomes.stats.regression.poisson import _newton, fit_poisson

NAMES = ["one", "arm", "x"]


def cohort(seed: int, n: int = 80) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.integers(0, 2, n), rng.normal(size=n)])
    cluster = rng.integers(0, 30, n)
    y = (rng.random(n) < np.minimum(np.exp(-1.2 + 0.4 * X[:, 1] + 0.2 * X[:, 2]), 0.9)).astype(float)
    return X, y, cluster


def table(e1: int, n1: int, e0: int, n0: int) -> tuple[np.ndarray, np.ndarray]:
    arm = np.repeat([1.0, 0.0], [n1, n0])
    return np.column_stack([np.ones(n1 + n0), arm]), np.repeat(
        [1.0, 0.0, 1.0, 0.0], [e1, n1 - e1, e0, n0 - e0]
    )


@given(st.integers(1, 9), st.integers(1, 9), st.integers(0, 5), st.integers(0, 5))
@settings(max_examples=40, deadline=None)
def test_a_two_by_two_table_is_katz(e1: int, e0: int, more1: int, more0: int) -> None:
    X, y = table(e1, e1 + more1 + 1, e0, e0 + more0 + 1)
    fit = fit_poisson(X, y, names=NAMES[:2], covariance="HC0")
    katz = risk_ratio(e1, e1 + more1 + 1, e0, e0 + more0 + 1)
    assert np.exp(fit.coefficients[1]) == pytest.approx(katz.value, rel=1e-10)
    assert fit.covariance[1, 1] ** 0.5 == pytest.approx(katz.std_error, rel=1e-10)
    low, high = (linear_contrast(fit, [0, 1])[0].conf_low, linear_contrast(fit, [0, 1])[0].conf_high)
    assert np.exp([low, high]) == pytest.approx([katz.conf_low, katz.conf_high], rel=1e-9)


def test_against_statsmodels() -> None:
    X, y, cluster = cohort(3, 200)
    model = sm.GLM(y, X, family=sm.families.Poisson())
    reference = model.fit(tol=1e-14, maxiter=100, cov_type="HC0")
    fit = fit_poisson(X, y, names=NAMES, covariance="HC0")
    np.testing.assert_allclose(fit.coefficients, reference.params, rtol=1e-9)
    np.testing.assert_allclose(fit.covariance, reference.cov_params(), rtol=1e-7)
    grouped = model.fit(
        tol=1e-14, maxiter=100, cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False}
    )
    fit = fit_poisson(X, y, names=NAMES, clusters=cluster, covariance="CR0")
    np.testing.assert_allclose(fit.covariance, grouped.cov_params(), rtol=1e-7)
    assert fit.model == "modified Poisson regression"


def test_counts_with_time_at_risk_by_hand() -> None:
    # 4 events in 10 years and 9 in 15: the rate ratio is 1.5, its log has variance 1/4 + 1/9
    X = np.array([[1.0, 0], [1, 0], [1, 1], [1, 1]])
    fit = fit_poisson(
        X, [1, 3, 4, 5], names=NAMES[:2], offset=np.log([4.0, 6, 5, 10]), covariance="classical"
    )
    assert fit.coefficients[1] == pytest.approx(np.log(1.5), rel=1e-12)
    assert fit.covariance[1, 1] == pytest.approx(1 / 4 + 1 / 9, rel=1e-12)
    assert not fit.binary
    assert fit.fitted == pytest.approx([1.6, 2.4, 3.0, 6.0], rel=1e-12)
    assert fit.residuals.sum() == pytest.approx(0.0, abs=1e-12)
    # time at risk makes a rate of it even when nobody had two events
    rate = fit_poisson(
        X, [0, 1, 1, 1], names=NAMES[:2], offset=np.log([4.0, 6, 5, 10]), covariance="classical"
    )
    assert rate.model == "Poisson regression"
    assert rate.covariance[1, 1] == pytest.approx(1 + 1 / 2, rel=1e-12)


def test_weights_are_copies_and_rows_may_be_moved() -> None:
    X, y, cluster = cohort(4)
    w = np.random.default_rng(1).integers(0, 4, len(y))
    weighted = fit_poisson(X, y, names=NAMES, clusters=cluster, weights=w, covariance="CR0")
    copied = fit_poisson(
        np.repeat(X, w, axis=0),
        np.repeat(y, w),
        names=NAMES,
        clusters=np.repeat(cluster, w),
        covariance="CR0",
    )
    np.testing.assert_allclose(weighted.coefficients, copied.coefficients, rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(weighted.covariance, copied.covariance, rtol=1e-9)
    order = np.random.default_rng(2).permutation(len(y))
    moved = fit_poisson(X[order], y[order], names=NAMES, clusters=cluster[order])
    np.testing.assert_allclose(
        moved.covariance, fit_poisson(X, y, names=NAMES, clusters=cluster).covariance, rtol=1e-10
    )


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (lambda X, y: (X, np.zeros(len(y))), "separation", "0 rows with an event of 80.* one"),
        (lambda X, y: (X, np.where(X[:, 1] == 1, 0.0, y)), "separation", "told apart by arm"),
        (lambda X, y: (X, y - 2), "negative_count", "below 0"),
        (lambda X, y: (np.column_stack([X[:, :2], 2 * X[:, 1]]), y), "rank_deficient", "x is a combination"),
        (lambda X, y: (X, np.where(y == 1, np.nan, y)), "not_finite", "missing"),
    ],
)
def test_refusals(change, code, words) -> None:
    X, y, _ = cohort(5)
    X, y = change(X, y)
    with pytest.raises(EstimationError, match=words) as caught:
        fit_poisson(X, y, names=NAMES)
    assert caught.value.code == code


def test_other_refusals_and_edges() -> None:
    X, y, _ = cohort(5)
    with pytest.raises(EstimationError, match="too large"):
        fit_poisson(X, y, names=NAMES, covariance="classical")
    with pytest.raises(EstimationError, match="did not converge in 1 steps"):
        fit_poisson(X, y, names=NAMES, max_iter=1)
    # every row an event: the risks are 1, and nothing is left to judge them by
    everything = linear_contrast(fit_poisson(X, np.ones(80), names=NAMES), [0, 1, 0])[0]
    assert everything.std_error is None
    assert everything.reason
    # events in every row of one group are no separation on this scale
    assert fit_poisson(X, np.where(X[:, 1] == 1, 1.0, y), names=NAMES).n_events > 40


def test_fitted_risks_above_one_are_counted() -> None:
    x = np.arange(10.0)
    y = (x >= 3).astype(float)
    fit = fit_poisson(np.column_stack([np.ones(10), x]), y, names=["one", "x"])
    assert fit.n_above_one == int((fit.fitted > 1).sum()) > 0
    assert f"{fit.n_above_one} fitted risks above 1" in str(fit)


def test_marginal_contrasts_by_hand_and_by_swap() -> None:
    X, y = table(12, 21, 7, 20)
    on, off = X.copy(), X.copy()
    on[:, 1], off[:, 1] = 1.0, 0.0
    p1, p0 = 12 / 21, 7 / 20
    variance = p1 * (1 - p1) / 21 + p0 * (1 - p0) / 20
    for fit, link in (
        (fit_logistic(X, y, names=NAMES[:2], covariance="classical"), "logit"),
        (fit_poisson(X, y, names=NAMES[:2], covariance="HC0"), "log"),
        (fit_linear(X, y, names=NAMES[:2], covariance="HC0"), "identity"),
    ):
        factor = 100 if link == "logit" else 1
        e = marginal_contrast(fit, on, off, link=link, sampled=False)
        assert e.value == pytest.approx(factor * (p1 - p0), rel=1e-10)
        assert e.std_error == pytest.approx(factor * variance**0.5, rel=1e-9)
        r = marginal_contrast(fit, on, off, link=link, scale="ratio", sampled=False)
        back = marginal_contrast(fit, off, on, link=link, scale="ratio", sampled=False)
        assert r.value == pytest.approx(p1 / p0, rel=1e-10)
        assert r.std_error == pytest.approx((1 / 12 - 1 / 21 + 1 / 7 - 1 / 20) ** 0.5, rel=1e-9)
        assert [1 / back.conf_high, 1 / back.conf_low] == pytest.approx([r.conf_low, r.conf_high], rel=1e-10)
        assert r.p_value == pytest.approx(back.p_value, rel=1e-10)
        assert r.unit == "ratio"


def test_sampled_cases_add_the_variance_of_their_own_contrasts() -> None:
    X, y, _ = cohort(7)
    fit = fit_logistic(X, y, names=NAMES, covariance="CR2")
    on, off = X.copy(), X.copy()
    on[:, 1], off[:, 1] = 1.0, 0.0
    fixed = marginal_contrast(fit, on, off, link="logit", scale="ratio", sampled=False)
    sampled = marginal_contrast(fit, on, off, link="logit", scale="ratio")
    risk = [1 / (1 + np.exp(-block @ fit.coefficients)) for block in (on, off)]
    own = risk[0] / risk[0].mean() - risk[1] / risk[1].mean()
    extra = own.var(ddof=1) / len(own)
    assert sampled.std_error**2 - fixed.std_error**2 == pytest.approx(extra, rel=1e-8)
    joined = (fixed.std_error**2 + extra) ** 2 / (fixed.std_error**4 / fixed.df + extra**2 / 79)
    assert sampled.df == pytest.approx(joined, rel=1e-8)


def test_marginal_refusals() -> None:
    X, y, _ = cohort(7)
    fit = fit_linear(X, y - 5, names=NAMES)
    with pytest.raises(EstimationError, match="two means above 0"):
        marginal_contrast(fit, X, X, link="identity", scale="ratio")
    with pytest.raises(EstimationError, match="same shape"):
        marginal_contrast(fit, X, X[1:], link="identity")
    with pytest.raises(EstimationError, match="'logit', 'log'"):
        marginal_contrast(fit, X, X, link="probit")


def test_estimates_without_spread_or_freedom_or_size() -> None:
    values = delta_estimates([1.0, 1.0, 2.0], [0.0, 0.5, 0.5], [5.0, np.nan, 5.0], size=1.0)
    assert [e.conf_low is None for e in values] == [True, True, False]
    assert values[1].std_error == 0.5
    assert all(e.reason for e in values[:2])
    assert not values[2].reason
    far, wide = delta_estimates([800.0, 1.0], [1.0, 900.0], ratio=True)
    assert not far.estimable
    assert wide.conf_high is None
    assert "too large" in wide.reason
    tiny = delta_estimates([1e4], [1.0])[0]
    assert tiny.p_value is not None
    assert tiny.p_value > 0


def test_a_fitted_risk_of_one_is_not_above_one() -> None:
    X, y = table(9, 9, 3, 9)
    fit = fit_poisson(X, y, names=["one", "arm"])
    np.testing.assert_allclose(fit.fitted[:9], 1.0, rtol=1e-9)
    assert fit.n_above_one == 0
    assert (fit.n_events, fit.n, fit.binary) == (12, 18, True)
    # counts have no such limit
    assert fit_poisson(X, 2 * y, names=["one", "arm"]).n_above_one == 0


def test_rows_without_an_event_are_told_apart_on_either_side() -> None:
    x = np.array([1.0, 2, 3, 4, 5, 6])
    for sign in (1.0, -1.0):
        X = np.column_stack([np.ones(6), sign * np.maximum(x - 3, 0)])
        with pytest.raises(EstimationError, match="told apart by x") as caught:
            fit_poisson(X, [1.0, 1, 0, 0, 0, 0], names=["one", "x"])
        assert caught.value.code == "separation"
        fine = fit_poisson(X, [1.0, 1, 0, 0, 1, 0], names=["one", "x"])
        assert np.isfinite(fine.coefficients).all()


def test_a_search_that_cannot_go_on_has_not_converged() -> None:
    # the second column repeats the first: no step can be solved for
    y, w = np.array([1.0, 0, 2, 1]), np.ones(4)
    assert _newton(np.ones((4, 2)), y, w, np.zeros(4), 50)[3] is False
    beta, best, steps, converged = _newton(np.ones((4, 1)), y, w, np.zeros(4), 50)
    assert converged
    assert beta == pytest.approx(0.0, abs=1e-12)
    assert best == pytest.approx(-4.0, rel=1e-14)
    assert steps <= 10
    assert _newton(np.ones((4, 1)), y, w, np.zeros(4), 1)[2:] == (1, False)
