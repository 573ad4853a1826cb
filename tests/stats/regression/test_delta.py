"""Values and errors turned into estimates: limits by hand, and what is not given and why."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.regression.delta import delta_estimates, quadratic


def test_differences_with_t_and_normal_limits() -> None:
    made = delta_estimates(
        [3.0, -2.0], [1.5, 0.5], df=[7.5, math.inf], level=0.9, labels=["a", "b"], unit="kg", n=20, n_missing=2,
        method="least squares",
    )  # fmt: skip
    for e, df, value, error in zip(made, (7.5, 1e12), (3.0, -2.0), (1.5, 0.5), strict=True):
        half = stats.t.ppf(0.95, df) * error
        assert (e.conf_low, e.conf_high) == pytest.approx((value - half, value + half), rel=1e-9)
        assert e.p_value == pytest.approx(2 * stats.t.sf(abs(value / error), df), rel=1e-9)
        assert (e.n, e.n_missing, e.unit, e.method, e.level) == (20, 2, "kg", "least squares", 0.9)
        assert (e.std_error, e.reason) == (error, "")
    assert [e.contrast for e in made] == ["a", "b"]
    assert [e.df for e in made] == [7.5, None]


def test_ratios_keep_the_error_of_their_logarithm() -> None:
    e = delta_estimates([math.log(0.5)], [0.2], ratio=True, unit="kg")[0]
    half = stats.norm.ppf(0.975) * 0.2
    assert (e.value, e.conf_low, e.conf_high) == pytest.approx(
        (0.5, 0.5 * math.exp(-half), 0.5 * math.exp(half))
    )
    assert (e.std_error, e.unit) == (0.2, "ratio")
    assert e.p_value == pytest.approx(2 * stats.norm.sf(math.log(2) / 0.2), rel=1e-9)


def test_ratios_beyond_numbers() -> None:
    edge = delta_estimates([700.0], [1e-3], ratio=True)[0]
    assert edge.value == pytest.approx(math.exp(700.0))
    assert edge.conf_high is None
    assert edge.reason == "the upper limit is too large for a number"
    assert edge.conf_low == pytest.approx(math.exp(700.0 - stats.norm.ppf(0.975) * 1e-3), rel=1e-9)
    assert edge.p_value is not None
    for value in (700.5, -700.5):
        beyond = delta_estimates([value], [1.0], ratio=True, labels=["a"], n=3)[0]
        assert (beyond.value, beyond.conf_low, beyond.n, beyond.contrast) == (None, None, 3, "a")
        assert beyond.reason == "the ratio is too far from 1 for a number"
    below = delta_estimates([698.0], [1.0], ratio=True)[0]
    assert below.conf_high == pytest.approx(math.exp(698 + stats.norm.ppf(0.975)), rel=1e-9)
    assert below.reason == ""
    # a difference may be as large as it likes
    assert delta_estimates([1e5], [1.0])[0].value == 1e5


@pytest.mark.parametrize("ratio", [False, True])
def test_no_spread_and_no_degrees_of_freedom(ratio: bool) -> None:
    shown = math.exp(2.0) if ratio else 2.0
    for error in (0.0, math.inf, -1.0):
        e = delta_estimates([2.0], [error], ratio=ratio)[0]
        assert (e.value, e.conf_low, e.std_error, e.p_value) == (shown, None, None, None)
        assert e.reason == "no spread is left to judge this contrast by"
    for df in (0.0, -1.0, math.nan):
        e = delta_estimates([2.0], [0.3], df=df, ratio=ratio)[0]
        assert (e.value, e.conf_low, e.std_error, e.p_value) == (shown, None, 0.3, None)
        assert e.reason == "no degrees of freedom are left to judge this contrast by"
    assert delta_estimates([2.0], [0.3], df=0.5, ratio=ratio)[0].conf_low is not None


def test_an_error_that_is_rounding_beside_its_terms_is_none() -> None:
    assert delta_estimates([0.0], [0.9e-12], size=[1.0])[0].conf_low is None
    assert delta_estimates([0.0], [1.1e-12], size=[1.0])[0].conf_low is not None
    # without terms any error counts
    assert delta_estimates([0.0], [1e-200])[0].conf_low == pytest.approx(-1.96e-200, rel=1e-3)
    # one size serves all
    two = delta_estimates([0.0, 5.0], [0.5, 2.0], size=1e12)
    assert [e.conf_low is None for e in two] == [True, False]


def test_numbers_that_do_not_fit_are_refused() -> None:
    for values, errors, labels in (
        ([1.0, 2.0], [1.0], None),
        ([1.0], [1.0], ["a", "b"]),
        ([[1.0]], [[1.0]], None),
    ):
        with pytest.raises(EstimationError, match="give one of each") as caught:
            delta_estimates(values, errors, labels=labels)
        assert caught.value.code == "bad_shape"
    for level in (0.0, 1.0, 95):
        with pytest.raises(EstimationError, match="between 0 and 1"):
            delta_estimates([1.0], [1.0], level=level)
    assert delta_estimates(1.0, 2.0)[0].std_error == 2.0


def test_variance_of_combinations() -> None:
    covariance = np.array([[4.0, 1.0], [1.0, 9.0]])
    assert quadratic(np.array([[1.0, 0.0], [1.0, -1.0], [2.0, 1.0]]), covariance).tolist() == [
        4.0,
        11.0,
        29.0,
    ]
