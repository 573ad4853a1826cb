"""Run a plan as an analysis would, and keep nothing but what it refuses and how many cases it uses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

from outcomes.analysis.answer import Answer, answer_question
from outcomes.analysis.assembly import assemble
from outcomes.analysis.comparison import compare
from outcomes.analysis.description import baseline_table, overlap_table
from outcomes.analysis.design import covariate_design
from outcomes.analysis.protocol import OutcomePlan, Study
from outcomes.analysis.sample import StudySample
from outcomes.cohort.table import Cohort
from outcomes.errors import OutcomesError

Made = TypeVar("Made")
#: An outcome that every cohort has, so that a refused outcome does not hide a refused covariate.
_STAND_IN = OutcomePlan(name="source_row", better="higher", role="primary")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """What an analysis would meet.

    Attributes
    ----------
    sample : StudySample or None
        None when the cases cannot be assembled as planned.
    primary : Answer or None
        Of the primary outcome, where it can be had; a check shows its counts only.
    refused : tuple of str
        Everything that an analysis would refuse, each once; empty when it would run.
    """

    sample: StudySample | None
    primary: Answer | None
    refused: tuple[str, ...]


class _Collector:
    """Calls that may be refused; every refusal is kept once."""

    def __init__(self) -> None:
        self.refused: dict[str, None] = {}

    def tried(self, call: Callable[[], Made]) -> Made | None:
        """Return what a call makes, or None when it is refused."""
        try:
            return call()
        except OutcomesError as error:
            self.refused[str(error)] = None
            return None


def rehearse(cohort: Cohort, study: Study) -> Rehearsal:
    """Do every step of an analysis under a guard, so that all refusals are found and not the first alone.

    Parameters
    ----------
    cohort : Cohort
    study : Study

    Returns
    -------
    Rehearsal
        When the cases cannot be assembled, each outcome is tried alone, then without reduction and eligibility.
    """
    collector = _Collector()
    sample = collector.tried(partial(assemble, cohort, study))
    if sample is not None:
        primary = _steps(sample, collector)
        return Rehearsal(sample=sample, primary=primary, refused=tuple(collector.refused))
    for plan in study.outcomes:
        alone = replace(study, outcomes=(replace(plan, role="primary"),))
        made = _assembled(cohort, alone, collector)
        if made is not None and made.study == alone:
            _steps(made, collector)
    made = _assembled(cohort, replace(study, outcomes=(_STAND_IN,)), collector)
    if made is not None:
        collector.tried(partial(covariate_design, made.eligible, study.covariates))
    return Rehearsal(sample=None, primary=None, refused=tuple(collector.refused))


def _assembled(cohort: Cohort, study: Study, collector: _Collector) -> StudySample | None:
    """Assemble a plan as it is, or else without eligibility, reduction or both: what stops it may hide other refusals."""
    for reduction in (study.reduction, None):
        for eligibility in (study.eligibility, ()):
            lighter = replace(study, eligibility=eligibility, reduction=reduction)
            sample = collector.tried(partial(assemble, cohort, lighter))
            if sample is not None:
                return sample
    return None


def _steps(sample: StudySample, collector: _Collector) -> Answer | None:
    """Run what an analysis runs on its sample; return the answer of the primary outcome."""
    study = sample.study
    collector.tried(partial(covariate_design, sample.eligible, study.covariates))
    collector.tried(partial(baseline_table, sample, by="strategy"))
    if study.reduction is not None:
        collector.tried(partial(baseline_table, sample, by="reduction"))
    collector.tried(partial(overlap_table, sample))
    answers = [collector.tried(partial(answer_question, sample, plan.key)) for plan in study.outcomes]
    for plan in study.outcomes:
        collector.tried(partial(compare, sample, plan.key))
    return next((answer for answer in answers if answer is not None and answer.role == "primary"), None)
