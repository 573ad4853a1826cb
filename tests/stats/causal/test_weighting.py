"""Exposure models and weights: closed forms, an independent implementation, laws, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from outcomes.errors import EstimationError
from outcomes.stats.causal.exposure_model import coefficient_influence, exposure_codes, fit_exposure
from outcomes.stats.causal.influence import influence_covariance, influence_estimates
from outcomes.stats.causal.weighting import exposure_weights, weighted_balance, weighted_difference

NAMES = ("intercept", "x1", "x2")


def cohort(n=240, k=3, seed=1):
    """Return design, exposure labels, outcome and patients of an invented cohort of n wrists."""
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    eta = np.column_stack([np.zeros(n), *(X @ [0.2 - 0.3 * j, 0.5, -0.4 * j] for j in range(1, k))])
    p = np.exp(eta) / np.exp(eta).sum(axis=1, keepdims=True)
    codes = (rng.random(n)[:, None] > p.cumsum(axis=1)).sum(axis=1)
    y = 10 + X @ [0, 2.0, 1.0] + 1.5 * codes + rng.normal(size=n)
    return X, np.array(["a", "b", "c", "d"])[codes], y, np.arange(n) // 2


# -- the exposure model -------------------------------------------------------------------------------


def test_saturated_multinomial_gives_the_shares_of_each_stratum():
    stratum = np.repeat([0.0, 1.0], [10, 5])
    exposure = list("aabbbccccc") + list("aabbc")
    model = fit_exposure(np.column_stack([np.ones(15), stratum]), exposure, names=["one", "stratum"])
    assert model.probabilities[0] == pytest.approx([0.2, 0.3, 0.5], abs=1e-10)
    assert model.probabilities[-1] == pytest.approx([0.4, 0.4, 0.2], abs=1e-10)
    shares = np.log([0.2] * 2 + [0.3] * 3 + [0.5] * 5 + [0.4] * 4 + [0.2])
    assert model.log_likelihood == pytest.approx(shares.sum(), rel=1e-12)
    assert model.coefficients[0, 1] == pytest.approx(np.log(2.5), abs=1e-9)


def test_multinomial_is_the_maximum_found_by_a_general_search():
    X, exposure, *_ = cohort()
    model = fit_exposure(X, exposure, names=NAMES)
    codes = np.searchsorted(model.levels, exposure)

    def loss(flat):
        eta = np.column_stack([np.zeros(len(X)), X @ flat.reshape(3, 2)])
        return -(eta[np.arange(len(X)), codes] - np.log(np.exp(eta).sum(axis=1))).sum()

    found = optimize.minimize(loss, np.zeros(6), method="BFGS", options={"gtol": 1e-9, "maxiter": 500})
    assert model.coefficients.ravel() == pytest.approx(found.x, abs=1e-5)
    assert model.log_likelihood == pytest.approx(-found.fun, abs=1e-8)


def test_influence_of_the_coefficients_is_the_sandwich_of_statsmodels():
    from statsmodels.discrete.discrete_model import Logit

    X, exposure, *_ = cohort(k=2)
    model = fit_exposure(X, exposure, names=NAMES)
    robust = Logit((exposure == "b").astype(float), X).fit(disp=0, cov_type="HC0", tol=1e-12)
    pieces = coefficient_influence(model)[:, 0]
    assert pieces.T @ pieces == pytest.approx(np.asarray(robust.cov_params()), rel=1e-8)
    assert model.coefficients[:, 0] == pytest.approx(np.asarray(robust.params), rel=1e-8)


def test_influence_is_what_leaving_a_case_out_does():
    X, exposure, *_ = cohort(n=400)
    model = fit_exposure(X, exposure, names=NAMES)
    pieces = coefficient_influence(model)
    assert np.abs(pieces.sum(axis=0)).max() < 1e-9
    keep = np.arange(400) != 17
    without = fit_exposure(X[keep], exposure[keep], names=NAMES)
    moved = model.coefficients - without.coefficients
    assert pytest.approx(pieces[17], rel=0.1, abs=2e-4) == moved.T


def test_three_levels_separated_are_refused_with_the_column():
    rare = np.repeat([0.0, 1.0], [27, 3])
    exposure = np.array(list("abc") * 9 + ["c"] * 3)
    with pytest.raises(EstimationError, match=r"separation of the levels by .*rim \(c\)") as caught:
        fit_exposure(
            np.column_stack([np.ones(30), rare]), exposure, names=["one", "rim"], levels=["a", "b", "c"]
        )
    assert caught.value.code == "separation"


@pytest.mark.parametrize(
    ("exposure", "levels", "code"),
    [
        (["a", "b", None], None, "not_finite"),
        (["a", "b"], None, "bad_shape"),
        (["a", "a", "a"], None, "bad_levels"),
        (["a", "b", "z"], ["a", "b"], "unknown_group"),
        (["a", "b", "b"], ["a", "b", "c"], "empty_group"),
    ],
)
def test_bad_exposures_are_refused_without_showing_them(exposure, levels, code):
    with pytest.raises(EstimationError) as caught:
        exposure_codes(exposure, 3, levels)
    assert caught.value.code == code
    assert "z" not in str(caught.value).split("declared:")[0].split()


def test_a_multinomial_fit_that_stops_early_is_refused(monkeypatch):
    monkeypatch.setattr("outcomes.stats.causal.exposure_model._STEPS", 2)
    X, exposure, *_ = cohort()
    with pytest.raises(EstimationError, match="did not converge in 2 steps") as caught:
        fit_exposure(X, exposure, names=NAMES)
    assert caught.value.code == "not_converged"


def test_repeated_columns_are_named():
    X, exposure, *_ = cohort()
    with pytest.raises(EstimationError, match="again"):
        fit_exposure(np.column_stack([X, X[:, 1]]), exposure, names=[*NAMES, "again"])


# -- weights ------------------------------------------------------------------------------------------


def test_weights_by_hand():
    # shares 1/6, 2/6, 3/6; overlap h = 1 / (6 + 3 + 2)
    model = fit_exposure(np.ones((6, 1)), list("abbccc"), names=["one"])
    assert exposure_weights(model).values == pytest.approx([6, 3, 3, 2, 2, 2])
    assert exposure_weights(model, "stabilised").values == pytest.approx([1] * 6)
    assert exposure_weights(model, "treated", treated="c").values == pytest.approx([3, 1.5, 1.5, 1, 1, 1])
    assert exposure_weights(model, "overlap").values == pytest.approx(np.array([6, 3, 3, 2, 2, 2]) / 11)
    assert exposure_weights(model).effective == pytest.approx((1, 2, 3))


def test_truncation_is_at_the_quantiles_and_counted():
    X, exposure, *_ = cohort()
    model = fit_exposure(X, exposure, names=NAMES)
    plain, cut = exposure_weights(model), exposure_weights(model, truncate=0.05)
    low, high = np.quantile(plain.values, [0.05, 0.95])
    assert cut.truncated_at == (low, high)
    assert cut.n_truncated == ((plain.values < low) | (plain.values > high)).sum() == 24
    assert (cut.values.min(), cut.values.max()) == (low, high)
    assert "24 weights truncated" in str(cut)
    # a truncated weight stands still when the coefficients move
    outside = (plain.values < low) | (plain.values > high)
    assert not cut.slopes[outside].any()
    assert (cut.slopes[~outside] == plain.slopes[~outside]).all()


@pytest.mark.parametrize("kind", ["inverse probability", "stabilised", "treated", "overlap"])
def test_slopes_are_the_derivative_of_the_log_weight(kind):
    X, exposure, *_ = cohort(n=60)
    model = fit_exposure(X, exposure, names=NAMES)
    treated = "b" if kind == "treated" else None
    eta = np.column_stack([np.zeros(60), X @ model.coefficients])

    def log_weight(j, step):
        from dataclasses import replace

        moved = eta.copy()
        moved[:, j] += step
        p = np.exp(moved) / np.exp(moved).sum(axis=1, keepdims=True)
        return np.log(exposure_weights(replace(model, probabilities=p), kind, treated=treated).values)

    slopes = exposure_weights(model, kind, treated=treated).slopes
    for j in (1, 2):
        assert slopes[:, j - 1] == pytest.approx(
            (log_weight(j, 1e-6) - log_weight(j, -1e-6)) / 2e-6, abs=1e-7
        )


def test_probabilities_that_underflow_leave_finite_overlap_weights():
    from dataclasses import replace

    model = fit_exposure(np.ones((4, 1)), list("aabb"), names=["one"])
    extreme = replace(model, probabilities=np.array([[1.0, 0.0], [0.5, 0.5], [0.5, 0.5], [0.0, 1.0]]))
    weights = exposure_weights(extreme, "overlap")
    assert weights.values == pytest.approx([0, 0.5, 0.5, 0], abs=1e-12)
    assert np.isfinite(weights.slopes).all()


def test_bad_requests_say_what_is_allowed():
    model = fit_exposure(np.ones((4, 1)), list("aabb"), names=["one"])
    with pytest.raises(EstimationError, match="'overlap'"):
        exposure_weights(model, "matching")
    with pytest.raises(EstimationError, match="treated is one of a, b"):
        exposure_weights(model, "treated")
    with pytest.raises(EstimationError, match=r"between 0 and 0\.5"):
        exposure_weights(model, truncate=0.5)
    with pytest.raises(EstimationError, match="out of a, b"):
        weighted_difference([1, 2, 3, 4], exposure_weights(model), pairs=[("a", "z")])


# -- weighted differences -----------------------------------------------------------------------------


def test_two_strata_by_hand():
    # stratum 0: a 1 and 3, b 6; stratum 1: a 2, b 5 and 8. Means 2, 6; 2, 6.5; half of each stratum
    X = np.column_stack([np.ones(6), np.repeat([0.0, 1.0], 3)])
    exposure, y = list("aababb"), [1, 3, 6, 2, 5, 8]
    model = fit_exposure(X, exposure, names=["one", "stratum"])
    means = weighted_difference(y, exposure_weights(model))[0]
    assert means.value == pytest.approx(0.5 * (6 - 2) + 0.5 * (6.5 - 2), abs=1e-9)
    # the users of b: one in stratum 0, two in stratum 1
    treated = weighted_difference(y, exposure_weights(model, "treated", treated="b"))[0]
    assert treated.value == pytest.approx((1 * 4 + 2 * 4.5) / 3, abs=1e-9)
    # overlap: e(1 - e) is 2/9 in both strata
    assert weighted_difference(y, exposure_weights(model, "overlap"))[0].value == pytest.approx(
        4.25, abs=1e-9
    )


def test_equal_weights_give_the_two_sample_error():
    # arms 1, 3 and 5, 9: sum of squared deviations over n_a squared is 2/4 + 8/4, times 4/3
    model = fit_exposure(np.ones((4, 1)), list("aabb"), names=["one"])
    effect = weighted_difference([1, 3, 5, 9], exposure_weights(model))[0]
    assert effect.value == pytest.approx(5)
    assert effect.std_error**2 == pytest.approx(2.5 * 4 / 3)
    assert effect.df == 3


@pytest.mark.parametrize("kind", ["inverse probability", "treated", "overlap"])
def test_error_that_counts_the_fitting_is_the_numerical_sandwich(kind):
    # all estimating equations of both steps, differentiated numerically
    X, exposure, y, patient = cohort(n=300, seed=5)
    model = fit_exposure(X, exposure, names=NAMES)
    own = exposure[:, None] == np.array(model.levels)
    weights = exposure_weights(model, kind, treated="c" if kind == "treated" else None)
    effects = weighted_difference(y, weights, model=model, clusters=patient)

    def parts(theta):
        eta = np.column_stack([np.zeros(300), X @ theta[:6].reshape(2, 3).T])
        e = np.exp(eta) / np.exp(eta).sum(axis=1, keepdims=True)
        top = {"inverse probability": 1.0, "treated": e[:, 2], "overlap": 1 / (1 / e).sum(axis=1)}[kind]
        scores = ((own - e)[:, 1:, None] * X[:, None, :]).reshape(300, -1)
        return np.hstack(
            [scores, own * (top / (own * e).sum(axis=1) * np.ones(300))[:, None] * (y[:, None] - theta[6:])]
        )

    means = (own * weights.values[:, None] * y[:, None]).sum(0) / (own * weights.values[:, None]).sum(0)
    theta = np.concatenate([model.coefficients.T.ravel(), means])
    assert np.abs(parts(theta).sum(axis=0)).max() < 1e-7
    steps = np.eye(9) * 1e-6
    slope = np.array([(parts(theta + s).sum(0) - parts(theta - s).sum(0)) / 2e-6 for s in steps]).T
    pieces = parts(theta) @ np.linalg.inv(slope).T
    totals = pieces[::2] + pieces[1::2]
    cov = 150 / 149 * totals.T @ totals
    for effect, (a, b) in zip(effects, [(7, 6), (8, 6), (8, 7)], strict=True):
        assert effect.value == pytest.approx(theta[a] - theta[b])
        assert effect.std_error == pytest.approx(np.sqrt(cov[a, a] + cov[b, b] - 2 * cov[a, b]), rel=1e-6)


def test_laws_of_weighted_differences():
    X, exposure, y, patient = cohort()
    model = fit_exposure(X, exposure, names=NAMES)
    weights = exposure_weights(model)
    plain = weighted_difference(y, weights, model=model, clusters=patient)
    turned = weighted_difference(y, weights, model=model, clusters=patient, pairs=[("a", "b")])[0]
    assert (turned.value, turned.conf_low) == pytest.approx((-plain[0].value, -plain[0].conf_high))
    scaled = weighted_difference(3 * y + 7, weights, model=model, clusters=patient)
    assert [e.std_error for e in scaled] == pytest.approx([3 * e.std_error for e in plain])
    order = np.random.default_rng(2).permutation(len(y))
    shuffled = fit_exposure(X[order], exposure[order], names=NAMES)
    again = weighted_difference(y[order], exposure_weights(shuffled), model=shuffled, clusters=patient[order])
    assert [e.conf_low for e in again] == pytest.approx([e.conf_low for e in plain], rel=1e-8)
    # every row twice in its own patient: nothing is learned
    two = np.repeat(np.arange(len(y)), 2)
    doubled = fit_exposure(X[two], exposure[two], names=NAMES)
    same = weighted_difference(y[two], exposure_weights(doubled), model=doubled, clusters=patient[two])
    assert [e.std_error for e in same] == pytest.approx([e.std_error for e in plain], rel=1e-8)


def test_reference_level_does_not_matter():
    X, exposure, y, _ = cohort()
    by_order = []
    for levels in (["a", "b", "c"], ["c", "b", "a"]):
        model = fit_exposure(X, exposure, names=NAMES, levels=levels)
        effect = weighted_difference(y, exposure_weights(model), model=model, pairs=[("c", "a")])[0]
        by_order.append((effect.value, effect.std_error))
    assert by_order[0] == pytest.approx(by_order[1], rel=1e-7)


def test_a_level_in_one_patient_is_not_estimable_and_others_are():
    model = fit_exposure(np.ones((7, 1)), list("aabbbcc"), names=["one"])
    effects = weighted_difference(
        [1, 2, 4, 6, 5, 9, 8], exposure_weights(model), clusters=[1, 2, 3, 4, 5, 6, 6]
    )
    assert [e.estimable for e in effects] == [True, False, False]
    assert "level c" in effects[1].reason
    assert "unreliable: 5 clusters" in effects[0].method  # c is not part of b minus a


def test_constant_outcome_has_a_value_and_no_interval():
    model = fit_exposure(np.ones((4, 1)), list("aabb"), names=["one"])
    effect = weighted_difference([2, 2, 2, 2], exposure_weights(model))[0]
    assert (effect.value, effect.conf_low, effect.p_value) == (0, None, None)
    assert effect.reason


def test_balance_by_hand_and_overlap_of_several_levels():
    balance = weighted_balance({"x": [0, 2, 1, 1, 4]}, list("aabbb"), [1, 1, 3, 1, 0])[0]
    # variances 2 and 3, means 1 and 2, weighted 1 and 1
    assert balance.before.value == pytest.approx(-1 / np.sqrt(2.5))
    assert balance.after.value == pytest.approx(0)
    assert balance.tidy()["weighted"].to_dict() == {0: False, 1: True}
    X, exposure, *_ = cohort()
    model = fit_exposure(X, exposure, names=NAMES)
    table = weighted_balance({"x1": X[:, 1]}, exposure, exposure_weights(model).values)[0]
    assert abs(table.after.value) < 0.3 * abs(table.before.value)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(-5, 5), min_size=6, max_size=20),
    st.integers(1, 4),
)
def test_covariance_of_influence_by_cluster(values, size):
    v = np.array(values) - np.mean(values)
    clusters = np.arange(len(v)) // size
    g = clusters.max() + 1
    if g < 2:
        return
    totals = [v[clusters == k].sum() for k in range(g)]
    expected = g / (g - 1) * sum(t * t for t in totals)
    assert influence_covariance(v, clusters)[0, 0] == pytest.approx(expected, abs=1e-12)


def test_influence_refusals():
    with pytest.raises(EstimationError, match="at least 2"):
        influence_covariance([1.0, -1.0], ["p", "p"])
    with pytest.raises(EstimationError, match="infinite"):
        influence_covariance([1.0, np.nan])
    with pytest.raises(EstimationError, match="level"):
        influence_estimates([0.0], np.zeros((3, 1)), labels=["x"], n=[3], level=1.0)
