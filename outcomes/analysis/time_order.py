"""What a plan may adjust for: only what was known before the index strategy.

A covariate that comes after the strategy (a later film, the reduction itself, a complication) carries part of its
effect; adjusting for it removes that part and opens other paths. It is refused, not warned about.
"""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.derived import BEFORE, CAST
from outcomes.analysis.protocol import Study
from outcomes.cohort.concepts import times
from outcomes.cohort.dictionary import Column
from outcomes.errors import StudyError

#: Columns that the labelling makes, and the row's own identity; none of them is known before the strategy.
MADE = frozenset(
    {"strategy", "strategy_recorded", "strategy_rule", "strategy_parts", "reduction", "film", "eligible",
     "excluded_because", "cluster", "case_id", "patient_id", "source_sheet", "source_row", "operation_text"}
)  # fmt: skip
MADE_PREFIXES = ("criterion: ", "distance: ", "component_", "event")

BEFORE_CAST, INJURY = "post-reduction", "injury"


def check_time_order(study: Study, columns: Sequence[Column], strategies: Sequence[str]) -> tuple[str, ...]:
    """Refuse covariates and a pattern from after the index strategy; warn of eligibility that looks ahead.

    Parameters
    ----------
    study : Study
    columns : sequence of Column
        Of the dictionary.
    strategies : sequence of str, one a case
        Recorded strategies: the post-reduction film is before an operation and after a cast.

    Returns
    -------
    tuple of str
        Warnings.

    Raises
    ------
    StudyError
        Naming every covariate that is not from before the strategy, and what to use instead.
    """
    by_name = {column.name: column for column in columns}
    cast = CAST in set(strategies)
    wanted = dict.fromkeys((*study.covariates, *([study.pattern] if study.pattern else ())))
    problems = []
    for name in wanted:
        if name == study.strategy.recorded_column or name in MADE or name.startswith(MADE_PREFIXES):
            problems.append(f"{name} is or makes up the strategy, the reduction or what follows them")
        elif name in by_name and _is_after(by_name[name], cast=cast):
            column = by_name[name]
            instead = (
                f"; use {column.concept}_before, the last film before the strategy"
                if column.concept in BEFORE
                else ""
            )
            problems.append(f"{name} is from {column.time}{instead}")
    if problems:
        raise StudyError(
            "covariates and pattern must be known before the index strategy: " + "; ".join(problems),
            code="covariate_after_strategy",
        )
    ahead = [
        rule.column
        for rule in study.eligibility
        if rule.column.startswith(MADE_PREFIXES)
        or rule.column in ("last_seen_date", "reduction")
        or (rule.column in by_name and _is_after(by_name[rule.column], cast=cast))
    ]
    return tuple(
        f"eligibility by {name} selects on what came after the index strategy: effects hold for the selected cases only "
        "and can be distorted by the selection"
        for name in dict.fromkeys(ahead)
    )


def _is_after(column: Column, *, cast: bool) -> bool:
    """Whether a column is measured after the index strategy; the other hand is not touched by it."""
    if not column.time or column.time == INJURY or column.hand == "other":
        return False
    if column.time == BEFORE_CAST:
        return cast
    return column.time in times()
