"""How often 95 % intervals of the newer regressions hold the truth, in small cohorts.

``python tests/stats/regression/test_regression_coverage.py`` prints the table of docs/validation/repeated_measures.md.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.ordinal import fit_ordinal, ordinal_contrast
from outcomes.stats.regression.poisson import fit_poisson
from outcomes.stats.repeated.gee import fit_gee
from outcomes.stats.repeated.mixed import fit_mixed, mixed_contrast

COHORTS = 1000
Cohort = Callable[[np.random.Generator], tuple[Estimate, float]]


def _visits(
    rng: np.random.Generator, patients: int, spread: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    patient, time = np.repeat(np.arange(patients), 4), np.tile([0.0, 1.0, 2.0, 4.0], patients)
    arm = (patient % 2).astype(float)
    X = np.column_stack([np.ones(len(time)), arm, time, arm * time])
    level = spread * rng.normal(size=patients)[patient]
    kept = rng.random(len(time)) > 0.15
    return X[kept], level[kept], patient[kept]


def mixed_intercept(rng: np.random.Generator) -> tuple[Estimate, float]:
    X, level, patient = _visits(rng, 12, 1.5)
    fit = fit_mixed(X, level + rng.normal(size=len(X)), names=list("abcd"), subjects=patient)
    return mixed_contrast(fit, [0.0, 1, 0, 0])[0], 0.0


def mixed_slope(rng: np.random.Generator) -> tuple[Estimate, float]:
    X, level, patient = _visits(rng, 16, 1.5)
    y = level + 0.6 * rng.normal(size=16)[patient] * X[:, 2] + rng.normal(size=len(X))
    fit = fit_mixed(X, y, names=list("abcd"), subjects=patient, slope=X[:, 2])
    return mixed_contrast(fit, [0.0, 0, 0, 1], freedom="Kenward-Roger")[0], 0.0


def gee_logit(rng: np.random.Generator) -> tuple[Estimate, float]:
    X, level, patient = _visits(rng, 24, 0.8)
    y = (rng.random(len(X)) < 1 / (1 + np.exp(-level))).astype(float)
    fit = fit_gee(X, y, names=list("abcd"), clusters=patient, link="logit")
    return linear_contrast(fit, [0.0, 1, 0, 0])[0], 0.0


def gee_logit_uncorrected(rng: np.random.Generator) -> tuple[Estimate, float]:
    X, level, patient = _visits(rng, 24, 0.8)
    y = (rng.random(len(X)) < 1 / (1 + np.exp(-level))).astype(float)
    fit = fit_gee(X, y, names=list("abcd"), clusters=patient, link="logit", covariance="CR0")
    return linear_contrast(fit, [0.0, 1, 0, 0])[0], 0.0


def modified_poisson(rng: np.random.Generator) -> tuple[Estimate, float]:
    arm, x = rng.integers(0, 2, 60).astype(float), rng.normal(size=60)
    y = (rng.random(60) < np.minimum(np.exp(-1.2 + 0.5 * arm + 0.1 * x), 1.0)).astype(float)
    fit = fit_poisson(np.column_stack([np.ones(60), arm, x]), y, names=list("abc"))
    return linear_contrast(fit, [0.0, 1, 0])[0], 0.5


def ordinal(rng: np.random.Generator) -> tuple[Estimate, float]:
    arm, x = rng.integers(0, 2, 80).astype(float), rng.normal(size=80)
    grade = np.digitize(0.8 * arm + 0.3 * x + rng.logistic(size=80), [-0.5, 0.8])
    fit = fit_ordinal(np.column_stack([arm, x]), grade, names=list("ab"), levels=[0, 1, 2])
    return ordinal_contrast(fit, [1.0, 0])[0], 0.8


#: Name -> how a cohort is made and judged, and what it is.
SCENARIOS: dict[str, tuple[Cohort, str]] = {
    "mixed intercept": (
        mixed_intercept,
        "12 patients, 4 visits, 15 % missing; groups at baseline, Satterthwaite",
    ),
    "mixed slope": (
        mixed_slope,
        "16 patients, 4 visits, 15 % missing, random slope; groups over time, Kenward-Roger",
    ),
    "gee CR2": (gee_logit, "24 patients, 4 visits, logit, exchangeable; groups at baseline, CR2"),
    "gee CR0": (gee_logit_uncorrected, "the same, CR0 with t of G - 1"),
    "modified Poisson": (modified_poisson, "60 cases, one covariate; log risk ratio, HC2"),
    "ordinal": (ordinal, "80 cases, three grades, one covariate; log odds ratio, classical"),
}
#: Percent: three Monte Carlo errors of 1,000 cohorts below 95, and above it as much again for intervals that are wide.
ACCEPTED = (92.9, 99.2)


def coverage(name: str, cohorts: int = COHORTS) -> tuple[float, int, int]:
    """Return the coverage in percent, the cohorts it is of, and those that were refused."""
    make, held, refused = SCENARIOS[name][0], 0, 0
    for k in range(cohorts):
        try:
            estimate, truth = make(np.random.default_rng([k, *map(ord, name)]))
        except EstimationError:
            refused += 1
            continue
        if estimate.conf_low is None or estimate.conf_high is None:
            refused += 1
            continue
        held += estimate.conf_low <= truth <= estimate.conf_high
    return 100.0 * held / (cohorts - refused), cohorts - refused, refused


@pytest.mark.simulation
@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_coverage(name: str) -> None:
    least, most = ACCEPTED
    share, _, refused = coverage(name)
    assert least <= share <= most
    assert refused < 0.05 * COHORTS


if __name__ == "__main__":
    import sys

    rows = []
    for name, (_, what) in SCENARIOS.items():
        share, n, refused = coverage(name)
        rows.append(f"| {name} | {what} | {share:.1f} % | {n} | {refused} |\n")
    sys.stdout.writelines(rows)
