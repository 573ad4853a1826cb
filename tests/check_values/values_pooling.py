"""Check values of pooling, printed numbers and E-values."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from case_data import load

from outcomes.stats.causal.evalue import bias_factor, e_value
from outcomes.stats.pooling.heterogeneity import TAU_METHODS, judge_heterogeneity
from outcomes.stats.pooling.meta_regression import egger, meta_regression
from outcomes.stats.pooling.peto import peto_odds_ratio
from outcomes.stats.pooling.pooled_effect import leave_one_out, pool
from outcomes.stats.pooling.rank_asymmetry import rank_asymmetry
from outcomes.stats.pooling.study_effects import StudyEffects, effects_of_means, effects_of_tables
from outcomes.stats.pooling.trim_and_fill import trim_and_fill
from outcomes.stats.printed.group_numbers import combine_groups, mean_sd_from_quantiles
from outcomes.stats.printed.summary_numbers import (
    correlation_from_change,
    sd_from_difference_interval,
    sd_from_interval,
    sd_from_p,
    sd_from_se,
    sd_of_change,
)


def two_by_two(d: pd.DataFrame) -> np.ndarray:
    """Return the tables of studies given by events and sizes."""
    return np.stack([np.stack([d[e], d[n] - d[e]], 1) for e, n in (("ai", "n1i"), ("ci", "n2i"))], axis=1)


def bcg_tables() -> np.ndarray:
    return load("bcg")[["tpos", "tneg", "cpos", "cneg"]].to_numpy().reshape(-1, 2, 2)


def bcg() -> StudyEffects:
    return effects_of_tables(bcg_tables(), "log risk ratio")


def means(measure: str) -> StudyEffects:
    d = load("normand1999")
    return effects_of_means(d["m1i"], d["sd1i"], d["n1i"], d["m2i"], d["sd2i"], d["n2i"], measure)


def one_rule(data: StudyEffects, rule: str) -> dict[str, Any]:
    """Return what pooling by one rule for tau squared gives, with every interval."""
    plain, tkm2, wide = (
        pool(data.values, data.std_errors, tau2=rule, interval=interval, prediction=prediction)
        for interval, prediction in (
            ("normal", "normal"), ("normal", "t(k-2)"), ("Hartung-Knapp", "t(k-1), Hartung-Knapp"),
        )
    )  # fmt: skip
    e, h, w = plain.estimate, plain.heterogeneity, wide.estimate
    return {
        "est": e.value, "se": e.std_error, "lo": e.conf_low, "hi": e.conf_high, "z": e.value / e.std_error,
        "p": e.p_value, "tau2": h.tau2, "I2": h.i2_of_tau2, "H2": h.h2, "pi_lo_z": plain.prediction_low,
        "pi_hi_z": plain.prediction_high, "hksj_se": w.std_error, "hksj_lo": w.conf_low, "hksj_hi": w.conf_high,
        "hksj_p": w.p_value, "pi_lo_hksj_tkm1": wide.prediction_low, "pi_hi_hksj_tkm1": wide.prediction_high,
        "pi_lo_tkm2": tkm2.prediction_low, "pi_hi_tkm2": tkm2.prediction_high,
    }  # fmt: skip


def pooled(data: StudyEffects) -> dict[str, Any]:
    fixed = pool(data.values, data.std_errors, model="fixed").estimate
    h = judge_heterogeneity(data.values, data.std_errors)
    made = {rule: one_rule(data, rule) for rule in TAU_METHODS}
    return made | {
        "yi": data.values.tolist(), "vi": (data.std_errors**2).tolist(),
        "EE": {
            "est": fixed.value, "se": fixed.std_error, "lo": fixed.conf_low, "hi": fixed.conf_high,
            "z": fixed.value / fixed.std_error, "p": fixed.p_value,
        },
        "Q": h.q, "Qp": h.q_p, "I2_Q": h.i2, "QP_tau2_lo": h.tau2_low, "QP_tau2_hi": h.tau2_high,
        "QP_I2_lo": h.i2_low, "QP_I2_hi": h.i2_high,
    }  # fmt: skip


def peto_bcg(case: dict[str, Any]) -> dict[str, Any]:
    found = peto_odds_ratio(bcg_tables())
    e = found.odds_ratio
    log = math.log(e.value)
    return {
        "est": log, "se": e.std_error, "lo": math.log(e.conf_low), "hi": math.log(e.conf_high),
        "z": log / e.std_error, "Q": found.homogeneity.statistic,
    }  # fmt: skip


def peto_yusuf(case: dict[str, Any]) -> dict[str, Any]:
    tables = two_by_two(load(case["data"]).dropna(subset=["ai"]))
    e = peto_odds_ratio(tables).odds_ratio
    return {"or": e.value, "lo": e.conf_low, "hi": e.conf_high}


def asymmetry(case: dict[str, Any]) -> dict[str, Any]:
    data = bcg()
    found, ranks = egger(data.values, data.std_errors), rank_asymmetry(data.values, data.std_errors)
    a = found.asymmetry
    return {
        "t": a.value / a.std_error, "df": a.df, "p": a.p_value, "intercept": a.value, "se_intercept": a.std_error,
        "slope": found.limit_effect.value, "begg_tau": ranks.tau, "begg_p": ranks.p_value,
    }  # fmt: skip


def latitude(case: dict[str, Any]) -> dict[str, Any]:
    data, x = bcg(), load("bcg")["ablat"]
    reml, dl = (
        meta_regression(data.values, data.std_errors, x, tau2=r, interval="normal") for r in ("REML", "DL")
    )
    return {
        "b0": reml.intercept.value, "b1": reml.slope.value, "se1": reml.slope.std_error, "p1": reml.slope.p_value,
        "tau2": reml.tau2, "QM": (reml.slope.value / reml.slope.std_error) ** 2, "QE": reml.q_residual,
        "R2": reml.r2, "DL_b1": dl.slope.value, "DL_se1": dl.slope.std_error, "DL_tau2": dl.tau2,
    }  # fmt: skip


def filled(case: dict[str, Any]) -> dict[str, Any]:
    data = bcg()
    found = trim_and_fill(data.values, data.std_errors, tau2="DL")
    return {"k0": found.added, "side": found.side, "est": found.filled.estimate.value}


def without_each(case: dict[str, Any]) -> dict[str, Any]:
    data = bcg()
    results = leave_one_out(data.values, data.std_errors, tau2="DL").results
    return {"est": [r.estimate.value for r in results], "tau2": [r.heterogeneity.tau2 for r in results]}


def lidocaine(case: dict[str, Any]) -> dict[str, Any]:
    tables = two_by_two(load(case["data"]).dropna(subset=["ai"]))
    data = effects_of_tables(tables, "risk difference")
    e = pool(100 * data.values, 100 * data.std_errors, model="fixed").estimate
    return {
        "yi": (100 * data.values).tolist(), "vi": (1e4 * data.std_errors**2).tolist(), "est": e.value,
        "lo": e.conf_low, "hi": e.conf_high,
    }  # fmt: skip


def hedges_each(case: dict[str, Any]) -> dict[str, Any]:
    data = means("Hedges g")
    return {"g": data.values.tolist(), "v": (data.std_errors**2).tolist()}


def hedges(case: dict[str, Any]) -> dict[str, Any]:
    i = case["inputs"]
    groups = [[i[name]] for name in ("m1", "sd1", "n1", "m2", "sd2", "n2")]
    d, exact, approximate = (
        effects_of_means(*groups, measure) for measure in ("Cohen d", "Hedges g", "Hedges g, approximate J")
    )
    value, g, rough = (float(found.values[0]) for found in (d, exact, approximate))
    return {
        "sd_pooled": (i["m1"] - i["m2"]) / value, "d": value, "var_d": float(d.std_errors[0]) ** 2,
        "J_exact": g / value, "J_approx": rough / value, "g_exact": g, "g_approx": rough,
        "var_g_approx": float(approximate.std_errors[0]) ** 2, "metafor_yi": g,
        "metafor_vi_LS": float(exact.std_errors[0]) ** 2,
    }  # fmt: skip


def quantiles(case: dict[str, Any]) -> dict[str, Any]:
    i = case["inputs"]
    ends, quartiles = {"minimum": i["min"], "maximum": i["max"]}, {"q1": i["q1"], "q3": i["q3"]}
    made = {}
    for name, given in (("S1", ends), ("S2", ends | quartiles), ("S3", quartiles)):
        new = mean_sd_from_quantiles(i["n"], i["median"], **given)
        old = mean_sd_from_quantiles(i["n"], i["median"], **given, mean_method="Wan", sd_method="Wan")
        made |= {
            f"luo_mean_{name}": new.mean, f"sd_{name}": new.sd, f"wan_mean_{name}": old.mean, f"wan_sd_{name}": old.sd,
        }  # fmt: skip
    return made


def cochrane_sd(case: dict[str, Any]) -> dict[str, Any]:
    i = case["inputs"]
    sd = sd_from_p(i["md"], i["p"], i["n_e"], i["n_c"]).value
    error = sd * math.sqrt(1 / i["n_e"] + 1 / i["n_c"])  # the step between: difference / t
    mean, large, small = i["se_mean"], i["ci_large"], i["ci_small"]
    quantile = sd_from_difference_interval(-1, 1, i["n_e"], i["n_c"]).value
    return {
        "t_from_p": i["md"] / error, "se_from_t": error, "sd": sd,
        # an interval of width 2 is 2 t SE wide; t out of the SD that it gives
        "tcrit_95_df45": 1 / quantile / math.sqrt(1 / i["n_e"] + 1 / i["n_c"]),
        "sd_from_se_mean": sd_from_se(mean["se"], mean["n"]).value,
        "sd_from_ci_z": sd_from_interval(large["lo"], large["hi"], large["n"], reference="normal").value,
        "sd_from_ci_t": sd_from_interval(small["lo"], small["hi"], small["n"]).value,
    }  # fmt: skip


def cochrane_change(case: dict[str, Any]) -> dict[str, Any]:
    i = case["inputs"]
    change = sd_of_change(i["sd_base"], i["sd_final"], i["r"]).value
    return {"sd_change": change, "corr": correlation_from_change(i["sd_base"], i["sd_final"], change).value}


def combined(case: dict[str, Any]) -> dict[str, Any]:
    made = {}
    for k, name in ((3, "three"), (2, "two")):
        group = combine_groups(*(case["inputs"][name][key] for key in ("n", "mean", "sd")))
        made |= {f"n{k}": group.n, f"mean{k}": group.mean, f"sd{k}": group.sd}
    return made


def e_values(case: dict[str, Any]) -> dict[str, Any]:
    large, small = (e_value(i["rr"], i["lo"], i["hi"]) for i in case["inputs"])
    return {"E_3.9": large.value, "E_ci_1.8": large.limit, "E_0.80": small.value, "E_ci_0.91": small.limit}


def e_value_conversions(case: dict[str, Any]) -> dict[str, Any]:
    i = case["inputs"]
    hazard = e_value(i["hr"], measure="hazard ratio", rare=False)
    d = e_value(i["d"], measure="standardised difference", std_error=i["se"])
    return {
        "E_or2.5": e_value(i["or"], measure="odds ratio", rare=False).value, "rr_hr2.1": hazard.bias,
        "E_hr2.1": hazard.value, "rr_d0.5": d.bias, "E_d0.5": d.value, "E_d0.5_se0.1_lo": d.limit,
        "bias_factor_2_3": bias_factor(2, 3),
    }  # fmt: skip


COMPUTED = {
    "meta-bcg-rr": lambda case: pooled(bcg()),
    "meta-normand-md": lambda case: pooled(means("mean difference, pooled SD")),
    "peto-bcg": peto_bcg,
    "peto-yusuf6": peto_yusuf,
    "egger-bcg": asymmetry,
    "metareg-bcg": latitude,
    "trimfill-bcg": filled,
    "l1o-bcg": without_each,
    "meta-hine": lidocaine,
    "smd-normand": hedges_each,
    "hedges-borenstein": hedges,
    "wan-luo": quantiles,
    "cochrane-sd": cochrane_sd,
    "cochrane-change": cochrane_change,
    "combine-groups": combined,
    "evalue-vw2017": e_values,
    "evalue-conv": e_value_conversions,
}
