"""Charts of what cannot be charted: refused without a value in the message, or without end instead of a crash."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.charts.attribute_charts import u_chart
from outcomes.stats.charts.cusum_run_length import cusum_run_length
from outcomes.stats.charts.funnel import ratio_funnel
from outcomes.stats.charts.over_dispersion import over_dispersion, widened_limits
from outcomes.stats.charts.risk_adjusted_cusum import (
    cusum_limit,
    observed_minus_expected,
    risk_adjusted_cusum,
)
from outcomes.stats.charts.run_rules import run_chart
from outcomes.stats.charts.standardised_ratio import expected_from_strata, indirect_standardisation

CANARY = "Canary 1961"
SPREAD = over_dispersion([1.0, 2.0], [1.0, 1.0], 1.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: u_chart([1, 0], [CANARY, 1]),
        lambda: ratio_funnel([CANARY]),
        lambda: over_dispersion([CANARY, 1], [1, 1], 1),
        lambda: over_dispersion([1, 1], [CANARY, 1], 1),
        lambda: widened_limits(0.0, [CANARY], SPREAD),
        lambda: risk_adjusted_cusum([CANARY], [0.1]),
        lambda: risk_adjusted_cusum([1], [CANARY]),
        lambda: cusum_limit([CANARY, 0.1]),
        lambda: observed_minus_expected([CANARY], [0.1]),
        lambda: indirect_standardisation([CANARY, 1], [0.1, 0.1], ["a", "b"]),
        lambda: indirect_standardisation([0, 1], [CANARY, 0.1], ["a", "b"]),
    ],
)
def test_text_is_refused_and_never_quoted(call):
    with pytest.raises(EstimationError) as error:
        call()
    assert CANARY not in str(error.value)
    assert "1961" not in str(error.value)
    assert error.value.__cause__ is None


@pytest.mark.parametrize("centre", [math.nan, math.inf])
def test_a_run_chart_needs_a_finite_centre(centre):
    with pytest.raises(EstimationError, match="centre"):
        run_chart(np.arange(12.0), centre=centre)


@pytest.mark.parametrize("error", [math.nan, -1.0, math.inf])
def test_widened_limits_need_errors(error):
    with pytest.raises(EstimationError, match="std_errors"):
        widened_limits(0.0, [error], SPREAD)


def test_the_side_away_from_a_huge_shift_never_signals():
    both, upper = (cusum_run_length(0.5, 4, shift=50, sides=sides) for sides in (2, 1))
    assert both.average == pytest.approx(upper.average, rel=1e-12) == pytest.approx(1.0, rel=1e-9)


def test_expected_events_of_an_empty_column():
    assert expected_from_strata([], [1], [10], levels=["young"]).size == 0
