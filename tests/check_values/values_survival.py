"""Check values of times to an event."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from case_data import load
from scipy import special

from outcomes.stats.survival.concordance import concordance
from outcomes.stats.survival.cox import CoxFit, cox_contrast, fit_cox
from outcomes.stats.survival.cox_penalised import cox_profile_interval, fit_firth_cox
from outcomes.stats.survival.cox_proportionality import proportionality_test
from outcomes.stats.survival.cox_residuals import cox_residuals
from outcomes.stats.survival.kaplan_meier import kaplan_meier, survival_at, survival_quantile
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.restricted_mean import (
    restricted_mean,
    restricted_mean_difference,
    restricted_mean_ratio,
)


def six_mp() -> pd.DataFrame:
    return load("freireich_6mp").assign(placebo=lambda d: (d["group"] == "placebo").astype(float))


def km_6mp(case: dict[str, Any]) -> dict[str, Any]:
    arm = six_mp().query("placebo == 0")
    curve = kaplan_meier(arm["time"], arm["event"])
    at = curve.n_event > 0
    median = survival_quantile(curve)
    return {
        "time": curve.time[at].tolist(), "n_risk": curve.n_risk[at].tolist(), "n_event": curve.n_event[at].tolist(),
        "surv": curve.survival[at].tolist(), "se": curve.std_error[at].tolist(), "lo": curve.conf_low[at].tolist(),
        "hi": curve.conf_high[at].tolist(), "median": median.value, "median_loglog_lo": median.conf_low,
    }  # fmt: skip


def logrank_6mp(case: dict[str, Any]) -> dict[str, Any]:
    d = six_mp()
    test = log_rank(d["time"], d["event"], d["placebo"])
    return {
        "chi2": test.chi_squared, "p": test.p_value, "obs": test.observed.tolist(), "exp": test.expected.tolist(),
        "var11": test.variance[0, 0], "chi2_rho1": log_rank(d["time"], d["event"], d["placebo"], rho=1).chi_squared,
    }  # fmt: skip


def cox_values(fit: CoxFit, X: pd.DataFrame, time: Any, event: Any, strata: Any = None) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for name, b, e in zip(
        fit.names, fit.coefficients, cox_contrast(fit, np.eye(len(fit.names)), labels=fit.names), strict=True
    ):
        values |= {
            f"b_{name}": b, f"se_{name}": e.std_error, f"p_{name}": e.p_value, f"hr_lo_{name}": e.conf_low,
            f"hr_hi_{name}": e.conf_high,
        }  # fmt: skip
    score = X.to_numpy(float) @ fit.coefficients
    return values | {
        "loglik0": fit.log_likelihood_null, "loglik": fit.log_likelihood, "lr": fit.lr_statistic,
        "wald": fit.wald_statistic, "score": fit.score_statistic,
        "concordance": concordance(time, event, score, strata=strata).value, "n": fit.n, "nevent": fit.n_events,
    }  # fmt: skip


def fitted(X: pd.DataFrame, time: Any, event: Any, strata: Any = None, ties: Any = "efron") -> dict[str, Any]:
    fit = fit_cox(X, time, event, names=list(X.columns), strata=strata, ties=ties)
    return cox_values(fit, X, time, event, strata)


def cox_6mp(ties: str) -> Any:
    def values(case: dict[str, Any]) -> dict[str, Any]:
        d = six_mp()
        return fitted(d[["placebo"]], d["time"], d["event"], ties=ties)

    return values


def rmst_6mp(case: dict[str, Any]) -> dict[str, Any]:
    d, tau = six_mp(), case["params"]["tau"]
    a, b = d.query("placebo == 0"), d.query("placebo == 1")
    four = (a["time"], a["event"], b["time"], b["event"])
    one, zero = (restricted_mean(x["time"], x["event"], tau=tau) for x in (a, b))
    difference, ratio = restricted_mean_difference(*four, tau=tau), restricted_mean_ratio(*four, tau=tau)
    return {
        "rmst1": one.value, "se1": one.std_error, "rmst0": zero.value, "se0": zero.std_error,
        "diff": difference.value, "diff_lo": difference.conf_low, "diff_hi": difference.conf_high,
        "diff_p": difference.p_value, "ratio": ratio.value, "ratio_lo": ratio.conf_low, "ratio_hi": ratio.conf_high,
    }  # fmt: skip


def cox_six_rows(case: dict[str, Any]) -> dict[str, Any]:
    given, values = case["inputs"], {}
    for ties in ("efron", "breslow"):
        fit = fit_cox(np.array(given["x"])[:, None], given["time"], given["status"], names=["x"], ties=ties)
        values |= {f"beta_{ties}": fit.coefficients[0], f"loglik_{ties}": fit.log_likelihood}
        values[f"var_{ties}"] = fit.covariance[0, 0]
        if ties == "efron":
            residuals = cox_residuals(fit)
            values["schoenfeld_efron"] = residuals.schoenfeld[:, 0].tolist()
            values["martingale_efron"] = residuals.martingale.tolist()
    return values


ROSSI = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]


def cox_rossi(case: dict[str, Any]) -> dict[str, Any]:
    d = load("rossi")
    return fitted(d[ROSSI], d["week"], d["arrest"])


def proportionality(X: pd.DataFrame, time: Any, event: Any, transform: Any) -> dict[str, Any]:
    test = proportionality_test(fit_cox(X, time, event, names=list(X.columns)), transform=transform)
    names = [*X.columns, "GLOBAL"]
    return {f"chi2_{name}": c for name, c in zip(names, test.chi_squared, strict=True)} | {
        f"p_{name}": p for name, p in zip(names, test.p_value, strict=True)
    }


def zph_rossi(transform: str) -> Any:
    def values(case: dict[str, Any]) -> dict[str, Any]:
        d = load("rossi")
        return proportionality(d[ROSSI], d["week"], d["arrest"], transform)

    return values


def cox_lung(case: dict[str, Any]) -> dict[str, Any]:
    d = load("lung").dropna(subset=["age", "sex", "ph.ecog"])
    return fitted(d[["age", "sex", "ph.ecog"]], d["time"], d["status"] == 2)


def km_lung(case: dict[str, Any]) -> dict[str, Any]:
    d = load("lung")
    curves = [kaplan_meier(x["time"], x["status"] == 2) for _, x in d.groupby("sex")]
    medians = [survival_quantile(curve) for curve in curves]
    year = [survival_at(curve, 365)[0] for curve in curves]
    return {
        "median": [e.value for e in medians], "med_lo": [e.conf_low for e in medians],
        "med_hi": [e.conf_high for e in medians], "s365": [e.value for e in year],
        "se365": [e.std_error for e in year], "lo365": [e.conf_low for e in year], "hi365": [e.conf_high for e in year],
    }  # fmt: skip


def logrank_lung(case: dict[str, Any]) -> dict[str, Any]:
    d = load("lung")
    strata = log_rank(d["time"], d["status"] == 2, d["sex"], strata=d["ph.ecog"])
    plain = log_rank(d["time"], d["status"] == 2, d["sex"])
    return {"chi2": plain.chi_squared, "chi2_strat": strata.chi_squared, "p_strat": strata.p_value}


def cox_cluster_lung(case: dict[str, Any]) -> dict[str, Any]:
    d = load("lung").dropna(subset=["age", "sex", "inst"])
    fit = fit_cox(
        d[["age", "sex"]],
        d["time"],
        d["status"] == 2,
        names=["age", "sex"],
        clusters=d["inst"],
        covariance="CR0",
    )
    errors = np.sqrt(np.diag(fit.covariance))
    return {
        "b_age": fit.coefficients[0], "robust_se_age": errors[0], "b_sex": fit.coefficients[1],
        "robust_se_sex": errors[1],
    }  # fmt: skip


def veteran() -> pd.DataFrame:
    return load("veteran")


def cox_veteran(case: dict[str, Any]) -> dict[str, Any]:
    d = veteran()
    return fitted(d[["trt", "prior", "karno"]], d["time"], d["status"])


def zph_veteran(case: dict[str, Any]) -> dict[str, Any]:
    d = veteran()
    return proportionality(d[["trt", "prior", "karno"]], d["time"], d["status"], "km")


def logrank_veteran(case: dict[str, Any]) -> dict[str, Any]:
    d = veteran()
    four = log_rank(d["time"], d["status"], d["celltype"])
    strata = log_rank(d["time"], d["status"], d["trt"], strata=d["celltype"])
    return {"chi2_strat": strata.chi_squared, "chi2_4": four.chi_squared, "p_4": four.p_value}


def cox_strat_veteran(case: dict[str, Any]) -> dict[str, Any]:
    d = veteran()
    return fitted(d[["trt", "karno"]], d["time"], d["status"], strata=d["celltype"])


def ovarian() -> tuple[pd.DataFrame, Any, Any]:
    d = load("ovarian")
    return d[["age", "rx"]], d["futime"], d["fustat"]


def cox_ovarian(case: dict[str, Any]) -> dict[str, Any]:
    return fitted(*ovarian())


def logrank_ovarian(case: dict[str, Any]) -> dict[str, Any]:
    X, time, event = ovarian()
    test = log_rank(time, event, X["rx"])
    return {"chi2": test.chi_squared, "p": special.chdtrc(1, test.chi_squared), "exp": test.expected.tolist()}


def firth_ovarian(case: dict[str, Any]) -> dict[str, Any]:
    X, time, event = ovarian()
    fit = fit_firth_cox(X, time, event, names=["age", "rx"])
    limits = cox_profile_interval(fit)
    return {
        "b_age": fit.coefficients[0], "b_rx": fit.coefficients[1], "lo_hr": [e.conf_low for e in limits],
        "hi_hr": [e.conf_high for e in limits],
    }  # fmt: skip


COMPUTED = {
    "km-6mp": km_6mp,
    "logrank-6mp": logrank_6mp,
    **{f"cox-6mp-{ties}": cox_6mp(ties) for ties in ("efron", "breslow", "exact")},
    "rmst-6mp": rmst_6mp,
    "cox-tg-test1": cox_six_rows,
    "cox-rossi": cox_rossi,
    **{f"zph-rossi-{name}": zph_rossi(name) for name in ("km", "identity", "rank", "log")},
    "cox-lung": cox_lung,
    "km-lung": km_lung,
    "logrank-lung": logrank_lung,
    "cox-cluster-lung": cox_cluster_lung,
    "cox-veteran": cox_veteran,
    "zph-veteran": zph_veteran,
    "logrank-veteran": logrank_veteran,
    "cox-strat-veteran": cox_strat_veteran,
    "cox-ovarian": cox_ovarian,
    "logrank-ovarian": logrank_ovarian,
    "coxfirth-ovarian": firth_ovarian,
}
