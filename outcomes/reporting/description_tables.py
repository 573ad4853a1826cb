"""Tables of the description: who the cases are, which strategies met which fractures, what was compared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from outcomes.analysis.description import BaselineCell, BaselineRow, BaselineTable, OverlapTable
from outcomes.analysis.sample import FlowStep
from outcomes.reporting.formatting import NBSP, NOTHING, count, decimals_for, number, share_of
from outcomes.reporting.tables import Row, Table, data_rows, grouped_rows

#: More group columns than this do not fit a page; the workbook has them all.
MOST_GROUPS = 6


def baseline_page_table(baseline: BaselineTable) -> Table:
    """Return the baseline table as printed: mean (SD) or n (%), the difference between groups, n missing."""
    shown = [i for i, group in enumerate(baseline.groups) if group.name in baseline.compared][:MOST_GROUPS]
    if len(baseline.groups) <= MOST_GROUPS:
        shown = list(range(len(baseline.groups)))
    groups = [baseline.groups[i] for i in shown]
    head = ["", *(f"{group.name} (n = {count(group.n_cases)})" for group in groups)]
    head += [f"all (n = {count(baseline.overall.n_cases)})", "Largest difference", "Missing"]
    return Table(
        key=f"baseline_by_{baseline.by}",
        title=f"Who the cases are, by {baseline.by}",
        header=tuple(head),
        rows=tuple(_baseline_rows(baseline, shown)),
        frame=baseline.tidy(),
        notes=_baseline_notes(baseline, len(baseline.groups) - len(shown)),
    )


def _baseline_rows(baseline: BaselineTable, shown: Sequence[int]) -> Iterator[Row]:
    """Yield one line a number or yes/no variable, a heading and its levels for a category."""
    width = len(shown) + 4
    previous = ""
    for row in baseline.rows:
        first = row.variable != previous
        previous = row.variable
        ends = _row_ends(row) if first else ("", "")
        if row.kind == "category" and first:
            yield Row(cells=(row.label, *[""] * (width - 3), *ends))
            ends = ("", "")
        name = f"{NBSP}{NBSP}{row.level}" if row.kind == "category" else _named(row)
        cells = [_baseline_cell(row.cells[i], row) for i in shown]
        yield Row(cells=(name, *cells, _baseline_cell(row.overall, row), *ends))


def _named(row: BaselineRow) -> str:
    return (
        f"{row.label}, {row.unit}: mean (SD)"
        if row.unit
        else (f"{row.label}: mean (SD)" if row.kind == "number" else row.label)
    )


def _row_ends(row: BaselineRow) -> tuple[str, str]:
    gap = NOTHING if row.std_difference is None else number(row.std_difference, 2)
    return gap, count(row.overall.n_missing)


def _baseline_cell(cell: BaselineCell, row: BaselineRow) -> str:
    if cell.n == 0:
        return NOTHING
    if cell.count is not None:
        return share_of(cell.count, cell.n)
    if cell.mean is None:
        return NOTHING
    digits = decimals_for(row.unit)
    return (
        number(cell.mean, digits)
        if cell.sd is None
        else f"{number(cell.mean, digits)} ({number(cell.sd, digits)})"
    )


def _baseline_notes(baseline: BaselineTable, n_hidden: int) -> tuple[str, ...]:
    notes = [
        "Mean (SD) of numbers, n (percentage of cases with a value) otherwise; medians and quartiles are in the workbook. "
        "Largest difference: largest standardised difference between two of the compared groups, without sign. "
        f"{baseline.denominator}",
        "No p-values: the groups were not drawn at random, and a test would not say how far apart they are.",
    ]
    if baseline.n_two_wrists:
        notes.append(f"{count(baseline.n_two_wrists)} patients have more than one eligible case.")
    if n_hidden:
        notes.append(
            f'{count(n_hidden)} groups that are not compared are in the workbook only; they count under "all".'
        )
    return tuple(notes)


def overlap_page_table(overlap: OverlapTable) -> Table:
    """Return fracture patterns by strategy, thin cells marked."""
    at = {(cell.pattern, cell.strategy): cell for cell in overlap.cells}
    shown = overlap.strategies if len(overlap.strategies) <= MOST_GROUPS + 1 else overlap.planned
    lines = []
    for pattern, n in zip(overlap.patterns, overlap.n_by_pattern, strict=True):
        cells = [at[pattern, strategy] for strategy in shown]
        lines.append((pattern, *(f"{count(c.n)}{'*' if c.flagged else ''}" for c in cells), count(n)))
    notes = [
        f"* under {overlap.limit * 100:g}{NBSP}% of the cases of the pattern: the pattern leaves every comparison with that "
        "strategy.",
    ]
    if overlap.n_missing:
        notes.append(f"{count(overlap.n_missing)} eligible cases without a recorded pattern.")
    if len(shown) < len(overlap.strategies):
        notes.append(
            "Strategies that are not to be judged are in the workbook; they count in the last column."
        )
    return Table(
        key="overlap",
        title="Fracture pattern by strategy: where a comparison has support",
        header=("Fracture pattern", *shown, "all"),
        rows=data_rows(lines),
        frame=overlap.tidy(),
        notes=tuple(notes),
    )


def balance_frame(baseline: BaselineTable) -> pd.DataFrame:
    """Return one line a variable: its largest standardised difference and between whom."""
    seen: dict[str, dict[str, object]] = {}
    for row in baseline.rows:
        if row.variable not in seen and row.std_difference is not None:
            seen[row.variable] = {
                "variable": row.variable, "label": row.label, "std_difference": row.std_difference,
                "between": " v ".join(row.between),
            }  # fmt: skip
    return pd.DataFrame(list(seen.values()), columns=["variable", "label", "std_difference", "between"])


def flow_table(steps: Sequence[FlowStep]) -> Table:
    """Return the participant flow as a table, for the workbook."""
    frame = pd.DataFrame(
        [
            {"step": step.label, "kind": step.kind, "n": step.n_cases, "n_patients": step.n_patients}
            for step in steps
        ]
    )
    groups = [("", [(step.label, count(step.n_cases), count(step.n_patients)) for step in steps])]
    return Table(
        key="participant_flow",
        title="Participant flow",
        header=("Step", "Cases", "Patients"),
        rows=grouped_rows(groups)[1:],
        frame=frame,
    )
