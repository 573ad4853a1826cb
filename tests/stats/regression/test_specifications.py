"""Many linear specifications: equal to one fit at a time, whatever the rows, covariates and clusters."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from outcomes.errors import EstimationError
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.specifications import Specification, fit_specifications

NAMES = ["met", "age", "plate", "nail", "cast", "size"]


def invented(n: int, n_clusters: int, seed: int = 1):
    """Columns of which the three strategies add up to 1 unless the base case is there, outcome, clusters, rows."""
    rng = np.random.default_rng(seed)
    strategy = rng.integers(0, 4, n)
    X = np.column_stack(
        [rng.random(n) < 0.6, 60 + 15 * rng.normal(size=n), *(strategy == k for k in (1, 2, 3)), rng.normal(size=n)]
    ).astype(float)  # fmt: skip
    clusters = rng.integers(0, n_clusters, n)
    y = 3 * X[:, 0] + X[:, 1] / 10 + X[:, 2] + rng.normal(size=n_clusters)[clusters] + rng.normal(size=n)
    return X, y, clusters, {"no base": strategy > 0, "old": X[:, 1] > 60}


SETS = [(), ("age",), ("plate", "nail", "cast"), ("size", "plate", "age", "nail", "cast")]
ALL = [Specification(covariates=c, rows=r) for r in ("all", "no base", "old") for c in SETS]


@pytest.mark.parametrize(("n", "n_clusters"), [(400, 9), (400, 250)], ids=["products", "rows"])
@pytest.mark.parametrize("covariance", ["CR1", "CR0"])
def test_each_equals_a_fit_of_its_own(n, n_clusters, covariance):
    X, y, clusters, rows = invented(n, n_clusters)
    found = fit_specifications(
        X,
        y,
        names=NAMES,
        column="met",
        specifications=ALL,
        rows=rows,
        clusters=clusters,
        covariance=covariance,
    )
    for i, s in enumerate(ALL):
        use = rows.get(s.rows, np.ones(n, bool))
        left_out = found.left_out[i]
        assert len(left_out) == (s.rows == "no base" and "plate" in s.covariates)
        chosen = [NAMES.index(name) for name in s.covariates if name not in left_out]
        design = sm.add_constant(np.column_stack([X[use, 0], X[use][:, chosen]]))
        small = {"use_correction": covariance == "CR1", "groups": clusters[use]}
        fit = sm.OLS(y[use], design).fit(cov_type="cluster", cov_kwds=small, use_t=True)
        low, high = fit.conf_int()[1]
        numbers = (found.estimate, found.std_error, found.conf_low, found.conf_high, found.p_value)
        expected = (fit.params[1], fit.bse[1], low, high, fit.pvalues[1])
        np.testing.assert_allclose([v[i] for v in numbers], expected, rtol=1e-9)
        assert found.n[i] == use.sum()
        assert found.n_clusters[i] == len(np.unique(clusters[use]))
        assert found.df[i] == found.n_clusters[i] - 1


def test_many_small_clusters_beside_one_larger_than_a_block_of_rows():
    rng = np.random.default_rng(3)
    clusters = rng.permutation(np.r_[np.arange(4000) // 2, np.full(4500, 9999), 2000 + np.arange(800)])
    n, n_clusters = len(clusters), 2801
    X = rng.normal(size=(n, 2))
    y = X @ [0.5, 1.0] + rng.normal(size=10000)[clusters] + rng.normal(size=n)
    found = fit_specifications(
        X,
        y,
        names=["a", "b"],
        column="a",
        specifications=[Specification(covariates=("b",))],
        clusters=clusters,
    )
    fit = fit_linear(
        np.column_stack([np.ones(n), X]), y, names=["one", "a", "b"], clusters=clusters, covariance="CR1"
    )
    assert found.n_clusters[0] == n_clusters
    np.testing.assert_allclose(found.std_error[0] ** 2, fit.covariance[1, 1], rtol=1e-10)


def test_three_rows_and_two_clusters_are_the_fewest():
    X, y = np.array([[0.0], [1.0], [3.0]]), [1.0, 2.0, 3.5]
    given = {"names": ["a"], "column": "a", "specifications": [Specification(covariates=())]}
    three = fit_specifications(X, y, **given)
    # sum of products over sum of squares
    slope = (np.subtract(X[:, 0], 4 / 3) @ y) / (14 / 3)
    assert three.estimate[0] == pytest.approx(slope, rel=1e-12)
    assert three.df[0] == 1
    assert "at least 3 rows" in fit_specifications(X[:2], y[:2], **given).reason[0]
    two = fit_specifications(X, y, clusters=[1, 1, 2], **given)
    assert (two.reason[0], two.df[0], two.n_clusters[0]) == ("", 1, 2)
    one = fit_specifications(X, y, clusters=[1, 1, 1], **given)
    assert one.reason[0] == "3 rows in 1 clusters; at least 3 rows and 2 clusters are needed"


def test_a_column_hardly_apart_from_its_covariates_is_estimated_until_a_hundred_thousandth():
    # of a column of unit length this much lies outside the covariate: above 1e-5 it counts, below it does not
    rng = np.random.default_rng(4)
    basis, _ = np.linalg.qr(np.column_stack([np.ones(50), rng.normal(size=(50, 2))]))
    y = rng.normal(size=50)
    given = {"names": ["a", "b"], "column": "a", "specifications": [Specification(covariates=("b",))]}
    apart = fit_specifications(np.column_stack([basis[:, 1] + 3e-5 * basis[:, 2], basis[:, 1]]), y, **given)
    assert apart.reason[0] == ""
    assert apart.estimate[0] == pytest.approx(basis[:, 2] @ y / 3e-5, rel=1e-5)
    near = fit_specifications(np.column_stack([basis[:, 1] + 3e-6 * basis[:, 2], basis[:, 1]]), y, **given)
    assert near.reason[0] == "a is a combination of the covariates in these rows"


def test_p_and_limits_of_every_level_belong_together():
    X, y, clusters, _ = invented(80, 9)
    given = {"names": NAMES, "column": "met", "specifications": ALL[:2], "clusters": clusters}
    plain = fit_specifications(X, y, **given)
    for i in range(2):
        again = fit_specifications(X, y, level=1 - plain.p_value[i], **given)
        assert min(abs(again.conf_low[i]), abs(again.conf_high[i])) < 1e-9
    assert str(plain).endswith("below (CR1 errors)")
    assert fit_specifications(X, y, covariance="CR0", **given).method == "CR0 errors"
    alone = fit_specifications(X, y, **(given | {"clusters": None}))
    assert alone.method == "classical errors"
    assert alone.level == 0.95
    higher = fit_specifications(X, y + 100 * X[:, 0], **given)
    assert "2 intervals above 0 and 0 below" in str(higher)
    lower = fit_specifications(X, y - 100 * X[:, 0], **given)
    assert "0 intervals above 0 and 2 below" in str(lower)


def test_without_clusters_errors_are_the_classical_ones():
    X, y, *_ = invented(60, 5)
    found = fit_specifications(X, y, names=NAMES, column="met", specifications=ALL[:4])
    for i, s in enumerate(ALL[:4]):
        design = np.column_stack([np.ones(60), X[:, 0], X[:, [NAMES.index(c) for c in s.covariates]]])
        fit = fit_linear(design, y, names=["one", "met", *s.covariates], covariance="classical")
        np.testing.assert_allclose(found.estimate[i], fit.coefficients[1], rtol=1e-10)
        np.testing.assert_allclose(found.std_error[i], np.sqrt(fit.covariance[1, 1]), rtol=1e-10)
        assert found.df[i] == 60 - 2 - len(s.covariates)


def test_what_cannot_be_estimated_has_a_reason_and_leaves_the_others_alone():
    X, y, clusters, rows = invented(80, 6)
    X = np.column_stack([X, 1 - X[:, 0], X[:, 0] + X[:, 5]])
    names = [*NAMES, "not met", "met plus size"]
    rows |= {"met only": X[:, 0] == 1, "two": np.arange(80) < 2, "one cluster": clusters == 0}
    y[rows["one cluster"]] += 1
    flat = np.where(rows["old"], 1.0, y)
    several = [
        Specification(covariates=("not met",)), Specification(covariates=("size", "met plus size")),
        Specification(covariates=("age",), rows="met only"), Specification(covariates=(), rows="two"),
        Specification(covariates=("age",), rows="one cluster"), Specification(covariates=("age",)),
    ]  # fmt: skip
    given = {"names": names, "column": "met", "rows": rows, "clusters": clusters}
    found = fit_specifications(X, y, specifications=several, **given)
    assert ["combination" in reason for reason in found.reason[:2]] == [True, True]
    assert found.reason[2:5] == (
        "met does not vary in these rows", "2 rows in 1 clusters; at least 3 rows and 2 clusters are needed",
        f"{rows['one cluster'].sum()} rows in 1 clusters; at least 3 rows and 2 clusters are needed",
    )  # fmt: skip
    assert np.isnan(found.estimate[:5]).all()
    assert np.isnan(found.p_value[:5]).all()
    alone = fit_specifications(X, y, specifications=several[-1:], **given)
    assert found.estimate[5] == alone.estimate[0]
    assert "1 of 6 specifications estimable" in str(found)
    constant = fit_specifications(X, flat, specifications=[Specification(covariates=(), rows="old")], **given)
    assert constant.reason == ("the outcome does not vary in these rows",)
    noise = np.random.default_rng(5).normal(size=(4, 3))
    full = fit_specifications(noise, y[:4], names=["met", "age", "size"], column="met", specifications=[
        Specification(covariates=("age",)), Specification(covariates=("age", "size")),
    ])  # fmt: skip
    assert full.df[0] == 1
    assert full.reason == ("", "4 rows for 4 coefficients; use fewer covariates")


def test_an_exact_fit_has_no_p():
    X, *_ = invented(30, 5)
    exact = fit_specifications(X, 2 * X[:, 0], names=NAMES, column="met", specifications=ALL[:1])
    assert exact.estimate[0] == pytest.approx(2)
    assert exact.std_error[0] == pytest.approx(0, abs=1e-7)
    assert not exact.p_value[0] > 1e-6


def test_laws_of_units_signs_order_and_offsets():
    X, y, clusters, rows = invented(300, 20)
    given = {"names": NAMES, "column": "met", "specifications": ALL}
    base = fit_specifications(X, y, rows=rows, clusters=clusters, **given)
    scaled = fit_specifications(X * [1, 30, 1, 1, 1, 1e4] + [0, 1e5, 0, 0, 0, 0], 1e7 - 2 * y, rows=rows,
                                clusters=clusters, **given)  # fmt: skip
    np.testing.assert_allclose(scaled.estimate, -2 * base.estimate, rtol=1e-7)
    np.testing.assert_allclose(scaled.std_error, 2 * base.std_error, rtol=1e-7)
    shuffled = np.random.default_rng(2).permutation(300)
    moved = fit_specifications(X[shuffled], y[shuffled], rows={k: v[shuffled] for k, v in rows.items()},
                               clusters=clusters[shuffled], **given)  # fmt: skip
    np.testing.assert_allclose(moved.std_error, base.std_error, rtol=1e-11)
    table = base.tidy()
    assert list(table["group"].unique()) == ["all", "no base", "old"]
    assert table["n"].tolist() == base.n.tolist()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"column": "grip"}, "'grip'"),
        ({"specifications": []}, "0 specifications"),
        ({"specifications": [Specification(covariates=("met",))]}, "without 'met'"),
        ({"specifications": [Specification(covariates=("tilt",))]}, "unknown: tilt"),
        ({"specifications": [Specification(covariates=("age", "age"))]}, "once each"),
        ({"specifications": [Specification(covariates=(), rows="young")]}, "declared: all"),
        ({"rows": {"old": np.ones(3, bool)}}, "rows 'old'"),
        ({"covariance": "CR2"}, "'CR1'"),
        ({"level": 95}, "between 0 and 1"),
    ],
)
def test_bad_input_is_named(change, words):
    X, y, *_ = invented(30, 5)
    given = {"names": NAMES, "column": "met", "specifications": ALL[:2]} | change
    with pytest.raises(EstimationError, match=words):
        fit_specifications(X, y, **given)
