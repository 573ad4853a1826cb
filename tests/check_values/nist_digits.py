"""Digits reached on the Statistical Reference Datasets of NIST that are shipped or that a formula defines."""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import test_check_values as table
from agreed_digits import MOST, digits
from case_data import REFERENCE, load, nist_groups

from outcomes.stats.groups.anova import one_way_anova
from outcomes.stats.numerics.moments import moments
from outcomes.stats.regression.linear import fit_linear

TESTS = Path(__file__).parents[1]
#: What every Simon-Lesage set is computed with: level and the file whose pattern goes on.
SIMON = {"lower": "SmLs01", "average": "SmLs04", "higher": "SmLs07"}
REPLICATES = (21, 201, 2001)

Row = tuple[str, str, str, str, float, float]


def fewest(pairs: Sequence[tuple[Any, Any]]) -> float:
    """Return the fewest digits among pairs of found and certified, at most 15."""
    return min(
        min(digits(float(v), float(c)), MOST)
        for value, certified in pairs
        for v, c in zip(np.ravel(value), np.ravel(certified), strict=True)
    )


def variance_analysis(groups: list[np.ndarray], f: float, r2: float, residual_sd: float) -> float:
    """Return the digits of F, R squared and residual SD."""
    test = one_way_anova(groups)
    return fewest([(test.f, f), (test.r_squared, r2), (test.residual_sd, residual_sd)])


def published(name: str) -> float:
    """Return the digits of a set whose certified values stand among the check values."""
    expected = table.CASES[f"nist-{name}"]["expected"]
    return variance_analysis(
        nist_groups(f"nist/{name}"), expected["F"], expected["r2"], expected["residual_sd"]
    )


def simon(base: str, replicates: int, *, shifted: bool = False) -> float:
    """Return the digits of a set of Simon and Lesage, in nine groups of `replicates` values.

    Certified: F = replicates, within-group SD 0.1, hence R squared = 8 F / (8 F + 9 (replicates - 1)). `shifted` takes
    the leading constant off in decimals, before anything becomes floating point.
    """
    lines = (REFERENCE / "nist" / f"{base}.dat").read_text().splitlines()[60:]
    rows = [(int(group), Decimal(y)) for group, y in (line.split() for line in lines if line.strip())]
    constant = min(y for _, y in rows).to_integral_value(rounding="ROUND_FLOOR") if shifted else Decimal(0)
    groups = []
    for level in sorted({group for group, _ in rows}):
        first, low, high = [float(y - constant) for group, y in rows if group == level][:3]
        groups.append(np.r_[first, np.tile([low, high], (replicates - 1) // 2)])
    r2 = 8 * replicates / (8 * replicates + 9 * (replicates - 1))
    return variance_analysis(groups, float(replicates), r2, 0.1)


def analyses_of_variance() -> list[Row]:
    """Return one row a set of the one-way analysis of variance."""
    function, what = "groups.anova.one_way_anova", "F, R squared, residual SD"
    rows = [
        ("SiRstv", "lower", what, function, 12.0, published("SiRstv")),
        ("AtmWtAg", "average", what, function, 10.0, published("AtmWtAg")),
    ]
    required = {"lower": 12.0, "average": 10.0, "higher": 4.0}
    number = 0
    for level, base in SIMON.items():
        for replicates in REPLICATES:
            number += 1
            rows.append((f"SmLs0{number}", level, what, function, required[level], simon(base, replicates)))
    for k, replicates in enumerate(REPLICATES):
        name = f"SmLs0{7 + k}, 1,000,000,000,000 taken off in decimals"
        rows.append((name, "higher", what, function, 13.0, simon("SmLs07", replicates, shifted=True)))
    return rows


def univariate() -> list[Row]:
    """Return mean and SD of NumAcc1 to NumAcc4."""
    rows = []
    for number, (first, sd, low, high, level, needed) in enumerate(
        [
            (10000002.0, 1.0, 10000001.0, 10000003.0, "lower", 14.0),
            (1.2, 0.1, 1.1, 1.3, "average", 14.0),
            (1000000.2, 0.1, 1000000.1, 1000000.3, "average", 9.0),
            (10000000.2, 0.1, 10000000.1, 10000000.3, "higher", 8.0),
        ],
        1,
    ):
        found = moments(np.r_[first, np.tile([low, high], 1 if number == 1 else 500)])
        assert found.mean is not None
        assert found.variance is not None
        function = "numerics.moments.moments"
        rows.append((f"NumAcc{number}", level, "mean", function, 14.0, fewest([(found.mean, first)])))
        rows.append(
            (f"NumAcc{number}", level, "SD", function, needed, fewest([(math.sqrt(found.variance), sd)]))
        )
    return rows


def linear_tests() -> ModuleType:
    """Return the tests of linear regression, which hold the exact fit of the Wampler sets."""
    path = TESTS / "stats" / "regression" / "test_linear_nist.py"
    spec = importlib.util.spec_from_file_location("linear_nist_sets", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def regressions() -> list[Row]:
    """Return coefficients and classical errors of Norris, Longley and Wampler1 to Wampler5."""
    function, what = "regression.linear.fit_linear", "coefficients, standard errors"

    def fitted(X: np.ndarray, y: np.ndarray) -> Any:
        return fit_linear(X, y, names=[f"b{k}" for k in range(X.shape[1])], covariance="classical")

    def reached(fit: Any, coefficients: Any, errors: Any) -> float:
        return fewest([(fit.coefficients, coefficients), (np.sqrt(np.diag(fit.covariance)), errors)])

    lines = (REFERENCE / "nist" / "Norris.dat").read_text().splitlines()[60:]
    y, x = np.array([line.split() for line in lines if line.strip()], float).T
    certified = table.CASES["nist-Norris"]["expected"]
    norris = reached(
        fitted(np.column_stack([np.ones(len(x)), x]), y),
        [certified["b0"], certified["b1"]], [certified["se0"], certified["se1"]],
    )  # fmt: skip
    data, certified = load("longley_nist_units").to_numpy(float), table.CASES["longley"]["expected"]
    longley = reached(
        fitted(np.column_stack([np.ones(len(data)), data[:, 1:]]), data[:, 0]),
        certified["coef"],
        certified["se"],
    )
    rows = [
        ("Norris", "lower", what, function, 12.0, norris),
        ("Longley", "higher", what, function, 10.0, longley),
    ]
    return [*rows, *wamplers(fitted, reached, function)]


def wamplers(fitted: Any, reached: Any, function: str) -> list[Row]:
    """Return the polynomials of the fifth degree; the first two fit exactly, so that their errors are 0."""
    exact = linear_tests()
    x = np.arange(21.0)
    X = x[:, None] ** np.arange(6)
    rows = []
    for number, base in ((1, 1.0), (2, 0.1)):
        true = base ** np.arange(6)
        fit = fitted(X, X @ true)
        rows.append(
            (f"Wampler{number}", "higher", "coefficients", function, 7.0, fewest([(fit.coefficients, true)]))
        )
    noise = np.array([*exact.DISTURBANCE, *exact.DISTURBANCE[9::-1]], float)
    for number, size in ((3, 1), (4, 100), (5, 10_000)):
        y = X.sum(axis=1) + size * noise
        fractions = [[exact.Fraction(v) for v in row] for row in X.tolist()]
        coefficients, errors, _ = exact.exact_fit(fractions, [exact.Fraction(v) for v in y.tolist()])
        rows.append(
            (f"Wampler{number}", "higher", "coefficients, standard errors", function, 7.0,
             reached(fitted(X, y), coefficients, errors))
        )  # fmt: skip
    return rows


def all_sets() -> list[Row]:
    """Return every row: set, level, what, function, digits asked for, digits reached."""
    return [*analyses_of_variance(), *univariate(), *regressions()]
