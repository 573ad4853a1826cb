"""From whatever the user has (CSV, workbook, Parquet, frame) to one raw table, by content and not by name."""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

import pandas as pd

from outcomes.cohort.csv_table import read_csv_table
from outcomes.cohort.dictionary import DataDictionary
from outcomes.cohort.raw import RawTable
from outcomes.errors import CohortError

# Above this a file is refused before it is read; split it or keep it as Parquet.
MAX_BYTES = 2 * 1024**3

_FOREIGN = {
    b"\xd0\xcf\x11\xe0": "password-protected or an old Excel file: open it, save as .xlsx without a password",
    b"%PDF": "a PDF document; export the table behind it as CSV or .xlsx",
    b"<htm": "a web page; open it in a spreadsheet program and save it as .xlsx",
    b"<!do": "a web page; open it in a spreadsheet program and save it as .xlsx",
    b"<tab": "a web page; open it in a spreadsheet program and save it as .xlsx",
    b"\x1f\x8b": "a compressed file; unpack it first",
}


def read_raw(table: str | os.PathLike[str] | pd.DataFrame, dictionary: DataDictionary) -> RawTable:
    """Read a table as text cells with physical row numbers.

    Parameters
    ----------
    table : str, Path or DataFrame
        A CSV, XLSX or Parquet file, told apart by content, or a frame.
    dictionary : DataDictionary
        What is declared about its layout and columns.

    Raises
    ------
    CohortError
        When there is no such file, it is no table, or its layout is in doubt.
    """
    if isinstance(table, pd.DataFrame):
        from outcomes.cohort.frames import read_frame

        return read_frame("the frame", table, dictionary)
    path = _checked_path(table)
    content = _content_of(path)
    sha256 = hashlib.sha256(content).hexdigest()
    refuse_foreign(path.name, content)
    if content.startswith(b"PK\x03\x04"):
        from outcomes.cohort.workbook import read_workbook

        return read_workbook(path.name, content, sha256, dictionary)
    if content.startswith(b"PAR1"):
        from outcomes.cohort.frames import read_parquet

        return read_parquet(path.name, content, sha256, dictionary)
    return read_csv_table(path.name, content, sha256, dictionary)


def refuse_foreign(name: str, content: bytes) -> None:
    """Refuse a file that is no table by its first bytes, whatever its name.

    Parameters
    ----------
    name, content : str, bytes
        Name for the message, and the file or its beginning.

    Raises
    ------
    CohortError
        With what the file is and what to do.

    Examples
    --------
    >>> refuse_foreign("wrists.xlsx", bytes.fromhex("D0CF11E0A1B11AE1"))
    Traceback (most recent call last):
    outcomes.errors.CohortError: wrists.xlsx is password-protected or an old Excel file: open it, save as .xlsx \
without a password
    """
    if name.startswith("~$"):
        raise CohortError(
            f"{name} only marks that a workbook is open elsewhere; give {name.removeprefix('~$')}, and close it there",
            code="wrong_format",
        )
    head = content[:8].lstrip().lower()
    for mark, what in _FOREIGN.items():
        if content.startswith(mark) or head.startswith(mark):
            raise CohortError(f"{name} is {what}", code="wrong_format")


def _checked_path(table: str | os.PathLike[str]) -> Path:
    text = os.fspath(table)
    if re.match(r"[a-z][a-z0-9+.-]+://", text, re.I):
        raise CohortError("addresses are never fetched; download the table and give its path", code="address")
    path = Path(text)
    if not path.exists():
        near = sorted(
            p.name for p in path.parent.glob("*") if p.suffix.lower() in (".csv", ".xlsx", ".parquet")
        )
        hint = f"; tables in that folder: {', '.join(near[:8])}" if near else ""
        raise CohortError(f"no file {path.name!r}{hint}", code="no_file")
    if not path.is_file():
        raise CohortError(
            f"{path.name or text!r} is a folder or a device; give the path of a file", code="no_file"
        )
    if path.stat().st_size > MAX_BYTES:
        raise CohortError(
            f"{path.name} is larger than {MAX_BYTES // 1024**3} GiB; split it by year, or save it as Parquet",
            code="too_large",
        )
    return path


def _content_of(path: Path) -> bytes:
    try:
        content = path.read_bytes()
    except PermissionError:
        raise CohortError(
            f"{path.name} cannot be opened; close it in other programs and run again", code="unreadable"
        ) from None
    except OSError as error:
        raise CohortError(f"{path.name} cannot be read ({type(error).__name__})", code="unreadable") from None
    if not content.strip():
        raise CohortError(f"{path.name} is empty; nothing to read", code="empty")
    return content
