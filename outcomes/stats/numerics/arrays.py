"""Checking and shaping of the arrays that the statistics take."""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Sequence
from decimal import Decimal
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def check_choice(value: str, allowed: Sequence[str], what: str) -> None:
    """Refuse a value that is not one of the allowed ones, listing them.

    Raises
    ------
    EstimationError
        The value is not allowed (code ``bad_choice``).

    Examples
    --------
    >>> check_choice("CR2", ("CR0", "CR2"), "covariance")
    """
    if value not in allowed:
        raise EstimationError(
            f"{what} is {value!r}; allowed: {', '.join(map(repr, allowed))}", code="bad_choice"
        )


def check_level(level: float) -> None:
    """Refuse a confidence level outside (0, 1).

    Raises
    ------
    EstimationError
        The level is not strictly between 0 and 1 (code ``bad_level``).

    Examples
    --------
    >>> check_level(0.95)
    """
    if not 0.0 < level < 1.0:
        raise EstimationError(
            f"level is {level}; give a number between 0 and 1, such as 0.95", code="bad_level"
        )


def unmasked(values: Any) -> Any:
    """Return values with None (NaT for dates) where a masked array hides its value; anything else as it is.

    Examples
    --------
    >>> unmasked(np.ma.MaskedArray([1.0, 999.0], mask=[False, True])).tolist()
    [1.0, None]
    """
    if values is np.ma.masked:
        return None
    if isinstance(values, np.ma.MaskedArray):
        hidden, shown = np.ma.getmaskarray(values), np.array(values.data)
        if not hidden.any() or shown.dtype.kind not in "biufOUSmM":
            return shown
        if shown.dtype.kind in "mM":
            shown[hidden] = "NaT"
            return shown
        shown = shown.astype(object)
        shown[hidden] = None
        return shown
    if isinstance(values, list | tuple) and any(isinstance(part, np.ma.MaskedArray) for part in values):
        return [unmasked(part) for part in values]
    return values


def check_same_order(**named: Any) -> None:
    """Refuse Series and tables whose rows carry the same labels in another order, as rows are read by position.

    Parameters
    ----------
    **named
        What is given together, by its name in a message. Whatever has no labels is passed over: None, lists, arrays,
        and Series and tables with the default index 0, 1, 2 and so on.

    Raises
    ------
    EstimationError
        Two indexes hold the same labels in another order (code ``row_order``).

    Examples
    --------
    >>> check_same_order(x=pd.Series([1, 2], index=["a", "b"]), y=[3, 4])
    """
    labelled = [
        (name, given.index)
        for name, given in named.items()
        if isinstance(given, pd.Series | pd.DataFrame) and not _is_default(given.index)
    ]
    for (one, first), (two, second) in itertools.combinations(labelled, 2):
        if _reordered(first, second):
            raise EstimationError(
                f"{one} and {two} carry the same labels in another order; reindex one by the other, everything is "
                "read by position",
                code="row_order",
            )


def _is_default(index: pd.Index[Any]) -> bool:
    """Return whether an index only counts the rows."""
    return isinstance(index, pd.RangeIndex) and index.start == 0 and index.step == 1


def _reordered(first: pd.Index[Any], second: pd.Index[Any]) -> bool:
    """Return whether two indexes hold the same labels, each as often, in another order."""
    if len(first) != len(second) or first.nlevels != second.nlevels:
        return False
    both, labels = pd.factorize(first.append(second), use_na_sentinel=False)
    codes, other = both[: len(first)], both[len(first) :]
    once, again = (np.bincount(part, minlength=len(labels)) for part in (codes, other))
    return not np.array_equal(codes, other) and np.array_equal(once, again)


def floats(values: Any, what: str, names: Sequence[str] = ()) -> FloatArray:
    """Return an array of floats; refuse text, dates and the like by position, never quoting a value.

    Parameters
    ----------
    values : array_like
        Numbers; NaN, None, pandas NA or masked where missing. Text is refused even where it looks like a number.
    what : str
        What the array is called in a message.
    names : sequence of str, optional
        Names of the columns of a matrix, for the message.

    Raises
    ------
    EstimationError
        A value is not a number (code ``not_numeric``), or the rows differ in length (code ``bad_shape``).

    Examples
    --------
    >>> floats([1, None], "the outcome")
    array([ 1., nan])
    """
    values = unmasked(values)
    try:
        given = np.asarray(values)
    except (TypeError, ValueError):  # "from None", here and below: numpy's message may quote a value
        raise EstimationError(f"{what}: rows differ in length; give a rectangle", code="bad_shape") from None
    if given.dtype.kind in "biuf":
        return np.ascontiguousarray(given, dtype=np.float64)
    cells = np.asarray(values, dtype=object)
    dates = given.dtype.kind in "mM"  # as objects, those in nanoseconds would be whole numbers
    wrong = np.reshape([dates or not _is_number(cell) for cell in cells.ravel()], cells.shape)
    if wrong.any():
        raise EstimationError(_where(wrong, what, tuple(names)), code="not_numeric")
    return np.array([np.nan if pd.isna(cell) else float(cell) for cell in cells.ravel()]).reshape(cells.shape)


def _is_number(cell: Any) -> bool:
    """Return whether a cell is a number or missing."""
    if isinstance(cell, str | bytes | complex | datetime.date | np.datetime64 | np.timedelta64):
        return False
    return isinstance(cell, Real | Decimal | np.bool_) or cell is None or cell is pd.NA


def _where(wrong: NDArray[np.bool_], what: str, names: tuple[str, ...]) -> str:
    """Return the message that says how many cells are no numbers and where the first one is."""
    n = int(wrong.sum())
    first = tuple(int(i) for i in np.argwhere(wrong)[0])
    place = f"row {first[0] + 1}" if first else "the only value"
    if len(first) == 2:
        named = len(names) == wrong.shape[1]
        place += f" of column {names[first[1]] if named else first[1] + 1}"
    return f"{what}: {n} values are not numbers, the first in {place}; convert the column to numbers first"


def check_matrix(X: Any, names: Sequence[str]) -> tuple[FloatArray, tuple[str, ...]]:
    """Return the design as a float matrix and its column names, or refuse it.

    Parameters
    ----------
    X : array_like, shape (n, p)
        One row a case, one column a term.
    names : sequence of str, length p
        Unique names of the columns, in their order; other names than those of a table rename its columns.

    Raises
    ------
    EstimationError
        Not a matrix, wrong or repeated names, the names of a table in another order (code ``column_order``), or values
        that are no numbers, missing or infinite.

    Examples
    --------
    >>> check_matrix([[1, 2], [1, 3]], ["intercept", "age"])[1]
    ('intercept', 'age')
    """
    names = tuple(names)
    design = floats(X, "the design", names)
    if design.ndim != 2 or 0 in design.shape:
        raise EstimationError(
            f"the design has shape {design.shape}; give at least one row and one column, shape (n, p)",
            code="bad_shape",
        )
    if len(names) != design.shape[1] or len(set(names)) != len(names):
        raise EstimationError(
            f"{len(names)} names ({len(set(names))} different) for {design.shape[1]} columns; "
            "give every column its own name",
            code="bad_names",
        )
    if isinstance(X, pd.DataFrame) and tuple(X.columns) != names and set(X.columns) == set(names):
        raise EstimationError(
            "the names are those of the design's columns in another order; give X[list(names)], columns are read by "
            "position",
            code="column_order",
        )
    if not np.isfinite(design).all():
        counts = (~np.isfinite(design)).sum(axis=0)
        listed = ", ".join(f"{name} ({k})" for name, k in zip(names, counts, strict=True) if k)
        raise EstimationError(
            f"missing or infinite values in the design: {listed}; leave those rows out first and count them",
            code="not_finite",
        )
    return design, names


def check_outcome(y: Any, n: int) -> FloatArray:
    """Return the outcome as a float vector of length n, or refuse it.

    Raises
    ------
    EstimationError
        Wrong length, or values that are no numbers, missing or infinite.

    Examples
    --------
    >>> check_outcome([1, 0], 2)
    array([1., 0.])
    """
    outcome = floats(y, "the outcome")
    if outcome.shape != (n,):
        raise EstimationError(
            f"the outcome has shape {outcome.shape}; it needs one value for each of {n} rows",
            code="bad_shape",
        )
    n_bad = int((~np.isfinite(outcome)).sum())
    if n_bad:
        raise EstimationError(
            f"{n_bad} missing or infinite outcome values; leave those rows out first and count them",
            code="not_finite",
        )
    return outcome


def check_weights(weights: Any, n: int) -> FloatArray:
    """Return the weights as a float vector of length n (ones for None), or refuse them.

    Raises
    ------
    EstimationError
        Wrong length, weights that are no numbers, negative, missing or infinite, or none above 0.

    Examples
    --------
    >>> check_weights(None, 2)
    array([1., 1.])
    """
    if weights is None:
        return np.ones(n)
    w = floats(weights, "the weights")
    if w.shape != (n,):
        raise EstimationError(
            f"the weights have shape {w.shape}; give one weight for each of {n} rows", code="bad_shape"
        )
    if not np.isfinite(w).all() or (w < 0).any() or not (w > 0).any():
        n_bad = int((~np.isfinite(w) | (w < 0)).sum())
        raise EstimationError(
            f"{n_bad} weights are negative, missing or infinite, and {int((w > 0).sum())} are above 0; "
            "weights are finite, at least 0, and some are above 0",
            code="bad_weights",
        )
    return w


def _labels(values: Any) -> NDArray[Any]:
    """Return labels as an array in which a NaN in a list of text stays missing: numpy makes the text "nan" of it."""
    values = unmasked(values)
    given = np.asarray(values)
    return np.asarray(values, dtype=object) if given.dtype.kind in "US" else given


def cluster_codes(clusters: Any, n: int) -> tuple[IntArray, int]:
    """Return clusters as numbers 0..G-1; without clusters every row is its own.

    Parameters
    ----------
    clusters : array_like of shape (n,) or None
        Any labels; text, numbers or categories.
    n : int
        Rows.

    Returns
    -------
    codes : ndarray of int, shape (n,)
    n_clusters : int

    Raises
    ------
    EstimationError
        Wrong length or missing labels.

    Examples
    --------
    >>> cluster_codes(["b", "a", "b"], 3)
    (array([0, 1, 0]), 2)
    """
    if clusters is None:
        return np.arange(n), n
    labels = _labels(clusters)
    if labels.shape != (n,):
        raise EstimationError(
            f"the clusters have shape {labels.shape}; give one label for each of {n} rows", code="bad_shape"
        )
    codes, found = pd.factorize(labels)
    if (codes < 0).any():
        raise EstimationError(
            f"the cluster is missing in {int((codes < 0).sum())} rows; leave those rows out first and count "
            "them",
            code="missing_cluster",
        )
    return np.asarray(codes, dtype=np.int64), len(found)


def clusters_of(clusters: Any, used: NDArray[np.bool_]) -> NDArray[Any] | None:
    """Return the clusters of the rows that are used, None for None.

    Raises
    ------
    EstimationError
        Wrong length.

    Examples
    --------
    >>> clusters_of(["a", "b", "c"], np.array([True, False, True])).tolist()
    ['a', 'c']
    """
    if clusters is None:
        return None
    labels = _labels(clusters)
    if labels.shape != used.shape:
        raise EstimationError(
            f"the clusters have shape {labels.shape}; give one label for each of {len(used)} rows",
            code="bad_shape",
        )
    return labels[used]
