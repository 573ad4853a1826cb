"""Estimating equations against statsmodels and by hand; groups at each visit."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.genmod.cov_struct import Exchangeable, Independence

from outcomes.errors import EstimationError
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.marginal import marginal_contrast
from outcomes.stats.repeated.gee import fit_gee
from outcomes.stats.repeated.mixed import fit_mixed, mixed_contrast
from outcomes.stats.repeated.visits import visit_contrasts, visit_design

NAMES = ["one", "arm", "x"]
FAMILIES = {"identity": sm.families.Gaussian(), "logit": sm.families.Binomial(), "log": sm.families.Poisson()}


def cohort(link: str, seed: int = 1, clusters: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(clusters), rng.integers(1, 5, clusters))
    n = len(cluster)
    X = np.column_stack([np.ones(n), cluster % 2, rng.normal(size=n)])
    eta = X @ [-0.3, 0.6, 0.4] + 0.8 * rng.normal(size=clusters)[cluster]
    if link == "identity":
        y = eta + rng.normal(size=n)
    elif link == "logit":
        y = (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float)
    else:
        y = rng.poisson(np.exp(eta)).astype(float)
    return X, y, cluster


@pytest.mark.parametrize("link", sorted(FAMILIES))
@pytest.mark.parametrize("working", ["exchangeable", "independence"])
def test_against_statsmodels(link: str, working: str) -> None:
    X, y, cluster = cohort(link, seed=2)
    structure = Exchangeable() if working == "exchangeable" else Independence()
    reference = sm.GEE(y, X, groups=cluster, family=FAMILIES[link], cov_struct=structure).fit(
        ctol=1e-12, maxiter=500
    )
    fit = fit_gee(X, y, names=NAMES, clusters=cluster, link=link, working=working, covariance="CR0")
    np.testing.assert_allclose(fit.coefficients, reference.params, rtol=1e-7)
    np.testing.assert_allclose(fit.covariance, reference.cov_robust, rtol=1e-6)
    mancl = fit_gee(X, y, names=NAMES, clusters=cluster, link=link, working=working, covariance="CR3")
    bias_reduced = sm.GEE(y, X, groups=cluster, family=FAMILIES[link], cov_struct=structure).fit(
        ctol=1e-12, maxiter=500, cov_type="bias_reduced"
    )
    np.testing.assert_allclose(mancl.covariance, bias_reduced.cov_params(), rtol=1e-6)
    if working == "exchangeable":
        assert fit.correlation == pytest.approx(structure.dep_params, rel=1e-6)


def test_independence_is_the_plain_regression_with_clusters() -> None:
    X, y, cluster = cohort("identity")
    fit = fit_gee(X, y, names=NAMES, clusters=cluster, working="independence")
    plain = fit_linear(X, y, names=NAMES, clusters=cluster)
    np.testing.assert_allclose(fit.covariance, plain.covariance, rtol=1e-9)
    a, b = linear_contrast(fit, [0, 1, 0])[0], linear_contrast(plain, [0, 1, 0])[0]
    assert (a.value, a.df, a.p_value) == pytest.approx((b.value, b.df, b.p_value), rel=1e-9)
    X, y, cluster = cohort("logit")
    fit = fit_gee(X, y, names=NAMES, clusters=cluster, link="logit", working="independence")
    plain_logit = fit_logistic(X, y, names=NAMES, clusters=cluster)
    np.testing.assert_allclose(fit.covariance, plain_logit.covariance, rtol=1e-9)


def test_small_sample_errors_are_in_order_and_their_reference_is_named() -> None:
    X, y, cluster = cohort("logit", clusters=14)
    fits = [
        fit_gee(X, y, names=NAMES, clusters=cluster, link="logit", covariance=c)
        for c in ("CR0", "CR2", "CR3")
    ]
    errors = [fit.covariance[1, 1] ** 0.5 for fit in fits]
    assert errors[0] < errors[1] < errors[2]
    estimates = [linear_contrast(fit, [0, 1, 0])[0] for fit in fits]
    assert estimates[0].df == estimates[2].df == 13
    assert estimates[1].df < 13
    assert "CR2 cluster-robust, Satterthwaite t" in estimates[1].method
    assert "CR3 cluster-robust, t with G - 1 df" in estimates[2].method


def test_the_equations_are_solved_with_dense_matrices() -> None:
    X, y, cluster = cohort("log", seed=5)
    fit = fit_gee(X, y, names=NAMES, clusters=cluster, link="log", covariance="CR0", divisor="n")
    mean = np.exp(X @ fit.coefficients)
    R = np.where(cluster[:, None] == cluster, fit.correlation, 0.0)
    np.fill_diagonal(R, 1.0)
    V = np.sqrt(mean)[:, None] * R * np.sqrt(mean)
    D = X * mean[:, None]
    assert np.abs(D.T @ np.linalg.solve(V, y - mean)).max() < 1e-8
    pearson = (y - mean) / np.sqrt(mean)
    scale = pearson @ pearson / len(y)
    pairs = (cluster[:, None] == cluster) & np.tri(len(y), k=-1, dtype=bool)
    assert fit.scale == pytest.approx(scale, rel=1e-10)
    assert fit.correlation == pytest.approx(np.outer(pearson, pearson)[pairs].mean() / scale, rel=1e-9)
    less = fit_gee(X, y, names=NAMES, clusters=cluster, link="log", covariance="CR0", working="independence")
    mean = np.exp(X @ less.coefficients)
    pearson = (y - mean) / np.sqrt(mean)
    scale = pearson @ pearson / (len(y) - 3)
    assert less.scale == pytest.approx(scale, rel=1e-10)
    assert less.correlation == pytest.approx(
        np.outer(pearson, pearson)[pairs].sum() / scale / (pairs.sum() - 3), rel=1e-9
    )


def test_rows_may_be_moved_and_units_changed() -> None:
    X, y, cluster = cohort("identity", seed=6)
    base = fit_gee(X, y, names=NAMES, clusters=cluster)
    order = np.random.default_rng(1).permutation(len(y))
    moved = fit_gee(X[order], 100 * y[order] + 50, names=NAMES, clusters=cluster[order])
    np.testing.assert_allclose(moved.coefficients[1:], 100 * base.coefficients[1:], rtol=1e-9)
    np.testing.assert_allclose(moved.covariance, 1e4 * base.covariance, rtol=1e-8)
    assert moved.correlation == pytest.approx(base.correlation, rel=1e-9)


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        ({"clusters": "own"}, "too_few_pairs", "0 pairs for 3 coefficients"),
        ({"clusters": "one"}, "too_few_clusters", "1 cluster"),
        ({"link": "probit"}, "bad_choice", "'identity', 'logit', 'log'"),
        ({"working": "AR1"}, "bad_choice", "'exchangeable', 'independence'"),
        ({"covariance": "HC0"}, "bad_choice", "'CR0', 'CR2', 'CR3'"),
        ({"divisor": "N"}, "bad_choice", "'n - p', 'n'"),
        ({"y": "separated"}, "separation", "by arm"),
        ({"max_iter": 1}, "not_converged", "in 1 rounds"),
    ],
)
def test_refusals(options, code, words) -> None:
    X, y, cluster = cohort("logit")
    given = {"names": NAMES, "clusters": cluster, "link": "logit"}
    if options.get("y"):
        y = np.where(X[:, 1] == 1, 1.0, y)
    elif "clusters" in options:
        own = options["clusters"] == "own"
        given |= {"clusters": np.arange(len(y)) if own else np.zeros(len(y))}
        given |= {} if own else {"working": "independence"}
    else:
        given |= options
    with pytest.raises(EstimationError, match=words) as caught:
        fit_gee(X, y, **given)
    assert caught.value.code == code


def test_a_correlation_that_cannot_be_is_refused() -> None:
    # in every cluster one row is high and two are low by as much: the moment estimate is -1/2, where the matrix is singular
    cluster = np.repeat(np.arange(20), 3)
    y = np.tile([2.0, -1.0, -1.0], 20)
    with pytest.raises(EstimationError, match=r"outside -0\.500 to 1") as caught:
        fit_gee(np.ones((60, 1)), y, names=["mean"], clusters=cluster)
    assert caught.value.code == "bad_correlation"


def visits(seed: int = 1) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(24), 3)
    group, visit = np.array(["cast", "plate"])[patient % 2], np.tile(["start", "six weeks", "year"], 24)
    y = 20 + 4 * (visit == "year") + 2 * ((visit == "year") & (group == "plate"))
    return patient, group, visit, y + 2 * rng.normal(size=24)[patient] + rng.normal(size=72)


def test_complete_visits_are_differences_of_means_by_both_roads() -> None:
    patient, group, visit, y = visits()
    design = visit_design(group, visit, groups=["cast", "plate"], visits=["start", "six weeks", "year"])
    asked = visit_contrasts(design, "plate", "cast", baseline="start")
    mean = {(g, v): y[(group == g) & (visit == v)].mean() for g in design.groups for v in design.visits}
    wanted = [mean["plate", v] - mean["cast", v] for v in design.visits]
    wanted += [wanted[1] - wanted[0], wanted[2] - wanted[0]]
    wanted += [mean[g, v] - mean[g, "start"] for g in ("plate", "cast") for v in ("six weeks", "year")]
    mixed = fit_mixed(design.X, y, names=design.names, subjects=patient)
    gee = fit_gee(design.X, y, names=design.names, clusters=patient)
    by_model = mixed_contrast(mixed, asked.rows, labels=asked.labels)
    by_equations = linear_contrast(gee, asked.rows, labels=asked.labels)
    assert [e.value for e in by_model] == pytest.approx(wanted, rel=1e-9)
    assert [e.value for e in by_equations] == pytest.approx(wanted, rel=1e-9)
    assert by_model[4].contrast == "plate minus cast, change from start to year"
    # a change within groups has the residual degrees of freedom: (24 - 2) * (3 - 1)
    assert by_model[4].df == pytest.approx(44.0, rel=1e-6)
    # CR2 of a difference of changes is Welch's error of the changes
    change = (y[visit == "year"] - y[visit == "start"], group[visit == "year"])
    welch = sum(change[0][change[1] == g].var(ddof=1) / 12 for g in ("cast", "plate"))
    assert by_equations[4].std_error == pytest.approx(welch**0.5, rel=1e-9)
    back = visit_contrasts(design, "cast", "plate", baseline="start")
    np.testing.assert_array_equal(back.rows[:5], -asked.rows[:5])
    assert len(visit_contrasts(design, "plate", "cast").labels) == 3


def test_risk_difference_at_a_visit() -> None:
    patient, group, visit, y = visits()
    design = visit_design(group, visit, groups=["cast", "plate"], visits=["start", "six weeks", "year"])
    event = (np.random.default_rng(4).random(72) < 0.4 + 0.01 * (y - y.mean())).astype(float)
    fit = fit_gee(design.X, event, names=design.names, clusters=patient, link="logit")
    cell = np.eye(6)
    e = marginal_contrast(fit, cell[[5]], cell[[2]], link="logit", sampled=False)
    share = [event[(group == g) & (visit == "year")].mean() for g in ("plate", "cast")]
    assert e.value == pytest.approx(100 * (share[0] - share[1]), rel=1e-9)


def test_covariates_are_centred_and_counts_kept() -> None:
    _, group, visit, _ = visits()
    age = np.repeat(np.linspace(30, 70, 24), 3)[:, None]
    design = visit_design(
        group, visit, groups=["cast", "plate"], visits=["start", "six weeks", "year"], covariates=age,
        covariate_names=["age"],
    )  # fmt: skip
    assert design.names[-1] == "age"
    assert design.X[:, -1].mean() == pytest.approx(0.0, abs=1e-12)
    assert design.tidy()["n"].tolist() == [12] * 6
    assert str(design) == "2 groups at 3 visits, 72 rows"
    assert visit_contrasts(design, "plate", "cast").rows.shape == (3, 7)


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        ({"visits": ["start", "year"]}, "unknown_group", "24 rows have a visit"),
        ({"groups": ["cast", "plate", "nail"]}, "empty_group", "nail at start"),
        ({"group": [None] * 72}, "unknown_group", "72 rows have a group"),
        ({"covariates": np.ones((3, 1)), "covariate_names": ["age"]}, "bad_shape", "3 rows of covariates"),
        ({"groups": ["cast", "cast"]}, "bad_levels", "once each"),
    ],
)
def test_visit_refusals(options, code, words) -> None:
    _, group, visit, _ = visits()
    given = {"groups": ["cast", "plate"], "visits": ["start", "six weeks", "year"]} | options
    with pytest.raises(EstimationError, match=words) as caught:
        visit_design(given.pop("group", group), visit, **given)
    assert caught.value.code == code


def test_contrasts_of_groups_that_are_not_there() -> None:
    _, group, visit, _ = visits()
    design = visit_design(group, visit, groups=["cast", "plate"], visits=["start", "six weeks", "year"])
    for arguments, words in ((("nail", "cast"), "'nail' is not one of"), (("cast", "cast"), "same group")):
        with pytest.raises(EstimationError, match=words):
            visit_contrasts(design, *arguments)
    with pytest.raises(EstimationError, match="'week 2' is not one of start"):
        visit_contrasts(design, "plate", "cast", baseline="week 2")
