"""Linear mixed models: by hand in balanced data, against statsmodels, at the boundary."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize

from outcomes.errors import EstimationError
from outcomes.stats.groups.anova import one_way_anova
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.repeated.mixed import fit_mixed, mixed_contrast
from outcomes.stats.repeated.mixed_likelihood import _chain, derivatives, subject_blocks

NAMES = ["one", "arm", "time", "cross"]


def cohort(
    seed: int = 1, subjects: int = 14, spread: float = 3.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    subject, time = np.repeat(np.arange(subjects), 4), np.tile([0.0, 3.0, 6.0, 12.0], subjects)
    arm = (subject % 2).astype(float)
    y = 30 + 0.5 * time + 0.3 * arm * time + spread * rng.normal(size=subjects)[subject]
    y = y + 0.1 * spread * rng.normal(size=subjects)[subject] * time + 2 * rng.normal(size=len(time))
    X = np.column_stack([np.ones(len(time)), arm, time, arm * time])
    kept = rng.random(len(time)) > 0.1
    return X[kept], y[kept], subject[kept]


def dense_criterion(
    X: np.ndarray,
    y: np.ndarray,
    Z: np.ndarray,
    subject: np.ndarray,
    G: np.ndarray,
    s2: float,
    restricted: bool,
) -> float:
    """Minus twice the (restricted) log likelihood from the n x n covariance."""
    V = (Z @ G @ Z.T) * (subject[:, None] == subject) + s2 * np.eye(len(y))
    W = np.linalg.inv(V)
    b = np.linalg.solve(X.T @ W @ X, X.T @ W @ y)
    n = len(y) - X.shape[1] * restricted
    value = np.linalg.slogdet(V)[1] + (y - X @ b) @ W @ (y - X @ b) + n * np.log(2 * np.pi)
    return float(value + restricted * np.linalg.slogdet(X.T @ W @ X)[1])


def test_balanced_one_way_layout_is_the_analysis_of_variance() -> None:
    # Searle, Casella and McCulloch, Variance Components (1992), chapter 3: REML = mean squares when balanced
    rng = np.random.default_rng(2)
    groups = [rng.normal(loc, 1.0, 5) for loc in (0.0, 2.0, 4.0, 5.0, 9.0, 7.0)]
    within = np.mean([g.var(ddof=1) for g in groups])
    between = 5 * np.var([g.mean() for g in groups], ddof=1)
    fit = fit_mixed(np.ones((30, 1)), np.concatenate(groups), names=["mean"], subjects=np.repeat(range(6), 5))
    assert fit.residual_sd**2 == pytest.approx(within, rel=1e-9)
    assert fit.random_covariance[0, 0] == pytest.approx((between - within) / 5, rel=1e-9)
    assert fit.covariance[0, 0] == pytest.approx(between / 30, rel=1e-9)
    assert one_way_anova(groups).f == pytest.approx(between / within, rel=1e-12)
    e = mixed_contrast(fit, [1.0])[0]
    assert e.df == pytest.approx(5.0, rel=1e-7)
    assert mixed_contrast(fit, [1.0], freedom="Kenward-Roger")[0].df == pytest.approx(5.0, rel=1e-7)
    assert fit.correlation == pytest.approx((between - within) / (between + 4 * within), rel=1e-9)
    assert not fit.singular


@pytest.mark.parametrize("slope", [False, True])
@pytest.mark.parametrize("method", ["REML", "ML"])
def test_the_maximum_of_the_likelihood_by_its_definition(slope: bool, method: str) -> None:
    X, y, subject = cohort(3)
    fit = fit_mixed(X, y, names=NAMES, subjects=subject, slope=X[:, 2] if slope else None, method=method)
    Z = X[:, [0, 2]] if slope else X[:, :1]
    G, s2 = fit.random_covariance, fit.residual_sd**2
    restricted = method == "REML"
    assert fit.criterion == pytest.approx(dense_criterion(X, y, Z, subject, G, s2, restricted), rel=1e-10)
    assert fit.log_likelihood == pytest.approx(-fit.criterion / 2)

    def moved(step: np.ndarray) -> float:
        lower = np.linalg.cholesky(G) * (1 + step[:-1].reshape(G.shape) if slope else 1 + step[0])
        return dense_criterion(X, y, Z, subject, lower @ lower.T, s2 * (1 + step[-1]), restricted)

    size = G.size + 1
    gradient = optimize.approx_fprime(np.zeros(size), moved, 1e-5)
    assert np.abs(gradient).max() < 1e-3
    for seed in range(20):
        step = 0.05 * np.random.default_rng(seed).normal(size=size)
        assert moved(step) > fit.criterion
    V = (Z @ G @ Z.T) * (subject[:, None] == subject) + s2 * np.eye(len(y))
    np.testing.assert_allclose(fit.covariance, np.linalg.inv(X.T @ np.linalg.solve(V, X)), rtol=1e-8)


def test_derivatives_against_differences() -> None:
    X, y, subject = cohort(4)
    q, _ = np.linalg.qr(X)
    blocks = subject_blocks(q, y - y.mean(), np.column_stack([np.ones(len(y)), X[:, 2] / 6]), subject)
    at = np.array([3.0, 0.4, 1.2, 4.0])

    def value(v: np.ndarray, restricted: bool) -> float:
        return derivatives(
            blocks, np.array([[v[0], v[1]], [v[1], v[2]]]), v[3], restricted=restricted
        ).criterion

    for restricted in (True, False):
        exact = derivatives(blocks, np.array([[3.0, 0.4], [0.4, 1.2]]), 4.0, restricted=restricted)
        for i in range(4):
            step = 1e-4 * np.eye(4)[i]
            slope = (value(at + step, restricted) - value(at - step, restricted)) / 2e-4
            assert exact.slopes[i] == pytest.approx(slope, abs=1e-6)
            up, down = (
                derivatives(
                    blocks, np.array([[v[0], v[1]], [v[1], v[2]]]), v[3], restricted=restricted
                ).slopes
                for v in (at + step, at - step)
            )
            np.testing.assert_allclose(exact.hessian[i], (up - down) / 2e-4, atol=1e-6)


def test_against_statsmodels_as_far_as_it_goes() -> None:
    X, y, subject = cohort(5, subjects=30)
    fit = fit_mixed(X, y, names=NAMES, subjects=subject, slope=X[:, 2])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = sm.MixedLM(y, X, subject, exog_re=X[:, [0, 2]]).fit(reml=True)
    np.testing.assert_allclose(fit.coefficients, reference.fe_params, rtol=1e-4)
    np.testing.assert_allclose(fit.random_covariance, reference.cov_re, rtol=1e-4)
    # its errors come from another Hessian, 0.4 % away here; that ours are (X'WX)^-1 is tested above and against lme4
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), reference.bse_fe, rtol=1e-2)
    assert fit.log_likelihood >= reference.llf


def test_units_origin_order_and_names_change_nothing_else() -> None:
    X, y, subject = cohort(6)
    base = fit_mixed(X, y, names=NAMES, subjects=subject, slope=X[:, 2])
    order = np.random.default_rng(1).permutation(len(y))
    text = np.array([f"p{s}" for s in subject])
    moved = fit_mixed(X[order], 1000 * y[order] + 5e6, names=NAMES, subjects=text[order], slope=X[order, 2])
    np.testing.assert_allclose(moved.coefficients[1:], 1000 * base.coefficients[1:], rtol=1e-6)
    np.testing.assert_allclose(moved.random_covariance, 1e6 * base.random_covariance, rtol=1e-5)
    # times counted from another day: the slope variance stays, the correlation of the fit does not change the fit
    later = fit_mixed(X, y, names=NAMES, subjects=subject, slope=X[:, 2] + 2000)
    assert later.criterion == pytest.approx(base.criterion, rel=1e-10)
    assert later.random_covariance[1, 1] == pytest.approx(base.random_covariance[1, 1], rel=1e-6)
    moved_back = np.array([[1.0, 2000.0], [0.0, 1.0]])
    np.testing.assert_allclose(
        moved_back @ later.random_covariance @ moved_back.T, base.random_covariance, rtol=1e-3
    )
    dfs = [mixed_contrast(f, np.eye(4)[3])[0].df for f in (base, moved, later)]
    assert dfs == pytest.approx([dfs[0]] * 3, rel=1e-5)


def test_swapped_arms_flip_the_sign() -> None:
    X, y, subject = cohort(7)
    Z = X.copy()
    Z[:, 1] = 1 - X[:, 1]
    Z[:, 3] = Z[:, 1] * Z[:, 2]
    one = mixed_contrast(fit_mixed(X, y, names=NAMES, subjects=subject), np.eye(4)[3])[0]
    two = mixed_contrast(fit_mixed(Z, y, names=NAMES, subjects=subject), np.eye(4)[3])[0]
    assert (two.value, two.std_error, two.df) == pytest.approx((-one.value, one.std_error, one.df), rel=1e-8)
    assert (two.conf_low, two.conf_high) == pytest.approx((-one.conf_high, -one.conf_low), rel=1e-8)


def test_no_variation_between_subjects_is_least_squares_and_said() -> None:
    for seed in range(3, 40):
        X, y, subject = cohort(seed, spread=0.0)
        fit = fit_mixed(X, y, names=NAMES, subjects=subject)
        if fit.singular:
            break
    assert fit.random_covariance[0, 0] == pytest.approx(0.0, abs=1e-12)
    assert fit.correlation == pytest.approx(0.0, abs=1e-12)
    plain = fit_linear(X, y, names=NAMES, covariance="classical")
    np.testing.assert_allclose(fit.coefficients, plain.coefficients, rtol=1e-9)
    np.testing.assert_allclose(fit.covariance, plain.covariance, rtol=1e-8)
    e = mixed_contrast(fit, np.eye(4)[3])[0]
    assert e.df == pytest.approx(len(y) - 4, rel=1e-6)
    assert "singular fit" in e.method
    assert "singular fit" in str(fit)


def test_a_slope_without_variance_is_said_to_be_singular() -> None:
    rng = np.random.default_rng(9)
    found = []
    for _ in range(12):
        X, y, subject = cohort(int(rng.integers(1000)), spread=0.0)
        fit = fit_mixed(X, y + 2 * rng.normal(size=20)[subject], names=NAMES, subjects=subject, slope=X[:, 2])
        G = fit.random_covariance
        found.append(fit.singular)
        if fit.singular:
            assert np.linalg.eigvalsh(G / np.sqrt(np.outer(np.diag(G) + 1e-9, np.diag(G) + 1e-9)))[0] < 1e-3
        assert all(e.df is not None and np.isfinite(e.df) for e in mixed_contrast(fit, np.eye(4)))
    assert any(found)


def test_kenward_roger_enlarges_the_error_when_visits_are_missing() -> None:
    X, y, subject = cohort(10, subjects=8)
    fit = fit_mixed(X, y, names=NAMES, subjects=subject)
    plain, larger = (
        mixed_contrast(fit, np.eye(4)[1], freedom=f)[0] for f in ("Satterthwaite", "Kenward-Roger")
    )
    assert larger.value == plain.value
    assert larger.std_error > plain.std_error
    assert larger.method.endswith("Kenward-Roger t")


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        ({"subjects": range(200)}, "too_few_rows", "one row a patient|random effects"),
        ({"subjects": [1] * 200}, "too_few_rows", "1 subjects"),
        ({"slope": "arm"}, "no_variation", "does not vary within any subject"),
        ({"y": "exact"}, "no_variation", "no spread"),
        ({"method": "MM"}, "bad_choice", "'REML', 'ML'"),
        ({"X": "twice"}, "rank_deficient", "cross is a combination of time"),
        ({"y": "missing"}, "not_finite", "1 missing"),
    ],
)
def test_refusals(change, code, words) -> None:
    X, y, subject = cohort(11)
    n = len(y)
    options = {"names": NAMES, "subjects": subject}
    if "subjects" in change:
        options["subjects"] = list(change["subjects"])[:n]
    if change.get("slope"):
        options["slope"] = X[:, 1]
    if change.get("y"):
        y = X @ [1.0, 2, 3, 4] if change["y"] == "exact" else np.r_[np.nan, y[1:]]
    if change.get("X"):
        X = np.column_stack([X[:, :3], 2 * X[:, 2]])
    if "method" in change:
        options["method"] = "MM"
    with pytest.raises(EstimationError, match=words) as caught:
        fit_mixed(X, y, **options)
    assert caught.value.code == code


def test_two_visits_cannot_hold_a_random_slope() -> None:
    X = np.column_stack([np.ones(20), np.tile([0.0, 1.0], 10)])
    with pytest.raises(EstimationError, match="drop the random slope"):
        fit_mixed(X, np.arange(20.0) % 7, names=["a", "b"], subjects=np.repeat(range(10), 2), slope=X[:, 1])


def test_contrast_refusals() -> None:
    X, y, subject = cohort(12)
    fit = fit_mixed(X, y, names=NAMES, subjects=subject, method="ML")
    with pytest.raises(EstimationError, match="needs method='REML'"):
        mixed_contrast(fit, np.eye(4), freedom="Kenward-Roger")
    with pytest.raises(EstimationError, match="one, arm, time, cross"):
        mixed_contrast(fit, [[1, 0]])
    table = fit.tidy()
    assert list(table["contrast"]) == NAMES
    assert (table["df"] > 0).all()
    assert mixed_contrast(fit, np.zeros(4))[0].reason


def test_one_row_more_than_subjects_and_than_coefficients_is_enough() -> None:
    X = np.column_stack([np.ones(5), [0.0, 1.0, 0.0, 1.0, 3.0]])
    y = [1.0, 2.5, 2.0, 1.0, 4.0]
    fit = fit_mixed(X, y, names=["a", "b"], subjects=[1, 1, 2, 3, 4])
    assert (fit.n, fit.n_subjects) == (5, 4)
    with pytest.raises(EstimationError, match="5 rows of 5 subjects"):
        fit_mixed(X, y, names=["a", "b"], subjects=range(5))
    # three rows of two subjects for two coefficients stand, two rows do not
    assert fit_mixed(X[:3], y[:3], names=["a", "b"], subjects=[1, 1, 2]).n == 3
    with pytest.raises(EstimationError, match="3 rows of 2 subjects for 3 coefficients"):
        fit_mixed(np.eye(3), y[:3], names=["a", "b", "c"], subjects=[1, 1, 2])


def test_five_rows_of_two_subjects_hold_a_random_slope_and_four_do_not() -> None:
    X, times = np.ones((5, 1)), np.array([0.0, 1.0, 2.0, 0.0, 1.0])
    y = [1.0, 2.0, 2.5, 4.0, 7.0]
    assert fit_mixed(X, y, names=["mean"], subjects=[1, 1, 1, 2, 2], slope=times).n == 5
    with pytest.raises(EstimationError, match="2 random effects a subject"):
        fit_mixed(X[:4], y[:4], names=["mean"], subjects=[1, 1, 2, 2], slope=times[:4])


def test_maximum_likelihood_of_a_balanced_layout_by_hand() -> None:
    # with k subjects of m rows: within = SSW / (k (m - 1)); within + m between = SSB / k
    rng = np.random.default_rng(4)
    rows = 3.0 * rng.normal(size=(7, 1)) + rng.normal(size=(7, 4))
    within = np.sum((rows - rows.mean(axis=1, keepdims=True)) ** 2) / 21
    whole = 4 * np.sum((rows.mean(axis=1) - rows.mean()) ** 2) / 7
    fit = fit_mixed(
        np.ones((28, 1)), rows.ravel(), names=["mean"], subjects=np.repeat(range(7), 4), method="ML"
    )
    assert fit.residual_sd**2 == pytest.approx(within, rel=1e-9)
    assert fit.random_covariance[0, 0] == pytest.approx((whole - within) / 4, rel=1e-9)
    assert fit.covariance[0, 0] == pytest.approx(whole / 28, rel=1e-9)
    log_likelihood = -0.5 * (28 * np.log(2 * np.pi) + 21 * np.log(within) + 7 * np.log(whole) + 28)
    assert fit.log_likelihood == pytest.approx(log_likelihood, rel=1e-11)
    assert fit.criterion == pytest.approx(-2 * log_likelihood, rel=1e-11)
    assert fit.decrement < 1e-16


@pytest.mark.parametrize("factor", [[[1.5]], [[1.5, 0.0], [-0.4, 0.7]]])
def test_derivatives_of_variances_by_their_factor(factor: list[list[float]]) -> None:
    # G = L L' is quadratic in L, so differences are exact but for rounding
    lower = np.array(factor)
    q = len(lower)
    places = [(0, 0), (1, 0), (1, 1)][: 1 if q == 1 else 3]

    def variances(theta: np.ndarray) -> np.ndarray:
        root = np.zeros((q, q))
        for (i, j), value in zip(places, theta[:-1], strict=True):
            root[i, j] = value
        G = root @ root.T
        return np.array([*(G[j, i] for i, j in places), theta[-1]])

    at = np.array([*(lower[i, j] for i, j in places), 2.5])
    jacobian, bends = _chain(lower)
    steps = np.eye(len(at))
    for i, step in enumerate(steps):
        np.testing.assert_allclose(
            jacobian[:, i], (variances(at + step) - variances(at - step)) / 2, atol=1e-12
        )
        for j, other in enumerate(steps):
            mixed = (
                variances(at + step + other) - variances(at + step - other) - variances(at - step + other)
                + variances(at - step - other)
            )  # fmt: skip
            np.testing.assert_allclose(bends[:, i, j], mixed / 4, atol=1e-12)
