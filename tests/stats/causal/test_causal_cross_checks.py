"""Weighting, matching and mediation on 500 invented small data sets, against R.

Sets, script and disagreements: tests/reference/causal_cross_checks/README.md.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.causal.doubly_robust import aipw
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.matched_effect import matched_difference
from outcomes.stats.causal.matching import logit_score, match_cases
from outcomes.stats.causal.mediation import mediation_effects
from outcomes.stats.causal.weighting import exposure_weights, weighted_difference
from outcomes.stats.missing.observation_weights import observation_weights, observed_difference
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.standardised import standardised_risk

FOLDER = Path(__file__).parents[2] / "reference" / "causal_cross_checks"
specification = importlib.util.spec_from_file_location("causal_sets", FOLDER / "causal_sets.py")
causal_sets = importlib.util.module_from_spec(specification)
specification.loader.exec_module(causal_sets)
VALUES = pd.read_csv(FOLDER / "values.csv").set_index("set")
SETS = [causal_sets.data_of(i) for i in range(causal_sets.SETS)]


#: Sets whose outcome models overlap but have fitted probabilities within 1e-11 of 0 or 1, where R's script stops.
STEEP = [433, 473]


def design(d: dict[str, Any]) -> tuple[np.ndarray, list[str]]:
    if np.ptp(d["z"]) > 0:
        return np.column_stack([np.ones(len(d["x"])), d["x"], d["z"]]), ["intercept", "x", "z"]
    return np.column_stack([np.ones(len(d["x"])), d["x"]]), ["intercept", "x"]


FITTED: dict[int, tuple[Any, Any]] = {}


def exposure_of(d: dict[str, Any]) -> tuple[Any, Any]:
    """Return exposure and its model, fitted once a set."""
    if id(d) not in FITTED:
        X, names = design(d)
        labels = np.where(d["a"] == 1, "yes", "no")
        FITTED[id(d)] = labels, fit_exposure(X, labels, names=names, levels=("no", "yes"))
    return FITTED[id(d)]


def compare(made: list[dict[str, float]], names: list[str], relative: float, least: int) -> None:
    """Compare every value that R has; both must have it, or both not."""
    table = pd.DataFrame(made)
    for name in names:
        own, other = table[name].to_numpy(float), VALUES[name].to_numpy(float)
        assert (np.isnan(own) == np.isnan(other)).all(), (
            name,
            np.flatnonzero(np.isnan(own) != np.isnan(other)),
        )
        known = ~np.isnan(own)
        assert known.sum() >= least, name
        off = np.abs(own - other) - relative * np.abs(other)
        assert (off[known] <= 1e-8).all(), (name, np.flatnonzero(off > 1e-8)[:10])


def weighted(d: dict[str, Any]) -> dict[str, float]:
    try:
        labels, model = exposure_of(d)
    except EstimationError as error:
        if error.code not in ("separation", "collinear", "rank"):
            raise
        return {}
    y, out = d["y"], {}
    for name, kind in (("ate", "inverse probability"), ("att", "treated"), ("ato", "overlap")):
        w = exposure_weights(model, kind, treated="yes" if kind == "treated" else None)
        known = weighted_difference(y, w)[0]
        out |= {name: known.value, f"{name}_se": known.std_error}
        out[f"{name}_fitted_se"] = weighted_difference(y, w, model=model, clusters=d["patient"])[0].std_error
        if name == "ate":
            out["ate_se_patient"] = weighted_difference(y, w, clusters=d["patient"])[0].std_error
    X, names = design(d)
    outcome = np.column_stack([X, d["a"], d["a"] * d["x"]])
    fit = fit_linear(outcome, y, names=[*names, "a", "a x"], covariance="HC0")
    at = [np.column_stack([X, np.full(len(X), v), v * d["x"]]) for v in (0.0, 1.0)]
    predictions = np.column_stack([block @ fit.coefficients for block in at])
    effect = aipw(labels, y, predictions, model.probabilities, levels=("no", "yes")).contrasts[0]
    out |= {"aipw": effect.value, "aipw_se": effect.std_error}
    try:
        logistic = fit_logistic(
            np.column_stack([X, d["a"]]), d["yb"], names=[*names, "a"], covariance="classical"
        )
    except EstimationError as error:
        if error.code != "separation":
            raise
        return out
    r0, r1 = standardised_risk(logistic, [np.column_stack([X, np.full(len(X), v)]) for v in (0.0, 1.0)]).risks
    return out | {"rd": r1 - r0}


def test_weights_doubly_robust_and_standardisation() -> None:
    names = ["ate", "ate_se", "ate_se_patient", "att", "att_se", "ato", "ato_se", "aipw", "aipw_se", "rd"]
    made = [weighted(d) for d in SETS]
    compare(made, names, 1e-7, 450)
    compare(made, ["ate_fitted_se", "att_fitted_se", "ato_fitted_se"], 1e-6, 450)


def observed(d: dict[str, Any]) -> dict[str, float]:
    X, names = design(d)
    try:
        labels, model = exposure_of(d)
        w = observation_weights(np.column_stack([X, d["a"]]), d["seen"], names=[*names, "a"])
    except EstimationError as error:
        if error.code not in ("separation", "collinear", "rank", "empty_group"):
            raise
        return {}
    if w.model is None:
        return {}
    y, patients = np.where(d["seen"] == 1, d["y"], np.nan), d["patient"]
    known = observed_difference(y, labels, w, stacked=False)[0]
    fitted = observed_difference(y, labels, w, clusters=patients)[0]
    both = observed_difference(
        y, labels, w, weights=exposure_weights(model), exposure_model=model, clusters=patients
    )[0]
    if fitted.value is None or known.value is None:
        return {}
    return {
        "ipo": known.value, "ipo_se": known.std_error, "ipo_fitted_se": fitted.std_error, "ipo_ate": both.value,
        "ipo_ate_fitted_se": both.std_error,
    }  # fmt: skip


def test_weights_for_being_observed() -> None:
    made = [observed(d) for d in SETS]
    compare(made, ["ipo", "ipo_se", "ipo_ate"], 1e-7, 400)
    compare(made, ["ipo_fitted_se", "ipo_ate_fitted_se"], 1e-6, 400)


def matched(d: dict[str, Any]) -> dict[str, float]:
    try:
        labels, model = exposure_of(d)
    except EstimationError:
        return {}
    out: dict[str, float] = {}
    score = logit_score(model)
    options = {
        "near": {},
        "free": {"replacement": True},
        "two": {"ratio": 2},
        "strat": {"within": d["stratum"]},
    }
    for name, option in options.items():
        try:
            sets = match_cases(labels, score, treated="yes", **option)
        except EstimationError as error:
            if error.code != "no_match":
                raise
            out[f"{name}_pairs"] = 0
            continue
        out[f"{name}_pairs"] = len(sets.treated_rows)
        out[f"{name}_sum"] = float(((sets.treated_rows + 1) * (sets.control_rows + 1)).sum())
        # R's long table gives the difference of one set too; the package has no estimate of it
        effect = matched_difference(d["y"], sets)
        rows = sets.weights * np.where(sets.codes == 1, 1, -1)
        out[f"{name}_diff"] = float(rows @ d["y"]) / sets.n_sets
        assert effect.value is None or np.isclose(effect.value, out[f"{name}_diff"], rtol=1e-12, atol=1e-12)
        if sets.n_sets >= 3 and effect.std_error is not None:
            out[f"{name}_se"] = effect.std_error
            if name == "near":
                out["near_se_patient"] = matched_difference(d["y"], sets, clusters=d["patient"]).std_error
    return out


def test_matching() -> None:
    names = [
        f"{kind}_{what}"
        for kind in ("near", "free", "two", "strat")
        for what in ("pairs", "sum", "diff", "se")
    ]
    compare([matched(d) for d in SETS], [*names, "near_se_patient"], 1e-7, 400)


def taken_apart(d: dict[str, Any], number: int) -> dict[str, float]:
    X, names = design(d)
    numeric, plain = number % 4 in (0, 1), number % 4 in (0, 2)
    try:
        r = mediation_effects(
            X, d["a"], d["m"] if numeric else d["mb"], d["y"] if plain else d["yb"], names=names,
            mediator_kind="number" if numeric else "yes_no", outcome_kind="number" if plain else "yes_no",
            interaction=number % 3 != 0, confounders={"l": d["lb"]} if number % 5 == 4 else None,
            clusters=d["patient"],
        )  # fmt: skip
    except EstimationError as error:
        if error.code not in ("separation", "collinear", "rank"):
            raise
        return {}
    effects = {
        "total": r.total, "direct": r.direct, "indirect": r.indirect, "total_direct": r.total_direct,
        "pure_indirect": r.pure_indirect,
    }  # fmt: skip
    out = {name: e.value for name, e in effects.items()}
    assert np.isclose(r.direct.value + r.indirect.value, r.total.value, rtol=1e-12, atol=1e-12)
    assert np.isclose(r.total_direct.value + r.pure_indirect.value, r.total.value, rtol=1e-12, atol=1e-12)
    return out | {f"{name}_se": effects[name].std_error for name in ("direct", "indirect", "total")}


def test_mediation() -> None:
    made = [taken_apart(d, i) for i, d in enumerate(SETS)]
    for number in STEEP:
        assert np.isfinite(made[number]["total"])
        made[number] = {}
    compare(made, ["total", "direct", "indirect", "total_direct", "pure_indirect"], 1e-7, 400)
    compare(made, ["direct_se", "indirect_se", "total_se"], 1e-6, 400)


def test_no_value_is_left_unread() -> None:
    read = {
        "ate", "ate_se", "ate_se_patient", "att", "att_se", "ato", "ato_se", "ate_fitted_se", "att_fitted_se",
        "ato_fitted_se", "aipw", "aipw_se", "rd", "ipo", "ipo_se", "ipo_fitted_se", "ipo_ate", "ipo_ate_fitted_se",
        "near_se_patient", "total", "direct", "indirect", "total_direct", "pure_indirect", "direct_se", "indirect_se",
        "total_se",
    }  # fmt: skip
    read |= {
        f"{kind}_{what}"
        for kind in ("near", "free", "two", "strat")
        for what in ("pairs", "sum", "diff", "se")
    }
    assert set(VALUES.columns) == read
    assert len(VALUES) == len(SETS) == 500


@pytest.mark.parametrize("number", [3, 9, 250])
def test_a_set_is_made_again_from_its_number(number: int) -> None:
    first, again = causal_sets.data_of(number), causal_sets.data_of(number)
    assert all((first[name] == again[name]).all() for name in first)
