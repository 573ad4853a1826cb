"""Chained equations: recovery, coverage, R (mice), laws, limits, and what is refused."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.missing.imputation import ColumnModel, DerivedColumn, Imputations, completed, impute
from outcomes.stats.missing.imputation_levels import draw_levels, fit_levels
from outcomes.stats.missing.imputation_numbers import draw_coefficients, match_donors
from outcomes.stats.missing.imputation_visits import _donor_groups
from outcomes.stats.missing.rubin import PooledEstimate, pool_scalar
from outcomes.stats.regression.linear import fit_linear

FOLDER = Path(__file__).parents[2] / "reference/multiple_imputation"
Columns = dict[str, np.ndarray]


def least_squares(columns: Columns, y: str, terms: list[Any]) -> tuple[np.ndarray, np.ndarray]:
    """Return coefficients and classical errors of y on an intercept and terms (names or functions of the columns)."""
    made = [columns[term] if isinstance(term, str) else term(columns) for term in terms]
    X = np.column_stack([np.ones(len(columns[y])), *made])
    fit = fit_linear(X, columns[y], names=[f"c{j}" for j in range(X.shape[1])], covariance="classical")
    return fit.coefficients, np.sqrt(np.diag(fit.covariance))


def pooled(result: Imputations, y: str, terms: list[Any]) -> list[PooledEstimate]:
    fits = [least_squares(completed(result, i), y, terms) for i in range(result.n_imputations)]
    q, se = (np.array(part) for part in zip(*fits, strict=True))
    v = result.n - q.shape[1]
    return [pool_scalar(q[:, j], se[:, j], df_complete=v) for j in range(q.shape[1])]


def cohort(n: int, rng: np.random.Generator) -> tuple[Columns, Columns]:
    """Return invented complete data and the same with values missing at random given y and age."""
    age, sex = rng.normal(60, 12, n), (rng.random(n) < 0.7).astype(float)
    kind = rng.integers(0, 3, n).astype(float)
    tilt = 2 + 0.1 * (age - 60) + 3 * (kind == 2) + rng.normal(0, 5, n)
    bone = (rng.random(n) < special.expit(0.05 * (age - 60) + 0.1 * tilt)).astype(float)
    y = 30 - 0.4 * tilt - 3 * bone + 2 * sex - 2 * (kind == 1) + rng.normal(0, 5, n)
    whole = {"age": age, "sex": sex, "kind": kind, "tilt": tilt, "bone": bone, "y": y}
    gaps = {name: column.copy() for name, column in whole.items()}
    low = special.expit(-1 - 0.12 * (y - 28))
    gaps["tilt"][rng.random(n) < low] = np.nan
    gaps["bone"][rng.random(n) < special.expit(-1.3 + 0.06 * (age - 60))] = np.nan
    gaps["kind"][rng.random(n) < 0.5 * low] = np.nan
    return whole, gaps


MODELS = [
    ColumnModel(name="tilt"), ColumnModel(name="bone", kind="yes_no"), ColumnModel(name="kind", kind="category"),
    ColumnModel(name="sex", kind="yes_no"),
]  # fmt: skip
TERMS = ["tilt", "bone", "sex", lambda c: c["kind"] == 1, lambda c: c["kind"] == 2]


# ---------------------------------------------------------------- recovery, coverage, R


def test_recovers_what_complete_cases_lose() -> None:
    whole, gaps = cohort(4000, np.random.default_rng(11))
    result = impute(gaps, MODELS, keys=np.arange(4000), seed=3, n_imputations=10, n_cycles=5)
    truth, _ = least_squares(whole, "y", TERMS)
    for e, true in zip(pooled(result, "y", TERMS), truth, strict=True):
        # given the complete data, the pooled value wanders by what was missing only
        assert e.between is not None
        assert abs((e.estimate.value or 0) - true) < 4 * math.sqrt(1.1 * e.between)
    for name, column in (("tilt", whole["tilt"]), ("bone", whole["bone"]), ("kind", whole["kind"] == 2)):
        means = [completed(result, i)[name] for i in range(10)]
        q = np.array([(m == 2 if name == "kind" else m).mean() for m in means])
        assert abs(q.mean() - column.mean()) < 4 * math.sqrt(1.1 * q.var(ddof=1))
    # the missing are no random part: the observed mean is off by more than that
    tilt = np.array([completed(result, i)["tilt"].mean() for i in range(10)])
    assert abs(np.nanmean(gaps["tilt"]) - whole["tilt"].mean()) > 5 * tilt.std(ddof=1)


def coverage(reps: int) -> np.ndarray:
    """Return how many of the pooled intervals hold the planted coefficients; tilt and bone incomplete, n = 150."""
    rng, true = np.random.default_rng(12), np.array([30, -0.4, -3, 2, -2, 0])
    hits = np.zeros(6)
    for seed in range(reps):
        whole, gaps = cohort(150, rng)
        gaps["kind"] = whole["kind"]
        result = impute(gaps, MODELS, keys=np.arange(150), seed=seed, n_imputations=5, n_cycles=3)
        limits = [e.estimate for e in pooled(result, "y", TERMS)]
        hits += [(e.conf_low or 0) <= t <= (e.conf_high or 0) for e, t in zip(limits, true, strict=True)]
    return hits


@pytest.mark.parametrize("reps", [60, pytest.param(1000, marks=pytest.mark.simulation)])
def test_coverage_of_pooled_coefficients(reps: int) -> None:
    """95 % within three Monte Carlo errors (1,000 cohorts with `make simulate`), each of six coefficients."""
    shares = coverage(reps) / reps
    error = math.sqrt(0.95 * 0.05 / reps)
    assert (np.abs(shares - 0.95) < 3 * error).all(), shares


def test_pooled_estimates_are_those_of_r() -> None:
    """mice 3.15.0, 200 imputations of the same invented rows; within four Monte Carlo errors of both."""
    data = pd.read_csv(FOLDER / "incomplete.csv")
    reference = json.loads((FOLDER / "imputing.json").read_text("utf-8"))
    models = [
        ColumnModel(name="x1"),
        ColumnModel(name="b", kind="yes_no"),
        ColumnModel(name="k", kind="category"),
    ]
    result = impute(
        {name: data[name].to_numpy() for name in data},
        models,
        keys=data.index,
        seed=1,
        n_imputations=60,
        n_cycles=6,
    )
    terms = ["x1", "x2", "b", lambda c: c["k"] == 1, lambda c: c["k"] == 2]
    columns = [completed(result, i) for i in range(60)]
    for c in columns:
        c["k2"] = (c["k"] == 2).astype(float)
    checked = [(reference["outcome"], pooled(result, "y", terms))]
    for name, key in (("x1", "mean_x1"), ("b", "share_b"), ("k2", "share_k2")):
        q = [c[name].mean() for c in columns]
        se = [c[name].std(ddof=1) / math.sqrt(len(data)) for c in columns]
        checked.append((reference[key], [pool_scalar(q, se, df_complete=len(data) - 1)]))
    n_checked = 0
    for r, mine in checked:
        for j, e in enumerate(mine):
            value, error, between = (np.atleast_1d(r[key])[j] for key in ("estimate", "std_error", "between"))
            wander = math.hypot(math.sqrt(between / reference["m"]), e.monte_carlo_error or 0)
            assert abs((e.estimate.value or 0) - value) < 4 * wander
            assert math.isclose(e.estimate.std_error or 0, error, rel_tol=0.12)
            n_checked += 1
    assert n_checked == 9


def test_products_keep_an_interaction_of_a_yes_no() -> None:
    """y = x + z + 2 x z + noise: log odds of x are linear in y, z and y z, so the product makes it congenial."""
    rng, n = np.random.default_rng(13), 3000
    z, x = (rng.random((2, n)) < 0.5).astype(float)
    y = x + z + 2 * x * z + 1.5 * rng.normal(size=n)
    gaps = {"x": np.where(rng.random(n) < special.expit(-0.5 + 0.4 * y), np.nan, x), "z": z, "y": y}
    terms = ["x", "z", lambda c: c["x"] * c["z"]]
    yz = DerivedColumn(name="yz", parts=("y", "z"), compute=lambda y, z: y * z)
    xz = DerivedColumn(name="xz", parts=("x", "z"), compute=lambda x, z: x * z)
    keys, model = np.arange(n), [ColumnModel(name="x", kind="yes_no")]
    kept = impute(gaps, model, keys=keys, seed=1, derived=[yz, xz], n_imputations=10, n_cycles=2)
    lost = impute(gaps, model, keys=keys, seed=1, n_imputations=10, n_cycles=2)
    truth, _ = least_squares({"x": x, "z": z, "y": y}, "y", terms)
    good, bad = pooled(kept, "y", terms)[3], pooled(lost, "y", terms)[3]
    assert abs((good.estimate.value or 0) - truth[3]) < 4 * math.sqrt(1.1 * (good.between or 0))
    assert (bad.estimate.value or 0) < truth[3] - 4 * math.sqrt(1.1 * (bad.between or 0))
    c = completed(kept, 4)
    assert np.array_equal(c["xz"], c["x"] * c["z"])


def test_levels_by_themselves_keep_an_interaction_of_a_number() -> None:
    """y = x + z + x z + noise: the spread of x given y depends on z, so a product is not enough."""
    rng, n = np.random.default_rng(13), 3000
    z, x = (rng.random(n) < 0.5).astype(float), rng.normal(size=n)
    y = x + z + x * z + rng.normal(size=n)
    gaps = {"x": np.where(rng.random(n) < special.expit(-0.2 + 0.6 * y), np.nan, x), "z": z, "y": y}
    terms = ["x", "z", lambda c: c["x"] * c["z"]]
    keys = np.arange(n)
    kept = impute(gaps, [ColumnModel(name="x", within="z")], keys=keys, seed=1, n_imputations=10, n_cycles=2)
    yz = DerivedColumn(name="yz", parts=("y", "z"), compute=lambda y, z: y * z)
    lost = impute(
        gaps, [ColumnModel(name="x")], keys=keys, seed=1, derived=[yz], n_imputations=10, n_cycles=2
    )
    truth, _ = least_squares({"x": x, "z": z, "y": y}, "y", terms)
    good, bad = pooled(kept, "y", terms)[3], pooled(lost, "y", terms)[3]
    assert abs((good.estimate.value or 0) - truth[3]) < 4 * math.sqrt(1.1 * (good.between or 0))
    assert (bad.estimate.value or 0) < truth[3] - 0.2
    rows = kept.rows["x"]
    for level in (0, 1):
        own = np.isin(kept.imputed["x"][:, z[rows] == level], gaps["x"][z == level])
        assert own.all(), "donors of the other level"


# ---------------------------------------------------------------- the draws


@pytest.mark.parametrize("seed", range(8))
def test_nearest_donors_by_looking_at_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    m, n, k, donors = 3, int(rng.integers(6, 40)), 40, int(rng.integers(1, 12))
    fitted, predicted, uniform = rng.normal(size=(m, n)), 2 * rng.normal(size=(m, k)), rng.random((m, k))
    y = rng.normal(size=n)
    low, high = np.full(k, -np.inf), np.full(k, np.inf)
    low[::4], high[1::4] = np.quantile(y, 0.5), np.quantile(y, 0.3)
    low[2::8] = np.quantile(y, rng.random(len(low[2::8])) * 0.9)
    drawn = match_donors(fitted, predicted, y, _donor_groups("y", y, low, high), uniform, donors)
    for chain, row in np.ndindex(m, k):
        allowed = np.flatnonzero((y >= low[row]) & (y <= high[row]))
        nearest = allowed[np.argsort(np.abs(fitted[chain, allowed] - predicted[chain, row]))[:donors]]
        assert drawn[chain, row] == y[nearest[int(uniform[chain, row] * len(nearest))]]


def test_donors_predicted_alike_are_all_used() -> None:
    rng = np.random.default_rng(1)
    y, all_rows = rng.normal(size=400), [(None, np.arange(2000))]
    # rounding apart all donors are predicted 1; a chain whose donors differ is beside it
    fitted = np.vstack([1.0 + 1e-15 * rng.normal(size=400), y])
    uniform = rng.random((2, 2000))
    drawn = match_donors(fitted, np.ones((2, 2000)), y, all_rows, uniform, 5)
    assert len(np.unique(drawn[0])) > 380
    assert len(np.unique(drawn[1])) == 5
    assert np.array_equal(
        drawn[1:], match_donors(fitted[1:], np.ones((1, 2000)), y, all_rows, uniform[1:], 5)
    )
    # three donors alike: a third of the random numbers for each
    three = match_donors(np.array([[0.0, 0, 0, 5]]), np.zeros((1, 4)), y[:4], [(None, np.arange(4))],
                         np.array([[0.1, 0.6, 0.7, 0.99]]), 1)  # fmt: skip
    assert three.tolist() == [y[[0, 1, 2, 2]].tolist()]
    # two halves of two hundred each: never one of the other half
    halves = np.repeat([0.0, 1.0], 200)[None, :]
    left = match_donors(halves, np.full((1, 2000), 0.1), y, all_rows, uniform[:1], 5)
    assert np.isin(left, y[:200]).all()
    assert len(np.unique(left)) > 190


def test_posterior_of_a_share() -> None:
    """30 of 100: the share of 1,000 draws varies by p (1 - p) (1/100 + 1/1000), not by 1/1000 alone."""
    rng, codes, used = np.random.default_rng(2), np.repeat([0, 1], [70, 30]), np.ones((1, 1), dtype=bool)
    modes, factors = fit_levels(np.ones((1, 1, 100)), codes, 2, used, "b")
    ones, none = np.ones((1, 1, 1000)), np.zeros(1000)
    shares = np.array(
        [draw_levels(modes, factors, used, ones, none, [rng]).mean() for _ in range(1500)],
    )
    assert abs(shares.mean() - 0.3) < 0.01
    assert math.isclose(shares.var(), 0.21 * (1 / 100 + 1 / 1000), rel_tol=0.12)


def test_coefficients_vary_as_least_squares_says() -> None:
    rng, reps = np.random.default_rng(3), 6000
    design = np.column_stack([np.ones(30), rng.normal(size=30)])
    y = design @ [1.0, 2.0] + rng.normal(size=30)
    rows = np.column_stack([design, y])
    moments = np.tile(rows.T @ rows, (reps, 1, 1))
    fitted, draws = draw_coefficients(moments, np.ones((reps, 2), dtype=bool), 30, [rng] * reps)
    b = np.linalg.lstsq(design, y, rcond=None)[0]
    assert np.allclose(fitted, b, rtol=1e-12)
    # residual variance over chi-squared: the covariance is that of least squares times df / (df - 2)
    expected = np.linalg.inv(design.T @ design) * float(np.square(y - design @ b).sum()) / 26
    assert np.allclose(draws.mean(axis=0), b, atol=4 * np.sqrt(np.diag(expected).max() / reps))
    assert np.allclose(np.cov(draws.T), expected, atol=0.08 * np.diag(expected).max())


def test_columns_that_repeat_others_take_no_freedom() -> None:
    """Three of four predictors span all; beside it a chain that uses these three, and one without trouble."""
    rng, reps = np.random.default_rng(4), 6000
    x, y = rng.normal(size=(20, 2)), rng.normal(size=20)
    rows = np.column_stack([np.ones(20), x, x @ [1.0, 2.0], y])
    square = rows.T @ rows
    active = np.array([[True, True, True, True], [True, True, True, False]])
    fitted, drawn = draw_coefficients(np.tile(square, (2, 1, 1)), active, 20, [rng] * 2)
    assert drawn[1, 3] == 0.0
    b = np.linalg.lstsq(rows[:, :3], y, rcond=None)[0]
    assert np.allclose(fitted[1], [*b, 0.0], rtol=1e-11)
    assert np.allclose(rows[:, :4] @ fitted[0], rows[:, :3] @ b, atol=1e-9)
    for _ in range(30):
        # rounding makes the last pivot a little more, or less, than nothing
        x = rng.normal(size=(20, 2))
        again = np.column_stack([np.ones(20), x, x @ [0.3, 0.7], y])
        found, moved = draw_coefficients((again.T @ again)[None], active[:1], 20, [rng])
        assert max(np.abs(found).max(), np.abs(moved).max()) < 10
        b3 = np.linalg.lstsq(again[:, :3], y, rcond=None)[0]
        assert np.allclose(again[:, :4] @ found[0], again[:, :3] @ b3, atol=1e-9)
    _, draws = draw_coefficients(
        np.tile(square, (reps, 1, 1)), np.ones((reps, 4), dtype=bool), 20, [rng] * reps
    )
    made = draws @ rows[:, :4].T
    hat = rows[:, :3] @ np.linalg.solve(rows[:, :3].T @ rows[:, :3], rows[:, :3].T)
    expected = hat * float(np.square(y - hat @ y).sum()) / (20 - 3 - 2)
    assert np.allclose(np.cov(made.T), expected, atol=0.1 * np.diag(expected).max())


def test_a_separated_yes_no_is_imputed_on_its_side() -> None:
    rng = np.random.default_rng(4)
    x = rng.normal(size=200)
    b = (x > 0).astype(float)
    b[:40] = np.nan
    result = impute({"x": x, "b": b}, [ColumnModel(name="b", kind="yes_no")], keys=np.arange(200), seed=1)
    agree = (result.imputed["b"] == (x[:40] > 0)).mean()
    assert agree > 0.9
    assert set(np.unique(result.imputed["b"])) <= {0.0, 1.0}


# ---------------------------------------------------------------- laws


def small(n: int = 120, seed: int = 5) -> Columns:
    return cohort(n, np.random.default_rng(seed))[1]


def test_order_of_rows_and_columns_does_not_matter() -> None:
    gaps, keys = small(), np.array([f"case {i:03d}" for i in range(120)])
    plain = impute(gaps, MODELS, keys=keys, seed=9, n_imputations=3, n_cycles=4)
    order = np.random.default_rng(1).permutation(120)
    moved = {name: gaps[name][order] for name in reversed(gaps)}
    again = impute(moved, MODELS[::-1], keys=keys[order], seed=9, n_imputations=3, n_cycles=4)
    for i in range(3):
        a, b = completed(plain, i), completed(again, i)
        assert all(a[name][order].tobytes() == b[name].tobytes() for name in gaps)


def test_first_imputations_do_not_depend_on_how_many() -> None:
    gaps = small()
    few = impute(gaps, MODELS, keys=np.arange(120), seed=9, n_imputations=2, n_cycles=3)
    more = impute(gaps, MODELS, keys=np.arange(120), seed=9, n_imputations=4, n_cycles=3)
    other = impute(gaps, MODELS, keys=np.arange(120), seed=10, n_imputations=2, n_cycles=3)
    assert all(np.array_equal(few.imputed[name], more.imputed[name][:2]) for name in few.rows)
    assert not np.array_equal(few.imputed["tilt"], other.imputed["tilt"])
    assert not np.array_equal(few.imputed["tilt"][0], few.imputed["tilt"][1])


def test_units_do_not_matter() -> None:
    gaps = small()
    metres = gaps | {"tilt": gaps["tilt"] * 1024, "y": gaps["y"] / 4096}
    a = impute(gaps, MODELS, keys=np.arange(120), seed=9, n_imputations=2)
    b = impute(metres, MODELS, keys=np.arange(120), seed=9, n_imputations=2)
    assert np.array_equal(a.imputed["tilt"] * 1024, b.imputed["tilt"])
    assert np.array_equal(a.imputed["kind"], b.imputed["kind"])


def test_observed_values_stay_and_donors_are_observed() -> None:
    gaps = small()
    result = impute(gaps, MODELS, keys=np.arange(120), seed=9)
    for name, column in gaps.items():
        for i in range(20):
            filled = completed(result, i)[name]
            assert np.array_equal(filled[~np.isnan(column)], column[~np.isnan(column)])
            assert np.isin(filled, column).all()
    assert np.isnan(gaps["tilt"]).any(), "what was given must stay as it was"


def test_limits_of_every_row_hold() -> None:
    gaps = small()
    low = np.where(gaps["sex"] == 1, -100.0, np.nanquantile(gaps["tilt"], 0.6))
    gaps["tilt"] = np.where(gaps["tilt"] < low, np.nan, gaps["tilt"])
    result = impute(gaps, [ColumnModel(name="tilt", low=low), *MODELS[1:]], keys=np.arange(120), seed=9)
    rows = result.rows["tilt"]
    assert (result.imputed["tilt"] >= low[rows]).all()
    assert (low[rows] > 0).any()


def test_what_is_not_applicable_is_never_imputed() -> None:
    gaps = small()
    gone = np.zeros(120, dtype=bool)
    gone[np.flatnonzero(np.isnan(gaps["tilt"]))[:7]] = True
    derived = [DerivedColumn(name="square", parts=("tilt",), compute=np.square)]
    result = impute(gaps, MODELS, keys=np.arange(120), seed=9, not_applicable={"tilt": gone}, derived=derived)
    c = completed(result, 0)
    assert np.array_equal(np.isnan(c["tilt"]), gone)
    assert np.array_equal(np.isnan(c["square"]), gone)
    assert not any(np.isnan(c[name]).any() for name in ("bone", "kind"))
    assert not np.isin(np.flatnonzero(gone), result.rows["tilt"]).any()


def test_traces_end_at_the_imputed_values() -> None:
    result = impute(small(), MODELS, keys=np.arange(120), seed=9, n_imputations=3, n_cycles=4)
    for name in result.rows:
        assert result.trace_mean[name].shape == (3, 4)
        assert np.allclose(result.trace_mean[name][:, -1], result.imputed[name].mean(axis=1))
        assert np.allclose(result.trace_sd[name][:, -1], result.imputed[name].std(axis=1))
    frame = result.tidy()
    assert len(frame) == 3 * 3 * 4
    assert str(result).startswith("3 imputations of 120 rows, 4 cycles, seed 9: ")


def test_nothing_missing_changes_nothing() -> None:
    whole, _ = cohort(50, np.random.default_rng(6))
    result = impute(whole, MODELS, keys=np.arange(50), seed=1, n_imputations=2)
    assert result.tidy().empty
    assert "nothing missing" in str(result)
    assert all(np.array_equal(completed(result, 1)[name], whole[name]) for name in whole)


# ---------------------------------------------------------------- shifts


def test_a_shift_moves_the_mean_by_its_share() -> None:
    """Tipping point of a mean: shift times the share missing, exactly."""
    y, x = small()["y"], small()["age"]
    y[:30] = np.nan
    arm = np.where(np.arange(120) < 20, -3.0, 0.0)
    keys = np.arange(120)
    plain = impute({"y": y, "x": x}, [ColumnModel(name="y")], keys=keys, seed=2)
    for shift, moved in ((-2.0, -2.0 * 30 / 120), (arm, -3.0 * 20 / 120)):
        shifted = impute({"y": y, "x": x}, [ColumnModel(name="y", shift=shift)], keys=keys, seed=2)
        for i in range(20):
            gap = completed(shifted, i)["y"].mean() - completed(plain, i)["y"].mean()
            assert math.isclose(gap, moved, rel_tol=1e-10)


def test_a_shift_stays_within_the_limits() -> None:
    y, x = small()["y"], small()["age"]
    low = float(np.nanmin(y))
    y[:30] = np.nan
    model = ColumnModel(name="y", low=low, shift=-1000.0)
    result = impute({"y": y, "x": x}, [model], keys=np.arange(120), seed=2)
    assert (result.imputed["y"] == low).all()


def test_a_shift_of_log_odds() -> None:
    gaps = small(400)
    shares = []
    for shift in (-50.0, -1.0, 0.0, 1.0, 50.0):
        models = [MODELS[0], ColumnModel(name="bone", kind="yes_no", shift=shift), *MODELS[2:]]
        result = impute(gaps, models, keys=np.arange(400), seed=2, n_imputations=10, n_cycles=3)
        shares.append(float(result.imputed["bone"].mean()))
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert sorted(shares) == shares
    assert shares[1] + 0.05 < shares[2] < shares[3] - 0.05


# ---------------------------------------------------------------- refusals

BASE: dict[str, Any] = {"a": [1.0, 2.0, 4.0, 7.0, np.nan, 3.0, 5.0], "b": [1.0, 3.0, 2.0, 5.0, 4.0, 6.0, 8.0]}


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"columns": []}, "no_model"),
        ({"columns": [ColumnModel(name="c")]}, "bad_names"),
        ({"columns": [ColumnModel(name="a"), ColumnModel(name="a")]}, "bad_names"),
        ({"columns": [ColumnModel(name="a", kind="text")]}, "bad_choice"),  # type: ignore[arg-type]
        ({"columns": [ColumnModel(name="a", kind="yes_no")]}, "bad_levels"),
        ({"columns": [ColumnModel(name="a", low=3)]}, "outside_limits"),
        ({"columns": [ColumnModel(name="a", low=9, high=1)]}, "bad_limits"),
        ({"columns": [ColumnModel(name="a", kind="category", shift=1)]}, "bad_shift"),
        ({"columns": [ColumnModel(name="a", shift=[1, 2])]}, "bad_shape"),
        ({"columns": [ColumnModel(name="a", predictors=("z",))]}, "bad_names"),
        ({"columns": [ColumnModel(name="a", within="z")]}, "bad_within"),
        ({"columns": [ColumnModel(name="a", within="a")]}, "bad_within"),
        ({"columns": [ColumnModel(name="a", within="b")]}, "too_few_observed"),
        ({"keys": [1, 1, 2, 3, 4, 5, 6]}, "bad_keys"),
        ({"keys": ["1", 1, 2, 3, 4, 5, None]}, "bad_keys"),
        ({"keys": [1, 2]}, "bad_shape"),
        ({"values": BASE | {"b": ["x"] * 7}}, "not_numeric"),
        ({"values": BASE | {"b": [np.inf, *BASE["b"][1:]]}}, "not_finite"),
        ({"values": BASE | {"a": [1.0, 1.0, 1.0, 1.0, np.nan, 1.0, 1.0]}}, "constant"),
        ({"not_applicable": {"a": [True] * 7}}, "bad_not_applicable"),
        ({"not_applicable": {"z": [True] * 7}}, "bad_names"),
        ({"not_applicable": {"a": [True]}}, "bad_shape"),
        ({"derived": [DerivedColumn(name="b", parts=("a",), compute=np.square)]}, "bad_names"),
        ({"derived": [DerivedColumn(name="d", parts=("z",), compute=np.square)]}, "bad_names"),
        ({"derived": [DerivedColumn(name="d", parts=("a",), compute=lambda a: a[:2])]}, "bad_derived"),
        ({"derived": [DerivedColumn(name="d", parts=("a",), compute=lambda a: a * np.nan)]}, "bad_derived"),
        ({"n_imputations": 0}, "bad_count"),
        ({"n_cycles": 0}, "bad_count"),
        ({"n_donors": 0}, "bad_count"),
    ],
)
def test_what_is_refused(change: dict[str, Any], code: str) -> None:
    given: dict[str, Any] = {
        "values": BASE,
        "columns": [ColumnModel(name="a")],
        "keys": np.arange(7),
        "seed": 1,
    }
    given |= change
    with pytest.raises(EstimationError) as caught:
        impute(given.pop("values"), given.pop("columns"), **given)
    assert caught.value.code == code


@pytest.mark.parametrize("known", [11, 12, 13])
def test_more_predictors_than_values_are_refused_by_name(known: int) -> None:
    rng = np.random.default_rng(1)
    values = {f"x{j}": rng.normal(size=30) for j in range(10)} | {
        "a": np.where(np.arange(30) < known, rng.normal(size=30), np.nan)
    }
    if known <= 12:
        with pytest.raises(
            EstimationError, match=rf"^a: {known} observed values for 11 predictors; name fewer predictors$"
        ):
            impute(values, [ColumnModel(name="a")], keys=np.arange(30), seed=1)
    predictors = ("x1", "x2") if known <= 12 else None
    named = impute(values, [ColumnModel(name="a", predictors=predictors)], keys=np.arange(30), seed=1)
    assert np.isfinite(named.imputed["a"]).all()


def test_limits_that_no_donor_meets_are_refused_by_name() -> None:
    low = np.array([0, 0, 0, 0, 100.0, 0, 0])
    with pytest.raises(EstimationError, match=r"^a: no observed value lies within the limits"):
        impute(BASE, [ColumnModel(name="a", low=low)], keys=np.arange(7), seed=1)


def test_columns_that_repeat_others_do_no_harm() -> None:
    gaps = small()
    result = impute(
        gaps | {"age twice": 2 * gaps["age"]}, MODELS, keys=np.arange(120), seed=1, n_imputations=2
    )
    assert all(np.isfinite(v).all() for v in result.imputed.values())


def test_no_such_imputation() -> None:
    result = impute(BASE, [ColumnModel(name="a")], keys=np.arange(7), seed=1, n_imputations=2)
    with pytest.raises(EstimationError, match="there are 0 to 1"):
        completed(result, 2)
