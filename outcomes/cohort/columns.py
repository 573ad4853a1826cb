"""How the labelling functions read the internal columns of a cohort."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.concepts import times
from outcomes.errors import CohortError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]


class HasData(Protocol):
    """Anything with a cohort table in internal columns: a ``Cohort``, or a stand-in."""

    @property
    def data(self) -> pd.DataFrame:
        """One row a case."""
        ...


def check_time(time: str) -> str:
    """Return `time`, or refuse one that the package does not know."""
    if time not in times():
        raise CohortError(
            f"time {time!r} is not known; use one of: {', '.join(times())}", code="unknown_time"
        )
    return time


def numbers(data: pd.DataFrame, name: str) -> FloatArray:
    """Return a numeric or yes/no column as floats, all NaN where the table has no such column.

    Raises
    ------
    CohortError
        When the column holds something that is no number.
    """
    if name not in data.columns:
        return np.full(len(data), np.nan)
    try:
        return np.asarray(data[name], dtype=np.float64)
    except (TypeError, ValueError):
        raise CohortError(
            f"column {name!r} must hold numbers (yes/no as 1, 0 and missing): "
            "read the table with a dictionary",
            code="not_numeric",
        ) from None


def texts(data: pd.DataFrame, name: str) -> ObjectArray:
    """Return a text, key or category column as strings, None where missing or absent."""
    if name not in data.columns:
        return np.full(len(data), None, dtype=object)
    column = data[name]
    values: ObjectArray = column.to_numpy(dtype=object, copy=True)
    values[column.isna().to_numpy()] = None
    return values


def dates(data: pd.DataFrame, name: str) -> NDArray[np.datetime64]:
    """Return a date column, NaT where missing or absent.

    Raises
    ------
    CohortError
        When the column does not hold dates.
    """
    if name not in data.columns:
        return np.full(len(data), np.datetime64("NaT", "ns"))
    if not pd.api.types.is_datetime64_any_dtype(data[name].dtype):
        raise CohortError(
            f"column {name!r} must hold dates: declare it as a date in the dictionary "
            "and read the table with it",
            code="not_a_date",
        )
    return data[name].to_numpy(dtype="datetime64[ns]")


def require(data: pd.DataFrame, names: Iterable[str], purpose: str) -> None:
    """Refuse a table that lacks columns, naming all of them and what they are for."""
    absent = [name for name in names if name not in data.columns]
    if absent:
        raise CohortError(
            f"{purpose} needs the columns {', '.join(absent)}: declare them in the dictionary, "
            "or leave it out",
            code="column_needed",
        )


def row_numbers(data: pd.DataFrame, positions: Iterable[int], *, at_most: int = 20) -> str:
    """Return physical row numbers for a message, never cell contents."""
    chosen = sorted(set(positions))
    source: Any = data["source_row"].to_numpy() if "source_row" in data.columns else None
    shown = [str(int(source[place])) if source is not None else str(place + 1) for place in chosen[:at_most]]
    more = f" and {len(chosen) - at_most} more" if len(chosen) > at_most else ""
    return ", ".join(shown) + more


def heading_of(cohort: HasData, name: str) -> str:
    """Return the heading of an internal column as the dictionary writes it, or its name without a dictionary."""
    columns = getattr(getattr(cohort, "dictionary", None), "columns", ())
    return next((str(each.source) for each in columns if each.name == name), name)
