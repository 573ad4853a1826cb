"""What every statistic on samples and counts asks of its input, said once.

Nothing here repeats a value that it was given: a message names the argument, what is allowed and
what to do, so that no patient value reaches a log or a traceback.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_level, check_same_order, unmasked
from outcomes.stats.numerics.student import t_two_sided_p

# Smaller than any p that means anything; keeps an underflow from being printed as p = 0.
SMALLEST_P = float(np.finfo(np.float64).tiny)
TEXT = (str, bytes)
LARGEST_COUNT = 2**53  # beyond it a float does not hold every whole number


def numbers(values: Any, message: str) -> FloatArray:
    """Return values as floats; refuse text, dates and whatever else is not a number or missing.

    Parameters
    ----------
    values : array_like or Series
        Numbers; NaN, None, pandas NA or masked where missing. Text is refused even where it looks like a number.
    message : str
        What to say when it is refused; the values themselves are never said.

    Examples
    --------
    >>> numbers([1, None], "not numbers")
    array([ 1., nan])
    """
    given = values if isinstance(values, pd.Series) else np.asarray(unmasked(values))
    kind = getattr(given.dtype, "kind", "O")
    if kind not in "biufO" or (kind == "O" and any(isinstance(value, TEXT) for value in np.ravel(given))):
        raise EstimationError(message, code="not_numeric")
    try:
        if isinstance(given, pd.Series):
            return given.to_numpy(dtype=np.float64, na_value=np.nan)
        return np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError):
        # "from None": the original message would quote the value.
        raise EstimationError(message, code="not_numeric") from None


def sample(values: ArrayLike, name: str) -> tuple[FloatArray, int]:
    """Return the finite values of a one-dimensional sample and how many were missing.

    Parameters
    ----------
    values : array_like, shape (n,)
        Numbers; NaN or None where missing.
    name : str
        What the sample is called in a message.

    Returns
    -------
    present : ndarray, shape (n - n_missing,)
    n_missing : int

    Raises
    ------
    EstimationError
        When the sample is not one-dimensional, not numeric, or holds an infinite value.

    Examples
    --------
    >>> sample([1.0, None, 3.0], "a")
    (array([1., 3.]), 1)
    """
    array = numbers(values, f"{name}: every value must be a number, NaN or None; convert the column first")
    if array.ndim != 1:
        raise EstimationError(
            f"{name}: expected one dimension, got {array.ndim}; pass one column of numbers", code="bad_shape"
        )
    missing = np.isnan(array)
    present = array[~missing]
    if np.isinf(present).any():
        raise EstimationError(
            f"{name}: holds infinite values; set them to NaN and count them as missing", code="infinite"
        )
    return present, int(missing.sum())


def complete_pairs(first: ArrayLike, second: ArrayLike) -> tuple[FloatArray, FloatArray, int]:
    """Return both measurements of the cases that have both, and how many cases have not.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Numbers; NaN or None where missing.

    Raises
    ------
    EstimationError
        When a column is not numeric or holds an infinite value, the lengths differ, or two Series carry the same labels
        in another order.

    Examples
    --------
    >>> complete_pairs([1.0, None, 3.0], [2.0, 2.0, 2.0])
    (array([1., 3.]), array([2., 2.]), 1)
    """
    check_same_order(first=first, second=second)
    x = numbers(first, "first of a pair: every value must be a number, NaN or None; convert the column first")
    y = numbers(
        second, "second of a pair: every value must be a number, NaN or None; convert the column first"
    )
    if x.ndim != 1 or x.shape != y.shape:
        raise EstimationError(
            f"paired columns have shapes {x.shape} and {y.shape}; give one value for each case in both",
            code="bad_shape",
        )
    if np.isinf(x).any() or np.isinf(y).any():
        raise EstimationError(
            "a pair holds infinite values; set them to NaN and count them as missing", code="infinite"
        )
    present = ~(np.isnan(x) | np.isnan(y))
    return x[present], y[present], int((~present).sum())


def whole(value: float, name: str) -> int:
    """Return a count as an int; refuse negative, fractional or missing counts.

    Examples
    --------
    >>> whole(9.0, "events")
    9
    """
    number = isinstance(value, (int, float, np.integer, np.floating))
    # a missing value fails both comparisons
    if not (number and 0 <= value <= LARGEST_COUNT) or value != int(value):
        raise EstimationError(f"{name}: must be a whole number, 0 or more", code="bad_count")
    return int(value)


def events_of(events: float, n: float, where: str = "") -> tuple[int, int]:
    """Return ``(events, n)`` as whole numbers with ``events <= n``.

    Examples
    --------
    >>> events_of(9, 43)
    (9, 43)
    """
    suffix = f" of {where}" if where else ""
    e, total = whole(events, f"events{suffix}"), whole(n, f"n{suffix}")
    if e > total:
        raise EstimationError(
            f"events{suffix} ({e}) must not exceed n{suffix} ({total}); check the order of the arguments",
            code="events_exceed_n",
        )
    return e, total


def count_array(values: ArrayLike, name: str, shape: str, n_dimensions: int) -> FloatArray:
    """Return an array of counts as floats, or refuse it.

    Parameters
    ----------
    values : array_like of int
        Whole numbers, 0 or more.
    name, shape : str
        What the array is called and what shape it should have, for messages.
    n_dimensions : int
        Required number of dimensions.

    Examples
    --------
    >>> count_array([[1, 2]], "table", "(r, c)", 2)
    array([[1., 2.]])
    """
    try:
        counts = np.asarray(unmasked(values), dtype=np.float64)
    except (TypeError, ValueError):
        raise EstimationError(
            f"{name}: every cell must be a whole number, 0 or more", code="bad_count"
        ) from None
    if counts.ndim != n_dimensions or 0 in counts.shape:
        raise EstimationError(f"{name}: expected shape {shape}, got {counts.shape}", code="bad_shape")
    if not np.isfinite(counts).all() or (counts < 0).any() or (counts != np.floor(counts)).any():
        raise EstimationError(f"{name}: every cell must be a whole number, 0 or more", code="bad_count")
    return counts


def normal_quantile(level: float) -> float:
    """Return the two-sided standard normal quantile of a confidence level.

    Examples
    --------
    >>> round(normal_quantile(0.95), 6)
    1.959964
    """
    check_level(level)
    return float(-special.ndtri((1 - level) / 2))


def two_sided_p(statistic: float, df: float = math.inf) -> float:
    """Return the two-sided p of Student's t (normal when `df` is infinite), never exactly 0.

    Examples
    --------
    >>> round(two_sided_p(1.0, 1), 12), round(two_sided_p(1.959963984540054), 12)
    (0.5, 0.05)
    """
    return max(float(t_two_sided_p(statistic, df)), SMALLEST_P)


def chi2_p(statistic: float, df: float) -> float:
    """Return the upper tail of chi-squared, never exactly 0.

    Examples
    --------
    >>> round(chi2_p(3.841458820694124, 1), 6)
    0.05
    """
    return max(float(special.chdtrc(df, statistic)), SMALLEST_P)


def f_p(statistic: float, df1: float, df2: float) -> float:
    """Return the upper tail of F, never exactly 0; `df2` may be fractional.

    Examples
    --------
    >>> round(f_p(1.0, 1, 1), 12)
    0.5
    """
    return max(float(special.fdtrc(df1, df2, statistic)), SMALLEST_P)
