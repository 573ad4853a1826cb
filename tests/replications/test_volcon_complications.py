"""Complications in the VOLCON trial: volar plating against non-operative treatment.

Source: J Orthop Traumatol 2022, doi 10.1186/s10195-022-00673-4. Printed: 9 of 43 (20.9 %) operated against 7 of
42 (16.6 %, truncated from 16.67) non-operative, p = .78 by Fisher's exact test. Intervals, ratios and the fourth
digit of p are not printed; they were recomputed from the counts for this project with other software and are
marked so.
"""

from __future__ import annotations

import pytest
from trial_table import PublishedTable

PLATE, CAST = "volar locking plate", "closed reduction and cast"
COLUMNS = {
    "Treatment": {"is": "operation_text"},
    "Any complication": {
        "is": "covariate", "name": "any_complication", "kind": "yes_no", "yes": ["yes"], "no": ["no"],
    },
}  # fmt: skip
STUDY = {
    "title": "Complications of plating and casting",
    "strategy": {"judged": [PLATE, CAST]},
    "outcomes": [{"name": "any_complication", "role": "primary", "better": "lower"}],
}


@pytest.fixture
def analysis(tmp_path):
    published = PublishedTable(tmp_path)
    table = published.write([
        ({"Treatment": "open reduction, volar locking plate"}, {"Any complication": (9, 43)}),
        ({"Treatment": "closed reduction, plaster cast"}, {"Any complication": (7, 42)}),
    ])  # fmt: skip
    return published.analyse(table, COLUMNS, STUDY)


def test_strategies_are_labelled_from_the_operation_text(analysis):
    assert analysis.sample.frame["strategy"].value_counts().to_dict() == {PLATE: 43, CAST: 42}


def test_printed_exact_p(analysis):
    contrast = analysis.comparisons[0].crude[0]
    assert round(contrast.p_exact, 2) == 0.78
    assert round(contrast.p_exact, 4) == 0.7825  # recomputed, not printed


def test_printed_percentages_and_recomputed_intervals(analysis):
    comparison = analysis.comparisons[0]
    plate, cast = (next(s for s in comparison.summaries if s.strategy == name) for name in (PLATE, CAST))
    assert (plate.events, plate.n, cast.events, cast.n) == (9, 43, 7, 42)
    assert (round(plate.risk.value, 1), round(cast.risk.value, 2)) == (20.9, 16.67)
    # recomputed, not printed: Wilson
    assert [round(x, 1) for x in (plate.risk.conf_low, plate.risk.conf_high)] == [11.4, 35.2]
    assert [round(x, 1) for x in (cast.risk.conf_low, cast.risk.conf_high)] == [8.3, 30.6]


def test_recomputed_differences_and_ratios(analysis):
    contrast = analysis.comparisons[0].crude[0]
    assert contrast.groups == (PLATE, CAST)
    # Recomputed, not printed: Newcombe in percentage points, Katz, Woolf. The lower limit of the risk ratio by hand:
    # 1.25581 exp(-1.95996 sqrt(1/9 - 1/43 + 1/7 - 1/42)) = 0.5149.
    difference = contrast.estimate
    assert [round(x, 1) for x in (difference.value, difference.conf_low, difference.conf_high)] == [
        4.3,
        -12.6,
        20.8,
    ]
    risk, odds = contrast.beside
    assert [round(x, 2) for x in (risk.value, risk.conf_low, risk.conf_high)] == [1.26, 0.51, 3.06]
    assert [round(x, 2) for x in (odds.value, odds.conf_low, odds.conf_high)] == [1.32, 0.44, 3.96]


def test_only_the_crude_total_is_given(analysis):
    answer = analysis.answers[0]
    assert answer.reduction_state == "not asked"
    assert (answer.reduction, answer.pairs, answer.interaction) == (None, (), ())
    assert [effect.groups for effect in answer.total_pairs] == [(PLATE, CAST)]
    # Recomputed, not printed: the raw difference in percentage points with Newcombe's limits.
    estimate = answer.total_pairs[0].estimate
    assert [round(x, 1) for x in (estimate.value, estimate.conf_low, estimate.conf_high)] == [
        4.3,
        -12.6,
        20.8,
    ]
    assert answer.model.startswith("Raw risks")
    assert estimate.n == 85
