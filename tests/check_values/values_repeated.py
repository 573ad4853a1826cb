"""Check values of repeated measures: mixed models and estimating equations."""

from __future__ import annotations

from typing import Any

import numpy as np
from case_data import load

from outcomes.stats.repeated.gee import fit_gee
from outcomes.stats.repeated.mixed import fit_mixed, mixed_contrast


def sleep(case: dict[str, Any]) -> dict[str, Any]:
    data = load("sleepstudy")
    X, y = np.column_stack([np.ones(len(data)), data["Days"]]), data["Reaction"]

    def fit(method: Any, slope: Any) -> Any:
        return fit_mixed(X, y, names=["one", "days"], subjects=data["Subject"], slope=slope, method=method)

    reml, plain = fit("REML", data["Days"]), fit("REML", None)
    ml, ml_plain = fit("ML", data["Days"]), fit("ML", None)
    sd = np.sqrt(np.diag(reml.random_covariance))
    days = np.array([0.0, 1.0])
    return {
        "b0": reml.coefficients[0], "b1": reml.coefficients[1], "se0": reml.covariance[0, 0] ** 0.5,
        "se1": reml.covariance[1, 1] ** 0.5, "df1_satt": mixed_contrast(reml, days)[0].df,
        "df1_kr": mixed_contrast(reml, days, freedom="Kenward-Roger")[0].df, "sd_int": sd[0], "sd_slope": sd[1],
        "corr": reml.random_covariance[0, 1] / sd.prod(), "sigma": reml.residual_sd, "reml_crit": reml.criterion,
        "ml_loglik": ml.log_likelihood, "ml_deviance": ml.criterion, "ri_b1": plain.coefficients[1],
        "ri_se1": plain.covariance[1, 1] ** 0.5, "ri_sd": plain.random_covariance[0, 0] ** 0.5,
        "ri_sigma": plain.residual_sd, "ri_icc": plain.correlation,
        "lrt_slope": 2 * (ml.log_likelihood - ml_plain.log_likelihood),
    }  # fmt: skip


def ohio(case: dict[str, Any]) -> dict[str, Any]:
    data = load("ohio")
    names = ["_Intercept_", "age", "smoke", "age_smoke"]
    X = np.column_stack([np.ones(len(data)), data["age"], data["smoke"], data["age"] * data["smoke"]])
    fits = {
        working: fit_gee(
            X, data["resp"], names=names, clusters=data["id"], link="logit", working=working, covariance="CR0",
            divisor="n",
        )
        for working in ("exchangeable", "independence")
    }  # fmt: skip
    fit = fits["exchangeable"]
    error, alone = (np.sqrt(np.diag(f.covariance)) for f in fits.values())
    return {
        "alpha": fit.correlation, "scale": fit.scale,
        **{f"b_{name}": b for name, b in zip(names, fit.coefficients, strict=True)},
        **{f"rse_{name}": e for name, e in zip(names, error, strict=True)},
        **{f"ind_rse_{name}": e for name, e in zip(names, alone, strict=True)},
    }  # fmt: skip


COMPUTED = {"lmm-sleepstudy": sleep, "gee-ohio": ohio}
