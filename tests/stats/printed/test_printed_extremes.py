"""Printed numbers of absurd size: refused or given a reason before they fill the memory or overflow."""

from __future__ import annotations

import math

import pytest

from outcomes.errors import EstimationError
from outcomes.stats.printed.printed_intervals import interval_from_p
from outcomes.stats.printed.printed_text import read_printed, read_printed_p
from outcomes.stats.printed.summary_numbers import correlation_from_change


@pytest.mark.parametrize("text", ["1e999999999", "1e-999999999", "1e400", "2.5e301", "0e-301"])
def test_powers_of_ten_beyond_measurement_are_refused_before_arithmetic(text):
    with pytest.raises(EstimationError) as error:
        read_printed(text, "mean1")
    assert error.value.code == "not_a_number"
    assert str(error.value).startswith("mean1:")
    assert text not in str(error.value)
    with pytest.raises(EstimationError):
        read_printed_p(text)


def test_usual_powers_of_ten_are_read():
    assert read_printed("1e-4").low == read_printed("0.00005").value
    assert float(read_printed("1e300").value) == 1e300


def test_a_ratio_with_p_near_1_has_no_interval_and_says_why():
    found = interval_from_p(2.0, 0.9999999, scale="ratio")
    assert found.value == 2.0
    assert found.conf_low is None
    assert found.conf_high is None
    assert "near 1" in found.reason
    assert found.std_error is not None
    # the same distance is no trouble on the scale of a difference
    assert interval_from_p(math.log(2.0), 0.9999999).std_error == pytest.approx(found.std_error, rel=1e-12)


@pytest.mark.parametrize("size", [1e-160, 1.0, 1e160])
def test_correlation_does_not_depend_on_the_unit(size):
    assert correlation_from_change(3 * size, 4 * size, 5 * size).value == pytest.approx(0.0, abs=1e-15)
    assert correlation_from_change(size, size, size).value == pytest.approx(0.5, rel=1e-12)


def test_spreads_that_have_no_common_unit_are_not_estimable():
    assert correlation_from_change(1e-300, 1e300, 1e300).value is None
