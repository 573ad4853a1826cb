"""A reliability of exactly 1 leaves no error of measurement."""

from __future__ import annotations

import pytest

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.agreement.measurement_error import sem_from_reliability, smallest_detectable_change


def reliability(value, low, high):
    return Estimate(value=value, conf_low=low, conf_high=high, n=12)


def test_a_reliability_of_one_is_allowed_and_more_is_not():
    none = sem_from_reliability(5.0, reliability(1.0, 0.75, 1.0))
    assert (none.value, none.conf_low, none.conf_high) == (0.0, 0.0, 2.5)
    for wrong in (reliability(1.01, 0.5, 1.01), reliability(0.9, 0.5, 1.01), reliability(1.01, None, None)):
        with pytest.raises(EstimationError, match="at most 1"):
            sem_from_reliability(5.0, wrong)
    without = sem_from_reliability(5.0, reliability(0.75, None, None))
    assert (without.value, without.conf_low, without.conf_high) == (2.5, None, None)


@pytest.mark.parametrize("sd", [0.0, -1.0, float("inf"), float("nan")])
def test_an_sd_is_finite_and_above_0(sd):
    with pytest.raises(EstimationError, match="sd must be"):
        sem_from_reliability(sd, reliability(0.5, 0.2, 0.8))


def test_a_bare_number_is_no_standard_error_of_measurement():
    with pytest.raises(EstimationError, match="give the Estimate of a standard error"):
        smallest_detectable_change(1.5)
