"""Pooling on 520 random small sets of studies against R (metafor with its searches tightened).

Script, versions and the disagreements: tests/reference/pooling_cross_checks. Tolerance for other software:
1e-7 relative.
"""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.pooling.heterogeneity import TAU_METHODS, tau_squared, weighted_fit
from outcomes.stats.pooling.meta_regression import egger, meta_regression
from outcomes.stats.pooling.peto import peto_odds_ratio
from outcomes.stats.pooling.pooled_effect import leave_one_out, pool
from outcomes.stats.pooling.rank_asymmetry import rank_asymmetry
from outcomes.stats.pooling.study_effects import effects_of_means, effects_of_tables
from outcomes.stats.pooling.trim_and_fill import trim_and_fill

FOLDER = Path(__file__).parents[2] / "reference" / "pooling_cross_checks"
SPEC = importlib.util.spec_from_file_location("pooling_data", FOLDER / "generate.py")
assert SPEC
assert SPEC.loader
DATA = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(DATA)

#: The set in which trim and fill finds no end, here as in R.
BACK_AND_FORTH = 42


def rows(name):
    """Return case and values of R, without those that R does not give."""
    for row in pd.read_csv(FOLDER / f"{name}.csv").to_dict("records"):
        yield int(row.pop("case")), {key: value for key, value in row.items() if not math.isnan(value)}


def compare(name, computed) -> int:
    """Return how many values agree; fail with those that do not."""
    agreed, wrong = 0, []
    for case, expected in rows(name):
        mine = computed(case)
        for key, value in expected.items():
            if mine[key] is not None and math.isclose(mine[key], value, rel_tol=1e-7, abs_tol=1e-9):
                agreed += 1
            else:
                wrong.append((case, key, mine[key], value))
    assert not wrong, (len(wrong), wrong[:20])
    return agreed


def rules(case):
    y, se, _ = DATA.studies(case)
    made = {}
    for rule in TAU_METHODS:  # all of pool() by each rule: values_pooling.py
        tau2 = tau_squared(y, se, method=rule)
        fit = weighted_fit(y, se**2, np.ones((y.size, 1)), tau2)
        made |= {rule: tau2, f"{rule}_mean": fit.beta[0], f"{rule}_se": math.sqrt(fit.covariance[0, 0])}
    return made


def rest(case):
    y, se, x = DATA.studies(case)
    fixed, dl = pool(y, se, model="fixed").estimate, pool(y, se, tau2="DL", interval="normal")
    knha = pool(y, se, tau2="DL", prediction="t(k-1), Hartung-Knapp")
    z = pool(y, se, tau2="DL", interval="normal", prediction="normal")
    h, e, ranks = dl.heterogeneity, egger(y, se).asymmetry, rank_asymmetry(y, se)
    line, hk = (meta_regression(y, se, x, tau2="DL", interval=i) for i in ("normal", "Hartung-Knapp"))
    made = {
        "fixed": fixed.value, "fixed_lo": fixed.conf_low, "fixed_p": fixed.p_value, "q": h.q, "q_p": h.q_p,
        "i2": h.i2_of_tau2, "h2": h.h2, "tau2_lo": h.tau2_low, "tau2_hi": h.tau2_high, "i2_lo": h.i2_low,
        "i2_hi": h.i2_high, "knha_se": knha.estimate.std_error, "knha_lo": knha.estimate.conf_low,
        "knha_p": knha.estimate.p_value, "pi_knha": knha.prediction_low, "pi_t": dl.prediction_low,
        "pi_z": z.prediction_low, "tau": ranks.tau, "tau_p": ranks.p_value, "egger_t": e.value / e.std_error,
        "egger_p": e.p_value, "slope": line.slope.value, "slope_se": line.slope.std_error,
        "slope_tau2": line.tau2, "slope_qe": line.q_residual, "slope_knha_p": hk.slope.p_value,
    }  # fmt: skip
    if case % 4 == 0:
        made["first_out"] = leave_one_out(y, se, tau2="DL").results[0].estimate.value
    if case == BACK_AND_FORTH:
        with pytest.raises(EstimationError, match="between 0 and 1 studies"):
            trim_and_fill(y, se, tau2="DL")
        return made
    t = trim_and_fill(y, se, tau2="DL")
    return made | {
        "filled": t.added, "filled_right": t.side == "right", "filled_mean": t.filled.estimate.value,
        "filled_se": t.std_error,
    }  # fmt: skip


def tables(case):
    x = DATA.tables(case)
    made = {}
    for short, measure in (("RR", "log risk ratio"), ("OR", "log odds ratio"), ("RD", "risk difference")):
        e = effects_of_tables(x, measure)
        made |= {
            f"{short}_n": e.values.size,
            f"{short}_y": e.values.sum(),
            f"{short}_v": (e.std_errors**2).sum(),
        }
    p = peto_odds_ratio(x)
    e = p.odds_ratio
    return made | {
        "peto": None if e.value is None else math.log(e.value), "peto_se": e.std_error, "peto_p": e.p_value,
        "peto_q": 0.0 if p.homogeneity.statistic is None else p.homogeneity.statistic,
    }  # fmt: skip


def means(case):
    n1, m1, s1, n2, m2, s2 = DATA.means(case).T
    g, d, pooled = (
        effects_of_means(m1, s1, n1, m2, s2, n2, measure)
        for measure in ("Hedges g", "mean difference", "mean difference, pooled SD")
    )
    return {
        "g": g.values.sum(), "g_v": (g.std_errors**2).sum(), "md": d.values.sum(),
        "md_v": (d.std_errors**2).sum(), "pooled_v": (pooled.std_errors**2).sum(),
    }  # fmt: skip


#: What is compared, and in how many values: a smaller file would test less than the validation page says.
CHECKS = {"rules": (rules, 4620), "rest": (rest, 6651), "tables": (tables, 1950), "means": (means, 750)}


@pytest.mark.parametrize("name", CHECKS)
def test_agrees_with_r(name):
    computed, values = CHECKS[name]
    assert compare(name, computed) == values
