"""Means with exposure and mediator set apart: by plain sums, and their influence values by moving the weight of a case."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.causal.mediation_models import crossed_mean, fit_models


def cases(n: int = 60, seed: int = 3) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    a = (x + rng.normal(size=n) > 0) * 1.0
    early = 0.5 * a + rng.normal(size=n)
    m = 0.8 * a + 0.5 * x + 0.4 * early + rng.normal(size=n)
    y = a + 0.7 * m + 0.4 * a * m + 0.3 * early + rng.normal(size=n)
    return {"X": np.column_stack([np.ones(n), x]), "a": a, "early": early, "m": m, "y": y}


def fitted(
    made: dict[str, Any], kinds: tuple[str, str], early: str = "", *, interaction: bool, w: Any = None
):
    """Fit with a mediator and outcome of these kinds, numbers cut in two for yes/no, and perhaps a confounder."""
    cut = {"number": lambda v: v, "yes_no": lambda v: (v > np.median(v)) * 1.0}
    confounders = {"early": cut[early](made["early"])} if early else {}
    return fit_models(
        made["X"], made["a"], cut[kinds[0]](made["m"]), cut[kinds[1]](made["y"]), names=("intercept", "x"),
        mediator_kind=kinds[0], outcome_kind=kinds[1], interaction=interaction, confounders=confounders, weights=w,
    )  # fmt: skip


KINDS = [(m, y) for m in ("number", "yes_no") for y in ("number", "yes_no")]


@pytest.mark.parametrize("early", ["", "number", "yes_no"])
@pytest.mark.parametrize("kinds", KINDS, ids=lambda kinds: " ".join(kinds))
def test_influence_values_are_what_the_weight_of_a_case_does(kinds, early) -> None:
    interaction = early != "yes_no"
    made = cases()
    w = np.random.default_rng(1).uniform(0.5, 2.0, 60)
    # two normal variables under a logistic outcome take a thousand points a mean: one of everything
    slow = kinds == ("number", "yes_no") and early == "number"
    for own, under in ((1.0, 0.0),) if slow else ((1.0, 0.0), (0.0, 1.0)):
        value, influence = crossed_mean(fitted(made, kinds, early, interaction=interaction, w=w), own, under)
        assert influence.sum() == pytest.approx(0.0, abs=1e-10)
        assert np.isfinite(value)
        for case in (17,) if slow else (0, 42):
            step = 1e-4 * (np.arange(60) == case)
            up, down = (
                crossed_mean(fitted(made, kinds, early, interaction=interaction, w=w + h), own, under)[0]
                for h in (step, -step)
            )
            moved = w[case] * (up - down) / 2e-4
            assert influence[case] == pytest.approx(moved, rel=2e-5, abs=2e-7)


@pytest.mark.parametrize("kinds", KINDS, ids=lambda kinds: " ".join(kinds))
def test_means_are_those_of_draws_of_the_mediator(kinds) -> None:
    models = fitted(cases(), kinds, "yes_no", interaction=True)
    X, alpha, beta = models.X, models.mediator.coefficients, models.outcome.coefficients
    (c,) = (part.coefficients for part in models.confounders)
    draws = special.ndtri((np.arange(4000) + 0.5) / 4000)
    total = np.zeros(60)
    for i, row in enumerate(X):
        eta = row @ alpha[:2]  # the mediator as without exposure
        if kinds[0] == "number":
            values, chances = eta + models.mediator.spread * draws, np.full(4000, 1 / 4000)
        else:
            values, chances = np.array([0.0, 1.0]), np.array([1 - special.expit(eta), special.expit(eta)])
        risk = special.expit(row @ c[:2] + c[2])  # the confounder as with exposure
        for level, chance in ((0.0, 1 - risk), (1.0, risk)):
            z = row @ beta[:2] + beta[2] + beta[3] * level + beta[4] * values + beta[5] * values
            total[i] += chance * chances @ (z if kinds[1] == "number" else special.expit(z))
    assert crossed_mean(models, 1.0, 0.0)[0] == pytest.approx(total.mean(), abs=2e-5)


def test_spread_of_the_mediator_is_that_of_its_residuals() -> None:
    made = cases()
    models = fitted(made, ("number", "yes_no"), interaction=False)
    design = np.column_stack([made["X"], made["a"]])
    left = made["m"] - design @ np.linalg.lstsq(design, made["m"], rcond=None)[0]
    assert models.mediator.spread**2 == pytest.approx(left @ left / 57, rel=1e-12)
    # weights in other units say the same
    twice = fitted(made, ("number", "yes_no"), interaction=False, w=np.full(60, 2.0))
    assert twice.mediator.spread == pytest.approx(models.mediator.spread, rel=1e-12)
    assert models.mediator.names == ("intercept", "x", "exposure")
    assert models.outcome.names == ("intercept", "x", "exposure", "mediator")
    assert models.outcome.spread == 0.0


def test_a_steep_outcome_is_averaged_as_well_as_a_flat_one() -> None:
    # outcome nearly a step in the mediator: the mean is nearly the chance that the mediator lies above the step
    rng = np.random.default_rng(5)
    a, m = np.tile([0.0, 1.0], 150), rng.normal(size=300)
    y = (m + 0.05 * rng.logistic(size=300) > 0.3) * 1.0
    models = fit_models(
        np.ones((300, 1)), a, m, y, names=("intercept",), mediator_kind="number", outcome_kind="yes_no",
        interaction=False, confounders={},
    )  # fmt: skip
    beta, spread = models.outcome.coefficients, models.mediator.spread
    assert beta[2] * spread > 10
    t = np.linspace(-9, 9, 400_001)
    density = np.exp(-0.5 * t * t)
    centre = models.mediator.coefficients[0]
    expected = density @ special.expit(beta[0] + beta[2] * (centre + spread * t)) / density.sum()
    assert crossed_mean(models, 0.0, 0.0)[0] == pytest.approx(expected, abs=1e-12)


def test_two_confounders_are_for_numbers_only() -> None:
    made = cases()
    two = {"early": made["early"], "late": made["early"] ** 2}
    given = {"names": ("intercept", "x"), "mediator_kind": "number", "interaction": True, "confounders": two}
    with pytest.raises(EstimationError, match="2 confounders changed by the exposure") as caught:
        fit_models(made["X"], made["a"], made["m"], (made["y"] > 0) * 1.0, outcome_kind="yes_no", **given)
    assert caught.value.code == "too_many_confounders"
    models = fit_models(made["X"], made["a"], made["m"], made["y"], outcome_kind="number", **given)
    b = models.outcome.coefficients
    parts = [part.coefficients for part in models.confounders]
    m0 = models.X @ models.mediator.coefficients[:2]
    early, late = (models.X @ c[:2] + c[2] for c in parts)
    hand = models.X @ b[:2] + b[2] + b[3] * early + b[4] * late + (b[5] + b[6]) * m0
    assert crossed_mean(models, 1.0, 0.0)[0] == pytest.approx(hand.mean(), rel=1e-12)
