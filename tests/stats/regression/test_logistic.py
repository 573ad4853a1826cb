"""Logistic regression, separation and standardised risks."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from outcomes.errors import EstimationError
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.separation import find_separation
from outcomes.stats.regression.standardised import risk_contrasts, standardised_risk

NAMES = ["intercept", "arm", "x", "z"]


def cohort(
    seed: int = 1, n: int = 150, prevalence: float = -0.5
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.integers(0, 2, n), rng.normal(size=n), 40 + 10 * rng.normal(size=n)])
    cluster = rng.integers(0, 60, n)
    eta = prevalence + X @ [0, 0.8, -0.5, 0] + rng.normal(size=60)[cluster]
    return X, (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float), cluster


def table(a: int, b: int, c: int, d: int) -> tuple[np.ndarray, np.ndarray]:
    """Return design and outcome of a 2 x 2 table: a of a + b events without, c of c + d with."""
    arm = np.repeat([0.0, 1.0], [a + b, c + d])
    return np.column_stack([np.ones(len(arm)), arm]), np.repeat([1.0, 0.0, 1.0, 0.0], [a, b, c, d])


def test_two_by_two_by_hand():
    X, y = table(7, 13, 12, 9)
    fit = fit_logistic(X, y, names=["intercept", "arm"], covariance="classical")
    assert fit.coefficients[1] == pytest.approx(np.log(12 * 13 / (9 * 7)), rel=1e-13)
    assert fit.covariance[1, 1] == pytest.approx(1 / 7 + 1 / 13 + 1 / 12 + 1 / 9, rel=1e-12)
    np.testing.assert_allclose(fit.probabilities[[0, -1]], [7 / 20, 12 / 21], rtol=1e-13)
    by_hand = 7 * np.log(7 / 20) + 13 * np.log(13 / 20) + 12 * np.log(12 / 21) + 9 * np.log(9 / 21)
    assert fit.log_likelihood == pytest.approx(by_hand, rel=1e-13)
    # no small-sample theory without clusters: the plain normal interval, as R's and every textbook's
    e = linear_contrast(fit, [[0, 1]])[0]
    assert e.df is None
    assert e.method == "logistic regression, classical normal"
    assert e.p_value == pytest.approx(2 * stats.norm.sf(abs(e.value / e.std_error)), rel=1e-12)
    assert e.conf_high == pytest.approx(e.value + stats.norm.ppf(0.975) * e.std_error, rel=1e-12)


@pytest.mark.parametrize("prevalence", [-0.5, -3.0])
@pytest.mark.parametrize("covariance", ["classical", "HC0", "CR0", "CR1"])
def test_against_statsmodels(prevalence, covariance):
    X, y, cluster = cohort(2, 400, prevalence)
    fit = fit_logistic(
        X, y, names=NAMES, clusters=cluster if covariance.startswith("CR") else None, covariance=covariance
    )
    model = sm.GLM(y, X, family=sm.families.Binomial())
    options = {"tol": 1e-14, "maxiter": 100}
    if covariance == "classical":
        other = model.fit(**options)
    elif covariance == "HC0":
        other = model.fit(cov_type="HC0", **options)
    else:
        kwds = {"groups": cluster, "use_correction": covariance == "CR1"}
        other = model.fit(cov_type="cluster", cov_kwds=kwds, **options)
    np.testing.assert_allclose(fit.coefficients, other.params, rtol=1e-9)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-7, atol=1e-12)
    assert fit.log_likelihood == pytest.approx(other.llf, rel=1e-12)
    assert fit.converged
    assert fit.n_events == y.sum()


def test_score_is_zero_at_the_estimate():
    X, y, _ = cohort(3)
    fit = fit_logistic(X, y, names=NAMES)
    assert np.abs(X.T @ (y - fit.probabilities)).max() < 1e-9
    np.testing.assert_allclose(fit.residuals, y - fit.probabilities)


def test_invariances():
    X, y, cluster = cohort(4)
    A = np.random.default_rng(5).normal(size=(4, 4)) + 3 * np.eye(4)
    C = np.array([[0, 1, 0, 0], [1, 0.5, 0, 40.0]])
    plain = linear_contrast(fit_logistic(X, y, names=NAMES, clusters=cluster), C)
    mixed = linear_contrast(fit_logistic(X @ A, y, names=NAMES, clusters=cluster), C @ A)
    flipped = linear_contrast(fit_logistic(X, 1 - y, names=NAMES, clusters=cluster), C)
    for a, b, c in zip(plain, mixed, flipped, strict=True):
        assert (a.value, a.std_error, a.df) == pytest.approx((b.value, b.std_error, b.df), rel=1e-7)
        assert (a.value, a.std_error, a.df) == pytest.approx((-c.value, c.std_error, c.df), rel=1e-7)


def test_weights_are_copies():
    X, y, cluster = cohort(6)
    copies = np.random.default_rng(7).integers(0, 4, len(y))
    weighted = fit_logistic(X, y, names=NAMES, clusters=cluster, weights=copies)
    copied = fit_logistic(
        np.repeat(X, copies, axis=0), np.repeat(y, copies), names=NAMES, clusters=np.repeat(cluster, copies)
    )
    np.testing.assert_allclose(weighted.coefficients, copied.coefficients, rtol=1e-9)
    np.testing.assert_allclose(weighted.covariance, copied.covariance, rtol=1e-8)
    assert len(weighted.probabilities) == len(y)


def konis(X: np.ndarray, y: np.ndarray) -> bool:
    """Return separation by Konis's own bounded programme, as an independent formulation."""
    z = (2 * y - 1)[:, None] * X
    r = optimize.linprog(-z.sum(axis=0), A_ub=-z, b_ub=np.zeros(len(z)), bounds=[(-1, 1)] * X.shape[1])
    return bool(-r.fun > 1e-7)


@settings(max_examples=120, deadline=None, derandomize=True)
@given(st.integers(0, 100_000), st.integers(4, 25), st.integers(1, 4), st.floats(0.05, 0.5))
def test_separation_by_two_programmes(seed, n, p, share):
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.integers(-1, 2, size=(n, p))]).astype(float)
    y = (rng.random(n) < share).astype(float)
    found = find_separation(X, y, [f"c{j}" for j in range(p + 1)])
    assert (found.kind != "none") == konis(X, y)
    assert bool(found.columns) == (found.kind != "none")


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(-5, 5), st.booleans()), min_size=3, max_size=20))
def test_separation_on_one_line_by_hand(points):
    x = np.array([float(a) for a, _ in points])
    y = np.array([float(b) for _, b in points])
    if np.ptp(x) == 0:
        return
    found = find_separation(np.column_stack([np.ones(len(x)), x]), y, ["intercept", "x"])
    if np.ptp(y) == 0:
        assert (found.kind, found.columns) == ("complete", ("intercept",))
        return
    for low, high in ((x[y == 0], x[y == 1]), (x[y == 1], x[y == 0])):
        if low.max() < high.min():
            assert (found.kind, found.columns) == ("complete", ("x",))
            return
        if low.max() == high.min():
            assert (found.kind, found.columns) == ("quasi-complete", ("x",))
            return
    assert found.kind == "none"


def test_empty_cells_are_named_alone():
    rng = np.random.default_rng(8)
    k, x = rng.integers(0, 4, 400), rng.normal(size=400)
    y = (rng.random(400) < 0.3).astype(float)
    y[k == 2] = 0
    X = np.column_stack([np.ones(400), k == 1, k == 2, k == 3, x]).astype(float)
    found = find_separation(X, y, ["intercept", "plate", "nail", "wires", "age"])
    assert (found.kind, found.columns, found.n_separated) == (
        "quasi-complete",
        ("nail",),
        int((k == 2).sum()),
    )
    assert str(found) == f"quasi-complete separation by nail ({found.n_separated} of 400 rows)"
    with pytest.raises(EstimationError, match="quasi-complete separation by nail") as caught:
        fit_logistic(X, y, names=["intercept", "plate", "nail", "wires", "age"])
    assert caught.value.code == "separation"


def test_nearly_separated_is_not_separated():
    # a single row on the wrong side makes the estimate finite, however large
    x = np.concatenate([np.linspace(-9, -0.001, 200), np.linspace(0.001, 9, 200)])
    y = (x > 0).astype(float)
    X = np.column_stack([np.ones(400), x])
    assert find_separation(X, y, ["intercept", "x"]).kind == "complete"
    y[199] = 1.0
    y[198] = 0.0
    y[201] = 0.0
    assert find_separation(X, y, ["intercept", "x"]).kind == "none"
    fit = fit_logistic(X, y, names=["intercept", "x"])
    assert fit.coefficients[1] > 20
    assert np.isfinite(fit.covariance).all()


def test_refusals():
    X, y, _ = cohort(9)
    with pytest.raises(EstimationError, match="did not converge in 2 steps") as caught:
        fit_logistic(X, y, names=NAMES, max_iter=2)
    assert caught.value.code == "not_converged"
    with pytest.raises(EstimationError, match="0 events in 150 rows; complete separation by intercept"):
        fit_logistic(X, np.zeros(150), names=NAMES)
    with pytest.raises(EstimationError, match="3 outcome values are neither 0 nor 1"):
        fit_logistic(X, np.where(np.arange(150) < 3, 2.0, y), names=NAMES)
    with pytest.raises(EstimationError, match="twice is a combination of arm"):
        fit_logistic(np.column_stack([X, 2 * X[:, 1]]), y, names=[*NAMES, "twice"])
    with pytest.raises(EstimationError, match="1 cluster"):
        fit_logistic(X, y, names=NAMES, clusters=["a"] * 150)


def test_risk_difference_of_a_two_by_two_by_hand():
    X, y = table(7, 13, 12, 9)
    fit = fit_logistic(X, y, names=["intercept", "arm"])
    s = standardised_risk(fit, [[[1, 0]], [[1, 1]]], labels=["without", "with"])
    e = risk_contrasts(fit, s, [[-1, 1]], sampled=False, labels=["with minus without"])[0]
    p0, p1 = 7 / 20, 12 / 21
    assert e.value == pytest.approx(100 * (p1 - p0), rel=1e-12)
    # HC2 of a saturated model is the unbiased variance p (1 - p) / (n - 1); df as Welch's with the p known
    assert e.std_error**2 == pytest.approx(1e4 * (p0 * (1 - p0) / 19 + p1 * (1 - p1) / 20), rel=1e-10)
    v0, v1 = p0 * (1 - p0) / 20, p1 * (1 - p1) / 21
    assert e.df == pytest.approx((v0 + v1) ** 2 / (v0**2 / 19 + v1**2 / 20), rel=1e-9)
    assert e.unit == "percentage points"
    assert e.method == "standardised risks, logistic regression, HC2 robust, Satterthwaite t"


def test_standardised_risk_of_a_saturated_model_by_hand():
    # two strata: the marginal risk is the stratum risk weighted by the stratum sizes
    cells = [(3, 5), (6, 4), (2, 10), (5, 5)]  # events, none: stratum 0 arm 0, 0/1, 1/0, 1/1
    arm = np.repeat([0.0, 1.0, 0.0, 1.0], [sum(c) for c in cells])
    stratum = np.repeat([0.0, 0.0, 1.0, 1.0], [sum(c) for c in cells])
    y = np.concatenate([np.repeat([1.0, 0.0], c) for c in cells])

    def design(a: np.ndarray) -> np.ndarray:
        return np.column_stack([np.ones(len(y)), a, stratum, a * stratum])

    fit = fit_logistic(design(arm), y, names=["i", "a", "s", "as"])
    s = standardised_risk(fit, [design(0 * y), design(0 * y + 1)])
    n0, n1 = 18, 22
    expected = [(n0 * 3 / 8 + n1 * 2 / 12) / 40, (n0 * 6 / 10 + n1 * 5 / 10) / 40]
    np.testing.assert_allclose(s.risks, expected, rtol=1e-12)
    own = np.where(stratum == 0, 6 / 10 - 3 / 8, 5 / 10 - 2 / 12)
    fixed, sampled = (risk_contrasts(fit, s, [-1, 1], sampled=flag)[0] for flag in (False, True))
    assert sampled.std_error**2 - fixed.std_error**2 == pytest.approx(1e4 * own.var(ddof=1) / 40, rel=1e-9)
    weighted = standardised_risk(fit, [design(0 * y)], weights=(stratum == 1) * 2.0)
    np.testing.assert_allclose(weighted.risks, [2 / 12], rtol=1e-12)


def test_gradient_against_differences():
    X, y, cluster = cohort(10)
    fit = fit_logistic(X, y, names=NAMES, clusters=cluster)
    with_arm = X.copy()
    with_arm[:, 1] = 1
    s = standardised_risk(fit, [with_arm, X[:70]], labels=["all in arm 1", "first 70"])
    for j in range(4):
        h = 1e-6 * np.eye(4)[j]
        for k, D in enumerate((with_arm, X[:70])):
            up, down = (np.mean(1 / (1 + np.exp(-(D @ (fit.coefficients + sign * h))))) for sign in (1, -1))
            assert s.gradient[k, j] == pytest.approx((up - down) / 2e-6, rel=1e-5, abs=1e-8)
    assert s.n == (150, 70)
    assert "first 70" in str(s)
    with pytest.raises(EstimationError, match="different numbers of cases"):
        risk_contrasts(fit, s, [[1, -1]])
    with pytest.raises(EstimationError, match="shape"):
        risk_contrasts(fit, s, [[1, -1, 0]])
    with pytest.raises(EstimationError, match="shape"):
        standardised_risk(fit, [X[:, :3]])


def test_simulated_risk_difference_covers():
    """Seeded: 400 cohorts of 150 rows with clusters; the 95 % interval covers within three Monte Carlo errors."""
    rng = np.random.default_rng(11)
    x = rng.normal(size=200_000)

    def risk(a: float, x: np.ndarray) -> np.ndarray:
        return 1 / (1 + np.exp(-(-0.5 + 0.8 * a - 0.5 * x)))

    truth = 100 * float(np.mean(risk(1, x) - risk(0, x)))
    covered = 0
    for _ in range(400):
        x = rng.normal(size=150)
        a = (rng.random(150) < 0.5).astype(float)
        y = (rng.random(150) < risk(a, x)).astype(float)
        X = np.column_stack([np.ones(150), a, x])
        fit = fit_logistic(X, y, names=["i", "a", "x"])
        both = [np.column_stack([np.ones(150), np.full(150, v), x]) for v in (0.0, 1.0)]
        e = risk_contrasts(fit, standardised_risk(fit, both), [[-1, 1]])[0]
        covered += e.conf_low <= truth <= e.conf_high
    assert 367 <= covered <= 393
