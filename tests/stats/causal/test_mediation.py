"""Direct and indirect effects: formulas, laws, conditions and sensitivity."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.indirect_product import indirect_product, product_probability
from outcomes.stats.causal.mediation import mediation_effects
from outcomes.stats.causal.mediation_sensitivity import correlation_sensitivity, mediator_confounding
from outcomes.stats.regression.linear import fit_linear, linear_contrast


def cases(seed: int = 1, n: int = 200):
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(n)
    a = (x + rng.standard_normal(n) > 0) * 1.0
    m = 0.8 * a + 0.5 * x + rng.standard_normal(n)
    y = a + 0.7 * m + 0.4 * a * m + 0.3 * x + rng.standard_normal(n)
    return np.column_stack([np.ones(n), x]), a, m, y, rng


NAMES = ["intercept", "x"]


def test_linear_models_give_the_formulas_of_vanderweele() -> None:
    X, a, m, y, _ = cases()
    n = len(a)
    b = fit_linear(np.column_stack([X, a]), m, names=[*NAMES, "a"], covariance="classical").coefficients
    t = fit_linear(
        np.column_stack([X, a, m, a * m]), y, names=[*NAMES, "a", "m", "am"], covariance="classical"
    ).coefficients
    r = mediation_effects(X, a, m, y, names=NAMES, unit="kg")
    at0 = b[0] + b[1] * X[:, 1].sum() / n
    assert r.direct.value == pytest.approx(t[2] + t[4] * at0)
    assert r.total_direct.value == pytest.approx(t[2] + t[4] * (at0 + b[2]))
    assert r.pure_indirect.value == pytest.approx(t[3] * b[2])
    assert r.indirect.value == pytest.approx((t[3] + t[4]) * b[2])
    assert r.total.value == pytest.approx(r.direct.value + r.indirect.value)
    assert r.total.unit == "kg"
    assert r.kind == "natural"
    assert r.proportion.value == pytest.approx(r.indirect.value / r.total.value)


def test_errors_of_linear_models_are_the_delta_method_of_the_formulas() -> None:
    X, a, m, y, _ = cases(17)
    r = mediation_effects(X, a, m, y, names=NAMES)
    b, t = r.models.mediator, r.models.outcome
    of_a, of_m, of_am = b.influence[:, 2], t.influence[:, 3], t.influence[:, 4]
    pure = t.coefficients[3] * of_a + b.coefficients[2] * of_m
    whole = pure + t.coefficients[4] * of_a + b.coefficients[2] * of_am
    n = len(a)
    assert r.pure_indirect.std_error == pytest.approx(np.sqrt(n / (n - 1) * pure @ pure))
    assert r.indirect.std_error == pytest.approx(np.sqrt(n / (n - 1) * whole @ whole))
    # the proportion by differentiating it numerically
    mu = np.array([r.means[cell] for cell in ((0, 0), (0, 1), (1, 0), (1, 1))])

    def share(v: np.ndarray) -> float:
        return (v[3] - v[2]) / (v[3] - v[0])

    slope = np.array([(share(mu + h) - share(mu - h)) / 2e-6 for h in 1e-6 * np.eye(4)])
    moved = r.influence @ slope
    assert r.proportion.std_error == pytest.approx(np.sqrt(n / (n - 1) * moved @ moved), rel=1e-6)


def test_without_interaction_both_ways_to_add_up_are_one() -> None:
    X, a, m, y, _ = cases(2)
    r = mediation_effects(X, a, m, y, names=NAMES, interaction=False)
    assert r.direct.value == pytest.approx(r.total_direct.value)
    assert r.indirect.value == pytest.approx(r.pure_indirect.value)
    assert r.indirect.std_error == pytest.approx(r.pure_indirect.std_error)


def test_total_of_linear_models_without_interaction_is_the_total_regression() -> None:
    X, a, m, y, _ = cases(3)
    r = mediation_effects(X, a, m, y, names=NAMES, interaction=False)
    whole = fit_linear(np.column_stack([X, a]), y, names=[*NAMES, "a"], covariance="HC0")
    e = linear_contrast(whole, [[0, 0, 1]])[0]
    assert r.total.value == pytest.approx(e.value)
    n = len(a)
    assert r.total.std_error == pytest.approx(e.std_error * np.sqrt(n / (n - 1)), rel=1e-9)


def test_yes_no_models_by_plain_sums() -> None:
    X, a, m, y, _ = cases(4)
    mb, yb = (m > 0.3) * 1.0, (y > 0.5) * 1.0
    r = mediation_effects(X, a, mb, yb, names=NAMES, mediator_kind="yes_no", outcome_kind="yes_no")
    alpha, beta = r.models.mediator.coefficients, r.models.outcome.coefficients

    def mean(own: float, under: float) -> float:
        p = special.expit(X @ alpha[:2] + alpha[2] * under)
        risk = [
            special.expit(X @ beta[:2] + beta[2] * own + beta[3] * v + beta[4] * own * v) for v in (0.0, 1.0)
        ]
        return float(((1 - p) * risk[0] + p * risk[1]).mean())

    assert r.indirect.value == pytest.approx(100 * (mean(1, 1) - mean(1, 0)))
    assert r.pure_indirect.value == pytest.approx(100 * (mean(0, 1) - mean(0, 0)))
    assert r.direct.unit == "percentage points"
    ratio = mediation_effects(
        X, a, mb, yb, names=NAMES, mediator_kind="yes_no", outcome_kind="yes_no", scale="risk ratio"
    )
    assert ratio.indirect.value == pytest.approx(mean(1, 1) / mean(1, 0))
    assert ratio.direct.value * ratio.indirect.value == pytest.approx(ratio.total.value)
    assert ratio.total.unit == "ratio"
    assert ratio.total.conf_low < ratio.total.value < ratio.total.conf_high
    assert np.log(ratio.total.conf_high / ratio.total.value) == pytest.approx(
        np.log(ratio.total.value / ratio.total.conf_low)
    )
    moved = r.influence[:, 3] / r.means[1, 1] - r.influence[:, 0] / r.means[0, 0]
    assert ratio.total.std_error == pytest.approx(np.sqrt(200 / 199 * moved @ moved))


def test_normal_mediator_of_a_logistic_outcome_by_adaptive_integration() -> None:
    X, a, m, y, _ = cases(5, 40)
    yb = (y + np.arange(40) % 3 > 1.0) * 1.0
    r = mediation_effects(X, a, m, yb, names=NAMES, outcome_kind="yes_no")
    alpha, s, beta = r.models.mediator.coefficients, r.models.mediator.spread, r.models.outcome.coefficients
    total = 0.0
    for row in X:
        centre = row @ alpha[:2] + alpha[2]

        def part(t: float, row=row, centre=centre) -> float:
            v = centre + s * t
            return np.exp(-t * t / 2) / np.sqrt(2 * np.pi) * special.expit(row @ beta[:2] + beta[3] * v)

        total += integrate.quad(part, -12, 12, epsabs=1e-12)[0]
    assert r.means[0, 1] == pytest.approx(total / 40, rel=1e-8)


def test_interventional_effects_by_hand() -> None:
    X, a, m, y, rng = cases(6)
    lb = (0.8 * a + rng.standard_normal(200) > 0.4) * 1.0
    r = mediation_effects(X, a, m + lb, y + lb, names=NAMES, confounders={"early complication": lb})
    c, b = r.models.confounders[0].coefficients, r.models.mediator.coefficients
    t = r.models.outcome.coefficients
    assert r.models.outcome.names == (
        "intercept",
        "x",
        "exposure",
        "early complication",
        "mediator",
        "exposure x mediator",
    )
    m0 = float((X @ b[:2]).mean())
    shares = [float(special.expit(X @ c[:2] + c[2] * v).mean()) for v in (0.0, 1.0)]
    assert r.indirect.value == pytest.approx((t[4] + t[5]) * b[2])
    assert r.direct.value == pytest.approx(t[2] + t[3] * (shares[1] - shares[0]) + t[5] * m0)
    assert r.kind == "interventional"
    assert r.direct.contrast == "pure direct effect (interventional)"
    assert r.total.contrast == "overall effect (interventional)"


def test_errors_against_the_bootstrap_of_the_same_estimate() -> None:
    X, a, m, y, rng = cases(7, 400)
    r = mediation_effects(X, a, m, y, names=NAMES)
    made = []
    for _ in range(300):
        w = rng.multinomial(400, np.full(400, 1 / 400)).astype(float)
        again = mediation_effects(X, a, m, y, names=NAMES, weights=w)
        made.append([again.direct.value, again.indirect.value])
    spread = np.std(made, axis=0, ddof=1)
    assert [r.direct.std_error, r.indirect.std_error] == pytest.approx(spread, rel=0.13)


def test_weights_act_as_copies() -> None:
    X, a, m, y, rng = cases(8, 60)
    w = rng.integers(0, 4, 60)
    rows = np.repeat(np.arange(60), w)
    r = mediation_effects(X, a, m, y, names=NAMES, weights=w)
    copied = mediation_effects(X[rows], a[rows], m[rows], y[rows], names=NAMES, clusters=rows)
    assert r.indirect.value == pytest.approx(copied.indirect.value)
    assert r.direct.value == pytest.approx(copied.direct.value)
    g, used = 60, len(np.unique(rows))
    assert r.indirect.std_error == pytest.approx(
        copied.indirect.std_error * np.sqrt(g / (g - 1) * (used - 1) / used), rel=1e-9
    )


def test_swap_units_and_row_order() -> None:
    X, a, m, y, rng = cases(9)
    r = mediation_effects(X, a, m, y, names=NAMES)
    swapped = mediation_effects(X, 1 - a, m, y, names=NAMES)
    assert swapped.total.value == pytest.approx(-r.total.value)
    # exposed and not exposed change places: pure becomes total
    assert swapped.indirect.value == pytest.approx(-r.pure_indirect.value)
    assert swapped.direct.std_error == pytest.approx(r.total_direct.std_error)
    scaled = mediation_effects(X, a, 10 * m - 3, 2 * y + 5, names=NAMES)
    assert scaled.indirect.value == pytest.approx(2 * r.indirect.value)
    assert scaled.indirect.std_error == pytest.approx(2 * r.indirect.std_error)
    p = rng.permutation(200)
    moved = mediation_effects(X[p], a[p], m[p], y[p], names=NAMES)
    assert moved.direct.value == pytest.approx(r.direct.value, rel=1e-12)


def test_patients_with_copies_count_once() -> None:
    X, a, m, y, _ = cases(10)
    r = mediation_effects(X, a, m, y, names=NAMES)
    twice = mediation_effects(
        np.vstack([X, X]),
        np.tile(a, 2),
        np.tile(m, 2),
        np.tile(y, 2),
        names=NAMES,
        clusters=np.tile(np.arange(200), 2),
    )
    assert twice.direct.std_error == pytest.approx(r.direct.std_error, rel=1e-9)
    assert twice.direct.df == 199


def test_no_proportion_without_a_total_or_with_opposite_signs() -> None:
    X, a, m, y, _ = cases(11)
    flat = mediation_effects(X, a, m, y - fit_total(X, a, y) * a, names=NAMES)
    assert flat.proportion.value is None
    assert flat.proportion.reason == "the total effect does not exclude no effect"
    against = mediation_effects(X, a, m, y - 8 * a, names=NAMES)
    assert against.proportion.reason == "the direct and the indirect effect have opposite signs"
    outweighed = mediation_effects(X, a, m, y + 6 * m - 2.5 * a, names=NAMES)
    assert outweighed.total.conf_low > 0 > outweighed.direct.value
    assert outweighed.proportion.reason == against.proportion.reason


def fit_total(X, a, y) -> float:
    return float(
        fit_linear(np.column_stack([X, a]), y, names=[*NAMES, "a"], covariance="HC0").coefficients[2]
    )


def test_bad_input_is_refused() -> None:
    X, a, m, y, _ = cases(12, 40)
    with pytest.raises(EstimationError, match="same exposure"):
        mediation_effects(X, np.ones(40), m, y, names=NAMES)
    with pytest.raises(EstimationError, match="risk ratio needs"):
        mediation_effects(X, a, m, y, names=NAMES, scale="risk ratio")
    with pytest.raises(EstimationError, match="at most 1"):
        mediation_effects(
            X, a, m, (y > 0) * 1.0, names=NAMES, outcome_kind="yes_no", confounders={"b": a, "c": m}
        )
    with pytest.raises(EstimationError, match="allowed"):
        mediation_effects(X, a, m, y, names=NAMES, mediator_kind="ordinal")
    with pytest.raises(EstimationError, match="separation"):
        mediation_effects(X, a, a, y, names=NAMES, mediator_kind="yes_no")
    with pytest.raises(EstimationError) as caught:
        mediation_effects(X, a, np.where(m > 1, np.nan, m), y, names=NAMES)
    assert caught.value.code == "not_finite"


def test_tables_and_sentences() -> None:
    X, a, m, y, _ = cases(13)
    r = mediation_effects(X, a, m, y, names=NAMES, unit="kg", n_missing=3)
    assert list(r.tidy()["contrast"])[:2] == ["total effect", "pure direct effect (natural)"]
    assert set(r.tidy()["n_missing"]) == {3}
    assert str(r).startswith("total effect: ")


@pytest.mark.parametrize(("x", "y"), [(0.0, 0.0), (1.5, -0.7), (-3.0, 2.0), (6.0, 0.1), (20.0, 30.0)])
@pytest.mark.parametrize("q", [-5.0, -0.3, 1e-6, 0.4, 3.0, 600.0])
def test_product_of_normals_by_adaptive_integration(x: float, y: float, q: float) -> None:
    def part(u: float) -> float:
        other = special.ndtr(q / u - y) if u > 0 else special.ndtr(y - q / u)
        return np.exp(-0.5 * (u - x) ** 2) / np.sqrt(2 * np.pi) * other

    edges = [
        p
        for p in (-10, -3, -1, -0.1, -1e-3, -1e-5, 0.0, 1e-5, 1e-3, 0.1, 1, 3, 10, 20, 40)
        if x - 12 < p < x + 12
    ]
    edges = sorted({x - 12, *edges, x + 12})
    expected = sum(integrate.quad(part, lo, hi, epsabs=1e-13, limit=200)[0] for lo, hi in pairwise(edges))
    assert product_probability(q, x, y) == pytest.approx(expected, abs=1e-9)


def test_product_interval_is_that_of_draws_and_approaches_the_normal() -> None:
    rng = np.random.default_rng(1)
    draws = np.sort((0.4 + 0.2 * rng.standard_normal(400_000)) * (0.5 + 0.15 * rng.standard_normal(400_000)))
    e = indirect_product(0.4, 0.2, 0.5, 0.15)
    assert [np.searchsorted(draws, v) / 4e5 for v in (e.conf_low, e.conf_high)] == pytest.approx(
        [0.025, 0.975], abs=1e-3
    )
    assert e.p_value == pytest.approx(2 * min((draws < 0).mean(), (draws > 0).mean()), abs=2e-3)
    sharp = indirect_product(40.0, 0.2, 50.0, 0.15)
    normal = indirect_product(40.0, 0.2, 50.0, 0.15, interval="normal")
    assert [sharp.conf_low, sharp.conf_high] == pytest.approx([normal.conf_low, normal.conf_high], rel=1e-3)
    flipped = indirect_product(-0.4, 0.2, 0.5, 0.15)
    assert [flipped.conf_low, flipped.conf_high] == pytest.approx([-e.conf_high, -e.conf_low], rel=1e-7)


def test_product_degenerate_and_bad() -> None:
    assert indirect_product(2.0, 0.5, 3.0, 0.2).std_error == pytest.approx(np.sqrt(4 * 0.04 + 9 * 0.25))
    none = indirect_product(0.0, 1.0, 0.0, 1.0, interval="normal")
    assert (none.value, none.conf_low) == (0.0, None)
    assert "Sobel's error is 0" in none.reason
    both = indirect_product(0.0, 1.0, 0.0, 1.0)
    assert both.conf_high == pytest.approx(-both.conf_low)
    assert both.p_value == 1.0
    assert indirect_product(60.0, 1.0, 60.0, 1.0).p_value > 0
    for bad in ((np.nan, 1, 1, 1), (1, 0, 1, 1), (1, 1, 1, -1), (1, np.inf, 1, 1)):
        with pytest.raises(EstimationError):
            indirect_product(*bad)


def test_p_of_a_product_keeps_its_digits_far_out() -> None:
    # the product is below 0 when one factor is: either, far out, with the tail of a normal
    tail = float(special.ndtr(-12.0))
    assert indirect_product(12.0, 1.0, 12.0, 1.0).p_value == pytest.approx(4 * tail, rel=1e-9)
    assert indirect_product(-12.0, 1.0, 24.0, 2.0).p_value == pytest.approx(4 * tail, rel=1e-9)
    assert indirect_product(12.0, 1.0, 0.0, 1.0).p_value == 1.0
    near = indirect_product(1.0, 1.0, 2.0, 1.0).p_value
    below = special.ndtr(1.0) * special.ndtr(-2.0) + special.ndtr(-1.0) * special.ndtr(2.0)
    assert near == pytest.approx(2 * below, rel=1e-12)
    for first, second in ((1.0, -2.0), (-1.0, 2.0), (-1.0, -2.0), (2.0, 1.0)):
        assert indirect_product(first, 1.0, second, 1.0).p_value == pytest.approx(near, rel=1e-12)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.99])
def test_product_limits_are_quantiles_at_every_level(level: float) -> None:
    e = indirect_product(0.8, 0.4, -1.5, 0.5, level=level)
    low, high = (product_probability(v / 0.2, 2.0, -3.0) for v in (e.conf_low, e.conf_high))
    assert (low, high) == pytest.approx((0.5 - level / 2, 0.5 + level / 2), abs=1e-10)
    assert e.level == level
    plain = indirect_product(0.8, 0.4, -1.5, 0.5, level=level, interval="normal")
    error = np.sqrt(0.8**2 * 0.5**2 + 1.5**2 * 0.4**2)
    assert plain.conf_high - plain.value == pytest.approx(special.ndtri(0.5 + level / 2) * error, rel=1e-12)
    assert plain.p_value == pytest.approx(2 * special.ndtr(-1.2 / error), rel=1e-12)


def test_product_of_a_normal_centred_at_0_is_symmetric() -> None:
    for q in (0.01, 0.7, 5.0):
        assert product_probability(q, 0.0, 1.3) == pytest.approx(
            1 - product_probability(-q, 0.0, 1.3), abs=1e-12
        )
        assert product_probability(q, 1.3, 0.0) == pytest.approx(product_probability(q, 0.0, 1.3), abs=1e-12)


def test_correlation_makes_the_errors_correlated_as_assumed() -> None:
    X, a, m, y, _ = cases(14)
    r = correlation_sensitivity(X, a, m, y, names=NAMES, correlations=[-0.5, 0.0, 0.3, 0.8])
    both = np.column_stack([X, a])
    rm, ry = (fit_linear(both, v, names=[*NAMES, "a"], covariance="HC0").residuals for v in (m, y))
    effect = fit_linear(both, m, names=[*NAMES, "a"], covariance="HC0").coefficients[2]
    for rho, e in zip(r.correlations, r.indirect, strict=True):
        left = ry - e.value / effect * rm
        assert np.corrcoef(rm, left)[0, 1] == pytest.approx(rho, abs=1e-12)
    plain = mediation_effects(X, a, m, y, names=NAMES, interaction=False)
    assert r.indirect[1].value == pytest.approx(plain.indirect.value)
    assert r.indirect[1].std_error == pytest.approx(plain.indirect.std_error, rel=0.02)
    assert r.removes_effect == pytest.approx(np.corrcoef(rm, ry)[0, 1])
    assert r.explained == pytest.approx(r.removes_effect**2)
    again = correlation_sensitivity(
        X, a, m, y, names=NAMES, correlations=[r.removes_effect, r.removes_interval]
    )
    assert again.indirect[0].value == pytest.approx(0.0, abs=1e-12)
    assert again.indirect[1].conf_low == pytest.approx(0.0, abs=1e-10)
    assert 0 < r.removes_interval < r.removes_effect


def test_error_at_a_correlation_against_leaving_cases_out() -> None:
    X, a, m, y, _ = cases(15, 150)
    e = correlation_sensitivity(X, a, m, y, names=NAMES, correlations=[0.4]).indirect[0]
    left = []
    for i in range(150):
        keep = np.arange(150) != i
        part = correlation_sensitivity(X[keep], a[keep], m[keep], y[keep], names=NAMES, correlations=[0.4])
        left.append(part.indirect[0].value)
    jackknife = np.sqrt(149 / 150 * np.sum((np.array(left) - np.mean(left)) ** 2))
    assert e.std_error == pytest.approx(jackknife, rel=0.06)


def test_correlation_edges() -> None:
    X, a, m, y, _ = cases(16)
    weak = correlation_sensitivity(X, a, m, y - 1.1 * m, names=NAMES)
    assert weak.removes_interval in (0.0, None) or abs(weak.removes_interval) < 0.3
    with pytest.raises(EstimationError, match="between -1 and 1"):
        correlation_sensitivity(X, a, m, y, names=NAMES, correlations=[1.0])
    with pytest.raises(EstimationError, match="do not vary apart"):
        correlation_sensitivity(X, a, m, 2 * m, names=NAMES)
    assert len(weak.tidy()) == 19
    assert "correlation of" in str(weak)


def test_bias_formula_keeps_the_total() -> None:
    d = Estimate(value=1.0, conf_low=0.5, conf_high=1.5, std_error=0.25, unit="kg")
    i = Estimate(value=2.0, conf_low=0.5, conf_high=3.5, std_error=0.75, unit="kg")
    r = mediator_confounding(d, i, effects=[-1.0, 2.0], prevalences=[0.25, 1.0])
    for j in range(2):
        for k in range(2):
            bias = r.effects[j] * r.prevalences[k]
            assert r.direct[j][k].value == 1.0 - bias
            assert r.indirect[j][k].value == 2.0 + bias
            assert r.indirect[j][k].conf_low == 0.5 + bias
            assert r.indirect[j][k].p_value is None
    assert (r.removes_indirect, r.removes_direct, r.removes_indirect_interval) == (-2.0, 1.0, -0.5)
    assert len(r.tidy()) == 8
    assert "-2" in str(r)
    holds = mediator_confounding(
        d, Estimate(value=1.0, conf_low=-1.0, conf_high=3.0, unit="kg"), effects=[1], prevalences=[0]
    )
    assert holds.removes_indirect_interval == 0.0
    below = mediator_confounding(
        d, Estimate(value=-2.0, conf_low=-3.0, conf_high=-1.0, unit="kg"), effects=[1], prevalences=[0]
    )
    assert below.removes_indirect_interval == 1.0
    none = mediator_confounding(
        d, Estimate(value=0.0, conf_low=-1.0, conf_high=1.0, unit="kg"), effects=[1], prevalences=[0]
    )
    assert str(none) == "there is no indirect effect to remove"


def test_bias_formula_is_right_for_a_known_confounder() -> None:
    """With U in the model, the effects are the biased ones corrected by its effect and difference in prevalence."""
    rng = np.random.default_rng(3)
    n = 400_000
    a = (rng.standard_normal(n) > 0) * 1.0
    u = (rng.standard_normal(n) > 0) * 1.0
    m = (a + u + rng.standard_normal(n) > 1) * 1.0
    y = a + m + 2.0 * u + rng.standard_normal(n)
    one = np.ones((n, 1))
    options = {"mediator_kind": "yes_no", "interaction": True}
    biased = mediation_effects(one, a, m, y, names=["i"], **options)
    # difference in the prevalence of U between exposures at each m, averaged over m without exposure
    gap = sum(
        (m[a == 0] == v).mean() * (u[(a == 1) & (m == v)].mean() - u[(a == 0) & (m == v)].mean())
        for v in (0, 1)
    )
    corrected = mediator_confounding(biased.direct, biased.indirect, effects=[2.0], prevalences=[gap])
    assert corrected.direct[0][0].value == pytest.approx(1.0, abs=0.02)


def test_bias_formula_refuses() -> None:
    e = Estimate(value=1.0, conf_low=0.5, conf_high=1.5, unit="kg")
    ratio = Estimate(value=1.0, conf_low=0.5, conf_high=1.5, unit="ratio")
    for first, second, effects, gaps in (
        (e, ratio, [1.0], [0.1]), (e, Estimate.not_estimable("no"), [1.0], [0.1]), (e, e, [], [0.1]), (e, e, [1.0], [1.1]),
        (e, e, [np.inf], [0.1]),
    ):  # fmt: skip
        with pytest.raises(EstimationError):
            mediator_confounding(first, second, effects=effects, prevalences=gaps)
