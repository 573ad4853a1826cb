"""Mantel-Haenszel over strata: identities, strata without information, homogeneity."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.proportions.risks import odds_ratio, risk_ratio
from outcomes.stats.proportions.score_statistics import expected_events
from outcomes.stats.proportions.strata import mantel_haenszel

TABLES = [[[10, 20], [5, 25]], [[7, 3], [4, 9]], [[2, 30], [1, 28]]]
EMPTY_GROUP = [[0, 0], [3, 4]]
NO_EVENTS = [[0, 6], [0, 8]]
ALL_EVENTS = [[5, 0], [9, 0]]
ONE_PATIENT = [[1, 0], [0, 0]]


def test_one_stratum_is_the_plain_comparison():
    """Robins-Breslow-Greenland is Woolf and Greenland-Robins is Katz when there is one stratum."""
    pooled = mantel_haenszel([[[20, 80], [10, 90]]])
    odds, risk = odds_ratio(20, 100, 10, 100, method="woolf"), risk_ratio(20, 100, 10, 100)
    for mine, plain in ((pooled.odds_ratio, odds), (pooled.risk_ratio, risk)):
        for name in ("value", "conf_low", "conf_high", "std_error"):
            assert math.isclose(getattr(mine, name), getattr(plain, name), rel_tol=1e-12)


def test_one_stratum_test_is_chi_squared_by_n_minus_one():
    pooled = mantel_haenszel([[[20, 80], [10, 90]]])
    pearson = 200 * (20 * 90 - 80 * 10) ** 2 / (100 * 100 * 30 * 170)
    assert math.isclose(pooled.test.statistic, pearson * 199 / 200, rel_tol=1e-12)
    assert pooled.tarone.statistic is None
    assert "fewer than two" in pooled.tarone.reason


@pytest.mark.parametrize("dead", [EMPTY_GROUP, ONE_PATIENT, [[0, 0], [0, 0]]])
def test_strata_without_a_comparison_change_nothing_and_are_counted(dead):
    plain, padded = mantel_haenszel(TABLES), mantel_haenszel([*TABLES, dead])
    for name in ("odds_ratio", "risk_ratio", "risk_difference"):
        assert getattr(plain, name) == getattr(padded, name)
    for name in ("test", "test_corrected", "breslow_day", "tarone"):
        assert getattr(plain, name).p_value == getattr(padded, name).p_value
    assert (padded.n_strata, padded.n_uninformative, padded.n_uninformative_difference) == (4, 1, 1)


def test_a_stratum_without_events_informs_the_difference_only():
    plain, padded = mantel_haenszel(TABLES), mantel_haenszel([*TABLES, NO_EVENTS])
    assert plain.odds_ratio == padded.odds_ratio
    assert plain.risk_ratio == padded.risk_ratio
    assert abs(padded.risk_difference.value) < abs(plain.risk_difference.value)
    counted = (padded.n_uninformative, padded.n_uninformative_ratio, padded.n_uninformative_difference)
    assert counted == (1, 1, 0)


def test_a_stratum_of_events_only_informs_both_risks():
    padded = mantel_haenszel([*TABLES, ALL_EVENTS])
    counted = (padded.n_uninformative, padded.n_uninformative_ratio, padded.n_uninformative_difference)
    assert counted == (1, 0, 0)


def test_a_stratum_with_a_single_event_takes_part():
    single = [[1, 5], [0, 6]]
    pooled = mantel_haenszel([*TABLES, single])
    assert (pooled.n_uninformative, pooled.n_uninformative_ratio) == (0, 0)
    assert pooled.risk_ratio.value > mantel_haenszel(TABLES).risk_ratio.value


def test_nothing_to_pool():
    pooled = mantel_haenszel([NO_EVENTS, EMPTY_GROUP])
    assert not pooled.odds_ratio.estimable
    assert not pooled.risk_ratio.estimable
    assert pooled.risk_difference.value == 0
    assert pooled.risk_difference.conf_low is None
    assert "no variation" in pooled.risk_difference.reason
    assert pooled.test.p_value is None
    assert pooled.test.reason
    assert "no stratum with both groups" in mantel_haenszel([EMPTY_GROUP]).risk_difference.reason


def test_events_in_one_group_only():
    """The odds and risk ratios are 0 or infinite; the test and the difference stand."""
    pooled = mantel_haenszel([[[5, 10], [0, 12]], [[3, 9], [0, 8]]])
    assert "no finite value" in pooled.odds_ratio.reason
    assert "group 0" in pooled.risk_ratio.reason
    assert pooled.risk_difference.conf_low > 0
    assert pooled.test.p_value < 0.05
    assert pooled.tarone.p_value is None
    assert pooled.tarone.reason == "no pooled odds ratio"
    mirrored = mantel_haenszel([[[0, 12], [5, 10]], [[0, 8], [3, 9]]])
    assert "is 0" in mirrored.odds_ratio.reason


def test_everybody_had_the_event():
    pooled = mantel_haenszel([ALL_EVENTS, ALL_EVENTS])
    assert pooled.risk_ratio.value == 1
    assert pooled.risk_ratio.conf_low is None
    assert pooled.risk_difference.p_value is None


def test_equal_odds_ratios_are_homogeneous():
    pooled = mantel_haenszel([[[20, 80], [10, 90]], [[40, 160], [20, 180]]])
    assert pooled.breslow_day.statistic == pytest.approx(0, abs=1e-20)
    assert pooled.tarone.p_value == 1


def test_fitted_events_solve_the_quadratic():
    for psi in (0.01, 0.5, 1.0, 3.0, 200.0):
        n1, n0, m1 = np.array([30.0, 5.0]), np.array([40.0, 60.0]), np.array([12.0, 63.0])
        a = expected_events(n1, n0, m1, np.full(2, psi))
        assert np.allclose(a * (n0 - m1 + a) / ((n1 - a) * (m1 - a)), psi, rtol=1e-9)


def test_tidy_has_a_row_a_measure_and_says_the_sentence():
    pooled = mantel_haenszel(TABLES)
    assert list(pooled.tidy()["measure"]) == ["odds ratio", "risk ratio", "risk difference"]
    assert {"estimate", "std_error", "conf_low", "conf_high", "p_value", "n", "n_missing"} <= set(
        pooled.tidy().columns
    )
    assert "0 uninformative" in str(pooled)
    assert "3 of 3 strata" in str(pooled.test)
    assert "3 of 4 strata" in str(mantel_haenszel([*TABLES, EMPTY_GROUP]).test)
    assert pooled.test.tidy()["p_value"][0] == pooled.test.p_value


@pytest.mark.parametrize("tables", [[[1, 2], [3, 4]], [[[1, 2, 3], [1, 2, 3]]], [[[1, -2], [3, 4]]], []])
def test_bad_tables(tables):
    with pytest.raises(EstimationError, match=r"expected shape|whole number"):
        mantel_haenszel(tables)
