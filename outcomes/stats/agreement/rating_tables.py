"""Tables of counts from categories given by raters: what the kappas are made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingTable:
    """Counts of ratings.

    Attributes
    ----------
    counts : ndarray
        Two raters: (levels, levels), first rater in rows. Several: (subjects, levels).
    levels : tuple of str
    n_missing : int
        Subjects left out because a rating was missing.
    """

    counts: FloatArray
    levels: tuple[str, ...]
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return the counts with the levels as column names."""
        return pd.DataFrame(self.counts.astype(np.int64), columns=list(self.levels))

    def __str__(self) -> str:
        """Return what was counted."""
        return f"{int(self.counts.sum())} ratings or pairs in {len(self.levels)} levels, {self.n_missing} subjects left out"


def cross_table(first: Any, second: Any, levels: Sequence[Any]) -> RatingTable:
    """Return the square table of two raters.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Category of each subject by each rater; None or NaN where missing.
    levels : sequence
        The categories in their order, used or not.

    Returns
    -------
    RatingTable

    Raises
    ------
    EstimationError
        When lengths differ, a level repeats, or a rating is no level; ratings are counted, never shown.

    Examples
    --------
    >>> cross_table(["a", "b", "b", None], ["a", "b", "a", "a"], ["a", "b"]).counts
    array([[1., 0.],
           [1., 1.]])
    """
    codes = [_codes(column, levels, name) for column, name in ((first, "first"), (second, "second"))]
    if codes[0].shape != codes[1].shape:
        raise EstimationError(
            f"first has {codes[0].size} and second {codes[1].size} ratings; give one each a subject",
            code="bad_shape",
        )
    both = (codes[0] >= 0) & (codes[1] >= 0)
    counts = np.zeros((len(levels), len(levels)))
    np.add.at(counts, (codes[0][both], codes[1][both]), 1.0)
    return RatingTable(counts=counts, levels=tuple(map(str, levels)), n_missing=int((~both).sum()))


def category_counts(ratings: Any, levels: Sequence[Any]) -> RatingTable:
    """Return how many raters gave each subject each category.

    Parameters
    ----------
    ratings : array_like, shape (n, raters)
        Category of each subject (row) by each rater (column); None or NaN where missing. Subjects with a missing
        rating are left out and counted.
    levels : sequence
        The categories.

    Returns
    -------
    RatingTable

    Raises
    ------
    EstimationError
        As for :func:`cross_table`.

    Examples
    --------
    >>> category_counts([["a", "b", "b"], ["a", None, "a"]], ["a", "b"]).counts
    array([[1., 2.]])
    """
    table = np.array(pd.DataFrame(ratings), dtype=object)
    codes = np.column_stack(
        [_codes(column, levels, f"rater {number}") for number, column in enumerate(table.T, 1)]
    )
    complete = (codes >= 0).all(axis=1)
    counts = np.stack([(codes[complete] == k).sum(axis=1) for k in range(len(levels))], axis=1).astype(
        np.float64
    )
    return RatingTable(counts=counts, levels=tuple(map(str, levels)), n_missing=int((~complete).sum()))


def _codes(column: Any, levels: Sequence[Any], name: str) -> IntArray:
    """Return the number of each rating among the levels, -1 where missing."""
    if len(set(levels)) != len(levels) or len(levels) < 2:
        raise EstimationError("levels: give at least 2 categories, each once", code="bad_levels")
    values = pd.Series(list(column), dtype=object)
    codes = pd.Index(list(levels)).get_indexer(pd.Index(values, dtype=object))
    missing = values.isna().to_numpy()
    strange = int(((codes < 0) & ~missing).sum())
    if strange:
        raise EstimationError(
            f"{name}: {strange} ratings are none of the {len(levels)} levels; name every level or set them to None",
            code="unknown_level",
        )
    return np.where(missing, -1, codes).astype(np.int64)
