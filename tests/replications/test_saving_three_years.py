"""Reoperation and osteoarthritis three years after volar locking plate or external fixation.

Source: Saving J, Enocson A, Ponzer S, Mellstrand Navarro C. External fixation versus volar locking plate for
unstable dorsally displaced distal radius fractures - a 3-year follow-up of a randomized controlled study. Printed
in the abstract: reoperation 21 % (13 of 62) in the plate group and 14 % (8 of 56) in the fixation group;
osteoarthritis 42 % (25 of 59) and 28 % (15 of 53). Intervals, ratios and p are not printed there; they were
recomputed from the counts for this project with other software and are marked so.
"""

from __future__ import annotations

import pytest
from trial_table import PublishedTable

PLATE, FIXATION = "volar locking plate", "external fixation"
YES_NO = {"yes": ["yes"], "no": ["no"]}
COLUMNS = {
    "Plate": {"is": "component", "component": "volar_plate", **YES_NO},
    "Fixator": {"is": "component", "component": "external_fixator_bridging", **YES_NO},
    "Reoperation": {"is": "covariate", "name": "reoperation", "kind": "yes_no", **YES_NO},
    "Osteoarthritis": {"is": "covariate", "name": "osteoarthritis", "kind": "yes_no", **YES_NO},
}
# Wires were optional beside the fixator and are not reported arm by arm: the augmented and the unaugmented
# label are grouped, so that neither is claimed.
GROUPS = {
    FIXATION: [
        "bridging external fixation, augmented", "bridging external fixation, unaugmented",
        "non-bridging external fixation, augmented", "non-bridging external fixation, unaugmented",
    ],
}  # fmt: skip
STUDY = {
    "title": "Three years after plate or fixator",
    "strategy": {"judged": [PLATE, FIXATION], "groups": GROUPS},
    "outcomes": [
        {"name": "reoperation", "role": "primary", "better": "lower"},
        {"name": "osteoarthritis", "better": "lower"},
    ],
}


@pytest.fixture
def analysis(tmp_path):
    published = PublishedTable(tmp_path)
    table = published.write([
        ({"Plate": "yes", "Fixator": "no"}, {"Reoperation": (13, 62), "Osteoarthritis": (25, 59)}),
        ({"Plate": "no", "Fixator": "yes"}, {"Reoperation": (8, 56), "Osteoarthritis": (15, 53)}),
    ])  # fmt: skip
    return published.analyse(table, COLUMNS, STUDY)


def _comparison(analysis, key):
    return next(c for c in analysis.comparisons if c.key == key)


def _rounded(estimate, digits):
    return [round(x, digits) for x in (estimate.value, estimate.conf_low, estimate.conf_high)]


@pytest.mark.parametrize(
    ("key", "plate", "fixation", "percents"),
    [("reoperation", (13, 62), (8, 56), (21, 14)), ("osteoarthritis", (25, 59), (15, 53), (42, 28))],
)
def test_printed_counts_and_percentages(analysis, key, plate, fixation, percents):
    summaries = {s.strategy: s for s in _comparison(analysis, key).summaries if s.strategy}
    assert (summaries[PLATE].events, summaries[PLATE].n) == plate
    assert (summaries[FIXATION].events, summaries[FIXATION].n) == fixation
    assert (round(summaries[PLATE].risk.value), round(summaries[FIXATION].risk.value)) == percents


@pytest.mark.parametrize(
    ("key", "difference", "ratio", "exact"),
    [
        # recomputed, not printed: Newcombe in percentage points, Katz, Fisher
        ("reoperation", [6.7, -7.5, 20.2], [1.47, 0.66, 3.28], 0.47),
        ("osteoarthritis", [14.1, -3.7, 30.4], [1.50, 0.89, 2.52], 0.17),
    ],
)
def test_recomputed_differences_and_ratios(analysis, key, difference, ratio, exact):
    contrast = _comparison(analysis, key).crude[0]
    assert contrast.groups == (PLATE, FIXATION)
    assert _rounded(contrast.estimate, 1) == difference
    assert contrast.estimate.method == "Newcombe"
    assert _rounded(contrast.beside[0], 2) == ratio
    assert round(contrast.p_exact, 2) == exact


def test_recomputed_chi_squared_of_osteoarthritis(analysis):
    test = next(t for t in _comparison(analysis, "osteoarthritis").tests if t.symbol == "chi2")
    assert round(test.p_value, 2) == 0.12  # recomputed, not printed


def test_wrists_without_radiographs_at_three_years_are_counted_as_missing(analysis):
    contrast = _comparison(analysis, "osteoarthritis").crude[0]
    assert (contrast.estimate.n, contrast.estimate.n_missing) == (112, 6)


def test_reduction_is_not_asked(analysis):
    assert {answer.reduction_state for answer in analysis.answers} == {"not asked"}
    assert all(len(answer.total_pairs) == 1 for answer in analysis.answers)
