"""900 random small data sets against R and scipy: two and several groups, old and new functions.

Reference: tests/reference/group_cross_checks (values, scripts, versions). Tolerance for other software: 1e-7 relative.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from group_data_sets import SIZES, data_sets

from outcomes.estimates import Estimate
from outcomes.stats.groups.ancova import ancova
from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.effect_size import hedges_g, partial_eta_squared
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.multiple_comparisons import games_howell, tukey_kramer
from outcomes.stats.groups.paired import paired_mean_difference, signed_rank
from outcomes.stats.groups.permutation import permutation_test
from outcomes.stats.groups.rank_trend import jonckheere_terpstra
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis, mann_whitney
from outcomes.stats.groups.stratified_ranks import van_elteren
from outcomes.stats.groups.trend import cochran_armitage, linear_trend
from outcomes.stats.groups.two_way import two_way_anova
from outcomes.stats.proportions.mcnemar import mcnemar

FOLDER = Path(__file__).parents[2] / "reference" / "group_cross_checks"
DATA = data_sets()
Values = dict[str, float | None]

#: Numbers pinned for each kind: a smaller file would test less than its page says.
PINNED = {
    "groups": 12556, "two factors": 1450, "covariates": 3019, "strata": 920, "pairs": 1718, "shares": 322,
}  # fmt: skip


def reference(kind: str) -> list[dict[str, float]]:
    table = json.loads((FOLDER / f"{kind.replace(' ', '_')}.json").read_text())
    rows = [dict(zip(table["names"], row, strict=True)) for row in table["rows"]]
    return [{name: value for name, value in row.items() if value is not None} for row in rows]


def limits(name: str, e: Estimate) -> Values:
    return {name: e.value, f"{name}_se": e.std_error, f"{name}_p": e.p_value, f"{name}_low": e.conf_low,
            f"{name}_high": e.conf_high}  # fmt: skip


def pairwise(letter: str, family: Any, k: int) -> Values:
    ids = [f"{letter}{i}{j}" for i in range(1, k + 1) for j in range(i + 1, k + 1)]
    found: Values = {f"{name}_p": e.p_value for name, e in zip(ids, family.estimates, strict=True)}
    first = family.estimates[0]
    half = None if first.conf_high is None else first.conf_high - first.value
    return found | {f"{letter}12_half": half}


def groups(s: dict[str, Any], wanted: dict[str, float]) -> Values:
    given = s["groups"]
    a, b = given[0], given[1]
    classic, welch, ranks = one_way_anova(given), welch_anova(given), kruskal_wallis(given)
    trend = jonckheere_terpstra(given, method="normal")
    slope, welch_slope = linear_trend(given, pooled=True), linear_trend(given)
    d, pooled, shift = mean_difference(a, b), mean_difference(a, b, pooled=True), hodges_lehmann(a, b)
    cohen, hedges = hedges_g(a, b, corrected=False), hedges_g(a, b)
    family = tukey_kramer(given)
    values: Values = {
        "f": classic.f, "f_p": classic.p_value, "eta": classic.r_squared, "welch_f": welch.f,
        "welch_df": welch.df_within, "welch_p": welch.p_value, "h": ranks.statistic, "h_p": ranks.p_value,
        "jt_z": trend.z, "jt_p": trend.p_value, "wslope_df": welch_slope.df, "wslope_p": welch_slope.p_value,
        **limits("slope", slope), **limits("d", d), "d_df": d.df, "p_se": pooled.std_error, "p_p": pooled.p_value,
        "p_low": pooled.conf_low, "p_high": pooled.conf_high, "cohen": cohen.value, "cohen_low": cohen.conf_low,
        "cohen_high": cohen.conf_high, "hedges": hedges.value, "u": mann_whitney(a, b).statistic,
        "u_normal": mann_whitney(a, b, method="normal").p_value, "u_exact": shift.p_value, "hl": shift.value,
        "hl_low": shift.conf_low, "hl_high": shift.conf_high, **pairwise("t", family, len(given)),
        **pairwise("g", games_howell(given), len(given)),
        "tukey_d21": None if family.estimates[0].value is None else -family.estimates[0].value,
    }  # fmt: skip
    if "eta_low" in wanted:
        share = partial_eta_squared(classic.f, classic.df_between, classic.df_within)
        values |= {"eta_low": share.conf_low, "eta_high": share.conf_high}
    if "perm" in wanted:
        test = permutation_test(a, b)
        assert test.exact
        values |= {"perm": test.p_value, "perm_up": test.p_greater, "perm_coin": test.p_value}
        values["perm_median"] = permutation_test(a, b, statistic="difference of medians").p_value
    return values


def two_factors(s: dict[str, Any], wanted: dict[str, float]) -> Values:
    first, second, third = (two_way_anova(s["y"], s["a"], s["b"], kind=kind) for kind in ("I", "II", "III"))
    values: Values = {"ss": second.ss_residual}
    for name, test in (
        ("a1", first.first), ("b1", first.second), ("a2", second.first), ("car_a2", second.first),
        ("car_b2", second.second), ("ab", second.interaction), ("a3", third.first), ("b3", third.second),
    ):  # fmt: skip
        values |= {f"{name}_f": test.f, f"{name}_p": test.p_value}
    return values | {"b3_eta_high": third.second.partial_eta_squared.conf_high}


def covariates(s: dict[str, Any], wanted: dict[str, float]) -> Values:
    if not wanted:  # R finds a coefficient that is not determined
        return {}
    result = ancova(s["y"], s["g"], {"x": s["x"], "z": s["z"]})
    values: Values = {
        **limits("d", result.differences[0]), "slope": result.slopes[0].value,
        "slope_p": result.slopes[0].p_value, "f": result.group_test.f, "f_p": result.group_test.p_value,
        "lr": result.group_test.likelihood_ratio, "lr_p": result.group_test.likelihood_ratio_p,
        "aic": result.group_test.aic, "bic": result.group_test.bic, "aic_small": result.group_test.aic_small,
        "r2": result.fit.r2, "eta": result.group_test.partial_eta_squared.value,
        "slopes_f": result.common_slope.f, "slopes_p": result.common_slope.p_value,
    }  # fmt: skip
    for i, mean in enumerate(result.adjusted_means, 1):
        values |= {f"m{i}": mean.value, f"m_se{i}": mean.std_error, f"m_low{i}": mean.conf_low}
    return values


def strata(s: dict[str, Any], wanted: dict[str, float]) -> Values:
    y, first, stratum = (np.array(s[name]) for name in ("y", "first", "stratum"))
    mine = first == 1
    a, b, labels = y[mine], y[~mine], (stratum[mine], stratum[~mine])
    by_size, equal = van_elteren(a, b, labels), van_elteren(a, b, labels, weights="equal")
    test = permutation_test(a, b, strata=labels)
    if not wanted:
        assert by_size.p_value is equal.p_value is test.p_value is None
        return {}
    return {
        "score_z2": by_size.statistic**2, "score_p": by_size.p_value, "ranks_z2": equal.statistic**2,
        "ranks_p": equal.p_value, "perm": test.p_value, "perm_less": test.p_less,
        "arrangements": test.n_arrangements,
        "direction": float(np.sign(np.round(by_size.statistic, 9))),
    }  # fmt: skip


def pairs(s: dict[str, Any], wanted: dict[str, float]) -> Values:
    # differences of rounded values tie only once the rounding error of subtraction is gone
    d = np.round(np.array(s["a"]) - np.array(s["b"]), 8)
    zero = np.zeros(d.size)
    mean, ranks = paired_mean_difference(s["a"], s["b"]), signed_rank(d, zero)
    (a, b), (c, e) = np.reshape(s["table"], (2, 2))
    test = mcnemar([[a, b], [c, e]])
    return {
        **limits("d", mean), "w_normal": signed_rank(d, zero, method="normal").p_value, "w_median": ranks.value,
        "w_exact": ranks.p_value, "w_low": ranks.conf_low, "w_high": ranks.conf_high, "mc": test.chi_squared,
        "mc_p": test.p_chi_squared, "mc_corrected_p": test.p_corrected, "mc_exact": test.p_exact,
        "mc_mid": test.p_mid, "mc_low": test.odds_ratio.conf_low, "mc_high": test.odds_ratio.conf_high,
    }  # fmt: skip


def shares(s: dict[str, Any], wanted: dict[str, float]) -> Values:
    test = cochran_armitage(s["events"], s["n"], scores=s["scores"])
    if not wanted:
        assert test.p_value is None
        return {}
    exact = cochran_armitage(s["events"], s["n"], scores=s["scores"], method="exact")
    return {"chi2": test.z**2, "p": test.p_value, "exact": exact.p_value}


COMPUTED: dict[str, Callable[[dict[str, Any], dict[str, float]], Values]] = {
    "groups": groups, "two factors": two_factors, "covariates": covariates, "strata": strata, "pairs": pairs,
    "shares": shares,
}  # fmt: skip


def differing(kind: str) -> Iterator[str]:
    for i, (data, wanted) in enumerate(zip(DATA[kind], reference(kind), strict=True)):
        values = COMPUTED[kind](data, wanted)
        for name, theirs in wanted.items():
            ours = values[name]
            if ours is None or not math.isclose(ours, theirs, rel_tol=1e-7, abs_tol=1e-9):
                yield f"{kind} {i} {name}: {ours} here, {theirs} there"


@pytest.mark.parametrize("kind", COMPUTED)
def test_equal_to_the_reference(kind: str) -> None:
    assert list(differing(kind)) == []


def test_nothing_was_lost_from_the_reference() -> None:
    assert sum(SIZES.values()) == 900
    assert {kind: sum(map(len, reference(kind))) for kind in COMPUTED} == PINNED
