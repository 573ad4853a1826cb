"""Pooling against the published analyses and an independent implementation, number by number."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from pooling_studies import BCG_LATITUDE, BCG_TABLES, HINE_TABLES, NORMAND, YUSUF_TABLES
from scipy import stats

from outcomes.stats.groups import mean_difference_from_summary
from outcomes.stats.heterogeneity import judge_heterogeneity, tau_squared, tau_squared_interval, weighted_fit
from outcomes.stats.meta_regression import egger, meta_regression
from outcomes.stats.peto import peto_odds_ratio
from outcomes.stats.pooling import leave_one_out, pool
from outcomes.stats.proportions import risk_ratio
from outcomes.stats.strata import mantel_haenszel
from outcomes.stats.study_effects import effects_of_means, effects_of_tables

FILE = Path(__file__).parents[1] / "reference" / "pooled_studies" / "values.json"
R = json.loads(FILE.read_text(encoding="utf-8"))["values"]
BCG = effects_of_tables(BCG_TABLES, "log risk ratio")
STROKE = effects_of_means(
    *np.array([NORMAND[:, i] for i in (1, 2, 0, 4, 5, 3)]), "mean difference, pooled SD"
)
SETS = {"bcg": BCG, "normand": STROKE}


def close(value, expected, relative=1e-9):
    return bool(np.allclose(value, expected, rtol=relative, atol=0))


@pytest.mark.parametrize("name", SETS)
def test_effects_of_the_studies(name):
    assert close(SETS[name].values, R[name]["yi"])
    assert close(SETS[name].std_errors ** 2, R[name]["vi"])


def test_effects_agree_with_the_comparison_of_one_study():
    one = risk_ratio(4, 123, 11, 139)
    assert close(BCG.values[0], math.log(one.value), 1e-12)
    assert close(BCG.std_errors[0], one.std_error, 1e-12)
    n1, m1, s1, n0, m0, s0 = (float(value) for value in NORMAND[0])
    d = mean_difference_from_summary(m1, s1, n1, m0, s0, n0, pooled=True)
    assert close(STROKE.std_errors[0], d.std_error, 1e-12)


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("rule", ["DL", "PM", "REML"])
def test_random_effects(name, rule):
    """metafor 5.1-12; DL and REML of Normand's Table IX and DL of the BCG trials seen in its test files."""
    data = SETS[name]
    expected = R[name]["EB" if rule == "PM" else rule]  # see the note on PM in the folder of the values
    plain = pool(data.values, data.std_errors, tau2=rule, interval="normal")
    wide = pool(data.values, data.std_errors, tau2=rule, prediction="t(k-1), Hartung-Knapp")
    mine = {
        "est": plain.estimate.value, "se": plain.estimate.std_error, "lo": plain.estimate.conf_low,
        "hi": plain.estimate.conf_high, "p": plain.estimate.p_value, "tau2": plain.heterogeneity.tau2,
        "pi_lo_tkm2": plain.prediction_low, "pi_hi_tkm2": plain.prediction_high,
        "hksj_se": wide.estimate.std_error, "hksj_lo": wide.estimate.conf_low,
        "hksj_hi": wide.estimate.conf_high, "hksj_p": wide.estimate.p_value,
        "pi_lo_hksj_tkm1": wide.prediction_low, "pi_hi_hksj_tkm1": wide.prediction_high,
    }  # fmt: skip
    wrong = {
        key: (value, expected[key]) for key, value in mine.items() if not close(value, expected[key], 5e-8)
    }
    assert not wrong


@pytest.mark.parametrize("name", SETS)
def test_fixed_effect_and_heterogeneity(name):
    data, expected = SETS[name], R[name]
    fixed = pool(data.values, data.std_errors, model="fixed").estimate
    for key, value in (
        ("est", fixed.value),
        ("se", fixed.std_error),
        ("lo", fixed.conf_low),
        ("p", fixed.p_value),
    ):
        assert close(value, expected["EE"][key])
    found = judge_heterogeneity(data.values, data.std_errors)
    assert close([found.q, found.q_p, found.i2], [expected["Q"], expected["Qp"], expected["I2_Q"]])
    limits = [found.tau2_low, found.tau2_high, found.i2_low, found.i2_high]
    given = [expected[key] for key in ("QP_tau2_lo", "QP_tau2_hi", "QP_I2_lo", "QP_I2_hi")]
    assert close(limits, given, 1e-9 if name == "normand" else 2e-4)


def generalised_q(data, tau2):
    w = 1 / (data.std_errors**2 + tau2)
    return float(w @ (data.values - w @ data.values / w.sum()) ** 2)


def test_roots_meet_their_equations_where_the_reference_stopped_early():
    """Q at the limits is the chi-squared quantile, at Paule-Mandel's estimate k - 1."""
    low, high = tau_squared_interval(BCG.values, BCG.std_errors)
    rule = tau_squared(BCG.values, BCG.std_errors, method="PM")
    pairs = (
        (low, R["bcg"]["QP_tau2_lo"], stats.chi2.isf(0.025, 12)),
        (high, R["bcg"]["QP_tau2_hi"], stats.chi2.isf(0.975, 12)),
        (rule, R["bcg"]["PM"]["tau2"], 12.0),
    )
    for mine, theirs, goal in pairs:
        assert close(generalised_q(BCG, mine), goal)
        assert not close(generalised_q(BCG, theirs), goal, 1e-6)


def test_printed_digits():
    """BCG: another program's output, seen. Normand 1999 Table IX, seen second-hand."""
    ee = pool(BCG.values, BCG.std_errors, model="fixed").estimate
    assert [round(x, 4) for x in (ee.value, ee.conf_low, ee.conf_high)] == [-0.4303, -0.5097, -0.3509]
    dl = pool(BCG.values, BCG.std_errors, tau2="DL", interval="normal")
    e, h = dl.estimate, dl.heterogeneity
    assert [round(x, 4) for x in (e.value, e.conf_low, e.conf_high, h.tau2, h.i2)] == [
        -0.7141, -1.0644, -0.3638, 0.3088, 92.1173,
    ]  # fmt: skip
    assert round(h.q, 3) == 152.233
    stroke = pool(STROKE.values, STROKE.std_errors, interval="normal")
    e, h = stroke.estimate, stroke.heterogeneity
    assert [round(x, 4) for x in (e.value, e.conf_low, e.conf_high, h.tau2)] == [
        -15.1217,
        -32.6716,
        2.4282,
        685.1965,
    ]


def test_lidocaine_in_percentage_points():
    """Normand 1999 pp. 330 and 349, seen second-hand: fixed effect 2.9444 (0.3831 to 5.5058)."""
    data = effects_of_tables(HINE_TABLES, "risk difference")
    assert np.allclose(100 * data.values, R["hine"]["yi"], rtol=1e-9, atol=1e-12)
    assert close(1e4 * data.std_errors**2, R["hine"]["vi"])
    e = pool(100 * data.values, 100 * data.std_errors, model="fixed", unit="percentage points").estimate
    assert close([e.value, e.conf_low, e.conf_high], [R["hine"][key] for key in ("est", "lo", "hi")])
    assert [round(x, 4) for x in (e.value, e.conf_low, e.conf_high)] == [2.9444, 0.3831, 5.5058]


def test_hedges_g():
    data = effects_of_means(*np.array([NORMAND[:, i] for i in (1, 2, 0, 4, 5, 3)]), "Hedges g")
    assert close(data.values, R["normand_g"]["g"])
    assert close(data.std_errors**2, R["normand_g"]["v"])


def test_leave_one_out():
    found = leave_one_out(BCG.values, BCG.std_errors, tau2="DL")
    assert close([r.estimate.value for r in found.results], R["leave_one_out"]["est"])
    assert close([r.heterogeneity.tau2 for r in found.results], R["leave_one_out"]["tau2"])


def test_egger():
    found, expected = egger(BCG.values, BCG.std_errors), R["egger"]
    a = found.asymmetry
    mine = (a.value, a.std_error, a.value / a.std_error, a.df, a.p_value, found.limit_effect.value)
    assert close(mine, [expected[key] for key in ("intercept", "se_intercept", "t", "df", "p", "slope")])


def test_meta_regression_on_latitude():
    """Viechtbauer 2010, J Stat Softw 36(3): 0.2515, -0.0291, 0.0764 from memory."""
    expected = R["meta_regression"]
    found = meta_regression(BCG.values, BCG.std_errors, BCG_LATITUDE, interval="normal")
    mine = (
        found.intercept.value,
        found.slope.value,
        found.slope.std_error,
        found.tau2,
        found.q_residual,
        found.r2,
    )
    assert close(mine, [expected[key] for key in ("b0", "b1", "se1", "tau2", "QE", "R2")], 1e-4)
    assert [round(x, 4) for x in mine[:2]] == [0.2515, -0.0291]
    assert round(found.tau2, 3) == 0.076
    # the iteration there stops at 1e-5; at its tau squared the line is the same to all digits ...
    X = np.column_stack([np.ones(13), BCG_LATITUDE])
    line = weighted_fit(BCG.values, BCG.std_errors**2, X, expected["tau2"])
    z = line.beta[1] / math.sqrt(line.covariance[1, 1])
    theirs = (line.beta[0], line.beta[1], z**2, 2 * stats.norm.sf(abs(z)))
    assert close(theirs, [expected[key] for key in ("b0", "b1", "QM", "p1")], 1e-8)
    # ... and ours is the higher point of the restricted likelihood

    def height(tau2):
        fit = weighted_fit(BCG.values, BCG.std_errors**2, X, tau2)
        return np.log(fit.weights).sum() + np.linalg.slogdet(fit.covariance)[1] - fit.q

    assert height(found.tau2) > height(expected["tau2"])
    dl = meta_regression(BCG.values, BCG.std_errors, BCG_LATITUDE, tau2="DL", interval="normal")
    assert close(
        (dl.slope.value, dl.slope.std_error, dl.tau2), [expected[f"DL_{k}"] for k in ("b1", "se1", "tau2")]
    )
    assert [round(x, 4) for x in mine[:2]] == [0.2515, -0.0291]


def test_peto():
    """BCG: another program's output, seen. Yusuf 1985 p. 107, seen second-hand: 0.9332 (0.7385 to 1.1792)."""
    found, expected = peto_odds_ratio(BCG_TABLES), R["peto_bcg"]
    e = found.odds_ratio
    mine = (
        math.log(e.value),
        e.std_error,
        math.log(e.conf_low),
        math.log(e.conf_high),
        found.homogeneity.statistic,
    )
    assert close(mine, [expected[key] for key in ("est", "se", "lo", "hi", "Q")])
    assert found.homogeneity.df == 12
    assert close(found.homogeneity.p_value, stats.chi2.sf(expected["Q"], 12))
    yusuf = peto_odds_ratio(YUSUF_TABLES)
    e = yusuf.odds_ratio
    assert close((e.value, e.conf_low, e.conf_high), [R["peto_yusuf"][key] for key in ("or", "lo", "hi")])
    assert [round(x, 4) for x in (e.value, e.conf_low, e.conf_high)] == [0.9332, 0.7385, 1.1792]
    assert yusuf.n_uninformative == 3


def test_mantel_haenszel_of_the_same_studies():
    found = mantel_haenszel(BCG_TABLES)
    for e, expected in ((found.odds_ratio, R["mh_or"]), (found.risk_ratio, R["mh_rr"])):
        mine = (math.log(e.value), e.std_error, math.log(e.conf_low), math.log(e.conf_high))
        assert close(mine, [expected[key] for key in ("est", "se", "lo", "hi")])
    e = found.risk_difference
    expected = [R["mh_rd"][key] for key in ("est", "se", "lo", "hi")]
    assert close((e.value, e.std_error, e.conf_low, e.conf_high), expected)
