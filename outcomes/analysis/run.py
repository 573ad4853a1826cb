"""The whole study in one call: sample, description, comparisons, answers."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.analysis.answer import Answer, answer_question
from outcomes.analysis.assembly import assemble
from outcomes.analysis.comparison import Comparison, compare
from outcomes.analysis.description import BaselineTable, OverlapTable, baseline_table, overlap_table
from outcomes.analysis.protocol import Study
from outcomes.analysis.sample import StudySample
from outcomes.cohort.table import Cohort


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """Everything one run of a study computed, before any rounding.

    Attributes
    ----------
    cohort : Cohort
    sample : StudySample
    baseline_by_strategy, baseline_by_reduction : BaselineTable or None
    overlap : OverlapTable or None
    comparisons : tuple of Comparison
        One per outcome, in plan order.
    answers : tuple of Answer
        The primary outcome's first.
    warnings : tuple of str
    """

    cohort: Cohort
    sample: StudySample
    baseline_by_strategy: BaselineTable
    baseline_by_reduction: BaselineTable | None
    overlap: OverlapTable | None
    comparisons: tuple[Comparison, ...]
    answers: tuple[Answer, ...]
    warnings: tuple[str, ...]


def analyse(cohort: Cohort, study: Study) -> Analysis:
    """Run a whole study: label, describe, compare, answer.

    Parameters
    ----------
    cohort : Cohort
        From :func:`outcomes.cohort.table.read_cohort`.
    study : Study
        The declared plan.

    Returns
    -------
    Analysis

    Raises
    ------
    StudyError, CriteriaError
        The plan asks for something the cohort does not have.
    """
    sample = assemble(cohort, study)
    ordered = sorted(study.outcomes, key=lambda plan: plan.role != "primary")
    answers = tuple(answer_question(sample, plan.key) for plan in ordered)
    return Analysis(
        cohort=cohort,
        sample=sample,
        baseline_by_strategy=baseline_table(sample, by="strategy"),
        baseline_by_reduction=baseline_table(sample, by="reduction") if study.reduction is not None else None,
        overlap=overlap_table(sample),
        comparisons=tuple(compare(sample, plan.key) for plan in study.outcomes),
        answers=answers,
        warnings=(*sample.warnings, *_warnings(sample)),
    )


def _warnings(sample: StudySample) -> tuple[str, ...]:
    """Return what page one must not leave out."""
    study = sample.study
    found = []
    if "ethics" not in study.manuscript:
        found.append("no ethics statement was given")
    if study.data_seen_before_plan != "no":
        found.append(f"data seen before the plan was declared: {study.data_seen_before_plan}")
    if study.limits:
        changed = ", ".join(f"{name} = {value:g}" for name, value in sorted(study.limits.items()))
        found.append(f"limits changed from this project's defaults: {changed}")
    return tuple(found)
