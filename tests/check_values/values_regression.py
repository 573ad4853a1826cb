"""Check values of regression: certified fits, likelihood-ratio tests, Firth, shares, robust covariances."""

from __future__ import annotations

from typing import Any

import numpy as np
from case_data import REFERENCE, load

from outcomes.stats.regression.clusters import robust_covariance
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.firth import fit_firth
from outcomes.stats.regression.firth_profile import profile_interval
from outcomes.stats.regression.interactions import product_columns
from outcomes.stats.regression.likelihood import likelihood_interval, likelihood_ratio_test
from outcomes.stats.regression.linear import LinearFit, fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.shares import explained_shares
from outcomes.stats.regression.wald import wald_test


def errors(fit: Any) -> list[float]:
    return np.sqrt(np.diag(fit.covariance)).tolist()


def overall_f(fit: LinearFit) -> float:
    """Return the F of all columns but the intercept."""
    found = wald_test(fit, np.eye(len(fit.names))[1:]).f
    assert found is not None
    return found


def norris(case: dict[str, Any]) -> dict[str, Any]:
    lines = (REFERENCE / "nist" / "Norris.dat").read_text().splitlines()[60:]
    y, x = np.array([line.split() for line in lines if line.strip()], float).T
    fit = fit_linear(np.column_stack([np.ones(len(x)), x]), y, names=["b0", "b1"], covariance="classical")
    return {
        "b0": fit.coefficients[0], "b1": fit.coefficients[1], "se0": errors(fit)[0], "se1": errors(fit)[1],
        "residual_sd": fit.residual_sd, "r2": fit.r2, "F": overall_f(fit), "df_resid": fit.df_residual,
    }  # fmt: skip


def longley(case: dict[str, Any]) -> dict[str, Any]:
    data = load("longley_nist_units")
    X = np.column_stack([np.ones(len(data)), data.drop(columns="y")])
    fit = fit_linear(X, data["y"], names=["one", *data.columns[1:]], covariance="classical")
    return {
        "coef": fit.coefficients.tolist(), "se": errors(fit), "sigma": fit.residual_sd, "r2": fit.r2,
        "F": overall_f(fit),
    }  # fmt: skip


def birth_weight(case: dict[str, Any]) -> dict[str, Any]:
    data = load("birthwt")
    names = ["intercept", "age", "lwt", "race2", "race3", "smoke"]
    X = np.column_stack(
        [np.ones(len(data)), data["age"], data["lwt"], data["race"] == 2, data["race"] == 3, data["smoke"]]
    ).astype(float)
    y = data["low"].to_numpy(float)
    fit = fit_logistic(X, y, names=names, covariance="classical")
    smoke = linear_contrast(fit, np.eye(6)[5])[0]
    profile = likelihood_interval(X, y, names=names, column="smoke")
    test = likelihood_ratio_test(X, y, names=names, drop=["smoke"])
    product, label = product_columns(X, names=names, first=["smoke"], second=["age"])
    crossed = likelihood_ratio_test(np.hstack([X, product]), y, names=[*names, *label], drop=label)
    return {
        **{f"b_{name}": b for name, b in zip(names, fit.coefficients, strict=True)},
        "se_smoke": smoke.std_error, "p_wald_smoke": smoke.p_value, "prof_lo_smoke": profile.conf_low,
        "prof_hi_smoke": profile.conf_high, "deviance": -2 * fit.log_likelihood, "LR_smoke": test.statistic,
        "p_LR": test.p_value, "LR_smoke_age": crossed.statistic, "p_LR_inter": crossed.p_value,
    }  # fmt: skip


def penalised(data: str, outcome: str, columns: list[str]) -> dict[str, Any]:
    table = load(data)
    names = ["Intercept", *columns]
    X = np.column_stack([np.ones(len(table)), table[columns]])
    fit = fit_firth(X, table[outcome], names=names, intercept_correction=False, covariance="classical")
    values: dict[str, Any] = {"loglik_pen": fit.penalised_log_likelihood}
    for name, e, error in zip(names, profile_interval(fit), errors(fit), strict=True):
        values |= {
            f"b_{name}": e.value, f"se_{name}": error, f"lo_{name}": e.conf_low, f"hi_{name}": e.conf_high,
            f"p_{name}": e.p_value,
        }  # fmt: skip
    return values


def shares(data: str, outcome: str, columns: list[str]) -> dict[str, Any]:
    table = load(data)
    found = explained_shares(table[columns], table[outcome], names=columns, groups=columns)
    return {
        **{f"lmg_{name}": share for name, share in zip(columns, found.share, strict=True)},
        **{f"last_{name}": share for name, share in zip(columns, found.last, strict=True)}, "r2": found.r2,
    }  # fmt: skip


def petersen(case: dict[str, Any]) -> dict[str, Any]:
    data = load("petersen")
    X = np.column_stack([np.ones(len(data)), data["x"]])
    names = ["one", "x"]

    def fit(covariance: Any, by: Any = None) -> LinearFit:
        return fit_linear(X, data["y"], names=names, clusters=by, covariance=covariance)

    plain = fit("classical")
    cr2 = fit("CR2", data["firm"])
    both = data["firm"].astype(str) + "/" + data["year"].astype(str)
    # Cameron, Gelbach and Miller (2011) J Bus Econ Stat 29:238: firm plus year less both
    joint = sum(
        sign * robust_covariance(X, plain.residuals, names=names, clusters=by, covariance="CR1")
        for sign, by in ((1, data["firm"]), (1, data["year"]), (-1, both))
    )
    return {
        "b": plain.coefficients.tolist(), "ols": errors(plain),
        **{kind: errors(fit(kind)) for kind in ("HC0", "HC1", "HC2", "HC3")},
        "CR0": errors(fit("CR0", data["firm"])), "CR1_stata": errors(fit("CR1", data["firm"])),
        "CR2": errors(cr2), "CR2_df": [e.df for e in linear_contrast(cr2, np.eye(2))],
        "year_CR1": errors(fit("CR1", data["year"])), "twoway": np.sqrt(np.diag(joint)).tolist(),
    }  # fmt: skip


COMPUTED = {
    "nist-Norris": norris,
    "longley": longley,
    "logit-birthwt": birth_weight,
    "firth-sex2": lambda case: penalised("sex2", "case", ["age", "oc", "vic", "vicl", "vis", "dia"]),
    "firth-endometrial": lambda case: penalised("endometrial", "HG", ["NV", "PI", "EH"]),
    "lmg-swiss": lambda case: shares(
        "swiss", "Fertility", ["Agriculture", "Examination", "Education", "Catholic", "Infant.Mortality"]
    ),
    "lmg-birthwt": lambda case: shares("birthwt", "bwt", ["age", "lwt", "smoke", "ht", "ui"]),
    "cluster-petersen": petersen,
}
