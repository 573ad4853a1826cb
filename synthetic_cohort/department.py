"""The same cases as a department would keep them: one messy sheet.

Title rows, headings in row 4, several spellings of one thing, units in cells, several words for missing,
three styles of date, numbers typed as text, text among the numbers, blank rows, a row entered twice, totals
at the foot, dorsal tilt counted positive, a column nobody uses. No meaning is carried by a comment or a
colour. What the sheet means is declared in `department_dictionary.toml`, written from the same list.

Information that is lost on the way, on purpose: a handful of cells hold ``<2``, ``10-15`` or an impossible
number, and one pattern is written in a word the dictionary does not know.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from synthetic_cohort.declarations import declarations
from synthetic_cohort.levels import COMPONENTS, EVENT_SLOTS
from synthetic_cohort.spelling import EVENTS, NO, SPELLINGS, YES, operation_notes
from synthetic_cohort.table import Simulation

HEADER_ROW = 4
MISSING = ("n/a", "-", "NR", "not done")
FOOTER = ("total", "mean")
NOT_RECORDED = 999
"""Code for a missing PRWE in the sheet, declared in the dictionary."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetColumn:
    """One column of the sheet.

    Attributes
    ----------
    heading : str
    name : str
        Column of the clean table; empty for a column that is not used.
    extra : dict
        Keys of the dictionary that differ from those of the clean table.
    """

    heading: str
    name: str
    extra: dict[str, Any] = field(default_factory=dict)

    @property
    def declared(self) -> dict[str, Any]:
        """Keys of the data dictionary for this column."""
        base = {"is": "birth_date"} if self.name == "birth_date" else declarations()[self.name]
        return base | self.extra


def sheet_columns() -> tuple[SheetColumn, ...]:
    """Return the columns of the sheet, in order."""
    listed = [
        SheetColumn(heading="Hospital no.", name="patient_id"),
        SheetColumn(heading="Side", name="side", extra=_levels("side")),
        SheetColumn(heading="Date of birth", name="birth_date", extra={"date_order": "day-month-year"}),
    ]
    listed += [
        SheetColumn(heading=heading, name=name, extra=_levels(name))
        for heading, name in (
            ("Sex", "sex"),
            ("Hand dominance", "dominant_hand"),
            ("Mechanism", "energy"),
            ("Fracture pattern", "pattern"),
            ("Bone", "bone_quality"),
            ("Unit", "hospital"),
        )
    ]
    yes_no = {"yes": list(YES), "no": list(NO)}
    listed += [
        SheetColumn(heading=heading, name=name, extra=dict(yes_no))
        for heading, name in (
            ("Open?", "open_injury"),
            ("Comminuted?", "comminution"),
            ("DRUJ involved?", "druj_involved"),
            ("Diabetes", "diabetes"),
            ("Smoker", "smoking"),
            ("CKD", "renal_disease"),
            ("Other hand problem", "other_hand_impaired"),
        )
    ]
    listed += [
        SheetColumn(heading="AO/OTA", name="fracture_class"),
        SheetColumn(heading="Surgeon", name="surgeon"),
        SheetColumn(heading="Surgeon yrs", name="surgeon_experience"),
        SheetColumn(heading="Theatre", name=""),
        SheetColumn(heading="Injury date", name="injury_date"),
        SheetColumn(
            heading="Op / treatment date", name="treatment_date", extra={"date_order": "day-month-year"}
        ),
        SheetColumn(heading="Last seen", name="last_seen_date", extra={"date_order": "month-day-year"}),
        SheetColumn(heading="Film date post-red", name="film_date_post_reduction"),
        SheetColumn(heading="Film date post-op", name="film_date_postoperative"),
        SheetColumn(heading="Operation", name="operation_text"),
        SheetColumn(heading="K-wires used", name="component_wires", extra=dict(yes_no)),
        SheetColumn(heading="Volar plate used", name="component_volar_plate", extra=dict(yes_no)),
        SheetColumn(heading="Bone graft used", name="component_bone_graft", extra=dict(yes_no)),
    ]
    return (*listed, *_film_columns(), *_function_columns(), *_event_columns())


def _levels(name: str) -> dict[str, Any]:
    """Return the spellings of a category for the dictionary."""
    return {"levels": {level: list(words) for level, words in SPELLINGS[name].items()}}


def _film_columns() -> list[SheetColumn]:
    """Return the columns of the films; tilt is counted dorsal positive in this department."""
    whole = (
        ("tilt", "Dorsal tilt"),
        ("shortening", "Shortening"),
        ("step", "Step"),
        ("druj_congruent", "DRUJ congruent"),
    )
    more = (("inclination", "Inclination"), ("ulnar_variance", "UV"), ("gap", "Gap"))
    films = (
        ("injury", "inj", whole[:3]),
        ("post_reduction", "post-red", whole),
        ("postoperative", "post-op", whole + more),
        ("union", "union", (*whole[:2], more[1])),
        ("postoperative_reader2", "post-op reader 2", whole),
    )
    listed = []
    for time, word, measures in films:
        for measure, label in measures:
            extra: dict[str, Any] = {"positive": "dorsal"} if measure == "tilt" else {}
            if measure == "druj_congruent":
                extra = {"yes": list(YES), "no": list(NO)}
            listed.append(SheetColumn(heading=f"{label} {word}", name=f"{measure}_{time}", extra=extra))
    return listed


def _function_columns() -> list[SheetColumn]:
    """Return the columns of the two visits."""
    listed = []
    for visit, word in (("3_months", "3/12"), ("12_months", "12/12")):
        for name, label in (
            ("grip_injured", "Grip inj"),
            ("grip_other", "Grip other"),
            ("pronation", "Pron"),
            ("supination", "Sup"),
            ("prwe", "PRWE"),
            ("pain", "Pain"),
        ):
            extra: dict[str, Any] = {"codes": [NOT_RECORDED]} if name == "prwe" else {}
            listed.append(SheetColumn(heading=f"{label} {word}", name=f"{name}_{visit}", extra=extra))
    return listed


def _event_columns() -> list[SheetColumn]:
    """Return the columns of the events."""
    spelled = {"levels": {kind: list(words) for kind, words in EVENTS.items()}}
    listed = []
    for slot in range(1, EVENT_SLOTS + 1):
        listed += [
            SheetColumn(heading=f"Event {slot}", name=f"event_{slot}", extra=spelled),
            SheetColumn(
                heading=f"Event {slot} date",
                name=f"event_date_{slot}",
                extra={"date_order": "day-month-year"},
            ),
            SheetColumn(heading=f"Event {slot} grade", name=f"event_severity_{slot}"),
            SheetColumn(heading=f"Event {slot} reason", name=f"event_reason_{slot}", extra=spelled),
        ]
    return listed


def sheet_rows(simulated: Simulation, seed: int) -> list[list[Any]]:
    """Return the rows of the sheet, from row 1.

    Parameters
    ----------
    simulated : Simulation
    seed : int
        Of the spelling, not of the cases.

    Returns
    -------
    list of lists
        Cells as text, numbers, dates or None.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 77]))
    table = simulated.table
    listed = sheet_columns()
    written = [_cells(column, simulated, rng) for column in listed]
    cases = [list(cells) for cells in zip(*written, strict=True)]
    _lose(cases, {column.name: position for position, column in enumerate(listed)}, rng)
    width = len(listed)
    empty = [None] * width
    middle = len(cases) // 2
    rows: list[list[Any]] = [
        ["Northmere hand service: distal radius fractures 2019-2024", *empty[1:]],
        ["INVENTED DATA made by a program; no patient behind any row. See the sheet Notes.", *empty[1:]],
        list(empty),
        [column.heading for column in listed],
    ]
    rows += [*cases[:middle], list(empty), list(empty), *cases[middle:], list(cases[middle // 2])]
    rows += [list(empty), ["Total", f"{len(table)} wrists", *empty[2:]], _means(listed, table)]
    return rows


def _cells(column: SheetColumn, simulated: Simulation, rng: np.random.Generator) -> list[Any]:
    """Write the cells of one column."""
    from synthetic_cohort import cells

    table = simulated.table
    kind = column.declared["is"] if column.name else ""
    if not column.name:
        return [f"T{number}" for number in rng.integers(1, 4, len(table))]
    if kind == "birth_date":
        return cells.birth_dates(table["age"], table["injury_date"], rng)
    values = table[column.name]
    if kind == "operation_text":
        parts = np.array([table[f"component_{part}"] == "yes" for part in COMPONENTS])
        used = [frozenset(np.array(COMPONENTS)[row].tolist()) for row in parts.T]
        notes = [operation_notes(name, have) for name, have in zip(simulated.strategy, used, strict=True)]
        return [note[int(luck * len(note))] for note, luck in zip(notes, rng.random(len(table)), strict=True)]
    if "yes" in column.extra:
        return cells.spelled(values, {"yes": YES, "no": NO}, MISSING, rng)
    if "levels" in column.extra:
        words = {level: tuple(found) for level, found in column.extra["levels"].items()}
        return cells.spelled(values, words, () if kind.startswith("event") else MISSING, rng)
    if pd.api.types.is_datetime64_any_dtype(values):
        return cells.dates(values, column.extra.get("date_order", ""), kind == "event_date", rng)
    if pd.api.types.is_numeric_dtype(values):
        unit = {"degrees": "°", "mm": " mm", "kg": " kg"}.get(column.declared.get("unit", ""), "")
        code = NOT_RECORDED if "codes" in column.extra else None
        lacking = () if kind == "event_severity" else MISSING
        sign = -1.0 if column.extra.get("positive") == "dorsal" else 1.0
        return cells.numbers(sign * values, unit, lacking, code, rng)
    return [None if value is None else str(value) for value in values]


def _lose(cases: list[list[Any]], where: dict[str, int], rng: np.random.Generator) -> None:
    """Write into a few cells what cannot be read as a number or a level."""
    for name, text, times in (
        ("step_postoperative", "<2", 3),
        ("tilt_union", "10-15", 2),
        ("shortening_injury", "approx 5", 1),
        ("grip_injured_3_months", 240, 1),
        ("pattern", "unsure", 1),
    ):
        filled = [row for row in cases if row[where[name]] not in (None, *MISSING)]
        for position in rng.choice(len(filled), size=min(times, len(filled)), replace=False):
            filled[int(position)][where[name]] = text


def _means(listed: tuple[SheetColumn, ...], table: pd.DataFrame) -> list[Any]:
    """Return the row of means at the foot."""
    row: list[Any] = ["Mean"]
    for column in listed[1:]:
        numeric = (
            bool(column.name) and column.name in table and pd.api.types.is_numeric_dtype(table[column.name])
        )
        sign = -1.0 if column.extra.get("positive") == "dorsal" else 1.0
        row.append(round(sign * float(table[column.name].mean()), 1) if numeric else None)
    return row
