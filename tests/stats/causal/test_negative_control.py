"""Negative controls: the test of bias beyond a stated amount, and calibration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.negative_control import judge_negative_control, negative_control_outcome
from outcomes.stats.regression.linear import fit_linear, linear_contrast


def estimate(value: float, error: float | None, df: float | None = None, unit: str = "kg") -> Estimate:
    return Estimate(value=value, conf_low=None, conf_high=None, std_error=error, df=df, unit=unit, n=50)


@pytest.mark.parametrize("df", [None, 7.0])
@pytest.mark.parametrize(
    ("value", "tolerated"), [(3.0, 0.0), (3.0, 1.0), (-3.0, 1.0), (0.2, 1.0), (0.0, 2.0)]
)
def test_p_is_the_largest_under_the_hypothesis(value: float, tolerated: float, df: float | None) -> None:
    law = stats.norm if df is None else stats.t(df)
    r = judge_negative_control(estimate(1.0, 1.0), estimate(value, 1.5, df), tolerated=tolerated)
    size = abs(value)
    at_border = law.sf((size - tolerated) / 1.5) + law.cdf(-(size + tolerated) / 1.5)
    assert r.p_beyond == pytest.approx(at_border, rel=1e-9)
    # no bias inside the hypothesis makes so large an estimate more likely
    inside = np.linspace(-tolerated, tolerated, 41)
    assert (law.sf((size - inside) / 1.5) + law.cdf((-size - inside) / 1.5)).max() <= at_border + 1e-12


def test_without_tolerance_p_is_the_usual_one() -> None:
    r = judge_negative_control(estimate(1.0, 1.0), estimate(1.959963984540054, 1.0))
    assert r.p_beyond == pytest.approx(0.05)


def test_three_states() -> None:
    primary = estimate(5.0, 1.0)
    assert judge_negative_control(primary, estimate(3.0, 0.5), tolerated=1.0).state == "beyond"
    assert judge_negative_control(primary, estimate(-3.0, 0.5), tolerated=1.0).state == "beyond"
    assert judge_negative_control(primary, estimate(0.1, 0.5), tolerated=1.0).state == "within"
    assert judge_negative_control(primary, estimate(0.5, 0.5), tolerated=1.0).state == "cannot tell"
    # two one-sided tests at 5 %: the upper limit is 1.6449 errors away
    assert judge_negative_control(primary, estimate(0.0, 1.0), tolerated=1.645).state == "within"
    assert judge_negative_control(primary, estimate(0.0, 1.0), tolerated=1.644).state == "cannot tell"
    assert judge_negative_control(primary, estimate(0.0, 1.0)).state == "cannot tell"


def test_calibration_by_hand() -> None:
    primary, control = estimate(5.0, 2.0, 30.0), estimate(1.0, 1.5, 12.0)
    known = judge_negative_control(primary, control, scale=2.0, correlation=0.5).calibrated
    assert (known.value, known.std_error, known.df) == (3.0, pytest.approx(np.sqrt(4 + 9 - 6)), 12.0)
    assert known.conf_high - known.value == pytest.approx(stats.t.ppf(0.975, 12) * known.std_error)
    assert known.p_value == pytest.approx(2 * stats.t.sf(3 / known.std_error, 12))
    widest = judge_negative_control(primary, control, scale=-2.0).calibrated
    assert (widest.value, widest.std_error) == (7.0, 5.0)
    assert "correlation unknown" in widest.method
    assert "sensitivity analysis only" in widest.method
    errors = [
        judge_negative_control(primary, control, scale=2.0, correlation=r).calibrated.std_error
        for r in (-1, 0, 0.9)
    ]
    assert max(errors) <= judge_negative_control(primary, control, scale=2.0).calibrated.std_error


def data(seed: int = 1, n: int = 90):
    rng = np.random.default_rng(seed)
    u, x = rng.standard_normal((2, n))
    a = (u + x + rng.standard_normal(n) > 0) * 1.0
    y = a + u + x + rng.standard_normal(n)
    control = u + x + rng.standard_normal(n)
    return np.column_stack([np.ones(n), x, a]), y, control, np.arange(n) // 2


@pytest.mark.parametrize("clustered", [False, True])
def test_the_difference_of_two_fits_is_the_fit_of_the_difference(clustered: bool) -> None:
    """With CR0 the calibrated error is exactly that of the regression of y minus control on the same columns."""
    X, y, control, patients = data()
    options = {"names": ["i", "x", "a"], "clusters": patients if clustered else None, "covariance": "CR0"}
    r = negative_control_outcome(X, y, control, [0, 0, 1], **options)
    direct = linear_contrast(fit_linear(X, y - control, **options), [[0, 0, 1]])[0]
    assert r.calibrated.value == pytest.approx(direct.value)
    assert r.calibrated.std_error == pytest.approx(direct.std_error)
    half = negative_control_outcome(X, y, control, [0, 0, 1], scale=0.5, **options)
    direct = linear_contrast(fit_linear(X, y - control / 2, **options), [[0, 0, 1]])[0]
    assert half.calibrated.std_error == pytest.approx(direct.std_error)


def test_a_shared_confounder_shows_and_is_removed() -> None:
    X, y, control, _ = data(2, 2000)
    r = negative_control_outcome(
        X, y, control, [0, 0, 1], names=["i", "x", "a"], tolerated=0.3, label="a", unit="kg"
    )
    assert r.state == "beyond"
    assert r.calibrated.conf_low < 1.0 < r.calibrated.conf_high
    assert "bias beyond 0.3 kg" in str(r)
    assert list(r.tidy()["outcome"]) == ["negative control", "calibrated"]


def test_silent_controls_leave_the_question_open() -> None:
    primary = estimate(1.0, 1.0)
    none = judge_negative_control(primary, Estimate.not_estimable("no events"))
    assert (none.state, none.p_beyond, none.calibrated.value) == ("cannot tell", None, None)
    assert "no events" in none.calibrated.reason
    bare = judge_negative_control(primary, estimate(1.0, None))
    assert (bare.p_beyond, bare.calibrated.value, bare.calibrated.conf_low) == (None, 0.0, None)
    tiny = judge_negative_control(primary, estimate(80.0, 1.0))
    assert 0 < tiny.p_beyond < 1e-300
    assert "cannot tell whether" in str(none)


def test_type_one_error_of_the_test_at_the_border() -> None:
    rng = np.random.default_rng(5)
    draws = 1.0 + rng.standard_normal(4000) * 0.4
    beyond = [
        judge_negative_control(estimate(1.0, 1.0), estimate(v, 0.4), tolerated=1.0).p_beyond < 0.05
        for v in draws
    ]
    assert np.mean(beyond) == pytest.approx(0.05, abs=3.3 * np.sqrt(0.05 * 0.95 / 4000))


@pytest.mark.parametrize(
    ("primary", "control", "options"),
    [
        (estimate(1.0, 1.0, unit="ratio"), estimate(1.0, 1.0), {}), (estimate(1.0, 1.0), estimate(1.0, 1.0, unit="ratio"), {}),
        (Estimate.not_estimable("x"), estimate(1.0, 1.0), {}), (estimate(1.0, 1.0), estimate(1.0, 1.0), {"tolerated": -1}),
        (estimate(1.0, 1.0), estimate(1.0, 1.0), {"tolerated": np.inf}), (estimate(1.0, 1.0), estimate(1.0, 1.0), {"scale": np.nan}),
        (estimate(1.0, 1.0), estimate(1.0, 1.0), {"correlation": 1.1}), (estimate(1.0, 1.0), estimate(1.0, 1.0), {"alpha": 0.5}),
    ],
)  # fmt: skip
def test_bad_requests_are_refused(primary: Estimate, control: Estimate, options: dict) -> None:
    with pytest.raises(EstimationError):
        judge_negative_control(primary, control, **options)


@pytest.mark.parametrize("unit", [1e-8, 1e8])
def test_calibration_in_any_unit(unit: float) -> None:
    plain = judge_negative_control(
        estimate(5.0, 2.0, 30.0), estimate(1.0, 1.5, 12.0), correlation=0.5
    ).calibrated
    other = judge_negative_control(
        estimate(5.0 * unit, 2.0 * unit, 30.0), estimate(unit, 1.5 * unit, 12.0), correlation=0.5
    ).calibrated
    assert other.std_error == pytest.approx(unit * plain.std_error, rel=1e-12)
    assert other.p_value == pytest.approx(plain.p_value, rel=1e-12)
    # two contrasts that move together leave nothing to judge by
    same = judge_negative_control(
        estimate(5.0 * unit, 2.0 * unit), estimate(unit, 2.0 * unit), correlation=1.0
    ).calibrated
    assert (same.value, same.conf_low) == (pytest.approx(4.0 * unit), None)
    assert same.reason == "no spread is left to judge this value by"
