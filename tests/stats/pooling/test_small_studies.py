"""Rules for tau squared beyond three, rank test, trim and fill: by hand, laws, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from outcomes.errors import EstimationError
from outcomes.stats.pooling.heterogeneity import TAU_METHODS, judge_heterogeneity, tau_squared, weighted_fit
from outcomes.stats.pooling.pooled_effect import pool
from outcomes.stats.pooling.rank_asymmetry import rank_asymmetry
from outcomes.stats.pooling.study_effects import effects_of_means
from outcomes.stats.pooling.trim_and_fill import CAUTION, trim_and_fill

Y = np.array([0.3, -0.1, 0.8, 0.45, 0.2])
SE = np.array([0.2, 0.15, 0.3, 0.1, 0.25])


def random_sets(count):
    rng = np.random.default_rng(9)
    for _ in range(count):
        k = int(rng.integers(3, 12))
        se = rng.uniform(0.1, 1.0, k)
        yield rng.normal(0.3, np.sqrt(se**2 + rng.choice([0.0, 0.5]))), se


def test_maximum_likelihood_is_the_highest_point():
    for y, se in random_sets(60):

        def height(tau2, y=y, v=se**2):
            w = 1 / (v + tau2)
            return np.log(w).sum() - w @ (y - w @ y / w.sum()) ** 2

        found = tau_squared(y, se, method="ML")
        best = optimize.minimize_scalar(lambda t, h=height: -h(t), bounds=(0, 20), method="bounded")
        assert height(found) >= max(-best.fun, height(0.0)) - 1e-9
        assert found <= tau_squared(y, se, method="REML") + 1e-9


def test_hunter_schmidt_and_sidik_jonkman_by_their_formulas():
    for y, se in random_sets(60):
        w, k = 1 / se**2, y.size
        q = w @ (y - w @ y / w.sum()) ** 2
        assert math.isclose(tau_squared(y, se, method="HS"), max(0, (q - k) / w.sum()), rel_tol=1e-9)
        start = y.var()
        w = 1 / (se**2 / start + 1)
        expected = w @ (y - w @ y / w.sum()) ** 2 / (k - 1)
        assert math.isclose(tau_squared(y, se, method="SJ"), expected, rel_tol=1e-9)


@pytest.mark.parametrize("rule", TAU_METHODS)
def test_rules_scale_with_the_square_of_the_unit_and_not_with_offset_or_order(rule):
    for y, se in random_sets(15):
        first = tau_squared(y, se, method=rule)
        assert math.isclose(
            tau_squared(-10 * y + 3, 10 * se, method=rule), 100 * first, rel_tol=1e-6, abs_tol=1e-8
        )
        order = np.argsort(y)
        assert math.isclose(tau_squared(y[order], se[order], method=rule), first, rel_tol=1e-7, abs_tol=1e-10)


@pytest.mark.parametrize("rule", TAU_METHODS)
def test_studies_that_agree_have_no_variance_between_them(rule):
    assert tau_squared([0.1 + 0.2, 0.3, 0.3], [0.1, 0.2, 0.3], method=rule) == 0.0


def test_share_and_ratio_of_variation_from_tau_squared():
    for rule in TAU_METHODS:
        h = judge_heterogeneity([0, 2, 4], [1, 1, 1], method=rule)
        assert math.isclose(h.i2_of_tau2, 100 * h.tau2 / (h.tau2 + 1), rel_tol=1e-12)
        assert math.isclose(h.h2, h.tau2 + 1, rel_tol=1e-12)
    dl = judge_heterogeneity(Y, SE, method="DL")
    assert math.isclose(dl.i2_of_tau2, dl.i2, rel_tol=1e-10)


def test_normal_prediction():
    p = pool(Y, SE, interval="normal", prediction="normal")
    half = 1.959963984540054 * math.sqrt(p.heterogeneity.tau2 + p.estimate.std_error**2)
    assert math.isclose(p.prediction_high, p.estimate.value + half, rel_tol=1e-12)
    assert pool(Y, SE, interval="normal").prediction_high > p.prediction_high


def test_standardised_differences_of_three_kinds():
    """d = 2/2 = 1, m = 14: J = 1 - 3/55, variance of d 1/8 + 1/8 + 1/32."""
    groups = ([3], [2], [8], [1], [2], [8])
    d, g, rough = (
        effects_of_means(*groups, measure) for measure in ("Cohen d", "Hedges g", "Hedges g, approximate J")
    )
    j = 1 - 3 / 55
    assert math.isclose(d.values[0], 1.0, rel_tol=1e-12)
    assert math.isclose(d.std_errors[0] ** 2, 0.28125, rel_tol=1e-12)
    assert math.isclose(rough.values[0], j, rel_tol=1e-12)
    assert math.isclose(rough.std_errors[0] ** 2, j**2 * 0.28125, rel_tol=1e-12)
    assert math.isclose(g.std_errors[0] ** 2, 0.25 + g.values[0] ** 2 / 32, rel_tol=1e-12)
    assert effects_of_means([1], [0], [5], [1], [0], [5], "Cohen d").left_out == 1


def test_rank_test_counts_pairs_by_hand():
    v = SE**2
    mean = (Y / v).sum() / (1 / v).sum()
    z = (Y - mean) / np.sqrt(v - 1 / (1 / v).sum())
    signs = [np.sign(z[i] - z[j]) * np.sign(v[i] - v[j]) for i in range(5) for j in range(i)]
    found = rank_asymmetry(Y, SE)
    assert math.isclose(found.tau, sum(signs) / 10, rel_tol=1e-12)
    assert found.method == "Kendall, exact"


def test_rank_test_turns_with_the_sign_and_keeps_with_unit_and_order():
    for y, se in random_sets(30):
        first, turned = rank_asymmetry(y, se), rank_asymmetry(-y, se)
        assert math.isclose(first.tau, -turned.tau, abs_tol=1e-12)
        assert math.isclose(first.p_value, turned.p_value, rel_tol=1e-9)
        assert rank_asymmetry(100 * y[::-1], 100 * se[::-1]).tau == pytest.approx(first.tau)
        assert rank_asymmetry(y + 5, se).p_value == pytest.approx(first.p_value)


def test_rank_test_with_ties_is_normal_and_says_so():
    found = rank_asymmetry([0.1, 0.5, 0.9, 0.3], [0.2, 0.2, 0.4, 0.3])
    assert found.method == "Kendall, normal, ties"
    assert 0 < found.p_value < 1
    many = rank_asymmetry(np.linspace(0, 1, 50) ** 2, np.linspace(0.1, 0.9, 50))
    assert many.method == "Kendall, normal"


@pytest.mark.parametrize(
    ("y", "se", "reason"),
    [([0.3, 0.1 + 0.2, 0.3], [1, 2, 3], "same effect"), ([1, 2, 3], [0.2, 0.2, 0.2], "same standard error")],
)
def test_no_rank_test(y, se, reason):
    found = rank_asymmetry(y, se)
    assert reason in found.reason
    assert (found.tau, found.p_value) == (None, None)
    assert "no test" in str(found)


def test_trim_and_fill_mirrors_what_it_adds():
    y, se = [0, 1, 2, 3], [0.01, 1, 1, 1]
    found = trim_and_fill(y, se, side="left", model="fixed")
    centre = weighted_fit(np.array([0.0, 1]), np.array([0.0001, 1]), np.ones((2, 1)), 0.0).beta[0]
    by_hand = pool([*y, 2 * centre - 3, 2 * centre - 2], [*se, 1, 1], model="fixed").estimate
    assert found.added == 2
    assert math.isclose(found.filled.estimate.value, by_hand.value, rel_tol=1e-12)
    assert math.isclose(found.filled.estimate.std_error, by_hand.std_error, rel_tol=1e-12)


def test_trim_and_fill_turns_with_the_sign():
    added = 0
    for y, se in random_sets(40):
        first = trim_and_fill(y, se, tau2="DL")
        turned = trim_and_fill(-y, se, tau2="DL")
        assert first.side != turned.side
        assert first.added == turned.added
        assert math.isclose(
            first.filled.estimate.value, -turned.filled.estimate.value, rel_tol=1e-7, abs_tol=1e-12
        )
        assert first.original.estimate == pool(y, se, tau2="DL").estimate
        added += first.added > 0
    assert added > 8


def test_trim_and_fill_without_an_end_is_refused():
    """A set of the cross-check file, in which R stops too."""
    y = [0.5484, 0.3467, 0.7731, 1.0926, 1.18, 0.6004, 0.3751, 1.0325, 0.9109, -1.2346, 0.5974]
    se = [0.101, 0.905, 0.186, 0.478, 0.24, 0.924, 0.868, 0.396, 0.783, 1.027, 0.316]
    with pytest.raises(EstimationError, match="back and forth between 0 and 1 studies on the right") as error:
        trim_and_fill(y, se, tau2="DL")
    assert error.value.code == "no_convergence"


def test_trim_and_fill_carries_its_caution():
    found = trim_and_fill(Y, SE)
    assert found.caution == CAUTION
    assert CAUTION in str(found)
    assert "sensitivity" in str(found)
    assert found.tidy()["group"].tolist() == ["as found", "filled"]


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: rank_asymmetry([1, 2], [1, 2]), "too_few"), (lambda: trim_and_fill([1, 2], [1, 2]), "too_few"),
        (lambda: trim_and_fill(Y, np.full(5, 0.2)), "constant"), (lambda: trim_and_fill(Y, SE, side="up"), "bad_choice"),
        (lambda: trim_and_fill(Y, SE, tau2="MLE"), "bad_choice"), (lambda: rank_asymmetry([1, 2, 3], [1, 0, 1]), "unusable_studies"),
        (lambda: pool(Y, SE, prediction="t"), "bad_choice"), (lambda: effects_of_means(*[[1]] * 6, "Glass"), "bad_choice"),
    ],
)  # fmt: skip
def test_refused(call, code):
    with pytest.raises(EstimationError) as error:
        call()
    assert error.value.code == code
