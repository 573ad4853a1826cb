"""The whole study in one call: sample, description, comparisons, answers."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.analysis.answer import Answer
from outcomes.analysis.comparison import Comparison
from outcomes.analysis.description import BaselineTable, OverlapTable
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
