"""Pooling: independent implementations on random studies, laws, studies that say nothing, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from outcomes.errors import EstimationError
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.pooling.heterogeneity import (
    judge_heterogeneity,
    tau_squared,
    tau_squared_interval,
    weighted_fit,
)
from outcomes.stats.pooling.meta_regression import egger, meta_regression
from outcomes.stats.pooling.peto import peto_odds_ratio
from outcomes.stats.pooling.pooled_effect import leave_one_out, pool
from outcomes.stats.pooling.study_effects import effects_of_estimates, effects_of_means, effects_of_tables
from outcomes.stats.proportions.risks import risk_ratio

Y = np.array([0.3, -0.1, 0.8, 0.45, 0.2])
SE = np.array([0.2, 0.15, 0.3, 0.1, 0.25])
X = np.array([1.0, 2.0, 4.0, 3.0, 1.5])


def random_studies(seed: int, count: int):
    rng = np.random.default_rng(seed)
    for _ in range(count):
        k = int(rng.integers(2, 15))
        se = rng.uniform(0.1, 1.5, k)
        yield rng.normal(0.5, np.sqrt(se**2 + rng.choice([0.0, 0.2, 2.0]))), se


def test_agrees_with_statsmodels_on_500_random_sets():
    """Where statsmodels has an answer: its DL is NaN when Q is below k - 1, and its PM falls to 0, not
    converged, when a step lands below the root by rounding. Ours is held to the equation there.
    """
    compared = 0
    for number, (y, se) in enumerate(random_studies(1, 500)):
        df, v = y.size - 1, se**2
        q = weighted_fit(y, v, np.ones((y.size, 1)), 0.0).q
        if q <= df:
            assert tau_squared(y, se, method="DL") == tau_squared(y, se, method="PM") == 0.0
            continue
        for rule, theirs in (("DL", "chi2"), ("PM", "iterated")):
            tau2 = tau_squared(y, se, method=rule)
            other = combine_effects(y, v, method_re=theirs, use_t=False, atol=1e-9)
            if rule == "PM" and other.tau2 == 0:
                w = 1 / (v + tau2)
                assert math.isclose(w @ (y - w @ y / w.sum()) ** 2, df, rel_tol=1e-9)
                continue
            compared += 1
            assert math.isclose(tau2, other.tau2, rel_tol=1e-6)
            assert math.isclose(q, other.q, rel_tol=1e-9)
            if number % 5 == 0:
                mine = pool(y, se, tau2=rule).estimate
                assert math.isclose(mine.value, other.mean_effect_re, rel_tol=1e-6, abs_tol=1e-9)
                assert math.isclose(mine.std_error, other.sd_eff_w_re_hksj, rel_tol=1e-6)
    assert compared >= 500


def restricted_likelihood(y, se, X, tau2):
    """Written with full matrices: -1/2 (log |V| + log |X' V^-1 X| + y' P y)."""
    V = np.diag(se**2 + tau2)
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    P = inverse - inverse @ X @ np.linalg.inv(information) @ X.T @ inverse
    return -0.5 * (np.linalg.slogdet(V)[1] + np.linalg.slogdet(information)[1] + y @ P @ y)


def test_reml_is_the_highest_point_of_the_restricted_likelihood():
    for y, se in random_studies(2, 60):
        for design in ([np.ones(y.size)], [np.ones(y.size), np.arange(y.size) ** 2.0]):
            X = np.column_stack(design)
            if y.size <= X.shape[1]:
                continue
            found = tau_squared(y, se, method="REML", design=X)
            top = restricted_likelihood(y, se, X, found)
            others = np.concatenate([[0.0], np.geomspace(1e-6, 50, 150), found * np.array([0.999, 1.001])])
            assert all(restricted_likelihood(y, se, X, tau2) <= top + 1e-9 for tau2 in others)


def test_reml_takes_the_higher_of_two_maxima():
    """One huge and several tiny errors can give two maxima; both ends are searched."""
    y, se = np.array([0.0, 0.02, -0.02, 9.0, -9.0]), np.array([0.001, 0.001, 0.001, 9.0, 9.0])
    found = tau_squared(y, se)
    ones = np.ones((5, 1))
    tops = [restricted_likelihood(y, se, ones, tau2) for tau2 in np.geomspace(1e-8, 400, 2000)]
    assert restricted_likelihood(y, se, ones, found) >= max(tops) - 1e-9


def test_equal_errors_give_the_plain_t_interval():
    """Hartung and Knapp: with equal errors the interval is Student's of the study results."""
    values = [0.3, -0.2, 0.9, 0.4]
    mine = pool(values, [0.1] * 4).estimate
    centre, half = np.mean(values), np.std(values, ddof=1) / 2 * 3.182446305284263
    assert math.isclose(mine.conf_low, centre - half, rel_tol=1e-12)
    assert math.isclose(mine.conf_high, centre + half, rel_tol=1e-12)


def test_equal_errors_give_the_ordinary_regression_line():
    """Knapp and Hartung: with equal errors slope, its error and its p are those of least squares."""
    line, plain = meta_regression(Y, [0.1] * 5, X).slope, stats.linregress(X, Y)
    assert math.isclose(line.value, plain.slope, rel_tol=1e-10)
    assert math.isclose(line.std_error, plain.stderr, rel_tol=1e-10)
    assert math.isclose(line.p_value, plain.pvalue, rel_tol=1e-10)


def test_egger_is_least_squares_of_effect_over_error_on_one_over_error():
    found, plain = egger(Y, SE), stats.linregress(1 / SE, Y / SE)
    assert math.isclose(found.asymmetry.value, plain.intercept, rel_tol=1e-10)
    assert math.isclose(found.asymmetry.std_error, plain.intercept_stderr, rel_tol=1e-10)
    assert math.isclose(found.limit_effect.value, plain.slope, rel_tol=1e-10)
    assert math.isclose(found.limit_effect.p_value, plain.pvalue, rel_tol=1e-10)


def test_a_moderator_of_two_kinds_compares_their_weighted_means():
    """The slope of 0 and 1 is the difference of the weighted means of the two kinds."""
    kind = np.array([0.0, 0, 1, 1, 1])
    line = meta_regression(Y, SE, kind, tau2="DL", interval="normal")
    w = 1 / (SE**2 + line.tau2)
    means = [np.average(Y[kind == value], weights=w[kind == value]) for value in (0, 1)]
    assert math.isclose(line.slope.value, means[1] - means[0], rel_tol=1e-10)
    assert math.isclose(line.intercept.value, means[0], rel_tol=1e-10)
    assert math.isclose(line.slope.std_error**2, sum(1 / w[kind == v].sum() for v in (0, 1)), rel_tol=1e-10)


def test_one_study_per_pair_of_groups_is_the_comparison_itself():
    a, b = [3.0, 5, 4, 8], [1.0, 2, 4, 3]
    d = mean_difference(a, b)
    one = pool([d.value], [d.std_error], model="fixed").estimate
    assert (one.value, one.std_error) == (d.value, pytest.approx(d.std_error, rel=1e-14))


def test_q_profile_covers():
    """Seeded, 600 sets of 8 studies with tau2 0.3: coverage of the 90 % interval within 3 Monte Carlo errors."""
    rng = np.random.default_rng(4)
    se = np.linspace(0.2, 1.0, 8)
    hits = 0
    for _ in range(600):
        low, high = tau_squared_interval(rng.normal(0, np.sqrt(se**2 + 0.3)), se, 0.9)
        hits += low <= 0.3 <= high
    assert abs(hits / 600 - 0.9) < 3 * math.sqrt(0.9 * 0.1 / 600)


@settings(max_examples=25, deadline=None)
@given(st.permutations(range(5)), st.floats(1e-4, 1e4), st.floats(-20, 20))
def test_order_units_and_sign(order, scale, shift):
    order = list(order)
    for rule in ("REML", "DL", "PM"):
        plain = pool(Y, SE, tau2=rule)
        moved = pool(scale * (Y + shift)[order], scale * SE[order], tau2=rule)
        turned = pool(-Y, SE, tau2=rule)
        close = {"rel_tol": 1e-8, "abs_tol": 1e-8 * scale}
        assert math.isclose(moved.estimate.value, scale * (plain.estimate.value + shift), **close)
        assert math.isclose(moved.estimate.std_error, scale * plain.estimate.std_error, **close)
        assert math.isclose(moved.heterogeneity.tau2, scale**2 * plain.heterogeneity.tau2, rel_tol=1e-7)
        assert math.isclose(turned.estimate.conf_low, -plain.estimate.conf_high, rel_tol=1e-9)
        assert math.isclose(turned.prediction_high, -plain.prediction_low, rel_tol=1e-9)


def test_units_of_the_moderator_and_an_offset_of_it():
    one, other = meta_regression(Y, SE, X), meta_regression(Y, SE, 1000 * X + 2e6)
    assert math.isclose(other.slope.value * 1000, one.slope.value, rel_tol=1e-8)
    assert math.isclose(other.slope.p_value, one.slope.p_value, rel_tol=1e-8)
    assert math.isclose(other.tau2, one.tau2, rel_tol=1e-8, abs_tol=1e-12)


def test_ratios_are_the_exponent_of_logs():
    plain, ratio = pool(Y, SE), pool(Y, SE, ratio=True)
    for name in ("value", "conf_low", "conf_high"):
        assert math.isclose(
            getattr(ratio.estimate, name), math.exp(getattr(plain.estimate, name)), rel_tol=1e-12
        )
    assert math.isclose(ratio.prediction_low, math.exp(plain.prediction_low), rel_tol=1e-12)
    assert ratio.estimate.unit == "ratio"
    line = meta_regression(Y, SE, X, ratio=True)
    assert math.isclose(line.slope.value, math.exp(meta_regression(Y, SE, X).slope.value), rel_tol=1e-12)


def test_swapping_the_groups_inverts_petos_ratio():
    tables = np.array([[[4, 119], [11, 128]], [[0, 20], [3, 22]], [[0, 9], [0, 7]]])
    one, other = peto_odds_ratio(tables).odds_ratio, peto_odds_ratio(tables[:, ::-1]).odds_ratio
    assert math.isclose(one.value * other.value, 1.0, rel_tol=1e-12)
    assert math.isclose(one.conf_low * other.conf_high, 1.0, rel_tol=1e-12)
    padded = peto_odds_ratio(np.concatenate([tables, [[[0, 0], [2, 2]], [[3, 0], [4, 0]]]]))
    assert padded.odds_ratio == one
    assert padded.n_uninformative == 3


def test_not_below_normal_is_never_narrower_than_normal():
    alike = np.array([0.30, 0.31, 0.29, 0.30])
    spread = {
        kind: pool(alike, [0.2] * 4, interval=kind).estimate.std_error
        for kind in ("Hartung-Knapp", "Hartung-Knapp, not below normal", "normal")
    }
    assert spread["Hartung-Knapp"] < spread["normal"] == spread["Hartung-Knapp, not below normal"]
    far = pool(Y, SE / 10, interval="Hartung-Knapp, not below normal").estimate
    assert far == pool(Y, SE / 10).estimate or math.isclose(
        far.std_error, pool(Y, SE / 10).estimate.std_error
    )


def test_one_study():
    random, fixed = pool([0.4], [0.2]), pool([0.4], [0.2], model="fixed")
    assert random.estimate.value is None
    assert "one study" in random.estimate.reason
    assert fixed.estimate.value == pytest.approx(0.4)
    assert fixed.heterogeneity is None
    assert random.tidy().iloc[0]["tau2"] is None
    assert tau_squared_interval([0.4], [0.2]) is None


def test_two_studies_have_no_prediction_interval():
    two = pool([0.1, 0.9], [0.2, 0.3])
    assert two.estimate.df == 1
    assert two.prediction_low is None
    assert "prediction" not in str(two)
    three = pool([0.1, 0.9, 0.4], [0.2, 0.3, 0.2])
    assert three.prediction_low < three.estimate.conf_low


@pytest.mark.parametrize("value", [0.0, 0.1, 1e6])
@pytest.mark.parametrize("rule", ["REML", "DL", "PM"])
def test_studies_that_all_say_the_same(value, rule):
    same = pool([value] * 3, [0.1, 0.2, 0.3], tau2=rule)
    assert same.heterogeneity.tau2 == 0.0
    assert same.heterogeneity.i2 == 0.0
    assert same.estimate.value == pytest.approx(value)
    assert same.estimate.conf_low is None
    assert "Hartung-Knapp has no interval" in same.estimate.reason
    assert pool([value] * 3, [0.1, 0.2, 0.3], tau2=rule, interval="normal").estimate.conf_low is not None


def test_extreme_studies_give_neither_infinity_nor_p_of_zero():
    sure = pool([5.0, 5.1, 4.9], [1e-8] * 3, interval="normal", model="fixed").estimate
    assert sure.p_value > 0
    gone = pool([800.0, 810.0], [1.0, 1.0], ratio=True, model="fixed").estimate
    assert gone.value is None
    wide = pool([0.0, 100.0], [1.0, 1.0], ratio=True).estimate
    assert wide.conf_high is None or math.isfinite(wide.conf_high)


def test_a_line_without_residuals():
    line = meta_regression([1.0, 2.0, 3.0], [0.1, 0.2, 0.1], [0, 1, 2])
    assert line.slope.value == pytest.approx(1.0)
    assert line.slope.p_value is None
    assert "exactly on the line" in line.slope.reason
    flat = meta_regression([1.0, 1.1, 1.0], [1.0, 2.0, 1.0], [0, 1, 2])
    assert flat.r2 is None


def test_effects_without_information_are_left_out_and_counted():
    tables = [[[1, 9], [2, 8]], [[0, 9], [2, 8]], [[0, 0], [1, 1]], [[5, 0], [7, 0]], [[0, 4], [0, 6]]]
    left = {m: effects_of_tables(tables, m) for m in ("log risk ratio", "log odds ratio", "risk difference")}
    assert {name: found.used.tolist() for name, found in left.items()} == {
        "log risk ratio": [0], "log odds ratio": [0], "risk difference": [0, 1],
    }  # fmt: skip
    assert "4 left out" in str(left["log odds ratio"])
    few = effects_of_means([1, 2, 3], [1, 1, 0], [5, 1, 5], [0, 0, 0], [1, 1, 0], [5, 5, 5], "Hedges g")
    assert few.used.tolist() == [0]
    assert few.left_out == 2


def test_estimates_of_several_hospitals():
    """Three risk ratios pooled from their estimates are those pooled from their tables."""
    tables = [[[4, 19], [11, 28]], [[6, 30], [9, 27]], [[3, 22], [0, 20]]]
    ratios = [risk_ratio(a, a + b, c, c + d) for (a, b), (c, d) in tables]
    found, direct = effects_of_estimates(ratios), effects_of_tables(tables, "log risk ratio")
    assert found.used.tolist() == direct.used.tolist() == [0, 1]
    assert np.allclose(found.values, direct.values, rtol=1e-12)
    assert np.allclose(found.std_errors, direct.std_errors, rtol=1e-12)
    d = mean_difference([1.0, 2, 4], [2.0, 3, 5], unit="kg")
    assert effects_of_estimates([d]).values.tolist() == [d.value]


@pytest.mark.parametrize(
    ("call", "code", "culprit"),
    [
        (lambda: pool([], []), "bad_shape", "at least one"),
        (lambda: pool([1.0], [1.0, 2.0]), "bad_shape", "one number a study"),
        (lambda: pool([1.0, math.nan], [1.0, 1.0], names=["a", "b"]), "unusable_studies", r"\(b\)"),
        (lambda: pool([1.0, 2.0], [1.0, 0.0]), "unusable_studies", "number 2"),
        (lambda: pool([1.0, 2.0], [1.0, 1e-200]), "unusable_studies", "number 2"),
        (lambda: pool([1e-150, 2.0], [1e-150, 1.0]), "unusable_studies", "number 1"),
        (lambda: pool(["a", "b"], [1.0, 1.0]), "not_numeric", "values"),
        (lambda: pool(Y, SE, names=["a"]), "bad_names", "names"),
        (lambda: pool(Y, SE, tau2="DerSimonian"), "bad_choice", "REML"),
        (lambda: pool(Y, SE, interval="t"), "bad_choice", "Hartung"),
        (lambda: pool(Y, SE, model="mixed"), "bad_choice", "fixed"),
        (lambda: pool(Y, SE, level=95), "bad_level", "level"),
        (lambda: tau_squared([1.0], [1.0]), "too_few", "1 studies"),
        (lambda: judge_heterogeneity([1.0], [1.0]), "too_few", "1 studies"),
        (lambda: meta_regression(Y, SE, [1.0] * 5), "constant", "moderator"),
        (lambda: meta_regression(Y, SE, X[:4]), "bad_shape", "moderator"),
        (lambda: meta_regression(Y, SE, [1, 2, 3, 4, None]), "not_finite", "1 missing"),
        (lambda: meta_regression(Y[:2], SE[:2], X[:2]), "too_few", "at least 3"),
        (lambda: egger(Y, [0.1] * 5), "constant", "std_errors"),
        (lambda: peto_odds_ratio([[1, 2], [3, 4]]), "bad_shape", "tables"),
        (lambda: effects_of_tables([[[1, -2], [3, 4]]], "log risk ratio"), "bad_count", "tables"),
        (lambda: effects_of_tables([[[1, 2], [3, 4]]], "risk ratio"), "bad_choice", "log risk ratio"),
        (lambda: effects_of_estimates([]), "bad_unit", "at least one"),
        (lambda: effects_of_means([1], [-1], [5], [1], [1], [5]), "unusable_studies", "sd1.*number 1"),
        (lambda: effects_of_means([1], [1], [5.5], [1], [1], [5]), "unusable_studies", "n1"),
        (lambda: effects_of_means([1], [1], [5], [1], [1], [5, 6]), "bad_shape", "one number"),
    ],
)
def test_refused(call, code, culprit):
    with pytest.raises(EstimationError, match=culprit) as error:
        call()
    assert error.value.code == code


def test_tables_without_a_comparison_have_no_ratio():
    none = peto_odds_ratio([[[0, 3], [0, 4]]])
    assert none.odds_ratio.value is None
    assert "no test" in str(none.homogeneity)
    assert peto_odds_ratio([[[1, 3], [2, 4]]]).homogeneity.p_value is None


def test_tables_and_sentences():
    found = pool(Y, SE, names=list("abcde"), contrast="plate minus cast", unit="points")
    assert str(found).startswith("plate minus cast: ")
    assert "95 % prediction interval" in str(found)
    assert "I2" in str(found)
    row = found.tidy().iloc[0]
    assert (row["estimate"], row["n"]) == (found.estimate.value, 5)
    assert math.isclose(sum(found.weights), 100.0)
    without = leave_one_out(Y, SE, names=list("abcde"))
    assert without.tidy()["group"].tolist() == [f"without {name}" for name in "abcde"]
    assert "without" in str(without)
    assert len(meta_regression(Y, SE, X).tidy()) == 2
    assert "change for one unit of age" in str(meta_regression(Y, SE, X, moderator_name="age"))
    assert str(egger(Y, SE)).startswith("asymmetry")
    assert len(egger(Y, SE).tidy()) == len(judge_heterogeneity(Y, SE).tidy()) == 2
    assert len(peto_odds_ratio([[[1, 3], [2, 4]], [[2, 5], [1, 4]]]).tidy()) == 1
    assert len(effects_of_tables([[[1, 3], [2, 4]]], "log odds ratio").tidy()) == 1
