"""The data bundled with the package: one cohort twice, clean and as a department keeps it.

The data are invented and given under CC0. Same version, same seed, same cells.
"""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from importlib.resources import as_file, files
from pathlib import Path

from openpyxl import Workbook

from synthetic_cohort.declarations import declarations, dictionary_text
from synthetic_cohort.department import FOOTER, HEADER_ROW, MISSING, sheet_columns, sheet_rows
from synthetic_cohort.table import Simulation, simulate

CASES = 600
SEED = 1
SHEET = "Wrists"
NAMES = ("cohort.csv", "dictionary.toml", "department.xlsx", "department_dictionary.toml")
NOTES = (
    "Everything in this workbook is invented. It was made by `python -m synthetic_cohort bundle`.",
    "Northmere, Saltby and Wickfell do not exist; surgeons are coded S1 to S9.",
    "One row is one broken wrist. A patient with two broken wrists has two rows.",
    "Tilt is counted dorsal positive here. Shortening is against the other side.",
    "Steps are blank where the fracture does not enter the joint.",
    "Given under CC0: use it as you like.",
)


def bundled_cohort() -> Simulation:
    """Return the cohort that the bundled files hold."""
    return simulate(CASES, "demo", seed=SEED)


def data_file(name: str) -> Path:
    """Return the path of a bundled file.

    Parameters
    ----------
    name : str
        One of :data:`NAMES`.

    Returns
    -------
    Path

    Raises
    ------
    ValueError
        When no such file is bundled.

    Examples
    --------
    >>> data_file("cohort.csv").name
    'cohort.csv'
    """
    if name not in NAMES:
        raise ValueError(f"no bundled file {name!r}; there are: {', '.join(NAMES)}")
    with as_file(files("synthetic_cohort") / "data" / name) as path:
        return Path(path)


def clean_dictionary() -> str:
    """Return the dictionary of ``cohort.csv``."""
    return dictionary_text(
        "Invented cohort of distal radius fractures, clean table",
        {"delimiter": ",", "date_order": "year-month-day", "decimal": "point"},
        declarations(),
        ("Reads cohort.csv. The cohort is invented; no patient stands behind any row. CC0.",),
    )


def department_dictionary() -> str:
    """Return the dictionary of ``department.xlsx``."""
    table = {
        "sheet": SHEET,
        "header_row": HEADER_ROW,
        "missing": list(MISSING),
        "footer": list(FOOTER),
        "decimal": "point",
    }
    return dictionary_text(
        "Invented cohort of distal radius fractures, as a department keeps it",
        table,
        {column.heading: column.declared for column in sheet_columns() if column.name},
        (
            "Reads department.xlsx. The cohort is invented; no patient stands behind any row. CC0.",
            "Operation notes and birth dates are read for the use declared here and for nothing else.",
        ),
    )


def department_workbook(simulated: Simulation) -> Workbook:
    """Return the workbook of the department."""
    book = Workbook()
    sheet = book.create_sheet(SHEET, 0)
    book.remove(book.worksheets[1])
    for row in sheet_rows(simulated, SEED):
        sheet.append(row)
    notes = book.create_sheet("Notes")
    for line in NOTES:
        notes.append([line])
    fixed = datetime.datetime(2025, 1, 6)
    book.properties.created = book.properties.modified = fixed
    book.properties.title = "Invented data: distal radius fractures"
    book.properties.creator = "synthetic_cohort"
    return book


def _same_bytes(book: Workbook) -> bytes:
    """Return a workbook as a file that is the same each time: no time of writing in it."""
    saved, fixed = io.BytesIO(), io.BytesIO()
    book.save(saved)
    with zipfile.ZipFile(saved) as source, zipfile.ZipFile(fixed, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>2025-01-06T00:00:00Z", content)
            target.writestr(zipfile.ZipInfo(name, (2025, 1, 6, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
    return fixed.getvalue()


def write_bundle(folder: str | Path) -> tuple[Path, ...]:
    """Write the bundled files.

    Parameters
    ----------
    folder : str or Path
        Made when it is not there.

    Returns
    -------
    tuple of Path
    """
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    simulated = bundled_cohort()
    paths = tuple(target / name for name in NAMES)
    simulated.table.to_csv(paths[0], index=False, date_format="%Y-%m-%d", lineterminator="\n")
    paths[1].write_text(clean_dictionary(), encoding="utf-8", newline="\n")
    paths[2].write_bytes(_same_bytes(department_workbook(simulated)))
    paths[3].write_text(department_dictionary(), encoding="utf-8", newline="\n")
    return paths
