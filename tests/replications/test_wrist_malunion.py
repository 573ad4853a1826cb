"""Malunion at 24 months in the four arms of the Wrist and Radius Injury Surgical Trial.

Source: 24-month outcomes of the trial (PubMed 34137830); counts and test as printed in an abridged abstract:
casting 26 (59.1 %), the three operated arms 4 (8.0 %), 8 (17.0 %) and 4 (9.8 %), chi-squared(3) = 43.6,
P < .001. The denominators 44, 50, 47 and 41 are the only ones that give these percentages and add to the 182
analysed. The abstract at hand does not say which operated arm is which; they are numbered here.
"""

from __future__ import annotations

import pytest
from trial_table import PublishedTable

ARMS = {"casting": (26, 44), "operated arm 1": (4, 50), "operated arm 2": (8, 47), "operated arm 3": (4, 41)}
COLUMNS = {
    "Arm": {"is": "covariate", "name": "arm", "kind": "category", "levels": {name: [] for name in ARMS}},
    "Malunion": {"is": "covariate", "name": "malunion", "kind": "yes_no", "yes": ["yes"], "no": ["no"]},
}
STUDY = {
    "title": "Malunion by arm",
    "strategy": {"judged": list(ARMS), "recorded_column": "arm"},
    "outcomes": [{"name": "malunion", "role": "primary", "better": "lower"}],
}


@pytest.fixture
def analysis(tmp_path):
    published = PublishedTable(tmp_path)
    table = published.write([({"Arm": arm}, {"Malunion": counts}) for arm, counts in ARMS.items()])
    return published.analyse(table, COLUMNS, STUDY)


def test_printed_chi_squared(analysis):
    test = next(t for t in analysis.comparisons[0].tests if t.symbol == "chi2")
    assert round(test.statistic, 1) == 43.6
    assert test.df == 3
    assert test.p_value < 0.001
    assert test.n == 182


def test_printed_percentages(analysis):
    totals = {s.strategy: s for s in analysis.comparisons[0].summaries if s.strategy and not s.reduction}
    assert {name: (s.events, s.n) for name, s in totals.items()} == ARMS
    assert [round(totals[name].risk.value, 1) for name in ARMS] == [59.1, 8.0, 17.0, 9.8]


def test_reduction_is_not_asked_and_only_totals_are_compared(analysis):
    comparison, answer = analysis.comparisons[0], analysis.answers[0]
    assert not comparison.asked
    assert (comparison.within_reduction, comparison.within_strategy, comparison.pooled) == ((), (), ())
    assert len(comparison.crude) == 6
    assert answer.reduction_state == "not asked"
    assert answer.reduction is None
    assert (answer.pairs, answer.interaction) == ((), ())
    assert analysis.baseline_by_reduction is None


def test_total_effects_without_covariates_are_the_crude_differences(analysis):
    answer = analysis.answers[0]
    crude = {c.groups: c.estimate.value for c in analysis.comparisons[0].crude}
    assert {effect.groups for effect in answer.total_pairs} == set(crude)
    for effect in answer.total_pairs:
        assert effect.estimate.value == pytest.approx(crude[effect.groups], abs=1e-8)


def test_labels_come_from_the_recorded_column(analysis):
    frame = analysis.sample.frame
    assert frame["strategy_rule"].unique().tolist() == ["as recorded in arm"]
    assert frame["eligible"].all()
