"""Likelihood-ratio tests and intervals, interactions."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.regression.interactions import interaction_test, product_columns
from outcomes.stats.regression.likelihood import likelihood_interval, likelihood_ratio_test
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.wald import wald_test

NAMES = ["one", "arm", "x"]


def cohort(seed: int = 1, n: int = 90) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.integers(0, 2, n), rng.normal(size=n)])
    return X, (rng.random(n) < 1 / (1 + np.exp(0.3 - X @ [0, 0.7, 0.4]))).astype(float)


def test_logistic_and_poisson_against_statsmodels() -> None:
    X, y = cohort()
    test = likelihood_ratio_test(X, y, names=NAMES, drop=["arm", "x"], n_missing=3)
    full, null = (sm.GLM(y, block, family=sm.families.Binomial()).fit(tol=1e-14) for block in (X, X[:, :1]))
    assert test.statistic == pytest.approx(2 * (full.llf - null.llf), rel=1e-9)
    assert test.p_value == pytest.approx(stats.chi2.sf(test.statistic, 2), rel=1e-12)
    assert (test.df, test.n, test.n_missing) == (2, 90, 3)
    counts = np.random.default_rng(2).poisson(np.exp(X @ [0.2, 0.5, 0.1]))
    test = likelihood_ratio_test(
        X, counts, names=NAMES, drop=["arm"], model="Poisson", offset=np.log1p(np.arange(90))
    )
    full, null = (
        sm.GLM(counts, block, family=sm.families.Poisson(), offset=np.log1p(np.arange(90))).fit(tol=1e-14)
        for block in (X, X[:, [0, 2]])
    )
    assert test.statistic == pytest.approx(2 * (full.llf - null.llf), rel=1e-9)
    assert "likelihood-ratio test, Poisson regression of arm: chi-squared(1)" in str(test)


def test_grades_without_any_column_left_by_hand() -> None:
    arm, grade = np.repeat([0.0, 1.0], 10)[:, None], np.tile([0, 1, 2, 2, 1], 4)
    test = likelihood_ratio_test(
        arm, grade, names=["arm"], drop=["arm"], model="proportional odds", levels=[0, 1, 2]
    )
    assert test.statistic == pytest.approx(0.0, abs=1e-9)
    assert test.p_value == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        ({"clusters": np.arange(90) // 2}, "clustered", r"90 rows in 45 clusters.*wald_test"),
        ({"model": "Poisson"}, "not_its_likelihood", "does not have the Poisson likelihood"),
        ({"drop": ["age"]}, "unknown_columns", "one, arm, x"),
        ({"drop": []}, "unknown_columns", "none"),
        ({"drop": NAMES}, "unknown_columns", "leave at least one"),
        ({"model": "linear"}, "bad_choice", "'logistic', 'Poisson', 'proportional odds'"),
        ({"levels": [0, 1]}, "bad_choice", "levels go with"),
        ({"offset": np.zeros(90)}, "bad_choice", "offset with"),
    ],
)
def test_refusals(options, code, words) -> None:
    X, y = cohort()
    with pytest.raises(EstimationError, match=words) as caught:
        likelihood_ratio_test(X, y, **({"names": NAMES, "drop": ["arm"]} | options))
    assert caught.value.code == code


def test_clusters_of_one_row_are_no_clusters() -> None:
    X, y = cohort()
    alone = likelihood_ratio_test(X, y, names=NAMES, drop=["arm"], clusters=np.arange(90))
    assert alone == likelihood_ratio_test(X, y, names=NAMES, drop=["arm"])


def test_the_limits_are_where_the_likelihood_has_fallen() -> None:
    X, y = cohort()
    e = likelihood_interval(X, y, names=NAMES, column="arm", level=0.9)
    top = fit_logistic(X, y, names=NAMES, covariance="classical").log_likelihood
    for limit in (e.conf_low, e.conf_high):
        held = sm.GLM(y, X[:, [0, 2]], family=sm.families.Binomial(), offset=limit * X[:, 1]).fit(tol=1e-14)
        assert 2 * (top - held.llf) == pytest.approx(stats.chi2.ppf(0.9, 1), rel=1e-8)
    test = likelihood_ratio_test(X, y, names=NAMES, drop=["arm"])
    assert e.p_value == pytest.approx(test.p_value, rel=1e-8)
    ratio = likelihood_interval(X, y, names=NAMES, column="arm", level=0.9, ratio=True)
    assert (ratio.value, ratio.conf_low) == pytest.approx((np.exp(e.value), np.exp(e.conf_low)), rel=1e-10)
    assert (ratio.unit, e.unit) == ("ratio", "log odds")


def test_an_intercept_alone_has_the_interval_of_a_proportion() -> None:
    y = np.repeat([1.0, 0.0], [7, 13])
    e = likelihood_interval(np.ones((20, 1)), y, names=["one"], column="one")
    for limit in (e.conf_low, e.conf_high):
        p = 1 / (1 + np.exp(-limit))
        fall = 2 * (7 * np.log(7 / 20 / p) + 13 * np.log(13 / 20 / (1 - p)))
        assert fall == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-9)


def test_interval_refusals() -> None:
    X, y = cohort()
    with pytest.raises(EstimationError, match="no column 'age'"):
        likelihood_interval(X, y, names=NAMES, column="age")
    with pytest.raises(EstimationError, match="separation"):
        likelihood_interval(X, np.where(X[:, 1] == 1, 1.0, y), names=NAMES, column="arm")
    with pytest.raises(EstimationError, match="independent"):
        likelihood_interval(X, y, names=NAMES, column="arm", clusters=np.zeros(90))


def test_products_and_their_joint_test() -> None:
    X, y = cohort(4)
    g = np.random.default_rng(5).integers(0, 3, 90)
    wide = np.column_stack([X, g == 1, g == 2]).astype(float)
    names = [*NAMES, "g2", "g3"]
    products, added = product_columns(wide, names=names, first=["arm"], second=["g2", "g3"])
    assert added == ("arm x g2", "arm x g3")
    np.testing.assert_array_equal(products, wide[:, [1]] * wide[:, 3:])
    full = fit_logistic(np.hstack([wide, products]), y, names=[*names, *added], covariance="classical")
    joint = wald_test(full, np.eye(7)[5:])
    for model in ("logistic", "linear", "Poisson"):
        kind = "classical" if model == "logistic" else "CR2"
        outcome = y
        found = interaction_test(
            wide, outcome, names=names, first=["arm"], second=["g2", "g3"], model=model, covariance=kind
        )
        assert found.df_between == 2
        # a factor is a factor, whichever set comes first
        turned = interaction_test(
            wide, outcome, names=names, first=["g2", "g3"], second=["arm"], model=model, covariance=kind
        )
        assert turned.f == pytest.approx(found.f, rel=1e-9)
        if model == "logistic":
            assert found.f == pytest.approx(joint.f, rel=1e-12)


def test_interaction_refusals() -> None:
    X, y = cohort(4)
    with pytest.raises(EstimationError, match="not columns, or in both sets: age"):
        interaction_test(X, y, names=NAMES, first=["age"], second=["x"])
    with pytest.raises(EstimationError, match="in both sets: arm"):
        interaction_test(X, y, names=NAMES, first=["arm"], second=["arm"])
    with pytest.raises(EstimationError, match="an empty set"):
        interaction_test(X, y, names=NAMES, first=[], second=["arm"])
    # no case in one cell: the product repeats another column
    empty = np.column_stack([X[:, :2], X[:, 1] * (X[:, 2] > 0)])
    with pytest.raises(EstimationError, match="arm x x is a combination of x"):
        interaction_test(empty, y, names=NAMES, first=["arm"], second=["x"])
