"""Comparisons of one outcome: who is compared with whom, by which method, and what stands beside it."""

from __future__ import annotations

from dataclasses import replace
from math import comb

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.contingency_tables import StratifiedTable

from outcomes.analysis.comparison import compare
from outcomes.errors import StudyError
from outcomes.stats.proportions.risks import risk_difference, wilson


def _continuous_cohort(make_sample, *, n=240, two_wrists=False, seed=5):
    rng = np.random.default_rng(seed)
    strategy = rng.choice(["cast", "plate", "pins"], n, p=[0.4, 0.4, 0.2])
    reduction = rng.choice(["met", "not met", "indeterminate"], n, p=[0.6, 0.3, 0.1])
    y = 60 + 5.0 * (reduction == "met") + 2.0 * (strategy == "plate") + rng.normal(0, 12, n)
    y[rng.random(n) < 0.1] = np.nan
    patient = [f"p{i // 2 if two_wrists and i < 40 else i}" for i in range(n)]
    sample = make_sample(
        strategy, outcome=y, reduction=reduction, patient=patient, judged=("cast", "plate", "pins")
    )
    frame = pd.DataFrame({"s": strategy, "r": reduction, "y": y})
    return sample, frame


def _binary_cohort(make_sample, *, patient=None):
    """30 of 50 and 10 of 40 at met, 12 of 20 and 9 of 30 at not met; five more are indeterminate."""
    cells = (
        ("plate", "met", 30, 50), ("pins", "met", 10, 40), ("plate", "not met", 12, 20),
        ("pins", "not met", 9, 30), ("pins", "indeterminate", 1, 5),
    )  # fmt: skip
    strategy = [s for s, _, _, n in cells for _ in range(n)]
    reduction = [r for _, r, _, n in cells for _ in range(n)]
    events = [float(i < e) for _, _, e, n in cells for i in range(n)]
    return make_sample(
        strategy,
        outcome=events,
        kind="binary",
        reduction=reduction,
        patient=patient,
        judged=("plate", "pins"),
    )


def _find(contrasts, groups, within):
    return next(c for c in contrasts if c.groups == groups and c.within == within)


def test_every_planned_pair_in_every_stratum(make_sample):
    sample, _ = _continuous_cohort(make_sample)
    comparison = compare(sample, "result")
    pairs = [("cast", "plate"), ("cast", "pins"), ("plate", "pins")]
    assert [(c.within, c.groups) for c in comparison.within_reduction] == [
        (label, pair) for label in ("met", "not met") for pair in pairs
    ]
    assert [c.within for c in comparison.within_strategy] == ["cast", "plate", "pins"]
    assert [c.groups for c in comparison.crude] == pairs
    assert len(comparison.summaries) == 3 * 3 + 3 + 3 + 1


def test_continuous_contrast_is_welch_with_its_own_cases(make_sample):
    sample, frame = _continuous_cohort(make_sample)
    contrast = _find(compare(sample, "result").within_reduction, ("cast", "plate"), "met")
    met = frame[frame.r == "met"]
    a, b = (met.loc[met.s == name, "y"] for name in ("cast", "plate"))
    expected = stats.ttest_ind(a.dropna().to_numpy(), b.dropna().to_numpy(), equal_var=False)
    low, high = expected.confidence_interval(0.95)
    estimate = contrast.estimate
    assert estimate.value == pytest.approx(a.mean() - b.mean(), rel=1e-12)
    assert (estimate.conf_low, estimate.conf_high) == pytest.approx((low, high), rel=1e-9)
    assert estimate.p_value == pytest.approx(expected.pvalue, rel=1e-9)
    assert (estimate.n, estimate.n_missing) == (
        a.notna().sum() + b.notna().sum(),
        a.isna().sum() + b.isna().sum(),
    )
    assert (estimate.contrast, estimate.unit, estimate.method) == ("cast minus plate", "kg", "Welch t")
    shift = contrast.beside[0]
    assert shift.value == pytest.approx(
        np.median(np.subtract.outer(a.dropna().to_numpy(), b.dropna().to_numpy())), rel=1e-12
    )
    assert shift.method.startswith("Hodges-Lehmann")


def test_reduction_contrast_is_met_minus_not_met(make_sample):
    sample, frame = _continuous_cohort(make_sample)
    contrast = _find(compare(sample, "result").within_strategy, ("met", "not met"), "pins")
    means = frame[frame.s == "pins"].groupby("r")["y"].mean()
    assert contrast.estimate.value == pytest.approx(means["met"] - means["not met"], rel=1e-12)
    assert contrast.axis == "reduction"


def test_two_way_model_has_the_interaction_of_the_analysis_of_variance(make_sample):
    sample, frame = _continuous_cohort(make_sample)
    model = compare(sample, "result").two_way
    known = frame[frame.r.isin(["met", "not met"])].dropna()
    table = anova_lm(smf.ols("y ~ C(s) * C(r)", data=known).fit(), typ=2)
    assert model.classical.statistic == pytest.approx(table.loc["C(s):C(r)", "F"], rel=1e-9)
    assert model.classical.p_value == pytest.approx(table.loc["C(s):C(r)", "PR(>F)"], rel=1e-8)
    assert model.classical.df == 2
    cells = known.groupby(["s", "r"])["y"].mean()
    effect = {s: cells[s, "met"] - cells[s, "not met"] for s in ("cast", "plate", "pins")}
    assert [e.value for e in model.pairs] == pytest.approx(
        [effect["cast"] - effect["plate"], effect["cast"] - effect["pins"], effect["plate"] - effect["pins"]]
    )
    assert model.interaction.method == "Wald F, linear regression, HC2 robust, Satterthwaite t"


def test_pooled_mean_difference_is_the_additive_model(make_sample):
    sample, frame = _continuous_cohort(make_sample)
    pooled = compare(sample, "result").pooled[0]
    known = frame[frame.r.isin(["met", "not met"])].dropna()
    fit = smf.ols("y ~ C(s) + I(r == 'met')", data=known).fit(cov_type="HC2")
    assert pooled.estimate.value == pytest.approx(fit.params.iloc[-1], rel=1e-10)
    assert pooled.estimate.std_error == pytest.approx(fit.bse.iloc[-1], rel=1e-9)
    assert pooled.strata == ("cast", "plate", "pins")
    assert pooled.homogeneity.statistic == compare(sample, "result").two_way.interaction.statistic


def test_binary_cells_contrasts_and_ratios(make_sample):
    comparison = compare(_binary_cohort(make_sample), "result")
    cell = next(s for s in comparison.summaries if (s.strategy, s.reduction) == ("pins", "met"))
    assert (cell.events, cell.n, cell.risk.value) == (10, 40, 25.0)
    assert cell.risk.conf_low == pytest.approx(wilson(10, 40).conf_low * 100)
    contrast = _find(comparison.within_reduction, ("plate", "pins"), "met")
    expected = risk_difference(30, 50, 10, 40)
    assert contrast.estimate.value == pytest.approx(35.0)
    assert contrast.estimate.conf_low == pytest.approx(expected.conf_low * 100)
    assert contrast.estimate.method == "Newcombe"
    assert [e.value for e in contrast.beside] == pytest.approx([(30 / 50) / (10 / 40), (30 / 20) / (10 / 30)])
    assert contrast.beside[0].contrast == "plate over pins"
    pearson = stats.chi2_contingency([[30, 20], [10, 30]], correction=False).pvalue
    assert contrast.estimate.p_value == pytest.approx(pearson, rel=1e-10)
    assert contrast.p_exact == pytest.approx(stats.fisher_exact([[30, 20], [10, 30]]).pvalue, rel=1e-9)
    assert not contrast.sparse


def test_mantel_haenszel_across_reduction_and_across_strategies(make_sample):
    comparison = compare(_binary_cohort(make_sample), "result")
    by_reduction = StratifiedTable([np.array([[30, 20], [10, 30]]), np.array([[12, 8], [9, 21]])])
    strategy = next(p for p in comparison.pooled if p.axis == "strategy")
    assert strategy.beside[1].value == pytest.approx(by_reduction.oddsratio_pooled, rel=1e-12)
    assert (strategy.beside[1].conf_low, strategy.beside[1].conf_high) == pytest.approx(
        by_reduction.oddsratio_pooled_confint(), rel=1e-9
    )
    assert strategy.beside[0].value == pytest.approx(by_reduction.riskratio_pooled, rel=1e-12)
    tarone = by_reduction.test_equal_odds(adjust=True)
    assert strategy.homogeneity.statistic == pytest.approx(tarone.statistic, rel=1e-9)
    assert strategy.strata == ("met", "not met")
    across = StratifiedTable([np.array([[30, 20], [12, 8]]), np.array([[10, 30], [9, 21]])])
    reduction = next(p for p in comparison.pooled if p.axis == "reduction")
    assert reduction.beside[1].value == pytest.approx(across.oddsratio_pooled, rel=1e-12)
    assert reduction.test.p_value == pytest.approx(across.test_null_odds().pvalue, rel=1e-9)
    # Mantel-Haenszel weights n1 n0 / n on the two risk differences, 0 and -5 points
    weights = np.array([50 * 20 / 70, 40 * 30 / 70])
    assert reduction.estimate.value == pytest.approx(weights @ [0.0, -5.0] / weights.sum(), rel=1e-10)
    assert reduction.estimate.unit == "percentage points"


def test_sparse_table_is_tested_exactly(make_sample):
    sample = make_sample(["a"] * 12 + ["b"] * 15, outcome=[1.0] * 3 + [0.0] * 24, kind="binary")
    contrast = compare(sample, "result").crude[0]
    assert contrast.sparse
    assert contrast.test == "Fisher exact"
    assert contrast.estimate.p_value == pytest.approx(stats.fisher_exact([[3, 9], [0, 15]]).pvalue, rel=1e-9)
    assert contrast.estimate.method == "Newcombe"
    assert contrast.beside[0].value is None  # no events in b: nothing is added to the empty cell
    assert "no events in group 0" in contrast.beside[0].reason


def test_sparse_table_of_three_strategies_is_tested_exactly(make_sample):
    # 3/5, 0/6 and 1/7: by hand through all tables with these margins, 4 events among 18 cases
    outcome = [1.0] * 3 + [0.0] * 2 + [0.0] * 6 + [1.0] + [0.0] * 6
    sample = make_sample(["a"] * 5 + ["b"] * 6 + ["c"] * 7, outcome=outcome, kind="binary")
    test = compare(sample, "result").tests[-1]
    chance = {
        (i, j): comb(5, i) * comb(6, j) * comb(7, 4 - i - j) / comb(18, 4)
        for i in range(5)
        for j in range(5 - i)
    }
    seen = chance[3, 0] * (1 + 1e-9)
    assert test.symbol == "exact"
    assert test.p_value == pytest.approx(sum(p for p in chance.values() if p <= seen), rel=1e-10)
    assert str(test).endswith("(Fisher-Freeman-Halton exact)")


def test_two_wrists_are_clustered_and_the_unclustered_interval_is_kept(make_sample):
    sample, _ = _continuous_cohort(make_sample, two_wrists=True)
    comparison = compare(sample, "result")
    assert comparison.n_two_wrists == 20
    contrast = _find(comparison.within_reduction, ("cast", "plate"), "met")
    assert contrast.estimate.method.startswith("linear regression, CR2 cluster-robust")
    assert contrast.beside[0].method == "Welch t"
    assert contrast.beside[0].value == pytest.approx(contrast.estimate.value, rel=1e-12)
    single, _ = _continuous_cohort(make_sample)
    assert (
        _find(compare(single, "result").within_reduction, ("cast", "plate"), "met").estimate
        == contrast.beside[0]
    )
    assert any("20 patients have more than one eligible case" in note for note in comparison.notes)


def test_clustering_widens_when_wrists_of_a_patient_are_alike(make_sample):
    rng = np.random.default_rng(8)
    patient = np.repeat(np.arange(60), 2)
    arm = np.where(patient % 2, "a", "b")
    y = rng.normal(size=60)[patient] + rng.normal(0, 0.05, 120)
    contrast = compare(make_sample(arm, outcome=y, patient=[f"p{i}" for i in patient]), "result").crude[0]
    # pairs that are nearly copies: the variance of a mean is nearly doubled, up to a factor (1 - 1/n) for n - 1
    ratio = contrast.estimate.std_error / contrast.beside[0].std_error
    assert ratio == pytest.approx(np.sqrt(2 * 59 / 58), rel=0.01)


def test_two_wrists_and_a_binary_outcome(make_sample):
    patient = [f"p{i // 2 if i < 20 else i}" for i in range(145)]
    comparison = compare(_binary_cohort(make_sample, patient=patient), "result")
    contrast = _find(comparison.within_reduction, ("plate", "pins"), "met")
    assert contrast.estimate.value == pytest.approx(35.0)
    assert contrast.estimate.method.startswith("linear regression, CR2")
    assert contrast.beside[0].method == "Newcombe"
    pooled = comparison.pooled[0]
    assert pooled.estimate.method == "Mantel-Haenszel, Sato"
    assert pooled.beside[0].method.startswith("linear regression, CR2")
    assert pooled.beside[0].unit == "percentage points"
    assert comparison.tests[0].symbol == "F"
    sparse = make_sample(
        ["a"] * 12 + ["b"] * 15, outcome=[1.0] * 3 + [0.0] * 24, kind="binary",
        patient=["p0", "p0", *(f"p{i}" for i in range(1, 26))],
    )  # fmt: skip
    contrast = compare(sparse, "result").crude[0]
    assert (contrast.estimate.method, contrast.test) == ("Newcombe", "Fisher exact")
    assert contrast.beside[0].method.startswith("linear regression, CR2")


def test_holm_over_the_declared_family_only(make_sample):
    sample, _ = _continuous_cohort(make_sample)
    comparison = compare(sample, "result")
    family = [*comparison.within_reduction, *comparison.within_strategy]
    assert comparison.family_size == len(family) == 9
    raw = np.array([c.estimate.p_value for c in family])
    smallest = family[int(raw.argmin())]
    assert smallest.p_holm == pytest.approx(min(1.0, 9 * raw.min()))
    assert all(c.p_holm >= c.estimate.p_value for c in family)
    assert [c.p_holm for c in comparison.crude] == [None] * 3


def test_without_reduction_only_crude_totals(make_sample):
    sample = make_sample(["a"] * 5 + ["b"] * 5, outcome=list(range(10)))
    comparison = compare(sample, "result")
    assert not comparison.asked
    assert (comparison.within_reduction, comparison.within_strategy, comparison.pooled) == ((), (), ())
    assert comparison.two_way is None
    assert comparison.crude[0].p_holm == comparison.crude[0].estimate.p_value
    assert comparison.family == "all pairs of planned strategies for this outcome"


def test_totals_use_total_values_and_strata_do_not(make_sample):
    values, total = [0.0, 0, 1, 0, 0, 1, 0, 0], [1.0, 1, 1, 0, 0, 1, 0, 0]
    sample = make_sample(
        ["a"] * 4 + ["b"] * 4, outcome=values, total=total, kind="binary", reduction=["met"] * 8
    )
    comparison = compare(sample, "result")
    assert comparison.crude[0].estimate.value == pytest.approx(50.0)  # 3/4 - 1/4
    assert comparison.within_reduction[0].estimate.value == pytest.approx(0.0)  # 1/4 - 1/4
    everybody = comparison.summaries[-1]
    assert (everybody.strategy, everybody.reduction, everybody.events) == ("", "", 4)


def test_only_eligible_cases_count(make_sample):
    eligible = [True, True, False, True, True, False]
    sample = make_sample(["a", "a", "a", "b", "b", "b"], outcome=[1.0, 2, 99, 3, 4, 99], eligible=eligible)
    comparison = compare(sample, "result")
    assert comparison.n_eligible == 4
    assert comparison.crude[0].estimate.value == pytest.approx(-2.0)


def test_empty_and_thin_cells_say_why(make_sample):
    sample = make_sample(
        ["a"] * 6 + ["b"] * 4, outcome=[1.0, 2, 3, 4, 5, 6, 7, 8, 9, 10],
        reduction=["met"] * 3 + ["not met"] * 3 + ["met"] * 4, judged=("a", "b", "c"),
    )  # fmt: skip
    comparison = compare(sample, "result")
    thin = _find(comparison.within_reduction, ("a", "b"), "not met").estimate
    assert (thin.value, thin.reason) == (
        None,
        "n too small: 3 and 0 values, at least 2 in each group are needed",
    )
    assert comparison.family_size == 2
    assert comparison.two_way.left_out == ("b",)
    assert "fewer than two strata" in comparison.two_way.interaction.reason
    assert "planned strategies without an eligible case: c" in comparison.notes
    assert "n too small" in str(comparison) or "not estimable" in str(comparison)


@pytest.mark.parametrize("kind", ["continuous", "binary"])
@pytest.mark.parametrize("patient", [None, ["p"] * 8])
def test_nobody_has_the_outcome(make_sample, kind, patient):
    sample = make_sample(
        ["a", "b"] * 4, outcome=[np.nan] * 8, kind=kind, reduction=["met", "met", "not met", "not met"] * 2,
        patient=patient,
    )  # fmt: skip
    comparison = compare(sample, "result")
    assert comparison.n_missing == 8
    assert all(c.estimate.value is None for c in (*comparison.within_reduction, *comparison.crude))
    assert all(p.estimate.value is None for p in comparison.pooled)
    assert all(test.p_value is None for test in comparison.tests)
    assert comparison.family_size == 0
    assert "0 of 8" in str(comparison)


def test_one_patient_only_is_not_estimable(make_sample):
    sample = make_sample(
        ["a", "b"] * 4, outcome=[1.0, 2, 3, 4, 5, 6, 7, 9], patient=["p"] * 8,
        reduction=["met", "met", "not met", "not met"] * 2,
    )  # fmt: skip
    comparison = compare(sample, "result")
    assert "at least 2" in comparison.crude[0].estimate.reason
    assert comparison.pooled[0].estimate.value is None


def test_tidy_uses_the_common_columns(make_sample):
    sample, _ = _continuous_cohort(make_sample)
    tidy = compare(sample, "result").tidy()
    common = [
        "outcome",
        "group",
        "contrast",
        "estimate",
        "std_error",
        "conf_low",
        "conf_high",
        "p_value",
        "n",
    ]
    assert set([*common, "n_missing", "unit", "method"]) <= set(tidy.columns)
    assert tidy.section.drop_duplicates().tolist() == [
        "summary", "strategy within reduction", "reduction within strategy", "crude total", "pooled over strata",
        "two-way model", "joint test",
    ]  # fmt: skip
    reported = tidy[(tidy.section == "strategy within reduction") & tidy.reported]
    assert len(reported) == 6
    assert reported.p_holm.notna().all()
    assert (tidy.outcome == "result").all()


def test_page_and_paragraph(make_sample):
    sample, _ = _continuous_cohort(make_sample)
    comparison = compare(sample, "result")
    text = str(comparison)
    assert text.startswith(f"result: known in {240 - comparison.n_missing} of 240 eligible cases.")
    assert "With cast, met minus not met" in text
    assert "(9 tests; they decide nothing)" in text
    page = replace(comparison, label="<grip>")._repr_html_()
    assert "&lt;grip&gt;" in page
    assert len(page) < 6000


@pytest.mark.parametrize("kind", ["continuous", "binary"])
def test_a_rare_strategy_is_pooled_but_does_not_carry_homogeneity(make_sample, kind):
    strategy = ["a"] * 40 + ["b"] * 40 + ["rare"] * 4
    reduction = (["met"] * 20 + ["not met"] * 20) * 2 + ["met", "met", "not met", "not met"]
    outcome = [float(i % 3 == 0) for i in range(80)] + [1.0, 1.0, 0.0, 0.0]
    sample = make_sample(strategy, outcome=outcome, reduction=reduction, kind=kind, judged=("a", "b"))
    pooled = compare(sample, "result").pooled[0]
    assert pooled.strata == ("a", "b", "rare")
    assert pooled.homogeneity.df == 1
    if kind == "continuous":
        assert compare(sample, "result").two_way.left_out == ("rare",)


def test_unknown_outcome_is_refused(make_sample):
    sample, _ = _continuous_cohort(make_sample)
    with pytest.raises(StudyError, match="no outcome 'grip' in this study; it has: result"):
        compare(sample, "grip")
