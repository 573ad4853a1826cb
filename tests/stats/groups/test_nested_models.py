"""Nested models, two-way tables and covariates: identities by hand, traps, laws."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.groups.ancova import ancova
from outcomes.stats.groups.anova import one_way_anova
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.nested import nested_test
from outcomes.stats.groups.two_way import two_way_anova
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.wald import wald_test

RNG = np.random.default_rng(3)
N = 24
X = np.column_stack([np.ones(N), RNG.normal(size=(N, 3))])
Y = X @ [1.0, 2.0, 0.0, 0.3] + RNG.normal(size=N)
NAMES = ["intercept", "u", "v", "w"]


def test_f_is_the_classical_wald_test() -> None:
    test = nested_test(X[:, :2], X, Y, names_small=NAMES[:2], names_large=NAMES)
    wald = wald_test(fit_linear(X, Y, names=NAMES, covariance="classical"), np.eye(4)[2:])
    assert math.isclose(test.f, wald.f, rel_tol=1e-10)
    assert math.isclose(test.p_value, wald.p_value, rel_tol=1e-10)
    assert (test.df_between, test.df_within) == (2, 20)


def test_likelihood_ratio_and_criteria_from_the_normal_likelihood() -> None:
    test = nested_test(X[:, :3], X, Y, names_small=NAMES[:3], names_large=NAMES)

    def log_likelihood(design: np.ndarray) -> float:
        left = Y - design @ np.linalg.lstsq(design, Y, rcond=None)[0]
        variance = left @ left / N
        return float(-0.5 * N * math.log(2 * math.pi * variance) - 0.5 * left @ left / variance)

    large, small = log_likelihood(X), log_likelihood(X[:, :3])
    assert math.isclose(test.likelihood_ratio, 2 * (large - small), rel_tol=1e-10)
    assert math.isclose(test.aic, -2 * large + 2 * 5, rel_tol=1e-12)
    assert math.isclose(test.aic_small, -2 * small + 2 * 4, rel_tol=1e-12)
    assert math.isclose(test.bic, -2 * large + math.log(N) * 5, rel_tol=1e-12)
    assert math.isclose(test.bic_small, -2 * small + math.log(N) * 4, rel_tol=1e-12)
    assert test.likelihood_ratio_p == pytest.approx(
        math.erfc(math.sqrt(test.likelihood_ratio / 2)), rel=1e-10
    )


def test_a_combination_of_columns_is_nested_too() -> None:
    small = np.column_stack([np.ones(N), X[:, 1] + X[:, 2]])
    test = nested_test(small, X, Y, names_small=["a", "b"], names_large=NAMES)
    assert test.df_between == 2


def test_a_model_without_a_constant() -> None:
    x = np.arange(1.0, 7.0)[:, None]
    y = np.array([1.1, 2.3, 2.9, 4.2, 4.8, 6.1])
    both = np.column_stack([x, x**2])
    test = nested_test(x, both, y, names_small=["x"], names_large=["x", "square"])
    rss = [float(np.sum((y - d @ np.linalg.lstsq(d, y, rcond=None)[0]) ** 2)) for d in (x, both)]
    assert math.isclose(test.f, (rss[0] - rss[1]) / (rss[1] / 4), rel_tol=1e-9)


def test_a_large_offset_of_the_outcome_costs_nothing() -> None:
    plain = nested_test(X[:, :2], X, Y, names_small=NAMES[:2], names_large=NAMES)
    moved = nested_test(X[:, :2], X, Y + 1e8, names_small=NAMES[:2], names_large=NAMES)
    assert math.isclose(plain.f, moved.f, rel_tol=1e-6)  # the outcome itself is read to 1e-8


@pytest.mark.parametrize(
    ("small", "large", "code"),
    [
        (X[:, [0, 3]], X[:, :3], "not_nested"), (X, X, "not_nested"), (X[:5, :2], X, "bad_shape"),
        (X[:, :1], np.column_stack([X, X[:, 1]]), "rank_deficient"),
    ],
)  # fmt: skip
def test_models_that_cannot_be_compared(small, large, code: str) -> None:
    small_names = [f"s{i}" for i in range(small.shape[1])]
    with pytest.raises(EstimationError) as error:
        nested_test(
            small, large, Y, names_small=small_names, names_large=[f"l{i}" for i in range(large.shape[1])]
        )
    assert error.value.code == code


def test_the_strange_column_is_named() -> None:
    with pytest.raises(EstimationError, match="not in the larger model: w;"):
        nested_test(X[:, [0, 3]], X[:, :3], Y, names_small=["one", "w"], names_large=NAMES[:3])


def test_no_test_without_residuals() -> None:
    few = nested_test(X[:4, :2], X[:4], Y[:4], names_small=NAMES[:2], names_large=NAMES)
    assert few.f is few.p_value is few.aic is None
    assert "no residual degrees of freedom" in few.reason
    perfect = nested_test(X[:, :1], X[:, :2], 3 + 2 * X[:, 1], names_small=["a"], names_large=["a", "b"])
    assert perfect.f is None
    assert "no variation" in perfect.reason
    assert "no test" in str(perfect)
    assert not perfect.partial_eta_squared.estimable


# two factors

A = list("xxxxyyyyzzzz")
B = list("ppqq" * 3)
BALANCED = [3.0, 4, 8, 7, 1, 2, 9, 9, 4, 6, 5, 3]


def test_balanced_table_by_hand() -> None:
    """Cell means 3.5, 7.5 / 1.5, 9 / 5, 4 of two values; sums of squares by their definitions."""
    y = np.array(BALANCED)
    cells = np.array([[3.5, 7.5], [1.5, 9.0], [5.0, 4.0]])
    grand, rows, columns = cells.mean(), cells.mean(axis=1), cells.mean(axis=0)
    ss = (
        4 * ((rows - grand) ** 2).sum(), 6 * ((columns - grand) ** 2).sum(),
        2 * ((cells - rows[:, None] - columns + grand) ** 2).sum(),
    )  # fmt: skip
    residual = ((y - np.repeat(cells.ravel(), 2)) ** 2).sum()
    for kind in ("I", "II", "III"):
        table = two_way_anova(y, A, B, kind=kind, names=("row", "column"))
        tests = (table.first, table.second, table.interaction)
        assert math.isclose(table.ss_residual, residual, rel_tol=1e-12)
        for test, expected, df in zip(tests, ss, (2, 1, 2), strict=True):
            assert math.isclose(test.ss, expected, rel_tol=1e-10)
            assert (test.df_between, test.df_within) == (df, 6)
            assert math.isclose(test.f, expected / df / (residual / 6), rel_tol=1e-10)
            assert math.isclose(
                test.partial_eta_squared.value, expected / (expected + residual), rel_tol=1e-10
            )
        assert [test.partial_eta_squared.contrast for test in tests] == ["row", "column", "row by column"]


def test_type_three_compares_unweighted_means_of_cells() -> None:
    """Two by two with unequal cells: the contrast of cell means and its variance, by hand."""
    y, a, b = [1.0, 2, 3, 5, 9, 4, 6, 8, 7], list("xxxxxyyyy"), list("ppppqpqqq")
    means = {cell: np.mean([v for v, *c in zip(y, a, b, strict=True) if tuple(c) == cell])
             for cell in (("x", "p"), ("x", "q"), ("y", "p"), ("y", "q"))}  # fmt: skip
    sizes = {cell: sum(tuple(c) == cell for c in zip(a, b, strict=True)) for cell in means}
    residual = sum((v - means[(i, j)]) ** 2 for v, i, j in zip(y, a, b, strict=True)) / 5
    contrast = (means["x", "p"] + means["x", "q"] - means["y", "p"] - means["y", "q"]) / 2
    variance = residual * sum(1 / n for n in sizes.values()) / 4
    table = two_way_anova(y, a, b, kind="III")
    assert math.isclose(table.first.f, contrast**2 / variance, rel_tol=1e-10)


def test_type_one_adds_up_to_the_total() -> None:
    y, a, b = [1.0, 2, 3, 5, 9, 4, 6, 8, 7], list("xxxxxyyyy"), list("ppppqpqqq")
    table = two_way_anova(y, a, b, kind="I")
    parts = table.first.ss + table.second.ss + table.interaction.ss + table.ss_residual
    assert math.isclose(parts, np.var(y) * 9, rel_tol=1e-12)
    alone = one_way_anova([y[:5], y[5:]])
    assert math.isclose(table.first.ss, alone.ss_between, rel_tol=1e-12)


def test_swapped_factors_swap_their_rows_in_type_two() -> None:
    y, a, b = [1.0, 2, 3, 5, 9, 4, 6, 8, 7], list("xxxxxyyyy"), list("ppppqpqqq")
    first, second = two_way_anova(y, a, b), two_way_anova(y, b, a)
    assert math.isclose(first.first.f, second.second.f, rel_tol=1e-10)
    assert math.isclose(first.interaction.f, second.interaction.f, rel_tol=1e-10)


def test_rows_in_any_order_and_gaps() -> None:
    y, a, b = [1.0, 2, 3, 5, 9, 4, 6, 8, 7], list("xxxxxyyyy"), list("ppppqpqqq")
    order = [4, 0, 8, 2, 6, 1, 7, 3, 5]
    first = two_way_anova(y, a, b)
    assert first == two_way_anova([y[i] for i in order], [a[i] for i in order], [b[i] for i in order])
    gaps = two_way_anova([*y, None, 1.0, 2.0], [*a, "x", None, "x"], [*b, "p", "q", np.nan])
    assert (gaps.n, gaps.n_missing) == (9, 3)
    assert gaps.first.f == first.first.f
    categories = two_way_anova(y, pd.Categorical(a), pd.Series(b, index=range(5, 14)))
    assert categories == first


def test_empty_cells() -> None:
    y, a, b = [1.0, 2, 3, 5, 9, 4, 6], list("xxxxyyy"), list("ppqqppp")
    table = two_way_anova(y, a, b, kind="III")
    assert table.n_empty_cells == 1
    assert table.first.f is table.second.f is None
    assert "1 of 4 combinations" in table.first.reason
    assert table.interaction.f is None  # three cells leave nothing for it
    assert two_way_anova(y, a, b, kind="II").first.f is not None


def test_a_factor_of_one_level_and_no_residuals() -> None:
    one = two_way_anova([1.0, 2, 4], list("xxx"), list("ppq"))
    assert one.first.f is one.interaction.f is None
    assert "one level" in one.first.reason
    assert one.second.f is not None
    full = two_way_anova([1.0, 2, 4, 9], list("xxyy"), list("pqpq"))
    assert {test.f for test in (full.first, full.second, full.interaction)} == {None}
    assert full.ss_residual is None
    flat = two_way_anova([2.0] * 8, list("xxxxyyyy"), list("ppqqppqq"))
    assert "no variation" in flat.first.reason
    assert len(flat.tidy()) == 3
    assert "no test" in str(flat)


@pytest.mark.parametrize(
    "call",
    [
        lambda: two_way_anova([1, 2], ["x"], ["p", "q"]), lambda: two_way_anova([None], ["x"], ["p"]),
        lambda: two_way_anova([1, math.inf], ["x", "y"], ["p", "q"]),
        lambda: two_way_anova(["1"], ["x"], ["p"]), lambda: two_way_anova(BALANCED, A, B, kind="IV"),
    ],
)  # fmt: skip
def test_two_factors_refused(call) -> None:
    with pytest.raises(EstimationError):
        call()


# covariates

G = list("aaaabbbbbccc")
XC = [1.0, 2, 3, 4, 2, 3, 4, 5, 9, 1, 3, 8]
YC = [1.2, 1.8, 3.3, 4.1, 5.0, 6.2, 6.8, 8.3, 12.0, 0.5, 1.0, 7.7]


def test_difference_is_the_raw_one_less_the_slope_times_the_gap() -> None:
    result = ancova(YC, G, {"x": XC}, reference="b")
    slope = result.slopes[0].value
    groups = {k: [i for i, g in enumerate(G) if g == k] for k in "abc"}
    mean = {k: (np.mean([YC[i] for i in rows]), np.mean([XC[i] for i in rows])) for k, rows in groups.items()}
    within = sum((XC[i] - mean[G[i]][1]) * (YC[i] - mean[G[i]][0]) for i in range(12))
    assert math.isclose(slope, within / sum((XC[i] - mean[G[i]][1]) ** 2 for i in range(12)), rel_tol=1e-12)
    for e, k in zip(result.differences, "ac", strict=True):
        expected = mean[k][0] - mean["b"][0] - slope * (mean[k][1] - mean["b"][1])
        assert math.isclose(e.value, expected, rel_tol=1e-11)
        assert e.contrast == f"{k} minus b"
        assert e.n == len(groups[k]) + 5
    for e, k in zip(result.adjusted_means, "abc", strict=True):
        assert math.isclose(e.value, mean[k][0] - slope * (mean[k][1] - np.mean(XC)), rel_tol=1e-11)
        assert (e.contrast, e.n) == (k, len(groups[k]))


def test_differences_agree_with_means_and_tests() -> None:
    result = ancova(YC, G, {"x": XC})
    a, b, c = result.adjusted_means
    assert math.isclose(result.differences[0].value, b.value - a.value, rel_tol=1e-11)
    assert math.isclose(result.differences[1].value, c.value - a.value, rel_tol=1e-11)
    slope = result.slopes[0]
    assert math.isclose(result.covariate_tests[0].f, (slope.value / slope.std_error) ** 2, rel_tol=1e-9)
    assert (result.group_test.df_between, result.group_test.df_within) == (2, 8)
    assert (result.common_slope.df_between, result.common_slope.df_within) == (2, 6)
    two = ancova(YC[:9], G[:9], {"x": XC[:9]})
    e = two.differences[0]
    assert math.isclose(two.group_test.f, (e.value / e.std_error) ** 2, rel_tol=1e-9)
    assert math.isclose(two.group_test.p_value, e.p_value, rel_tol=1e-9)


def test_slopes_are_tested_against_own_lines() -> None:
    """Own lines of each group leave the sum of their residuals; the common slope leaves more."""
    result = ancova(YC, G, {"x": XC})

    def left(rows: list[int]) -> float:
        return float(np.polyfit([XC[i] for i in rows], [YC[i] for i in rows], 1, full=True)[1][0])

    own = sum(left([i for i, g in enumerate(G) if g == k]) for k in "abc")
    common = float(result.fit.residuals @ result.fit.residuals)
    assert math.isclose(result.common_slope.f, (common - own) / 2 / (own / 6), rel_tol=1e-9)


def test_covariate_balanced_in_both_groups_changes_no_difference() -> None:
    y, x = [1.0, 3, 4, 5, 6, 9], [1, 2, 3, 1, 2, 3]
    result = ancova(y, list("aaabbb"), {"x": x})
    assert math.isclose(result.differences[0].value, mean_difference(y[3:], y[:3]).value, rel_tol=1e-12)


def test_shift_scale_of_covariates_rows_and_gaps() -> None:
    first = ancova(YC, G, {"x": XC})
    moved = ancova(YC, G, {"x": np.multiply(XC, 100.0) + 7})
    assert math.isclose(first.differences[0].conf_low, moved.differences[0].conf_low, rel_tol=1e-9)
    assert math.isclose(first.slopes[0].value, 100 * moved.slopes[0].value, rel_tol=1e-10)
    order = [7, 3, 0, 11, 5, 1, 9, 2, 10, 4, 8, 6]
    shuffled = ancova([YC[i] for i in order], [G[i] for i in order], {"x": [XC[i] for i in order]})
    assert shuffled.differences == first.differences
    assert shuffled.common_slope == first.common_slope
    gaps = ancova([*YC, None, 3, 4], [*G, "a", None, "b"], {"x": [*XC, 1, 2, np.nan]})
    assert gaps.n_missing == gaps.differences[0].n_missing == gaps.group_test.n_missing == 3
    assert gaps.differences[0].value == first.differences[0].value


def test_robust_errors_and_order_of_categories() -> None:
    ordered = pd.Categorical(G, categories=["c", "b", "a", "never"])
    result = ancova(YC, ordered, {"x": XC}, covariance="HC2")
    assert result.labels == ("c", "b", "a")
    assert result.reference == "c"
    assert "HC2" in result.differences[0].method
    assert result.group_test.f == pytest.approx(ancova(YC, G, {"x": XC}).group_test.f, rel=1e-10)


def test_a_group_in_which_the_covariate_does_not_vary() -> None:
    result = ancova([1, 2, 4, 3, 5, 6.0], list("aaabbb"), {"x": [1, 2, 3, 5, 5, 5]})
    assert result.common_slope.f is None
    assert "one level, or nothing" in result.common_slope.reason
    assert result.differences[0].p_value is not None
    assert "no test" in str(result)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ancova([1, 2, 3], list("aab"), {}), "no covariate"),
        (lambda: ancova([1, 2, 3], list("aaa"), {"x": [1, 2, 3]}), "at least 2"),
        (lambda: ancova(YC, G, {"x": XC}, reference="z"), "3 other groups"),
        (lambda: ancova(YC, G, {"x": XC[:3]}), "x: not one value"),
        (lambda: ancova(YC, G, {"x": ["a"] * 12}), "x: every value"),
        (lambda: ancova(YC, G, {"x": [math.inf, *XC[1:]]}), "x: infinite"),
        (lambda: ancova(YC, G, {"age": [1] * 4 + [2] * 5 + [3] * 3}), "age is a combination"),
        (lambda: ancova(YC, G, {"x": XC, "twice": np.multiply(XC, 2)}), "twice is a combination"),
        (lambda: ancova([1, 2, 3], list("abb"), {"x": [1, 2, 4]}), "3 rows for 3 coefficients"),
    ],
)
def test_covariates_refused_by_name(call, words: str) -> None:
    with pytest.raises(EstimationError, match=words):
        call()


def test_tables() -> None:
    table = ancova(YC, G, {"x": XC}).tidy()
    assert table["measure"].tolist() == ["adjusted mean"] * 3 + ["difference"] * 2 + ["slope"]
    assert {"contrast", "estimate", "std_error", "conf_low", "conf_high", "p_value", "n", "n_missing"} <= set(
        table
    )
    assert len(nested_test(X[:, :2], X, Y, names_small=NAMES[:2], names_large=NAMES).tidy()) == 1
