"""What is wrong with a table, said so that a person can put it right and no patient value is shown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NoReturn

from outcomes.cohort.text import listed
from outcomes.errors import CohortError

Severity = Literal["ask", "warning", "note"]
Action = Literal["set missing", "quarantined", "not data", "converted", "kept", "not loaded"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing about the table that somebody should know or put right.

    Attributes
    ----------
    sheet : str
        Sheet of the workbook; empty for other files.
    row : int or None
        Physical row; None when the whole column or file is meant.
    column : str
        Heading as the table writes it; empty when a whole row or file is meant.
    code : str
        Short reason code, stable between versions.
    severity : str
        "ask" needs an answer from whoever keeps the table, "warning" should be looked at, "note" is for
        information.
    action : str
        What was done: set missing, quarantined, not data, converted, kept, not loaded.
    asked : str
        The question or remark in words; never the content of the cell.
    """

    sheet: str
    row: int | None
    column: str
    code: str
    severity: Severity
    action: Action
    asked: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A reason to refuse the whole table: what was found, and what to do next."""

    code: str
    message: str


def refuse(file: str, faults: Sequence[Fault]) -> NoReturn:
    """Raise one error with every reason to refuse a table.

    Raises
    ------
    CohortError
        Always; its code is that of the only fault, or "several".

    Examples
    --------
    >>> refuse("wrists.csv", [Fault(code="empty", message="no row below the headings")])
    Traceback (most recent call last):
    outcomes.errors.CohortError: wrists.csv: no row below the headings
    """
    if len(faults) == 1:
        raise CohortError(f"{file}: {faults[0].message}", code=faults[0].code)
    lines = "\n".join(f"- {fault.message}" for fault in faults)
    raise CohortError(f"{file}: {len(faults)} reasons why it cannot be read\n{lines}", code="several")


def rows_named(rows: Iterable[int]) -> str:
    """Return row numbers for a message, cut after twelve.

    Examples
    --------
    >>> rows_named([4]), rows_named([4, 9])
    ('row 4', 'rows 4, 9')
    """
    numbers = list(rows)
    return f"row{'s' if len(numbers) != 1 else ''} {listed(numbers)}"
