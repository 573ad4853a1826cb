"""Descriptive summary of many columns by group, in one pass over the rows.

Rows are ordered by group once; after that each column is gathered, its groups are sorted in place,
and everything else is read off the sorted stretches. Cost grows with rows times columns, hardly with
the number of groups.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.numerics.inputs import numbers

QUANTILE_RULE = "linear interpolation between order statistics (Hyndman and Fan type 7)"
OVERALL = "overall"
QUARTILES = (0.25, 0.5, 0.75)


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberSummary:
    """A measured column by group; each tuple has one entry a group (the last is overall, if asked).

    Attributes
    ----------
    name : str
    n, n_missing : tuple of int
    mean, sd, minimum, q1, median, q3, maximum : tuple of float or None
        Unit of the column; None where a group has no values (SD: fewer than two).
    """

    name: str
    n: tuple[int, ...]
    n_missing: tuple[int, ...]
    mean: tuple[float | None, ...]
    sd: tuple[float | None, ...]
    minimum: tuple[float | None, ...]
    q1: tuple[float | None, ...]
    median: tuple[float | None, ...]
    q3: tuple[float | None, ...]
    maximum: tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSummary:
    """A yes/no or categorical column by group.

    Attributes
    ----------
    name : str
    levels : tuple of str
        ``("yes",)`` for a yes/no column, else every declared level, used or not.
    n, n_missing : tuple of int
        One entry a group.
    counts : tuple of tuple of int
        Cases of each group (outer) at each level (inner).
    """

    name: str
    levels: tuple[str, ...]
    n: tuple[int, ...]
    n_missing: tuple[int, ...]
    counts: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSummary:
    """Summaries of all columns by group, in the order in which the columns were given.

    Attributes
    ----------
    groups : tuple of str
        Names; the last is "overall" when it was asked for.
    sizes : tuple of int
        Rows of each group.
    n_ungrouped : int
        Rows without a group, which take no part.
    has_overall : bool
    columns : tuple of NumberSummary or LevelSummary
    quantile_rule : str
    """

    groups: tuple[str, ...]
    sizes: tuple[int, ...]
    n_ungrouped: int
    has_overall: bool
    columns: tuple[NumberSummary | LevelSummary, ...]
    quantile_rule: str = QUANTILE_RULE

    def tidy(self) -> pd.DataFrame:
        """Return one row for each column, level and group."""
        rows: list[dict[str, Any]] = []
        for column in self.columns:
            for i, group in enumerate(self.groups):
                lead = {"outcome": column.name, "group": group}
                counted = {"n": column.n[i], "n_missing": column.n_missing[i]}
                if isinstance(column, NumberSummary):
                    spread = {"mean": column.mean[i], "sd": column.sd[i], "minimum": column.minimum[i]}
                    quartiles = {"q1": column.q1[i], "median": column.median[i], "q3": column.q3[i]}
                    rows.append(lead | counted | spread | quartiles | {"maximum": column.maximum[i]})
                    continue
                rows.extend(
                    lead | {"level": level, "count": count} | counted
                    for level, count in zip(column.levels, column.counts[i], strict=True)
                )
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return one line: how many columns, groups and rows."""
        sizes = ", ".join(f"{name} {size}" for name, size in zip(self.groups, self.sizes, strict=True))
        return f"{len(self.columns)} columns by group ({sizes}; {self.n_ungrouped} rows without a group)"


def summarise_groups(
    columns: Mapping[str, Any] | pd.DataFrame,
    groups: Any,
    *,
    yes_no: Collection[str] = (),
    overall: bool = True,
) -> GroupSummary:
    """Summarise many columns by group.

    Parameters
    ----------
    columns : mapping of str to column, or DataFrame
        Each of n rows: numbers (NaN where missing), or a pandas Categorical for categories. Text is
        refused, because its levels would be guessed.
    groups : Categorical or array_like, shape (n,)
        Group of each row; a Categorical keeps its order and its empty groups. Rows without a group are
        left out and counted.
    yes_no : collection of str
        Names of columns of 0, 1 and NaN that are counted rather than averaged.
    overall : bool
        Whether a last group holds all rows that have a group.

    Returns
    -------
    GroupSummary

    Raises
    ------
    EstimationError
        When a column has another length, is text, holds infinite values, or is declared yes/no and is
        not; the message names the column.

    References
    ----------
    Quartiles: Hyndman RJ, Fan Y. The American Statistician 1996; 50: 361-365, type 7. Means and SDs are
    taken about the median, which cannot lose more than one bit to cancellation because mean and median
    differ by less than one SD (Hotelling H, Solomons LM. Ann Math Stat 1932; 3: 141-142).

    Examples
    --------
    >>> summary = summarise_groups({"grip": [20.0, 30.0, 40.0, None]}, ["a", "a", "b", "b"], overall=False)
    >>> grip = summary.columns[0]
    >>> grip.n, grip.n_missing, grip.mean, grip.median
    ((2, 1), (0, 1), (25.0, 40.0), (25.0, 40.0))
    >>> grip.sd[0] ** 2, grip.sd[1]  # doctest: +ELLIPSIS
    (50.0..., None)
    """
    if not isinstance(columns, Mapping | pd.DataFrame) or isinstance(groups, Mapping | pd.DataFrame):
        raise EstimationError(
            "columns: give columns by name (a mapping or DataFrame) first and the group of each row second; are the "
            "two swapped?",
            code="bad_columns",
        )
    if isinstance(groups, str | bytes) or np.ndim(groups) != 1:
        raise EstimationError(
            "groups: give the group of each row, not the name of a column", code="bad_groups"
        )
    grouping = groups if isinstance(groups, pd.Categorical) else pd.Categorical(pd.Series(groups))
    _check_names(columns, grouping, yes_no, overall)
    codes = np.asarray(grouping.codes)
    order = np.argsort(codes, kind="stable")[int((codes < 0).sum()) :]
    sizes = np.bincount(codes[order].astype(np.intp), minlength=len(grouping.categories))
    made: list[NumberSummary | LevelSummary] = []
    for label, column in columns.items():
        name = str(label)
        if len(column) != len(codes):
            raise EstimationError(
                f"column {name}: {len(column)} rows, but {len(codes)} rows of groups", code="bad_length"
            )
        made.append(_column(name, column, order, sizes, name in yes_no, overall))
    names = tuple(str(label) for label in grouping.categories)
    total = (len(order),) if overall else ()
    return GroupSummary(
        groups=names + ((OVERALL,) if overall else ()), sizes=tuple(int(size) for size in sizes) + total,
        n_ungrouped=len(codes) - len(order), has_overall=overall, columns=tuple(made),
    )  # fmt: skip


def _check_names(
    columns: Mapping[str, Any] | pd.DataFrame,
    grouping: Any,
    yes_no: Collection[str],
    overall: bool,
) -> None:
    """Refuse unknown yes/no columns and a group that would be taken for all rows."""
    unknown = set(yes_no) - {str(label) for label in columns}
    if unknown:
        raise EstimationError(
            f"yes_no: no column named {', '.join(sorted(unknown))}; give names of columns",
            code="unknown_column",
        )
    if overall and OVERALL in grouping.categories:
        raise EstimationError(
            f"groups: {OVERALL!r} names the column of all rows; rename the group or use overall=False",
            code="reserved_name",
        )


def _column(
    name: str, column: Any, order: IntArray, sizes: IntArray, yes_no: bool, overall: bool
) -> NumberSummary | LevelSummary:
    """Summarise one column of any kind."""
    if isinstance(getattr(column, "dtype", None), pd.CategoricalDtype):
        return _levels(name, pd.Categorical(column), order, sizes, overall)
    refusal = f"column {name}: neither numbers nor a pandas Categorical; declare its levels"
    values = numbers(column, refusal)[order]
    bounds = np.concatenate([[0], np.cumsum(sizes)])
    return (_yes_no if yes_no else _measured)(name, values, bounds, overall)


class _Stretch(NamedTuple):
    """What is read off one sorted stretch; fields as in NumberSummary."""

    n: int
    n_missing: int
    mean: float | None = None
    sd: float | None = None
    minimum: float | None = None
    q1: float | None = None
    median: float | None = None
    q3: float | None = None
    maximum: float | None = None


def _measured(name: str, values: FloatArray, bounds: IntArray, overall: bool) -> NumberSummary:
    """Summarise numbers that are ordered by group; sorts `values` in place."""
    parts = []
    for start, stop in pairwise(bounds.tolist()):
        values[start:stop].sort()  # NaN goes last; sorted, the sums do not depend on the order of rows
        parts.append(_describe(name, values[start:stop]))
    if overall:
        parts.append(_together(parts, values))
    columns = dict(zip(_Stretch._fields, zip(*parts, strict=True), strict=True))
    return NumberSummary(name=name, **columns)


def _describe(name: str, ascending: FloatArray) -> _Stretch:
    """Return the summary of one sorted stretch."""
    n = int(ascending.searchsorted(np.inf, side="right"))
    if n == 0:
        return _Stretch(0, ascending.size)
    present = ascending[:n]
    low, high = float(present[0]), float(present[-1])
    if math.isinf(low) or math.isinf(high):
        raise EstimationError(f"column {name}: holds infinite values; set them to missing", code="infinite")
    q1, median, q3 = (_quantile(present, share) for share in QUARTILES)
    centred = present - median
    shift = float(centred.sum()) / n
    squares = max(float(centred @ centred) - n * shift * shift, 0.0)
    sd = math.sqrt(squares / (n - 1)) if n > 1 else None
    return _Stretch(n, ascending.size - n, median + shift, sd, low, q1, median, q3, high)


def _together(parts: list[_Stretch], values: FloatArray) -> _Stretch:
    """Return the summary of all stretches from theirs, and the quartiles from the sorted stretches."""
    n, n_missing = sum(part.n for part in parts), sum(part.n_missing for part in parts)
    if n == 0:
        return _Stretch(0, n_missing)
    present = [part for part in parts if part.n]
    sizes = np.array([part.n for part in present], dtype=np.float64)
    means = np.array([part.mean for part in present], dtype=np.float64)
    spread = np.array([part.sd or 0.0 for part in present])
    centred = means - means[0]
    shift = float(sizes @ centred) / n
    squares = float((sizes - 1) @ spread**2 + sizes @ (centred - shift) ** 2)
    places = [int((n - 1) * share) for share in QUARTILES]
    at = sorted({min(place + step, n - 1) for place in places for step in (0, 1)})
    ordered = np.partition(values, at)
    q1, median, q3 = (_quantile(ordered[:n], share) for share in QUARTILES)
    return _Stretch(
        n, n_missing, float(means[0]) + shift, math.sqrt(squares / (n - 1)) if n > 1 else None,
        min(part.minimum for part in present if part.minimum is not None), q1, median, q3,
        max(part.maximum for part in present if part.maximum is not None),
    )  # fmt: skip


def _quantile(ascending: FloatArray, share: float) -> float:
    """Return a quantile by linear interpolation; the two values about it stand in their places."""
    position = (ascending.size - 1) * share
    below = int(position)
    value = float(ascending[below])
    rest = position - below
    return value + rest * (float(ascending[below + 1]) - value) if rest else value


def _yes_no(name: str, values: FloatArray, bounds: IntArray, overall: bool) -> LevelSummary:
    """Count a column of 0, 1 and NaN that is ordered by group."""
    yes, no = values == 1, values == 0
    if int(yes.sum()) + int(no.sum()) + int(np.isnan(values).sum()) != values.size:
        raise EstimationError(
            f"column {name}: declared yes/no but holds other values than 0, 1 and missing", code="not_yes_no"
        )
    counts = np.stack([_by_group(yes, bounds), _by_group(no, bounds)], axis=1)
    return _level_summary(name, ("yes",), counts, np.diff(bounds), overall, shown=1)


def _by_group(flags: np.ndarray, bounds: IntArray) -> IntArray:
    """Return how many flags stand in each stretch."""
    return np.diff(np.concatenate([[0], np.cumsum(flags)])[bounds])


def _levels(
    name: str, column: pd.Categorical, order: IntArray, sizes: IntArray, overall: bool
) -> LevelSummary:
    """Count the levels of a categorical column by group."""
    levels = tuple(str(level) for level in column.categories)
    width = len(levels) + 1  # the first cell of each group holds its missing values
    first = np.repeat(np.arange(sizes.size) * width + 1, sizes)
    table = np.bincount(first + np.asarray(column.codes)[order], minlength=sizes.size * width)
    counts = table.reshape(sizes.size, width)[:, 1:]
    return _level_summary(name, levels, counts, sizes, overall, shown=len(levels))


def _level_summary(
    name: str, levels: tuple[str, ...], counts: IntArray, sizes: IntArray, overall: bool, *, shown: int
) -> LevelSummary:
    """Return counts, of which the first `shown` levels are listed, as a summary."""
    if overall:
        counts = np.vstack([counts, counts.sum(axis=0, keepdims=True)])
        sizes = np.append(sizes, sizes.sum())
    n = counts.sum(axis=1)
    return LevelSummary(
        name=name, levels=levels, n=tuple(n.tolist()), n_missing=tuple((sizes - n).tolist()),
        counts=tuple(tuple(row) for row in counts[:, :shown].tolist()),
    )  # fmt: skip
