"""Kappas: by hand, by differentiation, laws, tables that say nothing, refusals."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats import inter_rater

from outcomes.errors import EstimationError
from outcomes.stats.agreement.fleiss_kappa import fleiss_kappa
from outcomes.stats.agreement.kappa import cohen_kappa, kappa_bootstrap, kappa_context
from outcomes.stats.agreement.rating_tables import category_counts, cross_table

#: Ratings of 20 subjects by two raters on six levels (tests/check_values/data/irr_anxiety.csv).
ANXIETY = np.array([
    [1, 0, 1, 0, 0, 0], [0, 4, 2, 0, 0, 0], [0, 0, 1, 3, 0, 1], [0, 0, 1, 0, 0, 1], [0, 1, 2, 1, 0, 0],
    [0, 0, 1, 0, 0, 0],
])  # fmt: skip
SQUARE = st.integers(0, 10**6).map(
    lambda seed: np.random.default_rng(seed).integers(
        1, 12, (np.random.default_rng(seed).integers(2, 6),) * 2
    )
)
WEIGHTS = ("none", "linear", "quadratic")


def credits_of(weights, k):
    d = np.abs(np.subtract.outer(np.arange(k), np.arange(k))) / (k - 1)
    return 1 - {"none": d > 0, "linear": d, "quadratic": d**2}[weights]


def plain_kappa(table, w):
    p = table / table.sum()
    expected = p.sum(axis=1) @ w @ p.sum(axis=0)
    return ((w * p).sum() - expected) / (1 - expected)


@pytest.mark.parametrize("weights", WEIGHTS)
def test_variance_is_that_of_the_delta_method(weights):
    """Sum of counts times squared slopes of kappa in the counts, taken numerically: settles a disagreement."""
    w, slopes, step = credits_of(weights, 6), np.zeros((6, 6)), 1e-5
    for cell in np.ndindex(6, 6):
        more, less = ANXIETY.astype(float), ANXIETY.astype(float)
        more[cell] += step
        less[cell] -= step
        slopes[cell] = (plain_kappa(more, w) - plain_kappa(less, w)) / (2 * step)
    e = cohen_kappa(ANXIETY, weights=weights).estimate
    assert math.isclose(e.value, plain_kappa(ANXIETY, w), rel_tol=1e-12)
    assert math.isclose(e.std_error**2, (ANXIETY * slopes**2).sum(), rel_tol=1e-6)


@settings(max_examples=60, deadline=None)
@given(SQUARE)
def test_agrees_with_statsmodels(table):
    for weights, name in (("none", None), ("linear", "linear"), ("quadratic", "quadratic")):
        mine, other = cohen_kappa(table, weights=weights), inter_rater.cohens_kappa(table, wt=name)
        assert math.isclose(mine.estimate.value, other.kappa, rel_tol=1e-9, abs_tol=1e-12)
        assert math.isclose(mine.estimate.std_error, other.std_kappa, rel_tol=1e-7)
        assert math.isclose(mine.std_error_null, other.std_kappa0, rel_tol=1e-7)
    assert math.isclose(kappa_context(table).maximum, inter_rater.cohens_kappa(table).kappa_max, rel_tol=1e-9)


@settings(max_examples=40, deadline=None)
@given(SQUARE)
def test_swap_of_raters_reversal_of_levels_and_copies(table):
    for weights in WEIGHTS:
        e = cohen_kappa(table, weights=weights).estimate
        for other in (table.T, table[::-1, ::-1]):
            same = cohen_kappa(other, weights=weights).estimate
            assert math.isclose(same.value, e.value, rel_tol=1e-9, abs_tol=1e-12)
            assert math.isclose(same.std_error, e.std_error, rel_tol=1e-9)
        copies = cohen_kappa(4 * table, weights=weights).estimate
        assert math.isclose(copies.std_error, e.std_error / 2, rel_tol=1e-9)
    two = cohen_kappa(table[:2, :2], weights="quadratic").estimate.value
    assert math.isclose(two, cohen_kappa(table[:2, :2]).estimate.value, rel_tol=1e-9, abs_tol=1e-12)


def test_own_weights_are_those_given():
    linear = cohen_kappa(ANXIETY, weights="linear").estimate
    own = cohen_kappa(ANXIETY, weights=credits_of("linear", 6)).estimate
    assert math.isclose(own.value, linear.value, rel_tol=1e-12)
    assert own.contrast == "kappa, own weights"


def test_quadratic_weights_are_an_intraclass_correlation():
    """Fleiss and Cohen 1973, with divisor n throughout: 2 cov / (var + var + (mean difference)^2)."""
    i, j = (np.repeat(axis.ravel(), ANXIETY.ravel()) for axis in np.indices((6, 6)))
    cov = np.cov(i, j, ddof=0)
    value = 2 * cov[0, 1] / (cov[0, 0] + cov[1, 1] + (i.mean() - j.mean()) ** 2)
    assert math.isclose(cohen_kappa(ANXIETY, weights="quadratic").estimate.value, value, rel_tol=1e-12)


def test_interval_is_normal_and_cut_at_one():
    e = cohen_kappa([[20, 5], [10, 15]], level=0.9).estimate
    assert math.isclose(e.conf_low, 0.4 - 1.6448536269514722 * math.sqrt(0.016128), rel_tol=1e-10)
    assert cohen_kappa([[9, 1], [0, 3]]).estimate.conf_high == 1.0
    assert cohen_kappa([[0, 3], [3, 1]]).estimate.conf_low == -1.0


def test_p_uses_the_variance_under_chance():
    """2 x 2: the null variance is pe / (n (1 - pe)) less the terms of the margins; here by hand, 0.5 and 0.5."""
    found = cohen_kappa([[15, 10], [10, 15]])
    assert math.isclose(found.std_error_null**2, 1 / 50, rel_tol=1e-12)
    assert math.isclose(found.z, 0.2 * math.sqrt(50), rel_tol=1e-12)
    assert math.isclose(found.estimate.p_value, 0.15729920705028513, rel_tol=1e-9)


def test_bias_and_prevalence():
    """Byrt 1993: same agreement 0.85, kappas far apart, one adjusted kappa of 0.7."""
    even, rare = kappa_context([[40, 9], [6, 45]]), kappa_context([[80, 10], [5, 5]])
    assert math.isclose(even.agreement.value, rare.agreement.value, rel_tol=1e-12)
    assert math.isclose(rare.adjusted.value, 0.7, rel_tol=1e-12)
    assert math.isclose(rare.prevalence, 0.75, rel_tol=1e-12)
    assert math.isclose(rare.bias, 0.05, rel_tol=1e-12)
    assert cohen_kappa([[40, 9], [6, 45]]).estimate.value > 0.69
    assert cohen_kappa([[80, 10], [5, 5]]).estimate.value < 0.33
    three = kappa_context(ANXIETY)
    assert (three.prevalence, three.bias) == (None, None)
    assert math.isclose(three.adjusted.value, (6 * 0.3 - 1) / 5, rel_tol=1e-12)
    assert three.adjusted.conf_low < three.adjusted.value < three.adjusted.conf_high


@pytest.mark.parametrize(
    ("table", "value", "reason"),
    [
        ([[5, 0], [0, 0]], None, "one level only"), ([[0, 0], [0, 0]], None, "0 subjects"),
        ([[1, 0], [0, 0]], None, "1 subjects"), ([[5, 0], [0, 7]], 1.0, "agree on every subject"),
        ([[5, 0], [4, 0]], 0.0, "variance of this table is 0"),
    ],
)  # fmt: skip
def test_tables_without_value_or_interval(table, value, reason):
    e = cohen_kappa(table).estimate
    assert reason in e.reason
    assert e.conf_low is None
    assert e.value == value


def test_bootstrap():
    table = np.array([[40, 9], [6, 45]])
    first, again = kappa_bootstrap(table, seed=3), kappa_bootstrap(table, seed=3)
    assert first == again
    e, closed = first.estimate, cohen_kappa(table).estimate
    assert abs(e.std_error / closed.std_error - 1) < 0.06
    assert abs(e.conf_low - closed.conf_low) < 0.03
    assert abs(e.conf_high - closed.conf_high) < 0.03
    assert first.n_failed == 0
    few = kappa_bootstrap([[5, 1], [0, 0]], seed=1)
    assert few.n_failed > 0
    assert few.estimate.conf_low is None
    with pytest.raises(EstimationError, match="one level"):
        kappa_bootstrap([[5, 0], [0, 0]], seed=1)


def test_fleiss_jackknife_gives_the_same_error_in_large_samples():
    rng = np.random.default_rng(2)
    counts = np.stack([rng.multinomial(4, rng.dirichlet([0.4, 0.6, 0.3])) for _ in range(400)])
    e = fleiss_kappa(counts).estimate
    left = np.array([fleiss_kappa(np.delete(counts, i, axis=0)).estimate.value for i in range(400)])
    jackknife = math.sqrt(399 / 400 * ((left - left.mean()) ** 2).sum())
    assert abs(e.std_error / jackknife - 1) < 0.01
    assert math.isclose(e.value, inter_rater.fleiss_kappa(counts), rel_tol=1e-12)


def test_fleiss_of_two_raters_is_scotts_pi():
    counts = [[2, 0]] * 4 + [[0, 2]] * 3 + [[1, 1]] * 3
    share = np.array([11, 9]) / 20
    expected = (share**2).sum()
    assert math.isclose(fleiss_kappa(counts).estimate.value, (0.7 - expected) / (1 - expected), rel_tol=1e-12)


def test_fleiss_of_categories_averages_to_the_whole():
    counts = np.array([[3, 1, 0], [0, 4, 0], [2, 1, 1], [0, 0, 4], [1, 3, 0]])
    found = fleiss_kappa(counts)
    share = counts.sum(axis=0) / counts.sum()
    weight = share * (1 - share)
    assert math.isclose(found.estimate.value, np.average(found.by_category, weights=weight), rel_tol=1e-12)
    turned = fleiss_kappa(counts[::-1, ::-1])
    assert turned.estimate == fleiss_kappa(counts[:, ::-1]).estimate
    assert math.isclose(turned.estimate.value, found.estimate.value, rel_tol=1e-12)


def test_fleiss_limits_are_students_and_cut():
    counts = [[3, 0], [3, 0], [0, 3], [2, 1]]
    e = fleiss_kappa(counts).estimate
    assert e.df == 3
    assert (
        math.isclose(e.value - e.conf_low, 3.182446305284263 * e.std_error, rel_tol=1e-9)
        or e.conf_low == -0.5
    )
    assert e.conf_high == 1.0
    assert fleiss_kappa([[2, 2], [2, 2], [1, 3]]).estimate.conf_low == -1 / 3


@pytest.mark.parametrize(
    ("counts", "reason"),
    [
        ([[3, 0]], "one subject"), ([[1, 0], [0, 1]], "one rater"), ([[3, 0], [3, 0]], "one category"),
        ([[0, 0], [0, 0]], "one rater"),
    ],
)  # fmt: skip
def test_fleiss_not_estimable(counts, reason):
    found = fleiss_kappa(counts)
    assert reason in found.estimate.reason
    assert found.by_category == (None, None)


def test_fleiss_full_agreement():
    found = fleiss_kappa([[3, 0], [0, 3], [3, 0], [0, 3]])
    assert (found.estimate.value, found.estimate.conf_low) == (1.0, None)
    assert "no spread" in found.estimate.reason


def test_counting_ratings():
    made = cross_table(["b", "a", None, "b"], ["b", "b", "a", float("nan")], ["a", "b"])
    assert made.counts.tolist() == [[0, 1], [0, 1]]
    assert made.n_missing == 2
    many = category_counts([[1, 2, 2], [1, 1, 1], [2, None, 1]], [1, 2])
    assert many.counts.tolist() == [[1, 2], [3, 0]]
    assert many.n_missing == 1
    assert many.tidy().columns.tolist() == ["1", "2"]
    assert "1 subjects left out" in str(many)


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: cohen_kappa([[1, 2, 3], [1, 2, 3]]), "bad_shape"), (lambda: cohen_kappa([[1]]), "bad_shape"),
        (lambda: cohen_kappa([[1, -1], [1, 2]]), "bad_count"), (lambda: cohen_kappa([[1, 1], [1, 2.5]]), "bad_count"),
        (lambda: cohen_kappa([[1, 1], [1, 2]], weights="cubic"), "bad_choice"),
        (lambda: cohen_kappa([[1, 1], [1, 2]], weights=[[1, 0.5], [0.4, 1]]), "bad_weights"),
        (lambda: cohen_kappa([[1, 1], [1, 2]], weights=[[0, 1], [1, 0]]), "bad_weights"),
        (lambda: cohen_kappa([[1, 1], [1, 2]], weights=[[1, 2], [2, 1]]), "bad_weights"),
        (lambda: fleiss_kappa([[1, 2], [2, 2]]), "unequal_raters"), (lambda: fleiss_kappa([1, 2]), "bad_shape"),
        (lambda: cross_table(["a"], ["a", "b"], ["a", "b"]), "bad_shape"),
        (lambda: cross_table(["a"], ["b"], ["a", "a"]), "bad_levels"),
        (lambda: cohen_kappa([[1, 1], [1, 2]], level=0), "bad_level"),
    ],
)  # fmt: skip
def test_refused(call, code):
    with pytest.raises(EstimationError) as error:
        call()
    assert error.value.code == code


def test_an_unknown_rating_is_counted_and_not_shown():
    with pytest.raises(EstimationError, match="second: 1 ratings") as error:
        cross_table(["a", "b"], ["a", "Smith"], ["a", "b"])
    assert error.value.code == "unknown_level"
    assert "Smith" not in str(error.value)


def test_tables_and_sentences():
    found = cohen_kappa([[20, 5], [10, 15]], n_missing=2)
    assert str(found).startswith("kappa: 0.4 (95 % CI 0.1511 to 0.6489; n = 50")
    assert str(found).endswith("agreement 0.7 observed, 0.5 by chance")
    assert found.tidy().loc[0, ["n", "n_missing"]].tolist() == [50, 2]
    context = kappa_context([[20, 5], [10, 15]])
    assert "largest kappa of these margins 0.8; prevalence index 0.1, bias index 0.1" in str(context)
    assert context.tidy()["contrast"].tolist() == ["agreement", "kappa adjusted for prevalence and bias"]
    assert "6 raters" not in str(fleiss_kappa([[3, 0], [1, 2]]))
    assert fleiss_kappa([[3, 0], [1, 2]]).tidy().loc[0, "raters"] == 3


def test_a_labelled_table_of_other_levels_is_refused():
    one, other = ["a", "b", "b", "c", "c"], ["b", "c", "b", "d", "c"]
    square = pd.crosstab(pd.Series(one), pd.Series(other))
    assert square.shape == (3, 3)  # square by chance, its diagonal is a-b, b-c, c-d
    for kappa in (cohen_kappa, kappa_context):
        with pytest.raises(EstimationError, match="cross_table"):
            kappa(square)
    turned = pd.DataFrame([[20, 5], [10, 15]], index=["x", "y"], columns=["y", "x"])
    with pytest.raises(EstimationError, match="cross_table"):
        cohen_kappa(turned)
    fits = pd.DataFrame([[20, 5], [10, 15]], index=["x", "y"], columns=["x", "y"])
    assert math.isclose(cohen_kappa(fits).estimate.value, 0.4)
