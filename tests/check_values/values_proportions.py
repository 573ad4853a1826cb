"""Check values of proportions, tables, strata, families of tests, non-inferiority."""

from __future__ import annotations

import math
from typing import Any

import case_data

from outcomes.estimates import Estimate, Margin
from outcomes.stats.pooling.strata_homogeneity import effect_homogeneity
from outcomes.stats.pooling.study_effects import TableMeasure
from outcomes.stats.proportions.exact_tables import exact_test
from outcomes.stats.proportions.number_needed import number_needed
from outcomes.stats.proportions.risks import (
    chi_squared,
    clopper_pearson,
    fisher_exact,
    odds_ratio,
    risk_difference,
    risk_ratio,
    wilson,
)
from outcomes.stats.proportions.score_intervals import score_difference
from outcomes.stats.proportions.strata import MantelHaenszel, mantel_haenszel
from outcomes.stats.testing.equivalence import non_inferiority
from outcomes.stats.testing.multiplicity import (
    benjamini_hochberg,
    benjamini_yekutieli,
    bonferroni,
    hochberg,
    holm,
    hommel,
)

Values = dict[str, Any]
BCG_SHARES: dict[str, tuple[str, TableMeasure]] = {
    "OR": ("odds_ratio", "log odds ratio"),
    "RR": ("risk_ratio", "log risk ratio"),
    "RD": ("risk_difference", "risk difference"),
}


def share(case: dict[str, Any]) -> Values:
    events, n, level = case["inputs"]["x"], case["inputs"]["n"], case["inputs"]["level"]
    score, exact = wilson(events, n, level), clopper_pearson(events, n, level)
    return {
        "p": score.value, "wilson_lo": score.conf_low, "wilson_hi": score.conf_high, "cp_lo": exact.conf_low,
        "cp_hi": exact.conf_high,
    }  # fmt: skip


def difference(case: dict[str, Any]) -> Values:
    counts = [case["inputs"][name] for name in ("x1", "n1", "x2", "n2")]
    newcombe, mee = risk_difference(*counts), score_difference(*counts, variance="plain")
    return {
        "diff": newcombe.value, "lo": newcombe.conf_low, "hi": newcombe.conf_high, "mee_lo": mee.conf_low,
        "mee_hi": mee.conf_high,
    }  # fmt: skip


def fisher(case: dict[str, Any]) -> Values:
    (a, b), (c, d) = case["inputs"]["table"]
    test = fisher_exact(a, a + b, c, c + d)
    ratio = test.odds_ratio
    # a one-sided 95 % limit is the lower one of the 90 % interval
    one_sided = fisher_exact(a, a + b, c, c + d, level=0.9).odds_ratio.conf_low
    return {
        "or": ratio.value, "lo": ratio.conf_low, "hi": ratio.conf_high, "lo_central": ratio.conf_low,
        "hi_central": ratio.conf_high, "lo_greater": one_sided, "p_two": test.p_value,
        "p_minlike": test.p_value, "p_less": test.p_less, "p_greater": test.p_greater,
        "p_central": test.p_central,
    }  # fmt: skip


def ratios(case: dict[str, Any]) -> Values:
    counts = [case["inputs"][name] for name in ("events1", "n1", "events2", "n2")]
    risk, odds, newcombe = risk_ratio(*counts), odds_ratio(*counts), risk_difference(*counts)
    a, n1, c, n0 = counts
    wald = mantel_haenszel([[[a, n1 - a], [c, n0 - c]]], difference_variance="Greenland-Robins")
    return {
        "rr": risk.value, "rr_lo": risk.conf_low, "rr_hi": risk.conf_high, "or": odds.value,
        "or_lo": odds.conf_low, "or_hi": odds.conf_high, "rd": newcombe.value,
        "rd_lo": wald.risk_difference.conf_low, "rd_hi": wald.risk_difference.conf_high,
        "nnt": number_needed(newcombe, better="lower").value,
    }  # fmt: skip


def berkeley(case: dict[str, Any]) -> Values:
    table = case_data.load(case["data"])
    strata = [
        [
            [int(part[(part["Gender"] == sex) & (part["Admit"] == admitted)]["Freq"].iloc[0])
             for admitted in ("Admitted", "Rejected")]
            for sex in ("Male", "Female")
        ]
        for _, part in table.groupby("Dept")
    ]  # fmt: skip
    m, woolf = mantel_haenszel(strata), effect_homogeneity(strata, "log odds ratio")
    return {
        "or_mh": m.odds_ratio.value, "lo": m.odds_ratio.conf_low, "hi": m.odds_ratio.conf_high,
        "se_log_rbg": m.odds_ratio.std_error, "chi2": m.test.statistic, "p": m.test.p_value,
        "chi2_cc": m.test_corrected.statistic, "p_cc": m.test_corrected.p_value,
        "bd": m.breslow_day.statistic, "bd_p": m.breslow_day.p_value, "bdt": m.tarone.statistic,
        "bdt_p": m.tarone.p_value, "woolf_Q": woolf.statistic, "woolf_p": woolf.p_value,
        "rr_mh": m.risk_ratio.value, "rr_lo": m.risk_ratio.conf_low, "rr_hi": m.risk_ratio.conf_high,
        "rd_mh": m.risk_difference.value, "rd_se": m.risk_difference.std_error,
    }  # fmt: skip


def rothman(case: dict[str, Any]) -> Values:
    given = case["inputs"]
    strata = [[[a, b], [c, d]] for a, b, c, d in zip(*(given[name] for name in "abcd"), strict=True)]
    m = mantel_haenszel(strata, 0.9)
    values: Values = {
        "or": m.odds_ratio.value, "or_lo": m.odds_ratio.conf_low, "or_hi": m.odds_ratio.conf_high,
        "rr": m.risk_ratio.value, "rr_lo": m.risk_ratio.conf_low, "rr_hi": m.risk_ratio.conf_high,
        "MH": m.test.statistic, "MHp": m.test.p_value, "TA": m.tarone.statistic, "TAp": m.tarone.p_value,
        "bd": m.breslow_day.statistic,
    }  # fmt: skip
    for name in BCG_SHARES:
        pooled = about_pooled(strata, m, name)
        values |= {
            f"{ours}_{name}": pooled[theirs]
            for ours, theirs in (("beta", "est"), ("se", "se"), ("lo90", "lo"), ("hi90", "hi"), ("Q", "Q"))
        }
    return values


def bcg(case: dict[str, Any]) -> Values:
    trials = case_data.load(case["data"])
    strata = trials[["tpos", "tneg", "cpos", "cneg"]].to_numpy().reshape(-1, 2, 2)
    return about_pooled(strata, mantel_haenszel(strata), case["id"].removeprefix("mh-bcg-"))


def about_pooled(strata: Any, pooled: MantelHaenszel, name: str) -> Values:
    """Value, error and limits (ratios as logs), z, and the squared distances of the strata."""
    attribute, measure = BCG_SHARES[name]
    estimate: Estimate = getattr(pooled, attribute)
    scale = math.log if estimate.unit == "ratio" else float
    value = scale(estimate.value)
    return {
        "est": value, "se": estimate.std_error, "lo": scale(estimate.conf_low),
        "hi": scale(estimate.conf_high), "z": value / estimate.std_error,
        "Q": effect_homogeneity(strata, measure, about="Mantel-Haenszel").statistic,
    }  # fmt: skip


def family(case: dict[str, Any]) -> Values:
    p = case["inputs"]["p"]
    methods = {
        "bonferroni": bonferroni, "holm": holm, "hochberg": hochberg, "hommel": hommel,
        "BH": benjamini_hochberg, "BY": benjamini_yekutieli,
    }  # fmt: skip
    values = {name: list(method(p)) for name, method in methods.items()}
    return values | {
        "reject_bh_05": sum(q <= 0.05 for q in values["BH"]),
        "reject_bonferroni_05": sum(q <= 0.05 for q in values["bonferroni"]),
    }


def not_inferior(case: dict[str, Any]) -> Values:
    given = case["inputs"]
    x1, n1, x2, n2 = (given[name] for name in ("x1", "n1", "x2", "n2"))
    margin = Margin(value=-given["margin"], unit="proportion", source="declared by the authors: the case")
    newcombe = non_inferiority(risk_difference(x1, n1, x2, n2), margin, better="higher")
    single = mantel_haenszel([[[x1, n1 - x1], [x2, n2 - x2]]], difference_variance="Greenland-Robins")
    wald = single.risk_difference
    by_wald = non_inferiority(wald, margin, better="higher")
    return {
        "diff": wald.value, "se_wald": wald.std_error, "z": (wald.value + margin.value) / wald.std_error,
        "p": by_wald.p_value, "wald_lo95": by_wald.conf_low, "newcombe_lo95": newcombe.conf_low,
        "newcombe_hi95": newcombe.conf_high,
    }  # fmt: skip


def independence(case: dict[str, Any]) -> Values:
    test = chi_squared(case["inputs"]["table"])
    return {"chi2": test.statistic, "df": test.df, "p": test.p_value, "V": test.cramers_v}


COMPUTED = {
    **dict.fromkeys(("wilson-81-263", "wilson-15-148", "wilson-0-20", "wilson-1-29"), share),
    **dict.fromkeys(
        (
            "newcombe-56_70-48_80", "newcombe-9_10-3_10", "newcombe-6_7-2_7", "newcombe-5_56-0_29",
            "newcombe-0_10-0_20", "newcombe-0_10-0_10", "newcombe-10_10-0_20", "newcombe-10_10-0_10",
        ),
        difference,
    ),
    **dict.fromkeys(("fisher-tea", "fisher-twins", "fisher-central-zero"), fisher),
    "fisher-4x4": lambda case: {"p": exact_test(case["inputs"]["table"]).p_value},
    "katz-aspirin": ratios,
    "cmh-ucb": berkeley,
    "mh-rothman151": rothman,
    **dict.fromkeys(("mh-bcg-OR", "mh-bcg-RR", "mh-bcg-RD"), bcg),
    "padj-bh1995": family,
    "noninf-prop": not_inferior,
    "chisq-party": independence,
}  # fmt: skip
