"""What may stand in a study file; every problem found is a sentence in one list."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

WINDOWS_HINT = (
    "; a Windows path is written in single quotes or with /, because in double quotes \\ has a meaning"
)

#: Allowed keys per table of the file.
KEYS: dict[str, frozenset[str]] = {
    "": frozenset(
        [
            "format",
            "title",
            "declared",
            "seed",
            "data_seen_before_plan",
            "cohort",
            "eligibility",
            "strategy",
            "reduction",
            "outcomes",
            "covariates",
            "clusters",
            "road",
            "limits",
            "manuscript",
        ]
    ),
    "cohort": frozenset({"file", "dictionary"}),
    "eligibility": frozenset({"column", "at_least", "at_most", "one_of", "reason"}),
    "strategy": frozenset({"judged", "groups", "rules", "recorded_column"}),
    "reduction": frozenset({"criteria", "film", "also", "intermediate", "reader", "reading_error"}),
    "reduction.reading_error": frozenset({"retained", "source"}),
    "outcomes": frozenset(
        [
            "name",
            "visit",
            "role",
            "better",
            "margin",
            "margin_unit",
            "margin_source",
            "margin_kind",
            "margin_id",
            "window_days",
            "dominance",
        ]
    ),
    "covariates": frozenset({"names", "why", "pattern"}),
    "clusters": frozenset({"by"}),
}

#: Options that are words, with what is allowed.
WORDS: dict[str, tuple[str, ...]] = {
    "better": ("higher", "lower"),
    "role": ("primary", "secondary"),
    "data_seen_before_plan": ("yes", "no", "partly"),
    "clusters.by": ("patient_id", "surgeon", "hospital"),
    "road": ("standardisation",),
    "dominance": ("none", "ten_percent"),
    "margin_kind": (
        "between groups",
        "within-patient change",
        "measurement error",
        "declared by the authors",
    ),
}


#: Outcomes that are counted events: they have a window instead of a visit.
EVENT_NAMES = ("complication", "unplanned_reoperation")

#: Keys that hold lists; a single word would be read letter by letter.
LISTS = (
    ("strategy", "judged"),
    ("covariates", "names"),
    ("reduction", "also"),
    ("reduction", "intermediate"),
)


def check_lists(content: Mapping[str, Any], problems: list[str]) -> None:
    """Refuse a word, or anything else, where a list of words is meant."""
    for table, key in LISTS:
        inner = content.get(table)
        value = inner.get(key) if isinstance(inner, Mapping) else None
        if value is not None and value != "?" and not isinstance(value, list | tuple):
            problems.append(f'{key} in {table} must be a list, e.g. {key} = ["...", "..."]')


def check_paths(content: Mapping[str, Any], problems: list[str]) -> None:
    """Refuse paths in which a backslash became a tab or a newline."""
    tables = [content.get("cohort"), content.get("strategy"), content.get("reduction")]
    for table in (each for each in tables if isinstance(each, Mapping)):
        for key in ("file", "dictionary", "rules", "criteria"):
            if any(ord(letter) < 32 for letter in str(table.get(key, ""))):
                problems.append(f"{key} holds a control character{WINDOWS_HINT}")


def check_keys(content: Mapping[str, Any], problems: list[str]) -> None:
    """Collect unknown, missing and not allowed keys and words."""

    def check(where: str, table: object) -> None:
        if not isinstance(table, Mapping):
            problems.append(f"[{where}] must be a table")
            return
        name = where or "top level"
        problems.extend(
            f"unknown key {key!r} in {name}; allowed: {', '.join(sorted(KEYS[where]))}"
            for key in table
            if key not in KEYS[where]
        )
        for key, value in table.items():
            allowed = WORDS.get(f"{where}.{key}") or WORDS.get(key)
            if allowed and value != "?" and value not in allowed:
                problems.append(f"{key} = {value!r} in {name}; allowed: {', '.join(allowed)}")

    check("", content)
    for where in ("cohort", "strategy", "reduction", "covariates", "clusters"):
        if where in content:
            check(where, content[where])
    if isinstance(content.get("reduction"), Mapping) and "reading_error" in content["reduction"]:
        check("reduction.reading_error", content["reduction"]["reading_error"])
    for where in ("eligibility", "outcomes"):
        rows = content.get(where, [])
        if not isinstance(rows, list):
            problems.append(f"{where} must be written as [[{where}]] tables")
            continue
        for row in rows:
            check(where, row)
    required: list[tuple[str, str]] = [
        ("", "title"),
        ("", "declared"),
        ("", "data_seen_before_plan"),
        ("", "strategy"),
        ("", "outcomes"),
    ]
    required += [("strategy", "judged")] if isinstance(content.get("strategy"), Mapping) else []
    required += [("reduction", "criteria")] if isinstance(content.get("reduction"), Mapping) else []
    for where, key in required:
        table = content if not where else content[where]
        if key not in table:
            problems.append(f"{key!r} is missing in {where or 'the file'}")
    covariates = content.get("covariates")
    if (
        isinstance(covariates, Mapping)
        and covariates.get("names")
        and not str(covariates.get("why", "")).strip()
    ):
        problems.append("covariates need a 'why': how they were chosen is part of the plan")
    rows = content.get("outcomes", [])
    for position, row in enumerate(rows if isinstance(rows, list) else [], start=1):
        what = f"outcome {row.get('name', position)!r}" if isinstance(row, Mapping) else f"outcome {position}"
        problems.extend(f"{what} has no {key!r}" for key in ("name", "better") if key not in row)
        problems.extend(_without_effect(row) if isinstance(row, Mapping) else ())


def _without_effect(row: Mapping[str, Any]) -> list[str]:
    """Return the keys of an outcome that would change nothing: whoever wrote one believes that it counts."""
    name, found = row.get("name"), []
    if "window_days" in row and name not in EVENT_NAMES:
        found.append(f"window_days of {name!r} has no effect; it is for {' and '.join(EVENT_NAMES)}")
    if "visit" in row and name in EVENT_NAMES:
        found.append(
            f"visit of {name!r} has no effect: events have no visit; write window_days, or leave both out"
        )
    if "dominance" in row and name != "grip_share":
        found.append(f"dominance of {name!r} has no effect; it is for grip_share")
    in_full = sorted({"margin", "margin_unit", "margin_source", "margin_kind"} & set(row))
    if "margin_id" in row and in_full:
        found.append(f"{name!r} has margin_id and {', '.join(in_full)}: keep the id, or the margin in full")
    if "margin" not in row and "margin_id" not in row and in_full:
        found.append(f"{name!r} has {', '.join(in_full)} without margin")
    return found


def check_open(value: object, where: str, problems: list[str]) -> None:
    """Collect every choice still written as a question mark."""
    if value == "?":
        problems.append(f'{where} is still open ("?"): choose and write the choice')
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            check_open(inner, f"{where}.{key}" if where else str(key), problems)
    elif isinstance(value, list):
        for position, inner in enumerate(value):
            check_open(inner, f"{where}[{position + 1}]", problems)
