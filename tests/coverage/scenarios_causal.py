"""Scenarios of weights, doubly robust estimates and missing values; the true effects are worked out by quadrature."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np
from measuring import Scenario, Seen, draw_seed, interval
from scipy import special

from outcomes.stats.causal.doubly_robust_fit import fit_doubly_robust
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.weighting import exposure_weights, weighted_difference
from outcomes.stats.missing.imputation import completed, impute
from outcomes.stats.missing.imputation_plan import ColumnModel
from outcomes.stats.missing.rubin import pool_estimates
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.linear import fit_linear

Made = Iterator[Seen]
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(80)
WEIGHTS = WEIGHTS / WEIGHTS.sum()
NAMES = ["one", "x", "z"]


def binary(rng: np.random.Generator, n: int) -> Made:
    """Exposure depends on x and z, the effect is 1 + x / 2: 1 for everybody, else by quadrature."""
    x, z = rng.standard_normal((2, n))
    a = rng.random(n) < special.expit(-0.3 + 0.7 * x + 0.3 * z)
    y = a * (1 + 0.5 * x) + x + 0.5 * z + rng.standard_normal(n)
    X, labels = np.column_stack([np.ones(n), x, z]), np.where(a, "b", "a")
    model = fit_exposure(X, labels, names=NAMES)
    for kind, treated in (("inverse probability", None), ("overlap", None), ("treated", "b")):
        weights = exposure_weights(model, kind, treated=treated)
        found = weighted_difference(y, weights, model=model)[0]
        yield interval(f"{kind} weights, stacked", found, effect_of_binary(kind))
    known = weighted_difference(y, exposure_weights(model, "inverse probability"))[0]
    yield interval("inverse probability weights, taken as known", known, 1.0)
    yield interval("AIPW, stacked", fit_doubly_robust(X, labels, y, names=NAMES).contrasts[0], 1.0)


@cache
def effect_of_binary(kind: str) -> float:
    """Return the mean effect in the population that the weights stand for."""
    p = special.expit(-0.3 + 0.7 * NODES[:, None] + 0.3 * NODES)
    share = {"inverse probability": np.ones_like(p), "overlap": p * (1 - p), "treated": p}[kind]
    share = share * WEIGHTS[:, None] * WEIGHTS
    return float((share * (1 + 0.5 * NODES[:, None])).sum() / share.sum())


def three(rng: np.random.Generator, n: int) -> Made:
    """Three levels whose shares depend on x and z; effects 0.5 and 1 against the first, the same for everybody."""
    x, z = rng.standard_normal((2, n))
    odds = np.column_stack([np.zeros(n), -0.2 + 0.6 * x, -0.4 - 0.4 * x + 0.5 * z]) + rng.gumbel(size=(n, 3))
    level = odds.argmax(axis=1)
    y = 0.5 * level + x + 0.5 * z + rng.standard_normal(n)
    X, labels = np.column_stack([np.ones(n), x, z]), np.array(["a", "b", "c"])[level]
    model = fit_exposure(X, labels, names=NAMES)
    for kind in ("inverse probability", "overlap"):
        found = weighted_difference(y, exposure_weights(model, kind), model=model)
        for name, e, truth in zip(("b - a", "c - a"), found[:2], (0.5, 1.0), strict=True):
            yield interval(f"{kind} weights, stacked, {name}", e, truth)
    both = fit_doubly_robust(X, labels, y, names=NAMES).contrasts
    for name, e, truth in zip(("b - a", "c - a"), both[:2], (0.5, 1.0), strict=True):
        yield interval(f"AIPW, stacked, {name}", e, truth)


def by_patient(rng: np.random.Generator) -> Made:
    """150 patients with two wrists; exposure is of the patient, outcomes correlate, the effect is 0."""
    patient = np.arange(300) % 150
    x = rng.standard_normal(150)[patient]
    a = (rng.random(150) < special.expit(0.8 * x[:150]))[patient]
    y = x + rng.standard_normal(150)[patient] + rng.standard_normal(300)
    X, labels = np.column_stack([np.ones(300), x]), np.where(a, "b", "a")
    for name, of in (("by patient", patient), ("wrists as independent", None)):
        model = fit_exposure(X, labels, names=["one", "x"])
        weighted = weighted_difference(y, exposure_weights(model), model=model, clusters=of)[0]
        yield interval(f"inverse probability weights, {name}", weighted, 0.0)
        both = fit_doubly_robust(X, labels, y, names=["one", "x"], clusters=of)
        yield interval(f"AIPW, {name}", both.contrasts[0], 0.0)


def yes_no(rng: np.random.Generator, n: int) -> Made:
    """Yes/no outcome, logistic in exposure and x; the true risk difference by quadrature."""
    x = rng.standard_normal(n)
    a = rng.random(n) < special.expit(0.6 * x)
    y = (rng.random(n) < special.expit(-0.8 + 0.7 * a + 0.6 * x)).astype(float)
    X, labels = np.column_stack([np.ones(n), x]), np.where(a, "b", "a")
    found = fit_doubly_robust(X, labels, y, names=["one", "x"], outcome="logistic").contrasts[0]
    risks = special.expit(-0.8 + 0.7 * np.array([[1.0], [0.0]]) + 0.6 * NODES) @ WEIGHTS
    scale = 100.0 if "point" in found.unit else 1.0
    yield interval("AIPW, stacked", found, scale * float(risks[0] - risks[1]))


def imputed(rng: np.random.Generator, n: int) -> Made:
    """A covariate missing at random given the outcome (35 %), one more (20 %); five imputations."""
    z = rng.standard_normal(n)
    x, w = 0.5 * z + rng.standard_normal(n), 0.3 * z + rng.standard_normal(n)
    y = 0.5 * x + 0.3 * w + 0.5 * z + rng.standard_normal(n)
    gaps = {"x": x.copy(), "w": w.copy(), "z": z, "y": y}
    gaps["x"][rng.random(n) < special.expit(-0.8 + 0.8 * y)] = np.nan
    gaps["w"][rng.random(n) < special.expit(-1.5 + 0.5 * z)] = np.nan
    made = impute(
        gaps, [ColumnModel(name="x"), ColumnModel(name="w")], keys=np.arange(n), seed=draw_seed(rng),
        n_imputations=5, n_cycles=4,
    )  # fmt: skip
    fits = [of_covariates(completed(made, i)) for i in range(5)]
    for j, (name, truth) in enumerate((("x", 0.5), ("w", 0.3), ("z", 0.5))):
        pooled = pool_estimates([fit[j] for fit in fits], df_complete=n - 4).estimate
        yield interval(f"pooled by Rubin's rules, {name}", pooled, truth)
    there = ~np.isnan(gaps["x"]) & ~np.isnan(gaps["w"])
    alone = of_covariates({name: column[there] for name, column in gaps.items()})
    yield interval("complete cases only, x", alone[0], 0.5)


def of_covariates(columns: dict[str, np.ndarray]) -> tuple:
    """Return the three coefficients of y on x, w and z."""
    X = np.column_stack([np.ones(len(columns["y"])), columns["x"], columns["w"], columns["z"]])
    fit = fit_linear(X, columns["y"], names=["one", "x", "w", "z"], covariance="classical")
    return linear_contrast(fit, np.eye(4)[1:])


CAUSAL = "weights and doubly robust estimates"
SCENARIOS = [
    Scenario(
        key="confounded", family=CAUSAL, data="200 cases, two confounders, effect depends on one",
        make=lambda rng: binary(rng, 200), share=0.1,
    ),
    Scenario(
        key="three levels, confounded", family=CAUSAL, data="400 cases, two confounders",
        make=lambda rng: three(rng, 400), share=0.1,
    ),
    Scenario(
        key="confounded, two wrists", family=CAUSAL, data="150 patients with two wrists, exposure of the patient, no effect",
        make=by_patient, share=0.1,
    ),
    Scenario(
        key="confounded, yes/no", family=CAUSAL, data="300 cases, one confounder",
        make=lambda rng: yes_no(rng, 300), share=0.1,
    ),
    Scenario(
        key="imputed covariates", family="missing data", data="120 cases, 35 and 20 % of two covariates missing at random, five imputations",
        make=lambda rng: imputed(rng, 120), share=0.1,
    ),
]  # fmt: skip
