"""Who the cases are: the baseline table, by strategy or by reduction.

No p-values: groups that were not drawn at random differ, and a test of that says nothing about how much.
Standardised differences do.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from outcomes.analysis.overlap import OverlapCell, OverlapTable, overlap_table

__all__ = [
    "BaselineCell",
    "BaselineGroup",
    "BaselineRow",
    "BaselineTable",
    "OverlapCell",
    "OverlapTable",
    "overlap_table",
]

By = Literal["strategy", "reduction"]
Kind = Literal["number", "category", "yes_no"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineGroup:
    """One column of the baseline table.

    Attributes
    ----------
    name : str
        Strategy or reduction label; ``"all"`` for everybody.
    n_cases, n_patients : int
        Fractured wrists and patients; a patient may stand in two columns.
    """

    name: str
    n_cases: int
    n_patients: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineCell:
    """One variable (or level) in one group.

    Attributes
    ----------
    n, n_missing : int
        Cases with and without a value of the variable.
    mean, sd, median, q1, q3 : float or None
        Of numbers, in the variable's unit; None for other kinds and where there are too few values. Quartiles
        interpolate linearly between order statistics.
    count : int or None
        Cases at the level (category) or with yes (yes_no).
    share : float or None
        `count` over `n`, 0 to 1.
    """

    n: int
    n_missing: int
    mean: float | None = None
    sd: float | None = None
    median: float | None = None
    q1: float | None = None
    q3: float | None = None
    count: int | None = None
    share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineRow:
    """One line of the baseline table.

    Attributes
    ----------
    variable : str
        Internal column name.
    label : str
        The same in words.
    level : str
        Level of a category; ``"yes"`` for yes/no; empty for numbers.
    kind : {"number", "category", "yes_no"}
    unit : str
        Unit of a number, empty when it has none.
    cells : tuple of BaselineCell
        One per group of the table, in its order.
    overall : BaselineCell
    std_difference : float or None
        Largest standardised difference of the *variable* between two compared groups, without sign; the same
        on every line of a category. None when it cannot be computed.
    between : tuple of str
        The two groups it stands for; empty when there is none.
    """

    variable: str
    label: str
    level: str
    kind: Kind
    unit: str
    cells: tuple[BaselineCell, ...]
    overall: BaselineCell
    std_difference: float | None
    between: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineTable:
    """Baseline characteristics of the eligible cases, by group.

    Attributes
    ----------
    by : {"strategy", "reduction"}
    groups : tuple of BaselineGroup
    overall : BaselineGroup
    compared : tuple of str
        Groups among which standardised differences are taken: the strategies of the plan, or met and not met.
    denominator : str
        What differences are divided by, in words.
    rows : tuple of BaselineRow
    n_two_wrists : int
        Patients with more than one eligible case.
    """

    by: By
    groups: tuple[BaselineGroup, ...]
    overall: BaselineGroup
    compared: tuple[str, ...]
    denominator: str
    rows: tuple[BaselineRow, ...]
    n_two_wrists: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a variable, level and group (``"all"`` included), without p-values."""
        return pd.DataFrame(
            [
                {
                    "variable": row.variable, "level": row.level, "kind": row.kind, "unit": row.unit,
                    "group": group.name, "n": cell.n, "n_missing": cell.n_missing, "mean": cell.mean,
                    "sd": cell.sd, "median": cell.median, "q1": cell.q1, "q3": cell.q3, "count": cell.count,
                    "share": cell.share, "std_difference": row.std_difference,
                    "between": " and ".join(row.between),
                }
                for row in self.rows
                for group, cell in zip((*self.groups, self.overall), (*row.cells, row.overall), strict=True)
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return a sentence on size and on the largest differences between groups."""
        sizes = ", ".join(f"{g.name} {g.n_cases}" for g in self.groups)
        everybody = f"{self.overall.n_cases} eligible cases in {self.overall.n_patients} patients"
        lead = f"{everybody} by {self.by}: {sizes}."
        largest: dict[str, BaselineRow] = {}
        for row in self.rows:
            if row.std_difference is not None and row.std_difference >= 0.1:
                largest.setdefault(row.variable, row)
        ranked = sorted(largest.values(), key=lambda row: -(row.std_difference or 0.0))
        if not ranked:
            return f"{lead} No standardised difference reaches 0.1."
        named = ", ".join(f"{r.label} {r.std_difference:.2f} ({' v '.join(r.between)})" for r in ranked[:5])
        return f"{lead} Largest standardised differences: {named}; {len(ranked)} variables reach 0.1."

    def _repr_html_(self) -> str:
        """Return the table, mean (SD) or count (%), one line a variable or level."""
        columns = (*self.groups, self.overall)
        head = "".join(f"<th>{html.escape(g.name)}<br>n = {g.n_cases}</th>" for g in columns)
        lines = []
        for row in self.rows:
            name = html.escape(f"{row.label}: {row.level}" if row.kind == "category" else row.label)
            cells = "".join(f"<td>{_short(cell)}</td>" for cell in (*row.cells, row.overall))
            gap = "" if row.std_difference is None else f"{row.std_difference:.2f}"
            lines.append(f"<tr><th>{name}</th>{cells}<td>{gap}</td></tr>")
        return (
            f"<table><tr><th></th>{head}<th>std. difference</th></tr>{''.join(lines)}</table>"
            f"<p>Mean (SD) or n (%). {html.escape(self.denominator)}</p>"
        )


def _short(cell: BaselineCell) -> str:
    """Return a cell as mean (SD) or count (%)."""
    if cell.count is not None and cell.share is not None:
        return f"{cell.count} ({cell.share * 100:.0f} %)"
    if cell.mean is None:
        return ""
    return f"{cell.mean:.4g}" if cell.sd is None else f"{cell.mean:.4g} ({cell.sd:.3g})"
