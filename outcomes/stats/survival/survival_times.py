"""Checked follow-up times, and who is at risk when: what every time-to-event statistic starts from.

A time runs from the start of follow-up (0) to the event or to the last day the case was known to be free of it
(censored). Censored cases count as at risk at their own time, as is usual: an event at the same time comes first.
Times are tied when the stored numbers are equal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.numerics.inputs import numbers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurvivalTimes:
    """Checked times of the cases that can be used.

    Attributes
    ----------
    time : ndarray, shape (n,)
        End of follow-up, >= 0, in any one unit.
    event : ndarray of bool, shape (n,)
        Whether it ended with the event (False: censored).
    entry : ndarray, shape (n,), or None
        When the case came under observation, if that was later than 0 (left truncation); before `time`.
    used : ndarray of bool, shape (n_rows,)
        Which of the rows given these are.
    n_missing : int
        Rows left out because a value was missing.
    """

    time: FloatArray
    event: NDArray[np.bool_]
    entry: FloatArray | None
    used: NDArray[np.bool_]
    n_missing: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RiskTable:
    """Counts at each distinct time of each stratum.

    Attributes
    ----------
    time : ndarray, shape (U,)
        Distinct times, ascending within a stratum.
    stratum : ndarray of int, shape (U,)
        Stratum of each.
    at_risk, events, censored : ndarray of int, shape (k, U)
        Cases of each group under observation just before the time, with the event at it, censored at it.
    """

    time: FloatArray
    stratum: IntArray
    at_risk: IntArray
    events: IntArray
    censored: IntArray


def check_survival(time: Any, event: Any, *, entry: Any = None, also: Any = None) -> SurvivalTimes:
    """Check follow-up times and event indicators.

    Parameters
    ----------
    time : array_like, shape (n,)
        Time from the start of follow-up to its end, >= 0. A time of 0 is allowed: the case is at risk at 0 only.
    event : array_like, shape (n,)
        1 or True where follow-up ended with the event, 0 or False where censored. Other codes are refused.
    entry : array_like, shape (n,), optional
        Time at which the case came under observation, >= 0 and before its `time`.
    also : array_like of bool, shape (n,), optional
        True where something else that the analysis needs is missing.

    Returns
    -------
    SurvivalTimes
        Rows with a missing time, event or entry, or named by `also`, are left out and counted.

    Raises
    ------
    EstimationError
        Negative or infinite times, event codes other than 0 and 1, entries not before their times, wrong shapes,
        nothing left. Messages count rows and give positions, never the values.

    Examples
    --------
    >>> checked = check_survival([3, 5, None], [1, 0, 1])
    >>> checked.time.tolist(), checked.event.tolist(), checked.n_missing
    ([3.0, 5.0], [True, False], 1)
    """
    times = check_time(time)
    codes = _column(event, "event", len(times))
    starts = None if entry is None else _column(check_time(entry, "entry"), "entry", len(times))
    missing = np.isnan(times) | np.isnan(codes)
    missing |= np.zeros(len(times), dtype=bool) if also is None else np.asarray(also, dtype=bool)
    if starts is not None:
        missing |= np.isnan(starts)
    other = ~np.isnan(codes) & (codes != 0.0) & (codes != 1.0)
    _refuse(
        other,
        "event codes are neither 0 (censored) nor 1 (event); recode them, as in event == 2",
        "bad_event",
    )
    if starts is not None:
        _refuse(
            starts >= times,
            "entry times are not before the end of follow-up; leave those rows out",
            "bad_entry",
        )
    used = ~missing
    if not used.any():
        raise EstimationError(f"none of {len(times)} rows has a time and an event code", code="no_rows")
    return SurvivalTimes(
        time=times[used],
        event=codes[used] == 1.0,
        entry=None if starts is None else starts[used],
        used=used,
        n_missing=int(missing.sum()),
    )


def check_time(time: Any, name: str = "time") -> FloatArray:
    """Return times as floats, NaN where missing; refuse negative and infinite ones by count and position.

    Raises
    ------
    EstimationError
        Not one column of numbers (``not_numeric``, ``bad_shape``), below 0 (``negative_time``) or infinite
        (``infinite``).

    Examples
    --------
    >>> check_time([0, 2.5, None])
    array([0. , 2.5, nan])
    """
    array = _column(time, name)
    _refuse(
        array < 0.0, f"values of {name} are below 0; check the dates they were made from", "negative_time"
    )
    _refuse(
        np.isinf(array),
        f"values of {name} are infinite; a case still followed is censored at its last day",
        "infinite",
    )
    return array + 0.0  # turns -0.0 into 0.0


def check_horizons(at: Any) -> tuple[float, ...]:
    """Return the times at which an estimate is wanted: one or more, finite and at least 0.

    Raises
    ------
    EstimationError
        None, not numbers, missing, infinite or negative ones (code ``bad_time``).

    Examples
    --------
    >>> check_horizons([1, 2.5]), check_horizons(12)
    ((1.0, 2.5), (12.0,))
    """
    times = np.atleast_1d(numbers(at, "at: give one or more times, finite and at least 0"))
    if times.ndim != 1 or not len(times) or not (np.isfinite(times) & (times >= 0)).all():
        raise EstimationError("at: give one or more times, finite and at least 0", code="bad_time")
    return tuple(times.tolist())


def level_codes(
    values: Any, n: int, name: str, levels: Sequence[Any] | None = None
) -> tuple[IntArray, tuple[str, ...]]:
    """Return positions of labels in their sorted (or declared, or categorical) levels, -1 where missing.

    Raises
    ------
    EstimationError
        Wrong length; labels that are not declared, by count.

    Examples
    --------
    >>> level_codes(["b", "a", None], 3, "groups")
    (array([ 1,  0, -1]), ('a', 'b'))
    """
    if values is None:
        return np.zeros(n, dtype=np.int64), ("all",)
    given = pd.Series(values).reset_index(drop=True)
    if given.shape != (n,):
        raise EstimationError(
            f"{name}: {len(given)} labels for {n} rows; give one label for each row", code="bad_shape"
        )
    if levels is None:
        categorical = isinstance(given.dtype, pd.CategoricalDtype)
        found = given.cat.categories if categorical else given.dropna().unique()
        try:
            levels = list(found) if categorical else sorted(found)
        except TypeError:
            raise EstimationError(
                f"{name}: labels of one kind only, text or numbers", code="bad_labels"
            ) from None
    codes = np.asarray(pd.Index(levels).get_indexer(pd.Index(given)), dtype=np.int64)
    unknown = (codes < 0) & given.notna().to_numpy()
    if unknown.any():
        raise EstimationError(
            f"{name}: {int(unknown.sum())} rows have a label that is not declared; allowed: "
            f"{', '.join(map(str, levels))}",
            code="unknown_label",
        )
    # a column of whole numbers with gaps is stored as decimals; its labels stay whole
    whole = [isinstance(level, float) and level.is_integer() for level in levels]
    return codes, tuple(str(int(x) if is_whole else x) for x, is_whole in zip(levels, whole, strict=True))


def group_labels(
    groups: Any, n: int, name: str = "group"
) -> tuple[IntArray, tuple[str, ...], NDArray[np.bool_]]:
    """Return the code of each row's group, the labels that occur in sorted order, and which rows have none.

    Raises
    ------
    EstimationError
        Wrong length.

    Examples
    --------
    >>> codes, labels, missing = group_labels(["b", "a", None], 3)
    >>> codes.tolist(), labels, missing.tolist()
    ([1, 0, -1], ('a', 'b'), [False, False, True])
    """
    codes, names = level_codes(groups, n, name)
    missing = codes < 0
    present = np.unique(codes[~missing])
    return np.where(missing, -1, np.searchsorted(present, codes)), tuple(names[k] for k in present), missing


def risk_table(
    data: SurvivalTimes, groups: IntArray, n_groups: int, strata: IntArray | None = None
) -> RiskTable:
    """Count who is at risk, has the event or is censored at each distinct time.

    Parameters
    ----------
    data : SurvivalTimes
        Checked times.
    groups : ndarray of int, shape (n,)
        Group of each case, 0 to `n_groups` - 1.
    n_groups : int
        k.
    strata : ndarray of int, shape (n,), optional
        Stratum of each case, from 0; distinct times are then those of a stratum.

    Returns
    -------
    RiskTable
        A case is at risk at t when entry < t <= time (without entry: t <= time).

    Notes
    -----
    Source: Kaplan and Meier (1958) J Am Stat Assoc 53:457-481 (order of ties); Klein and Moeschberger, Survival
    Analysis, 2nd ed. (2003), section 4.6 (late entry).

    Examples
    --------
    >>> t = risk_table(check_survival([1, 2, 2], [1, 1, 0]), np.zeros(3, int), 1)
    >>> t.time.tolist(), t.at_risk.tolist(), t.events.tolist(), t.censored.tolist()
    ([1.0, 2.0], [[3, 2]], [[1, 1]], [[0, 1]])
    """
    stratum = np.zeros(len(data.time), dtype=np.int64) if strata is None else strata
    values, rank = np.unique(data.time, return_inverse=True)
    width = len(values) + 1
    keys, place = np.unique(stratum * width + rank, return_inverse=True)
    owner = keys // width
    ends = np.searchsorted(owner, owner, side="right")
    n_times = len(keys)

    def counted(rows: NDArray[np.bool_], position: IntArray) -> IntArray:
        flat = np.bincount(groups[rows] * n_times + position[rows], minlength=n_groups * n_times)
        return np.asarray(flat.reshape(n_groups, n_times), dtype=np.int64)

    def still_there(rows: NDArray[np.bool_], position: IntArray) -> IntArray:
        later = np.cumsum(counted(rows, position)[:, ::-1], axis=1)[:, ::-1]
        later = np.concatenate([later, np.zeros((n_groups, 1), dtype=np.int64)], axis=1)
        return np.asarray(later[:, :-1] - later[:, ends], dtype=np.int64)

    everyone = np.ones(len(data.time), dtype=bool)
    at_risk = still_there(everyone, place)
    if data.entry is not None:
        # the last distinct time of the stratum that is not after the entry; none: at risk from the first on
        before = np.searchsorted(values, data.entry, side="right") - 1
        gone = np.searchsorted(keys, stratum * width + before, side="right") - 1
        late = (before >= 0) & (gone >= np.searchsorted(owner, stratum, side="left"))
        at_risk = at_risk - still_there(late, gone)
    return RiskTable(
        time=values[keys % width],
        stratum=owner,
        at_risk=at_risk,
        events=counted(data.event, place),
        censored=counted(~data.event, place),
    )


def _column(values: Any, name: str, n: int | None = None) -> FloatArray:
    """Return a column of numbers of the right length, NaN where missing."""
    array = numbers(values, f"{name}: every value must be a number or missing; convert the column first")
    if array.ndim != 1 or (n is not None and len(array) != n):
        wanted = "one dimension" if n is None else f"one value for each of {n} rows"
        raise EstimationError(f"{name} has shape {array.shape}; it needs {wanted}", code="bad_shape")
    return array


def _refuse(wrong: NDArray[np.bool_], what: str, code: str) -> None:
    """Raise with the number of rows at fault and the positions of the first few."""
    if wrong.any():
        rows = ", ".join(str(i) for i in np.flatnonzero(wrong)[:5])
        raise EstimationError(f"{int(wrong.sum())} {what} (positions from 0: {rows})", code=code)
