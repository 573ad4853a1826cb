"""Exact test of independence in an r x c table (Freeman-Halton), for tables too sparse for chi-squared.

All tables with the observed margins are gone through, but not one by one: columns are filled in turn,
partial tables that leave the same rows to fill are merged, and the last two columns are taken together
(after Mehta CR, Patel NR. Journal of the American Statistical Association 1983; 78: 427-434).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.numerics.inputs import SMALLEST_P, count_array

LARGEST = 2_000_000  # partial tables of one column held at once; beyond it the test is refused
SLACK = 1e-7  # equally likely tables differ by rounding

#: Rows left to fill -> log weights of the ways to get there, and how many ways have each weight.
Nodes = dict[tuple[int, ...], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactTest:
    """Exact test of an r x c table.

    Attributes
    ----------
    p_value : float or None
        Chance of a table no likelier than the one seen; None where `reason` says why.
    n : int
    n_empty_rows, n_empty_columns : int
        Rows and columns without cases, which were left out.
    method, reason : str
    """

    p_value: float | None
    n: int
    n_empty_rows: int
    n_empty_columns: int
    method: str = "Fisher-Freeman-Halton exact"
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        return pd.DataFrame([{"p_value": self.p_value, "n": self.n, "n_missing": 0, "method": self.method}])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        return f"{self.method}: p = {self.p_value:.3g}, n = {self.n}"


def exact_test(table: ArrayLike) -> ExactTest:
    """Test exactly whether rows and columns of a table are independent.

    Parameters
    ----------
    table : array_like of int, shape (r, c)
        Cases in each cell. Rows and columns without cases are left out and counted.

    Returns
    -------
    ExactTest
        Without p when fewer than two rows or columns have cases.

    Raises
    ------
    EstimationError
        When a cell is not a count, and when there are too many tables with these margins; then expected
        counts are seldom small and chi-squared will do.

    References
    ----------
    Freeman GH, Halton JH. Biometrika 1951; 38: 141-149.

    Examples
    --------
    Rows 2, 1, 1 and columns 2, 2: of 6 equally likely placements of the first column, the 2 that take
    or leave the first row whole give a table as unlikely as this one:

    >>> round(exact_test([[2, 0], [0, 1], [0, 1]]).p_value, 12)
    0.333333333333
    """
    counts = count_array(table, "table", "(r, c)", 2)
    rows, columns = counts.sum(axis=1) > 0, counts.sum(axis=0) > 0
    kept = counts[np.ix_(rows, columns)].astype(np.int64)
    n, n_empty = int(counts.sum()), (int((~rows).sum()), int((~columns).sum()))
    if min(kept.shape) < 2:
        return ExactTest(
            p_value=None, n=n, n_empty_rows=n_empty[0], n_empty_columns=n_empty[1],
            reason="fewer than two rows or columns have cases",
        )  # fmt: skip
    kept = kept if kept.shape[1] <= kept.shape[0] else kept.T
    p = _no_likelier(kept[:, np.argsort(kept.sum(axis=0), kind="stable")])
    return ExactTest(
        p_value=min(max(p, SMALLEST_P), 1.0), n=n, n_empty_rows=n_empty[0], n_empty_columns=n_empty[1]
    )


def _no_likelier(table: IntArray) -> float:
    """Return the chance of a table no likelier than `table`, columns in ascending order of size."""
    rows, columns = table.sum(axis=1), table.sum(axis=0)
    margins = _log_factorial(rows).sum() + _log_factorial(columns).sum()
    constant = float(margins - special.gammaln(int(rows.sum()) + 1.0))
    limit = float(-_log_factorial(table).sum()) + SLACK
    nodes: Nodes = {tuple(sorted(rows.tolist())): (np.zeros(1), np.ones(1))}
    for size in columns[:-2].tolist():
        nodes = _fill(nodes, size)
    total, steps = 0.0, 0
    for left, (past, many) in nodes.items():
        finished = np.sort(_last_two(np.array(left), int(columns[-2])))
        steps += finished.size
        _check_size(steps, 10 * LARGEST)
        cumulative = np.concatenate([[0.0], np.cumsum(np.exp(finished + constant))])
        upto = finished.searchsorted(limit - past, side="right")
        total += float((many * np.exp(past) * cumulative[upto]).sum())
    return total


def _fill(nodes: Nodes, size: int) -> Nodes:
    """Return what is left to fill after one more column of `size` cases."""
    rests, pasts, manys, held = [], [], [], 0
    for left, (past, many) in nodes.items():
        every = _placements(np.array(left), size)
        held += len(every) * past.size
        _check_size(held, LARGEST)
        after = np.sort(np.array(left) - every, axis=1)  # in any order: rows are alike from here on
        weights = -_log_factorial(every).sum(axis=1)
        rests.append(np.repeat(after, past.size, axis=0))
        pasts.append(np.add.outer(weights, past).ravel())
        manys.append(np.tile(many, len(every)))
    return _merged(np.concatenate(rests), np.concatenate(pasts), np.concatenate(manys))


def _merged(rests: IntArray, pasts: FloatArray, manys: FloatArray) -> Nodes:
    """Return partial tables by the rows they leave, equal log weights (but for rounding) taken together."""
    order = np.lexsort((pasts, *rests.T))
    rests, pasts, manys = rests[order], pasts[order], manys[order]
    new_node = np.concatenate([[True], (rests[1:] != rests[:-1]).any(axis=1)])
    new = new_node | np.concatenate([[True], np.diff(pasts) > 1e-11])
    first = np.flatnonzero(new)
    pasts, manys = pasts[first], np.add.reduceat(manys, first)
    starts = np.flatnonzero(new_node[first])
    left = [tuple(row) for row in rests[first[starts]].tolist()]
    parts = zip(np.split(pasts, starts[1:]), np.split(manys, starts[1:]), strict=True)
    return dict(zip(left, parts, strict=True))


def _placements(left: IntArray, size: int) -> IntArray:
    """Return every way to place `size` cases in rows that hold at most `left`, shape (ways, rows)."""
    made = np.zeros((1, 0), dtype=np.int64)
    for parent, value in _extensions(left, size):
        made = np.concatenate([made[parent], value[:, None]], axis=1)
    return made


def _last_two(left: IntArray, size: int) -> FloatArray:
    """Return the log weight of every way to fill the last two columns, the first with `size` cases."""
    weight = np.zeros(1)
    for row, (parent, value) in zip(left.tolist(), _extensions(left, size), strict=True):
        weight = weight[parent] - _log_factorial(value) - _log_factorial(row - value)
    return weight


def _extensions(left: IntArray, size: int) -> Iterator[tuple[IntArray, IntArray]]:
    """Yield, row by row, which partial placement each longer one extends, and by how many cases."""
    remaining = np.array([size])
    room_after = np.concatenate([np.cumsum(left[::-1])[-2::-1], [0]])
    for row, room in zip(left.tolist(), room_after.tolist(), strict=True):
        fewest, most = np.maximum(remaining - room, 0), np.minimum(remaining, row)
        width = most - fewest + 1
        _check_size(int(width.sum()), LARGEST)
        parent = np.repeat(np.arange(remaining.size), width)
        step = np.arange(parent.size) - np.repeat(np.cumsum(width) - width, width)
        value = fewest[parent] + step
        remaining = remaining[parent] - value
        yield parent, value


def _log_factorial(counts: ArrayLike) -> FloatArray:
    """Return log(x!) of each count."""
    return np.asarray(special.gammaln(np.asarray(counts) + 1.0), dtype=np.float64)


def _check_size(needed: int, allowed: int) -> None:
    """Refuse to go on when there are more partial tables than can be gone through."""
    if needed > allowed:
        raise EstimationError(
            "table: too many tables have these margins for an exact test; use chi_squared", code="too_large"
        )
