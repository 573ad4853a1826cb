"""Check values of two and several groups: means, ranks, covariates, permutations, trends, pairs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from case_data import load, nist_groups

from outcomes.estimates import Margin
from outcomes.stats.groups.ancova import ancova
from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.effect_size import hedges_g, partial_eta_squared
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.multiple_comparisons import tukey_kramer
from outcomes.stats.groups.nested import nested_test
from outcomes.stats.groups.permutation import permutation_test
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis, mann_whitney
from outcomes.stats.groups.trend import cochran_armitage
from outcomes.stats.groups.two_way import two_way_anova
from outcomes.stats.proportions.mcnemar import mcnemar
from outcomes.stats.testing.equivalence import tost

Case = dict[str, Any]
Values = dict[str, Any]


def by(table: pd.DataFrame, group: str, value: str) -> list[np.ndarray]:
    return [part[value].dropna().to_numpy() for _, part in table.groupby(group, sort=True)]


def nist(case: Case) -> Values:
    test = one_way_anova(nist_groups(case["data"]))
    return {
        "df_between": test.df_between, "df_within": test.df_within, "ss_between": test.ss_between,
        "ss_within": test.ss_within, "ms_between": test.ss_between / test.df_between,
        "ms_within": test.ss_within / test.df_within, "F": test.f, "r2": test.r_squared,
        "residual_sd": test.residual_sd,
    }  # fmt: skip


def sleep_difference(pooled: bool) -> Values:
    first, second = by(load("sleep"), "group", "extra")
    d = mean_difference(first, second, pooled=pooled)
    return {
        "t": d.value / d.std_error, "df": d.df, "p": d.p_value, "diff": d.value, "ci_lo": d.conf_low,
        "ci_hi": d.conf_high, "mean1": first.mean(), "mean2": second.mean(),
    }  # fmt: skip


def two_ranks(case: Case) -> Values:
    x, y = case["inputs"]["x"], case["inputs"]["y"]
    test, shift = mann_whitney(x, y), hodges_lehmann(x, y)
    assert test.method.endswith("exact")
    # the exact distribution is symmetric: one side is half of both, on the side where U lies
    assert test.statistic > len(x) * len(y) / 2
    return {
        "U": test.statistic, "p_two": test.p_value, "p_greater": test.p_value / 2, "hl": shift.value,
        "ci_lo": shift.conf_low, "ci_hi": shift.conf_high,
        "p_two_normal_cc": mann_whitney(x, y, method="normal").p_value,
    }  # fmt: skip


def ranks_of_several(groups: list[Any]) -> Values:
    test = kruskal_wallis(groups)
    return {"H": test.statistic, "df": test.df, "p": test.p_value}


def plant() -> list[np.ndarray]:
    return by(load("plantgrowth"), "group", "weight")


def anova_plant(_: Case) -> Values:
    test = one_way_anova(plant())
    return {
        "F": test.f, "df1": test.df_between, "df2": test.df_within, "p": test.p_value, "eta2": test.r_squared,
        "omega2": test.omega_squared,
    }  # fmt: skip


def welch_plant(_: Case) -> Values:
    test = welch_anova(plant())
    return {"F": test.f, "df1": test.df_between, "df2": test.df_within, "p": test.p_value}


def tukey_plant(_: Case) -> Values:
    control, first, second = plant()
    family = tukey_kramer([second, first, control], labels=["trt2", "trt1", "ctrl"])
    pairs = {e.contrast: e for e in family.estimates}
    a, b, c = pairs["trt1 minus ctrl"], pairs["trt2 minus ctrl"], pairs["trt2 minus trt1"]
    return {
        "d_trt1_ctrl": a.value, "lo1": a.conf_low, "hi1": a.conf_high, "p1": a.p_value, "d_trt2_ctrl": b.value,
        "p2": b.p_value, "d_trt2_trt1": c.value, "p3": c.p_value,
    }  # fmt: skip


def hedges_sleep(_: Case) -> Values:
    groups = by(load("sleep"), "group", "extra")
    g, d = hedges_g(*groups), hedges_g(*groups, corrected=False)
    return {
        "g": g.value, "ci_lo": g.conf_low, "ci_hi": g.conf_high, "d": d.value, "d_lo": d.conf_low,
        "d_hi": d.conf_high,
    }  # fmt: skip


def ancova_anorexia(_: Case) -> Values:
    table = load("anorexia")
    result = ancova(table["Postwt"], table["Treat"].astype(str), {"Prewt": table["Prewt"]}, reference="Cont")
    means = {e.contrast: e for e in result.adjusted_means}
    cbt, ft = (e for e in result.differences)
    assert (cbt.contrast, ft.contrast) == ("CBT minus Cont", "FT minus Cont")
    return {
        "b_prewt": result.slopes[0].value, "b_CBT": cbt.value, "se_CBT": cbt.std_error,
        "lo_CBT": cbt.conf_low, "hi_CBT": cbt.conf_high, "p_CBT": cbt.p_value, "b_FT": ft.value,
        "se_FT": ft.std_error, "p_FT": ft.p_value, "F_treat": result.group_test.f,
        "p_treat": result.group_test.p_value, "adjmean_Cont": means["Cont"].value,
        "adjmean_CBT": means["CBT"].value, "adjmean_FT": means["FT"].value,
        "adjmean_se_FT": means["FT"].std_error,
        "partial_eta2_prewt": result.covariate_tests[0].partial_eta_squared.value,
        "partial_eta2_treat": result.group_test.partial_eta_squared.value, "r2": result.fit.r2,
    }  # fmt: skip


def nested_anorexia(_: Case) -> Values:
    table = load("anorexia")
    weight = table["Prewt"].to_numpy()
    treated = np.column_stack([(table["Treat"] == name).to_numpy(float) for name in ("CBT", "FT")])
    small = np.column_stack([np.ones(len(table)), weight])
    large = np.column_stack([small, treated])
    names = ["intercept", "weight", "CBT", "FT"]
    test = nested_test(small, large, table["Postwt"], names_small=names[:2], names_large=names)
    slopes = nested_test(
        large, np.column_stack([large, treated * weight[:, None]]), table["Postwt"], names_small=names,
        names_large=[*names, "weight in CBT", "weight in FT"],
    )  # fmt: skip
    return {
        "F": test.f, "df1": test.df_between, "df2": test.df_within, "p": test.p_value,
        "LR": test.likelihood_ratio, "p_LR": test.likelihood_ratio_p, "F_interaction": slopes.f,
        "p_interaction": slopes.p_value, "AIC_full": test.aic, "BIC_full": test.bic,
    }  # fmt: skip


def inter_tooth(_: Case) -> Values:
    table = load("toothgrowth")
    result = two_way_anova(table["len"], table["supp"], table["dose"], names=("supp", "dose"))
    supp, dose, both = result.first, result.second, result.interaction
    # the limits printed there turn a noncentrality L into L / (L + residual df)
    share = partial_eta_squared(both.f, both.df_between, both.df_within, over="residual")
    return {
        "F_supp": supp.f, "F_dose": dose.f, "F_int": both.f, "p_int": both.p_value,
        "SS_res": result.ss_residual, "pe2_supp": supp.partial_eta_squared.value,
        "pe2_dose": dose.partial_eta_squared.value, "pe2_int": both.partial_eta_squared.value,
        "pe2_int_lo95": share.conf_low, "pe2_int_hi95": share.conf_high,
    }  # fmt: skip


def permutation_mouse(case: Case) -> Values:
    test = permutation_test(case["inputs"]["treatment"], case["inputs"]["control"])
    assert test.exact
    return {
        "diff": test.statistic, "n_perm": test.n_arrangements, "p_greater": test.p_greater,
        "p_two": test.p_value,
    }  # fmt: skip


def trend_smokers(case: Case) -> Values:
    given = case["inputs"]
    test = cochran_armitage(given["x"], given["n"], scores=given["scores"])
    return {"chi2": test.z**2, "p": test.p_value}


def mcnemar_agresti(case: Case) -> Values:
    test = mcnemar(case["inputs"]["table"])
    return {
        "chi2_cc": test.chi_squared_corrected, "p_cc": test.p_corrected, "chi2": test.chi_squared,
        "exact_p": test.p_exact,
    }  # fmt: skip


def equivalence_sleep(case: Case) -> Values:
    d = mean_difference(*by(load("sleep"), "group", "extra"), unit="h")
    low, high, alpha = (case["params"][name] for name in ("low", "high", "alpha"))
    assert low == -high
    answer = tost(d, Margin(value=high, unit="h", source="declared by the authors: the case"), alpha)
    return {
        "diff": d.value, "se": d.std_error, "df": d.df, "t_lower": (d.value - low) / d.std_error,
        "p_lower": answer.p_lower, "t_upper": (d.value - high) / d.std_error, "p_upper": answer.p_upper,
        "p_tost": answer.p_value, "ci90_lo": answer.conf_low, "ci90_hi": answer.conf_high,
        "equivalent": answer.shown,
    }  # fmt: skip


COMPUTED = {
    **dict.fromkeys(("nist-SiRstv", "nist-AtmWtAg", "nist-SmLs01", "nist-SmLs04", "nist-SmLs07"), nist),
    "welch-sleep": lambda _: sleep_difference(pooled=False),
    "pooled-sleep": lambda _: sleep_difference(pooled=True),
    "mw-hw69": two_ranks,
    "kw-hw116": lambda case: ranks_of_several(case["inputs"]["groups"]),
    "kw-airquality": lambda _: ranks_of_several(by(load("airquality_ozone"), "Month", "Ozone")),
    "anova-plant": anova_plant,
    "welchanova-plant": welch_plant,
    "tukey-plant": tukey_plant,
    "hedges-sleep": hedges_sleep,
    "ancova-anorexia": ancova_anorexia,
    "nested-anorexia": nested_anorexia,
    "inter-tooth": inter_tooth,
    "perm-mouse": permutation_mouse,
    "trend-smokers": trend_smokers,
    "mcnemar-agresti": mcnemar_agresti,
    "tost-welch-sleep": equivalence_sleep,
}
