"""Reading delimited text: bytes to a raw table, with every record accounted for."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.csv_scan import Records, count_fields, find_records, stray_quotes, unify_newlines
from outcomes.cohort.dictionary import Column, DataDictionary
from outcomes.cohort.dictionary_checks import DELIMITERS
from outcomes.cohort.headings import match_headings, unused_headings
from outcomes.cohort.quality import Fault, Problem, refuse, rows_named
from outcomes.cohort.raw import CellKind, RawTable, TokenColumn
from outcomes.cohort.row_kinds import is_footer
from outcomes.cohort.text import fold, tidy
from outcomes.errors import CohortError

# More rows of a wrong width than this share, or than a few, point to a broken file, not to broken rows.
MAX_WRONG_WIDTH = 0.05
FEW_WRONG_ROWS = 3
SEARCHED_FOR_HEADINGS = 20
_BLANK = re.compile(rb'[\s,;|"]*')


@dataclass(frozen=True, slots=True, kw_only=True)
class _Text:
    """The text of a file as UTF-8 bytes with its records and delimiter."""

    file: str
    data: bytes
    records: Records
    delimiter: str

    def raw(self, index: int) -> bytes:
        return self.data[self.records.starts[index] : self.records.ends[index]]

    def cells(self, index: int) -> tuple[str, ...]:
        line = self.raw(index).decode("utf-8")
        return next((tuple(row) for row in csv.reader(io.StringIO(line), delimiter=self.delimiter)), ())


def read_csv_table(file: str, content: bytes, sha256: str, dictionary: DataDictionary) -> RawTable:
    """Read a delimited text.

    Parameters
    ----------
    file : str
        Name for messages.
    content : bytes
        The whole file.
    sha256 : str
        Its hash.
    dictionary : DataDictionary
        What is declared.

    Raises
    ------
    CohortError
        When the text cannot be split into records and columns without doubt.
    """
    data, problems = decode(file, content, dictionary.table.encoding)
    text = _split(file, data, dictionary)
    top = dictionary.table.header_row - 1
    headings, widths, used = _layout(text, dictionary)
    kept, apart = _sort_records(text, widths, len(headings), dictionary, used)
    if not len(kept):
        refuse(file, [Fault(code="empty", message=_EMPTY.format(row=top + 1))])
    unnamed = [position for position, heading in enumerate(headings) if not heading]
    columns = _load(text, kept, len(headings), (*used, *unnamed))
    faults = [_empty_heading(position) for position in unnamed if not columns[position].blank.all()]
    if faults:
        refuse(file, faults)
    return RawTable(
        file=file,
        sheet="",
        sha256=sha256,
        headings=headings,
        columns={position: column for position, column in columns.items() if position in used},
        rows=(kept + 1).astype(np.int64),
        physical_rows=len(text.records),
        apart=tuple(apart),
        record=_record_of(text),
        problems=(*problems, *unused_headings(headings, set(used), "")),
    )


def decode(file: str, content: bytes, declared: str) -> tuple[bytes, list[Problem]]:
    """Return the text as UTF-8 with one kind of line end, and what had to be done for that.

    Raises
    ------
    CohortError
        When the text is not in the declared encoding, or is no text.
    """
    marks = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"\xef\xbb\xbf": "utf-8"}
    encoding = next((name for mark, name in marks.items() if content.startswith(mark)), declared or "utf-8")
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        raise CohortError(
            f"{file}: line {row} holds a character that is not {encoding}; save the table as CSV UTF-8, or "
            'declare its encoding under [table], such as encoding = "cp1252"',
            code="encoding",
        ) from None
    problems = []
    if encoding != "utf-8":
        problems.append(_file_note("encoding", f"Read as {encoding}; check names with accents."))
    text = text.lstrip("\ufeff")
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise CohortError(
            f"{file}: line {row} holds a NUL character, so this is no text table; save it again as CSV UTF-8",
            code="binary_in_text",
        )
    return unify_newlines(text.encode("utf-8")), problems


def _file_note(code: str, remark: str) -> Problem:
    return Problem(
        sheet="", row=None, column="", code=code, severity="note", action="converted", asked=remark
    )


def _split(file: str, data: bytes, dictionary: DataDictionary) -> _Text:
    records = find_records(data)
    if len(records) <= dictionary.table.header_row:
        refuse(file, [Fault(code="empty", message=_EMPTY.format(row=dictionary.table.header_row))])
    delimiter = dictionary.table.delimiter or _detect(file, data, records, dictionary)
    stray = stray_quotes(data, records, delimiter)
    if len(stray):
        message = (
            f"{rows_named((stray + 1).tolist())}: a quotation mark inside a cell that is not itself quoted; "
            "save the table again as CSV from a spreadsheet program, which doubles such marks"
        )
        refuse(file, [Fault(code="stray_quote", message=message)])
    if records.open_quote:
        row = len(records)
        message = f"a quotation mark opened in the record that starts in row {row} is never closed"
        refuse(file, [Fault(code="unterminated_quote", message=message)])
    return _Text(file=file, data=data, records=records, delimiter=delimiter)


_EMPTY = "no row below the headings, which are declared in row {row}; nothing to read"


def _detect(file: str, data: bytes, records: Records, dictionary: DataDictionary) -> str:
    """Return the delimiter that the header line shows, or refuse when there is doubt."""
    index = dictionary.table.header_row - 1
    line = data[records.starts[index] : records.ends[index]].decode("utf-8")
    splits = {mark: next(csv.reader(io.StringIO(line), delimiter=mark), []) for mark in DELIMITERS}
    possible = [mark for mark, cells in splits.items() if len(cells) > 1]
    if len(possible) > 1:
        declared = {fold(column.source) for column in dictionary.columns}
        possible = [mark for mark in possible if declared <= {fold(cell) for cell in splits[mark]}]
    if len(possible) == 1:
        return possible[0]
    if not possible and len(dictionary.columns) == 1 and fold(line) == fold(dictionary.columns[0].source):
        return ","
    elsewhere = _headings_elsewhere(data, records, dictionary)
    if elsewhere:
        message = f"the headings are in row {elsewhere}; declare header_row = {elsewhere} under [table]"
        refuse(file, [Fault(code="header_row", message=message)])
    message = (
        f"row {index + 1}, the headings, does not show which character separates the columns; declare "
        'delimiter = "," or ";" or "\\t" or "|" under [table]'
    )
    refuse(file, [Fault(code="delimiter", message=message)])


def _headings_elsewhere(data: bytes, records: Records, dictionary: DataDictionary) -> int | None:
    declared = {fold(column.source) for column in dictionary.columns}
    for index in range(min(SEARCHED_FOR_HEADINGS, len(records))):
        line = data[records.starts[index] : records.ends[index]].decode("utf-8")
        for mark in DELIMITERS:
            cells = {fold(cell) for row in csv.reader(io.StringIO(line), delimiter=mark) for cell in row}
            if len(declared & cells) >= max(2, len(declared) / 2):
                return index + 1
    return None


def _layout(
    text: _Text, dictionary: DataDictionary
) -> tuple[tuple[str, ...], NDArray[np.intp], dict[int, Column]]:
    top = dictionary.table.header_row - 1
    headings = tuple(tidy(cell) for cell in text.cells(top))
    elsewhere = _headings_elsewhere(text.data, text.records, dictionary)
    used, faults = match_headings(
        headings, dictionary, elsewhere=elsewhere if elsewhere not in (None, top + 1) else None
    )
    if faults:
        refuse(text.file, faults)
    return headings, count_fields(text.data, text.records, text.delimiter), used


def _sort_records(
    text: _Text, widths: NDArray[np.intp], width: int, dictionary: DataDictionary, used: dict[int, Column]
) -> tuple[NDArray[np.intp], list[tuple[int, str]]]:
    """Return the records fit for the reader, and the rest with reasons."""
    top = dictionary.table.header_row - 1
    body = np.arange(top + 1, len(widths))
    apart = [(index + 1, "header" if index == top else "above_header") for index in range(top + 1)]
    key = next(position for position, column in used.items() if column.concept == "patient_id")
    for index in body[widths[body] != width].tolist():
        if _BLANK.fullmatch(text.raw(index)):
            code = "blank"
        elif is_footer(text.cells(index), key, dictionary.table.footer):
            code = "footer"
        else:
            code = "short_row" if widths[index] < width else "long_row"
        apart.append((index + 1, code))
    wrong = [row for row, code in apart if code in ("short_row", "long_row")]
    if len(wrong) > max(FEW_WRONG_ROWS, MAX_WRONG_WIDTH * len(body)):
        message = (
            f"{len(wrong)} of {len(body)} rows do not have the {width} cells of the header line "
            f"({rows_named(wrong)}); columns may be shifted: save the table again as CSV with every cell"
        )
        refuse(text.file, [Fault(code="width_mismatch", message=message)])
    return body[widths[body] == width], apart


def _load(
    text: _Text, kept: NDArray[np.intp], width: int, positions: tuple[int, ...]
) -> dict[int, TokenColumn]:
    """Hand the kept records to the fast reader and take each column as codes into its tokens."""
    try:
        frame = pd.read_csv(
            io.BytesIO(_joined(text, kept)),
            header=None,
            names=list(range(width)),
            usecols=sorted(positions),
            dtype="category",
            sep=text.delimiter,
            na_filter=False,
            skip_blank_lines=False,
            low_memory=False,
            encoding="utf-8",
            index_col=False,
        )
    except Exception as error:  # the reader's own texts show cell contents, so only its kind is passed on
        raise CohortError(
            f"{text.file}: the CSV reader stopped ({type(error).__name__}); save it again as CSV UTF-8",
            code="reader_failed",
        ) from None
    if len(frame) != len(kept):
        raise CohortError(
            f"{text.file}: the reader returned {len(frame)} of {len(kept)} rows; nothing is used",
            code="reader_disagrees",
        )
    return {position: _tokens(frame[position]) for position in sorted(positions)}


def _joined(text: _Text, kept: NDArray[np.intp]) -> bytes:
    """Return the bytes of the kept records, joining the runs between those set apart."""
    if not len(kept):
        return b""
    breaks = np.flatnonzero(np.diff(kept) != 1)
    first = kept[np.concatenate([[0], breaks + 1])]
    last = kept[np.concatenate([breaks, [len(kept) - 1]])]
    starts, ends = text.records.starts[first].tolist(), text.records.ends[last].tolist()
    return b"\n".join(text.data[start:end] for start, end in zip(starts, ends, strict=True)) + b"\n"


def _tokens(column: pd.Series) -> TokenColumn:
    tokens = tuple(map(str, column.cat.categories))
    kinds: tuple[CellKind, ...] = tuple("text" for _ in tokens)
    codes = column.cat.codes.to_numpy().astype(np.intp)
    return TokenColumn(codes=codes, tokens=tokens, kinds=kinds)


def _empty_heading(position: int) -> Fault:
    return Fault(
        code="empty_header",
        message=f"column {position + 1} has cells but no heading; give it one, or delete the column",
    )


def _record_of(text: _Text) -> Callable[[int], tuple[str, ...]]:
    return lambda row: text.cells(row - 1)
