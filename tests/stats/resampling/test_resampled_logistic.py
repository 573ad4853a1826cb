"""Refits of resamples: where the quick way fails, and what is said when there is no fit."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.stats.resampling.resampled_logistic import level_probabilities, refit_logistic


@pytest.mark.parametrize("start", [0.0, 1.0, 30.0, -30.0])
@pytest.mark.parametrize("events", [100, 200, 390])
def test_the_fit_does_not_depend_on_the_start(start, events):
    """From far off Newton's full steps run away; the damped ones from the middle come home."""
    codes = (np.arange(400) < events).astype(np.int64)
    drawn = np.ones((3, 400))
    drawn[1, ::2] = 2.0  # rows of both outcomes in turn: the second resample has half of either once more
    drawn[2, :events] = 3.0
    fit = refit_logistic(np.ones((400, 1)), codes, lambda rows: drawn[:, rows], 3, np.full((1, 1), start))
    odds = events / (400 - events)
    assert fit.converged.tolist() == [True, True, True]
    np.testing.assert_allclose(fit.coefficients.ravel(), np.log([odds, odds, 3 * odds]), atol=1e-6)


def test_a_separated_resample_has_no_coefficients_and_spoils_no_other():
    x = np.array([-2.0, -1.0, -1.0, 1.0, 1.0, 2.0])
    codes = np.array([0, 0, 1, 0, 1, 1])
    drawn = np.array([[1.0, 1, 1, 1, 1, 1], [3, 1, 0, 0, 1, 1]])
    design = np.column_stack([np.ones(6), x])
    fit = refit_logistic(design, codes, lambda rows: drawn[:, rows], 2, np.zeros((1, 2)))
    assert fit.converged.tolist() == [True, False]
    assert np.isnan(fit.coefficients[1]).all()
    # the score of the resample that has a fit is 0
    p = level_probabilities(design, fit.coefficients[:1])[0, 1]
    np.testing.assert_allclose(design.T @ (codes - p), 0.0, atol=1e-6)


def test_three_levels_of_a_constant_are_their_log_odds():
    codes = np.repeat([0, 1, 2], [10, 20, 70])
    drawn = np.vstack([np.ones(100), np.where(codes == 1, 2.0, 1.0)])
    fit = refit_logistic(np.ones((100, 1)), codes, lambda rows: drawn[:, rows], 2, np.full((2, 1), 12.0))
    np.testing.assert_allclose(fit.coefficients[:, :, 0], np.log([[2, 7], [4, 7]]), atol=1e-6)
    shares = level_probabilities(np.ones((1, 1)), fit.coefficients)[:, :, 0]
    np.testing.assert_allclose(shares, [[0.1, 0.2, 0.7], [1 / 12, 4 / 12, 7 / 12]], atol=1e-7)
