"""Weights, balance, standardisation and AIPW on the public NHEFS data, against R and printed figures.

Expected values: R 4.2.2 (glm, geepack, sandwich); see tests/reference/nhefs/README.md. Printed figures of
Hernan and Robins, Causal Inference: What If, sections 12.2, 12.3, 13.3 and 15.1, are from memory.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.stats.doubly_robust import aipw
from outcomes.stats.doubly_robust_fit import fit_doubly_robust
from outcomes.stats.exposure_model import fit_exposure
from outcomes.stats.linear import fit_linear
from outcomes.stats.weighting import exposure_weights, weighted_balance, weighted_difference

FILE = Path(__file__).parents[1] / "reference" / "nhefs" / "nhefs_complete.csv"
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


def test_propensities_and_weights(nhefs):
    *_, quit_, _, model = nhefs
    p = model.probabilities[:, 1]
    w, sw = exposure_weights(model), exposure_weights(model, "stabilised")
    seen = [p.min(), p.max(), p[quit_ == 1].mean(), p[quit_ == 0].mean(), w.values.mean(), w.values.min(),
            w.values.max(), sw.values.mean(), sw.values.min(), sw.values.max(), w.effective[1], w.effective[0]]  # fmt: skip
    expected = [0.0510007639469, 0.776888701877, 0.309435335443, 0.239292828733, 1.99628406164, 1.05374162803,
                16.7000943506, 0.998844349932, 0.331248928997, 4.297661573, 325.974728958, 1128.60986313]  # fmt: skip
    assert seen == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("kind", "expected"),
    [("inverse probability", 3.44053542965), ("stabilised", 3.44053542965), ("treated", 3.33625791277),
     ("overlap", 3.46114855912)],
)  # fmt: skip
def test_weighted_differences(nhefs, kind, expected):
    data, *_, model = nhefs
    weights = exposure_weights(model, kind, treated="quit" if kind == "treated" else None)
    assert weighted_difference(data["wt82_71"], weights)[0].value == pytest.approx(expected, rel=1e-10)


def test_error_of_weights_taken_as_known_is_that_of_gee(nhefs):
    data, *_, model = nhefs
    effect = weighted_difference(data["wt82_71"], exposure_weights(model), unit="kg")[0]
    n = len(data)
    # the sandwich of R has no G/(G-1)
    error = effect.std_error * np.sqrt((n - 1) / n)
    assert error == pytest.approx(0.525493553014, rel=1e-10)
    assert effect.value - 1.96 * error == pytest.approx(2.41056806574, rel=1e-9)
    assert (round(effect.value, 1), round(effect.conf_low, 1), round(effect.conf_high, 1)) == (3.4, 2.4, 4.5)


def test_errors_that_count_the_fitting_are_smaller_here(nhefs):
    # Lunceford and Davidian 2004: estimating the probabilities makes the all-cases estimate more precise
    data, *_, model = nhefs
    weights = exposure_weights(model)
    known = weighted_difference(data["wt82_71"], weights)[0]
    fitted = weighted_difference(data["wt82_71"], weights, model=model)[0]
    assert fitted.value == known.value
    assert fitted.std_error < known.std_error


def test_balance_before_and_after(nhefs):
    data, *_, exposure, model = nhefs
    names = ["sex", "race", "age", "smokeintensity", "smokeyrs", "wt71"]
    columns = {name: data[name] for name in names}
    # sorted levels: quit minus smoked
    inverse = weighted_balance(columns, exposure, exposure_weights(model).values)
    overlap = weighted_balance(columns, exposure, exposure_weights(model, "overlap").values)
    raw = [-0.160128786716, -0.17691793421, 0.281980909945, -0.216674633464, 0.158918082328, 0.133216187256]
    after = [-0.00286026035665, 0.00702126002829, 0.00584269775123, -0.0240976231494, -0.00345354563568,
             -0.00902264007815]  # fmt: skip
    assert [b.before.value for b in inverse] == pytest.approx(raw, rel=1e-9)
    assert [b.after.value for b in inverse] == pytest.approx(after, rel=1e-8)
    # overlap weights of a logistic model balance every mean in it exactly (Li, Morgan and Zaslavsky 2018)
    assert [b.after.value for b in overlap] == pytest.approx([0.0] * 6, abs=1e-10)


def test_standardisation_and_aipw(nhefs):
    data, X, names, quit_, exposure, model = nhefs
    y, dose = data["wt82_71"], data["smokeintensity"].to_numpy(float)
    fit = fit_linear(
        np.column_stack([X, quit_, quit_ * dose]),
        y,
        names=[*names, "quit", "quit x cigarettes"],
        covariance="HC0",
    )
    predictions = np.column_stack(
        [np.column_stack([X, np.full(len(X), a), a * dose]) @ fit.coefficients for a in (0.0, 1.0)]
    )
    assert fit.coefficients[-2:] == pytest.approx([2.55959409257, 0.0466628394865], rel=1e-9)
    assert predictions.mean(axis=0) == pytest.approx([1.75621311547, 5.27358731635], rel=1e-10)
    result = aipw(exposure, y, predictions, model.probabilities, levels=LEVELS, unit="kg")
    effect = result.contrasts[0]
    assert effect.contrast == "quit minus smoked"
    assert [effect.value, effect.std_error] == pytest.approx([3.45728428976, 0.488807007429], rel=1e-9)
    assert effect.value - 1.96 * effect.std_error == pytest.approx(2.4992225552, rel=1e-9)
    assert effect.value + 1.96 * effect.std_error == pytest.approx(4.41534602432, rel=1e-9)


def test_all_roads_agree_within_a_fraction_of_their_error(nhefs):
    data, X, names, _, exposure, _ = nhefs
    fit = fit_doubly_robust(X, exposure, data["wt82_71"], names=names, levels=LEVELS)
    assert fit.contrasts[0].value == pytest.approx(3.45, abs=0.1)
    treated = fit_doubly_robust(
        X, exposure, data["wt82_71"], names=names, levels=LEVELS, target_levels=["quit"]
    )
    assert treated.n_target == 403
    assert treated.contrasts[0].value == pytest.approx(3.336, abs=0.1)
