"""Shares of explained variation: published data, brute force, permutations, laws, degenerate columns."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from outcomes.errors import EstimationError
from outcomes.stats.regression.shares import ExplainedShares, explained_shares, subset_r2

REFERENCE = Path(__file__).parents[2] / "reference" / "shares"
SWISS = pd.read_csv(REFERENCE / "swiss.csv")
R = json.loads((REFERENCE / "reference.json").read_text(encoding="utf-8"))

# relaimpo 2.2-7 on swiss (data: Groemping, J Stat Softw 2006; 17(1)); no printed values were seen
SWISS_SHARE = {
    "Agriculture": 0.0570912207681, "Examination": 0.1711730289, "Education": 0.260134678624,
    "Catholic": 0.105570150373, "Infant.Mortality": 0.112765922927,
}  # fmt: skip
SWISS_LAST = {
    "Agriculture": 0.0428696071255, "Examination": 0.00738741851512, "Education": 0.161962693077,
    "Catholic": 0.0623726258274, "Infant.Mortality": 0.0569452587325,
}  # fmt: skip


def cohort(n: int = 120, seed: int = 3) -> tuple[np.ndarray, np.ndarray, list[str], list[str]]:
    """Return invented columns of five groups, the outcome, names and groups."""
    rng = np.random.default_rng(seed)
    level = rng.integers(0, 5, n)
    met = rng.random(n) < 0.3 + 0.1 * level
    age = 60 + 3 * level + 10 * rng.normal(size=n)
    pair = rng.normal(size=(n, 2)) + 0.02 * age[:, None]
    X = np.column_stack([level[:, None] == np.arange(1, 5), met, age, pair, rng.normal(size=n)]).astype(float)
    y = X @ np.array([1.0, -2.0, 1.0, 0.5, 3.0, 0.1, 0.5, -0.5, 0.0]) + 4 * rng.normal(size=n)
    names = ["s1", "s2", "s3", "s4", "met", "age", "tilt", "step", "noise"]
    return X, y, names, ["strategy"] * 4 + ["reduction", "age", "film", "film", "noise"]


def naive(X: np.ndarray, y: np.ndarray, groups: list[str], weights: np.ndarray) -> dict[str, float]:
    """Return shares by every order of entry, each model fitted on its own."""
    labels = list(dict.fromkeys(groups))
    r2 = {}
    for k in range(len(labels) + 1):
        for chosen in itertools.combinations(labels, k):
            inside = [j for j, g in enumerate(groups) if g in chosen]
            design = np.column_stack([np.ones(len(y)), X[:, inside]])
            r2[frozenset(chosen)] = sm.WLS(y, design, weights=weights).fit().rsquared
    orders = list(itertools.permutations(labels))
    return {
        g: float(np.mean([r2[frozenset([*before(o, g), g])] - r2[frozenset(before(o, g))] for o in orders]))
        for g in labels
    }


def before(order: tuple[str, ...], group: str) -> tuple[str, ...]:
    return order[: order.index(group)]


def numbers(s: ExplainedShares) -> np.ndarray:
    """Return every number of the shares, groups in alphabetical order."""
    order = np.argsort(s.groups)
    parts = (
        s.share,
        s.expected,
        s.corrected,
        s.first,
        s.last,
        s.first_corrected,
        s.last_corrected,
        s.df,
    )
    return np.concatenate([np.asarray(p, dtype=float)[order] for p in parts] + [[s.r2, s.df_total, s.n]])


# --- published and independent values


def test_swiss():
    columns = list(SWISS_SHARE)
    s = explained_shares(SWISS[columns], SWISS["Fertility"], names=columns, groups=columns)
    np.testing.assert_allclose(s.share, list(SWISS_SHARE.values()), rtol=1e-10)
    np.testing.assert_allclose(s.last, list(SWISS_LAST.values()), rtol=1e-10)
    assert s.r2 == pytest.approx(0.706735001593, rel=1e-11)


def test_birth_weights():
    # rows with exactly the correlations on file: shares depend on nothing else
    case = json.loads((REFERENCE / "birthwt.json").read_text(encoding="utf-8"))
    z = np.random.default_rng(1).normal(size=(case["n"], 6))
    z = np.linalg.qr(z - z.mean(axis=0))[0] @ np.linalg.cholesky(np.array(case["correlations"])).T
    columns = case["columns"][:-1]
    s = explained_shares(z[:, :-1], z[:, -1], names=columns, groups=columns)
    np.testing.assert_allclose(s.share, [case["share"][c] for c in columns], rtol=1e-9)
    assert s.r2 == pytest.approx(case["r2"], rel=1e-11)


@pytest.mark.parametrize("case", ["groups", "weighted"])
def test_groups_of_columns_against_every_order_in_r(case: str):
    belt = np.searchsorted([10, 50, 90], SWISS["Catholic"])
    X = np.column_stack(
        [
            SWISS[["Agriculture", "Examination", "Education"]],
            belt[:, None] == np.arange(1, 4),
            SWISS["Infant.Mortality"],
        ]
    )
    groups = ["farming", "schooling", "schooling", "belt", "belt", "belt", "infants"]
    weights = np.resize([1, 2, 3, 1], 47) if case == "weighted" else None
    s = explained_shares(X, SWISS["Fertility"], names=list("abcdefg"), groups=groups, weights=weights)
    for what in ("share", "first", "last"):
        np.testing.assert_allclose(
            getattr(s, what), [R[case][what][g] for g in s.groups], rtol=1e-10, atol=1e-14
        )
    assert s.r2 == pytest.approx(R[case]["r2"], rel=1e-12)


@pytest.mark.parametrize("weighted", [False, True])
def test_enumeration_by_fits(weighted: bool):
    X, y, names, groups = cohort()
    weights = np.random.default_rng(5).uniform(0.2, 3, len(y)) if weighted else np.ones(len(y))
    s = explained_shares(X, y, names=names, groups=groups, weights=weights)
    expected = naive(X, y, groups, weights)
    np.testing.assert_allclose(s.share, [expected[g] for g in s.groups], rtol=0, atol=1e-10)
    assert s.share.sum() == pytest.approx(s.r2, abs=1e-12)


def test_uncorrelated_groups_keep_their_own_r2():
    # balanced plan: share = R2 of the group alone = what it adds last
    a, b, c = (np.array(v) for v in zip(*itertools.product([-1, 1], [-1, 1], [-1, 1]), strict=True))
    y = 3.0 * a + 2.0 * b + 1.0 * a * b * c
    s = explained_shares(np.column_stack([a, b, c]), y, names=list("abc"), groups=list("abc"))
    for part in (s.share, s.first, s.last):
        np.testing.assert_allclose(part, [9 / 14, 4 / 14, 0], atol=1e-12)


def test_twelve_groups():
    rng = np.random.default_rng(6)
    X, names = rng.normal(size=(60, 13)), [f"c{j}" for j in range(13)]
    y = X[:, 0] + rng.normal(size=60)
    s = explained_shares(X[:, :12], y, names=names[:12], groups=names[:12])
    full = sm.OLS(y, sm.add_constant(X[:, :12])).fit()
    assert s.share.sum() == pytest.approx(full.rsquared, abs=1e-12)
    # what each adds last is t squared (1 - R2) / df of the full model
    last = full.tvalues[1:] ** 2 * (1 - full.rsquared) / full.df_resid
    np.testing.assert_allclose(s.last, last, rtol=1e-9)
    with pytest.raises(EstimationError, match="13 groups; at most 12"):
        explained_shares(X, y, names=names, groups=names)


# --- the correction


def test_expected_is_the_mean_over_all_permutations():
    # all 5,040 orders of 7 outcomes; groups of 2, 1 and an overlapping 1 (the sum of the first two columns)
    rng = np.random.default_rng(7)
    X = rng.normal(size=(7, 4))
    X[:, 3] = X[:, 0] + X[:, 1]
    y, names, groups = rng.exponential(size=7), list("abcd"), ["two", "two", "one", "sum"]
    s = explained_shares(X, y, names=names, groups=groups)
    mean = np.zeros(3)
    first, last = np.zeros(3), np.zeros(3)
    for order in itertools.permutations(range(7)):
        p = explained_shares(X, y[list(order)], names=names, groups=groups)
        mean, first, last = mean + p.share, first + p.first, last + p.last
    np.testing.assert_allclose(mean / 5040, s.expected, atol=1e-12)
    np.testing.assert_allclose(first / 5040, s.first - s.first_corrected, atol=1e-12)
    np.testing.assert_allclose(last / 5040, s.last - s.last_corrected, atol=1e-12)
    # by hand: the sum, entering before "two", takes one of its two degrees of freedom, in half of the orders
    np.testing.assert_allclose(s.expected * 6, [1.5, 1.0, 0.5], atol=1e-12)


def test_expected_is_the_mean_over_seeded_permutations():
    X, y, names, groups = cohort()
    s = explained_shares(X, y, names=names, groups=groups)
    np.testing.assert_allclose(s.expected, np.array([4, 1, 1, 2, 1]) / 119, atol=1e-14)
    rng = np.random.default_rng(8)
    draws = np.array(
        [explained_shares(X, rng.permutation(y), names=names, groups=groups).share for _ in range(1500)]
    )
    error = draws.std(axis=0, ddof=1) / 1500**0.5
    assert (np.abs(draws.mean(axis=0) - s.expected) < 3.5 * error).all()


def test_a_factor_of_four_degrees_takes_four_fifths_of_nothing():
    X, _, names, groups = cohort(400)
    rng = np.random.default_rng(9)
    taken, corrected = np.zeros(2), np.zeros((400, 2))
    for i in range(400):
        s = explained_shares(X[:, :5], rng.normal(size=400), names=names[:5], groups=groups[:5])
        taken += s.share
        corrected[i] = s.corrected
    assert taken[0] / taken.sum() == pytest.approx(0.8, abs=0.02)
    assert (np.abs(corrected.mean(axis=0)) < 3.5 * corrected.std(axis=0, ddof=1) / 20).all()


# --- laws


def test_order_units_and_rows_do_not_matter():
    X, y, names, groups = cohort()
    base = numbers(explained_shares(X, y, names=names, groups=groups))
    rng = np.random.default_rng(10)
    order = rng.permutation(len(names))
    shuffled = explained_shares(
        X[:, order], y, names=[names[j] for j in order], groups=[groups[j] for j in order]
    )
    np.testing.assert_allclose(numbers(shuffled), base, atol=1e-12)
    scale, shift = 10.0 ** rng.integers(-6, 7, len(names)), rng.normal(size=len(names))
    moved = explained_shares((X + shift) * -scale, 1e-5 * y + 3, names=names, groups=groups)
    np.testing.assert_allclose(numbers(moved), base, atol=1e-11)
    rows = rng.permutation(len(y))
    np.testing.assert_allclose(
        numbers(explained_shares(X[rows], y[rows], names=names, groups=groups)), base, atol=1e-12
    )


def test_coding_of_a_factor_does_not_matter():
    X, y, names, groups = cohort()
    base = numbers(explained_shares(X, y, names=names, groups=groups))
    level = np.where(X[:, :4].any(axis=1), X[:, :4].argmax(axis=1) + 1, 0)
    other = X.copy()
    other[:, :4] = level[:, None] == np.array([0, 1, 2, 4])
    sums = X.copy()
    sums[:, :4] = X[:, :4] @ np.random.default_rng(11).normal(size=(4, 4))
    for changed in (other, sums):
        s = explained_shares(changed, y, names=names, groups=groups)
        np.testing.assert_allclose(numbers(s), base, atol=1e-11)
    # all five dummies: one too many, named, and nothing changes
    full = np.column_stack([level == 0, X])
    s = explained_shares(full, y, names=["s0", *names], groups=["strategy", *groups])
    np.testing.assert_allclose(numbers(s), base, atol=1e-11)
    assert s.redundant == ("s4 is a combination of s0, s1, s2, s3, up to a constant",)


def test_weights_are_copies():
    X, y, names, groups = cohort()
    copies = np.random.default_rng(12).integers(0, 4, len(y))
    weighted = explained_shares(X, y, names=names, groups=groups, weights=copies)
    repeated = explained_shares(
        np.repeat(X, copies, axis=0), np.repeat(y, copies), names=names, groups=groups
    )
    np.testing.assert_allclose(numbers(weighted), numbers(repeated), atol=1e-12)


def test_large_means_do_not_spoil_the_digits():
    X, y, names, groups = cohort()
    base = numbers(explained_shares(X, y, names=names, groups=groups))
    far = explained_shares(X + 1e6, y + 1e6, names=names, groups=groups)
    np.testing.assert_allclose(numbers(far), base, atol=1e-8)


# --- columns that cannot be told apart


def test_a_column_given_twice_shares_its_part():
    X, y, names, groups = cohort()
    base = explained_shares(X, y, names=names, groups=groups)
    s = explained_shares(
        np.column_stack([X, 5 - 2 * X[:, 4]]), y, names=[*names, "failed"], groups=[*groups, "failed"]
    )
    assert s.redundant == ("failed is a combination of met, up to a constant",)
    assert s.share[1] == pytest.approx(s.share[5], abs=1e-12)
    assert s.expected[[1, 5]] == pytest.approx([0.5 / 119, 0.5 / 119], abs=1e-14)
    assert s.r2 == pytest.approx(base.r2, abs=1e-12)
    assert s.last[[1, 5]] == pytest.approx([0, 0], abs=1e-12)


def test_a_constant_group_changes_nothing():
    X, y, names, groups = cohort()
    base = explained_shares(X, y, names=names, groups=groups)
    s = explained_shares(
        np.column_stack([np.full(len(y), 0.1), X]), y, names=["graft", *names], groups=["graft", *groups]
    )
    assert s.redundant == ("graft is constant",)
    assert s.df.tolist() == [0, 4, 1, 1, 2, 1]
    np.testing.assert_allclose(s.share, [0, *base.share], atol=1e-12)
    np.testing.assert_allclose(s.corrected, [0, *base.corrected], atol=1e-12)
    table = s.tidy().set_index("group")
    assert table.loc["graft", "estimate":"last_corrected"].isna().all()
    assert table.drop(index="graft").notna().all().all()
    assert "graft not estimable (constant)" in str(s)


def test_what_cannot_be_shared_is_refused():
    _, y, names, groups = cohort(12)
    X = np.random.default_rng(14).normal(size=(12, 9))
    with pytest.raises(EstimationError, match="does not vary") as flat:
        explained_shares(X, np.full(12, 0.3), names=names, groups=groups)
    assert flat.value.code == "constant_outcome"
    with pytest.raises(EstimationError, match="10 rows for 9 columns"):
        explained_shares(X[:10], y[:10], names=names, groups=groups)
    with pytest.raises(EstimationError, match="3 groups for 9 columns"):
        explained_shares(X, y, names=names, groups=groups[:3])
    X[3, 5] = np.nan
    with pytest.raises(EstimationError, match=r"age \(1\)"):
        explained_shares(X, y, names=names, groups=groups)


def test_nearly_collinear_columns_keep_seven_digits():
    # correlation 1 - 5e-7: the cross-product keeps half the digits, as said
    X, y, names, groups = cohort()
    X[:, 8] = X[:, 5] + 0.01 * X[:, 8]
    s = explained_shares(X, y, names=names, groups=groups)
    expected = naive(X, y, groups, np.ones(len(y)))
    np.testing.assert_allclose(s.share, [expected[g] for g in s.groups], atol=1e-9)
    assert s.redundant == ()


def test_batch_of_matrices_is_one_by_one():
    rng = np.random.default_rng(13)
    z = rng.normal(size=(4, 30, 6))
    gram = np.einsum("bni,bnj->bij", z, z)
    codes = np.array([0, 1, 1, 2, 0])
    r2, rank = subset_r2(gram, codes, 3)
    for b in range(4):
        one, one_rank = subset_r2(gram[b : b + 1], codes, 3)
        np.testing.assert_allclose(r2[b], one[0], atol=1e-14)
        np.testing.assert_array_equal(rank[b], one_rank[0])
    assert rank[0].tolist() == [0, 2, 2, 4, 1, 3, 3, 5]
