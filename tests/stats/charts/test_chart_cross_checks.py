"""Funnel limits, observed to expected and run lengths against R on 600 random inputs each."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import pandas as pd
import pytest
from scipy import stats

from outcomes.stats.charts.cusum_run_length import cusum_run_length
from outcomes.stats.charts.funnel import proportion_funnel, ratio_funnel
from outcomes.stats.charts.standardised_ratio import observed_to_expected

FOLDER = Path(__file__).parents[2] / "reference" / "chart_cross_checks"
RESULTS = pd.read_csv(FOLDER / "results.csv")
_spec = importlib.util.spec_from_file_location("chart_data_sets", FOLDER / "data_sets.py")
DATA = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(DATA)


def same(mine: float, theirs: float) -> bool:
    return math.isclose(mine, theirs, rel_tol=1e-7, abs_tol=1e-9)


def test_observed_to_expected():
    wrong = []
    for number, row in RESULTS.iterrows():
        observed, expected = DATA.ratio(number)
        exact = observed_to_expected(observed, expected)
        mid = observed_to_expected(observed, expected, limits="mid-P")
        pairs = (
            (exact.conf_low, row.low), (exact.conf_high, row.high), (mid.conf_low, row.mid_low),
            (mid.conf_high, row.mid_high),
        )  # fmt: skip
        wrong += [number for mine, theirs in pairs if not same(mine, theirs)]
        tails = stats.poisson.cdf(observed, expected), stats.poisson.sf(observed - 1, expected)
        if not same(exact.p_value, max(min(1, 2 * min(tails)), 2.3e-308)):
            wrong.append(number)
    assert wrong == []


def test_funnel_limits():
    wrong = []
    for number, row in RESULTS.iterrows():
        n, target, p = DATA.unit(number)
        mine = proportion_funnel([n], target, probabilities=[p], fewest=0).raw[0, 0]
        by_ratio = ratio_funnel([DATA.ratio(number)[1]], probabilities=[p], fewest=0).raw[0, 0]
        wrong += [number] if not (same(mine, row.binomial) and same(by_ratio, row.poisson)) else []
    assert wrong == []


@pytest.mark.parametrize("sides", [1, 2])
def test_run_lengths(sides):
    wrong = []
    for number, row in RESULTS.iterrows():
        k, h, shift = DATA.chart(number)
        mine = cusum_run_length(k, h, shift=shift, sides=sides).average
        theirs = row.run_one if sides == 1 else row.run_two
        if not math.isclose(mine, theirs, rel_tol=1e-7):
            wrong.append((number, mine, theirs))
    assert wrong == []
