"""The cohort: a typed table that cannot exist unless every row and cell of its file is accounted for."""

from __future__ import annotations

import os
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.accounts import (
    NOT_DATA,
    cell_counts,
    column_problems,
    count_rows,
    list_problems,
    list_queries,
)
from outcomes.cohort.checks import age_at, order_codes
from outcomes.cohort.dictionary import DataDictionary, read_dictionary
from outcomes.cohort.hands import by_fracture_side, in_words
from outcomes.cohort.headings import match_headings
from outcomes.cohort.identity import identify
from outcomes.cohort.ledger import Ledger
from outcomes.cohort.parsing import ParsedColumn, column_faults, parse_column
from outcomes.cohort.quality import Problem, refuse
from outcomes.cohort.raw import RawTable
from outcomes.cohort.reading import read_raw
from outcomes.cohort.row_kinds import row_codes
from outcomes.cohort.text import counted
from outcomes.errors import CohortError, OutcomesError


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Which file a cohort was read from: name without folder, sheet, sha256 and physical rows."""

    name: str
    sheet: str
    sha256: str
    rows: int


def _no_rows() -> pd.DataFrame:
    return pd.DataFrame({"source_row": pd.Series(dtype="int64"), "code": [], "source_sheet": []})


@dataclass(frozen=True, slots=True, kw_only=True, repr=False, eq=False)
class Cohort:
    """A cohort table with its meaning and its ledger. Shows shapes and names, never a row.

    Attributes
    ----------
    data : DataFrame
        One row a case, internal column names, with `source_row` and `source_sheet`. Asking for it is the
        explicit request after which rows are shown.
    dictionary : DataDictionary
        What was declared.
    ledger : Ledger
        What became of every row and cell.
    source : Source
        The file.
    problems : tuple of Problem
        What somebody should know or put right; without cell contents.
    quarantine : DataFrame
        Rows set aside: `source_row`, `code`, `source_sheet`.
    history : tuple of str
        What was done, in sentences.
    queries : DataFrame
        What :meth:`query_list` gives; never shown.
    """

    data: pd.DataFrame
    dictionary: DataDictionary
    ledger: Ledger
    source: Source
    problems: tuple[Problem, ...] = ()
    quarantine: pd.DataFrame = field(default_factory=_no_rows)
    history: tuple[str, ...] = ()
    queries: pd.DataFrame = field(default_factory=pd.DataFrame)

    def query_list(self) -> pd.DataFrame:
        """Return one line a cell or row to be put right, *with the value as it stands*, for a private place.

        Columns: sheet, row, column, code, action, asked, value.
        """
        return self.queries.copy()

    def __len__(self) -> int:
        """Return the number of cases."""
        return len(self.data)

    def __repr__(self) -> str:
        """Return shape and column names."""
        return (
            f"Cohort of {counted(len(self.data), 'case')} from {self.source.name}: "
            f"{counted(len(self.data.columns), 'column')} ({', '.join(map(str, self.data.columns))}); "
            f"{counted(len(self.quarantine), 'row')} in quarantine, {counted(len(self.problems), 'problem')}"
        )

    __str__ = __repr__

    def _repr_html_(self) -> str:
        """Return shape and column names for a notebook."""
        return f"<p>{escape(repr(self))}</p><p>{escape(str(self.ledger))}</p>"

    def __reduce__(self) -> NoReturn:
        """Refuse pickling: a pickle would carry rows where nobody looks for them."""
        raise CohortError(
            "a cohort is not pickled, which would copy patient rows unseen; pass arrays of cohort.data",
            code="no_pickle",
        )


def read_cohort(
    table: str | os.PathLike[str] | pd.DataFrame, dictionary: str | Path | Mapping[str, Any] | DataDictionary
) -> Cohort:
    """Read a cohort table by its dictionary.

    Parameters
    ----------
    table : str, Path or DataFrame
        A CSV, XLSX or Parquet file, or a frame.
    dictionary : str, Path, mapping or DataDictionary
        What each column means.

    Returns
    -------
    Cohort
        With a ledger that balances.

    Raises
    ------
    DictionaryError
        When the dictionary has faults.
    CohortError
        When the table cannot be read without doubt; every reason is listed, no cell is shown.

    Examples
    --------
    >>> frame = pd.DataFrame({"No.": ["007", "008"], "Side": ["L", "R"], "Tilt": ["10", "4 volar"]})
    >>> declared = {"columns": {
    ...     "No.": {"is": "patient_id"},
    ...     "Side": {"is": "side", "levels": {"left": ["l"], "right": ["r"]}},
    ...     "Tilt": {"is": "tilt", "time": "union", "unit": "degrees", "positive": "dorsal"}}}
    >>> cohort = read_cohort(frame, declared)
    >>> cohort.data["tilt_union"].tolist()
    [-10.0, 4.0]
    >>> print(cohort.ledger)
    2 rows read = 2 used + 0 quarantined + 0 not data; 6 cells read = 2 verbatim + 4 converted + \
0 set missing + 0 blank
    """
    declared = read_dictionary(dictionary)
    try:
        return _read(table, declared)
    except OutcomesError:
        raise
    except Exception as error:
        # Texts and frames of other libraries' errors carry cell contents, so only kind and place pass.
        place = traceback.extract_tb(error.__traceback__)[-1]
        name = "the frame" if isinstance(table, pd.DataFrame) else Path(table).name
        raise CohortError(
            f"{name}: a fault in the program ({type(error).__name__} in {Path(place.filename).name}, line "
            f"{place.lineno}); nothing is used, please report it",
            code="program_fault",
        ) from None


def _read(table: str | os.PathLike[str] | pd.DataFrame, declared: DataDictionary) -> Cohort:
    raw = read_raw(table, declared)
    used, _ = match_headings(raw.headings, declared)
    codes = row_codes(raw, declared, used)
    kept = codes == ""
    parsed = _parse(raw, used, declared, kept)
    frame = _typed(raw, parsed, kept)
    identity = identify(frame, declared)
    if identity.faults:
        refuse(raw.file, identity.faults)
    frame["case_id"] = identity.case_id
    codes[kept] = np.where(identity.codes == "", order_codes(frame, declared), identity.codes)
    return _assemble(raw, parsed, frame, codes, kept, declared)


def _parse(
    raw: RawTable, used: Mapping[int, Any], dictionary: DataDictionary, kept: NDArray[np.bool_]
) -> tuple[ParsedColumn, ...]:
    positions = {column.name: position for position, column in used.items()}
    parsed = tuple(
        parse_column(
            column,
            raw.headings[positions[column.name]],
            raw.columns[positions[column.name]],
            dictionary.table,
            kept,
        )
        for column in dictionary.columns
    )
    faults = [fault for one in parsed for fault in column_faults(one, raw.rows[kept])]
    if faults:
        refuse(raw.file, faults)
    return parsed


def _typed(raw: RawTable, parsed: tuple[ParsedColumn, ...], kept: NDArray[np.bool_]) -> pd.DataFrame:
    """Return the kept rows with typed columns; a birth date becomes an age here and goes no further."""
    values = {one.column.name: one.values() for one in parsed}
    for one in parsed:
        if one.column.concept == "birth_date":
            values["age"] = age_at(values["age"], values["injury_date"])
    rows = {"source_row": raw.rows[kept], "source_sheet": raw.sheet}
    lead = {"case_id": None} if "case_id" not in values else {}
    frame = pd.DataFrame(lead | values | rows, index=pd.RangeIndex(int(kept.sum())))
    return frame.drop(columns=list(lead)) if lead else frame


def _assemble(
    raw: RawTable,
    parsed: tuple[ParsedColumn, ...],
    frame: pd.DataFrame,
    codes: NDArray[np.object_],
    kept: NDArray[np.bool_],
    dictionary: DataDictionary,
) -> Cohort:
    final = codes[kept] == ""
    data = frame.loc[final].reset_index(drop=True)
    aside = [*raw.apart, *zip(raw.rows[codes != ""].tolist(), codes[codes != ""].tolist(), strict=True)]
    quarantined, not_data = count_rows(aside)
    ledger = Ledger(
        physical_rows=raw.physical_rows,
        used=len(data),
        quarantined=quarantined,
        not_data=not_data,
        cells={one.column.name: cell_counts(one, final, data) for one in parsed},
    )
    ledger.check()
    if not len(data):
        raise CohortError(f"{raw.file}: no row is left to use; {ledger}", code="empty")
    lost = [(row, code) for row, code in sorted(aside) if code not in NOT_DATA]
    return Cohort(
        data=_ordered(by_fracture_side(data, dictionary.columns), dictionary),
        dictionary=dictionary,
        ledger=ledger,
        problems=(
            *raw.problems,
            *column_problems(raw, parsed, data),
            *list_problems(raw, parsed, frame, final, lost),
        ),
        quarantine=pd.DataFrame(lost, columns=["source_row", "code"]).assign(source_sheet=raw.sheet),
        source=Source(name=raw.file, sheet=raw.sheet, sha256=raw.sha256, rows=raw.physical_rows),
        history=(f"Read {raw.file}: {ledger}.", *in_words(data, dictionary.columns)),
        queries=list_queries(raw, parsed, frame, final, lost),
    )


def _ordered(data: pd.DataFrame, dictionary: DataDictionary) -> pd.DataFrame:
    names = (column.name for column in dictionary.data_columns if column.name != "case_id")
    return data[["case_id", *names, "source_row", "source_sheet"]]
