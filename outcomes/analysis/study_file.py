"""Read a study file (TOML) or its Python twin into a :class:`~outcomes.analysis.protocol.Study`.

Unknown keys are refused, every open choice (``"?"``) is named, and all problems come in one message.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from outcomes.analysis.margins import shipped_margin
from outcomes.analysis.protocol import (
    FIRST_FILM,
    EligibilityRule,
    OutcomePlan,
    ReadingError,
    ReductionPlan,
    StrategyPlan,
    Study,
)
from outcomes.analysis.study_checks import WINDOWS_HINT, check_keys, check_lists, check_open, check_paths
from outcomes.errors import OutcomesError, StudyError
from outcomes.estimates import Margin
from outcomes.reference import load_reference

FORMAT = "outcomes study 1"


def read_study(source: str | Path | Mapping[str, Any]) -> Study:
    """Read the plan of a study.

    Parameters
    ----------
    source : path or mapping
        A TOML file that starts with ``format = "outcomes study 1"``, or the same as nested mappings.

    Returns
    -------
    Study
        With `plan_hash`, the SHA-256 of the meaning of the file (comments and order of keys do not count).

    Raises
    ------
    StudyError
        Naming every key that is unknown, missing, open or not allowed, in one message.

    Examples
    --------
    >>> study = read_study({
    ...     "format": "outcomes study 1", "title": "Invented", "declared": "2026-01-15",
    ...     "data_seen_before_plan": "no",
    ...     "strategy": {"judged": ["volar locking plate", "percutaneous pinning"]},
    ...     "outcomes": [{"name": "grip_share", "visit": "12 months", "role": "primary", "better": "higher"}],
    ... })
    >>> study.primary.key
    'grip_share_12_months'
    """
    content = _load(source)
    problems: list[str] = []
    check_keys(content, problems)
    check_open(content, "", problems)
    check_paths(content, problems)
    check_lists(content, problems)
    if problems:
        what = "study" if isinstance(source, Mapping) else Path(source).name
        raise StudyError(f"{what}: " + "; ".join(problems), code="study_file")
    study = _build(content)
    meaning = json.dumps(content, sort_keys=True, default=str)
    return replace(study, plan_hash=hashlib.sha256(meaning.encode()).hexdigest())


def _load(source: str | Path | Mapping[str, Any]) -> dict[str, Any]:
    """Return the content of a file or mapping, format checked."""
    if isinstance(source, Mapping):
        content = dict(source)
    else:
        path = Path(source)
        if not path.is_file():
            raise StudyError(
                f"study file {path.name} was not found; give the path of a TOML file", code="no_study"
            )
        try:
            text = path.read_text(encoding="utf-8-sig")
            content = tomllib.loads(text)
        except UnicodeDecodeError:
            raise StudyError(
                f"{path.name} is not UTF-8 text; save it as UTF-8", code="bad_encoding"
            ) from None
        except tomllib.TOMLDecodeError as error:
            hint = WINDOWS_HINT if re.search(r'"[A-Za-z]:\\', text) else ""
            raise StudyError(f"{path.name} is not valid TOML: {error}{hint}", code="bad_toml") from None
    found = content.get("format")
    if str(found).startswith("outcomes dictionary"):
        raise StudyError(
            "this is a data dictionary; a study file names it under [cohort]. To check a table with it: outcomes check FILE "
            "-d DICTIONARY",
            code="dictionary_as_study",
        )
    if found != FORMAT:
        raise StudyError(
            f"study file: format is {found!r}; this version reads {FORMAT!r}. A newer file needs a newer version",
            code="unknown_format",
        )
    return content


def _build(content: Mapping[str, Any]) -> Study:
    """Make the plan from checked content; a wrong type is a StudyError, not a traceback."""
    try:
        covariates = content.get("covariates", {})
        cohort = content.get("cohort", {})
        return Study(
            title=str(content["title"]),
            declared=_date(content["declared"]),
            seed=int(_number(content, "seed", "the file", 1)),
            data_seen_before_plan=content["data_seen_before_plan"],
            cohort_file=str(cohort.get("file", "")),
            dictionary_file=str(cohort.get("dictionary", "")),
            eligibility=tuple(_eligibility(row) for row in content.get("eligibility", [])),
            strategy=_strategy(content["strategy"]),
            reduction=_reduction(content["reduction"]) if "reduction" in content else None,
            outcomes=tuple(_outcome(row) for row in content["outcomes"]),
            covariates=tuple(map(str, covariates.get("names", []))),
            covariates_why=str(covariates.get("why", "")),
            pattern=str(covariates.get("pattern", "")),
            cluster=content.get("clusters", {}).get("by", "patient_id"),
            road=content.get("road", "standardisation"),
            limits=_limits(content.get("limits", {})),
            manuscript={str(key): str(value) for key, value in content.get("manuscript", {}).items()},
        )
    except OutcomesError:
        raise
    except (TypeError, ValueError, AttributeError, KeyError) as error:
        raise StudyError(f"study file: a value has the wrong type ({error})", code="wrong_type") from None


def _number(table: Mapping[str, Any], key: str, where: str, default: float | None = None) -> float:
    """Return a number of a table, or say which key of which table is not one."""
    value = table.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise StudyError(f"{key} in {where} must be a number without quotes", code="wrong_type")
    return value


def _date(value: object) -> dt.date:
    """Return a date from a TOML date or an ISO string."""
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError:
        raise StudyError(
            f"{value!r} is not a date; write year-month-day, e.g. 2026-01-15", code="bad_date"
        ) from None


def _eligibility(row: Mapping[str, Any]) -> EligibilityRule:
    """Return one eligibility rule; `one_of` may be a single word."""
    missing = [key for key in ("column", "reason") if key not in row]
    if missing:
        raise StudyError(f"an eligibility rule has no {' and no '.join(missing)}", code="eligibility")
    one_of = row.get("one_of", ())
    limit: Callable[[object], Any] = lambda value: (  # noqa: E731
        value if value is None or isinstance(value, int | float) else _date(value)
    )
    return EligibilityRule(
        column=str(row["column"]),
        reason=str(row["reason"]),
        at_least=limit(row.get("at_least")),
        at_most=limit(row.get("at_most")),
        one_of=(one_of,) if isinstance(one_of, str) else tuple(map(str, one_of)),
    )


def _strategy(table: Mapping[str, Any]) -> StrategyPlan:
    """Return the strategy plan."""
    return StrategyPlan(
        judged=tuple(map(str, table["judged"])),
        groups={str(name): tuple(map(str, parts)) for name, parts in table.get("groups", {}).items()},
        rules=str(table.get("rules", "shipped")),
        recorded_column=str(table.get("recorded_column", "")),
    )


def _reduction(table: Mapping[str, Any]) -> ReductionPlan:
    """Return the reduction plan."""
    error = table.get("reading_error")
    intermediate = table.get("intermediate")
    return ReductionPlan(
        criteria=str(table["criteria"]),
        film=str(table.get("film", FIRST_FILM)),
        also=tuple(map(str, table.get("also", []))),
        intermediate=None if intermediate is None else tuple(map(str, intermediate)),
        reader=int(_number(table, "reader", "[reduction]", 1)),
        reading_error=None
        if error is None
        else ReadingError(
            retained=_number(error, "retained", "[reduction.reading_error]"),
            source=str(error.get("source", "")),
        ),
    )


def _outcome(row: Mapping[str, Any]) -> OutcomePlan:
    """Return one outcome with its margin, given in full or by the id of a shipped row."""
    return OutcomePlan(
        name=str(row["name"]),
        visit=str(row.get("visit", "")),
        role=row.get("role", "secondary"),
        better=row["better"],
        margin=_margin(row),
        window_days=None
        if "window_days" not in row
        else int(_number(row, "window_days", f"outcome {row['name']!r}")),
        dominance=row.get("dominance", "none"),
    )


def _margin(row: Mapping[str, Any]) -> Margin | None:
    """Return the declared margin of an outcome, or None when the plan declares none."""
    if "margin_id" in row:
        return shipped_margin(str(row["margin_id"]))
    if "margin" not in row:
        return None
    lacking = [key for key in ("margin_unit", "margin_source") if key not in row]
    if lacking:
        raise StudyError(
            f"the margin of {row['name']!r} needs {' and '.join(lacking)}", code="margin_without_source"
        )
    return Margin(
        value=_number(row, "margin", f"outcome {row['name']!r}"),
        unit=str(row["margin_unit"]),
        source=str(row["margin_source"]),
        kind=row.get("margin_kind", "declared by the authors"),
    )


def _limits(changed: Mapping[str, Any]) -> dict[str, float]:
    """Return the project's limits that this study changes; unknown names are refused."""
    known = {str(name) for name in load_reference("limits")["limits"]}
    unknown = sorted(set(changed) - known)
    if unknown:
        raise StudyError(
            f"unknown limits {', '.join(unknown)}; allowed: {', '.join(sorted(known))}", code="unknown_limit"
        )
    return {name: _number(changed, name, "[limits]") for name in changed}
