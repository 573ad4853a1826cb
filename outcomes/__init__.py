"""Was it the reduction or the implant? Retrospective outcomes research on distal radius fractures.

Names are loaded when first used, so that importing the package, or asking the command line for help, costs
nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from outcomes.analysis.answer import Answer, answer_question
    from outcomes.analysis.assembly import assemble
    from outcomes.analysis.comparison import Comparison, compare
    from outcomes.analysis.description import baseline_table, overlap_table
    from outcomes.analysis.margins import shipped_margin
    from outcomes.analysis.protocol import (
        EligibilityRule,
        OutcomePlan,
        ReadingError,
        ReductionPlan,
        StrategyPlan,
        Study,
    )
    from outcomes.analysis.run import Analysis, analyse
    from outcomes.analysis.study_file import read_study
    from outcomes.cohort.complications import complication_outcomes
    from outcomes.cohort.criteria import read_criteria, shipped_criteria
    from outcomes.cohort.dictionary import DataDictionary, read_dictionary
    from outcomes.cohort.fixation import classify_fixation
    from outcomes.cohort.reduction import grade_reduction
    from outcomes.cohort.table import Cohort, read_cohort
    from outcomes.errors import OutcomesError, OutcomesWarning
    from outcomes.estimates import Estimate, Margin
    from outcomes.reporting.run_folder import write_run
    from outcomes.reporting.verify import verify_run

__version__ = "0.1.0"

_HOMES = {
    "Analysis": "outcomes.analysis.run",
    "Answer": "outcomes.analysis.answer",
    "Cohort": "outcomes.cohort.table",
    "Comparison": "outcomes.analysis.comparison",
    "DataDictionary": "outcomes.cohort.dictionary",
    "EligibilityRule": "outcomes.analysis.protocol",
    "Estimate": "outcomes.estimates",
    "Margin": "outcomes.estimates",
    "OutcomePlan": "outcomes.analysis.protocol",
    "OutcomesError": "outcomes.errors",
    "OutcomesWarning": "outcomes.errors",
    "ReadingError": "outcomes.analysis.protocol",
    "ReductionPlan": "outcomes.analysis.protocol",
    "StrategyPlan": "outcomes.analysis.protocol",
    "Study": "outcomes.analysis.protocol",
    "analyse": "outcomes.analysis.run",
    "answer_question": "outcomes.analysis.answer",
    "assemble": "outcomes.analysis.assembly",
    "baseline_table": "outcomes.analysis.description",
    "classify_fixation": "outcomes.cohort.fixation",
    "compare": "outcomes.analysis.comparison",
    "complication_outcomes": "outcomes.cohort.complications",
    "grade_reduction": "outcomes.cohort.reduction",
    "overlap_table": "outcomes.analysis.description",
    "read_cohort": "outcomes.cohort.table",
    "read_criteria": "outcomes.cohort.criteria",
    "read_dictionary": "outcomes.cohort.dictionary",
    "read_study": "outcomes.analysis.study_file",
    "shipped_criteria": "outcomes.cohort.criteria",
    "shipped_margin": "outcomes.analysis.margins",
    "verify_run": "outcomes.reporting.verify",
    "write_run": "outcomes.reporting.run_folder",
}

__all__ = [
    "Analysis",
    "Answer",
    "Cohort",
    "Comparison",
    "DataDictionary",
    "EligibilityRule",
    "Estimate",
    "Margin",
    "OutcomePlan",
    "OutcomesError",
    "OutcomesWarning",
    "ReadingError",
    "ReductionPlan",
    "StrategyPlan",
    "Study",
    "analyse",
    "answer_question",
    "assemble",
    "baseline_table",
    "classify_fixation",
    "compare",
    "complication_outcomes",
    "grade_reduction",
    "overlap_table",
    "read_cohort",
    "read_criteria",
    "read_dictionary",
    "read_study",
    "shipped_criteria",
    "shipped_margin",
    "verify_run",
    "write_run",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its home on first use."""
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'outcomes' has no attribute {name!r}")
    return getattr(importlib.import_module(home), name)


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted([*__all__, "__version__"])
