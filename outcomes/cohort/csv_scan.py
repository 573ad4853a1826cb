"""Where the records of a CSV file begin and end, counted on its bytes and not by the reader.

The count is the proof that the reader lost nothing: a reader that pads a short row, shifts a long one,
skips a blank one or stops early disagrees with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_QUOTE, _NEWLINE = ord('"'), ord("\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Records:
    """Records of a CSV text.

    Attributes
    ----------
    starts, ends : ndarray of int, shape (n,)
        First byte of each record, and the byte after its last.
    inside : ndarray of bool or None
        Which bytes stand within quotation marks; None when the text has no quotation mark.
    open_quote : bool
        Whether a quotation mark is never closed.
    """

    starts: NDArray[np.intp]
    ends: NDArray[np.intp]
    inside: NDArray[np.bool_] | None
    open_quote: bool

    def __len__(self) -> int:
        """Return the number of records, which is the number of rows a spreadsheet program would show."""
        return len(self.starts)


def unify_newlines(data: bytes) -> bytes:
    r"""Return the text with one kind of line end.

    Examples
    --------
    >>> unify_newlines(b"a\r\nb\rc\n")
    b'a\nb\nc\n'
    """
    if b"\r" not in data:
        return data
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def find_records(data: bytes) -> Records:
    r"""Find the records of a text whose line ends are unified.

    Examples
    --------
    >>> len(find_records(b'id,note\n1,"two\nlines"\n'))
    2
    """
    text = np.frombuffer(data, dtype=np.uint8)
    newline = text == _NEWLINE
    inside = None
    open_quote = False
    if b'"' in data:
        # Doubled marks toggle twice, so parity says inside or outside; uint8 keeps parity when it wraps.
        inside = (np.cumsum(text == _QUOTE, dtype=np.uint8) & 1).astype(bool)
        open_quote = bool(inside[-1])
        newline &= ~inside
    ends = np.flatnonzero(newline)
    if len(text) and (not len(ends) or ends[-1] != len(text) - 1):
        ends = np.append(ends, len(text))
    starts = np.concatenate([[0], ends[:-1] + 1]) if len(ends) else ends
    return Records(starts=starts, ends=ends, inside=inside, open_quote=open_quote)


def count_fields(data: bytes, records: Records, delimiter: str) -> NDArray[np.intp]:
    r"""Count the fields of each record, shape (n,).

    Examples
    --------
    >>> text = b'id,note\n1,"a,b"\n2\n'
    >>> count_fields(text, find_records(text), ",").tolist()
    [2, 2, 1]
    """
    mark = np.frombuffer(data, dtype=np.uint8) == ord(delimiter)
    if records.inside is not None:
        mark &= ~records.inside
    positions = np.flatnonzero(mark)
    first = np.searchsorted(positions, records.starts)
    return np.searchsorted(positions, records.ends) - first + 1


def stray_quotes(data: bytes, records: Records, delimiter: str) -> NDArray[np.intp]:
    r"""Return the records, counted from 0, in which a quotation mark neither opens nor closes a field.

    Examples
    --------
    >>> text = b'id,note\n1,2.5" wire\n2,"cut ""a"" here"\n3,b" c\n'
    >>> stray_quotes(text, find_records(text), ",").tolist()
    [1]
    """
    if records.inside is None:
        return np.zeros(0, dtype=np.intp)
    edge = np.frombuffer(b"\n" + data + b"\n", dtype=np.uint8)
    at = np.flatnonzero(edge == _QUOTE)
    allowed = (ord(delimiter), _NEWLINE, _QUOTE)
    opening = np.arange(len(at)) % 2 == 0
    beside = np.where(opening, edge[at - 1], edge[at + 1])
    stray = at[~np.isin(beside, allowed)] - 1
    return np.unique(np.searchsorted(records.ends, stray))
