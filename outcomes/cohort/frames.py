"""Frames and Parquet files to raw tables; a number keeps the digits it prints with."""

from __future__ import annotations

import datetime
import hashlib
import io
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from outcomes.cohort.dictionary import DataDictionary
from outcomes.cohort.headings import match_headings, unused_headings
from outcomes.cohort.quality import Fault, refuse
from outcomes.cohort.raw import CellKind, RawTable, TokenColumn
from outcomes.cohort.text import tidy
from outcomes.errors import CohortError


def cell_token(value: Any) -> tuple[str, CellKind]:
    """Return one typed cell as text, with what the file says it is.

    Examples
    --------
    >>> cell_token(12.5), cell_token(True), cell_token(datetime.date(2021, 3, 4))
    (('12.5', 'number'), ('true', 'boolean'), ('2021-03-04', 'date'))
    """
    if value is None or value is pd.NaT or value is pd.NA:
        return "", "text"
    if isinstance(value, str):
        return value, "text"
    if isinstance(value, (bool, np.bool_)):
        return str(bool(value)).lower(), "boolean"
    if isinstance(value, (int, np.integer)):
        return str(int(value)), "number"
    if isinstance(value, (float, np.floating)):
        return ("", "text") if np.isnan(value) else (repr(float(value)), "number")
    if isinstance(value, Decimal):
        return ("", "text") if value.is_nan() else (str(value), "number")
    if isinstance(value, datetime.datetime):
        at_midnight = value.time() == datetime.time(0)
        return (value.date().isoformat() if at_midnight else value.isoformat(" ", "seconds")), "date"
    if isinstance(value, np.datetime64):
        return cell_token(pd.Timestamp(value).to_pydatetime())
    if isinstance(value, datetime.date):
        return value.isoformat(), "date"
    return str(value), "text"


def token_column(values: Iterable[Any]) -> TokenColumn:
    """Return cells as codes into their distinct tokens; 1, "1" and True are three tokens."""
    known: dict[tuple[str, CellKind], int] = {}
    codes = [known.setdefault(cell_token(value), len(known)) for value in values]
    return TokenColumn(
        codes=np.array(codes, dtype=np.intp),
        tokens=tuple(token for token, _ in known),
        kinds=tuple(kind for _, kind in known),
    )


def _factorised(column: pd.Series) -> TokenColumn:
    """Return one column of a frame, judging each distinct value once.

    A column of mixed objects is taken cell by cell, because 1, 1.0 and True are one value to a hash table.
    """
    if column.dtype == object and pd.api.types.infer_dtype(column, skipna=True) != "string":
        return token_column(column)
    codes, values = pd.factorize(column, use_na_sentinel=False)
    once = token_column(values)
    return TokenColumn(codes=once.codes[codes], tokens=once.tokens, kinds=once.kinds)


def read_frame(file: str, frame: pd.DataFrame, dictionary: DataDictionary, *, sha256: str = "") -> RawTable:
    """Read a frame; its rows are numbered from 1.

    Raises
    ------
    CohortError
        When it has no rows, a declared column is missing, or a heading stands twice.
    """
    headings = tuple(tidy(str(name)) for name in frame.columns)
    used, faults = match_headings(headings, dictionary)
    if not len(frame):
        faults.append(Fault(code="empty", message="no rows"))
    if faults:
        refuse(file, faults)
    columns = {position: _factorised(frame.iloc[:, position]) for position in used}
    return RawTable(
        file=file,
        sheet="",
        sha256=sha256 or _hash(columns),
        headings=headings,
        columns=columns,
        rows=np.arange(1, len(frame) + 1, dtype=np.int64),
        physical_rows=len(frame),
        apart=(),
        record=lambda row: tuple(cell_token(value)[0] for value in frame.iloc[row - 1]),
        problems=unused_headings(headings, set(used), ""),
    )


def _hash(columns: dict[int, TokenColumn]) -> str:
    """Return a hash of the declared cells, for frames have no bytes of their own."""
    digest = hashlib.sha256()
    for position, column in sorted(columns.items()):
        digest.update(repr((position, column.tokens, column.kinds)).encode("utf-8", "surrogatepass"))
        digest.update(column.codes.astype("<i8").tobytes())
    return digest.hexdigest()


def read_parquet(file: str, content: bytes, sha256: str, dictionary: DataDictionary) -> RawTable:
    """Read a Parquet file; its rows are numbered from 1.

    Raises
    ------
    CohortError
        When the extra is not installed or the file is broken.
    """
    try:
        from pyarrow import parquet  # type: ignore[import-untyped, unused-ignore]
    except ImportError:
        raise CohortError(
            "Parquet files need one more package: pip install 'distal-radius-outcomes[parquet]'",
            code="no_parquet",
        ) from None
    try:
        source = parquet.ParquetFile(io.BytesIO(content))
        counted = source.metadata.num_rows
        frame = source.read().to_pandas(integer_object_nulls=True, date_as_object=True)
    except Exception as error:  # the reader's own texts may show contents, so only its kind is passed on
        raise CohortError(
            f"{file} is a broken Parquet file ({type(error).__name__})", code="reader_failed"
        ) from None
    if counted != len(frame):
        raise CohortError(
            f"{file}: the reader returned {len(frame)} of {counted} rows", code="reader_disagrees"
        )
    return read_frame(file, frame, dictionary, sha256=sha256)
