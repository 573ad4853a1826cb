"""Laws of weighting and doubly robust estimates on the public NHEFS data.

The values that R has for the same data are check values: tests/check_values/values_causal.py.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.stats.causal.doubly_robust_fit import fit_doubly_robust
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.weighting import exposure_weights, weighted_balance, weighted_difference

FILE = Path(__file__).parents[2] / "reference" / "nhefs" / "nhefs_complete.csv"
LEVELS = ("smoked", "quit")


@pytest.fixture(scope="module")
def nhefs():
    data = pd.read_csv(FILE)
    columns = {"intercept": np.ones(len(data)), "sex": data["sex"], "race": data["race"]}
    for name in ("age", "smokeintensity", "smokeyrs", "wt71"):
        columns |= {name: data[name], f"{name} squared": data[name] ** 2}
    for name in ("education", "exercise", "active"):
        columns |= {f"{name} {v}": (data[name] == v) * 1.0 for v in sorted(data[name].unique())[1:]}
    X = np.column_stack(list(columns.values())).astype(float)
    quit_ = data["qsmk"].to_numpy(float)
    exposure = np.where(quit_ == 1, "quit", "smoked")
    model = fit_exposure(X, exposure, names=list(columns), levels=LEVELS)
    return data, X, list(columns), quit_, exposure, model


def test_overlap_weights_balance_every_mean_of_a_logistic_model(nhefs):
    # Li, Morgan and Zaslavsky 2018
    data, *_, exposure, model = nhefs
    columns = {name: data[name] for name in ("sex", "race", "age", "smokeintensity", "smokeyrs", "wt71")}
    overlap = weighted_balance(columns, exposure, exposure_weights(model, "overlap").values)
    assert [b.after.value for b in overlap] == pytest.approx([0.0] * 6, abs=1e-10)


def test_errors_that_count_the_fitting_are_smaller_here(nhefs):
    # Lunceford and Davidian 2004: estimating the probabilities makes the all-cases estimate more precise
    data, *_, model = nhefs
    weights = exposure_weights(model)
    known = weighted_difference(data["wt82_71"], weights)[0]
    fitted = weighted_difference(data["wt82_71"], weights, model=model)[0]
    assert fitted.value == known.value
    assert fitted.std_error < known.std_error


def test_all_roads_agree_within_a_fraction_of_their_error(nhefs):
    data, X, names, _, exposure, _ = nhefs
    fit = fit_doubly_robust(X, exposure, data["wt82_71"], names=names, levels=LEVELS)
    assert fit.contrasts[0].value == pytest.approx(3.45, abs=0.1)
    treated = fit_doubly_robust(
        X, exposure, data["wt82_71"], names=names, levels=LEVELS, target_levels=["quit"]
    )
    assert treated.n_target == 403
    assert treated.contrasts[0].value == pytest.approx(3.336, abs=0.1)
