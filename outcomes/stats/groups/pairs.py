"""Order statistics of all pairwise differences between two samples, without making them all.

The n_a x n_b differences of two cohorts of 50,000 would need 20 GB. Their k-th smallest is found
exactly by discarding, in each round, all differences on the wrong side of a weighted median of row
medians: O((n_a + n_b) log n) work a round, a few dozen rounds, O(n_a + n_b) memory.
Johnson & Mizoguchi, SIAM Journal on Computing 1978; 7: 147-153 (selection in X + Y).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from outcomes.stats.numerics.arrays import FloatArray, IntArray

FULL_MATRIX = 1_000_000  # differences up to here are made and partitioned at once: 8 MB


def pairwise_order_statistics(
    a: FloatArray, b: FloatArray, ranks: Sequence[int], *, full_matrix: int = FULL_MATRIX
) -> tuple[float, ...]:
    """Return chosen order statistics of all differences a_i - b_j.

    Parameters
    ----------
    a, b : ndarray, shape (n_a,), (n_b,)
        Finite values, at least one each, in any order.
    ranks : sequence of int
        1-based ranks among the n_a n_b differences.
    full_matrix : int
        Largest number of differences that is held in memory at once.

    Returns
    -------
    tuple of float
        In the order of `ranks`; each is one of the differences as floating point gives it.

    Examples
    --------
    Differences of (1, 5) and (0, 3) are -2, 1, 2, 5:

    >>> pairwise_order_statistics(np.array([1.0, 5.0]), np.array([0.0, 3.0]), [1, 2, 4])
    (-2.0, 1.0, 5.0)
    """
    if a.size * b.size <= full_matrix:
        differences = np.subtract.outer(a, b).ravel()
        wanted = [rank - 1 for rank in ranks]
        ordered = np.partition(differences, sorted(set(wanted)))
        return tuple(float(ordered[k]) for k in wanted)
    # Rows descend along -b sorted ascending, so that every row of differences is ascending.
    rows, columns = np.sort(a), np.sort(-b)
    return tuple(_select(rows, columns, rank, full_matrix) for rank in ranks)


def _select(rows: FloatArray, columns: FloatArray, rank: int, enough: int) -> float:
    """Return the `rank`-th smallest of rows_i + columns_j, both ascending."""
    low = np.zeros(rows.size, dtype=np.int64)  # candidates of row i are columns low[i] .. high[i] - 1
    high = np.full(rows.size, columns.size, dtype=np.int64)
    below = 0  # differences already known to be smaller than every candidate
    while int((high - low).sum()) > enough:
        pivot = _median_of_medians(rows, columns, low, high)
        less = _count(rows, columns, pivot, strict=True)
        if rank <= int(less.sum()):
            high = np.minimum(high, less)
            continue
        up_to = _count(rows, columns, pivot, strict=False)
        if rank <= int(up_to.sum()):
            return pivot
        low = np.maximum(low, up_to)
        below = int(up_to.sum())
    width = high - low
    at = np.repeat(np.arange(rows.size), width)
    offset = np.arange(at.size) - np.repeat(np.cumsum(width) - width, width)
    candidates = rows[at] + columns[low[at] + offset]
    k = rank - 1 - below
    return float(np.partition(candidates, k)[k])


def _median_of_medians(rows: FloatArray, columns: FloatArray, low: IntArray, high: IntArray) -> float:
    """Return a candidate with at least a quarter of the candidates on either side."""
    width = high - low
    live = width > 0
    medians = rows[live] + columns[(low[live] + high[live] - 1) // 2]
    order = np.argsort(medians)
    half = np.searchsorted(np.cumsum(width[live][order]), (int(width.sum()) + 1) // 2)
    return float(medians[order[half]])


def _count(rows: FloatArray, columns: FloatArray, pivot: float, *, strict: bool) -> IntArray:
    """Return, for each row, how many sums lie below (or up to) the pivot.

    All rows are bisected together on the sums themselves. ``searchsorted(columns, pivot - rows)``
    would be shorter, but its rounding differs from that of the sums and could lose one.
    """
    first = np.zeros(rows.size, dtype=np.int64)
    last = np.full(rows.size, columns.size, dtype=np.int64)
    for _ in range(int(columns.size).bit_length()):
        middle = (first + last) // 2
        value = rows + columns[np.minimum(middle, columns.size - 1)]
        inside = ((value < pivot) if strict else (value <= pivot)) & (middle < last)
        first, last = np.where(inside, middle + 1, first), np.where(inside, last, middle)
    return first
