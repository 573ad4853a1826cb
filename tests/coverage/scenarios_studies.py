"""Scenarios of pooled studies and of agreement between ratings."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from measuring import Scenario, Seen, happened, interval

from outcomes.stats.agreement.bland_altman import limits_of_agreement
from outcomes.stats.agreement.icc import intraclass_correlation
from outcomes.stats.agreement.kappa import cohen_kappa
from outcomes.stats.agreement.measurement_error import standard_error_of_measurement
from outcomes.stats.pooling.pooled_effect import pool

Made = Iterator[Seen]


def studies(rng: np.random.Generator, k: int, tau2: float) -> Made:
    """Effects about 0.3 with variance tau2 between studies, errors of 0.2 to 0.4 known."""
    se = np.linspace(0.2, 0.4, k)
    y = 0.3 + rng.normal(0, np.sqrt(se**2 + tau2))
    new = 0.3 + math.sqrt(tau2) * rng.standard_normal()
    first = pool(y, se)
    yield interval("Hartung-Knapp", first.estimate, 0.3)
    floored = pool(y, se, interval="Hartung-Knapp, not below normal")
    yield interval("Hartung-Knapp, not below normal", floored.estimate, 0.3)
    yield interval("normal", pool(y, se, interval="normal").estimate, 0.3)
    inside = first.prediction_low <= new <= first.prediction_high  # type: ignore[operator]
    yield happened("prediction interval holds a new study, t(k-2)", inside, 0.95)


def one_way(rng: np.random.Generator, n: int) -> Made:
    """Two ratings each by any raters, intraclass correlation 0.7."""
    x = math.sqrt(0.7) * rng.standard_normal((n, 1)) + math.sqrt(0.3) * rng.standard_normal((n, 2))
    found = intraclass_correlation(x, agreement="one-way").estimate
    yield interval("intraclass correlation, one-way", found, 0.7)
    error = standard_error_of_measurement(x, agreement="one-way")
    yield interval("standard error of measurement, one-way", error, math.sqrt(0.3))


def same_raters(rng: np.random.Generator, n: int, k: int) -> Made:
    """The same raters for all, whose levels vary: 0.7 between cases, 0.05 between raters, 0.25 left."""
    parts = (
        math.sqrt(v) * rng.standard_normal(size)
        for v, size in ((0.7, (n, 1)), (0.05, (1, k)), (0.25, (n, k)))
    )
    x = sum(parts, np.zeros((n, k)))
    consistent = intraclass_correlation(x, agreement="consistency").estimate
    yield interval("intraclass correlation, consistency", consistent, 0.7 / 0.95)
    yield interval("intraclass correlation, absolute agreement", intraclass_correlation(x).estimate, 0.7)


def differences(rng: np.random.Generator, n: int) -> Made:
    """Normal differences between two ways to measure; bias 0.5, SD 1."""
    d = 0.5 + rng.standard_normal(n)
    exact, approximate = (
        limits_of_agreement(d, np.zeros(n), interval=kind) for kind in ("exact", "approximate")
    )
    yield interval("bias", exact.bias, 0.5)
    yield interval("upper limit of agreement, exact", exact.upper, 0.5 + 1.959963984540054)
    yield interval("upper limit of agreement, approximate", approximate.upper, 0.5 + 1.959963984540054)


def two_raters(rng: np.random.Generator, n: int, kappa: float) -> Made:
    """Two raters who both use the first level half of the time."""
    off = 0.25 * (1 - kappa)
    table = rng.multinomial(n, [0.5 - off, off, off, 0.5 - off]).reshape(2, 2)
    yield interval("kappa", cohen_kappa(table).estimate, kappa)


POOL, AGREE = "pooled studies", "agreement"
SCENARIOS = [
    *[
        Scenario(
            key=f"{k} studies, tau2 {tau2}", family=POOL, data=f"{k} studies, errors 0.2 to 0.4, variance between {tau2}, REML",
            make=lambda rng, k=k, tau2=tau2: studies(rng, k, tau2), share=0.1,
        )
        for k, tau2 in ((6, 0.1), (12, 0.1), (12, 0.0))
    ],
    Scenario(
        key="two ratings", family=AGREE, data="40 cases, two ratings each, correlation 0.7", make=lambda rng: one_way(rng, 40),
    ),
    Scenario(
        key="two raters", family=AGREE, data="40 cases, the same two raters", make=lambda rng: same_raters(rng, 40, 2),
    ),
    Scenario(
        key="six raters", family=AGREE, data="40 cases, the same six raters", make=lambda rng: same_raters(rng, 40, 6),
    ),
    Scenario(
        key="two ways to measure", family=AGREE, data="25 pairs, bias 0.5, SD 1", make=lambda rng: differences(rng, 25),
    ),
    *[
        Scenario(
            key=f"kappa, {n}", family=AGREE, data=f"{n} cases, two raters, two levels, kappa 0.6",
            make=lambda rng, n=n: two_raters(rng, n, 0.6),
        )
        for n in (50, 200)
    ],
]  # fmt: skip
