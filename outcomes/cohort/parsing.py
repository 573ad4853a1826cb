"""From tokens to typed values: every distinct token of a column is judged once, by declared rules only."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.dates import date_judge
from outcomes.cohort.dictionary import Column, TableLayout
from outcomes.cohort.judgement import BLANK, Judgement, common_judgement
from outcomes.cohort.levels import (
    Judge,
    key_judge,
    level_judge,
    open_level_judge,
    text_judge,
    word_judge,
    yes_no_judge,
)
from outcomes.cohort.numbers import number_judge, number_rule
from outcomes.cohort.quality import Fault, rows_named
from outcomes.cohort.raw import TokenColumn
from outcomes.cohort.text import fold

# The same number outside the possible range in more cells than this is a code for missing, not a slip.
SENTINEL_SHARE = 0.02

# Reasons that concern the meaning of a whole column: the table is refused until it is declared.
_ASK = {
    "date_order_not_declared": 'declare date_order = "day-month-year" or "month-day-year"',
    "mixed_date_order": "these dates do not fit the declared date_order but would fit the other one; correct "
    "them, or declare the order that holds",
    "decimal_not_declared": 'numbers with a comma; declare decimal = "comma" or "point"',
}


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class ParsedColumn:
    """One column with its meaning.

    Attributes
    ----------
    column : Column
        What was declared.
    heading : str
        Heading as the table writes it.
    raw : TokenColumn
        The cells it came from, n cells and k tokens.
    judgements : tuple of Judgement, length k
        What each token was taken for; tokens that no kept row holds are judged blank.
    """

    column: Column
    heading: str
    raw: TokenColumn
    judgements: tuple[Judgement, ...]

    def values(self) -> Any:
        """Return the typed values, length n: float, datetime64, Categorical or object."""
        made = [judgement.value for judgement in self.judgements]
        codes = self.raw.codes
        if self.column.kind in ("number", "yes_no"):
            return np.array([np.nan if value is None else value for value in made], dtype=float)[codes]
        if self.column.kind == "date":
            return np.array(made, dtype="datetime64[ns]")[codes]
        if self.column.kind == "category":
            levels = self.levels()
            place = {level: index for index, level in enumerate(levels)}
            index = np.array([-1 if value is None else place[value] for value in made], dtype=np.intp)
            return pd.Categorical.from_codes(index[codes], categories=pd.Index(levels, dtype=object))
        texts = np.empty(len(made), dtype=object)
        texts[:] = made
        return texts[codes]

    def levels(self) -> tuple[str, ...]:
        """Return the levels of a category: the declared ones, or those of the table where these are open."""
        declared = tuple(level for level, _ in self.column.levels)
        return declared or tuple(sorted({j.value for j in self.judgements if j.value is not None}))

    def cells_with(self, marks: Sequence[bool]) -> NDArray[np.bool_]:
        """Return the cells whose token is marked, shape (n,)."""
        return self.raw.where(np.array(marks, dtype=bool))

    def reason_rows(self, reason: str, rows: NDArray[np.int64]) -> list[int]:
        """Return the physical rows of the cells judged for one reason."""
        marked = self.cells_with([judgement.reason == reason for judgement in self.judgements])
        return [int(row) for row in rows[marked]]


def parse_column(
    column: Column, heading: str, raw: TokenColumn, table: TableLayout, kept: NDArray[np.bool_]
) -> ParsedColumn:
    """Judge every token of a column that a kept row holds.

    Parameters
    ----------
    column, heading : Column, str
        What is declared, and the heading in the table.
    raw : TokenColumn
        All cells, n of them.
    table : TableLayout
        Words and orders declared for the whole table.
    kept : ndarray of bool, shape (n,)
        Rows that may be cases.

    Returns
    -------
    ParsedColumn
        Of the kept rows.
    """
    words = frozenset(map(fold, (*table.missing, *column.missing)))
    judge = _judge_of(column, table)
    held = np.bincount(raw.codes[kept], minlength=len(raw.tokens)) > 0
    judgements = [
        (common_judgement(token, kind, words) or judge(token, kind)) if present else BLANK
        for token, kind, present in zip(raw.tokens, raw.kinds, held.tolist(), strict=True)
    ]
    if column.blank:
        meant = Judgement(1.0 if column.blank == "yes" else 0.0, "converted", f"blank_means_{column.blank}")
        judgements = [meant if judgement.outcome == "blank" else judgement for judgement in judgements]
    part = raw.keep(kept)
    if column.concept in ("patient_id", "case_id"):
        judgements = _one_spelling(part, judgements)
    return ParsedColumn(column=column, heading=heading, raw=part, judgements=tuple(judgements))


def _judge_of(column: Column, table: TableLayout) -> Judge:
    if column.kind == "number":
        return number_judge(number_rule(column, table))
    if column.kind == "date":
        return date_judge(column.date_order or table.date_order)
    if column.kind == "yes_no":
        return yes_no_judge(column)
    if column.levels:
        return word_judge(column) if column.kind == "text" else level_judge(column)
    plain: dict[str, Callable[[str, str], Judgement]] = {"category": open_level_judge, "text": text_judge}
    return plain.get(column.kind, key_judge)


def _one_spelling(raw: TokenColumn, judgements: list[Judgement]) -> list[Judgement]:
    """Give ids that differ only in case or inner spaces one spelling: the one most cells have."""
    spelled = {judgement.value for judgement in judgements if judgement.value is not None}
    if len({fold(value) for value in spelled}) == len(spelled):
        return judgements
    counts: Counter[str] = Counter()
    held = np.bincount(raw.codes, minlength=len(judgements)).tolist()
    for judgement, n in zip(judgements, held, strict=True):
        if judgement.value is not None:
            counts[judgement.value] += n
    chosen: dict[str, str] = {}
    for spelling, _ in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        chosen.setdefault(fold(spelling), spelling)
    return [
        judgement
        if judgement.value is None or chosen[fold(judgement.value)] == judgement.value
        else Judgement(chosen[fold(judgement.value)], "converted", "spelling_merged", "spelling_merged")
        for judgement in judgements
    ]


def column_faults(parsed: ParsedColumn, rows: NDArray[np.int64]) -> list[Fault]:
    """Return the reasons to refuse the table that one column gives.

    Parameters
    ----------
    parsed : ParsedColumn
        The judged column.
    rows : ndarray of int, shape (n,)
        Physical rows of its cells.
    """
    found = {judgement.reason for judgement in parsed.judgements}
    faults = [
        Fault(
            code=reason,
            message=f"column {parsed.heading!r}, {rows_named(parsed.reason_rows(reason, rows))}: {remedy}, "
            "for the column or under [table]",
        )
        for reason, remedy in _ASK.items()
        if reason in found
    ]
    faults += _sentinel_faults(parsed, rows) if "impossible" in found else []
    serial = parsed.reason_rows("serial_date", rows) if "serial_date" in found else []
    if len(serial) > SENTINEL_SHARE * len(rows):
        message = (
            f"column {parsed.heading!r}, {rows_named(serial)}: numbers where dates are declared; format "
            "the column as dates in the spreadsheet program and save it again"
        )
        faults.append(Fault(code="serial_date", message=message))
    return faults


def _sentinel_faults(parsed: ParsedColumn, rows: NDArray[np.int64]) -> list[Fault]:
    counts = np.bincount(parsed.raw.codes, minlength=len(parsed.judgements))
    filled = sum(n for n, j in zip(counts.tolist(), parsed.judgements, strict=True) if j.outcome != "blank")
    faults = []
    for index, judgement in enumerate(parsed.judgements):
        if judgement.reason == "impossible" and counts[index] > max(2, SENTINEL_SHARE * filled):
            message = (
                f"column {parsed.heading!r}: {counts[index]} cells hold the same impossible number "
                f"({rows_named(rows[parsed.raw.codes == index].tolist())}); if it means missing, declare "
                "codes = [...], if not, correct the unit or the cells"
            )
            faults.append(Fault(code="code_not_declared", message=message))
    return faults
