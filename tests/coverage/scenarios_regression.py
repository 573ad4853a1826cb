"""Scenarios of linear regression: unequal spread, pairs of wrists, few clusters, simultaneous limits, averages, shares."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
from measuring import Scenario, Seen, draw_seed, happened, interval

from outcomes.stats.regression.contrasts import contrast_covariance
from outcomes.stats.regression.linear import fit_linear, linear_contrast
from outcomes.stats.regression.marginal import marginal_contrast
from outcomes.stats.regression.share_intervals import share_intervals
from outcomes.stats.regression.wild import wild_cluster_bootstrap
from outcomes.stats.repeated.gee import fit_gee
from outcomes.stats.repeated.mixed import fit_mixed, mixed_contrast
from outcomes.stats.testing.simultaneous import max_t_quantile

Made = Iterator[Seen]
TESTS = Path(__file__).parents[1]


def independent(rng: np.random.Generator, n: int) -> Made:
    """Two groups of which one in four is the second, spread that grows with a covariate and the group."""
    x, a = rng.standard_normal(n), np.arange(n) % 4 == 0
    X = np.column_stack([np.ones(n), a, x])
    y = 0.5 * a + 0.4 * x + (0.6 + 0.6 * np.abs(x) + 0.8 * a) * rng.standard_normal(n)
    for kind in ("HC3", "HC2", "classical"):
        fit = fit_linear(X, y, names=["one", "a", "x"], covariance=kind)
        yield interval(kind, linear_contrast(fit, [[0.0, 1, 0]])[0], 0.5)


def wrists(rng: np.random.Generator, patients: int, both: int) -> Made:
    """Patients of whom some have two wrists, correlation 0.6; half of the patients are exposed."""
    patient = np.append(np.arange(patients), np.arange(both))
    a = (patient % 2).astype(float)
    shared, own = rng.standard_normal(patients)[patient], rng.standard_normal(len(patient))
    y = np.sqrt(0.6) * shared + np.sqrt(0.4) * own
    X = np.column_stack([np.ones(len(y)), a - 0.5])
    by_patient = fit_linear(X, y, names=["one", "a"], clusters=patient)
    mean, difference = linear_contrast(by_patient, np.eye(2))
    yield interval("mean, CR2 by patient", mean, 0.0)
    yield interval("difference, CR2 by patient", difference, 0.0)
    by_wrist = fit_linear(X, y, names=["one", "a"], covariance="classical")
    yield interval("mean, wrists as independent", linear_contrast(by_wrist, [[1.0, 0]])[0], 0.0)


def within(rng: np.random.Generator, joint: bool) -> Made:
    """80 patients, 40 with two wrists, correlation 0.6; exposure and covariate are the wrist's."""
    patient = np.append(np.arange(80), np.arange(40))
    x = rng.standard_normal(120)
    a = (rng.random(120) < 0.4).astype(float)
    y = (
        0.5 * a
        + 0.3 * x
        + np.sqrt(0.6) * rng.standard_normal(80)[patient]
        + np.sqrt(0.4) * rng.standard_normal(120)
    )
    X, names = np.column_stack([np.ones(120), a, x]), ["one", "a", "x"]
    if not joint:
        fit = fit_linear(X, y, names=names, clusters=patient)
        yield interval("CR2 by patient", linear_contrast(fit, [[0.0, 1, 0]])[0], 0.5)
        return
    gee = fit_gee(X, y, names=names, clusters=patient)
    yield interval("estimating equations, CR2", linear_contrast(gee, [[0.0, 1, 0]])[0], 0.5)
    mixed = fit_mixed(X, y, names=names, subjects=patient)
    yield interval("mixed model", mixed_contrast(mixed, [[0.0, 1, 0]])[0], 0.5)


SIZES = {12: (4, 6, 8, 10, 12, 14, 16, 18, 20, 24, 30, 40), 30: tuple(range(4, 34))}


def clusters(rng: np.random.Generator, n_clusters: int) -> Made:
    """Clusters of unequal size, correlation 0.1; one exposure of the cluster, one of the case."""
    code = np.repeat(np.arange(n_clusters), SIZES[n_clusters])
    whole, own = (code % 2).astype(float), rng.standard_normal(len(code))
    y = np.sqrt(0.1) * rng.standard_normal(n_clusters)[code] + np.sqrt(0.9) * rng.standard_normal(len(code))
    X = np.column_stack([np.ones(len(code)), whole, own])
    C = [[0.0, 1, 0], [0, 0, 1]]
    for kind in ("CR2", "CR1"):
        fit = fit_linear(X, y, names=["one", "whole", "own"], clusters=code, covariance=kind)
        for name, e in zip(("of the cluster", "of the case"), linear_contrast(fit, C), strict=True):
            yield interval(f"{kind}, {name}", e, 0.0)


def wild(rng: np.random.Generator) -> Made:
    """The twelve clusters, exposure of the cluster in four of them."""
    code = np.repeat(np.arange(12), SIZES[12])
    a = (code % 3 == 0).astype(float)
    y = np.sqrt(0.1) * rng.standard_normal(12)[code] + np.sqrt(0.9) * rng.standard_normal(len(code))
    fit = fit_linear(np.column_stack([np.ones(len(code)), a]), y, names=["one", "a"], clusters=code)
    yield interval("CR2", linear_contrast(fit, [[0.0, 1]])[0], 0.0)
    drawn = wild_cluster_bootstrap(fit, [0.0, 1], n_draws=999, seed=draw_seed(rng)).estimate
    yield interval("wild bootstrap, 999 draws", drawn, 0.0)


def four_arms(rng: np.random.Generator) -> Made:
    """Four groups of 25, 20, 15, 10 with a covariate: three differences from the first, six of all pairs."""
    arm = np.repeat(np.arange(4), (25, 20, 15, 10))
    x = rng.standard_normal(70)
    X = np.column_stack([np.ones(70), arm == 1, arm == 2, arm == 3, x]).astype(float)
    y = 0.5 * x + rng.standard_normal(70)
    first = np.eye(5)[1:4]
    everything = np.vstack([first, first[[1, 2, 2]] - first[[0, 0, 1]]])
    for kind, C, name in (
        ("classical", everything, "all six pairs"),
        ("HC2", first, "three against the first"),
    ):
        fit = fit_linear(X, y, names=list("abcde"), covariance=kind)
        alone = linear_contrast(fit, C)
        c = contrast_covariance(fit, C)
        root = np.sqrt(np.diag(c))
        smallest = min(e.df for e in alone)  # type: ignore[type-var]
        critical = max_t_quantile(c / np.outer(root, root), smallest)
        joint = linear_contrast(fit, C, critical=critical)
        for way, limits in (("max-t", joint), ("one at a time", alone)):
            held = all(e.conf_low <= 0 <= e.conf_high for e in limits)  # type: ignore[operator]
            yield happened(f"{way}, {kind}: {name}", held, 0.95)


def averages(rng: np.random.Generator, n: int) -> Made:
    """Standardisation of a linear model in which the effect depends on a covariate: 1 on average."""
    x = rng.standard_normal(n)
    a = (rng.random(n) < 1 / (1 + np.exp(-x))).astype(float)
    y = a * (1 + x) + x + (1 + 0.5 * a) * rng.standard_normal(n)
    one, zero = np.ones(n), np.zeros(n)
    fit = fit_linear(np.column_stack([one, a, x, a * x]), y, names=list("abcd"), covariance="HC2")
    designs = np.column_stack([one, one, x, x]), np.column_stack([one, zero, x, zero])
    yield interval("cases are a sample", marginal_contrast(fit, *designs, link="identity"), 1.0)
    fixed = marginal_contrast(fit, *designs, link="identity", sampled=False)
    yield interval("cases taken as all there are", fixed, 1.0)


def load(path: str) -> ModuleType:
    """Return a module of a sibling folder of the tests."""
    spec = importlib.util.spec_from_file_location(Path(path).stem + "_of_shares", TESTS / path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look themselves up
    spec.loader.exec_module(module)
    return module


REUSED = load("reference/shares/coverage.py")


def shares(rng: np.random.Generator, place: int) -> Made:
    """A scenario of tests/reference/shares/coverage.py, with 499 resamples."""
    scenario = REUSED.SCENARIOS[place]
    truth = TRUTHS.setdefault(place, REUSED.truth(scenario))
    X, y, patient = REUSED.draw(scenario, rng)
    found = share_intervals(
        X, y, names=REUSED.NAMES, groups=REUSED.GROUPS, clusters=patient, differences=[REUSED.PAIR], n_boot=499,
        seed=draw_seed(rng),
    )  # fmt: skip
    targets = (*truth, truth[1] - truth[0])
    names = ("strategy, 4 df", "reduction", "age", "reduction minus strategy")
    for name, each, target in zip(names, (*found.intervals, *found.differences), targets, strict=True):
        yield interval(name, each.estimate, float(target))


TRUTHS: dict[int, np.ndarray] = {}
LINEAR = "linear regression"
SHARES = "shares of explained variation"
SCENARIOS = [
    Scenario(
        key="unequal spread, 60", family=LINEAR, data="60 cases, 15 exposed, spread grows with covariate and exposure",
        make=lambda rng: independent(rng, 60),
    ),
    Scenario(
        key="unequal spread, 200", family=LINEAR, data="200 cases, 50 exposed, spread grows with covariate and exposure",
        make=lambda rng: independent(rng, 200),
    ),
    *[
        Scenario(
            key=f"two wrists in {both} of {patients}", family=LINEAR,
            data=f"{patients} patients, {both} with two wrists, correlation 0.6, no effect",
            make=lambda rng, patients=patients, both=both: wrists(rng, patients, both),
            share=1.0,
        )
        for patients, both in ((100, 5), (80, 20), (50, 50))
    ],
    Scenario(
        key="exposure of the wrist", family=LINEAR,
        data="80 patients, 40 with two wrists, correlation 0.6, exposure and covariate of the wrist",
        make=lambda rng: within(rng, False),
        share=0.5,
    ),
    Scenario(
        key="exposure of the wrist, joint models", family=LINEAR, data="80 patients, 40 with two wrists, correlation 0.6, exposure and covariate of the wrist",
        make=lambda rng: within(rng, True), share=0.1,
    ),
    Scenario(
        key="30 clusters", family=LINEAR, data="30 clusters of 4 to 33, correlation 0.1, no effect",
        make=lambda rng: clusters(rng, 30), share=0.2,
    ),
    Scenario(
        key="12 clusters", family=LINEAR, data="12 clusters of 4 to 40, correlation 0.1, no effect",
        make=lambda rng: clusters(rng, 12),
        share=0.5,
    ),
    Scenario(
        key="12 clusters, 4 exposed", family=LINEAR, data="12 clusters of 4 to 40, correlation 0.1, exposure of 4 clusters, no effect", make=wild, share=0.1,
    ),
    Scenario(
        key="four arms", family="claims and families of tests", data="25, 20, 15, 10 and a covariate, no effect",
        make=four_arms, share=0.1,
    ),
    Scenario(
        key="standardised linear model", family=LINEAR, data="120 cases, effect depends on a confounder",
        make=lambda rng: averages(rng, 120),
        share=0.5,
    ),
    Scenario(
        key="shares, no effect", family=SHARES, data="150 cases, three groups of columns, no effect",
        make=lambda rng: shares(rng, 0), share=0.1,
    ),
    Scenario(
        key="shares, two effects", family=SHARES, data="400 cases, strategy 5.1 %, reduction 7.2 %, age 8.4 %",
        make=lambda rng: shares(rng, 7), share=0.1,
    ),
]  # fmt: skip
