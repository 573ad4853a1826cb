"""Only what was known before the index strategy is adjusted for."""

from __future__ import annotations

import datetime as dt
import tomllib
from dataclasses import replace
from importlib import resources

import pytest

import outcomes
import synthetic_cohort
from outcomes.analysis.answer import answer_question
from outcomes.analysis.assembly import assemble
from outcomes.analysis.protocol import EligibilityRule, OutcomePlan, ReductionPlan, StrategyPlan, Study
from outcomes.analysis.time_order import check_time_order
from outcomes.errors import StudyError

PLAN = Study(
    title="Invented",
    declared=dt.date(2026, 1, 1),
    strategy=StrategyPlan(judged=("volar locking plate", "percutaneous pinning")),
    reduction=ReductionPlan(criteria="common-practice"),
    outcomes=(OutcomePlan(name="grip_share", visit="12 months", role="primary", better="higher"),),
    covariates=("age", "tilt_injury", "tilt_before", "dominant_injured"),
    pattern="pattern",
)


@pytest.fixture(scope="module")
def cohort():
    text = resources.files("synthetic_cohort").joinpath("data/dictionary.toml").read_text(encoding="utf-8")
    dictionary = tomllib.loads(text)
    return outcomes.read_cohort(
        synthetic_cohort.generate(120, "both", seed=1)[list(dictionary["columns"])], dictionary
    )


def test_what_was_known_before_is_taken(cohort):
    assert not any("eligibility" in text for text in assemble(cohort, PLAN).warnings)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("reduction", "reduction is or makes up"),
        ("strategy", "strategy is or makes up"),
        ("component_volar_plate", "component_volar_plate is or makes up"),
        ("tilt_postoperative", "tilt_postoperative is from postoperative; use tilt_before"),
        ("grip_injured_12_months", "grip_injured_12_months is from 12 months"),
    ],
)
def test_what_came_after_is_refused_by_name(cohort, name, said):
    with pytest.raises(StudyError, match="before the index strategy") as caught:
        assemble(cohort, replace(PLAN, covariates=(*PLAN.covariates, name)))
    assert said in str(caught.value)
    assert caught.value.code == "covariate_after_strategy"


def test_the_post_reduction_film_is_before_an_operation_and_after_a_cast(cohort):
    plan = replace(PLAN, covariates=("tilt_post_reduction",))
    columns = cohort.dictionary.columns
    assert check_time_order(plan, columns, ["volar locking plate"]) == ()
    with pytest.raises(StudyError, match="post-reduction; use tilt_before"):
        check_time_order(plan, columns, ["volar locking plate", "closed reduction and cast"])


def test_a_pattern_from_after_the_strategy_is_refused(cohort):
    with pytest.raises(StudyError, match="before the index strategy"):
        assemble(cohort, replace(PLAN, pattern="reduction"))


def test_without_reduction_total_effects_are_held_to_the_same(cohort):
    with pytest.raises(StudyError, match="before the index strategy"):
        assemble(cohort, replace(PLAN, reduction=None, covariates=("tilt_postoperative",)))


def test_the_other_hand_is_not_touched_by_the_strategy(cohort):
    sample = assemble(cohort, replace(PLAN, covariates=("age", "grip_other_12_months")))
    assert sample.study.covariates[-1] == "grip_other_12_months"


def test_eligibility_that_looks_ahead_is_said(cohort):
    rule = EligibilityRule(column="grip_injured_12_months", at_least=1.0, reason="grip not measured")
    sample = assemble(cohort, replace(PLAN, eligibility=(rule,)))
    assert any("selects on what came after" in text for text in sample.warnings)
    only_met = EligibilityRule(column="reduction", one_of=("met",), reason="criteria not met")
    sample = assemble(cohort, replace(PLAN, eligibility=(only_met,)))
    assert any("eligibility by reduction selects" in text for text in sample.warnings)


@pytest.mark.parametrize(
    ("column", "levels", "said"),
    [
        ("sex", ("femal", "male"), "'femal'; the column has female, male"),
        ("open_injury", ("nope",), "'nope'; the column has yes, no"),
    ],
)
def test_a_level_that_no_case_can_have_is_refused(cohort, column, levels, said):
    rule = EligibilityRule(column=column, one_of=levels, reason="other")
    with pytest.raises(StudyError, match=said) as caught:
        assemble(cohort, replace(PLAN, eligibility=(rule,)))
    assert caught.value.code == "unknown_level"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"covariates": ("age", "age")}, "covariates names age more than once"),
        ({"strategy": StrategyPlan(judged=("nail", "nail"))}, "judged names nail more than once"),
        ({"seed": -1}, "at least 0"),
        ({"limits": {"propensity_min": float("nan")}}, "limits propensity_min cannot be meant"),
        ({"limits": {"judged_met_min": 0.0}}, "limits judged_met_min cannot be meant"),
        ({"limits": {"indeterminate_max": 20.0}}, "limits indeterminate_max cannot be meant"),
    ],
)
def test_plans_that_cannot_be_meant_are_refused(change, said):
    with pytest.raises(StudyError, match=said):
        replace(PLAN, **change)


def test_a_window_that_ends_before_it_begins_is_refused():
    with pytest.raises(StudyError, match="at least 1"):
        OutcomePlan(name="complication", better="lower", window_days=-5)


@pytest.mark.parametrize(
    ("pattern", "said"), [("nope", "is not in this cohort"), ("age", "holds numbers or dates")]
)
def test_a_pattern_must_be_a_category_of_the_cohort(cohort, pattern, said):
    with pytest.raises(StudyError, match=said):
        assemble(cohort, replace(PLAN, pattern=pattern))


def test_a_yes_no_pattern_with_missing_values_is_levels(cohort):
    data = cohort.data.copy()
    data.loc[data.index[:20], "open_injury"] = float("nan")
    sample = assemble(replace(cohort, data=data), replace(PLAN, pattern="open_injury"))
    answer = answer_question(sample, "grip_share_12_months")
    assert {row.pattern for row in answer.outside} <= {"1.0", "0.0", "not recorded"}


def test_cases_without_a_surgeon_are_clustered_by_patient(cohort):
    data = cohort.data.copy()
    data["surgeon"] = None
    data.loc[data.index[:2], "patient_id"] = "one patient"
    sample = assemble(replace(cohort, data=data), replace(PLAN, cluster="surgeon"))
    assert sample.frame["cluster"].nunique() == data["patient_id"].nunique()
    assert sample.frame["cluster"].iloc[0] == sample.frame["cluster"].iloc[1]
    assert any("clustered by patient" in text for text in sample.warnings)
