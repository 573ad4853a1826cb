"""Scenarios of times to events: curves, restricted means, proportional hazards, competing causes, counts."""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from measuring import Scenario, Seen, interval, null_test
from scipy import special

from outcomes.stats.survival.cox import cox_contrast, fit_cox
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence, incidence_difference
from outcomes.stats.survival.gray import gray_test
from outcomes.stats.survival.kaplan_meier import kaplan_meier, survival_at, survival_quantile
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.restricted_mean import restricted_mean, restricted_mean_difference
from outcomes.stats.survival.subdistribution import fit_subdistribution

Made = Iterator[Seen]
#: Rates a year and the horizon: three in ten are left at 3, follow-up ends between 2 and 6.
RATE, AT = 0.4, 2.0

spec = importlib.util.spec_from_file_location(
    "competing_coverage", Path(__file__).parents[1] / "reference" / "competing_cross_checks" / "coverage.py"
)
assert spec is not None
assert spec.loader is not None
COMPETING = importlib.util.module_from_spec(spec)
spec.loader.exec_module(COMPETING)


def follow(rng: np.random.Generator, n: int, rate: float) -> tuple[np.ndarray, np.ndarray]:
    """Return exponential times under uniform censoring, and whether the event was seen."""
    time, end = rng.exponential(1 / rate, n), rng.uniform(2, 6, n)
    return np.minimum(time, end), time <= end


def area(rate: float) -> float:
    """Return the restricted mean up to AT of an exponential time."""
    return (1 - math.exp(-rate * AT)) / rate


def curves(rng: np.random.Generator, n: int) -> Made:
    """One curve: the share at AT on two scales, the median, the restricted mean."""
    time, event = follow(rng, n, RATE)
    truth = math.exp(-RATE * AT)
    curve = kaplan_meier(time, event)
    yield interval("share at a time, log-log", survival_at(curve, [AT])[0], truth)
    plain = kaplan_meier(time, event, limits="plain")
    yield interval("share at a time, plain", survival_at(plain, [AT])[0], truth)
    yield interval("median", survival_quantile(curve), math.log(2) / RATE)
    yield interval("restricted mean", restricted_mean(time, event, tau=AT), area(RATE))


def two_curves(rng: np.random.Generator, sizes: tuple[int, int], rates: tuple[float, float]) -> Made:
    """Two curves: restricted means, log-rank."""
    (t1, e1), (t0, e0) = (follow(rng, n, rate) for n, rate in zip(sizes, rates, strict=True))
    found = restricted_mean_difference(t1, e1, t0, e0, tau=AT)
    yield interval("difference of restricted means", found, area(rates[0]) - area(rates[1]))
    if rates[0] == rates[1]:
        groups = np.repeat(["b", "a"], sizes)
        test = log_rank(np.append(t1, t0), np.append(e1, e0), groups)
        yield null_test("log-rank", test.p_value)


def hazards(rng: np.random.Generator, n: int, effect: float) -> Made:
    """Proportional hazards with one covariate; whole months, so that times tie."""
    a, x = (np.arange(n) % 2).astype(float), rng.standard_normal(n)
    time = rng.exponential(1 / (RATE * np.exp(effect * a + 0.4 * x)))
    end = rng.uniform(2, 6, n)
    seen = np.ceil(12 * np.minimum(time, end)) / 12
    fit = fit_cox(np.column_stack([a, x]), seen, time <= end, names=["a", "x"])
    yield interval("Efron, model errors", cox_contrast(fit, [[1.0, 0]], ratio=False)[0], effect)


def hazards_by_patient(rng: np.random.Generator, patients: int, kinds: tuple[str, ...]) -> Made:
    """Two wrists a patient whose times depend through a normal copula of correlation 0.6; no effect of the patient's arm."""
    patient = np.arange(2 * patients) % patients
    a = (patient % 2).astype(float)
    z = math.sqrt(0.6) * rng.standard_normal(patients)[patient] + math.sqrt(0.4) * rng.standard_normal(
        2 * patients
    )
    time, end = -special.log_ndtr(z) / RATE, rng.uniform(2, 6, patients)[patient]
    seen, event = np.minimum(time, end), time <= end
    for kind in kinds:
        fit = fit_cox(a[:, None], seen, event, names=["a"], clusters=patient, covariance=kind)
        yield interval(f"{kind} by patient", cox_contrast(fit, [[1.0]], ratio=False)[0], 0.0)
    fit = fit_cox(a[:, None], seen, event, names=["a"])
    yield interval("wrists as independent", cox_contrast(fit, [[1.0]], ratio=False)[0], 0.0)


def incidence(rng: np.random.Generator, n: int) -> Made:
    """Two causes, times in half months, as in tests/reference/competing_cross_checks/coverage.py."""
    time, event = COMPETING.draw(rng, n, COMPETING.OWN)
    found = cumulative_incidence(time, event, at=[COMPETING.AT], causes=[1, 2]).rows[1].estimate
    yield interval("cumulative incidence", found, COMPETING.incidence(COMPETING.OWN))


def two_incidences(rng: np.random.Generator, n: int) -> Made:
    """Two equal groups with two causes: difference, Gray, subdistribution hazards."""
    time, event = COMPETING.draw(rng, 2 * n, COMPETING.OWN)
    groups = np.repeat(["a", "b"], n)
    found = incidence_difference(time, event, groups, at=[COMPETING.AT], cause=1, causes=[1, 2])
    yield interval("difference of incidences", found.rows[0].estimate, 0.0)
    yield null_test("Gray", gray_test(time, event, groups, cause=1, causes=[1, 2]).p_value)
    x = (groups == "b").astype(float)[:, None]
    fit = fit_subdistribution(time, event, x, names=["b"], cause=1, causes=[1, 2])
    yield interval("ratio of subdistribution hazards", fit.ratios[0], 1.0)


def counts(rng: np.random.Generator, n: int) -> Made:
    """Recurrent events with frailty and death."""
    truth = 0.3 * (1 - math.exp(-0.05 * COMPETING.AT)) / 0.05
    yield interval("mean cumulative count", COMPETING.counts(rng, n, 0.3), truth)


TIMES, COMPETE = "times to an event", "competing and recurrent events"
SCENARIOS = [
    *[
        Scenario(
            key=f"one curve, {n}", family=TIMES, data=f"{n} cases, exponential, 45 % left at the time, a fifth censored",
            make=lambda rng, n=n: curves(rng, n),
        )
        for n in (30, 100)
    ],
    Scenario(
        key="two equal curves", family=TIMES, data="50 and 50, equal rates",
        make=lambda rng: two_curves(rng, (50, 50), (RATE, RATE)),
    ),
    Scenario(
        key="two curves", family=TIMES, data="40 and 70, rates 0.3 and 0.5",
        make=lambda rng: two_curves(rng, (40, 70), (0.3, 0.5)),
    ),
    Scenario(
        key="hazards", family=TIMES, data="120 cases, hazard ratio 1.65, one covariate, tied months",
        make=lambda rng: hazards(rng, 120, 0.5), share=0.2,
    ),
    Scenario(
        key="hazards, no effect", family=TIMES, data="120 cases, no effect, one covariate, tied months", make=lambda rng: hazards(rng, 120, 0.0), share=0.2,
    ),
    Scenario(
        key="hazards, two wrists", family=TIMES, data="100 patients with two wrists whose times depend, no effect",
        make=lambda rng: hazards_by_patient(rng, 100, ("CR1",)), share=0.2,
    ),
    Scenario(
        key="incidence, 60", family=COMPETE, data="60 cases, two causes, ties", make=lambda rng: incidence(rng, 60), share=0.2,
    ),
    Scenario(
        key="two incidences", family=COMPETE, data="80 and 80, two causes, ties, no difference",
        make=lambda rng: two_incidences(rng, 80), share=0.1,
    ),
    Scenario(
        key="recurrent events", family=COMPETE, data="100 cases with frailty, 1.3 events each, deaths",
        make=lambda rng: counts(rng, 100),
    ),
]  # fmt: skip
