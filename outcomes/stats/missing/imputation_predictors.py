"""What the columns of running imputations look like as predictors, all chains side by side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from outcomes.stats.missing.imputation_plan import BoolArray, ImputationPlan
from outcomes.stats.numerics.arrays import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Predictors:
    """The design of every chain and its cross-products; the arrays are rewritten as columns are imputed.

    Attributes
    ----------
    design : ndarray, shape (m, p, n)
        A row of ones, then the rows that each column makes: standardised numbers, levels above the lowest as
        indicators, and a flag where the column is not applicable.
    cross : ndarray, shape (m, p, p)
        Products of the rows of the design, over all n.
    places : mapping of str to slice
        Rows of a column.
    levels : mapping of str to ndarray
        Levels of a category that have a row.
    gone : mapping of str to ndarray of bool, shape (n,)
        Where a column is not applicable.
    centre, spread : mapping of str to ndarray, shape (m, 1)
        Mean and SD of numbers, fixed at the start.
    """

    design: FloatArray
    cross: FloatArray
    places: Mapping[str, slice]
    levels: Mapping[str, FloatArray]
    gone: Mapping[str, BoolArray]
    centre: Mapping[str, FloatArray]
    spread: Mapping[str, FloatArray]


def make_predictors(plan: ImputationPlan, state: Mapping[str, FloatArray]) -> Predictors:
    """Lay out the predictors of all chains at their start.

    Parameters
    ----------
    plan : ImputationPlan
    state : mapping of str to ndarray, shape (m, n)
        Columns, then derived columns, of every chain.

    Returns
    -------
    Predictors

    Examples
    --------
    >>> from outcomes.stats.missing.imputation_plan import ColumnModel, make_plan
    >>> plan = make_plan({"a": [1.0, 2.0, 3.0], "k": [0, 1, 2]}, [ColumnModel(name="k", kind="category")], range(3),
    ...                  (), None)
    >>> made = make_predictors(plan, {name: column[None, :] for name, column in plan.values.items()})
    >>> made.places["k"], made.design[0, 2:].tolist()
    (slice(2, 4, None), [[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    """
    places: dict[str, slice] = {}
    levels: dict[str, FloatArray] = {}
    gone = {name: np.isnan(column[0]) for name, column in state.items()}
    centre, spread, end = {}, {}, 1
    for name, column in state.items():
        width = 1
        if name in plan.models and plan.models[name].kind == "category":
            present = plan.values[name]
            levels[name] = np.unique(present[~np.isnan(present)])[1:]
            width = len(levels[name])
        else:
            centre[name], spread[name] = _scale(np.compress(~gone[name], column, axis=1))
        places[name] = slice(end, end + width + bool(gone[name].any()))
        end = places[name].stop
    m = max((len(column) for column in state.values()), default=1)
    design = np.ones((m, end, plan.n))
    made = Predictors(
        design=design, cross=np.full((m, end, end), float(plan.n)), places=places, levels=levels, gone=gone,
        centre=centre, spread=spread,
    )  # fmt: skip
    for name, column in state.items():
        _write(made, name, column)
    made.cross[:] = design @ design.transpose(0, 2, 1)
    return made


def refresh(predictors: Predictors, name: str, column: FloatArray) -> None:
    """Put a column that has changed into the design and the cross-products.

    Parameters
    ----------
    predictors : Predictors
    name : str
    column : ndarray, shape (m, n)

    Examples
    --------
    >>> from outcomes.stats.missing.imputation_plan import make_plan
    >>> plan = make_plan({"a": [1.0, 3.0]}, [], range(2), (), None)
    >>> made = make_predictors(plan, {"a": np.array([[1.0, 3.0]])})
    >>> refresh(made, "a", np.array([[1.0, 5.0]]))
    >>> made.design[0, 1].tolist(), made.cross[0, 1].tolist()
    ([-1.0, 3.0], [2.0, 10.0])
    """
    _write(predictors, name, column)
    rows = predictors.places[name]
    products = predictors.design[:, rows] @ predictors.design.transpose(0, 2, 1)
    predictors.cross[:, rows] = products
    predictors.cross[:, :, rows] = products.transpose(0, 2, 1)


def _write(predictors: Predictors, name: str, column: FloatArray) -> None:
    """Write the rows that a column makes."""
    rows, gone = predictors.places[name], predictors.gone[name]
    block = predictors.design[:, rows]
    if name in predictors.levels:
        for i, level in enumerate(predictors.levels[name]):
            block[:, i] = column == level
    else:
        block[:, 0] = (column - predictors.centre[name]) / predictors.spread[name]
        block[:, 0, gone] = 0.0
    if gone.any():
        block[:, -1] = gone


def _scale(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and SD of every chain, 0 and 1 where there is none."""
    if not values.shape[1]:
        return np.zeros((len(values), 1)), np.ones((len(values), 1))
    spread = values.std(axis=1, keepdims=True)
    return values.mean(axis=1, keepdims=True), np.where(spread > 0.0, spread, 1.0)
