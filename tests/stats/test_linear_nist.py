"""Linear regression against the certified values of NIST's Statistical Reference Datasets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import statsmodels.api as sm

from outcomes.stats.linear import fit_linear

NORRIS = Path(__file__).parents[1] / "reference" / "nist" / "Norris.dat"


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
    assert digits(fit.coefficients, coefficients) >= 10
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
