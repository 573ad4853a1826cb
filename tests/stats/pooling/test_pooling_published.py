"""Pooling of published studies where the table of check values disagrees: who meets the defining equation.

The agreements themselves are in tests/check_values (values_pooling.py).
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.stats.groups.means import mean_difference_from_summary
from outcomes.stats.pooling.heterogeneity import tau_squared, tau_squared_interval, weighted_fit
from outcomes.stats.pooling.meta_regression import meta_regression
from outcomes.stats.pooling.peto import peto_odds_ratio
from outcomes.stats.pooling.pooled_effect import pool
from outcomes.stats.pooling.study_effects import effects_of_means, effects_of_tables
from outcomes.stats.proportions.risks import risk_ratio

FOLDER = Path(__file__).parents[2] / "check_values"
CASES = {
    case["id"]: case for case in json.loads((FOLDER / "cases.json").read_text(encoding="utf-8"))["cases"]
}
TRIALS = pd.read_csv(FOLDER / "data" / "bcg.csv")
BCG_TABLES = TRIALS[["tpos", "tneg", "cpos", "cneg"]].to_numpy().reshape(-1, 2, 2)
BCG = effects_of_tables(BCG_TABLES, "log risk ratio")
EXPECTED = CASES["meta-bcg-rr"]["expected"]


def close(value, expected, relative=1e-9):
    return bool(np.allclose(value, expected, rtol=relative, atol=0))


def test_effects_agree_with_the_comparison_of_one_study():
    one = risk_ratio(4, 123, 11, 139)
    assert close(BCG.values[0], math.log(one.value), 1e-12)
    assert close(BCG.std_errors[0], one.std_error, 1e-12)
    d = mean_difference_from_summary(55, 47, 155, 75, 64, 156, pooled=True)
    same = effects_of_means([55], [47], [155], [75], [64], [156], "mean difference, pooled SD")
    assert close(same.std_errors[0], d.std_error, 1e-12)


def generalised_q(tau2):
    w = 1 / (BCG.std_errors**2 + tau2)
    return float(w @ (BCG.values - w @ BCG.values / w.sum()) ** 2)


def test_roots_meet_their_equations_where_the_reference_stopped_early():
    """Q at the limits is the chi-squared quantile, at Paule-Mandel's estimate k - 1; so is Q at R's value of EB."""
    low, high = tau_squared_interval(BCG.values, BCG.std_errors)
    rule = tau_squared(BCG.values, BCG.std_errors, method="PM")
    pairs = (
        (low, EXPECTED["QP_tau2_lo"], stats.chi2.isf(0.025, 12)),
        (high, EXPECTED["QP_tau2_hi"], stats.chi2.isf(0.975, 12)),
        (rule, EXPECTED["PM"]["tau2"], 12.0),
    )
    for mine, theirs, goal in pairs:
        assert close(generalised_q(mine), goal)
        assert not close(generalised_q(theirs), goal, 1e-6)
    assert close(rule, EXPECTED["EB"]["tau2"], 5e-8)


@pytest.mark.parametrize("rule", ["DL", "REML", "ML", "SJ", "HS", "EB"])
def test_rules_agree_far_beyond_the_tolerance_of_the_table(rule):
    p = pool(BCG.values, BCG.std_errors, tau2=rule)
    mine = (p.heterogeneity.tau2, p.estimate.value, p.estimate.std_error, p.estimate.p_value)
    assert close(mine, [EXPECTED[rule][key] for key in ("tau2", "est", "hksj_se", "hksj_p")], 1e-6)


def test_meta_regression_has_the_higher_restricted_likelihood():
    """The reference's iteration stops at 1e-5; at its tau squared our line is the same to all digits."""
    expected = CASES["metareg-bcg"]["expected"]
    latitude = TRIALS["ablat"]
    X = np.column_stack([np.ones(13), latitude])
    line = weighted_fit(BCG.values, BCG.std_errors**2, X, expected["tau2"])
    z = line.beta[1] / math.sqrt(line.covariance[1, 1])
    theirs = (line.beta[0], line.beta[1], z**2, 2 * stats.norm.sf(abs(z)))
    assert close(theirs, [expected[key] for key in ("b0", "b1", "QM", "p1")], 1e-8)

    def height(tau2):
        fit = weighted_fit(BCG.values, BCG.std_errors**2, X, tau2)
        return np.log(fit.weights).sum() + np.linalg.slogdet(fit.covariance)[1] - fit.q

    found = meta_regression(BCG.values, BCG.std_errors, latitude, interval="normal")
    assert height(found.tau2) > height(expected["tau2"])


def test_peto_counts_studies_without_events():
    d = pd.read_csv(FOLDER / "data" / "yusuf1985_table6.csv").dropna(subset=["ai"])
    tables = np.stack([np.stack([d[e], d[n] - d[e]], 1) for e, n in (("ai", "n1i"), ("ci", "n2i"))], axis=1)
    assert peto_odds_ratio(tables).n_uninformative == 3
    found = peto_odds_ratio(BCG_TABLES)
    assert found.homogeneity.df == 12
    assert close(found.homogeneity.p_value, stats.chi2.sf(CASES["peto-bcg"]["expected"]["Q"], 12))
