"""Small invented tables and the dictionary that reads them, shared by the intake tests."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

from openpyxl import Workbook

from outcomes.cohort.table import Cohort, read_cohort
from outcomes.errors import CohortError

HEADINGS = ["No.", "Side", "Sex", "Injured", "Treated", "Tilt", "Grip"]
ROWS = [
    ["007", "L", "f", "01/02/2021", "03/02/2021", "10", "12.5"],
    ["008", "R", "m", "05/02/2021", "13/02/2021", "-4", "20"],
    ["009", "L", "f", "05/02/2021", "13/02/2021", "0", "31"],
]
DICTIONARY: dict[str, Any] = {
    "table": {"date_order": "day-month-year"},
    "columns": {
        "No.": {"is": "patient_id"},
        "Side": {"is": "side", "levels": {"left": ["l"], "right": ["r"]}},
        "Sex": {"is": "sex", "levels": {"female": ["f"], "male": ["m"]}},
        "Injured": {"is": "injury_date"},
        "Treated": {"is": "treatment_date"},
        "Tilt": {"is": "tilt", "time": "union", "unit": "degrees", "positive": "dorsal"},
        "Grip": {"is": "grip", "hand": "injured", "time": "12 months", "unit": "kg"},
    },
}


def dictionary(table: dict[str, Any] | None = None, **columns: Any) -> dict[str, Any]:
    """Return the dictionary with changed table keys, and columns changed or (None) removed by heading."""
    made = copy.deepcopy(DICTIONARY)
    made["table"] |= table or {}
    for heading, entry in columns.items():
        key = "No." if heading == "No" else heading
        if entry is None:
            del made["columns"][key]
        else:
            made["columns"][key] = made["columns"].get(key, {}) | entry
    return made


def csv_text(
    rows: list[list[str]], headings: list[str] | None = None, mark: str = ",", end: str = "\n"
) -> str:
    """Return rows as delimited text without any quoting."""
    return end.join(mark.join(row) for row in [headings or HEADINGS, *rows]) + end


def write_csv(folder: Path, text: str | bytes, name: str = "wrists.csv") -> Path:
    """Write a file of exactly these bytes."""
    path = folder / name
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return path


def changed(row: int, heading: str, cell: str) -> list[list[str]]:
    """Return the rows with one cell changed."""
    rows = copy.deepcopy(ROWS)
    rows[row][HEADINGS.index(heading)] = cell
    return rows


def write_workbook(folder: Path, rows: list[list[Any]], *, sheets: tuple[str, ...] = ("Wrists",)) -> Path:
    """Write a workbook whose first sheet holds the rows, typed as they are given."""
    book = Workbook()
    sheet = book.active
    sheet.title = sheets[0]
    for row in rows:
        sheet.append(row)
    for name in sheets[1:]:
        book.create_sheet(name)
    path = folder / "wrists.xlsx"
    book.save(path)
    return path


def read_or_code(path: Path, declared: dict[str, Any]) -> tuple[str, Cohort | None]:
    """Return the cohort, or the code with which the table was refused."""
    try:
        return "", read_cohort(path, declared)
    except CohortError as error:
        return error.code, None
