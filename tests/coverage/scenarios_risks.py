"""Scenarios of yes/no outcomes and grades: logistic, few events, Firth, modified Poisson, ordinal, strata of tables.

Intervals of one or two proportions are counted exactly over all possible samples, in docs/validation/proportions.md.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache

import numpy as np
from measuring import Scenario, Seen, draw_seed, interval, null_test
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.proportions.score_intervals import score_difference
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.proportions.stratified_differences import stratified_newcombe
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.firth import fit_firth
from outcomes.stats.regression.firth_profile import profile_interval
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.ordinal import fit_ordinal, ordinal_contrast
from outcomes.stats.regression.poisson import fit_poisson
from outcomes.stats.regression.risk_resamples import bootstrap_risk_contrasts
from outcomes.stats.regression.standardised import risk_contrasts, standardised_risk

Made = Iterator[Seen]
NAMES = ["one", "a", "x"]
NONE = Estimate.not_estimable("separated")
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(60)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


@cache
def intercept_for(risk: float, effect: float, slope: float) -> tuple[float, float]:
    """Return the intercept that gives the risk without exposure, and the true risk difference in percentage points."""

    def mean(log_odds: float) -> float:
        return float(WEIGHTS @ special.expit(log_odds + slope * NODES))

    intercept = optimize.brentq(lambda b: mean(b) - risk, -12, 8)
    return float(intercept), 100 * (mean(intercept + effect) - mean(intercept))


def sample(
    rng: np.random.Generator, n: int, risk: float, effect: float, patients: int = 0
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Return design, outcome, two designs with the exposure set, and the true risk difference."""
    intercept, truth = intercept_for(risk, effect, 0.8)
    x = rng.standard_normal(n)
    a = (np.arange(n) % 2).astype(float)
    if patients:
        x = x[np.arange(n) % patients]
    y = (rng.random(n) < special.expit(intercept + effect * a + 0.8 * x)).astype(float)
    X = np.column_stack([np.ones(n), a, x])
    designs = np.stack([X, X])
    designs[0, :, 1], designs[1, :, 1] = 0.0, 1.0
    return X, y, designs, truth


def logistic(rng: np.random.Generator, n: int, effect: float) -> Made:
    """Many events: delta method of the marginal risk difference, and the log odds ratio."""
    X, y, designs, truth = sample(rng, n, 0.3, effect)
    fit = fit_logistic(X, y, names=NAMES)
    marginal = risk_contrasts(fit, standardised_risk(fit, designs), [[-1, 1]])[0]
    yield interval("marginal risk difference, delta", marginal, truth)
    yield interval("log odds ratio, CR2", linear_contrast(fit, [[0.0, 1, 0]])[0], effect)


def clustered(rng: np.random.Generator) -> Made:
    """90 patients with two wrists that share a covariate the model does not have; the effect is 0."""
    patient = np.arange(180) % 90
    x, hidden = rng.standard_normal((2, 90))
    a = (patient % 2).astype(float)
    y = (rng.random(180) < special.expit(-0.5 + 0.8 * x[patient] + 1.5 * hidden[patient])).astype(float)
    X = np.column_stack([np.ones(180), a, x[patient]])
    designs = np.stack([X, X])
    designs[0, :, 1], designs[1, :, 1] = 0.0, 1.0
    for name, of in (("by patient", patient), ("wrists as independent", None)):
        fit = fit_logistic(X, y, names=NAMES, clusters=of)
        found = risk_contrasts(fit, standardised_risk(fit, designs), [[-1, 1]], clusters=of)[0]
        yield interval(f"marginal risk difference, {name}", found, 0.0)


def few_events(rng: np.random.Generator, resample: bool) -> Made:
    """60 against 60, six events expected without exposure; odds ratio 2."""
    X, y, designs, truth = sample(rng, 120, 0.1, math.log(2.0))
    if resample:
        found = bootstrap_risk_contrasts(
            X, y, designs, [[-1, 1]], names=NAMES, seed=draw_seed(rng), n_boot=400
        )[0].estimate
        yield interval("marginal risk difference, bootstrap of Firth fits", found, truth)
        return
    fit = fit_logistic(X, y, names=NAMES)
    marginal = risk_contrasts(fit, standardised_risk(fit, designs), [[-1, 1]])[0]
    yield interval("marginal risk difference, delta", marginal, truth)
    e1, e0 = y[X[:, 1] == 1].sum(), y[X[:, 1] == 0].sum()
    unadjusted = score_difference(e1, 60, e0, 60, unit="percentage points")
    yield interval("risk difference without covariate, score", unadjusted, truth)


def firth(rng: np.random.Generator, n: int, risk: float) -> Made:
    """Few events for a logistic model; odds ratio 2 of the exposure."""
    X, y, _, _ = sample(rng, n, risk, math.log(2.0))
    fit = fit_firth(X, y, names=NAMES, covariance="classical")
    yield interval("Firth, profile", profile_interval(fit, [[0.0, 1, 0]])[0], math.log(2.0))
    yield interval("Firth, Wald", linear_contrast(fit, [[0.0, 1, 0]])[0], math.log(2.0))
    try:
        plain = fit_logistic(X, y, names=NAMES, covariance="classical")
    except EstimationError:  # separated: no estimate, which is counted
        yield interval("maximum likelihood, Wald", NONE, 0.0)
        return
    yield interval("maximum likelihood, Wald", linear_contrast(plain, [[0.0, 1, 0]])[0], math.log(2.0))


def risk_ratios(rng: np.random.Generator, n: int) -> Made:
    """Risk 0.3 at the mean, ratio 1.5 of the exposure, log-linear in a bounded covariate."""
    a, x = (np.arange(n) % 2).astype(float), rng.uniform(-1, 1, n)
    y = (rng.random(n) < 0.3 * np.exp(math.log(1.5) * a + 0.3 * x)).astype(float)
    fit = fit_poisson(np.column_stack([np.ones(n), a, x]), y, names=NAMES)
    yield interval("log risk ratio, CR2", linear_contrast(fit, [[0.0, 1, 0]])[0], math.log(1.5))
    plain = fit_poisson(np.column_stack([np.ones(n), a, x]), y, names=NAMES, covariance="HC0")
    yield interval("log risk ratio, HC0", linear_contrast(plain, [[0.0, 1, 0]])[0], math.log(1.5))


def grades(rng: np.random.Generator, n: int) -> Made:
    """Three grades, proportional odds with log odds ratio 0.8."""
    a, x = (np.arange(n) % 2).astype(float), rng.standard_normal(n)
    grade = np.digitize(0.8 * a + 0.3 * x + rng.logistic(size=n), [-0.5, 0.8])
    fit = fit_ordinal(np.column_stack([a, x]), grade, names=["a", "x"], levels=[0, 1, 2])
    yield interval("log odds ratio", ordinal_contrast(fit, [[1.0, 0]])[0], 0.8)


STRATA = np.array([[12, 20], [20, 16], [15, 30], [25, 25], [18, 10], [30, 22], [10, 14], [22, 28]])
LEVELS = np.array([0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.55])


def tables(rng: np.random.Generator, effect: str) -> Made:
    """Eight strata of 24 to 52 whose risks run from 0.15 to 0.55."""
    risk = {
        "none": LEVELS,
        "odds": special.expit(special.logit(LEVELS) + math.log(2.0)),
        "difference": LEVELS + 0.15,
        "ratio": 1.5 * LEVELS,
    }[effect]
    e1, e0 = rng.binomial(STRATA[:, 0], risk), rng.binomial(STRATA[:, 1], LEVELS)
    cells = np.stack([np.stack([e1, STRATA[:, 0] - e1], 1), np.stack([e0, STRATA[:, 1] - e0], 1)], 1)
    found = mantel_haenszel(cells)
    if effect == "none":
        yield null_test("Mantel-Haenszel test", found.test.p_value)
    if effect in ("none", "odds"):
        yield interval("odds ratio", found.odds_ratio, 2.0 if effect == "odds" else 1.0)
        yield null_test("Tarone's test of equal odds ratios", found.tarone.p_value)
    if effect in ("none", "ratio"):
        yield interval("risk ratio", found.risk_ratio, 1.5 if effect == "ratio" else 1.0)
    if effect in ("none", "difference"):
        truth = 0.15 if effect == "difference" else 0.0
        yield interval("risk difference, Sato", found.risk_difference, truth)
        yield interval("risk difference, stratified Newcombe", stratified_newcombe(cells), truth)


RISKS, STRATIFIED = "yes/no outcomes and grades", "strata of tables"
SCENARIOS = [
    Scenario(
        key="many events", family=RISKS, data="200 cases, risk 0.3, odds ratio 2, one covariate",
        make=lambda rng: logistic(rng, 200, math.log(2.0)),
        share=0.5,
    ),
    Scenario(
        key="many events, no effect", family=RISKS, data="200 cases, risk 0.3, no effect, one covariate",
        make=lambda rng: logistic(rng, 200, 0.0),
        share=0.5,
    ),
    Scenario(
        key="yes/no in two wrists", family=RISKS, data="90 patients with two wrists, shared cause, no effect", make=clustered, share=0.1,
    ),
    Scenario(
        key="under ten events", family=RISKS, data="60 and 60, six events expected without exposure, odds ratio 2",
        make=lambda rng: few_events(rng, False), share=0.1,
    ),
    Scenario(
        key="under ten events, resampled", family=RISKS, data="60 and 60, six events expected without exposure, odds ratio 2, 400 resamples",
        make=lambda rng: few_events(rng, True), share=0.1,
    ),
    Scenario(
        key="Firth, 60 cases", family=RISKS, data="60 cases, risk 0.15, odds ratio 2, one covariate",
        make=lambda rng: firth(rng, 60, 0.15), share=0.1,
    ),
    Scenario(
        key="modified Poisson", family=RISKS, data="160 cases, risk 0.3, ratio 1.5, one covariate",
        make=lambda rng: risk_ratios(rng, 160), share=0.2,
    ),
    Scenario(
        key="three grades", family=RISKS, data="120 cases, proportional odds, one covariate",
        make=lambda rng: grades(rng, 120), share=0.2,
    ),
    *[
        Scenario(
            key=f"eight strata, {effect}", family=STRATIFIED, data=f"eight strata, 317 cases, {words}",
            make=lambda rng, effect=effect: tables(rng, effect),
        )
        for effect, words in (
            ("none", "no effect"), ("odds", "odds ratio 2"), ("ratio", "risk ratio 1.5"),
            ("difference", "risk difference 0.15"),
        )
    ],
]  # fmt: skip
