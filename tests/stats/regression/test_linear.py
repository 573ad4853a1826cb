"""Linear regression: hand-worked and published cases, invariances, refusals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from published_tables import ANOREXIA, TOOTH
from scipy import special, stats

from outcomes.errors import EstimationError
from outcomes.stats.regression.contrasts import at_level, contrast_covariance, linear_contrast
from outcomes.stats.regression.linear import fit_linear


def cohort(seed: int = 1, n: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.integers(0, 2, n), rng.normal(50, 15, n), rng.normal(size=n)])
    cluster = rng.integers(0, 22, n)
    y = X @ [10, 3, -0.1, 1] + rng.normal(size=22)[cluster] + rng.normal(size=n)
    return X, y, cluster


NAMES = ["intercept", "arm", "age", "z"]


def test_ancova_on_four_rows_by_hand():
    # groups (x, y): (1, 2), (3, 4) and (2, 5), (4, 9). Within: Sxx = 4, Sxy = 6, slope 1.5, RSS = 10 - 9 = 1.
    # adjusted difference 7 - 3 - 1.5 (3 - 2) = 2.5, variance 1 (1/2 + 1/2 + 1/4)
    X = np.array([[1, 0, 1], [1, 0, 3], [1, 1, 2], [1, 1, 4.0]])
    fit = fit_linear(X, [2, 4, 5, 9], names=["intercept", "group", "x"], covariance="classical")
    np.testing.assert_allclose(fit.coefficients, [0, 2.5, 1.5], atol=1e-12)
    assert fit.residual_sd == pytest.approx(1, rel=1e-12)
    e = linear_contrast(fit, [[0, 1, 0]])[0]
    assert e.std_error == pytest.approx(1.25**0.5, rel=1e-12)
    assert e.df == 1
    # one degree of freedom is a Cauchy distribution
    assert e.p_value == pytest.approx(1 - 2 / np.pi * np.arctan(2.5 / 1.25**0.5), rel=1e-12)
    assert e.conf_high == pytest.approx(2.5 + np.tan(0.475 * np.pi) * 1.25**0.5, rel=1e-12)


def test_ancova_of_the_anorexia_trial():
    # Hand et al. (1993) data set 285; expected values by R 4.2.2 lm, car::Anova and emmeans (relative 1e-11)
    rows = [(g == "CBT", g == "FT", *pair) for g, pairs in ANOREXIA.items() for pair in pairs]
    cbt, ft, before, after = np.array(rows, float).T
    X = np.column_stack([np.ones(72), cbt, ft, before])
    fit = fit_linear(X, after, names=["intercept", "CBT", "FT", "before"], covariance="classical")
    e = linear_contrast(fit, np.eye(4))
    assert e[3].value == pytest.approx(0.434461150361, rel=1e-11)
    assert (e[1].value, e[1].std_error) == pytest.approx((4.09706552807, 1.89349260697), rel=1e-11)
    assert (e[1].conf_low, e[1].conf_high) == pytest.approx((0.318659858978, 7.87547119717), rel=1e-11)
    assert e[1].p_value == pytest.approx(0.0339993147203, rel=1e-11)
    assert (e[2].value, e[2].std_error) == pytest.approx((8.66012818099, 2.19314941164), rel=1e-11)
    assert e[2].p_value == pytest.approx(0.000189023798034, rel=1e-11)
    assert fit.r2 == pytest.approx(0.277654774065, rel=1e-11)
    # adjusted means are contrasts at the mean weight before
    m = before.mean()
    means = linear_contrast(fit, [[1, 0, 0, m], [1, 1, 0, m], [1, 0, 1, m]])
    assert [a.value for a in means] == pytest.approx([81.4772627862, 85.5743283143, 90.1373909672], rel=1e-11)
    assert means[2].std_error == pytest.approx(1.69762445677, rel=1e-11)


def test_two_way_table_of_the_tooth_experiment():
    # Crampton (1947); expected F and p by R 4.2.2 aov (the printed 15.572, 92, 4.107, .02186 are from memory)
    supp = np.repeat([1.0 if k[0] == "OJ" else -1.0 for k in TOOTH], 10)
    dose = np.repeat([k[1] for k in TOOTH], 10)
    y = np.concatenate(list(TOOTH.values()))
    low, mid = (dose == 0.5) - 1.0 * (dose == 2), (dose == 1) - 1.0 * (dose == 2)
    terms = {"supp": [supp], "dose": [low, mid], "both": [supp * low, supp * mid]}

    def rss(*kept: str) -> float:
        columns = [np.ones(60)] + [c for k in kept for c in terms[k]]
        names = [str(i) for i in range(len(columns))]
        fit = fit_linear(np.column_stack(columns), y, names=names, covariance="classical")
        return fit.residual_sd**2 * fit.df_residual

    full = rss("supp", "dose", "both")
    assert full == pytest.approx(712.106, rel=1e-12)
    f = [(rss(*kept) - full) / df / (full / 54) for kept, df in
         ((("dose", "both"), 1), (("supp", "both"), 2), (("supp", "dose"), 2))]  # fmt: skip
    assert f == pytest.approx([15.5719794525, 91.9999648929, 4.10699109402], rel=1e-10)
    assert float(special.fdtrc(2, 54, f[2])) == pytest.approx(0.0218602689648, rel=1e-9)


def test_standardisation_of_a_saturated_model_by_hand():
    # two strata of 6 and 4 cases: the standardised difference is (6 * 2 + 4 * 5) / 10 = 3.2
    arm = np.array([0, 0, 0, 1, 1, 1, 0, 0, 1, 1.0])
    stratum = np.repeat([0.0, 1.0], [6, 4])
    y = np.array([1, 2, 3, 3, 4, 5, 10, 12, 15, 17.0])

    def design(a: np.ndarray) -> np.ndarray:
        return np.column_stack([np.ones(10), a, stratum, a * stratum])

    fit = fit_linear(design(arm), y, names=["i", "a", "s", "as"])
    c = (design(np.ones(10)) - design(np.zeros(10))).mean(axis=0)
    e = linear_contrast(fit, c)[0]
    assert e.value == pytest.approx(3.2, rel=1e-12)
    # HC2 in each cell is the unbiased variance of its mean: 1/3 + 1/3 and 2/2 + 2/2, weighted
    assert e.std_error**2 == pytest.approx(0.36 * (2 / 3) + 0.16 * 2, rel=1e-12)


@pytest.mark.parametrize("covariance", ["CR2", "CR1", "CR0", "HC3", "classical"])
def test_reparametrisation_changes_nothing(covariance):
    X, y, cluster = cohort()
    A = np.random.default_rng(2).normal(size=(4, 4)) + 3 * np.eye(4)
    C = np.array([[0, 1, 0, 0], [1, 0.5, 50, 0.2]])
    plain = fit_linear(
        X, y, names=NAMES, clusters=cluster if covariance.startswith("CR") else None, covariance=covariance
    )
    mixed = fit_linear(
        X @ A,
        y,
        names=NAMES,
        clusters=cluster if covariance.startswith("CR") else None,
        covariance=covariance,
    )
    for a, b in zip(linear_contrast(plain, C), linear_contrast(mixed, C @ A), strict=True):
        assert (a.value, a.std_error, a.df, a.p_value) == pytest.approx(
            (b.value, b.std_error, b.df, b.p_value), rel=1e-8
        )
    np.testing.assert_allclose(plain.residuals, mixed.residuals, atol=1e-9)


def test_units_and_row_order():
    X, y, cluster = cohort(3)
    plain = linear_contrast(fit_linear(X, y, names=NAMES, clusters=cluster), [[0, 0, 1, 0]])[0]
    pounds = linear_contrast(
        fit_linear(X * [1, 1, 12, 1], y * 2.2, names=NAMES, clusters=cluster), [[0, 0, 12, 0]]
    )[0]
    assert pounds.value == pytest.approx(2.2 * plain.value, rel=1e-10)
    assert pounds.std_error == pytest.approx(2.2 * plain.std_error, rel=1e-10)
    assert pounds.df == pytest.approx(plain.df, rel=1e-10)
    shuffle = np.random.default_rng(4).permutation(len(y))
    labels = np.array([f"patient {k}" for k in cluster], dtype=object)
    moved = fit_linear(X[shuffle], y[shuffle], names=NAMES, clusters=labels[shuffle])
    again = linear_contrast(moved, [[0, 0, 1, 0]])[0]
    assert (again.value, again.std_error, again.df) == pytest.approx(
        (plain.value, plain.std_error, plain.df), rel=1e-10
    )


@pytest.mark.parametrize("covariance", ["CR0", "CR2"])
def test_weights_are_copies(covariance):
    X, y, cluster = cohort(5)
    copies = np.random.default_rng(6).integers(0, 4, len(y))
    weighted = fit_linear(X, y, names=NAMES, clusters=cluster, weights=copies, covariance=covariance)
    copied = fit_linear(
        np.repeat(X, copies, axis=0), np.repeat(y, copies), names=NAMES, clusters=np.repeat(cluster, copies),
        covariance=covariance,
    )  # fmt: skip
    np.testing.assert_allclose(weighted.coefficients, copied.coefficients, rtol=1e-10)
    np.testing.assert_allclose(weighted.covariance, copied.covariance, rtol=1e-9)
    C = np.eye(4)
    assert [e.df for e in linear_contrast(weighted, C)] == pytest.approx(
        [e.df for e in linear_contrast(copied, C)], rel=1e-9
    )
    assert weighted.n == (copies > 0).sum()
    assert len(weighted.residuals) == len(y)
    assert weighted.r2 == pytest.approx(copied.r2, rel=1e-10)


def test_extra_variance_and_critical_value():
    X, y, cluster = cohort(7)
    fit = fit_linear(X, y, names=NAMES, clusters=cluster)
    plain = linear_contrast(fit, [[0, 1, 0, 0]])[0]
    more = linear_contrast(fit, [[0, 1, 0, 0]], extra_variance=[0.5])[0]
    assert more.std_error**2 == pytest.approx(plain.std_error**2 + 0.5, rel=1e-12)
    v, g = plain.std_error**2, fit.n_clusters
    assert more.df == pytest.approx((v + 0.5) ** 2 / (v**2 / plain.df + 0.25 / (g - 1)), rel=1e-12)
    nothing = linear_contrast(fit, [[0, 1, 0, 0]], extra_variance=[0.0])[0]
    assert (nothing.df, nothing.conf_low) == pytest.approx((plain.df, plain.conf_low), rel=1e-12)
    wide = linear_contrast(fit, [[0, 1, 0, 0]], critical=3.0, n=[17], n_missing=4, unit="kg")[0]
    assert wide.conf_high - wide.value == pytest.approx(3 * plain.std_error, rel=1e-12)
    assert (wide.p_value, wide.n, wide.n_missing, wide.unit) == (plain.p_value, 17, 4, "kg")
    assert wide.method.endswith("; simultaneous")
    narrow = at_level(plain, 0.90)
    again = linear_contrast(fit, [[0, 1, 0, 0]], level=0.90)[0]
    assert narrow == again
    assert at_level(wide, 0.95) == linear_contrast(fit, [[0, 1, 0, 0]], n=[17], n_missing=4, unit="kg")[0]
    assert at_level(plain, 0.95, critical=3.0).conf_low == pytest.approx(wide.conf_low)


def test_estimates_say_when_clusters_are_few():
    X, y, cluster = cohort(8)
    assert (
        "unreliable"
        not in linear_contrast(fit_linear(X, y, names=NAMES, clusters=cluster), np.eye(4))[0].method
    )
    few = linear_contrast(fit_linear(X, y, names=NAMES, clusters=cluster % 7), np.eye(4))[0]
    assert few.method == "linear regression, CR2 cluster-robust, Satterthwaite t; unreliable: 7 clusters"


def test_no_spread_gives_a_value_without_interval():
    X = np.column_stack([np.ones(6), np.arange(6.0)])
    e = linear_contrast(fit_linear(X, 3 + 2 * np.arange(6.0), names=["a", "b"]), [[0, 1]])[0]
    assert e.value == pytest.approx(2)
    assert (e.conf_low, e.conf_high, e.p_value, e.std_error) == (None,) * 4
    assert "no spread" in e.reason
    assert at_level(e, 0.9) is e


def test_tidy_and_words():
    X, y, cluster = cohort(9)
    fit = fit_linear(X, y, names=NAMES, clusters=cluster)
    table = fit.tidy()
    assert isinstance(table, pd.DataFrame)
    assert table["contrast"].tolist() == NAMES
    assert {"estimate", "std_error", "conf_low", "conf_high", "p_value", "n", "n_missing"} <= set(table)
    assert "n = 60" in str(fit)
    np.testing.assert_allclose(contrast_covariance(fit, np.eye(4)), fit.covariance)


def test_r2_about_the_mean_without_an_intercept_column():
    X, y, _ = cohort(10)
    dummies = np.column_stack([X[:, 1], 1 - X[:, 1]])
    one = fit_linear(dummies, y, names=["a", "b"])
    two = fit_linear(X[:, :2], y, names=["a", "b"])
    assert one.r2 == pytest.approx(two.r2, rel=1e-12)
    through_zero = fit_linear(X[:, 2:3], y, names=["age"])
    assert through_zero.r2 == pytest.approx(1 - np.sum(through_zero.residuals**2) / np.sum(y**2), rel=1e-12)


def test_refusals():
    X, y, _ = cohort(11)
    missing = X.copy()
    missing[3, 2] = np.nan
    lost = y.copy()
    lost[[1, 2]] = np.nan
    cases = [
        ((missing, y, NAMES), "not_finite", r"age \(1\)"),
        ((X, lost, NAMES), "not_finite", "2 missing"),
        ((X, y[:-1], NAMES), "bad_shape", "60 rows"),
        ((X, y, NAMES[:3]), "bad_names", "4 columns"),
        ((X, y, ["a", "a", "b", "c"]), "bad_names", "3 different"),
        ((X[:, 0], y, NAMES), "bad_shape", "one column"),
        ((X[:4], y[:4], NAMES), "saturated", "4 rows for 4 coefficients"),
        ((np.column_stack([X[:, :3], X[:, 1] * 2]), y, NAMES), "rank_deficient", "z is a combination of arm"),
        ((np.column_stack([X[:, :3], np.full(60, 7.0)]), y, NAMES), "rank_deficient", "z is constant"),
        ((np.column_stack([X[:, :3], np.zeros(60)]), y, NAMES), "rank_deficient", "z is zero in every row"),
    ]
    for args, code, text in cases:
        with pytest.raises(EstimationError, match=text) as caught:
            fit_linear(args[0], args[1], names=args[2])
        assert caught.value.code == code
    fit = fit_linear(X, y, names=NAMES)
    for options, code in [({"level": 1.0}, "bad_level"), ({"labels": ["a"]}, "bad_shape"),
                          ({"extra_variance": [-1.0, 0.0]}, "bad_shape")]:  # fmt: skip
        with pytest.raises(EstimationError) as caught:
            linear_contrast(fit, np.eye(4)[:2], **options)
        assert caught.value.code == code
    with pytest.raises(EstimationError, match="intercept, arm, age, z"):
        linear_contrast(fit, [[0, 1]])


@pytest.mark.parametrize("df", [0.3, 1.0, 2.5, 11.7, 80.0, 1e4, 1e9])
def test_student_against_scipy(df):
    from outcomes.stats.numerics.student import t_quantile, t_two_sided_p

    for p in (0.6, 0.9, 0.975, 0.9999):
        assert float(t_quantile(p, df)) == pytest.approx(stats.t.ppf(p, df), rel=1e-9)
        assert float(t_quantile(1 - p, df)) == pytest.approx(stats.t.ppf(1 - p, df), rel=1e-9)
    for t in (0.0, 0.01, 1.3, -4.0, 40.0):
        assert float(t_two_sided_p(t, df)) == pytest.approx(2 * stats.t.sf(abs(t), df), rel=1e-9, abs=1e-300)
    assert float(t_two_sided_p(t_quantile(0.975, df), df)) == pytest.approx(0.05, rel=1e-11)
