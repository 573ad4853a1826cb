"""How often intervals of agreement hold the truth.

Run by `make simulate`; the shares of the last run stand in docs/validation/agreement.md.
`python tests/stats/agreement/test_agreement_coverage.py` prints the table anew.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from unittest.mock import patch

import numpy as np
import pytest

from outcomes.estimates import Estimate
from outcomes.stats.agreement import icc_generalised
from outcomes.stats.agreement.bland_altman import limits_of_agreement
from outcomes.stats.agreement.bland_altman_repeated import repeated_limits_of_agreement
from outcomes.stats.agreement.fleiss_kappa import fleiss_kappa
from outcomes.stats.agreement.icc import AGREEMENTS, intraclass_correlation
from outcomes.stats.agreement.kappa import cohen_kappa, kappa_bootstrap
from outcomes.stats.agreement.measurement_error import standard_error_of_measurement

REPETITIONS = 4_000
SLOW = 0.25  # share of the repetitions for resampled and integrated limits
RATERS = 0.1  # share of the variance that is between raters, where there are the same raters for all
Checked = Iterator[tuple[str, Estimate, float]]


def ratings(rng: np.random.Generator, n: int, k: int, reliability: float) -> Checked:
    """Normal subjects, raters and errors of total variance 1; one-way without raters."""
    subject, error = rng.normal(0, math.sqrt(reliability), (n, 1)), rng.normal(0, 1, (n, k))
    rater = rng.normal(0, math.sqrt(RATERS), (1, k))
    residual = 1 - reliability - RATERS
    alone = subject + math.sqrt(1 - reliability) * error
    same = subject + rater + math.sqrt(residual) * error
    truth = (reliability, reliability, reliability / (reliability + residual))
    errors = (1 - reliability, 1 - reliability, residual)
    for agreement, value, variance in zip(AGREEMENTS, truth, errors, strict=True):
        x = alone if agreement == "one-way" else same
        yield f"ICC {agreement}", intraclass_correlation(x, agreement=agreement).estimate, value
        if agreement == "absolute agreement" and rng.random() < SLOW:
            yield (
                "ICC generalised",
                intraclass_correlation(x, agreement=agreement, interval="generalised").estimate,
                value,
            )
        sem = standard_error_of_measurement(x, agreement=agreement)
        yield f"SEM {agreement}", sem, math.sqrt(variance)


def pairs(rng: np.random.Generator, n: int) -> Checked:
    """Upper limit of agreement of normal differences with mean 0 and SD 1."""
    a = rng.normal(0, 1, n)
    for interval in ("exact", "approximate", "approximate 1986"):
        yield interval, limits_of_agreement(a, np.zeros(n), interval=interval).upper, 1.959963984540054


def repeats(rng: np.random.Generator, n: int, m: int) -> Checked:
    """Upper limit where the bias of subjects has variance 0.5 and errors have 0.25 in each method."""
    subject = np.repeat(np.arange(n), m)
    a = rng.normal(0, 0.5, n * m)
    b = rng.normal(0, math.sqrt(0.5), n)[subject] + rng.normal(0, 0.5, n * m)
    for kind in ("constant", "varying"):
        yield kind, repeated_limits_of_agreement(a, b, subject, true_value=kind).upper, 1.959963984540054


def two_raters(rng: np.random.Generator, n: int, share: float, kappa: float) -> Checked:
    """Two raters with the same share of the first level."""
    both = share * (1 - share)
    off = both * (1 - kappa)
    cells = [share**2 + kappa * both, off, off, (1 - share) ** 2 + kappa * both]
    table = rng.multinomial(n, cells).reshape(2, 2)
    e = cohen_kappa(table).estimate
    yield "closed form", e, kappa
    if rng.random() < SLOW and e.value is not None:
        made = kappa_bootstrap(table, n_boot=500, seed=int(rng.integers(2**31))).estimate
        yield "bootstrap", made, kappa


def raters(rng: np.random.Generator, n: int, m: int, kappa: float) -> Checked:
    """Each of m raters sees the true one of three categories with chance root kappa, else guesses by the shares."""
    shares = np.array([0.5, 0.3, 0.2])
    true = rng.choice(3, (n, 1), p=shares)
    given = np.where(rng.random((n, m)) < math.sqrt(kappa), true, rng.choice(3, (n, m), p=shares))
    counts = np.stack([(given == category).sum(axis=1) for category in range(3)], axis=1)
    yield "Fleiss", fleiss_kappa(counts).estimate, kappa


#: (what, numbers of the scenario) -> percent that hold the truth, in the order in which they are made.
LAST_RUN: dict[tuple[str, tuple[float, ...]], dict[str, float]] = {
    ("ratings", (10, 2, 0.6)): {
        "ICC one-way": 94.7,
        "SEM one-way": 94.5,
        "ICC absolute agreement": 95.0,
        "SEM absolute agreement": 94.9,
        "ICC consistency": 94.3,
        "SEM consistency": 94.5,
        "ICC generalised": 94.8,
    },
    ("ratings", (10, 2, 0.85)): {
        "ICC one-way": 94.6,
        "SEM one-way": 94.3,
        "ICC absolute agreement": 89.7,
        "SEM absolute agreement": 95.3,
        "ICC consistency": 94.7,
        "SEM consistency": 94.5,
        "ICC generalised": 96.3,
    },
    ("ratings", (30, 2, 0.6)): {
        "ICC one-way": 95.7,
        "SEM one-way": 95.9,
        "ICC absolute agreement": 95.0,
        "SEM absolute agreement": 94.5,
        "ICC consistency": 95.5,
        "SEM consistency": 95.6,
        "ICC generalised": 96.1,
    },
    ("ratings", (30, 2, 0.85)): {
        "ICC one-way": 95.4,
        "SEM one-way": 95.2,
        "ICC absolute agreement": 77.8,
        "SEM absolute agreement": 95.2,
        "ICC consistency": 95.6,
        "SEM consistency": 94.9,
        "ICC generalised": 95.9,
    },
    ("ratings", (30, 4, 0.6)): {
        "ICC one-way": 94.7,
        "SEM one-way": 94.5,
        "ICC absolute agreement": 94.5,
        "SEM absolute agreement": 95.0,
        "ICC consistency": 94.6,
        "SEM consistency": 94.7,
        "ICC generalised": 95.4,
    },
    ("ratings", (30, 4, 0.85)): {
        "ICC one-way": 95.0,
        "SEM one-way": 95.2,
        "ICC absolute agreement": 88.0,
        "ICC generalised": 94.5,
        "SEM absolute agreement": 95.0,
        "ICC consistency": 94.8,
        "SEM consistency": 95.3,
    },
    ("pairs", (5,)): {"exact": 95.5, "approximate": 91.8, "approximate 1986": 91.0},
    ("pairs", (10,)): {"exact": 95.8, "approximate": 92.8, "approximate 1986": 92.6},
    ("pairs", (20,)): {"exact": 95.3, "approximate": 94.5, "approximate 1986": 94.5},
    ("pairs", (50,)): {"exact": 95.3, "approximate": 95.0, "approximate 1986": 95.2},
    ("pairs", (100,)): {"exact": 95.0, "approximate": 94.7, "approximate 1986": 94.8},
    ("repeats", (10, 2)): {"constant": 97.3, "varying": 97.5},
    ("repeats", (20, 2)): {"constant": 96.4, "varying": 96.4},
    ("repeats", (20, 4)): {"constant": 95.0, "varying": 95.5},
    ("two raters", (20, 0.5, 0.4)): {"closed form": 92.7, "bootstrap": 93.2},
    ("two raters", (20, 0.5, 0.8)): {"closed form": 87.8, "bootstrap": 87.2},
    ("two raters", (50, 0.5, 0.4)): {"closed form": 92.9, "bootstrap": 93.9},
    ("two raters", (50, 0.5, 0.8)): {"closed form": 88.4, "bootstrap": 94.5},
    ("two raters", (50, 0.1, 0.4)): {"closed form": 84.2, "bootstrap": 78.6},
    ("two raters", (200, 0.1, 0.4)): {"closed form": 93.0, "bootstrap": 94.1},
    ("two raters", (200, 0.5, 0.8)): {"closed form": 93.4, "bootstrap": 93.6},
    ("raters", (10, 3, 0.5)): {"Fleiss": 91.7},
    ("raters", (20, 3, 0.5)): {"Fleiss": 94.5},
    ("raters", (20, 6, 0.5)): {"Fleiss": 94.3},
    ("raters", (50, 6, 0.5)): {"Fleiss": 94.4},
    ("raters", (50, 6, 0.8)): {"Fleiss": 94.5},
}
MADE: dict[str, Callable[..., Checked]] = {
    "ratings": ratings, "pairs": pairs, "repeats": repeats, "two raters": two_raters, "raters": raters,
}  # fmt: skip


def coverage(what: str, numbers: tuple[float, ...]) -> dict[str, float]:
    """Return the percent of intervals that hold the truth; a table without an interval does not."""
    rng = np.random.default_rng([len(what), *(int(100 * number) for number in numbers)])
    held: dict[str, list[bool]] = {}
    with patch.object(icc_generalised, "NODES", 24):  # enough for three digits
        for _ in range(REPETITIONS):
            for name, e, truth in MADE[what](rng, *numbers):
                known = e.conf_low is not None and e.conf_high is not None
                held.setdefault(name, []).append(known and e.conf_low <= truth <= e.conf_high)
    return {name: round(100 * float(np.mean(values)), 1) for name, values in held.items()}


@pytest.mark.simulation
@pytest.mark.parametrize(("what", "numbers"), LAST_RUN)
def test_coverage_is_that_of_the_validation_page(what, numbers):
    found = coverage(what, numbers)
    assert found == pytest.approx(LAST_RUN[what, numbers], abs=0.3)
    for name, share in found.items():
        if name in ("exact", "ICC one-way", "SEM one-way", "SEM consistency"):
            assert abs(share - 95) < 3 * 100 * math.sqrt(0.95 * 0.05 / REPETITIONS)


if __name__ == "__main__":
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(int(os.environ.get("WORKERS", "2"))) as pool:
        results = pool.map(coverage, *zip(*LAST_RUN, strict=True))
        for scenario, shares in zip(LAST_RUN, results, strict=True):
            print(f"    {scenario}: {shares},", flush=True)
