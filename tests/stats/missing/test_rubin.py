"""Rubin's rules: worked values, R (mice, mitml), laws, and what happens at the edges."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.missing.pooled_wald import pooled_wald_test
from outcomes.stats.missing.rubin import PooledEstimate, pool_estimates, pool_scalar

R = json.loads((Path(__file__).parents[2] / "reference/multiple_imputation/pooling.json").read_text("utf-8"))


def df_of(case: dict[str, Any]) -> float:
    return math.inf if case.get("df_complete") is None else float(case["df_complete"])


def close(value: float | None, expected: float, relative: float) -> bool:
    return value is not None and math.isclose(value, expected, rel_tol=relative)


# ---------------------------------------------------------------- worked values and R


def test_five_estimates_small_and_large_sample() -> None:
    """mice 3.15.0 pool.scalar on five invented estimates; n = 25, k = 2."""
    q, u = [24.9, 26.1, 25.4, 25.0, 27.2], [1.21, 1.10, 1.35, 1.05, 1.19]
    for df_complete, df, fmi in (
        (23, 6.75215563707633, 0.586491702752928),
        (math.inf, 17.3748955440831, 0.530871457712526),
    ):
        p = pool_scalar(q, np.sqrt(u), df_complete=df_complete)
        assert close(p.estimate.value, 25.72, 1e-13)
        assert close(p.within, 1.18, 1e-13)
        assert close(p.between, 0.907, 1e-13)
        assert close(p.total, 2.2684, 1e-13)
        assert close(p.relative_increase, 0.922372881355933, 1e-13)
        assert close(p.share_between, 0.479809557397285, 1e-13)
        assert close(p.estimate.df, df, 1e-13)
        assert close(p.missing_information, fmi, 1e-13)
        assert close(p.monte_carlo_error, math.sqrt(0.907 / 5), 1e-13)


# Regression of cholesterol on age group and body mass index in five imputations (of mice, private run with R 4.2.2,
# mice 3.15.0) of Schafer's 25 survey rows (1997); only the fits are pinned, not the data.
FITS = {
    "intercept": (
        [2.44611975235974, -42.7452629826934, -33.2772799310988, -76.1914634044117, 66.9075389908268],
        [49.6770756504109, 61.7716924278339, 52.5127845348845, 56.4916636355987, 58.2274177502362],
        (-16.5720695150035, 81.7270454695753, 5.66811845755725, 0.846393567358098, 0.640136212022678),
    ),
    "age": (
        [33.209898622956, 35.4950321507877, 39.1919465040226, 47.1068640397835, 25.4457379319219],
        [7.8063524664115, 8.63584574737095, 8.77617174507558, 7.89888322852875, 9.864547182298],
        (36.0898958498943, 12.2609443759717, 6.11750969805029, 0.0252482691661286, 0.613404494204822),
    ),
    "bmi": (
        [4.90427584835539, 6.63885987653479, 6.13832748904623, 6.76544403236143, 3.01145692890591],
        [1.58834504504406, 2.02127655395006, 1.66288852223979, 1.80739636206657, 1.77650696847235],
        (5.49167283504075, 2.47289527099245, 6.49145740041116, 0.0647716722960759, 0.592238596469771),
    ),
}


@pytest.mark.parametrize("name", FITS)
def test_regression_over_five_imputations(name: str) -> None:
    q, se, (value, error, df, p, fmi) = FITS[name]
    pooled = pool_scalar(q, se, df_complete=22)
    e = pooled.estimate
    for got, expected in (
        (e.value, value), (e.std_error, error), (e.df, df), (e.p_value, p), (pooled.missing_information, fmi),
    ):  # fmt: skip
        assert close(got, expected, 1e-12)
    t = stats.t.ppf(0.975, df)
    assert close(e.conf_low, value - t * error, 1e-9)
    assert close(e.conf_high, value + t * error, 1e-9)


def test_eighty_single_numbers_of_r() -> None:
    assert len(R["scalar"]) == 80
    n_floored = 0
    for case in R["scalar"]:
        p = pool_scalar(case["values"], np.sqrt(case["variances"]), df_complete=df_of(case))
        got = (p.estimate.value, p.within, p.between, p.total, p.estimate.df, p.relative_increase,
               p.missing_information)  # fmt: skip
        expected = tuple(case[key] for key in ("qbar", "ubar", "b", "t", "df", "r", "fmi"))
        # mice raises a share under 1e-4 to 1e-4, which moves its degrees of freedom by that much
        floored = (p.share_between or 0) < 1e-4
        n_floored += floored
        limits = [1e-11] * 4 + [2e-4 if floored else 1e-11, 1e-11, 1e-3 if floored else 1e-11]
        assert all(map(close, got, expected, limits)), case
    assert n_floored <= 1


def test_forty_joint_tests_of_r() -> None:
    assert len(R["joint"]) == 40
    for case in R["joint"]:
        test = pooled_wald_test(case["values"], case["covariances"], df_complete=df_of(case))
        assert close(test.f, case["F"], 1e-10)
        assert close(test.df_within, case["v"], 1e-10)
        assert close(test.p_value, case["p"], 1e-9)
        assert test.df_between == len(case["values"][0])


def test_few_imputations_joint_by_hand() -> None:
    """k (m - 1) = 2: df = 2 (1 + 1/2) (1 + 1/r)^2 / 2 with r = 1.5 (2 + 0) / 2 = 1.5."""
    test = pooled_wald_test([[2, 0], [4, 0]], [np.eye(2)] * 2)
    assert close(test.f, 9 / 2 / 2.5, 1e-14)
    assert close(test.df_within, 1.5 * (1 + 1 / 1.5) ** 2, 1e-14)
    assert close(test.p_value, stats.f.sf(1.8, 2, test.df_within), 1e-12)


# ---------------------------------------------------------------- laws


def numbers(p: PooledEstimate) -> list[float]:
    e = p.estimate
    return [float(v) for v in (e.value, e.conf_low, e.conf_high, e.std_error) if v is not None]


def free(p: PooledEstimate) -> list[float | None]:
    return [p.estimate.df, p.estimate.p_value, p.share_between, p.relative_increase, p.missing_information]


@pytest.mark.parametrize("seed", range(20))
def test_units_signs_and_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    m = int(rng.integers(2, 30))
    q, se, v = rng.normal(1, 1, m), rng.uniform(0.2, 2, m), float(rng.choice([3.0, 40.0, math.inf]))
    p = pool_scalar(q, se, df_complete=v)
    for factor in (1000.0, 1e-170, 1e150):
        scaled = pool_scalar(q * factor, se * factor, df_complete=v)
        assert np.allclose(numbers(scaled), np.array(numbers(p)) * factor, rtol=1e-12, atol=0)
        assert np.allclose(free(scaled), free(p), rtol=1e-11)  # type: ignore[arg-type]
    swapped = pool_scalar(-q, se, df_complete=v).estimate
    assert (swapped.value, swapped.conf_low, swapped.conf_high) == (
        -(p.estimate.value or 0), -(p.estimate.conf_high or 0), -(p.estimate.conf_low or 0),
    )  # fmt: skip
    order = rng.permutation(m)
    assert np.allclose(numbers(pool_scalar(q[order], se[order], df_complete=v)), numbers(p), rtol=1e-12)
    shifted = pool_scalar(q + 1e6, se, df_complete=v)
    assert close(shifted.between, p.between or 0, 1e-7)


@pytest.mark.parametrize("seed", range(20))
def test_degrees_of_freedom_are_bounded(seed: int) -> None:
    """Barnard and Rubin 1999: never above either of the two, rising with both."""
    rng = np.random.default_rng(seed)
    m = int(rng.integers(2, 30))
    q, se = rng.normal(0, 1, m), rng.uniform(0.5, 2, m)
    large = pool_scalar(q, se)
    df = [pool_scalar(q, se, df_complete=v).estimate.df or 0 for v in (2, 10, 100, 1e4, 1e9)]
    assert all(a < b for a, b in pairwise(df))
    assert all(d < v for d, v in zip(df, (2, 10, 100, 1e4, 1e9), strict=True))
    assert df[-1] <= (large.estimate.df or 0)
    assert close(df[-1], large.estimate.df or 0, 1e-4)
    assert 0 < (large.share_between or 0) < (large.missing_information or 0) < 1


@pytest.mark.parametrize("seed", range(10))
def test_joint_test_of_one_number_is_the_square_of_its_t(seed: int) -> None:
    rng = np.random.default_rng(seed)
    m, v = int(rng.integers(2, 12)), float(rng.choice([5.0, 60.0, math.inf]))
    q, se = rng.normal(1, 1, m), rng.uniform(0.2, 2, m)
    one = pool_scalar(q, se, df_complete=v).estimate
    test = pooled_wald_test(q[:, None], np.square(se)[:, None, None], df_complete=v)
    assert close(test.f, ((one.value or 0) / (one.std_error or 1)) ** 2, 1e-11)
    assert close(test.df_within, one.df or 0, 1e-11)
    assert close(test.p_value, one.p_value or 0, 1e-10)


@pytest.mark.parametrize("seed", range(10))
def test_joint_test_does_not_depend_on_the_basis(seed: int) -> None:
    rng = np.random.default_rng(seed)
    m, k, v = 8, 3, float(rng.choice([60.0, math.inf]))
    q = rng.normal(1, 1, (m, k))
    u = np.array([a.T @ a for a in rng.normal(size=(m, 9, k))])
    basis = rng.normal(size=(k, k)) * np.array([1.0, 1e-4, 1e5])[:, None]
    plain = pooled_wald_test(q, u, df_complete=v, n=50)
    turned = pooled_wald_test(q @ basis.T, basis @ u @ basis.T, df_complete=v, n=50)
    assert close(turned.f, plain.f or 0, 1e-7)
    assert close(turned.df_within, plain.df_within or 0, 1e-7)


def test_joint_degrees_of_freedom_of_large_samples_are_the_limit() -> None:
    case = R["joint"][0]
    limit = pooled_wald_test(case["values"], case["covariances"])
    near = pooled_wald_test(case["values"], case["covariances"], df_complete=1e9)
    assert close(near.df_within, limit.df_within or 0, 1e-5)


def test_estimates_pool_as_their_numbers() -> None:
    sets = [
        Estimate(
            value=v, conf_low=None, conf_high=None, std_error=s, df=d, contrast="a minus b", unit="kg", n=n
        )
        for v, s, d, n in ((1.0, 0.5, 20.5, 40), (1.4, 0.6, 18.0, 38), (0.7, 0.4, 22.0, 40))
    ]
    pooled = pool_estimates(sets)
    assert pooled == pool_scalar(
        [1.0, 1.4, 0.7], [0.5, 0.6, 0.4], df_complete=18.0, contrast="a minus b", unit="kg", n=38
    )
    assert pool_estimates(sets, df_complete=50).df_complete == 50
    row = pooled.tidy().iloc[0]
    assert row["estimate"] == pooled.estimate.value
    assert row["missing_information"] == pooled.missing_information
    assert "3 imputations); missing information" in str(pooled)


# ---------------------------------------------------------------- edges


def test_estimates_that_agree() -> None:
    """Nothing between: normal reference for a large sample, v (v + 1) / (v + 3) for v complete."""
    large = pool_scalar([5.0] * 4, [2.0] * 4)
    assert large.estimate.df == math.inf
    assert large.missing_information == 0.0
    assert close(large.estimate.conf_high, 5 + 2 * 1.959963984540054, 1e-12)
    small = pool_scalar([5.0] * 4, [2.0] * 4, df_complete=20)
    assert close(small.estimate.df, 20 * 21 / 23, 1e-14)
    joint = pooled_wald_test([[3.0, 4.0]] * 4, [np.eye(2)] * 4)
    assert joint.df_within is None  # p of chi-squared, as every Wald test with a normal reference says it
    assert "chi-squared(2) = 25" in str(joint)
    assert close(joint.f, 12.5, 1e-14)
    assert close(joint.p_value, math.exp(-12.5), 1e-12)
    reiter = pooled_wald_test([[3.0, 4.0]] * 4, [np.eye(2)] * 4, df_complete=20)
    assert close(reiter.df_within, 20 * 21 / 23, 1e-12)


def test_estimates_that_nearly_agree_stay_finite() -> None:
    for gap in (1e-300, 1e-160, 1e-80, 1e-9):
        p = pool_scalar([0.0, gap], [1.0, 1.0])
        assert close(p.estimate.conf_high, 1.959963984540054, 1e-8)
        assert pool_scalar([0.0, gap], [1.0, 1.0], df_complete=10).estimate.df == pytest.approx(10 * 11 / 13)
        assert pooled_wald_test([[1, 0.0], [1, gap]], [np.eye(2)] * 2).p_value == pytest.approx(
            math.exp(-0.5)
        )


def test_no_p_is_zero() -> None:
    assert (pool_scalar([1e6, 1e6], [1.0, 1.0]).estimate.p_value or 0) > 0
    assert (pooled_wald_test([[1e6, 1e6]] * 3, [np.eye(2)] * 3).p_value or 0) > 0


def test_no_spread_within_is_not_estimable() -> None:
    p = pool_scalar([1.0, 2.0], [0.0, 0.0], contrast="a minus b")
    assert str(p) == "a minus b: not estimable (no imputed data set has a standard error above 0)"
    assert p.total is None
    assert p.tidy()["reason"].iloc[0] == p.estimate.reason


def test_hopelessly_different_imputations_have_no_limits() -> None:
    p = pool_scalar([-1e12, 1e12], [1.0, 1.0], df_complete=5)
    assert p.estimate.value == 0.0
    assert p.estimate.conf_low is p.estimate.conf_high is p.estimate.p_value is None
    assert "differ so much" in p.estimate.reason


def test_not_estimable_in_one_set_is_not_estimable() -> None:
    good = Estimate(value=1.0, conf_low=None, conf_high=None, std_error=1.0, contrast="c", n=9)
    bad = Estimate.not_estimable("no events", contrast="c", n=9)
    pooled = pool_estimates([good, bad, good])
    assert str(pooled) == "c: not estimable (not estimable in 1 of 3 imputed data sets: no events)"


def test_joint_tests_that_cannot_be_made_say_why() -> None:
    same = pooled_wald_test([[1, 1], [2, 2], [3, 3.0]], [np.ones((2, 2))] * 3)
    assert "not independent" in same.reason
    assert "no test" in str(same)
    few = pooled_wald_test([[1, 1], [2, 3.0]], [np.eye(2)] * 2, df_complete=30)
    assert few.reason == "2 imputations and 30 degrees of freedom are too few to test 2 numbers"
    short = pooled_wald_test([[1, 1], [9, 3], [4, 4], [0, 1.0]], [np.eye(2)] * 4, df_complete=4)
    assert short.f is None


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: pool_scalar([1.0], [1.0]), "too_few_imputations"),
        (lambda: pool_scalar([1.0, 2.0], [1.0]), "bad_shape"),
        (lambda: pool_scalar([1.0, math.nan], [1.0, 1.0]), "not_finite"),
        (lambda: pool_scalar([1.0, 2.0], [1.0, math.inf]), "not_finite"),
        (lambda: pool_scalar([1.0, 2.0], [1.0, -1.0]), "not_finite"),
        (lambda: pool_scalar([1.0, 2.0], [1.0, 1.0], df_complete=0), "bad_df"),
        (lambda: pool_scalar([1.0, 2.0], [1.0, 1.0], df_complete=math.nan), "bad_df"),
        (lambda: pool_scalar([1.0, 2.0], [1.0, 1.0], level=95), "bad_level"),
        (lambda: pool_estimates([]), "too_few_imputations"),
        (lambda: pooled_wald_test([[1.0, 2.0]], [np.eye(2)]), "bad_shape"),
        (lambda: pooled_wald_test([[1.0, 2.0]] * 2, [np.eye(3)] * 2), "bad_shape"),
        (lambda: pooled_wald_test([[1.0, math.nan]] * 2, [np.eye(2)] * 2), "not_finite"),
        (lambda: pooled_wald_test([[1.0, 2.0]] * 2, [[[1, 0.5], [0, 1]]] * 2), "bad_covariance"),
    ],
)
def test_what_is_refused(call: Any, code: str) -> None:
    with pytest.raises(EstimationError) as caught:
        call()
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("change", "code"),
    [({"unit": "ratio"}, "ratio"), ({"std_error": None}, "no_std_error"), ({}, "mixed_contrasts")],
)
def test_estimates_that_do_not_pool(change: dict[str, Any], code: str) -> None:
    plain: dict[str, Any] = {"value": 1.0, "conf_low": None, "conf_high": None, "std_error": 1.0}
    first = Estimate(**(plain | change))
    second = Estimate(**(plain | (change or {"unit": "kg"})))
    with pytest.raises(EstimationError) as caught:
        pool_estimates([first, second])
    assert caught.value.code == code


# ---------------------------------------------------------------- coverage


def test_coverage_of_the_pooled_mean() -> None:
    """2,000 samples of 40, half missing at random, proper normal imputation (Rubin 1987, example 4.3), m = 5.

    The two-line imputation here is exact, so the interval is at fault if the coverage is.
    """
    rng = np.random.default_rng(20240602)
    reps, n, seen, m = 2000, 40, 20, 5
    y = rng.normal(3.0, 2.0, (reps, seen))
    mean, var = y.mean(axis=1)[:, None], y.var(axis=1, ddof=1)[:, None]
    sigma2 = var * (seen - 1) / rng.chisquare(seen - 1, (reps, m))
    mu = mean + np.sqrt(sigma2 / seen) * rng.standard_normal((reps, m))
    filled = mu[:, :, None] + np.sqrt(sigma2)[:, :, None] * rng.standard_normal((reps, m, n - seen))
    whole = np.concatenate([np.broadcast_to(y[:, None, :], (reps, m, seen)), filled], axis=2)
    q, se = whole.mean(axis=2), whole.std(axis=2, ddof=1) / math.sqrt(n)
    hits = 0
    for a, b in zip(q, se, strict=True):
        e = pool_scalar(a, b, df_complete=n - 1).estimate
        hits += (e.conf_low or 0) <= 3.0 <= (e.conf_high or 0)
    assert abs(hits / reps - 0.95) <= 3 * math.sqrt(0.95 * 0.05 / reps)
