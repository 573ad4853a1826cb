"""Times to the first of several events: checked, without missing rows, in an order that no input order changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.survival.survival_times import check_time, level_codes

MOST_CAUSES = 20  # more are rather times, given as events


@dataclass(frozen=True, slots=True, kw_only=True)
class CompetingTimes:
    """Rows that are complete, sorted by group, time and cause.

    Attributes
    ----------
    time : ndarray, shape (n,)
    cause : ndarray of int, shape (n,)
        0 for censored, else 1 + position in `causes`.
    causes, groups : tuple of str
    group, cluster : ndarray of int, shape (n,)
        Position in `groups`; number of the cluster (each row its own without clusters).
    order : ndarray of int, shape (n,)
        Row of the input that each row came from.
    n_missing : int
        Rows left out.
    """

    time: FloatArray
    cause: IntArray
    causes: tuple[str, ...]
    group: IntArray
    groups: tuple[str, ...]
    cluster: IntArray
    order: IntArray
    n_missing: int


def competing_times(
    time: Any,
    event: Any,
    *,
    censored: Any = 0,
    causes: Sequence[Any] | None = None,
    groups: Any = None,
    clusters: Any = None,
) -> CompetingTimes:
    """Check and sort times to the first of several events.

    Parameters
    ----------
    time : array_like, shape (n,)
        Time to the event or to the end of follow-up, at least 0.
    event : array_like, shape (n,)
        What ended the time: the label of a cause, or `censored`.
    censored : label
        What stands for censored in `event`; must be given when events are text.
    causes : sequence of labels, optional
        Declared causes, in order; those that occur, sorted, for None.
    groups, clusters : array_like, shape (n,), optional
        Labels; categories keep their order. A missing cluster is refused.

    Returns
    -------
    CompetingTimes
        Rows in which time, event or group is missing are left out and counted.

    Raises
    ------
    EstimationError
        Bad times or labels, no complete row, no cause declared or seen, more than 20 causes that are not declared,
        text events with a `censored` that is no text.

    Examples
    --------
    >>> data = competing_times([3, 1, 2], ["death", "none", "revision"], censored="none")
    >>> data.causes, data.cause.tolist(), data.order.tolist()
    (('death', 'revision'), [0, 2, 1], [1, 2, 0])
    """
    times = check_time(time)
    n = len(times)
    labels = pd.Series(event).reset_index(drop=True)
    if labels.shape != (n,):
        raise EstimationError(f"event: {len(labels)} labels for {n} rows", code="bad_shape")
    _check_censored(labels, censored)
    is_censored = (labels == censored).fillna(False).to_numpy(dtype=bool)
    cause, names = level_codes(labels.astype(object).mask(is_censored), n, "event", causes)
    group, group_names = level_codes(groups, n, "groups")
    used: NDArray[np.bool_] = ~np.isnan(times) & (is_censored | (cause >= 0)) & (group >= 0)
    if not used.any():
        raise EstimationError("no row with time, event and group", code="no_rows")
    if str(censored) in names:
        raise EstimationError(
            "event: what stands for censored occurs as text and was given as a number, or the other way round; give "
            "`censored` as it stands in the column",
            code="censored_as_cause",
        )
    if len(names) > MOST_CAUSES and causes is None:
        raise EstimationError(
            f"event: {len(names)} different causes, more than {MOST_CAUSES}; are time and event swapped? If not, name "
            "them in `causes`",
            code="too_many_causes",
        )
    if not names:
        raise EstimationError(
            "everyone is censored and no cause is declared; name the causes to get their curves of 0",
            code="no_events",
        )
    cluster, _ = level_codes(np.arange(n) if clusters is None else clusters, n, "clusters")
    if (cluster[used] < 0).any():
        raise EstimationError(
            f"the cluster is missing in {int((cluster[used] < 0).sum())} rows; leave them out first and count them",
            code="missing_cluster",
        )
    coded = np.where(is_censored, 0, cause + 1)
    rows = np.flatnonzero(used)
    order = rows[np.lexsort((cluster[rows], coded[rows], times[rows], group[rows]))]
    return CompetingTimes(
        time=times[order], cause=coded[order], causes=names, group=group[order], groups=group_names,
        cluster=cluster[order], order=order, n_missing=n - len(rows),
    )  # fmt: skip


def _check_censored(labels: pd.Series, censored: Any) -> None:
    """Refuse a mark of censoring that cannot occur among the labels, which would make censored rows events."""
    if np.ndim(censored) != 0 or pd.isna(censored):
        raise EstimationError(
            "censored: give the label that stands for censored in `event`; a missing event is left out, not censored",
            code="no_censored_label",
        )
    text = any(isinstance(label, str) for label in labels.dropna().unique())
    if text and not isinstance(censored, str):
        raise EstimationError(
            "event: labels are text, but `censored` is not, so nobody would count as censored; give censored= the "
            "label that stands for censored (any other text when everyone had an event)",
            code="censored_as_cause",
        )
