"""Which columns a plan may name for what: nothing that identifies a person or holds free text reaches a report."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from outcomes.analysis.protocol import Study
from outcomes.cohort.dictionary import Column
from outcomes.errors import StudyError

#: Kinds of dictionary column whose content is a key or free text.
PERSONAL = frozenset({"key", "text"})


def check_named_columns(study: Study, columns: Sequence[Column]) -> None:
    """Refuse a strategy column or an eligibility rule on a key or on free text.

    A recorded strategy must be a category with declared levels, because its levels are printed as they stand. The
    values of an eligibility rule are printed too, so it may not name a key or free text; hospital and surgeon are
    allowed, because the dictionary codes them.

    Parameters
    ----------
    study : Study
    columns : sequence of Column
        Of the dictionary.

    Raises
    ------
    StudyError
        Naming the column and what may be named instead.
    """
    by_name = {column.name: column for column in columns}
    recorded = study.strategy.recorded_column
    if recorded:
        column = by_name.get(recorded)
        if column is None or column.concept != "covariate" or column.kind != "category":
            allowed = [c.name for c in columns if c.concept == "covariate" and c.kind == "category"]
            raise StudyError(
                f'strategy.recorded_column {recorded!r} must be a column declared as is = "covariate", kind = '
                f'"category" with its levels; this dictionary has: {", ".join(allowed) or "none"}',
                code="recorded_column",
            )
    for rule in study.eligibility:
        column = by_name.get(rule.column)
        personal = (
            column is not None and column.kind in PERSONAL and column.concept not in ("hospital", "surgeon")
        )
        if personal or rule.column in ("case_id", "patient_id", "operation_text"):
            raise StudyError(
                f"eligibility rule on {rule.column!r}: a key or free text cannot decide who is eligible, because rules are "
                "printed; use a category, a yes/no column, a number or a date",
                code="personal_rule",
            )


def check_levels(study: Study, columns: Sequence[Column]) -> None:
    """Refuse an eligibility rule that lists a level the column cannot have: its cases would leave unnoticed.

    Parameters
    ----------
    study : Study
    columns : sequence of Column
        Of the dictionary; columns without declared levels are not checked.

    Raises
    ------
    StudyError
        Naming the column, the levels that were given and those that there are.
    """
    allowed = {column.name: [level for level, _ in column.levels] for column in columns if column.levels}
    allowed |= {column.name: ["yes", "no"] for column in columns if column.kind == "yes_no"}
    for rule in study.eligibility:
        unknown = [level for level in rule.one_of if level not in allowed.get(rule.column, rule.one_of)]
        if unknown:
            raise StudyError(
                f"eligibility rule on {rule.column!r}: one_of lists {', '.join(map(repr, unknown))}; the column has "
                f"{', '.join(allowed[rule.column])}",
                code="unknown_level",
            )


def check_judged(judged: Sequence[str], known: Sequence[str]) -> None:
    """Refuse a judged strategy that no rule, group or recorded level can give.

    Parameters
    ----------
    judged : sequence of str
    known : sequence of str
        Strategies that the rule table, the groups or the recorded column can give.

    Raises
    ------
    StudyError
        Naming every unknown strategy with the closest known ones.
    """
    unknown = [name for name in judged if name not in known]
    if not unknown:
        return
    hints = []
    for name in unknown:
        close = get_close_matches(name, known, n=2, cutoff=0.4)
        hints.append(f"{name!r}" + (f" (did you mean {' or '.join(map(repr, close))}?)" if close else ""))
    raise StudyError(
        f"strategy.judged names strategies that no case can have: {', '.join(hints)}; known are {', '.join(sorted(known))}",
        code="unknown_strategy",
    )
