"""How often intervals of matching, mediation and weights for being observed hold the truth.

`python coverage.py 2000` simulates and writes `coverage.csv` beside this file (about three minutes). Truth is known in
each scenario; every repetition has its own seed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special

from outcomes.estimates import Estimate
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.indirect_product import indirect_product
from outcomes.stats.causal.matched_effect import matched_difference
from outcomes.stats.causal.matching import logit_score, match_cases
from outcomes.stats.causal.mediation import mediation_effects
from outcomes.stats.causal.weighting import exposure_weights
from outcomes.stats.missing.observation_weights import observation_weights, observed_difference
from outcomes.stats.regression.linear import fit_linear, linear_contrast

Made = Iterator[tuple[str, float, Estimate]]


def matching(rng: np.random.Generator, n: int, patients: int = 1) -> Made:
    """Yield three errors of a matched difference; the true effect is 1 for everybody."""
    who = np.arange(n) // patients
    shared = rng.standard_normal(n)[who] if patients > 1 else np.zeros(n)
    x = rng.standard_normal(n)
    a = 0.6 * x - 0.8 + rng.logistic(size=n) > 0
    y = a + x + shared + rng.standard_normal(n)
    labels = np.where(a, "b", "a")
    score = logit_score(fit_exposure(np.column_stack([np.ones(n), x]), labels, names=["i", "x"]))
    sets = match_cases(labels, score, treated="b")
    yield "pairs, by set", 1.0, matched_difference(y, sets)
    if patients > 1:
        yield "pairs, by set and patient", 1.0, matched_difference(y, sets, clusters=who)
        return
    again = match_cases(labels, score, treated="b", replacement=True)
    yield "with replacement, by set and case", 1.0, matched_difference(y, again)
    yield (
        "with replacement, conditional",
        1.0,
        matched_difference(y, again, errors="conditional", score=score),
    )


def mediation(
    rng: np.random.Generator,
    n: int,
    a_m: float = 0.5,
    m_y: float = 0.5,
    patients: int = 1,
    product: bool = False,
) -> Made:
    """Yield effects of two linear models with interaction; or without, beside the product of two normals."""
    who = np.arange(n) // patients
    x, noise, own = rng.standard_normal((3, n))
    a = (x + rng.standard_normal(n) > 0) * 1.0
    noise = noise + (rng.standard_normal(n)[who] if patients > 1 else 0.0)
    m = a_m * a + 0.5 * x + noise
    cross = 0.0 if product else 0.3
    y = 0.5 * a + m_y * m + cross * a * m + 0.3 * x + own
    X, names = np.column_stack([np.ones(n), x]), ["i", "x"]
    r = mediation_effects(
        X, a, m, y, names=names, interaction=not product, clusters=who if patients > 1 else None
    )
    yield "indirect", (m_y + cross) * a_m, r.indirect
    yield "direct", 0.5, r.direct
    if product:
        first = linear_contrast(fit_linear(np.column_stack([X, a]), m, names=[*names, "a"]), [[0, 0, 1]])[0]
        full = fit_linear(np.column_stack([X, a, m]), y, names=[*names, "a", "m"])
        second = linear_contrast(full, [[0, 0, 0, 1]])[0]
        errors = (first.value, first.std_error, second.value, second.std_error)
        yield "indirect, product of normals", m_y * a_m, indirect_product(*errors)


def _truth_yes_no(number: bool) -> tuple[float, float]:
    """Return direct and indirect risk differences of `yes_no` in percentage points, by plain sums over x and m."""
    grid = np.linspace(-8, 8, 801)
    w = np.exp(-(grid**2) / 2) / np.exp(-(grid**2) / 2).sum()

    def mean(own: float, under: float) -> float:
        if number:
            m = 0.6 * under + 0.5 * grid[:, None] + grid[None]
            risk = special.expit(-0.5 + 0.5 * own + 0.6 * m + 0.3 * own * m + 0.3 * grid[:, None])
            return float(w @ risk @ w)
        p = special.expit(-0.3 + 0.8 * under + 0.5 * grid)
        risks = [special.expit(-0.5 + 0.5 * own + 0.6 * m + 0.3 * own * m + 0.3 * grid) for m in (0, 1)]
        return float(w @ ((1 - p) * risks[0] + p * risks[1]))

    return 100 * (mean(1, 0) - mean(0, 0)), 100 * (mean(1, 1) - mean(1, 0))


def yes_no(rng: np.random.Generator, n: int, number: bool) -> Made:
    """Yield effects on a yes/no outcome, through a number or a yes/no mediator."""
    x = rng.standard_normal(n)
    a = (x + rng.standard_normal(n) > 0) * 1.0
    if number:
        m = 0.6 * a + 0.5 * x + rng.standard_normal(n)
    else:
        m = (rng.random(n) < special.expit(-0.3 + 0.8 * a + 0.5 * x)) * 1.0
    y = (rng.random(n) < special.expit(-0.5 + 0.5 * a + 0.6 * m + 0.3 * a * m + 0.3 * x)) * 1.0
    r = mediation_effects(np.column_stack([np.ones(n), x]), a, m, y, names=["i", "x"], outcome_kind="yes_no",
                mediator_kind="number" if number else "yes_no")  # fmt: skip
    direct, indirect = TRUTH[number]
    yield "indirect", indirect, r.indirect
    yield "direct", direct, r.direct


TRUTH = {number: _truth_yes_no(number) for number in (False, True)}


def interventional(rng: np.random.Generator, n: int) -> Made:
    """Yield interventional effects with a yes/no confounder that the exposure changes."""
    x = rng.standard_normal(n)
    a = (x + rng.standard_normal(n) > 0) * 1.0
    early = (rng.random(n) < 0.2 + 0.3 * a) * 1.0
    m = 0.5 * a + early + 0.5 * x + rng.standard_normal(n)
    y = 0.5 * a + 0.8 * early + 0.5 * m + 0.3 * a * m + rng.standard_normal(n)
    r = mediation_effects(
        np.column_stack([np.ones(n), x]), a, m, y, names=["i", "x"], confounders={"early": early}
    )
    yield "indirect", 0.8 * (0.5 + 0.3), r.indirect
    yield "direct", 0.5 + 0.8 * 0.3 + 0.3 * 0.2, r.direct


def observation(rng: np.random.Generator, n: int) -> Made:
    """Yield differences with three tenths of the outcomes missing at random; true effect 1."""
    x = rng.standard_normal(n)
    a = (x + 2 * rng.logistic(size=n) > 0) * 1.0
    y = a + x + rng.standard_normal(n)
    seen = (rng.random(n) < special.expit(1 + 0.5 * x - 0.5 * a)) * 1.0
    X, labels = np.column_stack([np.ones(n), x]), np.where(a == 1, "b", "a")
    w = observation_weights(np.column_stack([X, a]), seen, names=["i", "x", "a"])
    model = fit_exposure(X, labels, names=["i", "x"])
    both = {"weights": exposure_weights(model)}
    yield "both models stacked", 1.0, observed_difference(y, labels, w, exposure_model=model, **both)[0]
    yield "both taken as known", 1.0, observed_difference(y, labels, w, stacked=False, **both)[0]


SCENARIOS: dict[str, tuple[Callable[..., Made], dict[str, float]]] = {
    "matching, n = 150": (matching, {"n": 150}),
    "matching, n = 500": (matching, {"n": 500}),
    "matching, 150 patients with two cases": (matching, {"n": 300, "patients": 2}),
    "mediation, n = 100": (mediation, {"n": 100}),
    "mediation, n = 400": (mediation, {"n": 400}),
    "mediation, 100 patients with two cases": (mediation, {"n": 200, "patients": 2}),
    "mediation without interaction, n = 60": (mediation, {"n": 60, "product": True}),
    "mediation, mediator without effect, n = 100": (mediation, {"n": 100, "m_y": 0.0, "product": True}),
    "mediation, no indirect path at all, n = 100": (
        mediation,
        {"n": 100, "a_m": 0.0, "m_y": 0.0, "product": True},
    ),
    "yes/no outcome, number mediator, n = 400": (yes_no, {"n": 400, "number": True}),
    "yes/no outcome and mediator, n = 400": (yes_no, {"n": 400, "number": False}),
    "interventional, n = 300": (interventional, {"n": 300}),
    "observation and exposure weights, n = 200": (observation, {"n": 200}),
    "observation and exposure weights, n = 500": (observation, {"n": 500}),
}


def simulate(name: str, n_cohorts: int) -> pd.DataFrame:
    """Return bias, spread, error over spread and coverage of every estimate of a scenario."""
    make, options = SCENARIOS[name]
    place = list(SCENARIOS).index(name)
    held: dict[str, list[tuple[float, float, float]]] = {}
    for i in range(n_cohorts):
        for what, truth, e in make(np.random.default_rng([20261125, place, i]), **options):
            held.setdefault(what, []).append(
                (e.value - truth, e.std_error, e.conf_low <= truth <= e.conf_high)
            )
    rows = []
    for what, values in held.items():
        off, error, inside = np.array(values, dtype=float).T
        spread = off.std(ddof=1)
        rows.append(
            {"scenario": name, "estimate": what, "cohorts": len(off), "bias": off.mean(), "spread": spread,
             "error / spread": error.mean() / spread, "coverage": 100 * inside.mean()}
        )  # fmt: skip
    return pd.DataFrame(rows)


if __name__ == "__main__":
    table = pd.concat([simulate(name, int(sys.argv[1])) for name in SCENARIOS])
    table.to_csv(
        Path(__file__).parent / "coverage.csv", index=False, float_format="%.4g", lineterminator="\n"
    )
