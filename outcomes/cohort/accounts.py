"""Counting what became of rows and cells, and listing what should be put right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.checks import doubtful_columns, looked_at, numeric_id_collisions
from outcomes.cohort.hands import side_needed
from outcomes.cohort.ledger import CellCounts
from outcomes.cohort.parsing import ParsedColumn
from outcomes.cohort.quality import Action, Problem, Severity
from outcomes.cohort.questions import (
    REMARKS,
    ROW_QUESTIONS,
    cell_question,
    how_to_declare,
    spellings_declared,
)
from outcomes.cohort.raw import RawTable
from outcomes.cohort.text import counted, fold
from outcomes.errors import CohortError

NOT_DATA = ("above_header", "header", "blank", "footer", "repeated_header")
# Set missing because it was declared to mean missing: counted, not asked about.
DECLARED_MISSING = ("missing_token", "missing_code")


# Up to so many unknown words of a column without declared spellings are asked about one by one.
FEW_UNKNOWN = 5


def count_rows(aside: Sequence[tuple[int, str]]) -> tuple[dict[str, int], dict[str, int]]:
    """Count rows set aside by code: those to be asked about, and those that are no data."""
    counts = Counter(code for _, code in aside)
    not_data = {code: counts.pop(code) for code in NOT_DATA if code in counts}
    return dict(sorted(counts.items())), not_data


def cell_counts(parsed: ParsedColumn, final: NDArray[np.bool_], data: pd.DataFrame) -> CellCounts:
    """Count what became of the cells of one column in the rows that are used.

    Parameters
    ----------
    parsed : ParsedColumn
        The judged column, n cells.
    final : ndarray of bool, shape (n,)
        Rows that are used.
    data : DataFrame
        The typed rows that are used; its filled cells must agree with the count.

    Raises
    ------
    CohortError
        When the typed column holds more or fewer values than were counted.
    """
    per_token = np.bincount(parsed.raw.codes[final], minlength=len(parsed.judgements)).tolist()
    outcomes: Counter[str] = Counter()
    reasons: dict[str, Counter[str]] = {"converted": Counter(), "missing": Counter()}
    tokens: Counter[str] = Counter()
    for token, judgement, n in zip(parsed.raw.tokens, parsed.judgements, per_token, strict=True):
        if not n:
            continue
        outcomes[judgement.outcome] += n
        if judgement.outcome in reasons:
            reasons[judgement.outcome][judgement.reason] += n
        if judgement.reason == "missing_token":
            tokens[fold(token)] += n
    filled = outcomes["verbatim"] + outcomes["converted"]
    if parsed.column.concept != "birth_date" and filled != int(data[parsed.column.name].notna().sum()):
        raise CohortError(
            f"column {parsed.heading!r}: {filled} values counted but the table holds another number; "
            "nothing is used, please report it",
            code="ledger_unbalanced",
        )
    return CellCounts(
        read=sum(outcomes.values()),
        verbatim=outcomes["verbatim"],
        blank=outcomes["blank"],
        converted=dict(reasons["converted"]),
        set_missing=dict(reasons["missing"]),
        missing_tokens=dict(tokens),
    )


def _cells_to_ask(
    parsed: tuple[ParsedColumn, ...], frame: pd.DataFrame, final: NDArray[np.bool_]
) -> Iterator[tuple[ParsedColumn, str, Action, NDArray[np.intp]]]:
    """Yield column, code, action and the positions of its cells, in used rows only."""
    by_name = {one.column.name: one for one in parsed}
    for one in parsed:
        for code in dict.fromkeys(j.reason for j in one.judgements if j.outcome == "missing"):
            if code not in DECLARED_MISSING:
                marks = one.cells_with([j.outcome == "missing" and j.reason == code for j in one.judgements])
                yield one, code, "set missing", np.flatnonzero(marks & final)
        for code in dict.fromkeys(j.remark for j in one.judgements if j.remark):
            marks = one.cells_with([j.remark == code for j in one.judgements])
            yield one, code, "kept", np.flatnonzero(marks & final)
        if one.column.concept == "patient_id":
            marks = numeric_id_collisions(frame["patient_id"].to_numpy(dtype=object))
            yield one, "id_collision", "kept", np.flatnonzero(marks & final)
        if one.column.concept == "birth_date":
            born = one.cells_with([j.value is not None for j in one.judgements])
            marks = born & frame["injury_date"].notna().to_numpy() & frame["age"].isna().to_numpy()
            yield one, "no_age", "set missing", np.flatnonzero(marks & final)
        if one.column.concept == "side":
            marks = side_needed(frame, [each.column for each in parsed])
            yield one, "side_needed", "set missing", np.flatnonzero(marks & final)
    for name, code, marks in looked_at(frame):
        yield by_name[name], code, "kept", np.flatnonzero(marks & final)


def column_problems(
    raw: RawTable, parsed: tuple[ParsedColumn, ...], data: pd.DataFrame
) -> tuple[Problem, ...]:
    """Return what should be known about whole columns: empty, doubtful sign, copied films."""
    headings = {one.column.name: one.heading for one in parsed}
    found = [(name, "all_missing") for name in headings if data[name].isna().all()]
    found += doubtful_columns(data)
    return tuple(
        Problem(
            sheet=raw.sheet,
            row=None,
            column=headings[name],
            code=code,
            severity="note" if code == "all_missing" else "warning",
            action="kept",
            asked=REMARKS[code],
        )
        for name, code in found
    )


def list_problems(
    raw: RawTable,
    parsed: tuple[ParsedColumn, ...],
    frame: pd.DataFrame,
    final: NDArray[np.bool_],
    lost: Sequence[tuple[int, str]],
) -> tuple[Problem, ...]:
    """Return the problems of rows and cells, without cell contents.

    Parameters
    ----------
    raw, parsed : RawTable, tuple of ParsedColumn
        The table and its judged columns, n kept rows.
    frame : DataFrame
        Typed kept rows.
    final : ndarray of bool, shape (n,)
        Kept rows that are used.
    lost : sequence of (row, code)
        Rows in quarantine.
    """
    found = [
        Problem(
            sheet=raw.sheet, row=row, column="", code=code, severity="ask", action="quarantined",
            asked=ROW_QUESTIONS[code],
        )
        for row, code in lost
    ]  # fmt: skip
    rows = frame["source_row"].to_numpy()
    for one, code, action, places in _cells_to_ask(parsed, frame, final):
        if _to_declare(one, code, places):
            found.append(_declare_levels(raw.sheet, one, len(places), final))
            continue
        asked = REMARKS[code] if code in REMARKS else cell_question(code, one.column)
        severity: Severity = "ask" if action == "set missing" else "warning"
        found += [
            Problem(
                sheet=raw.sheet, row=row, column=one.heading, code=code, severity=severity, action=action,
                asked=asked,
            )
            for row in rows[places].tolist()
        ]  # fmt: skip
    return tuple(found)


def _to_declare(one: ParsedColumn, code: str, places: NDArray[np.intp]) -> bool:
    """Tell whether unknown words are a question about the dictionary, not about the cells."""
    return code == "undeclared_level" and len(places) > FEW_UNKNOWN and not spellings_declared(one.column)


def _declare_levels(sheet: str, one: ParsedColumn, n: int, final: NDArray[np.bool_]) -> Problem:
    filled = int((final & ~one.raw.blank).sum())
    asked = (
        f"{REMARKS['levels_not_declared']} {n} of {counted(filled, 'cell')}: {how_to_declare(one.column)}."
    )
    return Problem(
        sheet=sheet, row=None, column=one.heading, code="levels_not_declared", severity="ask",
        action="set missing", asked=asked,
    )  # fmt: skip


def _token_lines(
    sheet: str, one: ParsedColumn, rows: NDArray[np.int64], places: NDArray[np.intp]
) -> Iterator[tuple[str, int, str, str, str, str, str]]:
    """Yield one line a distinct word with the number of its cells, the most frequent word first."""
    held = one.raw.codes[places]
    tokens, first, counts = np.unique(held, return_index=True, return_counts=True)
    remedy = how_to_declare(one.column)
    for index in np.lexsort((first, -counts)).tolist():
        n, row = int(counts[index]), int(rows[places[first[index]]])
        asked = f"Which level is it? {counted(n, 'cell')}, the first in row {row}: {remedy}."
        value = one.raw.tokens[int(tokens[index])]
        yield sheet, row, one.heading, "levels_not_declared", "set missing", asked, value


def list_queries(
    raw: RawTable,
    parsed: tuple[ParsedColumn, ...],
    frame: pd.DataFrame,
    final: NDArray[np.bool_],
    lost: Sequence[tuple[int, str]],
) -> pd.DataFrame:
    """Return the same list with the value as it stands, for a private place only."""
    lines: list[tuple[str, int, str, str, str, str, str]] = []
    for row, code in lost:
        lines.append((raw.sheet, row, "", code, "quarantined", ROW_QUESTIONS[code], ""))
    rows = frame["source_row"].to_numpy()
    for one, code, action, places in _cells_to_ask(parsed, frame, final):
        if _to_declare(one, code, places):
            lines += _token_lines(raw.sheet, one, rows, places)
            continue
        asked = REMARKS[code] if code in REMARKS else cell_question(code, one.column)
        tokens = one.raw.tokens
        held = one.raw.codes[places].tolist()
        for row, token in zip(rows[places].tolist(), held, strict=True):
            value = "" if one.column.concept == "birth_date" else tokens[token]
            lines.append((raw.sheet, row, one.heading, code, action, asked, value))
    return pd.DataFrame(lines, columns=["sheet", "row", "column", "code", "action", "asked", "value"])
