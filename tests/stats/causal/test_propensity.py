"""Probabilities with a weak ridge: where the penalised likelihood is flat, and what the ridge is for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.propensity import fit_propensity
from outcomes.stats.regression.logistic import fit_logistic


def cases(n: int = 80, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    return X, (rng.random(n) < special.expit(X @ [-0.5, 1.0, -0.7])) * 1.0


@pytest.mark.parametrize("penalty", [0.0, 0.5, 5.0, 80.0])
def test_the_penalised_likelihood_is_flat_there(penalty: float) -> None:
    X, y = cases()
    p = fit_propensity(X, y, penalty=penalty)
    beta = np.linalg.lstsq(X, special.logit(p), rcond=None)[0]
    np.testing.assert_allclose(X.T @ (y - p), penalty * np.array([0.0, *beta[1:]]), atol=1e-6)

    def criterion(b: np.ndarray) -> float:
        return float(
            -(y @ special.log_expit(X @ b) + (1 - y) @ special.log_expit(-X @ b))
            + penalty * b[1:] @ b[1:] / 2
        )

    best = optimize.minimize(criterion, np.zeros(3), method="BFGS", options={"gtol": 1e-9})
    np.testing.assert_allclose(beta, best.x, atol=1e-5)


def test_no_penalty_is_the_logistic_regression() -> None:
    X, y = cases()
    plain = fit_logistic(X, y, names=["one", "a", "b"], covariance="classical")
    np.testing.assert_allclose(fit_propensity(X, y, penalty=0.0), plain.probabilities, rtol=1e-7)
    # the intercept is free: the mean of the probabilities is the observed share whatever the penalty
    for penalty in (0.5, 1000.0):
        assert fit_propensity(X, y, penalty=penalty).mean() == pytest.approx(y.mean(), rel=1e-8)
    np.testing.assert_allclose(fit_propensity(X, y, penalty=1e9), y.mean(), rtol=1e-5)


def test_separated_sides_show_as_probabilities_near_0_and_1() -> None:
    x = np.r_[np.linspace(-3, -1, 30), np.linspace(1, 3, 30)]
    p = fit_propensity(np.column_stack([np.ones(60), x]), (x > 0) * 1.0)
    assert p[:30].max() < 0.2
    assert p[30:].min() > 0.8
    np.testing.assert_allclose(p[::-1], 1 - p, atol=1e-9)
    far = fit_propensity(np.column_stack([np.ones(60), 40 * x]), (x > 0) * 1.0)
    assert far[:30].max() < 0.01


def test_one_side_and_too_few_steps_are_refused() -> None:
    X, y = cases()
    for side in (np.zeros(80), np.ones(80)):
        with pytest.raises(EstimationError, match="both sides") as caught:
            fit_propensity(X, side)
        assert caught.value.code == "one_sided"
    with pytest.raises(EstimationError, match="both sides"):
        fit_propensity(np.ones((0, 1)), np.array([]))
    with pytest.raises(EstimationError, match="in 1 steps") as caught:
        fit_propensity(X, y, max_iter=1)
    assert caught.value.code == "no_convergence"


def test_a_solver_that_gives_up_is_no_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    from statsmodels.discrete.discrete_model import MNLogit

    def gives_up(*_: object, **__: object) -> None:
        raise np.linalg.LinAlgError("Singular matrix")

    monkeypatch.setattr(MNLogit, "fit", gives_up)
    X, _ = cases()
    levels = np.array(["a", "b", "c"])[np.arange(80) % 3]
    with pytest.raises(EstimationError, match="multinomial model did not converge") as caught:
        fit_exposure(X, levels, names=["one", "x", "z"])
    assert caught.value.code == "not_converged"
