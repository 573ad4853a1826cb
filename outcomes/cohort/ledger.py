"""The ledger law: no row and no cell is dropped, changed or guessed without a count and a reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from outcomes.cohort.text import counted
from outcomes.errors import CohortError


@dataclass(frozen=True, slots=True, kw_only=True)
class CellCounts:
    """What became of the cells of one column, in the rows that are used.

    Attributes
    ----------
    read, verbatim, blank : int
        Cells read, taken as they stand, and empty.
    converted, set_missing : mapping of str to int
        By reason code.
    missing_tokens : mapping of str to int
        Cells with each declared word for missing; they are part of ``set_missing["missing_token"]``.
    """

    read: int
    verbatim: int
    blank: int
    converted: Mapping[str, int] = field(default_factory=dict)
    set_missing: Mapping[str, int] = field(default_factory=dict)
    missing_tokens: Mapping[str, int] = field(default_factory=dict)

    @property
    def balanced(self) -> bool:
        """Whether every cell is accounted for."""
        parts = self.verbatim + self.blank + sum(self.converted.values()) + sum(self.set_missing.values())
        return self.read == parts and sum(self.missing_tokens.values()) == self.set_missing.get(
            "missing_token", 0
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What became of every row and cell of a table.

    Attributes
    ----------
    physical_rows : int
        Rows of the file, counted without the reader.
    used : int
        Rows that are cases.
    quarantined, not_data : mapping of str to int
        Rows set aside to be asked about, and rows that are no cases (headings, blanks, totals), by code.
    cells : mapping of str to CellCounts
        By internal column name.

    Examples
    --------
    >>> cells = {"age": CellCounts(read=2, verbatim=1, blank=1)}
    >>> print(Ledger(physical_rows=3, used=2, not_data={"header": 1}, cells=cells))
    3 rows read = 2 used + 0 quarantined + 1 not data (header 1); 2 cells read = 1 verbatim + 0 converted + \
0 set missing + 1 blank
    """

    physical_rows: int
    used: int
    quarantined: Mapping[str, int] = field(default_factory=dict)
    not_data: Mapping[str, int] = field(default_factory=dict)
    cells: Mapping[str, CellCounts] = field(default_factory=dict)

    @property
    def rows(self) -> dict[str, int]:
        """Rows by what became of them: "used", then each reason code."""
        return {"used": self.used, **self.quarantined, **self.not_data}

    @property
    def balanced(self) -> bool:
        """Whether every row and every cell is accounted for."""
        rows = self.used + sum(self.quarantined.values()) + sum(self.not_data.values())
        cells = all(counts.balanced and counts.read == self.used for counts in self.cells.values())
        return rows == self.physical_rows and cells

    def check(self) -> None:
        """Refuse a ledger that does not balance.

        Raises
        ------
        CohortError
            With the rows or the columns that are not accounted for.
        """
        rows = self.used + sum(self.quarantined.values()) + sum(self.not_data.values())
        if rows != self.physical_rows:
            raise CohortError(
                f"the file has {counted(self.physical_rows, 'row')} but {rows} are accounted for; nothing is used, "
                "please report it",
                code="ledger_unbalanced",
            )
        wrong = [
            name for name, counts in self.cells.items() if not counts.balanced or counts.read != self.used
        ]
        if wrong:
            raise CohortError(
                f"the cells of {', '.join(wrong)} are not all accounted for; nothing is used",
                code="ledger_unbalanced",
            )

    def tidy(self) -> pd.DataFrame:
        """Return one line a count: what ("rows" or a column), became, code, n."""
        lines: list[tuple[str, str, str, int]] = [("rows", "used", "", self.used)]
        lines += [("rows", "quarantined", code, n) for code, n in self.quarantined.items()]
        lines += [("rows", "not data", code, n) for code, n in self.not_data.items()]
        for name, counts in self.cells.items():
            lines += [(name, "verbatim", "", counts.verbatim), (name, "blank", "", counts.blank)]
            lines += [(name, "converted", code, n) for code, n in counts.converted.items()]
            lines += [(name, "set missing", code, n) for code, n in counts.set_missing.items()]
        return pd.DataFrame(lines, columns=["what", "became", "code", "n"])

    def __str__(self) -> str:
        """Return the two identities as one sentence."""
        cells = self.cells.values()
        verbatim, blank = sum(c.verbatim for c in cells), sum(c.blank for c in cells)
        converted = sum(sum(c.converted.values()) for c in cells)
        set_missing = sum(sum(c.set_missing.values()) for c in cells)
        return (
            f"{counted(self.physical_rows, 'row')} read = {self.used} used + "
            f"{_by_code('quarantined', self.quarantined)} + {_by_code('not data', self.not_data)}; "
            f"{counted(sum(c.read for c in cells), 'cell')} read = {verbatim} verbatim + {converted} converted + "
            f"{set_missing} set missing + {blank} blank"
        )


def _by_code(word: str, counts: Mapping[str, int]) -> str:
    codes = f" ({', '.join(f'{code} {n}' for code, n in counts.items())})" if counts else ""
    return f"{sum(counts.values())} {word}{codes}"
