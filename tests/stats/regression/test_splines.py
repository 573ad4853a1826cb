"""Restricted cubic splines: by hand, linear tails, units, tied knots."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.splines import (
    KNOT_QUANTILES,
    nonlinearity_test,
    restricted_cubic_spline,
    spline_knots,
)

KNOTS = np.array([20.0, 35.0, 55.0, 80.0])


def test_by_the_formula_between_the_knots() -> None:
    x = np.array([10.0, 20, 30, 40, 60, 80])
    first, last, before = KNOTS[0], KNOTS[3], KNOTS[2]
    cube = lambda v: np.maximum(v, 0) ** 3  # noqa: E731
    wanted = [
        (
            cube(x - t)
            - cube(x - before) * (last - t) / (last - before)
            + cube(x - last) * (before - t) / (last - before)
        )
        / (last - first) ** 2
        for t in KNOTS[:2]
    ]
    found = restricted_cubic_spline(x, KNOTS)
    np.testing.assert_allclose(found, np.column_stack([x, *wanted]), rtol=1e-12, atol=1e-12)


def test_tails_are_straight_however_far() -> None:
    for side in (np.array([-1e6, -1e3, 20.0]), np.array([80.0, 1e3, 1e9])):
        columns = restricted_cubic_spline(side, KNOTS)
        slopes = np.diff(columns, axis=0) / np.diff(side)[:, None]
        np.testing.assert_allclose(slopes[0], slopes[1], rtol=1e-9, atol=1e-12)


def test_smooth_to_the_second_derivative_at_every_knot() -> None:
    h = 1e-3
    for knot in KNOTS:
        left = restricted_cubic_spline(knot + h * np.array([-3.0, -2, -1, 0]), KNOTS)
        right = restricted_cubic_spline(knot + h * np.array([0.0, 1, 2, 3]), KNOTS)
        # second differences on either side, carried to the knot by their own slope
        a, b = (np.diff(part, n=2, axis=0) / h**2 for part in (left, right))
        np.testing.assert_allclose(2 * a[1] - a[0], 2 * b[0] - b[1], atol=2e-6)
        np.testing.assert_allclose(a[1], b[0], atol=2e-4)


def test_shift_and_scale() -> None:
    x = np.random.default_rng(1).uniform(15, 90, 60).round(1)
    base = restricted_cubic_spline(x, KNOTS)
    for scale, shift in ((1000.0, 0.0), (1.0, 1e6), (-1.0, 0.0)):
        knots = np.sort(scale * KNOTS + shift)
        moved = restricted_cubic_spline(scale * x + shift, knots)
        if scale > 0:
            np.testing.assert_allclose(moved[:, 1:], scale * base[:, 1:], rtol=1e-7, atol=1e-8)
        # whatever is done, the curves that can be drawn are the same
        y = np.sin(x / 12)
        fits = [
            fit_linear(np.column_stack([np.ones(60), B]), y, names=list("abcd"), covariance="classical")
            for B in (base, moved)
        ]
        np.testing.assert_allclose(fits[0].residuals, fits[1].residuals, atol=1e-8)


def test_knots_are_quantiles() -> None:
    x = np.r_[np.arange(101.0), np.nan]
    for k, quantiles in KNOT_QUANTILES.items():
        np.testing.assert_allclose(spline_knots(x, k), 100 * np.array(quantiles), rtol=1e-12)
    assert len(spline_knots(x)) == 4


@pytest.mark.parametrize(
    ("values", "k", "code", "words"),
    [
        (np.r_[np.zeros(60), np.arange(40.0)], 5, "tied_knots", "use a straight line or groups"),
        ([1.0] * 20, 3, "tied_knots", "1 different values"),
        ([np.nan], 3, "empty_group", "none is present"),
        (range(9), 2, "bad_choice", "3, 4, 5, 6 or 7"),
    ],
)
def test_knots_that_cannot_be(values, k, code, words) -> None:
    with pytest.raises(EstimationError, match=words) as caught:
        spline_knots(values, k)
    assert caught.value.code == code


def test_the_largest_number_of_knots_that_works_is_said() -> None:
    # a quarter of the values are the smallest: knots at 0.05 and 0.23 fall together, those at 0.10, 0.5, 0.9 do not
    x = np.r_[np.zeros(25), np.arange(1, 76.0)]
    assert len(spline_knots(x, 5)) == 5
    with pytest.raises(EstimationError, match=r"6 knots fall on equal values .* use 5 knots"):
        spline_knots(x, 6)


def test_basis_refusals() -> None:
    with pytest.raises(EstimationError, match="1 missing"):
        restricted_cubic_spline([1.0, np.nan], KNOTS)
    for knots in ([1, 2], [1, 2, 2], [3, 2, 1], [1, 2, np.inf]):
        with pytest.raises(EstimationError, match="at least 3 finite"):
            restricted_cubic_spline([1.0], knots)


def test_nonlinearity() -> None:
    rng = np.random.default_rng(3)
    x = rng.uniform(15, 90, 120)
    B = np.column_stack([np.ones(120), restricted_cubic_spline(x, KNOTS)])
    names = ["one", "x", "x'", "x''"]
    bent = fit_linear(B, 0.01 * (x - 50) ** 2 + rng.normal(size=120), names=names, covariance="classical")
    straight = fit_linear(B, 0.1 * x + rng.normal(size=120), names=names, covariance="classical")
    assert nonlinearity_test(bent, names[2:]).p_value < 1e-10
    found = nonlinearity_test(straight, names[2:], n_missing=4)
    assert found.p_value > 0.01
    assert (found.df_between, found.df_within, found.n_missing) == (2, 116, 4)
    with pytest.raises(EstimationError, match="not columns of the fit: age"):
        nonlinearity_test(straight, ["age"])
