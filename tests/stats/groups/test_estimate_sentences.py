"""How an estimate reads without limits and without a count."""

from __future__ import annotations

from outcomes.estimates import Estimate
from outcomes.stats.charts.standardised_ratio import observed_to_expected


def test_a_missing_interval_says_why():
    bare = Estimate(value=1.0, conf_low=None, conf_high=None, contrast="kappa", n=9, reason="full agreement")
    assert str(bare) == "kappa: 1 (no 95 % CI: full agreement; n = 9)"
    half = Estimate(value=1.0, conf_low=0.5, conf_high=None, n=9, reason="no upper limit exists")
    assert str(half) == "1 (95 % CI 0.5 to no limit; n = 9)"
    silent = Estimate(value=1.0, conf_low=None, conf_high=None, n=9)
    assert str(silent) == "1 (95 % CI no limit to no limit; n = 9)"


def test_a_count_that_is_not_known_is_not_printed_as_nothing():
    assert "n = " not in str(observed_to_expected(12, 8.3))
    assert "n = 40" in str(observed_to_expected(12, 8.3, n=40))
