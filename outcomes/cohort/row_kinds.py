"""Which rows of a table are no cases: blank lines, totals, repeated headings, remarks."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from outcomes.cohort.dictionary import Column, DataDictionary
from outcomes.cohort.raw import RawTable, TokenColumn
from outcomes.cohort.text import fold

# What nobody is called: a row with this for a patient is never analysed, whether declared or not.
_TOTAL = re.compile(
    r"((sub|grand )?totals?|sum|mean|average|median|sd|std|min|max|count)\s*[:.=]?"
    r"|n\s*=.*|(mean|average|total) .*"
)


def is_footer(cells: Sequence[str], key: int, words: Sequence[str]) -> bool:
    """Tell whether a row is a total or remark below the cases.

    Parameters
    ----------
    cells : sequence of str
        The row.
    key : int
        Position of the patient column. A row with a patient of its own is a case.
    words : sequence of str
        Declared words.

    Examples
    --------
    >>> is_footer(["Total:", "", "612"], 1, ["total"]), is_footer(["Total", "N-104", "31"], 1, ["total"])
    (True, False)
    """
    first = next((position for position, cell in enumerate(cells) if cell.strip()), None)
    if first is None or not _starts_with_word(cells[first], words):
        return False
    return first == key or key >= len(cells) or not cells[key].strip()


def _starts_with_word(cell: str, words: Sequence[str]) -> bool:
    """Tell whether a cell is a word, or a word and more; a single letter counts only alone or before "="."""
    text = fold(cell)
    for word in map(fold, words):
        if text.startswith(word):
            rest = text[len(word) :]
            if not rest.strip(" .") or rest.lstrip()[:1] in (":", "=") or (len(word) > 1 and rest[0] == " "):
                return True
    return False


def row_codes(table: RawTable, dictionary: DataDictionary, used: Mapping[int, Column]) -> NDArray[np.object_]:
    """Return for each loaded record why it is no case, or "" where it may be one; shape (n,).

    ``blank``, ``footer`` and ``repeated_header`` are no data; ``blank_id``, ``looks_like_total`` and
    ``only_id`` are rows to be asked about.
    """
    codes = np.full(len(table.rows), "", dtype=object)
    key = next(position for position, column in used.items() if column.concept == "patient_id")
    filled = np.zeros(len(table.rows), dtype=np.int32)
    for column in table.columns.values():
        filled += ~column.blank
    blank_id = table.columns[key].blank
    codes[_repeats_headings(table, filled, key)] = "repeated_header"
    total = table.columns[key].where(
        np.array([_is_total(token) for token in table.columns[key].tokens], dtype=bool)
    )
    marked = _marks_declared(table.columns[key], dictionary)
    alone = (filled == 1) & ~blank_id & (len(table.columns) > 1)
    for index in np.flatnonzero((codes == "") & (blank_id | marked | total | alone)).tolist():
        cells = table.record(int(table.rows[index]))
        codes[index] = _code_of(
            cells, key, dictionary, bool(blank_id[index]), bool(total[index]), bool(alone[index])
        )
    return codes


def _code_of(
    cells: Sequence[str], key: int, dictionary: DataDictionary, blank_id: bool, total: bool, alone: bool
) -> str:
    if not any(cell.strip() for cell in cells):
        return "blank"
    if is_footer(cells, key, dictionary.table.footer):
        return "footer"
    if blank_id:
        return "blank_id"
    return "looks_like_total" if total else "only_id" if alone else ""


def _is_total(token: str) -> bool:
    return bool(_TOTAL.fullmatch(fold(token)))


def _marks_declared(column: TokenColumn, dictionary: DataDictionary) -> NDArray[np.bool_]:
    words = dictionary.table.footer
    if not words:
        return np.zeros(len(column.codes), dtype=bool)
    return column.where(np.array([_starts_with_word(token, words) for token in column.tokens], dtype=bool))


def _repeats_headings(table: RawTable, filled: NDArray[np.int32], key: int) -> NDArray[np.bool_]:
    """Mark rows in which most filled cells repeat the heading of their column, and no patient is named.

    Some tables tick a column by writing its name into the cell, so a row with a patient is always a case.
    """
    same = np.zeros(len(table.rows), dtype=np.int32)
    nobody = table.columns[key].blank
    for position, column in table.columns.items():
        heading = fold(table.headings[position])
        marks = column.where(np.array([fold(token) == heading for token in column.tokens], dtype=bool))
        same += marks
        nobody = nobody | marks if position == key else nobody
    most: NDArray[np.bool_] = nobody & (same > 0) & (same * 2 >= filled)
    return most
