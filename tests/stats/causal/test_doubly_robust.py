"""Doubly robust means: by hand, identities, a numerical sandwich, laws, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.crossfit import cluster_folds, cross_fitted, median_of_repeats
from outcomes.stats.causal.doubly_robust import aipw
from outcomes.stats.causal.doubly_robust_fit import fit_doubly_robust
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.weighting import exposure_weights, weighted_difference

NAMES = ("intercept", "x1", "x2")


def cohort(n=300, seed=3, binary=False):
    """Return design, exposure of three levels, outcome and patients of an invented cohort."""
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    eta = np.column_stack([np.zeros(n), X @ [0.2, 0.6, -0.3], X @ [-0.2, -0.4, 0.5]])
    p = np.exp(eta) / np.exp(eta).sum(axis=1, keepdims=True)
    codes = (rng.random(n)[:, None] > p.cumsum(axis=1)).sum(axis=1)
    score = X @ [0.0, 1.0, 0.7] + 0.5 * codes + X[:, 1] ** 2 / 2
    y = (rng.random(n) < 1 / (1 + np.exp(-score / 2))) * 1.0 if binary else score + rng.normal(size=n)
    return X, np.array(["a", "b", "c"])[codes], y, np.arange(n) // 2


def test_one_stratum_by_hand():
    # predictions are the arm means 2 and 7: influence is residual over 2, squares 2/4 + 8/4, times 4/3
    result = aipw(list("aabb"), [1, 3, 5, 9], np.tile([2.0, 7.0], (4, 1)), np.full((4, 2), 0.5), unit="kg")
    effect = result.contrasts[0]
    assert effect.value == pytest.approx(5)
    assert effect.std_error**2 == pytest.approx(2.5 * 4 / 3)
    assert [m.value for m in result.means] == pytest.approx([2, 7])
    assert "b minus a: 5 kg" in str(result)


def test_two_strata_by_hand_everybody_and_the_users_of_b():
    # every case twice; stratum 0: a 1 and 3, b 6; stratum 1: a 2, b 5 and 8; differences 4 and 4.5
    exposure, y = list("aababb") * 2, [1, 3, 6, 2, 5, 8] * 2
    e = np.tile(np.repeat([[2 / 3, 1 / 3], [1 / 3, 2 / 3]], 3, axis=0), (2, 1))
    m = np.tile(np.repeat([[2.0, 6.0], [2.0, 6.5]], 3, axis=0), (2, 1))
    first = np.tile(np.repeat([True, False], 3), 2)
    for predictions in (m, np.zeros((12, 2))):  # probabilities are right: predictions do not matter here
        assert aipw(exposure, y, predictions, e).contrasts[0].value == pytest.approx(4.25)
        assert aipw(exposure, y, predictions, e, target=first).contrasts[0].value == pytest.approx(4)
        users = aipw(exposure, y, predictions, e, target_levels=["b"])
        assert users.contrasts[0].value == pytest.approx((4 + 2 * 4.5) / 3)
        assert users.n_target == 6
    for probabilities in (e, np.full((12, 2), 0.5)):  # predictions are right: probabilities do not matter
        assert aipw(exposure, y, m, probabilities).contrasts[0].value == pytest.approx(4.25)
    # the users of b: residuals of a weighted pi/e = 1/2 and 2, of b 1, beside m_b - m_a - 13/3
    d = 13 / 3
    parts = np.array([0.5, -0.5, 4 - d, 0, 4.5 - d - 1.5, 4.5 - d + 1.5]) / 6
    users = aipw(exposure, y, m, e, target_levels=["b"]).contrasts[0]
    assert users.std_error**2 == pytest.approx(12 / 11 * 2 * np.square(parts).sum())


def test_saturated_aipw_weighting_and_standardisation_are_one():
    rng = np.random.default_rng(7)
    stratum = np.repeat([0.0, 1.0, 2.0], [20, 26, 14])
    X = np.column_stack([np.ones(60), stratum == 1, stratum == 2]).astype(float)
    exposure = np.array(list("abc"))[np.arange(60) % 3]
    exposure[::4] = "b"
    y = rng.normal(size=60) + stratum * (exposure == "b")
    fit = fit_doubly_robust(X, exposure, y, names=["one", "s1", "s2"])
    plug_in = fit_doubly_robust(X, exposure, y, names=["one", "s1", "s2"], errors="plug-in")
    model = fit_exposure(X, exposure, names=["one", "s1", "s2"])
    weighted = weighted_difference(y, exposure_weights(model), model=model)
    cell = {(s, a): y[(stratum == s) & (exposure == a)].mean() for s in (0, 1, 2) for a in "abc"}
    share = {0: 20 / 60, 1: 26 / 60, 2: 14 / 60}
    for j, (first, second) in enumerate([("b", "a"), ("c", "a"), ("c", "b")]):
        standardised = sum(share[s] * (cell[s, first] - cell[s, second]) for s in (0, 1, 2))
        for road in (fit.contrasts, plug_in.contrasts, weighted):
            assert road[j].value == pytest.approx(standardised, abs=1e-8)
            assert road[j].std_error == pytest.approx(fit.contrasts[j].std_error, rel=1e-7)


def numerical_sandwich(X, exposure, y, clusters, *, binary, floor, among, subset):
    """Return the error of b minus a and c minus a: all estimating equations, differentiated numerically."""
    n, p = X.shape
    own = exposure[:, None] == np.array(["a", "b", "c"])

    def parts(theta):
        beta, gamma, mean = theta[: 3 * p].reshape(3, p), theta[3 * p : 5 * p].reshape(2, p), theta[5 * p :]
        m = X @ beta.T
        m = 1 / (1 + np.exp(-m)) if binary else m
        eta = np.column_stack([np.zeros(n), X @ gamma.T])
        e = np.exp(eta) / np.exp(eta).sum(axis=1, keepdims=True)
        inside = subset * (own[:, among].any(axis=1) if among else 1.0)
        share = subset * (e[:, among].sum(axis=1) if among else 1.0)
        outcome = ((own * (y[:, None] - m))[:, :, None] * X[:, None, :]).reshape(n, -1)
        scores = ((own - e)[:, 1:, None] * X[:, None, :]).reshape(n, -1)
        w = own * share[:, None] / np.maximum(e, floor)
        return np.hstack([outcome, scores, inside[:, None] * (m - mean) + w * (y[:, None] - m)])

    from scipy import optimize

    def jacobian(theta):
        steps = np.eye(len(theta)) * 1e-5
        return np.array([(parts(theta + s).sum(0) - parts(theta - s).sum(0)) / 2e-5 for s in steps]).T

    solved = optimize.root(lambda t: parts(t).sum(axis=0), np.zeros(5 * p + 3), jac=jacobian, tol=1e-12)
    assert solved.success
    pieces = parts(solved.x) @ np.linalg.inv(jacobian(solved.x)).T
    totals = np.array([pieces[clusters == g].sum(axis=0) for g in np.unique(clusters)])
    g = len(totals)
    cov = g / (g - 1) * totals.T @ totals
    mean, c = solved.x[-3:], cov[-3:, -3:]
    return [(mean[k] - mean[0], np.sqrt(c[k, k] + c[0, 0] - 2 * c[k, 0])) for k in (1, 2)]


@pytest.mark.parametrize(
    ("binary", "floor", "among", "half"),
    [(False, 0, None, False), (True, 0, None, False), (False, 0.2, None, False), (False, 0, [0, 1], False),
     (True, 0.15, [2], True), (False, 0, None, True)],
)  # fmt: skip
def test_stacked_error_is_the_numerical_sandwich(binary, floor, among, half):
    X, exposure, y, patient = cohort(binary=binary)
    subset = X[:, 1] > 0 if half else np.ones(len(X), dtype=bool)
    expected = numerical_sandwich(
        X, exposure, y, patient, binary=binary, floor=floor, among=among, subset=subset * 1.0
    )
    fit = fit_doubly_robust(
        X, exposure, y, names=NAMES, outcome="logistic" if binary else "linear", floor=floor, clusters=patient,
        target=subset if half else None, target_levels=None if among is None else [("a", "b", "c")[k] for k in among],
    )  # fmt: skip
    for effect, (value, error) in zip(fit.contrasts, expected, strict=False):
        assert effect.value == pytest.approx(value, abs=1e-7)
        assert effect.std_error == pytest.approx(error, rel=1e-5)


def test_laws():
    X, exposure, y, patient = cohort()
    plain = fit_doubly_robust(X, exposure, y, names=NAMES, clusters=patient)
    turned = fit_doubly_robust(X, exposure, y, names=NAMES, clusters=patient, pairs=[("a", "b")])
    assert turned.contrasts[0].conf_low == pytest.approx(-plain.contrasts[0].conf_high, rel=1e-12)
    scaled = fit_doubly_robust(X, exposure, 7 - 2 * y, names=NAMES, clusters=patient)
    assert [e.value for e in scaled.contrasts] == pytest.approx([-2 * e.value for e in plain.contrasts])
    assert [e.std_error for e in scaled.contrasts] == pytest.approx(
        [2 * e.std_error for e in plain.contrasts]
    )
    basis = X @ np.array([[1, 2, 0], [0, 3, 1], [0, 0, 2]])
    same = fit_doubly_robust(basis, exposure, y, names=NAMES, clusters=patient)
    assert [e.std_error for e in same.contrasts] == pytest.approx(
        [e.std_error for e in plain.contrasts], rel=1e-6
    )
    order = np.random.default_rng(1).permutation(len(y))
    moved = fit_doubly_robust(X[order], exposure[order], y[order], names=NAMES, clusters=patient[order])
    assert [e.conf_low for e in moved.contrasts] == pytest.approx(
        [e.conf_low for e in plain.contrasts], rel=1e-7
    )
    two = np.repeat(np.arange(len(y)), 2)
    doubled = fit_doubly_robust(X[two], exposure[two], y[two], names=NAMES, clusters=patient[two])
    assert [e.std_error for e in doubled.contrasts] == pytest.approx(
        [e.std_error for e in plain.contrasts], rel=1e-7
    )
    renamed = np.array([{"a": "z", "b": "y", "c": "x"}[a] for a in exposure])
    other = fit_doubly_robust(X, renamed, y, names=NAMES, clusters=patient, pairs=[("y", "z")])
    assert other.contrasts[0].std_error == pytest.approx(plain.contrasts[0].std_error, rel=1e-7)


def test_parts_of_the_target_add_up():
    X, exposure, y, _ = cohort()
    first = X[:, 2] > 0
    m, e = np.tile([0.0, 1.0, 2.0], (300, 1)), fit_exposure(X, exposure, names=NAMES).probabilities
    means = [aipw(exposure, y, m, e, target=mask).means[1].value for mask in (first, ~first)]
    assert aipw(exposure, y, m, e).means[1].value == pytest.approx(
        (first.sum() * means[0] + (~first).sum() * means[1]) / 300
    )
    groups = [aipw(exposure, y, m, e, target_levels=[k]) for k in "abc"]
    assert sum(g.n_target * g.means[0].value for g in groups) / 300 == pytest.approx(
        aipw(exposure, y, m, e).means[0].value
    )


def test_a_level_without_support_leaves_the_others_alone():
    exposure, y = list("aaabbcc"), [1, 2, 3, 4, 6, 5, 9]
    e = np.full((7, 3), 1 / 3)
    e[0] = [0.5, 0.5, 0.0]
    result = aipw(exposure, y, np.zeros((7, 3)), e)
    assert [c.estimable for c in result.contrasts] == [True, False, False]
    assert "1 cases of the target cannot have the level c" in result.contrasts[1].reason
    kept = aipw(exposure, y, np.zeros((7, 3)), e, target=np.arange(7) > 0)
    assert all(c.estimable for c in kept.contrasts)
    floored = aipw(exposure, y, np.zeros((7, 3)), e, floor=0.1)
    assert all(c.estimable for c in floored.contrasts)
    assert floored.n_floored == 0  # nobody with that probability had the level
    one = aipw(exposure, y, np.zeros((7, 3)), np.full((7, 3), 1 / 3), clusters=[1, 2, 3, 4, 5, 6, 6])
    assert [c.estimable for c in one.contrasts] == [True, False, False]
    assert "fewer than 2 clusters of cases with the level c" in one.contrasts[1].reason
    assert one.tidy()["p_value"].isna().sum() == 5


def test_few_clusters_are_said_and_counted_where_the_target_is():
    exposure, y = list("abab" * 5), np.arange(20.0) % 7
    half, none = np.full((20, 2), 0.5), np.zeros((20, 2))
    everybody = aipw(exposure, y, none, half).contrasts[0]
    assert "unreliable" not in everybody.method
    result = aipw(exposure, y, none, half, target=np.arange(20) < 8)
    few = result.contrasts[0]
    assert few.df == 7
    # G is 8 in the factor and in the t, whose 97.5 % point with 7 degrees of freedom is 2.364624
    pieces = result.influence[:, 1] - result.influence[:, 0]
    assert few.std_error**2 == pytest.approx(8 / 7 * np.square(pieces).sum())
    assert few.conf_high - few.value == pytest.approx(2.364624251 * few.std_error)
    assert "unreliable: 8 clusters" in few.method


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"predictions": np.zeros((4, 3))}, r"shape \(4, 2\)"),
        ({"predictions": np.full((4, 2), np.nan)}, "8 missing"),
        ({"probabilities": np.full((4, 2), 1.5)}, "outside 0 to 1"),
        ({"y": [1, 2, 3, np.nan]}, "1 missing"),
        ({"target": np.zeros(4, dtype=bool)}, "no case is in the target"),
        ({"target": [1, 0, 1, 0]}, "True or False"),
        ({"target_levels": ["z"]}, "some of a, b"),
        ({"floor": 1.0}, "floor in"),
        ({"clusters": ["p"] * 4}, "at least 2"),
        ({"pairs": [("a", "a")]}, "two different levels"),
        ({"level": 95}, "between 0 and 1"),
    ],
)
def test_refusals(change, says):
    given = {
        "exposure": list("aabb"), "y": [1, 2, 3, 5], "predictions": np.zeros((4, 2)),
        "probabilities": np.full((4, 2), 0.5),
    }  # fmt: skip
    with pytest.raises(EstimationError, match=says):
        aipw(**(given | change))


def test_an_outcome_model_that_fails_names_its_level():
    X, exposure, y, _ = cohort(binary=True)
    X[:, 2] = (exposure == "a") & (y == 1)
    with pytest.raises(EstimationError, match=r"outcome model of the level b: .*x2"):
        fit_doubly_robust(
            X, exposure, y, names=NAMES, X_exposure=X[:, :2], names_exposure=NAMES[:2], levels=sorted(set(exposure))
        )  # fmt: skip


def test_folds_keep_patients_whole_and_cross_fitting_sees_no_own_fold():
    patient = np.arange(41) // 2
    folds = cluster_folds(patient, 5, seed=4)
    assert all(len(np.unique(folds[patient == g])) == 1 for g in range(21))
    sizes = np.bincount(folds[::2], minlength=5)
    assert sizes.max() - sizes.min() <= 1
    assert (folds == cluster_folds(patient, 5, seed=4)).all()
    rows = np.arange(41)

    def fit(learn, held):
        assert not set(patient[learn]) & set(patient[held])
        assert len(learn) + len(held) == 41
        return np.column_stack([rows[held], -rows[held]]).astype(float)

    assert (cross_fitted(fit, folds, clusters=patient) == np.column_stack([rows, -rows])).all()


def test_refusals_of_cross_fitting():
    with pytest.raises(EstimationError, match="3 folds for 2 clusters"):
        cluster_folds([1, 1, 2], 3, seed=1)
    with pytest.raises(EstimationError, match="1 clusters are in more than one fold"):
        cross_fitted(lambda learn, held: np.zeros(len(held)), [0, 1, 1], clusters=[5, 5, 6])
    with pytest.raises(EstimationError, match="at least 2"):
        cross_fitted(lambda learn, held: np.zeros(len(held)), [0, 0])
    with pytest.raises(EstimationError, match="held-out"):
        cross_fitted(lambda learn, held: np.zeros(1), [0, 0, 1])


def test_median_of_repeats_by_hand():
    # values 1, 2, 4, 5, 5 with errors 1, 1, 2, 1, 3: about 4 the variances are 10, 5, 4, 2, 10
    given = [
        Estimate(value=v, conf_low=v - 9, conf_high=v + 9, std_error=s, df=d, contrast="b minus a", n=80)
        for v, s, d in zip(
            [1.0, 2.0, 4.0, 5.0, 5.0], [1.0, 1.0, 2.0, 1.0, 3.0], [9.0, 9.0, 9.0, 8.0, 9.0], strict=True
        )
    ]
    joined = median_of_repeats(given)
    assert (joined.value, joined.std_error**2, joined.df) == pytest.approx((4, 5, 8))
    assert joined.conf_high == pytest.approx(4 + 2.306004135 * np.sqrt(5))
    assert "median of 5 repeats" in joined.method
    same = median_of_repeats(given[:1])
    assert (same.value, same.std_error) == (1, 1)
    none = Estimate.not_estimable("fewer than 2 clusters", contrast="b minus a")
    assert "fewer than 2 clusters" in median_of_repeats([given[0], none]).reason
    with pytest.raises(EstimationError, match="more than one contrast"):
        median_of_repeats([given[0], Estimate.not_estimable("x", contrast="c minus a")])


def test_repeats_of_cross_fitting_end_to_end():
    X, exposure, y, patient = cohort(n=400, seed=12)
    full = np.column_stack([X, X[:, 1] ** 2])
    names = [*NAMES, "x1 squared"]
    rows = [exposure == name for name in "abc"]

    def predictions(learn, held):
        arms = [learn[own[learn]] for own in rows]
        return np.column_stack([full[held] @ np.linalg.lstsq(full[a], y[a], rcond=None)[0] for a in arms])

    def probabilities(learn, held):
        eta = full[held] @ fit_exposure(full[learn], exposure[learn], names=names).coefficients
        odds = np.exp(np.column_stack([np.zeros(len(held)), eta]))
        return odds / odds.sum(axis=1, keepdims=True)

    repeats = []
    for seed in range(5):
        folds = cluster_folds(patient, 5, seed=seed)
        m, e = (cross_fitted(f, folds, clusters=patient) for f in (predictions, probabilities))
        repeats.append(aipw(exposure, y, m, e, clusters=patient).contrasts[0])
    joined = median_of_repeats(repeats)
    whole = fit_doubly_robust(full, exposure, y, names=names, clusters=patient).contrasts[0]
    assert joined.value == pytest.approx(whole.value, abs=0.2 * whole.std_error)
    assert joined.std_error == pytest.approx(whole.std_error, rel=0.1)


def test_results_read_as_sentences_and_tables():
    X, exposure, y, patient = cohort()
    model = fit_exposure(X, exposure, names=NAMES)
    assert str(model).startswith(
        "multinomial logistic model of a / b / c: 3 columns, n = 300, log likelihood -"
    )
    assert len(model.tidy()) == 6
    weights = exposure_weights(model, "treated", treated="b")
    assert "speaking for cases with level b; effective sizes a " in str(weights)
    assert weights.tidy()["n"].sum() == 300
    fit = fit_doubly_robust(
        X, exposure, y, names=NAMES, clusters=patient, target_levels=["a", "b"], target_name="users"
    )
    assert str(fit).startswith(f"doubly robust means for users ({fit.n_target} of 300 cases)\nb minus a: ")
    table = fit.tidy()
    assert table["contrast"].tolist()[:4] == ["mean under a", "mean under b", "mean under c", "b minus a"]
    assert table["p_value"].isna().tolist() == [True] * 3 + [False] * 3
    assert set(table["n"]) == {fit.n_target}
