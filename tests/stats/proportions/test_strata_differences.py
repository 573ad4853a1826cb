"""Risk differences over strata by Newcombe and by score, Greenland-Robins, homogeneity of effects."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.pooling.strata_homogeneity import effect_homogeneity
from outcomes.stats.proportions.risks import risk_difference
from outcomes.stats.proportions.score_intervals import score_difference
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.proportions.stratified_differences import stratified_newcombe, stratified_score_difference

TABLES = [[[10, 20], [5, 25]], [[7, 3], [4, 9]], [[2, 30], [1, 28]]]
EMPTY_GROUP = [[0, 0], [3, 4]]
BOTH = (stratified_newcombe, stratified_score_difference)


@pytest.mark.parametrize(
    "counts", [(9, 43, 7, 42), (0, 10, 3, 12), (10, 10, 0, 20), (0, 4, 0, 5), (1, 1, 0, 1)]
)
def test_one_stratum_is_the_plain_interval(counts):
    a, n1, c, n0 = counts
    table = [[[a, n1 - a], [c, n0 - c]]]
    for pooled, plain in (
        (stratified_newcombe(table), risk_difference(*counts)),
        (stratified_score_difference(table), score_difference(*counts)),
    ):
        for name in ("value", "conf_low", "conf_high", "p_value"):
            mine, theirs = getattr(pooled, name), getattr(plain, name)
            assert mine == (theirs if theirs is None else pytest.approx(theirs, rel=1e-9, abs=1e-12))


def test_values_are_mantel_haenszels_and_lie_inside():
    pooled = mantel_haenszel(TABLES).risk_difference
    for function in BOTH:
        found = function(TABLES)
        assert found.value == pytest.approx(pooled.value, rel=1e-12)
        assert found.conf_low < found.value < found.conf_high
        assert found.n == pooled.n
        # large strata: the limits meet those of the normal approximation
        many = function(np.array(TABLES) * 10_000)
        normal = mantel_haenszel(np.array(TABLES) * 10_000).risk_difference
        assert many.conf_low == pytest.approx(normal.conf_low, rel=1e-3)
        assert many.conf_high == pytest.approx(normal.conf_high, rel=1e-3)


def test_score_limits_solve_the_equation():
    """Sum of w (d - limit) = z SE(limit), with the risks of each stratum under the limit from score_test."""
    from outcomes.stats.proportions.score_intervals import score_test

    found = stratified_score_difference(TABLES)
    weights = np.array([n1 * n0 / (n1 + n0) for n1, n0 in ((30, 30), (10, 13), (32, 29))])
    weights /= weights.sum()
    for limit, sign in ((found.conf_low, 1), (found.conf_high, -1)):
        gap = variance = 0.0
        for w, ((a, b), (c, d)) in zip(weights, TABLES, strict=True):
            n1, n0 = a + b, c + d
            test = score_test(a, n1, c, n0, limit)
            own = test.risk1 * (1 - test.risk1) / n1 + test.risk0 * (1 - test.risk0) / n0
            gap += w * (a / n1 - c / n0 - limit)
            variance += w**2 * own * (n1 + n0) / (n1 + n0 - 1)
        assert gap / math.sqrt(variance) == pytest.approx(sign * 1.959963984540054, rel=1e-9)


@pytest.mark.parametrize("function", BOTH)
def test_laws(function):
    plain = function(TABLES)
    turned = function(np.array(TABLES)[:, ::-1])
    assert turned.value == pytest.approx(-plain.value, rel=1e-12)
    assert turned.conf_low == pytest.approx(-plain.conf_high, rel=1e-9)
    assert turned.conf_high == pytest.approx(-plain.conf_low, rel=1e-9)
    shuffled = function([TABLES[2], TABLES[0], TABLES[1]])
    assert shuffled.conf_low == pytest.approx(plain.conf_low, rel=1e-12)
    assert function([*TABLES, EMPTY_GROUP]) == plain
    without = function(np.array(TABLES)[:, :, ::-1])
    assert without.conf_low == pytest.approx(-plain.conf_high, rel=1e-9)
    wider = function(TABLES, 0.99)
    assert wider.conf_low < plain.conf_low < plain.conf_high < wider.conf_high


@pytest.mark.parametrize("function", BOTH)
def test_degenerate_strata(function):
    nobody = function([EMPTY_GROUP])
    assert nobody.reason == "no stratum with both groups"
    none = function([[[0, 6], [0, 8]], [[0, 3], [0, 9]]])
    assert none.value == 0
    assert -1 <= none.conf_low < 0 < none.conf_high <= 1
    assert none.p_value is None
    apart = function([[[6, 0], [0, 8]], [[3, 0], [0, 9]]])
    assert (apart.value, apart.conf_high) == (1, 1)
    assert apart.conf_low < 1
    with pytest.raises(EstimationError, match="expected shape"):
        function([[1, 2], [3, 4]])


def test_p_of_the_score_interval_agrees_with_the_limits():
    rng = np.random.default_rng(8)
    said = set()
    for _ in range(60):
        tables = rng.integers(0, 15, (3, 2, 2))
        found = stratified_score_difference(tables)
        if found.p_value is not None:
            assert (found.p_value > 0.05) == (found.conf_low <= 0 <= found.conf_high)
            said.add(found.p_value > 0.05)
    assert said == {True, False}


def test_greenland_and_robins_in_one_stratum_is_the_sum_of_two_binomial_variances():
    found = mantel_haenszel([[[20, 80], [10, 90]]], difference_variance="Greenland-Robins").risk_difference
    assert found.std_error**2 == pytest.approx(0.2 * 0.8 / 100 + 0.1 * 0.9 / 100, rel=1e-12)
    uneven = mantel_haenszel([[[20, 80], [3, 7]]], difference_variance="Greenland-Robins").risk_difference
    assert uneven.std_error**2 == pytest.approx(0.2 * 0.8 / 100 + 0.3 * 0.7 / 10, rel=1e-12)
    assert found.method == "Mantel-Haenszel, Greenland-Robins"
    assert mantel_haenszel([[[20, 80], [10, 90]]]).risk_difference.method == "Mantel-Haenszel, Sato"


def test_matched_pairs_show_why_sato_is_the_default():
    """Pairs of one case each: Sato gives the variance of paired differences, Greenland-Robins gives 0."""
    pairs = [[[1, 0], [0, 1]]] * 12 + [[[0, 1], [1, 0]]] * 5 + [[[1, 0], [1, 0]]] * 9
    sparse = mantel_haenszel(pairs, difference_variance="Greenland-Robins").risk_difference
    assert sparse.std_error is None
    assert "no variation" in sparse.reason
    sato = mantel_haenszel(pairs).risk_difference
    assert sato.value == pytest.approx(7 / 26, rel=1e-12)
    assert sato.std_error == pytest.approx(math.sqrt(17 - 7**2 / 26) / 26, rel=1e-12)


def test_unknown_variance():
    with pytest.raises(EstimationError, match="'Sato', 'Greenland-Robins'"):
        mantel_haenszel(TABLES, difference_variance="Wald")


def test_homogeneity_of_equal_and_of_different_effects():
    equal = [[[20, 80], [10, 90]], [[40, 160], [20, 180]]]
    for measure in ("log odds ratio", "log risk ratio", "risk difference"):
        for about in ("inverse variance", "Mantel-Haenszel"):
            test = effect_homogeneity(equal, measure, about=about)
            assert test.statistic == pytest.approx(0, abs=1e-20)
            assert (test.p_value, test.df) == (pytest.approx(1), 1)
            other = effect_homogeneity([*equal, [[90, 10], [10, 90]]], measure, about=about)
            assert other.p_value < 1e-3
            assert other.df == 2
    woolf = effect_homogeneity(TABLES, "log odds ratio").statistic
    assert woolf <= effect_homogeneity(TABLES, "log odds ratio", about="Mantel-Haenszel").statistic


def test_homogeneity_counts_strata_without_an_effect():
    test = effect_homogeneity([*TABLES, EMPTY_GROUP, [[0, 5], [2, 5]]], "log odds ratio")
    assert (test.n_strata, test.n_uninformative, test.df) == (5, 2, 2)
    alone = effect_homogeneity([TABLES[0], EMPTY_GROUP], "risk difference")
    assert alone.p_value is None
    assert "fewer than two strata" in alone.reason
    assert effect_homogeneity([EMPTY_GROUP], "risk difference").n_uninformative == 1
    with pytest.raises(EstimationError, match="'Mantel-Haenszel'"):
        effect_homogeneity(TABLES, "risk difference", about="mean")
