"""Two-by-two tables by stratum, counted from rows in one pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StratifiedTables:
    """Counts of two groups and a yes/no outcome in each stratum.

    Attributes
    ----------
    strata : tuple of str, length k
        Strata in sorted order.
    tables : ndarray of int, shape (k, 2, 2)
        ``[[first with event, first without], [second with, second without]]``.
    n, n_missing : int
        Rows counted, and rows left out because something was missing.
    """

    strata: tuple[str, ...]
    tables: IntArray
    n: int
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a stratum."""
        first, second = self.tables[:, 0], self.tables[:, 1]
        return pd.DataFrame(
            {
                "group": self.strata, "first_events": first[:, 0], "first_n": first.sum(axis=1),
                "second_events": second[:, 0], "second_n": second.sum(axis=1),
            }
        )  # fmt: skip

    def __str__(self) -> str:
        """Return what was counted as a sentence."""
        missing = f"; {self.n_missing} rows with something missing left out" if self.n_missing else ""
        return f"{self.n} rows in {len(self.strata)} strata{missing}"


def stratified_tables(first: Any, event: Any, strata: Any) -> StratifiedTables:
    """Count two-by-two tables by stratum from rows.

    Parameters
    ----------
    first, event : array_like of 0, 1 or NaN, shape (n,)
        Whether a row is of the first group, and whether it has the event; bool will do.
    strata : array_like, shape (n,)
        Stratum of each row; None or NaN where missing.

    Returns
    -------
    StratifiedTables
        `tables` is what :func:`outcomes.stats.proportions.strata.mantel_haenszel` takes.

    Raises
    ------
    EstimationError
        Different lengths, anything but 0, 1 and missing, or no complete row.

    Notes
    -----
    Counting, no source needed. Own code because a loop of cross-tabulations takes fifty times as long.

    Examples
    --------
    >>> found = stratified_tables([1, 1, 0, 0, 1], [1, 0, 0, 1, np.nan], ["old", "old", "old", "young", "old"])
    >>> found.strata, found.tables.tolist(), found.n_missing
    (('old', 'young'), [[[1, 1], [0, 1]], [[0, 0], [1, 0]]], 1)
    """
    labels = np.asarray(strata, dtype=object) if isinstance(strata, list | tuple) else np.asarray(strata)
    a, b = _yes_no(first, labels.shape, "first"), _yes_no(event, labels.shape, "event")
    codes, found = pd.factorize(labels)
    complete = (codes >= 0) & np.isfinite(a) & np.isfinite(b)
    if not complete.any():
        raise EstimationError("no row with group, event and stratum; nothing to count", code="empty_group")
    names = np.array([str(label) for label in found], dtype=object)
    kept = slice(None) if complete.all() else complete
    cell = codes[kept] * 4 + 3 - (2.0 * a[kept] + b[kept]).astype(np.int64)
    tables = np.bincount(cell, minlength=4 * len(names)).reshape(-1, 2, 2)
    used = np.flatnonzero(tables.sum(axis=(1, 2)))
    order = used[np.argsort(names[used], kind="stable")]
    return StratifiedTables(
        strata=tuple(names[order]),
        tables=tables[order],
        n=int(complete.sum()),
        n_missing=int((~complete).sum()),
    )


def _yes_no(values: Any, shape: tuple[int, ...], name: str) -> FloatArray:
    """Return 0, 1 and NaN, or refuse; the values are not shown."""
    try:
        numbers = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise EstimationError(f"{name}: give 0, 1 or missing for each row", code="bad_values") from None
    if numbers.shape != shape or len(shape) != 1:
        raise EstimationError(
            f"{name} has shape {numbers.shape}, strata {shape}; give one value and one stratum a row",
            code="bad_shape",
        )
    wrong = int((~np.isnan(numbers) & (numbers != 0.0) & (numbers != 1.0)).sum())
    if wrong:
        raise EstimationError(
            f"{name}: {wrong} values are neither 0 nor 1 nor missing; recode them", code="bad_values"
        )
    return numbers
