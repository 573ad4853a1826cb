"""Several hundred random small data sets against base R (an independent implementation).

Reference: tests/reference/group_comparisons, made by reference.R there with R 4.2.2. Tolerance for other
software: 1e-7 relative.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates import Estimate
from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis, mann_whitney
from outcomes.stats.groups.summary import NumberSummary, summarise_groups
from outcomes.stats.proportions.exact_tables import exact_test
from outcomes.stats.proportions.risks import (
    chi_squared,
    clopper_pearson,
    fisher_exact,
    odds_ratio,
    risk_difference,
    wilson,
)
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.testing.multiplicity import holm

FOLDER = Path(__file__).parents[2] / "reference" / "group_comparisons"
SAMPLES = pd.read_csv(FOLDER / "samples.csv")
TABLES = pd.read_csv(FOLDER / "tables.csv")
RESULTS = pd.read_csv(FOLDER / "results.csv")

#: Values that R gave for each kind of data set: a smaller file would test less than this page says.
VALUES = {"two samples": 990, "several samples": 280, "two proportions": 1530, "strata": 414, "r x c": 111}

Values = dict[str, float | None]


def limits(name: str, estimate: Estimate) -> Values:
    return {name: estimate.value, f"{name}.low": estimate.conf_low, f"{name}.high": estimate.conf_high}


def samples(kind: str, case: int) -> list[np.ndarray]:
    mine = SAMPLES[(SAMPLES["set"] == kind) & (SAMPLES["case"] == case)]
    return [group["value"].to_numpy() for _, group in mine.groupby("group")]


def tables(kind: str, case: int) -> np.ndarray:
    mine = TABLES[(TABLES["set"] == kind) & (TABLES["case"] == case)]
    shape = tuple(mine[axis].max() for axis in ("stratum", "row", "column"))
    return mine.sort_values(["stratum", "row", "column"])["count"].to_numpy().reshape(shape)


def two_samples(case: int) -> Values:
    a, b = samples("two samples", case)
    welch, pooled = mean_difference(a, b), mean_difference(a, b, pooled=True)
    column = summarise_groups({"a": a}, np.zeros(len(a)), overall=False).columns[0]
    assert isinstance(column, NumberSummary)
    exact = case % 2 == 1  # the other sets were rounded and hold ties
    shift = hodges_lehmann(a, b)
    assert shift.method.endswith("exact") == exact
    return {
        **limits("welch", welch), **limits("pooled", pooled), **(limits("shift", shift) if exact else {}),
        "welch_se": welch.std_error, "welch_df": welch.df, "welch_p": welch.p_value,
        "pooled_p": pooled.p_value, "mean": column.mean[0], "sd": column.sd[0], "q.1": column.q1[0],
        "q.2": column.median[0], "q.3": column.q3[0], "u": mann_whitney(a, b).statistic,
        "exact_p": shift.p_value, "normal_p": mann_whitney(a, b, method="normal").p_value,
    }  # fmt: skip


def several_samples(case: int) -> Values:
    groups = samples("several samples", case)
    classic, welch, ranks = one_way_anova(groups), welch_anova(groups), kruskal_wallis(groups)
    return {
        "f": classic.f, "p": classic.p_value, "h": ranks.statistic, "h_p": ranks.p_value, "welch_f": welch.f,
        "welch_df": welch.df_within, "welch_p": welch.p_value,
    }  # fmt: skip


def two_proportions(case: int) -> Values:
    counts = tables("two proportions", case)[0]
    (e1, n1), (e0, n0) = ((row[0], row.sum()) for row in counts)
    test = fisher_exact(e1, n1, e0, n0)
    return {
        **limits("wilson", wilson(e1, n1)), **limits("exact", clopper_pearson(e1, n1)),
        **limits("newcombe", risk_difference(e1, n1, e0, n0)),
        **limits("or", odds_ratio(e1, n1, e0, n0, method="conditional exact")), "fisher_two": test.p_value,
        "fisher_less": test.p_less, "fisher_greater": test.p_greater, "chi2": chi_squared(counts).statistic,
    }  # fmt: skip


def strata(case: int) -> Values:
    pooled = mantel_haenszel(tables("strata", case))
    return {
        **limits("or", pooled.odds_ratio), "plain": pooled.test.statistic, "plain_p": pooled.test.p_value,
        "corrected": pooled.test_corrected.statistic, "corrected_p": pooled.test_corrected.p_value,
    }  # fmt: skip


def r_by_c(case: int) -> Values:
    counts = tables("r x c", case)[0]
    test = chi_squared(counts)
    return {"chi2": test.statistic, "p": test.p_value, "exact": exact_test(counts).p_value}


COMPUTED: dict[str, Callable[[int], Values]] = {
    "two samples": two_samples,
    "several samples": several_samples,
    "two proportions": two_proportions,
    "strata": strata,
    "r x c": r_by_c,
}


def differing(kind: str) -> Iterator[str]:
    for case, expected in RESULTS[RESULTS["set"] == kind].groupby("case"):
        values = COMPUTED[kind](int(case))
        if values.get("corrected") == 0:
            # The counts differ by under half a case from those expected. R then leaves the correction out,
            # so that a smaller difference can get a smaller p; here nothing is left of it.
            assert values["corrected_p"] == 1
            values |= {"corrected": values["plain"], "corrected_p": values["plain_p"]}
        for name, theirs in zip(expected["name"], expected["value"], strict=True):
            ours = values[name]
            if ours is None or not math.isclose(ours, theirs, rel_tol=1e-7, abs_tol=1e-12):
                yield f"{kind} {case} {name}: {ours} here, {theirs} in R"


@pytest.mark.parametrize("kind", COMPUTED)
def test_equal_to_r(kind: str):
    assert list(differing(kind)) == []


def test_nothing_was_lost_from_the_reference():
    assert dict(Counter(RESULTS["set"][RESULTS["set"] != "family"])) == VALUES


def test_holm_equal_to_r():
    families = RESULTS[RESULTS["set"] == "family"]
    assert families["case"].nunique() == 20
    for case, expected in families.groupby("case"):
        ours = holm(samples("family", int(case))[0].tolist())
        theirs = [None if np.isnan(p) else p for p in expected["value"]]
        assert [p is None for p in ours] == [p is None for p in theirs]
        assert all(p is None or math.isclose(p, q, rel_tol=1e-7) for p, q in zip(ours, theirs, strict=True))
