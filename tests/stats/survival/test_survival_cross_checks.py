"""Curves, tests and proportional-hazards models against R's survival package on 600 small data sets, pinned.

Script, data, versions and every disagreement: tests/reference/survival_cross_checks. Pinned figures have ten digits.
"""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize

from outcomes.errors import EstimationError
from outcomes.stats.survival.concordance import concordance
from outcomes.stats.survival.cox import CoxFit, fit_cox
from outcomes.stats.survival.cox_proportionality import proportionality_test
from outcomes.stats.survival.cox_residuals import cox_residuals
from outcomes.stats.survival.kaplan_meier import (
    SurvivalCurve,
    follow_up,
    kaplan_meier,
    survival_at,
    survival_quantile,
)
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.restricted_mean import restricted_mean

FOLDER = Path(__file__).parents[2] / "reference" / "survival_cross_checks"
_spec = importlib.util.spec_from_file_location("make_survival", FOLDER / "make_survival.py")
assert _spec is not None
assert _spec.loader is not None
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)
DATA = {i: made.dataset(i) for i in range(made.N_SETS)}
CURVES = pd.read_csv(FOLDER / "curves.csv").set_index("set")
MODELS = pd.read_csv(FOLDER / "models.csv", keep_default_na=False, na_values=[""]).set_index("set")


def none(value: float) -> float | None:
    return None if pd.isna(value) else float(value)


def differ(ours: float | None, theirs: float | None, tolerance: float = 1e-7) -> bool:
    if ours is None or theirs is None:
        return not (ours is None and theirs is None)
    return not math.isclose(ours, theirs, rel_tol=tolerance, abs_tol=tolerance)


def test_all_sets_are_there() -> None:
    assert len(CURVES) == len(MODELS) == made.N_SETS >= 500


def test_curves() -> None:
    wrong = []
    for i, d in DATA.items():
        r, at = CURVES.loc[i], float(d["time"].median())
        curve = kaplan_meier(d["time"], d["event"])
        reading = survival_at(curve, at)[0]
        pairs = {"surv": reading.value}
        if 0.0 < r["surv"] < 1.0:  # otherwise there are no limits here: see the README
            pairs |= {"se": reading.std_error, "lo": reading.conf_low, "hi": reading.conf_high}
            for limits, low, high in (("plain", "plo", "phi"), ("log", "llo", "lhi")):
                other = survival_at(kaplan_meier(d["time"], d["event"], limits=limits), at)[0]
                pairs |= {low: other.conf_low, high: other.conf_high}
        median = survival_quantile(curve)
        pairs |= {
            "med": median.value,
            "q25": survival_quantile(curve, 0.25).value,
            "med_hi": median.conf_high,
        }
        if not (pd.isna(r["med_lo"]) and curve.survival[-1] == 0.0):
            pairs["med_lo"] = median.conf_low
        pairs["follow"] = None
        if not pd.isna(r["follow"]) or not d["event"].all():
            pairs["follow"] = survival_quantile(follow_up(d["time"], d["event"])).value
        wrong += [(i, name, ours, r[name]) for name, ours in pairs.items() if differ(ours, none(r[name]))]
    assert wrong == []


def late_curve(d: pd.DataFrame) -> SurvivalCurve | None:
    """Return the curve with late entry, None where it is refused because the risk set empties."""
    try:
        return kaplan_meier(d["time"], d["event"], entry=d["entry"])
    except EstimationError as refused:
        if refused.code != "empty_risk_set":
            raise
        return None


def test_late_entry_restricted_means_and_log_rank() -> None:
    wrong = []
    for i, d in DATA.items():
        r, at = CURVES.loc[i], float(d["time"].median())
        pairs: dict[str, float | None] = {}
        if i % 4 == 3:
            curve = late_curve(d)
            if curve is not None:
                pairs["late"] = survival_at(curve, at)[0].value
        mean = restricted_mean(d["time"], d["event"], tau=at)
        pairs["rmst"] = mean.value
        if mean.std_error is not None:
            pairs["rmst_se"] = mean.std_error
        if len(set(d["group"])) > 1:
            three = (d["time"], d["event"], d["group"])
            plain, strata = log_rank(*three), log_rank(*three, strata=d["stratum"])
            for name, test in {"chi": plain, "chi_strat": strata, "chi_rho": log_rank(*three, rho=1)}.items():
                # R inverts the variance as it is; where it has no full rank see the README
                if test.df == d["group"].nunique() - 1:
                    pairs[name] = test.chi_squared
        wrong += [(i, name, ours, r[name]) for name, ours in pairs.items() if differ(ours, none(r[name]))]
    assert wrong == []


def fitted(i: int) -> CoxFit:
    d, ties = DATA[i], made.TIES[i % 3]
    robust: dict[str, Any] = {} if ties == "exact" else {"clusters": d["cluster"], "covariance": "CR0"}
    weights = d["weight"] if ties != "exact" else None
    return fit_cox(
        np.column_stack([d["x"], d["group"] == 1]), d["time"], d["event"], names=["x", "g"], ties=ties, weights=weights,
        strata=d["stratum"], entry=d["entry"] if i % 4 == 3 else None, max_iter=100, **robust,
    )  # fmt: skip


def outcome(i: int) -> CoxFit | str:
    """Return the fit, or the code with which it was refused."""
    try:
        return fitted(i)
    except EstimationError as error:
        return error.code


FITS = {i: outcome(i) for i in DATA}


def test_models() -> None:
    wrong = []
    for i, fit in FITS.items():
        if isinstance(fit, str):
            continue
        d, r = DATA[i], MODELS.loc[i]
        errors = np.sqrt(np.diag(fit.model_covariance))
        pairs = {
            "b_x": fit.coefficients[0], "b_g": fit.coefficients[1], "se_x": errors[0], "se_g": errors[1],
            "ll0": fit.log_likelihood_null, "ll": fit.log_likelihood, "score": fit.score_statistic,
        }  # fmt: skip
        if fit.ties != "exact":
            robust, residuals = np.sqrt(np.diag(fit.covariance)), cox_residuals(fit)
            pairs |= {"r_x": robust[0], "r_g": robust[1], "mart": residuals.martingale[0]}
            assert np.allclose(d["weight"] @ residuals.score, 0.0, atol=1e-7)
        if not pd.isna(r["conc"]):
            score = np.column_stack([d["x"], d["group"] == 1]) @ fit.coefficients
            pairs["conc"] = concordance(d["time"], d["event"], score, strata=d["stratum"]).value
        wrong += [(i, name, ours, r[name]) for name, ours in pairs.items() if differ(ours, none(r[name]))]
    assert wrong == []
    assert sum(not isinstance(fit, str) for fit in FITS.values()) > 400


def test_proportionality() -> None:
    wrong = []
    for i, fit in FITS.items():
        if isinstance(fit, str) or fit.ties == "exact":
            continue
        r, test = MODELS.loc[i], proportionality_test(fit, transform=made.TRANSFORMS[i % 4])
        if None in test.chi_squared:  # R gives up all tests when one matrix is singular: see the README
            assert r[["z_x", "z_g", "z_all"]].isna().all()
            continue
        pairs = zip(("z_x", "z_g", "z_all"), test.chi_squared, strict=True)
        wrong += [(i, name, ours, r[name]) for name, ours in pairs if differ(ours, none(r[name]))]
    assert wrong == []


def rises_for_ever(i: int) -> bool:
    """Return whether some direction separates, from all pairs of an event and a row at risk: nothing shared."""
    d, late = DATA[i], i % 4 == 3
    x = np.column_stack([d["x"], d["group"] == 1]).astype(float)
    time, event, entry, stratum = (d[c].to_numpy() for c in ("time", "event", "entry", "stratum"))
    at_risk = (
        (time[None, :] >= time[:, None]) & (stratum[None, :] == stratum[:, None]) & (event[:, None] == 1)
    )
    if late:
        at_risk &= entry[None, :] < time[:, None]
    if i % 3 == 2:  # exact: tied events are not compared
        at_risk &= ~((time[None, :] == time[:, None]) & (event[None, :] == 1))
    a, b = np.nonzero(at_risk)
    pairs = x[a] - x[b]
    found = optimize.linprog(-pairs.sum(axis=0), A_ub=-pairs, b_ub=np.zeros(len(pairs)), bounds=[(-1, 1)] * 2)
    assert found.status == 0
    return -found.fun > 1e-7


def test_refusals() -> None:
    # what R does there instead: a coefficient it drops or that is a number of its last step
    for i, fit in FITS.items():
        r = MODELS.loc[i]
        apart = r[["b_x", "b_g"]].isna().any() or r[["b_x", "b_g"]].abs().max() > 10
        if fit == "separation":
            assert rises_for_ever(i)
            assert apart
        elif fit == "rank_deficient":
            assert apart or r["se_x"] == 0.0
        else:
            assert not isinstance(fit, str)
            assert not rises_for_ever(i)
            assert not apart
