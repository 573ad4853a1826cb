"""Proportional-odds regression, its risks and the test of proportional odds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from outcomes.errors import EstimationError
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.marginal import marginal_contrast
from outcomes.stats.regression.ordinal import fit_ordinal, ordinal_contrast
from outcomes.stats.regression.ordinal_likelihood import _terms
from outcomes.stats.regression.ordinal_risks import grade_contrasts
from outcomes.stats.regression.proportional_odds import proportional_odds_test

NAMES = ["arm", "x"]
LEVELS = ["none", "mild", "severe"]


def cohort(seed: int = 1, n: int = 120) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([rng.integers(0, 2, n), 60 + 10 * rng.normal(size=n)]).astype(float)
    cluster = rng.integers(0, 50, n)
    latent = 0.9 * X[:, 0] + 0.04 * (X[:, 1] - 60) + 0.6 * rng.normal(size=50)[cluster] + rng.logistic(size=n)
    return X, np.array(LEVELS)[np.digitize(latent, [-0.2, 1.3])], cluster


def test_two_grades_are_the_logistic_regression() -> None:
    X, grade, cluster = cohort()
    severe = (grade == "severe").astype(float)
    fit = fit_ordinal(X, severe, names=NAMES, levels=[0, 1])
    full = np.column_stack([np.ones(len(X)), X])
    plain = fit_logistic(full, severe, names=["one", *NAMES], covariance="classical")
    np.testing.assert_allclose(np.r_[-fit.thresholds, fit.coefficients], plain.coefficients, rtol=1e-9)
    np.testing.assert_allclose(fit.covariance[1:, 1:], plain.covariance[1:, 1:], rtol=1e-8)
    assert fit.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-12)
    robust = fit_ordinal(X, severe, names=NAMES, levels=[0, 1], clusters=cluster, covariance="CR0")
    other = fit_logistic(full, severe, names=["one", *NAMES], clusters=cluster, covariance="CR0")
    np.testing.assert_allclose(robust.covariance[1:, 1:], other.covariance[1:, 1:], rtol=1e-8)
    by_row = fit_ordinal(X, severe, names=NAMES, levels=[0, 1], covariance="HC0")
    hc0 = fit_logistic(full, severe, names=["one", *NAMES], covariance="HC0")
    np.testing.assert_allclose(by_row.covariance[1:, 1:], hc0.covariance[1:, 1:], rtol=1e-8)
    on, off = X.copy(), X.copy()
    on[:, 0], off[:, 0] = 1.0, 0.0
    for scale in ("difference", "ratio"):
        (e,) = grade_contrasts(fit, on, off, scale=scale)
        wide_on, wide_off = (np.column_stack([np.ones(len(X)), block]) for block in (on, off))
        r = marginal_contrast(plain, wide_on, wide_off, link="logit", scale=scale)
        assert (e.value, e.std_error) == pytest.approx((r.value, r.std_error), rel=1e-8)
        assert e.df is None


def test_no_columns_of_effect_by_hand() -> None:
    # thresholds alone carry the shares: with one balanced arm of no effect they are the logits of cumulative shares
    grade = np.tile([0, 1, 2, 2], 4)
    fit = fit_ordinal(np.repeat([0.0, 1.0], 8)[:, None], grade, names=["arm"], levels=[0, 1, 2])
    np.testing.assert_allclose(fit.thresholds, [np.log(1 / 3), 0.0], atol=1e-9)
    assert fit.coefficients[0] == pytest.approx(0.0, abs=1e-10)
    assert fit.log_likelihood == pytest.approx(8 * np.log(0.25) + 8 * np.log(0.5), rel=1e-12)


def test_against_statsmodels_as_far_as_it_goes() -> None:
    X, grade, _ = cohort(3)
    centred = X - [0, 60]
    codes = np.array([LEVELS.index(g) for g in grade])
    reference = OrderedModel(codes, centred, distr="logit").fit(method="bfgs", disp=0, gtol=1e-8)
    fit = fit_ordinal(centred, grade, names=NAMES, levels=LEVELS)
    np.testing.assert_allclose(fit.coefficients, reference.params[:2], rtol=2e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)[2:]), reference.bse[:2], rtol=2e-4)
    assert fit.log_likelihood >= reference.llf - 1e-9


def test_shift_and_scale_of_a_column_change_only_its_units() -> None:
    X, grade, cluster = cohort(4)
    base = fit_ordinal(X, grade, names=NAMES, levels=LEVELS, clusters=cluster)
    moved = fit_ordinal(X * [1, 1e-4] + [0, 1e4], grade, names=NAMES, levels=LEVELS, clusters=cluster)
    np.testing.assert_allclose(moved.coefficients * [1, 1e-4], base.coefficients, rtol=1e-7)
    assert moved.covariance[3, 3] * 1e-8 == pytest.approx(base.covariance[3, 3], rel=1e-6)
    assert moved.log_likelihood == pytest.approx(base.log_likelihood, rel=1e-11)


def test_reversed_grades_turn_the_sign() -> None:
    X, grade, _ = cohort(5)
    forward = fit_ordinal(X, grade, names=NAMES, levels=LEVELS)
    back = fit_ordinal(X, grade, names=NAMES, levels=LEVELS[::-1])
    np.testing.assert_allclose(back.coefficients, -forward.coefficients, rtol=1e-9)
    np.testing.assert_allclose(back.thresholds, -forward.thresholds[::-1], rtol=1e-8)


def test_weights_are_copies() -> None:
    X, grade, cluster = cohort(6)
    w = np.random.default_rng(1).integers(0, 3, len(grade))
    one = fit_ordinal(X, grade, names=NAMES, levels=LEVELS, weights=w, clusters=cluster)
    many = fit_ordinal(
        np.repeat(X, w, axis=0),
        np.repeat(grade, w),
        names=NAMES,
        levels=LEVELS,
        clusters=np.repeat(cluster, w),
    )
    np.testing.assert_allclose(one.coefficients, many.coefficients, rtol=1e-9)
    np.testing.assert_allclose(one.covariance, many.covariance, rtol=1e-8)


def test_contrasts_carry_their_reference() -> None:
    X, grade, cluster = cohort()
    plain = ordinal_contrast(fit_ordinal(X, grade, names=NAMES, levels=LEVELS), [1, 0], ratio=True)[0]
    log = ordinal_contrast(fit_ordinal(X, grade, names=NAMES, levels=LEVELS), [1, 0])[0]
    assert plain.conf_high == pytest.approx(
        np.exp(log.value + stats.norm.ppf(0.975) * log.std_error), rel=1e-10
    )
    assert log.p_value == pytest.approx(2 * stats.norm.sf(abs(log.value / log.std_error)), rel=1e-10)
    fit = fit_ordinal(X, grade, names=NAMES, levels=LEVELS, clusters=cluster)
    e = ordinal_contrast(fit, [1, 0], level=0.9)[0]
    assert e.df == len(np.unique(cluster)) - 1
    assert e.conf_low == pytest.approx(e.value - stats.t.ppf(0.95, e.df) * e.std_error, rel=1e-10)
    cr0 = fit_ordinal(X, grade, names=NAMES, levels=LEVELS, clusters=cluster, covariance="CR0")
    g = fit.n_clusters
    np.testing.assert_allclose(fit.covariance, cr0.covariance * g / (g - 1), rtol=1e-12)
    few = fit_ordinal(X, grade, names=NAMES, levels=LEVELS, clusters=cluster % 5)
    assert "unreliable: 5 clusters" in str(few)


def test_risks_of_every_grade_by_hand_and_by_swap() -> None:
    X, grade, _ = cohort()
    fit = fit_ordinal(X, grade, names=NAMES, levels=LEVELS)
    on, off = X.copy(), X.copy()
    on[:, 0], off[:, 0] = 1.0, 0.0
    found = grade_contrasts(fit, on, off, sampled=False, label="b minus a")
    for e, threshold, level in zip(found, fit.thresholds, LEVELS[1:], strict=True):
        risk = [1 / (1 + np.exp(threshold - block @ fit.coefficients)) for block in (on, off)]
        assert e.value == pytest.approx(100 * (risk[0].mean() - risk[1].mean()), rel=1e-10)
        assert e.contrast == f"b minus a, grade {level} or higher"
    back = grade_contrasts(fit, off, on, sampled=False)
    assert [e.value for e in back] == pytest.approx([-e.value for e in found], rel=1e-12)
    # weights of the average are copies of its cases
    w = np.random.default_rng(2).integers(0, 3, len(X))
    weighted = grade_contrasts(fit, on, off, weights=w, sampled=False)
    copied = grade_contrasts(fit, np.repeat(on, w, axis=0), np.repeat(off, w, axis=0), sampled=False)
    assert [e.std_error for e in weighted] == pytest.approx([e.std_error for e in copied], rel=1e-10)
    assert all(s.std_error > f.std_error for s, f in zip(grade_contrasts(fit, on, off), found, strict=True))


@pytest.mark.parametrize(
    ("change", "options", "code", "words"),
    [
        (lambda X, g: (X, g), {"levels": [*LEVELS, "worst"]}, "empty_group", "worst"),
        (lambda X, g: (X, g), {"levels": LEVELS[:2]}, "unknown_group", "not among none, mild"),
        (lambda X, g: (X, g), {"levels": LEVELS[:1]}, "bad_shape", "2 or"),
        (
            lambda X, g: (np.column_stack([g == "severe", X[:, 1]]).astype(float), g),
            {},
            "separation",
            "by arm",
        ),
        (
            lambda X, g: (np.column_stack([np.ones(len(X)), X[:, 1]]), g),
            {},
            "rank_deficient",
            "arm is constant",
        ),
        (lambda X, g: (X, g), {"covariance": "CR1"}, "bad_choice", "needs the clusters"),
        (
            lambda X, g: (X, g),
            {"clusters": range(120), "covariance": "HC0"},
            "bad_choice",
            "ignores the clusters",
        ),
        (lambda X, g: (X, g), {"clusters": [1] * 120}, "too_few_clusters", "at least 2"),
        (lambda X, g: (X, g), {"max_iter": 1}, "not_converged", "1 steps"),
        (lambda X, g: (X, g), {"covariance": "CR2"}, "bad_choice", "'classical', 'HC0', 'CR0', 'CR1'"),
    ],
)
def test_refusals(change, options, code, words) -> None:
    X, grade, _ = cohort()
    X, grade = change(X, grade)
    with pytest.raises(EstimationError, match=words) as caught:
        fit_ordinal(X, grade, **({"names": NAMES, "levels": LEVELS} | options))
    assert caught.value.code == code


def test_all_grades_high_in_one_group_is_separation_only_at_the_edge() -> None:
    # a group wholly in the middle grade has a finite estimate; one wholly in the highest has none
    X, grade, _ = cohort()
    middle = np.where(X[:, 0] == 1, "mild", grade)
    assert np.isfinite(fit_ordinal(X, middle, names=NAMES, levels=LEVELS).coefficients).all()
    with pytest.raises(EstimationError, match="separation of the grades by arm"):
        fit_ordinal(X, np.where(X[:, 0] == 1, "severe", grade), names=NAMES, levels=LEVELS)


def test_proportional_odds_are_rejected_when_they_are_wrong_and_only_then() -> None:
    rng = np.random.default_rng(8)
    arm = np.repeat([0.0, 1.0], 400)
    even = rng.logistic(size=800) + 0.8 * arm
    right = proportional_odds_test(
        arm[:, None], np.digitize(even, [-0.5, 1]), names=["arm"], levels=[0, 1, 2]
    )
    spread = rng.logistic(size=800) * np.where(arm == 1, 2.5, 1.0)
    wrong = proportional_odds_test(
        arm[:, None], np.digitize(spread, [-0.5, 1]), names=["arm"], levels=[0, 1, 2]
    )
    assert right.p_value > 0.05
    assert wrong.p_value < 1e-4
    assert wrong.column_statistics[0] == pytest.approx(wrong.statistic, rel=1e-10)
    assert str(wrong).startswith("Brant's test of proportional odds: chi-squared(1) = ")
    assert list(wrong.tidy()["contrast"]) == ["all columns", "arm"]


def test_proportional_odds_edges() -> None:
    X, grade, _ = cohort()
    with pytest.raises(EstimationError, match="3 or more"):
        proportional_odds_test(X, grade == "severe", names=NAMES, levels=[False, True])
    # nobody in the first group is severe, but some are mild: one cut is separated, the whole is not
    rare = np.where((X[:, 0] == 0) & (grade == "severe"), "mild", grade)
    found = proportional_odds_test(X, rare, names=NAMES, levels=LEVELS)
    assert found.statistic is None
    assert "separation by arm" in found.reason
    assert len(found.tidy()) == 1


def test_the_kind_of_separation_is_said() -> None:
    # every grade by itself along the column: complete; one shared value between two grades: quasi-complete
    x = np.array([0.0, 1, 2, 3, 4, 5])[:, None]
    grade = np.repeat(LEVELS, 2)
    with pytest.raises(EstimationError, match=r"^complete separation of the grades by x"):
        fit_ordinal(x, grade, names=["x"], levels=LEVELS)
    x[2] = 1.0
    with pytest.raises(EstimationError, match=r"^quasi-complete separation of the grades by x"):
        fit_ordinal(x, grade, names=["x"], levels=LEVELS)


def test_one_case_has_risks_but_no_spread_between_cases() -> None:
    X, grade, cluster = cohort()
    fit = fit_ordinal(X, grade, names=NAMES, levels=LEVELS, clusters=cluster)
    plain = grade_contrasts(fit, [[1.0, 60.0]], [[0.0, 60.0]], sampled=False)
    for e, same in zip(grade_contrasts(fit, [[1.0, 60.0]], [[0.0, 60.0]]), plain, strict=True):
        assert (e.value, e.std_error, e.df) == (same.value, same.std_error, same.df)
        assert (e.n, e.n_missing, e.df) == (1, 0, fit.n_clusters - 1)


def test_ratios_of_risks_by_numerical_differentiation() -> None:
    X, grade, _ = cohort(7)
    fit = fit_ordinal(X, grade, names=NAMES, levels=LEVELS)
    on, off = X.copy(), X.copy()
    on[:, 0], off[:, 0] = 1.0, 0.0
    values = np.r_[fit.thresholds, fit.coefficients]

    def log_ratio(v: np.ndarray, g: int) -> float:
        a, b = (1 / (1 + np.exp(v[g] - block @ v[2:])) for block in (on, off))
        return float(np.log(a.mean() / b.mean()))

    for g, e in enumerate(grade_contrasts(fit, on, off, scale="ratio", sampled=False)):
        slope = np.array(
            [(log_ratio(values + h, g) - log_ratio(values - h, g)) / 2e-6 for h in 1e-6 * np.eye(4)]
        )
        error = np.sqrt(slope @ fit.covariance @ slope)
        assert e.value == pytest.approx(np.exp(log_ratio(values, g)), rel=1e-10)
        assert np.log(e.conf_high / e.value) == pytest.approx(stats.norm.ppf(0.975) * error, rel=1e-6)
        assert e.unit == "ratio"


def test_a_fit_says_what_it_rests_on() -> None:
    X, grade, cluster = cohort(9)
    fit = fit_ordinal(X, grade, names=NAMES, levels=LEVELS)
    assert fit.counts == tuple(int((grade == level).sum()) for level in LEVELS)
    assert (fit.n, fit.n_clusters, fit.df) == (120, 120, np.inf)
    assert "120" in str(fit)
    two = fit_ordinal(X, grade, names=NAMES, levels=LEVELS, clusters=np.arange(120) % 2)
    assert (two.n_clusters, two.df) == (2, 1.0)
    # rows of weight 0 take no part
    w = np.ones(120)
    w[:20] = 0
    less = fit_ordinal(X, grade, names=NAMES, levels=LEVELS, weights=w, clusters=cluster)
    alone = fit_ordinal(X[20:], grade[20:], names=NAMES, levels=LEVELS, clusters=cluster[20:])
    assert (less.n, less.counts, less.n_clusters) == (100, alone.counts, alone.n_clusters)
    np.testing.assert_allclose(less.covariance, alone.covariance, rtol=1e-9)


def test_brant_by_hand_for_one_column() -> None:
    # one column, three grades: the square of the difference of two log odds ratios over its variance, where the two
    # cuts share cases: cov = V1 (X' W12 X) V2 with w12 = P(above the higher) P(not above the lower)
    X, grade, _ = cohort(10, 200)
    arm = X[:, :1]
    codes = np.array([LEVELS.index(g) for g in grade])
    test = proportional_odds_test(arm, grade, names=["arm"], levels=LEVELS)
    full = np.column_stack([np.ones(200), arm])
    fits = [fit_logistic(full, codes > cut, names=["one", "arm"], covariance="classical") for cut in (0, 1)]
    w = fits[1].probabilities * (1 - fits[0].probabilities)
    shared = fits[0].covariance @ (full.T @ (w[:, None] * full)) @ fits[1].covariance
    variance = fits[0].covariance[1, 1] + fits[1].covariance[1, 1] - 2 * shared[1, 1]
    gap = fits[0].coefficients[1] - fits[1].coefficients[1]
    assert test.statistic == pytest.approx(gap**2 / variance, rel=1e-9)
    assert test.p_value == pytest.approx(stats.chi2.sf(gap**2 / variance, 1), rel=1e-9)
    assert (test.df, test.n, test.n_missing) == (1, 200, 0)
    two = proportional_odds_test(X, grade, names=NAMES, levels=LEVELS, n_missing=4)
    assert (two.df, two.n_missing) == (2, 4)
    assert two.tidy()["df"].tolist() == [2, 1, 1]
    assert two.column_p_values[0] == pytest.approx(stats.chi2.sf(two.column_statistics[0], 1), rel=1e-9)
    back = proportional_odds_test(X, grade, names=NAMES, levels=LEVELS[::-1])
    assert back.statistic == pytest.approx(two.statistic, rel=1e-8)


def test_crossed_cuts_are_impossible_not_certain() -> None:
    # a middle grade whose upper cut lies at or below its lower one has no chance at all
    for upper in (0.5, 0.2):
        log_p = _terms(np.array([upper]), np.array([0.5]), np.array([1]), 3)[0]
        assert log_p.tolist() == [-np.inf]
    open_cut = _terms(np.array([0.9]), np.array([0.5]), np.array([1]), 3)[0]
    assert open_cut[0] == pytest.approx(np.log(1 / (1 + np.exp(-0.9)) - 1 / (1 + np.exp(-0.5))), rel=1e-12)
