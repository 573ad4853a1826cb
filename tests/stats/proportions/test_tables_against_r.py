"""600 random tables, sets of strata and families of p against R: old and new statistics of proportions.

Values of R and how they were made: tests/reference/table_cross_checks. Tolerance for other software 1e-7.
"""

from __future__ import annotations

import importlib.util
import math
from collections import Counter
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from outcomes.estimates import Estimate
from outcomes.stats.pooling.strata_homogeneity import effect_homogeneity
from outcomes.stats.proportions.contingency import chi_squared, fisher_exact
from outcomes.stats.proportions.mid_p import mid_p_odds_ratio, mid_p_share
from outcomes.stats.proportions.risks import (
    clopper_pearson,
    odds_ratio,
    risk_difference,
    risk_ratio,
    wilson,
)
from outcomes.stats.proportions.score_intervals import (
    score_difference,
    score_odds_ratio,
    score_risk_ratio,
    score_test,
)
from outcomes.stats.proportions.score_statistics import score_limits
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.proportions.stratified_differences import stratified_newcombe, stratified_score_difference
from outcomes.stats.testing.multiplicity import (
    benjamini_hochberg,
    benjamini_yekutieli,
    bonferroni,
    hochberg,
    holm,
    hommel,
)

FOLDER = Path(__file__).parents[2] / "reference" / "table_cross_checks"
Values = dict[str, float | None]


@cache
def inputs():
    spec = importlib.util.spec_from_file_location("table_inputs", FOLDER / "table_inputs.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def limits(name: str, estimate: Estimate) -> Values:
    return {f"{name}.low": estimate.conf_low, f"{name}.high": estimate.conf_high}


def log_scale(name: str, estimate: Estimate) -> Values:
    def log(value: float | None) -> float | None:
        return None if value is None else math.log(value)

    return {
        name: log(estimate.value), f"{name}_se": estimate.std_error, f"{name}.low": log(estimate.conf_low),
        f"{name}.high": log(estimate.conf_high),
    }  # fmt: skip


def two_by_two(counts: list[int]) -> Values:
    e1, n1, e0, n0 = counts
    test, exact = fisher_exact(*counts), odds_ratio(*counts, method="conditional exact")
    mid = mid_p_odds_ratio(*counts)
    return {
        **limits("wilson", wilson(e0, n0)), **limits("exact", clopper_pearson(e0, n0)),
        **limits("midshare", mid_p_share(e0, n0)), **limits("newcombe", risk_difference(*counts)),
        "fm": score_test(*counts, -0.1, variance="plain").p_greater,
        "chi2": chi_squared([[e1, n1 - e1], [e0, n0 - e0]]).statistic, "fisher_two": test.p_value,
        "fisher_less": test.p_less, "fisher_greater": test.p_greater, "or": exact.value, **limits("or", exact),
        **limits("mid", mid), "mid_p": mid.p_value, **log_scale("katz", risk_ratio(*counts)),
        **log_scale("woolf", odds_ratio(*counts, method="woolf")),
    }  # fmt: skip


#: Column -> measure, whether the variance has the factor N/(N-1), public function, variance asked of it.
SCORES = {
    "mn": ("risk difference", score_difference, "N/(N-1)"), "mee": ("risk difference", score_difference, "plain"),
    "mnrr": ("risk ratio", score_risk_ratio, "N/(N-1)"), "koopman": ("risk ratio", score_risk_ratio, "plain"),
    "mnor": ("odds ratio", score_odds_ratio, "N/(N-1)"), "scor": ("odds ratio", score_odds_ratio, "plain"),
}  # fmt: skip


def scores(tables: np.ndarray) -> list[Values]:
    """Score limits of all tables at once; of every tenth table one by one, which is slower."""
    made: list[Values] = [{} for _ in tables]
    x1, n1, x0, n0 = tables.T.astype(float)
    for name, (measure, function, variance) in SCORES.items():
        usable = (n1 > 0) & (n0 > 0)
        if measure != "risk difference":
            usable &= x1 + x0 > 0
        if measure == "odds ratio":
            usable &= x1 + x0 < n1 + n0
        n = (n1 + n0)[usable]
        factor = n / (n - 1) if variance != "plain" else np.ones_like(n)
        found = score_limits(measure, *(part[usable] for part in (x1, n1, x0, n0)), norm.ppf(0.975), factor)
        for i, low, high in zip(np.flatnonzero(usable), *found, strict=True):
            made[i] |= {f"{name}.low": float(low), f"{name}.high": float(high) if np.isfinite(high) else None}
            if i % 10 == 0:
                for key, value in limits(name, function(*tables[i].tolist(), variance=variance)).items():
                    assert value == (None if value is None else pytest.approx(made[i][key], rel=1e-12))
                    assert (value is None) == (made[i][key] is None)
        for i in np.flatnonzero(~usable):
            made[i] |= limits(name, function(*tables[i].tolist(), variance=variance))
    return made


def pooled(tables: np.ndarray) -> Values:
    m = mantel_haenszel(tables)
    green = mantel_haenszel(tables, difference_variance="Greenland-Robins").risk_difference
    newcombe, score = stratified_newcombe(tables), stratified_score_difference(tables)
    q = {
        f"{name}_q": effect_homogeneity(tables, measure, about="Mantel-Haenszel").statistic
        for name, measure in (("or", "log odds ratio"), ("rr", "log risk ratio"), ("rd", "risk difference"))
    }
    return {
        **log_scale("or", m.odds_ratio), **log_scale("rr", m.risk_ratio), "rd": m.risk_difference.value,
        "rd_se": m.risk_difference.std_error, **limits("rd", m.risk_difference), **q,
        "tarone": m.tarone.statistic, "mh": m.test.statistic, "cmh": m.test.statistic,
        "cmh_p": m.test.p_value, "green_se": green.std_error, "ys": newcombe.value,
        **limits("ys", newcombe), **limits("smn", score),
    }  # fmt: skip


def without_spread(name: str, row: dict[str, float]) -> bool:
    """Whether R prints an error of 0 (or what rounding leaves of it): here that is no interval, no p."""
    error = {"green_se": "green_se"}.get(name, f"{name.partition('_')[0].partition('.')[0]}_se")
    return error in row and abs(row[error]) < 1e-7


def differing(kind: str, made: list[Values]) -> tuple[list[str], Counter]:
    theirs, wrong, compared = pd.read_csv(FOLDER / f"{kind}.csv"), [], Counter()
    assert len(theirs) == len(made)
    for i, (ours, row) in enumerate(zip(made, theirs.to_dict("records"), strict=True)):
        assert set(row) == set(ours)
        for name, value in row.items():
            if math.isnan(value):
                continue
            compared[name] += 1
            mine = ours[name]
            if mine is None and without_spread(name, row):
                continue
            if name in ("rd.low", "rd.high"):
                value = min(max(value, -1.0), 1.0)  # no difference of proportions is larger
            if mine is None or not math.isclose(mine, value, rel_tol=1e-7, abs_tol=1e-9):
                wrong.append(f"{kind} {i} {name}: {mine} here, {value} in R")
    return wrong, compared


def test_two_by_two_tables_equal_r():
    tables = inputs().two_by_two()
    made = [two_by_two(table) | score for table, score in zip(tables.tolist(), scores(tables), strict=True)]
    wrong, compared = differing("two_by_two", made)
    assert wrong == []
    assert (sum(compared.values()), min(compared.values())) == (9016, 61)


def test_strata_equal_r():
    wrong, compared = differing("strata", [pooled(tables) for tables in inputs().strata()])
    assert wrong == []
    assert (sum(compared.values()), min(compared.values())) == (4539, 55)


def test_families_equal_r():
    methods = {
        "bonferroni": bonferroni, "holm": holm, "hochberg": hochberg, "hommel": hommel,
        "BH": benjamini_hochberg, "BY": benjamini_yekutieli,
    }  # fmt: skip
    theirs, at = pd.read_csv(FOLDER / "families.csv", skip_blank_lines=False), 0
    for family in inputs().families():
        part = theirs.iloc[at : at + len(family)]
        at += len(family)
        for name, method in methods.items():
            for mine, value in zip(method(family), part[name], strict=True):
                assert (mine is None) == math.isnan(value)
                assert mine is None or mine == pytest.approx(value, rel=1e-9)
    assert at == len(theirs)
