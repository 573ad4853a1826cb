"""Robust covariances and degrees of freedom against R (sandwich, clubSandwich, brglm2), pinned.

Script, data and versions: tests/reference/cluster_robust. Tolerance 1e-11 relative to the largest entry
(the pinned figures have 15 digits); R's own iterations set that of the logistic ones.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.regression.clusters import degrees_of_freedom, robust_covariance
from outcomes.stats.regression.firth import fit_firth
from outcomes.stats.regression.linear import contrast_covariance, fit_linear
from outcomes.stats.regression.logistic import fit_logistic

FOLDER = Path(__file__).parents[2] / "reference" / "cluster_robust"
R = json.loads((FOLDER / "reference.json").read_text())
DATA = pd.read_csv(FOLDER / "data.csv")
NAMES = ["intercept", "arm", "x", "c", "kb", "kc", "arm:x"]
CONTRASTS = np.array(R["contrasts"])


def design() -> np.ndarray:
    d = DATA
    terms = [np.ones(len(d)), d.arm, d.x, d.c, d.k == "b", d.k == "c", d.arm * d.x]
    return np.column_stack(terms).astype(float)


def agree(value: object, reference: object, tolerance: float = 1e-11) -> None:
    r = np.asarray(reference, float)
    assert np.max(np.abs(np.asarray(value) - r)) <= tolerance * np.max(np.abs(r))


@pytest.mark.parametrize("kind", ["classical", "HC0", "HC1", "HC2", "HC3", "CR0", "CR1", "CR2"])
def test_linear_covariance(kind):
    fit = fit_linear(
        design(),
        DATA.y,
        names=NAMES,
        clusters=DATA.cluster if kind.startswith("CR") else None,
        covariance=kind,
    )
    agree(fit.coefficients, R["linear"]["coefficients"])
    agree(fit.covariance, R["linear"][kind])
    agree(contrast_covariance(fit, CONTRASTS), CONTRASTS @ np.array(R["linear"][kind]) @ CONTRASTS.T)
    agree(
        robust_covariance(
            design(),
            fit.residuals,
            names=NAMES,
            clusters=DATA.cluster if kind.startswith("CR") else None,
            covariance=kind,
        ),
        R["linear"][kind],
    )


def test_cr1_by_two_packages():
    # clubSandwich's CR1S and sandwich's vcovCL agree with each other, so the convention is not ours alone
    agree(R["linear"]["CR1"], R["linear"]["CR1_sandwich"])


def test_linear_degrees_of_freedom():
    clustered = fit_linear(design(), DATA.y, names=NAMES, clusters=DATA.cluster)
    agree(degrees_of_freedom(clustered.pieces, np.eye(7)), R["linear"]["CR2_df"])
    agree(degrees_of_freedom(clustered.pieces, CONTRASTS), R["linear"]["CR2_contrast_df"])
    single = fit_linear(design(), DATA.y, names=NAMES)
    agree(degrees_of_freedom(single.pieces, np.eye(7)), R["linear"]["HC2_df"])


@pytest.mark.parametrize("kind", ["classical", "HC0", "HC2", "HC3", "CR0"])
def test_weighted_covariance(kind):
    fit = fit_linear(
        design(),
        DATA.y,
        names=NAMES,
        clusters=DATA.cluster if kind.startswith("CR") else None,
        weights=DATA.weight,
        covariance=kind,
    )
    agree(fit.coefficients, R["weighted"]["coefficients"])
    agree(fit.covariance, R["weighted"][kind])


def test_weighted_cr2_on_the_working_scale():
    fit = fit_linear(design(), DATA.y, names=NAMES, clusters=DATA.cluster, weights=DATA.weight)
    working = R["weighted_working"]
    agree(fit.covariance, working["CR2"])
    agree(degrees_of_freedom(fit.pieces, np.eye(7)), working["CR2_df"])
    agree(degrees_of_freedom(fit.pieces, CONTRASTS), working["CR2_contrast_df"])
    # the other square root (clubSandwich's own for inverse-variance weights) stays close, not equal
    ratio = np.sqrt(np.diag(fit.covariance) / np.diag(np.array(R["weighted"]["CR2"])))
    assert 0.99 < ratio.min() < ratio.max() < 1.01


def test_a_cluster_with_a_column_of_its_own():
    # its block of I - H is singular: the Moore-Penrose inverse root, as in clubSandwich
    X = np.column_stack([np.ones(len(DATA)), DATA.arm, DATA.x, DATA.cluster == "c20"]).astype(float)
    fit = fit_linear(X, DATA.y, names=["intercept", "arm", "x", "own"], clusters=DATA.cluster)
    agree(fit.covariance, R["own_column"]["CR2"])
    agree(degrees_of_freedom(fit.pieces, np.eye(4)), R["own_column"]["CR2_df"])


@pytest.mark.parametrize("kind", ["classical", "HC0", "HC2", "HC3", "CR0", "CR1"])
def test_logistic_covariance(kind):
    fit = fit_logistic(
        design(),
        DATA.event,
        names=NAMES,
        clusters=DATA.cluster if kind.startswith("CR") else None,
        covariance=kind,
    )
    agree(fit.coefficients, R["logistic"]["coefficients"])
    agree(fit.covariance, R["logistic"][kind])
    assert -2 * fit.log_likelihood == pytest.approx(R["logistic"]["deviance"], rel=1e-12)


def test_logistic_cr2_on_the_working_scale():
    fit = fit_logistic(design(), DATA.event, names=NAMES, clusters=DATA.cluster)
    working = R["logistic_working"]
    agree(fit.covariance, working["CR2"])
    agree(degrees_of_freedom(fit.pieces, np.eye(7)), working["CR2_df"])
    agree(degrees_of_freedom(fit.pieces, CONTRASTS), working["CR2_contrast_df"])
    ratio = np.sqrt(np.diag(fit.covariance) / np.diag(np.array(R["logistic"]["CR2"])))
    assert 0.97 < ratio.min() < ratio.max() < 1.03


def test_logistic_with_copies():
    fit = fit_logistic(design(), DATA.event, names=NAMES, weights=DATA.copies, covariance="classical")
    agree(fit.coefficients, R["logistic_copies"]["coefficients"])
    # R's glm takes the covariance one step before its last: 1e-8 is its own accuracy here
    agree(fit.covariance, R["logistic_copies"]["classical"], 1e-8)


def test_firth():
    fit = fit_firth(design(), DATA.event, names=NAMES, covariance="classical", intercept_correction=False)
    agree(fit.coefficients, R["firth"]["coefficients"])
    agree(fit.covariance, R["firth"]["classical"])


def test_firth_when_separated():
    rare = DATA.event * (1 - DATA.arm * DATA.c)
    X = np.column_stack([np.ones(len(DATA)), DATA.arm, DATA.x, DATA.c, DATA.arm * DATA.c]).astype(float)
    names = ["intercept", "arm", "x", "c", "arm:c"]
    with pytest.raises(EstimationError, match="quasi-complete separation by arm:c"):
        fit_logistic(X, rare, names=names)
    fit = fit_firth(X, rare, names=names, covariance="classical", intercept_correction=False)
    agree(fit.coefficients, R["firth_separated"]["coefficients"])
    agree(fit.covariance, R["firth_separated"]["classical"])
