"""Which heading of the table is which column of the dictionary, and which headings look like identifiers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from outcomes.cohort.dictionary import DataDictionary
from outcomes.cohort.quality import Fault, Problem, Severity
from outcomes.cohort.text import closest, fold, listed

# Headings under which people write what names a patient. Whole words, so that "hospital no." in a declared
# key column or "telescoping" does not matter; only undeclared columns are judged.
_IDENTIFIER = re.compile(
    r"\b(names?|surname|forename|firstname|lastname|mrn|nhs|ssn|chi|dob|born|birth\w*|phone|telephone|tel|mobile|"
    r"e-?mail|mail|address|street|postcode|post code|zip|zipcode|passport|insurance|next of kin|"
    r"(hospital|patient|record|chart|case ?note|medical record)s? ?(id|no|nr|num|number)|serial|lot)\b"
)


_WARNING: Severity = "warning"
_NOTE: Severity = "note"


def looks_like_identifier(heading: str) -> bool:
    """Tell whether a heading announces something that names a patient or an implant's serial number.

    Examples
    --------
    >>> looks_like_identifier("Patient_Name"), looks_like_identifier("Grip inj")
    (True, False)
    """
    words = re.sub(r"[_.]+", " ", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading))
    return bool(_IDENTIFIER.search(fold(words)))


def match_headings(
    headings: Sequence[str], dictionary: DataDictionary, *, elsewhere: int | None = None
) -> tuple[dict[int, Any], list[Fault]]:
    """Find the column of the dictionary for each heading.

    Parameters
    ----------
    headings : sequence of str
        Headings of the table.
    dictionary : DataDictionary
        What is declared.
    elsewhere : int, optional
        Row in which the declared headings were found instead.

    Returns
    -------
    dict
        Position in the table to Column.
    list of Fault
        Duplicated headings, and declared columns that the table lacks.
    """
    faults = duplicate_faults(headings)
    places = {fold(heading): position for position, heading in enumerate(headings)}
    found: dict[int, Any] = {}
    lost: list[str] = []
    for column in dictionary.columns:
        position = places.get(fold(column.source))
        if position is None:
            lost.append(column.source)
        else:
            found[position] = column
    if lost and elsewhere is not None:
        message = f"the headings are in row {elsewhere}; declare header_row = {elsewhere} under [table]"
        return found, [*faults, Fault(code="header_row", message=message)]
    free = [heading for position, heading in enumerate(headings) if position not in found and heading]
    faults += [_lost_fault(source, free) for source in lost]
    return found, faults


def duplicate_faults(headings: Sequence[str]) -> list[Fault]:
    """Return a fault for each heading that stands twice, apart from spaces and case."""
    seen: dict[str, int] = {}
    faults = []
    for position, heading in enumerate(headings):
        key = fold(heading)
        if key and key in seen:
            faults.append(
                Fault(
                    code="duplicate_header",
                    message=f"columns {seen[key] + 1} and {position + 1} have the same heading {heading!r} "
                    "(apart from spaces and case); rename one in the table",
                )
            )
        seen.setdefault(key, position)
    return faults


def unused_headings(headings: Sequence[str], used: set[int], sheet: str) -> tuple[Problem, ...]:
    """Return one problem for headings that are not used, and one for those that look like identifiers."""
    free = [heading for position, heading in enumerate(headings) if position not in used and heading]
    names = [heading for heading in free if looks_like_identifier(heading)]
    rest = [heading for heading in free if heading not in names]
    remark = "Looks like an identifier: better removed from the table."
    problems = [
        Problem(
            sheet=sheet,
            row=None,
            column=listed(group, limit=50),
            code=code,
            severity=severity,
            action="not loaded",
            asked=asked,
        )
        for group, code, severity, asked in (
            (names, "identifier_column", _WARNING, remark),
            (rest, "not_used", _NOTE, "Not in the dictionary, so not used."),
        )
        if group
    ]
    return tuple(problems)


def _lost_fault(source: str, free: Sequence[str]) -> Fault:
    near = closest(source, free)
    hint = f"; closest: {', '.join(map(repr, near))}" if near else ""
    return Fault(
        code="missing_column",
        message=f"no heading {source!r}, which the dictionary declares{hint}; correct one of the two",
    )
