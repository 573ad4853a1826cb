"""Units, offsets and perfect fits of repeated measures."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.repeated.gee import fit_gee
from outcomes.stats.repeated.mixed import fit_mixed, mixed_contrast

NAMES = ["intercept", "x"]


def _data(link: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(11)
    subjects = np.repeat(np.arange(20), 3)
    x = rng.normal(size=60)
    eta = 0.3 + 0.5 * x + rng.normal(size=20)[subjects]
    if link == "identity":
        return x, eta + rng.normal(size=60), subjects
    if link == "log":
        return x, rng.poisson(np.exp(eta)).astype(float), subjects
    return x, (rng.random(60) < 1 / (1 + np.exp(-eta))).astype(float), subjects


@pytest.mark.parametrize("link", ["identity", "logit", "log"])
@pytest.mark.parametrize("factor", [1e8, 1e-8])
def test_the_unit_of_a_column_changes_its_coefficient_only(link: str, factor: float) -> None:
    x, y, subjects = _data(link)
    plain = fit_gee(np.column_stack([np.ones(60), x]), y, names=NAMES, clusters=subjects, link=link)  # type: ignore[arg-type]
    other = fit_gee(np.column_stack([np.ones(60), factor * x]), y, names=NAMES, clusters=subjects, link=link)  # type: ignore[arg-type]
    first = linear_contrast(plain, [[0.0, 1.0]])[0]
    second = linear_contrast(other, [[0.0, 1.0 / factor]])[0]
    assert second.value == pytest.approx(first.value * 1.0 / factor**2, rel=1e-9)
    assert second.std_error == pytest.approx(first.std_error / factor**2, rel=1e-9)
    assert second.p_value == pytest.approx(first.p_value, rel=1e-7)
    assert other.correlation == pytest.approx(plain.correlation, rel=1e-9)


def test_an_offset_of_a_column_changes_the_intercept_only() -> None:
    x, y, subjects = _data("identity")
    x = np.round(x * 4) / 4  # exact beside the offset
    plain = fit_gee(np.column_stack([np.ones(60), x]), y, names=NAMES, clusters=subjects)
    other = fit_gee(np.column_stack([np.ones(60), x + 1e5]), y, names=NAMES, clusters=subjects)
    assert other.coefficients[1] == pytest.approx(plain.coefficients[1], rel=1e-7)
    assert other.covariance[1, 1] == pytest.approx(plain.covariance[1, 1], rel=1e-7)


def test_a_mixed_model_without_residual_says_so() -> None:
    """Each subject on a straight line of its own: nothing is left for the residual."""
    times, subjects = np.tile([0.0, 1, 2, 3], 6), np.repeat(np.arange(6.0), 4)
    for y in (4 * subjects + times, np.arange(24.0)):
        with pytest.raises(EstimationError) as caught:
            fit_mixed(
                np.column_stack([np.ones(24), np.cos(np.arange(24.0))]),
                y,
                names=NAMES,
                subjects=subjects,
                slope=times,
            )
        assert caught.value.code == "no_variation"


@pytest.mark.parametrize("factor", [1e-90, 1e-8, 1e8, 1e90])
def test_the_unit_of_the_times_does_not_reach_the_fixed_effects(factor: float) -> None:
    rng = np.random.default_rng(5)
    times, subjects = np.tile([0.0, 1, 2, 3], 12), np.repeat(np.arange(12), 4)
    y = (
        times
        + rng.normal(size=12)[subjects]
        + 0.5 * rng.normal(size=12)[subjects] * times
        + rng.normal(size=48)
    )
    for impossible in (1e-200, 1e200):
        with pytest.raises(EstimationError, match="another unit"):
            fit_mixed(np.ones((48, 1)), times, names=["i"], subjects=subjects, slope=impossible * times)
    X = np.column_stack([np.ones(48), times])
    plain = fit_mixed(X, y, names=NAMES, subjects=subjects, slope=times)
    other = fit_mixed(X, y, names=NAMES, subjects=subjects, slope=factor * times)
    first, second = (mixed_contrast(fit, [[0.0, 1.0]])[0] for fit in (plain, other))
    assert second.std_error == pytest.approx(first.std_error, rel=1e-9)
    assert second.df == pytest.approx(first.df, rel=1e-6)
