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


# What stands in a cell and hardly ever above a column: numbers, dates, ids, addresses. Such a text is never
# printed, because the row it stands in may be that of a patient.
_DATA = re.compile(
    r"[^a-z]*\d[^a-z]*"  # digits, signs and separators: numbers, dates, times
    r"|[-+−–<>~]?\s*\d+([.,]\d+)?\s*[a-z°%]+\.?"  # a number and a word: 12 kg
    r"|\d{1,2}(st|nd|rd|th)?[-/. ]+[a-z]{3,9}\.?[-/., ]+\d{2,4}.*"  # 3 Feb 2021
    r"|[a-z]{1,6}[-_/. ]?\d{3,}[a-z]?"  # an id: N-104
    r"|.*(@|\d{5,}).*"
)
# A row in which this share of the filled cells looks like data is hardly one of headings.
DATA_ROW = 0.2
# With so many declared headings and none of them found, the row is taken for one of data whatever it looks like.
FEW_DECLARED = 3
LOOKS_LIKE_DATA = "the header row looks like data: is header_row right?"

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


def looks_like_data(heading: str) -> bool:
    """Tell whether a heading looks like the content of a cell: a number, a date, an id.

    Examples
    --------
    >>> [looks_like_data(text) for text in ("03/02/1950", "-12.5", "MRN700100", "Grip 12/12", "PRWE 1yr")]
    [True, True, True, False, False]
    """
    return bool(_DATA.fullmatch(fold(heading)))


def row_looks_like_data(headings: Sequence[str]) -> bool:
    """Tell whether a row of headings looks like a row of cells.

    Examples
    --------
    >>> row_looks_like_data(["7", "Okonkwo", "F"]), row_looks_like_data(["No.", "Name", "Sex", "Side", "Tilt", "2021"])
    (True, False)
    """
    filled = [heading for heading in headings if heading]
    marked = sum(map(looks_like_data, filled))
    return marked > DATA_ROW * len(filled) or (marked > 0 and len(filled) < FEW_DECLARED)


def shown_headings(headings: Sequence[str], *, hide_all: bool = False) -> tuple[str, ...]:
    """Return how each heading is named in a message: in quotes, or by its position where it looks like data.

    Examples
    --------
    >>> shown_headings(["No.", "MRN700100"]), shown_headings(["No."], hide_all=True)
    (("'No.'", 'column 2'), ('column 1',))
    """
    return tuple(
        f"column {position}" if hide_all or looks_like_data(heading) else repr(heading)
        for position, heading in enumerate(headings, 1)
    )


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
    places: dict[str, int] = {}
    for position, heading in enumerate(headings):
        places[fold(heading)] = position
    found = {
        places[fold(column.source)]: column for column in dictionary.columns if fold(column.source) in places
    }
    lost = [column.source for column in dictionary.columns if fold(column.source) not in places]
    if lost and elsewhere is not None:
        message = f"the headings are in row {elsewhere}; declare header_row = {elsewhere} under [table]"
        return found, [Fault(code="header_row", message=message)]
    if not found and len(lost) >= FEW_DECLARED:
        return found, [_no_heading_fault(headings, len(lost))]
    data = row_looks_like_data(headings) and len(lost) > len(found)
    faults = duplicate_faults(headings, hide_all=data)
    free = [
        heading
        for position, heading in enumerate(headings)
        if position not in found and heading and not data and not looks_like_data(heading)
    ]
    faults += [_lost_fault(source, free) for source in lost]
    if data:
        faults.append(Fault(code="header_row", message=LOOKS_LIKE_DATA))
    return found, faults


def _no_heading_fault(headings: Sequence[str], n_declared: int) -> Fault:
    data = row_looks_like_data(headings)
    doubt = LOOKS_LIKE_DATA if data else "is header_row right?"
    return Fault(
        code="header_row",
        message=f"none of the {n_declared} headings that the dictionary declares stands in the header row, "
        f"{'and ' if data else ''}{doubt} A table without headings needs a row of them",
    )


def duplicate_faults(headings: Sequence[str], *, hide_all: bool = False) -> list[Fault]:
    """Return a fault for each heading that stands twice, apart from spaces and case."""
    seen: dict[str, int] = {}
    faults = []
    for position, (heading, shown) in enumerate(
        zip(headings, shown_headings(headings, hide_all=hide_all), strict=True)
    ):
        key = fold(heading)
        if key and key in seen:
            hidden = shown == f"column {position + 1}"
            doubt = f"; {LOOKS_LIKE_DATA}" if hidden and not hide_all else ""
            faults.append(
                Fault(
                    code="duplicate_header",
                    message=f"columns {seen[key] + 1} and {position + 1} have the same heading"
                    f"{'' if hidden else f' {shown}'} (apart from spaces and case); rename one in the table{doubt}",
                )
            )
        seen.setdefault(key, position)
    return faults


def unused_headings(headings: Sequence[str], used: set[int], sheet: str) -> tuple[Problem, ...]:
    """Return one problem for headings that are not used, and one for those that look like identifiers."""
    names: list[str] = []
    rest: list[str] = []
    for position, heading in enumerate(headings):
        if heading and position not in used:
            shown = f"column {position + 1}" if looks_like_data(heading) else heading
            (names if looks_like_identifier(heading) else rest).append(shown)
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
