"""What a proportional-hazards fit is given, checked and ordered by risk set."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_matrix, check_weights
from outcomes.stats.survival.cox_maximum import check_cox_rank
from outcomes.stats.survival.cox_risk_sets import RiskSets, at_coefficients, make_risk_sets
from outcomes.stats.survival.survival_times import SurvivalTimes, check_survival, group_labels


def prepare_cox(
    X: Any, time: Any, event: Any, names: Sequence[str], entry: Any, strata: Any, weights: Any, ties: str
) -> tuple[tuple[str, ...], RiskSets, int]:
    """Return the column names, the ordered design and the number of rows, checked as for a fit.

    Raises
    ------
    EstimationError
        No events, columns that cannot be told apart (named), bad input.

    Examples
    --------
    >>> prepare_cox([[1], [0]], [1, 2], [1, 1], ["nail"], None, None, None, "efron")[0]
    ('nail',)
    """
    design, columns = check_matrix(X, names)
    data, layers, weight = checked_rows(time, event, entry, strata, weights, design.shape[0], ties)
    used = weight > 0.0
    sets = risk_sets_of(design[used], subset_of_times(data, used), layers[used], weight[used], ties, columns)
    check_cox_rank(at_coefficients(sets, np.zeros(len(columns))).information, columns, len(sets.term))
    return columns, in_given_rows(sets, used), int(used.sum())


def checked_rows(
    time: Any, event: Any, entry: Any, strata: Any, weights: Any, n_rows: int, ties: str
) -> tuple[SurvivalTimes, Any, FloatArray]:
    """Return checked times, stratum codes and weights of every row.

    Raises
    ------
    EstimationError
        Missing values, wrong shapes, weights with exact ties.

    Examples
    --------
    >>> checked_rows([1, 2], [1, 0], None, None, None, 2, "efron")[2].tolist()
    [1.0, 1.0]
    """
    data = check_survival(time, event, entry=entry)
    layers, _, no_stratum = group_labels(strata, n_rows, "stratum")
    weight = check_weights(weights, n_rows)
    if len(data.used) != n_rows:
        raise EstimationError(
            f"{len(data.used)} times for {n_rows} rows of the design; give one for each", code="bad_shape"
        )
    if data.n_missing or no_stratum.any():
        raise EstimationError(
            f"the time, event or entry is missing in {data.n_missing} rows and the stratum in {int(no_stratum.sum())}; "
            "leave those rows out first and count them",
            code="not_finite",
        )
    if ties == "exact" and len(np.unique(weight[weight > 0.0])) > 1:
        raise EstimationError("exact ties take no weights; use ties='efron'", code="bad_choice")
    return data, layers, weight


def subset_of_times(data: SurvivalTimes, used: NDArray[np.bool_]) -> SurvivalTimes:
    """Return the times of some rows.

    Examples
    --------
    >>> subset_of_times(check_survival([1, 2], [1, 0]), np.array([False, True])).time.tolist()
    [2.0]
    """
    return SurvivalTimes(
        time=data.time[used], event=data.event[used], entry=None if data.entry is None else data.entry[used],
        used=used, n_missing=0,
    )  # fmt: skip


def risk_sets_of(
    x: FloatArray, data: SurvivalTimes, layers: Any, weight: FloatArray, ties: str, names: tuple[str, ...]
) -> RiskSets:
    """Return the ordered design, or say that there is nothing to fit.

    Raises
    ------
    EstimationError
        No events (code ``no_events``), columns that do not vary (``rank_deficient``, named).

    Examples
    --------
    >>> data = check_survival([1, 2], [1, 0])
    >>> risk_sets_of(np.array([[0.0], [1.0]]), data, np.zeros(2, int), np.ones(2), "efron", ("nail",)).n_times
    1
    """
    if not data.event.any():
        raise EstimationError(
            f"no events in {len(data.time)} rows; a hazard ratio cannot be estimated", code="no_events"
        )
    sets = make_risk_sets(x, data, layers, weight, ties)
    flat = [name for name, column in zip(names, sets.x.T, strict=True) if not column.any()]
    if flat:
        raise EstimationError(
            f"no variation among the cases at risk at an event (within strata): {', '.join(flat)}; drop these columns "
            "(the model has no intercept)",
            code="rank_deficient",
        )
    return sets


def in_given_rows(sets: RiskSets, used: NDArray[np.bool_]) -> RiskSets:
    """Return the ordered design with row numbers among all rows given, rows of weight 0 included.

    Examples
    --------
    >>> data = check_survival([1, 2], [1, 0])
    >>> sets = make_risk_sets(np.array([[0.0], [1.0]]), data, np.zeros(2, int), np.ones(2), "efron")
    >>> in_given_rows(sets, np.array([True, False, True])).rows.tolist()
    [0, 2]
    """
    if used.all():
        return sets
    fields = {name: getattr(sets, name) for name in RiskSets.__dataclass_fields__}
    return RiskSets(**(fields | {"rows": np.flatnonzero(used)[sets.rows]}))
