"""Check values of pooling over imputations."""

from __future__ import annotations

import math
from typing import Any

import case_data
import numpy as np

from outcomes.stats.missing.rubin import PooledEstimate, pool_estimates, pool_scalar
from outcomes.stats.regression.linear import fit_linear, linear_contrast


def parts(pooled: PooledEstimate) -> dict[str, Any]:
    return {
        "qbar": pooled.estimate.value, "ubar": pooled.within, "b": pooled.between, "t": pooled.total,
        "df": pooled.estimate.df, "riv": pooled.relative_increase, "fmi": pooled.missing_information,
        "lambda": pooled.share_between, "est": pooled.estimate.value, "se": pooled.estimate.std_error,
        "p": pooled.estimate.p_value,
    }  # fmt: skip


def scalar(case: dict[str, Any]) -> dict[str, Any]:
    given = case["inputs"]
    errors = np.sqrt(given["U"])
    return {
        "small": parts(pool_scalar(given["Q"], errors, df_complete=given["n"] - given["k"])),
        "large": parts(pool_scalar(given["Q"], errors, df_complete=math.inf)),
    }


def regression(case: dict[str, Any]) -> dict[str, Any]:
    table = case_data.load("nhanes_imputed_5")
    names = ["intercept", "age", "bmi"]
    fits = []
    for _, one in table.groupby(".imp" if ".imp" in table else table.columns[0]):
        X = np.column_stack([np.ones(len(one)), one["age"], one["bmi"]])
        fit = fit_linear(X, one["chl"], names=names, covariance="classical")
        fits.append(linear_contrast(fit, np.eye(3), labels=names))
    return {name: parts(pool_estimates([fit[j] for fit in fits])) for j, name in enumerate(names)}


COMPUTED = {"rubin-scalar": scalar, "rubin-nhanes": regression}
