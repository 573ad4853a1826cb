"""The bundled invented cohort, clean and as a department keeps it, gets the same labels."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pandas as pd
import pytest

from outcomes.cohort.complications import complication_outcomes
from outcomes.cohort.fixation import classify_fixation
from outcomes.cohort.function import grip_share, rotation_arc
from outcomes.cohort.reduction import grade_reduction
from outcomes.cohort.table import Cohort, read_cohort

FILES = resources.files("synthetic_cohort") / "data"


@pytest.fixture(scope="module")
def cohorts() -> tuple[Cohort, Cohort]:
    pairs = [("cohort.csv", "dictionary.toml"), ("department.xlsx", "department_dictionary.toml")]
    clean, kept = (read_cohort(str(FILES / table), str(FILES / words)) for table, words in pairs)
    return clean, kept


def test_strategy(cohorts: tuple[Cohort, Cohort]) -> None:
    clean, kept = (pd.Series(classify_fixation(each).strategy).value_counts() for each in cohorts)
    pd.testing.assert_series_equal(clean.sort_index(), kept.sort_index())
    assert "unclear" not in clean.index


def test_events_and_function(cohorts: tuple[Cohort, Cohort]) -> None:
    clean, kept = (complication_outcomes(each, exclude_reduction_linked=True) for each in cohorts)
    assert (clean.n_cases_with, len(clean.events)) == (kept.n_cases_with, len(kept.events))
    assert clean.excluded == kept.excluded
    for each in cohorts:
        share, arc = grip_share(each, "12 months"), rotation_arc(each, "12 months")
        assert share.n + sum(share.reasons.values()) == arc.n + sum(arc.reasons.values()) == len(each.data)
        assert 60 < np.nanmean(share.values) < 100


def test_reduction(cohorts: tuple[Cohort, Cohort]) -> None:
    for each in cohorts:
        cast = classify_fixation(each).strategy == "closed reduction and cast"
        films = np.where(cast, "post-reduction", "postoperative")
        grades = grade_reduction(each, "common-practice", films)
        step = grades.per_criterion["articular step"]
        assert (step == "not applicable").sum() == each.data["fracture_class"].astype(str).str.contains(
            "A"
        ).sum()
        assert 0.3 < (grades.overall == "met").mean() < 0.8
