"""Every fault of a data dictionary, found in one pass and said in one list."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from typing import Any

from outcomes.cohort.concepts import (
    BY_SIDE,
    Concept,
    components,
    concepts,
    hands,
    internal_name,
    slug,
    times_of,
    units_of,
)
from outcomes.cohort.text import closest, fold, listed

FORMAT = "outcomes dictionary 1"
DATE_ORDERS = ("day-month-year", "month-day-year", "year-month-day")
DECIMALS = ("point", "comma")
DELIMITERS = (",", ";", "\t", "|")
ENCODINGS = ("utf-8", "utf-16", "cp1252", "latin-1", "mac-roman")
EPISODES = ("one", "all", "first")
OWN_KINDS = ("number", "category", "yes_no")

# Which further keys a kind of value understands.
_KEYS_OF_KIND = {
    "key": ("levels",),
    "text": ("levels",),
    "category": ("levels",),
    "yes_no": ("yes", "no", "blank"),
    "date": ("date_order",),
    "number": ("unit", "low", "high", "codes", "decimal"),
}


def _is_words(value: Any) -> bool:
    return isinstance(value, (list, tuple)) and all(isinstance(item, str) and fold(item) for item in value)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < float("inf")


def _one_of(allowed: tuple[str, ...]) -> tuple[Callable[[Any], bool], str]:
    return (lambda value: value in allowed), "one of " + ", ".join(repr(word) for word in allowed)


def _whole_from(low: int) -> Callable[[Any], bool]:
    return lambda value: isinstance(value, int) and not isinstance(value, bool) and value >= low


_TEXT: tuple[Callable[[Any], bool], str] = (lambda v: isinstance(v, str) and bool(v.strip()), "a text")
_WORDS: tuple[Callable[[Any], bool], str] = (_is_words, 'a list of texts, such as ["n/a", "-"]')

_TABLE_KEYS: dict[str, tuple[Callable[[Any], bool], str]] = {
    "sheet": _TEXT,
    "header_row": (_whole_from(1), "a whole number from 1: the physical row of the headings"),
    "delimiter": _one_of(DELIMITERS),
    "encoding": _one_of(ENCODINGS),
    "missing": _WORDS,
    "date_order": _one_of(DATE_ORDERS),
    "decimal": _one_of(DECIMALS),
    "footer": _WORDS,
    "episodes": _one_of(EPISODES),
    "extract_date": (
        lambda v: isinstance(v, datetime.date) and not isinstance(v, datetime.datetime),
        "a date without quotes, such as 2024-12-31",
    ),
}

_COLUMN_KEYS: dict[str, tuple[Callable[[Any], bool], str]] = {
    "missing": _WORDS,
    "yes": _WORDS,
    "no": _WORDS,
    "blank": _one_of(("yes", "no")),
    "codes": (
        lambda v: isinstance(v, (list, tuple)) and all(_is_number(item) for item in v),
        "a list of numbers, such as [999]",
    ),
    "low": (_is_number, "a number"),
    "high": (_is_number, "a number"),
    "levels": (
        lambda v: isinstance(v, Mapping) and len(v) > 0 and all(_is_words(item) for item in v.values()),
        'a table of levels and their spellings, such as { low = ["l", "low"] }',
    ),
    "date_order": _one_of(DATE_ORDERS),
    "decimal": _one_of(DECIMALS),
    "slot": (_whole_from(1), "a whole number from 1"),
    "reader": (lambda v: v in (1, 2) and not isinstance(v, bool), "1 or 2"),
    "unit": _TEXT,
}


def top_faults(source: Mapping[str, Any]) -> list[str]:
    """Return the faults of everything outside ``[columns]``."""
    faults = []
    stated = source.get("format", FORMAT)
    if stated != FORMAT:
        faults.append(f"format is {stated!r}; this version reads {FORMAT!r}")
    faults += _unknown("the dictionary", source, ("format", "title", "table", "columns"))
    if not isinstance(source.get("title", ""), str):
        faults.append("title must be a text")
    table = source.get("table", {})
    if not isinstance(table, Mapping):
        return [*faults, "[table] must be a table of keys"]
    faults += _unknown("[table]", table, tuple(_TABLE_KEYS))
    faults += _wrong_values("[table]", table, _TABLE_KEYS)
    columns = source.get("columns")
    if not isinstance(columns, Mapping) or not columns:
        faults.append('no columns: write one [columns."Heading of the table"] for each column that is used')
    return faults


def column_faults(heading: str, entry: Any) -> list[str]:
    """Return the faults of one column of the dictionary."""
    where = f'[columns."{heading}"]'
    if not isinstance(entry, Mapping):
        return [f"{where} must be a table of keys that begins with is = ..."]
    concept = concepts().get(entry["is"]) if isinstance(entry.get("is"), str) else None
    if concept is None:
        return [_no_concept(where, entry)]
    kind = entry.get("kind", "") if concept.kind == "own" else concept.kind
    if kind not in _KEYS_OF_KIND or (concept.kind == "own" and kind not in OWN_KINDS):
        return [f"{where}: a covariate needs kind = one of {', '.join(map(repr, OWN_KINDS))}"]
    faults = _unknown(where, entry, _allowed_keys(concept, kind))
    values = _COLUMN_KEYS | _choices(concept)
    faults += _wrong_values(where, entry, values)
    faults += [
        f"{where}: {need} must be declared ({values[need][1]}); it is never guessed"
        for need in concept.needs
        if need not in entry
    ]
    if concept.kind == "own" and kind == "number" and "unit" not in entry:
        faults.append(f'{where}: unit must be declared (a text; "none" where there is none)')
    if not faults:
        faults += _level_faults(where, concept, kind, entry) + _range_faults(where, entry)
    return faults


def cross_faults(columns: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Return the faults that show only when the columns are seen together."""
    faults = []
    meanings = [entry["is"] for entry in columns.values()]
    if "patient_id" not in meanings:
        faults.append('no column is = "patient_id": a case cannot be told from another')
    if "birth_date" in meanings and "injury_date" not in meanings:
        faults.append('birth_date needs a column is = "injury_date": it is used only for the age at injury')
    names: dict[str, str] = {}
    headings: dict[str, str] = {}
    for heading, entry in columns.items():
        name = column_name(entry)
        if name in names:
            faults.append(f"{heading!r} and {names[name]!r} mean the same ({name}); declare only one of them")
        names.setdefault(name, heading)
        if fold(heading) in headings:
            faults.append(f"{heading!r} and {headings[fold(heading)]!r} differ only in spaces or case")
        headings.setdefault(fold(heading), heading)
    return faults + _hand_faults(columns)


def _hand_faults(columns: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Return the faults of measurements by hand: two ways at once, one side alone, or no side of the fracture."""
    declared: dict[tuple[str, str], dict[str, str]] = {}
    for heading, entry in columns.items():
        if "hand" in entry:
            declared.setdefault((entry["is"], entry.get("time", "")), {})[entry["hand"]] = heading
    faults = []
    for (concept, time), by_hand in declared.items():
        what = f"{concept} at {time}" if time else concept
        sides = [hand for hand in BY_SIDE if hand in by_hand]
        if sides and len(sides) < len(by_hand):
            faults.append(
                f"{what} is declared by left and right ({by_hand[sides[0]]!r}) and by injured and other "
                f"({next(heading for hand, heading in by_hand.items() if hand not in BY_SIDE)!r}); declare one "
                "of the two ways"
            )
        elif len(sides) == 1:
            absent = next(hand for hand in BY_SIDE if hand not in sides)
            faults.append(
                f'{what}: {by_hand[sides[0]]!r} is hand = "{sides[0]}", so a column with hand = "{absent}" is '
                "needed too"
            )
        if sides and "side" not in {entry["is"] for entry in columns.values()}:
            faults.append(
                f'{what} by left and right needs a column is = "side", the side of the fracture, to tell the '
                "injured from the other hand"
            )
    return faults


def column_name(entry: Mapping[str, Any]) -> str:
    """Return the internal name of a column that has no faults; a birth date becomes the age."""
    concept = entry["is"]
    if concept == "covariate":
        return slug(entry["name"])
    return internal_name(
        "age" if concept == "birth_date" else concept,
        hand=entry.get("hand", ""),
        time=entry.get("time", ""),
        slot=entry.get("slot", 0),
        reader=entry.get("reader", 1),
        component=entry.get("component", ""),
    )


def _unknown(where: str, entry: Mapping[str, Any], allowed: tuple[str, ...]) -> list[str]:
    known = ", ".join(allowed)
    return [f"{where}: unknown key {key!r}; allowed here: {known}" for key in entry if key not in allowed]


def _wrong_values(
    where: str, entry: Mapping[str, Any], rules: Mapping[str, tuple[Callable[[Any], bool], str]]
) -> list[str]:
    return [
        f"{where}: {key} = {value!r} is not {rules[key][1]}"
        for key, value in entry.items()
        if key in rules and not rules[key][0](value)
    ]


def _no_concept(where: str, entry: Mapping[str, Any]) -> str:
    near = closest(str(entry.get("is", "")), concepts())
    hint = f"; closest: {', '.join(near)}" if near else ""
    return f"{where}: is = {entry.get('is')!r} is no concept{hint}; known: {listed(concepts(), limit=99)}"


def _allowed_keys(concept: Concept, kind: str) -> tuple[str, ...]:
    keys = ["is", "missing", *concept.takes, *_KEYS_OF_KIND[kind]]
    if concept.kind == "own":
        keys.append("kind")
    if concept.sign:
        keys.append("positive")
    if concept.references:
        keys.append("reference")
    if concept.name == "operation_text" or concept.name in ("case_id", "patient_id"):
        keys.remove("levels")
    return tuple(keys)


def _choices(concept: Concept) -> dict[str, tuple[Callable[[Any], bool], str]]:
    rules = {
        "hand": (lambda value: isinstance(value, str) and value in hands(), _hands_in_words()),
        "time": _one_of(times_of(concept)),
        "component": _one_of(components()),
        "positive": _one_of(concept.sign),
        "reference": _one_of(concept.references),
        "kind": _one_of(OWN_KINDS),
        "name": (_is_own_name, "a name of letters, digits and spaces that is no concept of the package"),
    }
    if concept.kind != "own":
        rules["unit"] = _one_of(units_of(concept.measure))
    return rules


def _hands_in_words() -> str:
    return "one of " + ", ".join(f"{word!r} ({meaning})" for word, meaning in hands().items())


def _is_own_name(value: Any) -> bool:
    if not isinstance(value, str) or not slug(value) or not slug(value)[0].isalpha():
        return False
    reserved = {"source_row", "source_sheet"}
    return slug(value) not in reserved and not any(
        slug(value) == name or (slug(value).startswith(f"{name}_") and concept.takes)
        for name, concept in concepts().items()
    )


def _level_faults(where: str, concept: Concept, kind: str, entry: Mapping[str, Any]) -> list[str]:
    groups: Mapping[str, Any] = entry.get("levels", {})
    faults = []
    if kind == "yes_no":
        groups = {"yes": entry.get("yes", ()), "no": entry.get("no", ())}
    elif kind == "category" and concept.kind == "own" and not groups:
        faults.append(f"{where}: levels must be declared for a covariate that is a category")
    faults += [
        f"{where}: {level!r} is no level of {concept.name}; allowed: {', '.join(concept.levels)}"
        for level in groups
        if concept.levels and level not in concept.levels
    ]
    seen: dict[str, str] = {}
    for level, spellings in groups.items():
        for spelling in {fold(word) for word in (level, *spellings)}:
            if seen.setdefault(spelling, level) != level:
                faults.append(f"{where}: {spelling!r} is a spelling of both {seen[spelling]!r} and {level!r}")
    return faults


def _range_faults(where: str, entry: Mapping[str, Any]) -> list[str]:
    if "low" in entry and "high" in entry and entry["low"] > entry["high"]:
        return [f"{where}: low is above high"]
    return []
