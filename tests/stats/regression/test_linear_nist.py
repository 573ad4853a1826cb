"""Linear regression against the certified values of NIST's Statistical Reference Datasets."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm

from outcomes.errors import EstimationError
from outcomes.stats.regression.linear import fit_linear

NORRIS = Path(__file__).parents[2] / "reference" / "nist" / "Norris.dat"


def digits(value: object, certified: object) -> float:
    """Return the smallest number of correct digits (log relative error, capped at 15)."""
    v, c = np.atleast_1d(np.asarray(value, float)), np.atleast_1d(np.asarray(certified, float))
    error = np.abs(v - c) / np.where(c == 0.0, 1.0, np.abs(c))
    return float(np.min(-np.log10(np.maximum(error, 1e-15))))


def test_norris():
    table = np.array([line.split() for line in NORRIS.read_text().splitlines()[60:] if line.strip()], float)
    y, x = table.T
    fit = fit_linear(np.column_stack([np.ones(36), x]), y, names=["b0", "b1"], covariance="classical")
    assert digits(fit.coefficients, [-0.262323073774029, 1.00211681802045]) >= 12
    assert digits(np.sqrt(np.diag(fit.covariance)), [0.232818234301152, 0.429796848199937e-03]) >= 12
    assert digits(fit.residual_sd, 0.884796396144373) >= 12
    assert digits(fit.r2, 0.999993745883712) >= 12
    f_statistic = (fit.coefficients[1] ** 2) / fit.covariance[1, 1]
    assert digits(f_statistic, 5436385.54079785) >= 12
    assert fit.df_residual == 34


def test_longley():
    # certified values as published by NIST; the data come with statsmodels
    data = sm.datasets.longley.load_pandas().data
    columns = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    X = np.column_stack([np.ones(16), data[columns].to_numpy(float)])
    fit = fit_linear(X, data["TOTEMP"].to_numpy(float), names=["const", *columns], covariance="classical")
    coefficients = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-01,
        1829.15146461355,
    ]
    errors = [
        890420.383607373,
        84.9149257747669,
        0.334910077722432e-01,
        0.488399681651699,
        0.214274163161675,
        0.226073200069370,
        455.478499142212,
    ]
    assert digits(fit.coefficients, coefficients) >= 13
    assert digits(np.sqrt(np.diag(fit.covariance)), errors) >= 10
    assert digits(fit.residual_sd, 304.854073561965) >= 10
    assert digits(fit.r2, 0.995479004577296) >= 10


def test_wampler_polynomials():
    # Wampler1 and Wampler2, generated: y is an exact polynomial of degree 5 in x = 0..20
    x = np.arange(21.0)
    X = x[:, None] ** np.arange(6)
    names = [f"b{k}" for k in range(6)]
    ones = fit_linear(X, X.sum(axis=1), names=names, covariance="classical")
    assert digits(ones.coefficients, np.ones(6)) >= 7
    tenths = fit_linear(X, X @ 0.1 ** np.arange(6), names=names, covariance="classical")
    assert digits(tenths.coefficients, 0.1 ** np.arange(6)) >= 7


def exact_fit(X: list[list[Fraction]], y: list[Fraction]) -> tuple[list[float], list[float], float]:
    """Return coefficients, their classical errors and the residual SD by rational arithmetic."""
    n, p = len(X), len(X[0])
    table = [
        [sum((row[i] * row[j] for row in X), Fraction(0)) for j in range(p)]
        + [sum((row[i] * v for row, v in zip(X, y, strict=True)), Fraction(0))]
        + [Fraction(int(i == j)) for j in range(p)]
        for i in range(p)
    ]
    for i in range(p):
        table[i] = [v / table[i][i] for v in table[i]]
        for k in range(p):
            if k != i:
                table[k] = [a - table[k][i] * b for a, b in zip(table[k], table[i], strict=True)]
    b = [row[p] for row in table]
    fitted = [sum((v * c for v, c in zip(row, b, strict=True)), Fraction(0)) for row in X]
    sd = float(sum(((v - f) ** 2 for v, f in zip(y, fitted, strict=True)), Fraction(0)) / (n - p)) ** 0.5
    return [float(v) for v in b], [sd * float(table[i][p + 1 + i]) ** 0.5 for i in range(p)], sd


# what Wampler3 adds to Wampler1; from memory, and checked below: it is orthogonal to every power up to the fifth
DISTURBANCE = [759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048]


def test_wampler_with_residuals():
    # Wampler3, 4 and 5: the same residuals times 1, 100 and 10,000; NIST asks for coefficients of 1
    x = [Fraction(k) for k in range(21)]
    X = [[v**k for k in range(6)] for v in x]
    noise = [Fraction(v) for v in [*DISTURBANCE, *DISTURBANCE[9::-1]]]
    assert all(sum(row[k] * e for row, e in zip(X, noise, strict=True)) == 0 for k in range(6))
    for size in (1, 100, 10_000):
        y = [sum(row, Fraction(0)) + size * e for row, e in zip(X, noise, strict=True)]
        coefficients, errors, sd = exact_fit(X, y)
        assert coefficients == [1.0] * 6
        assert digits(sd, 2360.14502379268 * size) >= 14  # Wampler3 as certified; from memory
        fit = fit_linear(
            np.array(X, float), np.array(y, float), names=[f"b{k}" for k in range(6)], covariance="classical"
        )
        assert digits(fit.coefficients, coefficients) >= 13
        assert digits(np.sqrt(np.diag(fit.covariance)), errors) >= 10
        assert digits(fit.residual_sd, sd) >= 12


def test_polynomials_of_a_far_interval_have_seven_digits_or_are_refused():
    # like Filip (whose data are not shipped): 82 points between -8.8 and -3.1, powers up to the tenth
    x = [Fraction(-880 + 7 * k, 100) for k in range(82)]
    y = [Fraction(850 + (37 * k) % 61 - (k - 40) ** 2 // 30, 1000) for k in range(82)]
    for degree in range(3, 11):
        X = [[v**k for k in range(degree + 1)] for v in x]
        names = [f"b{k}" for k in range(degree + 1)]
        design, outcome = np.array(X, float), np.array(y, float)
        if degree == 10:
            with pytest.raises(
                EstimationError, match=r"ill-conditioned: b\d, .* centre the column"
            ) as caught:
                fit_linear(design, outcome, names=names)
            assert caught.value.code == "ill_conditioned"
            continue
        # the powers as given: rounding them to double precision is not the fit's doing
        rounded = [[Fraction(v) for v in row] for row in design.tolist()]
        coefficients, errors, _ = exact_fit(rounded, [Fraction(v) for v in outcome.tolist()])
        fit = fit_linear(design, outcome, names=names, covariance="classical")
        assert digits(fit.coefficients, coefficients) >= 7
        assert digits(np.sqrt(np.diag(fit.covariance)), errors) >= 7
    # centred, the tenth power is no trouble
    centred = np.array([[(v + 6) ** k for k in range(11)] for v in map(float, x)])
    assert fit_linear(centred, np.array(y, float), names=names).n == 82
