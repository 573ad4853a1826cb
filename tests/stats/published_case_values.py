"""How each published case is recomputed: one function a method, inputs in, named values out."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from outcomes.estimates import Estimate, Margin
from outcomes.stats.anova import FTest, one_way_anova, welch_anova
from outcomes.stats.balance import standardised_differences
from outcomes.stats.equivalence import non_inferiority, tost
from outcomes.stats.exact_tables import exact_test
from outcomes.stats.groups import mean_difference
from outcomes.stats.multiplicity import holm
from outcomes.stats.proportions import (
    chi_squared,
    clopper_pearson,
    fisher_exact,
    odds_ratio,
    risk_difference,
    risk_ratio,
    wilson,
)
from outcomes.stats.ranks import hodges_lehmann, kruskal_wallis, mann_whitney
from outcomes.stats.strata import mantel_haenszel
from outcomes.stats.summary import GroupSummary, NumberSummary

REFERENCE = Path(__file__).parents[1] / "reference"
Values = dict[str, Any]


def nist_groups(path: Path) -> list[np.ndarray]:
    """Return the groups of a NIST analysis-of-variance file, whose data start on line 61."""
    rows = np.array([line.split() for line in path.read_text().splitlines()[60:] if line.strip()], float)
    return [rows[rows[:, 0] == level, 1] for level in np.unique(rows[:, 0])]


def nist(file: str) -> Values:
    return f_test(one_way_anova(nist_groups(REFERENCE / file)))


def f_test(test: FTest) -> Values:
    return {
        "F": test.f, "df_between": test.df_between, "df_within": test.df_within, "p": test.p_value,
        "r2": test.r_squared, "residual_sd": test.residual_sd, "omega2": test.omega_squared,
    }  # fmt: skip


def two_means(a: list[float], b: list[float], pooled: bool = False) -> Values:
    d = mean_difference(a, b, pooled=pooled)
    return {
        "t": d.value / d.std_error, "df": d.df, "p": d.p_value, "diff": d.value, "ci_lo": d.conf_low,
        "ci_hi": d.conf_high,
    }  # fmt: skip


def two_ranks(a: list[float], b: list[float]) -> Values:
    shift, test = hodges_lehmann(a, b), mann_whitney(a, b)
    assert "exact" in shift.method
    # One-sided exact p: half the two-sided one, because the distribution is symmetric.
    return {
        "U": test.statistic, "p_two": test.p_value, "p_greater": test.p_value / 2, "hl": shift.value,
        "ci_lo": shift.conf_low, "ci_hi": shift.conf_high,
        "p_two_normal_cc": mann_whitney(a, b, method="normal").p_value,
    }  # fmt: skip


def kruskal(groups: list[list[float]]) -> Values:
    test = kruskal_wallis(groups)
    return {"H": test.statistic, "df": test.df, "p": test.p_value}


def share(events: int, n: int) -> Values:
    score, exact = wilson(events, n), clopper_pearson(events, n)
    return {
        "wilson_lo": score.conf_low, "wilson_hi": score.conf_high, "cp_lo": exact.conf_low,
        "cp_hi": exact.conf_high,
    }  # fmt: skip


def newcombe(events1: int, n1: int, events2: int, n2: int) -> Values:
    d = risk_difference(events1, n1, events2, n2)
    return {"diff": d.value, "lo": d.conf_low, "hi": d.conf_high}


def fisher(table: list[list[int]]) -> Values:
    (a, b), (c, d) = table
    test = fisher_exact(a, a + b, c, c + d)
    return {
        "or": test.odds_ratio.value, "lo": test.odds_ratio.conf_low, "hi": test.odds_ratio.conf_high,
        "lo_greater": fisher_exact(a, a + b, c, c + d, level=0.9).odds_ratio.conf_low, "p_two": test.p_value,
        "p_less": test.p_less, "p_greater": test.p_greater, "p_central": test.p_central,
    }  # fmt: skip


def ratios(events1: int, n1: int, events0: int, n0: int) -> Values:
    risk, odds = risk_ratio(events1, n1, events0, n0), odds_ratio(events1, n1, events0, n0)
    return {
        "rr": risk.value, "rr_lo": risk.conf_low, "rr_hi": risk.conf_high, "or": odds.value,
        "or_lo": odds.conf_low, "or_hi": odds.conf_high,
        "rd": risk_difference(events1, n1, events0, n0).value,
    }  # fmt: skip


def berkeley(tables: list[Any]) -> Values:
    m = mantel_haenszel(tables)
    return {
        "or_mh": m.odds_ratio.value, "lo": m.odds_ratio.conf_low, "hi": m.odds_ratio.conf_high,
        "se_log_rbg": m.odds_ratio.std_error, "chi2": m.test.statistic, "p": m.test.p_value,
        "chi2_cc": m.test_corrected.statistic, "p_cc": m.test_corrected.p_value,
        "bd": m.breslow_day.statistic, "bd_p": m.breslow_day.p_value, "bdt": m.tarone.statistic,
        "bdt_p": m.tarone.p_value, "rr_mh": m.risk_ratio.value, "rr_lo": m.risk_ratio.conf_low,
        "rr_hi": m.risk_ratio.conf_high, "rd_mh": m.risk_difference.value,
        "rd_se": m.risk_difference.std_error,
    }  # fmt: skip


def rothman(tables: list[Any], level: float) -> Values:
    m = mantel_haenszel(tables, level)
    values: Values = {
        "or": m.odds_ratio.value, "or_lo": m.odds_ratio.conf_low, "or_hi": m.odds_ratio.conf_high,
        "rr": m.risk_ratio.value, "rr_lo": m.risk_ratio.conf_low, "rr_hi": m.risk_ratio.conf_high,
        "MH": m.test.statistic, "MHp": m.test.p_value, "TA": m.tarone.statistic, "TAp": m.tarone.p_value,
        "bd": m.breslow_day.statistic,
    }  # fmt: skip
    for name, estimate in (("OR", m.odds_ratio), ("RR", m.risk_ratio), ("RD", m.risk_difference)):
        values |= {
            f"{key}_{name}": value for key, value in zip(
                ("beta", "se", "lo90", "hi90"), on_model_scale(estimate), strict=True
            )
        }  # fmt: skip
    return values


def on_model_scale(estimate: Estimate) -> tuple[float, float, float, float]:
    """Return value, standard error and limits, ratios on the log scale."""
    scale = math.log if estimate.unit == "ratio" else float
    return (
        scale(estimate.value), estimate.std_error, scale(estimate.conf_low), scale(estimate.conf_high)
    )  # fmt: skip


def bcg(measure: str) -> Callable[..., Values]:
    def values(tables: list[Any]) -> Values:
        est, se, lo, hi = on_model_scale(getattr(mantel_haenszel(tables), measure))
        return {"est": est, "se": se, "lo": lo, "hi": hi, "z": est / se}

    return values


def equivalent_means(a: list[float], b: list[float], margin: float, alpha: float) -> Values:
    d = mean_difference(a, b, unit="h")
    answer = tost(d, Margin(value=margin, unit="h", source="declared by the authors: the case"), alpha)
    return {
        "diff": d.value, "se": d.std_error, "df": d.df, "p_lower": answer.p_lower, "p_upper": answer.p_upper,
        "p_tost": answer.p_value, "ci90_lo": answer.conf_low, "ci90_hi": answer.conf_high,
        "equivalent": answer.shown,
    }  # fmt: skip


def not_inferior(events1: int, n1: int, events2: int, n2: int, margin: float) -> Values:
    d = risk_difference(events1, n1, events2, n2)
    limit = Margin(value=margin, unit="proportion", source="declared by the authors: the case")
    answer = non_inferiority(d, limit, better="higher")
    return {
        "diff": d.value, "newcombe_lo95": answer.conf_low, "newcombe_hi95": answer.conf_high,
        "shown": answer.shown,
    }  # fmt: skip


def independence(table: list[list[int]]) -> Values:
    test = chi_squared(table)
    return {"chi2": test.statistic, "df": test.df, "p": test.p_value, "V": test.cramers_v}


def standardised(groups: list[str], columns: dict[str, list[dict[str, float]]]) -> Values:
    """Standardised differences from printed n, mean and SD of two groups."""
    summaries = tuple(
        NumberSummary(
            name=name, n=tuple(int(g["n"]) for g in by_group), n_missing=(0, 0),
            mean=tuple(g["mean"] for g in by_group), sd=tuple(g["sd"] for g in by_group),
            minimum=(None, None), q1=(None, None), median=(None, None), q3=(None, None),
            maximum=(None, None),
        )
        for name, by_group in columns.items()
    )  # fmt: skip
    sizes = summaries[0].n
    summary = GroupSummary(
        groups=tuple(groups), sizes=sizes, n_ungrouped=0, has_overall=False, columns=summaries
    )
    return {difference.name: difference.value for difference in standardised_differences(summary)}


#: Beginning of the id -> how the case is computed; the longest beginning that fits is used.
COMPUTED_BY: dict[str, Callable[..., Values]] = {
    "nist-": nist,
    "welch-sleep": two_means,
    "pooled-sleep": two_means,
    "mw-": two_ranks,
    "kw-": kruskal,
    "anova-plant": lambda groups: f_test(one_way_anova(groups)),
    "welchanova-plant": lambda groups: f_test(welch_anova(groups)),
    "wilson-": share,
    "newcombe-": newcombe,
    "fisher-": fisher,
    "fisher-4x4": lambda table: {"p": exact_test(table).p_value},
    "katz-aspirin": ratios,
    "cmh-ucb": berkeley,
    "mh-rothman151": rothman,
    "mh-bcg-or": bcg("odds_ratio"),
    "mh-bcg-rr": bcg("risk_ratio"),
    "mh-bcg-rd": bcg("risk_difference"),
    "holm-bh1995": lambda p: {"holm": list(holm(p))},
    "tost-welch-sleep": equivalent_means,
    "noninf-prop": not_inferior,
    "chisq-party": independence,
    "smd-nhefs": standardised,
}


def computed(case: dict[str, Any]) -> Values:
    """Return what the package gives for a case."""
    fitting = [start for start in COMPUTED_BY if case["id"].startswith(start)]
    return COMPUTED_BY[max(fitting, key=len)](**case["inputs"])
