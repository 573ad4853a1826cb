"""Tables of the data quality: what became of every row and cell, and what there is to ask."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import pandas as pd

from outcomes.cohort.ledger import CellCounts, Ledger
from outcomes.cohort.quality import Problem
from outcomes.reporting.formatting import NOTHING, count, listing
from outcomes.reporting.tables import Table, data_rows, grouped_rows


def rows_table(ledger: Ledger) -> Table:
    """Return what became of the rows of the file."""
    groups = [
        ("Used", [("cases", count(ledger.used))]),
        ("Set aside, to be asked about", _coded(ledger.quarantined)),
        ("Not data", _coded(ledger.not_data)),
        (
            "Together",
            [("rows of the file, counted independently of the reader", count(ledger.physical_rows))],
        ),
    ]
    frame = ledger.tidy()
    return Table(
        key="ledger_rows",
        title="What became of every row",
        header=("Row", "n"),
        rows=grouped_rows(groups),
        frame=frame[frame["what"] == "rows"].reset_index(drop=True),
    )


def _coded(counts: Mapping[str, int]) -> list[tuple[str, str]]:
    return [(in_words(code), count(n)) for code, n in counts.items() if n]


def in_words(code: str) -> str:
    """Return a reason code as words.

    Examples
    --------
    >>> in_words("blank_id")
    'blank id'
    """
    return code.replace("_", " ")


def cells_table(ledger: Ledger) -> Table:
    """Return what became of the cells of every column."""
    lines = [_cell_line(name, counts) for name, counts in ledger.cells.items()]
    frame = ledger.tidy()
    return Table(
        key="ledger_cells",
        title="What became of every cell of the rows used",
        header=("Column", "Read", "As written", "Converted", "Set missing", "Blank", "Why set missing"),
        rows=data_rows(lines),
        frame=frame[frame["what"] != "rows"].reset_index(drop=True),
        notes=(
            "Read = as written + converted + set missing + blank, for every column; otherwise there is no report.",
        ),
        text_columns=(0, 6),
    )


def _cell_line(name: str, counts: CellCounts) -> tuple[str, ...]:
    why = [f"{in_words(code)} {count(n)}" for code, n in counts.set_missing.items() if n]
    return (
        in_words(name),
        count(counts.read),
        count(counts.verbatim),
        count(sum(counts.converted.values())),
        count(sum(counts.set_missing.values())),
        count(counts.blank),
        listing(why) if why else NOTHING,
    )


def problems_table(problems: Sequence[Problem]) -> Table:
    """Return problems by code and column, counted; never the content of a cell."""
    seen: Counter[tuple[str, str, str, str]] = Counter()
    for problem in problems:
        seen[(problem.severity, problem.code, problem.column, problem.action)] += 1
    order = {"ask": 0, "warning": 1, "note": 2}
    lines = sorted(seen.items(), key=lambda item: (order.get(item[0][0], 9), item[0]))
    frame = pd.DataFrame(
        [
            {"severity": severity, "code": code, "column": column, "action": action, "n": n}
            for (severity, code, column, action), n in lines
        ],
        columns=["severity", "code", "column", "action", "n"],
    )
    return Table(
        key="queries",
        title="What the reading of the table found",
        header=("What", "Column", "What was done", "To be answered?", "n"),
        rows=data_rows(
            (in_words(code), column or NOTHING, action, "yes" if severity == "ask" else severity, count(n))
            for (severity, code, column, action), n in lines
        ),
        frame=frame,
        notes=("Rows and questions stand in the query list of the private folder.",),
        text_columns=(0, 1, 2, 3),
    )


def labelling_table(queries: pd.DataFrame) -> Table:
    """Return what labelling asks, counted by kind and column; never the content of a cell."""
    counted = queries.groupby(["code", "column"], sort=True).size()
    frame = counted.rename("n").reset_index()
    lines = [(str(code), str(column), int(n)) for code, column, n in frame.itertuples(index=False, name=None)]
    return Table(
        key="labelling_queries",
        title="What the labelling of events and operations leaves open",
        header=("What", "Column", "n"),
        rows=data_rows((in_words(code), column or NOTHING, count(n)) for code, column, n in lines),
        frame=frame,
        notes=("Rows, words and questions stand in the query list of the private folder.",),
        text_columns=(0, 1),
    )
