"""Pooling over imputations and bounds on 500 invented sets of numbers, against R.

Sets, script and disagreements: tests/reference/missing_cross_checks/README.md.
"""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.stats.missing.missing_bounds import difference_bounds, share_bounds
from outcomes.stats.missing.pooled_tests import pooled_chi_squared, pooled_likelihood_ratio
from outcomes.stats.missing.rubin import pool_scalar
from outcomes.stats.regression.logistic import fit_logistic, logistic_log_likelihood

FOLDER = Path(__file__).parents[2] / "reference" / "missing_cross_checks"
specification = importlib.util.spec_from_file_location("missing_sets", FOLDER / "missing_sets.py")
missing_sets = importlib.util.module_from_spec(specification)
specification.loader.exec_module(missing_sets)
VALUES = pd.read_csv(FOLDER / "values.csv").set_index("set")
SETS = [missing_sets.numbers_of(i) for i in range(missing_sets.SETS)]


def off(made: list[float | None], name: str, relative: float = 1e-7) -> list[int]:
    """Return the sets where two columns differ; R leaves out what it has not."""
    own, other = np.array(made, dtype=float), VALUES[name].to_numpy(float)[: len(made)]
    same = (np.isnan(own) & np.isnan(other)) | (np.abs(own - other) <= relative * np.abs(other) + 1e-9)
    return np.flatnonzero(~same).tolist()


def test_rubin_and_barnard() -> None:
    pooled = [pool_scalar(s["q"], np.sqrt(s["u"]), df_complete=s["df"]) for s in SETS]
    assert off([p.estimate.value for p in pooled], "value") == []
    assert off([p.estimate.std_error for p in pooled], "se") == []
    assert off([p.relative_increase for p in pooled], "riv") == []
    # R never lets the share of variance between imputations fall below 1e-4, where its degrees of freedom are others
    floored = [i for i, p in enumerate(pooled) if p.share_between < 1e-4]
    assert 0 < len(floored) < 150
    for values, name in (
        ([p.estimate.df for p in pooled], "df"), ([p.estimate.p_value for p in pooled], "p"),
        ([p.estimate.conf_high for p in pooled], "high"), ([p.missing_information for p in pooled], "fmi"),
    ):  # fmt: skip
        assert set(off(values, name)) <= set(floored), name
        assert set(off(values, name, 2e-3)) <= {i for i in floored if name == "fmi"}, name
    large = [pool_scalar(s["q"], np.sqrt(s["u"])).estimate.df for s in SETS]
    wrong = off([math.nan if math.isinf(df) else df for df in large], "df_large")
    assert set(wrong) <= set(floored)


def test_pooled_chi_squared() -> None:
    tests = [pooled_chi_squared(s["chi2"], s["k"]) for s in SETS]
    assert off([t.f for t in tests], "d2") == [i for i, v in enumerate(VALUES["d2"]) if v < -1e-9]
    assert all(tests[i].f == 0.0 for i, v in enumerate(VALUES["d2"]) if v <= 0.0)
    assert off([t.df_within for t in tests], "d2_df") == []
    assert off([t.p_value for t in tests], "d2_p") == []


def likelihood_ratio(number: int):
    r = missing_sets.regressions_of(number)
    y, copies = r["y"], r["copies"]
    X = [np.column_stack([np.ones(len(y)), block]) for block in copies]
    full = [fit_logistic(x, y, names=["i", "x", "z"], covariance="classical") for x in X]
    none = fit_logistic(X[0][:, :1], y, names=["i"], covariance="classical")
    mean = np.mean([fit.coefficients for fit in full], axis=0)
    own = [2 * (fit.log_likelihood - none.log_likelihood) for fit in full]
    ones = np.ones(len(y))
    at = [2 * (logistic_log_likelihood(x @ mean, y, ones) - none.log_likelihood) for x in X]
    return pooled_likelihood_ratio(own, at, 2)


def test_pooled_likelihood_ratio() -> None:
    known = VALUES.index[VALUES["d3"].notna()]
    assert len(known) == 250
    for number in known:
        test, r = likelihood_ratio(int(number)), VALUES.loc[number]
        if r["d3"] < 0.0:
            assert test.f == 0.0
            continue
        assert np.isclose(test.f, r["d3"], rtol=1e-6), number
        assert np.isclose(test.df_within, r["d3_df"], rtol=1e-5), number
        assert np.isclose(test.p_value, r["d3_p"], rtol=1e-6), number


def test_bounds() -> None:
    shares = [
        share_bounds(s["events"][0], s["n"][0], s["missing"][0]) if s["n"][0] + s["missing"][0] else None
        for s in SETS
    ]
    assert off([None if b is None else b.conf_low for b in shares], "share_low") == []
    assert off([None if b is None else b.conf_high for b in shares], "share_high") == []
    both = [
        difference_bounds(
            s["events"][0], s["n"][0], s["missing"][0], s["events"][1], s["n"][1], s["missing"][1]
        )
        if s["n"][0] + s["missing"][0]
        else None
        for s in SETS
    ]
    assert off([None if b is None else b.conf_low for b in both], "difference_low") == []
    assert off([None if b is None else b.conf_high for b in both], "difference_high") == []
