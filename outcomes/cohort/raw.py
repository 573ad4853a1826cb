"""A table as it stands in its file: cells as text, each column as codes into its distinct tokens."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from outcomes.cohort.quality import Problem

CellKind = Literal["text", "number", "date", "boolean", "error"]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class TokenColumn:
    """One column: n cells as codes into k distinct tokens, so that each token is judged once.

    Attributes
    ----------
    codes : ndarray of int, shape (n,)
        Position of each cell's token.
    tokens : tuple of str, length k
        Distinct tokens; the empty string is an empty cell.
    kinds : tuple of str, length k
        What the file says a token is: always "text" in CSV, typed in workbooks and frames.
    """

    codes: NDArray[np.intp]
    tokens: tuple[str, ...]
    kinds: tuple[CellKind, ...]

    def keep(self, rows: NDArray[np.bool_]) -> TokenColumn:
        """Return the column with only some of its rows; the tokens stay."""
        return TokenColumn(codes=self.codes[rows], tokens=self.tokens, kinds=self.kinds)

    def where(self, tokens: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return the rows whose token is marked, shape (n,), from marks of shape (k,)."""
        return tokens[self.codes] if len(self.tokens) else np.zeros(len(self.codes), dtype=bool)

    @property
    def blank(self) -> NDArray[np.bool_]:
        """Rows whose cell is empty or holds spaces only, shape (n,)."""
        return self.where(np.array([not token.strip() for token in self.tokens], dtype=bool))


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class RawTable:
    """The records of one table, before any meaning is given to a cell.

    Attributes
    ----------
    file, sheet, sha256 : str
        Name without folder, sheet, and hash of the file (of the content for a frame).
    headings : tuple of str
        Headings, tidied, in file order.
    columns : mapping of int to TokenColumn
        The columns that were loaded, by position.
    rows : ndarray of int, shape (n,)
        Physical row of each record that was loaded.
    physical_rows : int
        Rows of the file counted without the reader.
    apart : tuple of (row, code)
        Rows that were not loaded, with the reason.
    record : callable
        Gives all cells of one physical row as text, including those of columns that were not loaded.
    problems : tuple of Problem
        What the reader noticed.
    """

    file: str
    sheet: str
    sha256: str
    headings: tuple[str, ...]
    columns: Mapping[int, TokenColumn]
    rows: NDArray[np.int64]
    physical_rows: int
    apart: tuple[tuple[int, str], ...]
    record: Callable[[int], tuple[str, ...]]
    problems: tuple[Problem, ...] = ()
