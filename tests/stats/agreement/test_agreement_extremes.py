"""Agreement where a denominator vanishes or a limit is beyond all numbers: a reason, never a crash."""

from __future__ import annotations

import math

import pytest

from outcomes.stats.agreement.icc import intraclass_correlation
from outcomes.stats.agreement.measurement_error import within_subject_cv


@pytest.mark.parametrize("interval", ["McGraw-Wong", "generalised"])
def test_raters_alike_and_subjects_alike_have_no_satterthwaite_limits(interval):
    # mean squares: subjects 0, raters 0, residual 0.25, so ICC = -1 / (n k - n - k + 1 + ...): both terms vanish
    found = intraclass_correlation([[1, 2], [2, 1], [1.5, 1.5]], interval=interval).estimate
    assert found.value is not None
    if interval == "McGraw-Wong":
        assert found.conf_low is None
        assert found.conf_high is None
        assert found.reason == "a limit is out of reach"


def test_a_single_pair_far_apart_has_a_lower_limit_only():
    # variance of the logs (log 10)^2 / 2 on 1 degree of freedom; times 1 / 0.00098 it is beyond exp
    found = within_subject_cv([[1, 10]])
    assert found.value == pytest.approx(100 * math.sqrt(math.expm1(math.log(10) ** 2 / 2)), rel=1e-12)
    assert found.conf_low is not None
    assert 0 < found.conf_low < found.value
    assert found.conf_high is None
    assert "upper limit" in found.reason


def test_a_pair_beyond_all_numbers_is_not_estimable():
    found = within_subject_cv([[1e-300, 1e300]])
    assert not found.estimable


def test_the_usual_limits_say_where_they_are_too_short():
    # rater means 0 and 6, subjects 0 to 3, hardly any error: the levels of two raters decide
    apart = [[0.0, 6.0], [1.0, 7.1], [2.0, 7.9], [3.0, 9.0]]
    usual, generalised = (
        intraclass_correlation(apart, interval=interval).estimate
        for interval in ("McGraw-Wong", "generalised")
    )
    assert "limits may be too short" in usual.method
    assert "too short" not in generalised.method
    assert usual.conf_high is not None
    assert generalised.conf_high is not None
    assert usual.value == generalised.value
    alike = [[0.0, 0.1], [1.0, 0.8], [2.0, 2.1], [3.0, 3.1]]
    assert "too short" not in intraclass_correlation(alike).estimate.method
    assert "too short" not in intraclass_correlation(apart, agreement="consistency").estimate.method
