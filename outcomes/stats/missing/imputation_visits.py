"""What stays the same whenever a column is imputed: its rows, donors, limits and predictors."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.missing.imputation_plan import BoolArray, ColumnModel, ImputationPlan
from outcomes.stats.missing.imputation_predictors import Predictors
from outcomes.stats.numerics.arrays import FloatArray, IntArray

# range, in standard deviations, above which a predictor counts as varying
_VARIES = 1e-12

DonorGroup = tuple[BoolArray | None, IntArray]
"""Donors that may be used (None: all), and the missing values, by position, that may have them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Visit:
    """One column to impute, or one level of the column it is imputed within.

    Attributes
    ----------
    name : str
    model : ColumnModel
    known, gap, others : ndarray of int
        Rows with observed values, rows to impute, and all rows but the known ones.
    columns : ndarray of int
        Rows of the design that predict it.
    unsure : ndarray of bool, same shape
        Whether a predictor may be constant where the column is known, depending on what was imputed.
    observed, levels : ndarray
        Observed values, and for yes/no and categories which differ.
    donors : tuple of DonorGroup
        For numbers.
    low, high, shift : ndarray
        Of the missing values.
    """

    name: str
    model: ColumnModel
    known: IntArray
    gap: IntArray
    others: IntArray
    columns: IntArray
    unsure: BoolArray
    observed: FloatArray
    levels: FloatArray
    donors: tuple[DonorGroup, ...]
    low: FloatArray
    high: FloatArray
    shift: FloatArray


def make_visits(plan: ImputationPlan, predictors: Predictors) -> tuple[Visit, ...]:
    """List the visits of one cycle.

    Parameters
    ----------
    plan : ImputationPlan
    predictors : Predictors
        At the start.

    Returns
    -------
    tuple of Visit

    Raises
    ------
    EstimationError
        No observed value of a column, or none within the limits of a row.

    Examples
    --------
    >>> from outcomes.stats.missing.imputation_plan import make_plan
    >>> from outcomes.stats.missing.imputation_predictors import make_predictors
    >>> plan = make_plan({"a": [1.0, 2.0, 4.0, 5.0, None], "b": [1.0, 2.0, 2.0, 1.0, 5.0]}, [ColumnModel(name="a")],
    ...                  range(5), (), None)
    >>> start = {"a": np.array([[1.0, 2.0, 4.0, 5.0, 2.0]]), "b": plan.values["b"][None, :]}
    >>> (visit,) = make_visits(plan, make_predictors(plan, start))
    >>> visit.known.tolist(), visit.gap.tolist(), visit.columns.tolist()
    ([0, 1, 2, 3], [4], [0, 2])
    """
    visits = []
    for name in plan.visits:
        within = plan.models[name].within
        gap = plan.missing[name]
        if within is None:
            parts = [np.ones(plan.n, dtype=bool)]
        else:
            groups = plan.values[within]
            parts = [groups == level for level in np.unique(groups[gap])]
        known = plan.applicable[name] & ~gap
        visits += [_visit(plan, predictors, name, known & part, gap & part) for part in parts]
    return tuple(visits)


def active_predictors(predictors: Predictors, visit: Visit) -> BoolArray:
    """Say which predictors of a visit vary where the column is known, chain by chain.

    Parameters
    ----------
    predictors : Predictors
    visit : Visit

    Returns
    -------
    ndarray of bool, shape (m, p)

    Raises
    ------
    EstimationError
        Too few observed values for so many predictors.

    Examples
    --------
    >>> from outcomes.stats.missing.imputation_plan import make_plan
    >>> from outcomes.stats.missing.imputation_predictors import make_predictors
    >>> plan = make_plan({"a": [1.0, 2.0, 4.0, 5.0, None], "b": [1.0, 2.0, 2.0, 1.0, 5.0]}, [ColumnModel(name="a")],
    ...                  range(5), (), None)
    >>> start = {"a": np.array([[1.0, 2.0, 4.0, 5.0, 2.0]]), "b": plan.values["b"][None, :]}
    >>> made = make_predictors(plan, start)
    >>> active_predictors(made, make_visits(plan, made)[0]).tolist()
    [[True, True]]
    """
    active = np.ones((len(predictors.design), len(visit.columns)), dtype=bool)
    if visit.unsure.any():
        for i in np.flatnonzero(visit.unsure):
            active[:, i] = np.ptp(predictors.design[:, visit.columns[i], visit.known], axis=1) > _VARIES
        _refuse_few(visit, int(active.sum(axis=1).max()))
    return active


def _refuse_few(visit: Visit, n_predictors: int) -> None:
    """Raise when a column has too few observed values for its predictors, the intercept included."""
    if len(visit.known) <= n_predictors + 1:
        within = visit.model.within
        where = f" in a level of {within}" if within is not None else ""
        raise EstimationError(
            f"{visit.name}: {len(visit.known)} observed values for {n_predictors} predictors{where}; name fewer "
            "predictors",
            code="too_few_observed",
        )


def _visit(
    plan: ImputationPlan, predictors: Predictors, name: str, inside: BoolArray, missing: BoolArray
) -> Visit:
    """Return a visit of the given rows."""
    model, known, gap = plan.models[name], np.flatnonzero(inside), np.flatnonzero(missing)
    observed, low, high = plan.values[name][known], model.low[gap], model.high[gap]
    columns, unsure = _columns(plan, predictors, name, inside)
    visit = Visit(
        name=name, model=model, known=known, gap=gap, others=np.flatnonzero(~inside), columns=columns, unsure=unsure,
        observed=observed, levels=np.unique(observed), low=low, high=high, shift=model.shift[gap], donors=(),
    )  # fmt: skip
    _refuse_few(visit, int((~unsure).sum()))
    if model.kind != "number":
        return visit
    return replace(visit, donors=_donor_groups(name, observed, low, high))


def _columns(
    plan: ImputationPlan, predictors: Predictors, name: str, known: BoolArray
) -> tuple[IntArray, BoolArray]:
    """Return the rows of the design that predict a column, and which of them may stop varying.

    A predictor that is constant where the column is known cannot predict, and must not where it is missing.
    """
    chosen = plan.models[name].predictors
    parts = {d.name: d.parts for d in plan.derived}
    columns, unsure = [0], [False]
    if not known.any():
        return np.array(columns), np.array(unsure)
    for other, rows in predictors.places.items():
        if other == name or name in parts.get(other, ()) or (chosen is not None and other not in chosen):
            continue
        changing = np.logical_or.reduce([plan.missing[part] for part in parts.get(other, (other,))])
        fixed, moves = known & ~changing, bool((known & changing).any())
        for row in range(rows.start, rows.stop):
            sure = bool(fixed.any()) and bool(np.ptp(predictors.design[0, row, fixed]) > _VARIES)
            if sure or moves:
                columns.append(row)
                unsure.append(not sure)
    return np.array(columns), np.array(unsure)


def _donor_groups(
    name: str, observed: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[DonorGroup, ...]:
    """Group missing values by the donors that their limits allow."""
    free = (low <= observed.min()) & (high >= observed.max())
    groups: list[DonorGroup] = [(None, np.flatnonzero(free))] if free.any() else []
    bound = np.flatnonzero(~free)
    limits, which = np.unique(np.column_stack([low, high])[bound], axis=0, return_inverse=True)
    for i, (least, most) in enumerate(limits):
        allowed = (observed >= least) & (observed <= most)
        if not allowed.any():
            raise EstimationError(
                f"{name}: no observed value lies within the limits of a row to be imputed; widen low and high or "
                "declare the row not applicable",
                code="no_donor",
            )
        groups.append((allowed, bound[which.ravel() == i]))
    return tuple(groups)
