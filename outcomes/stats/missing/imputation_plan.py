"""What is imputed from what, checked before anything is drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice
from outcomes.stats.numerics.inputs import numbers

ColumnKind = Literal["number", "yes_no", "category"]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColumnModel:
    """How a column is imputed.

    Attributes
    ----------
    name : str
    kind : {"number", "yes_no", "category"}
        Yes/no is 1 and 0; categories are whole numbers from 0.
    low, high : float or array_like, shape (n,)
        Logical limits of a number, for all rows or row by row.
    shift : float or array_like, shape (n,)
        Added to every imputed number (and kept within the limits), or to the log odds of an imputed yes:
        how much worse or better the missing ones are than others like them. Not for categories.
    predictors : tuple of str, optional
        Columns that predict it; without it all others.
    within : str, optional
        Complete column with few levels: each level is imputed by itself, from donors of its own. The way to
        keep an interaction with that column when a number is imputed.
    """

    name: str
    kind: ColumnKind = "number"
    low: Any = -np.inf
    high: Any = np.inf
    shift: Any = 0.0
    predictors: tuple[str, ...] | None = None
    within: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DerivedColumn:
    """A column computed from others, recomputed whenever one of them is imputed.

    It predicts every column but its own parts. An analysis with the interaction of x and z in a model of y
    needs the product y z to impute a yes/no x, and x z to impute y. When a number x is imputed the product is
    not enough, because the spread of x given y then differs between levels of z: impute it within z.

    Attributes
    ----------
    name : str
    parts : tuple of str
    compute : callable
        Takes the parts, one array of shape (n,) each, and gives one array of shape (n,).
    """

    name: str
    parts: tuple[str, ...]
    compute: Callable[..., FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImputationPlan:
    """Columns in the order of the keys, with what is missing and what predicts what.

    Attributes
    ----------
    n : int
        Rows.
    order, back : ndarray of int, shape (n,)
        Rows given in the order of their keys, and the way back.
    values : mapping of str to ndarray, shape (n,)
        Columns in the order of the keys, names sorted.
    models : mapping of str to ColumnModel
        Every column; limits and shifts as arrays in the order of the keys.
    missing, applicable : mapping of str to ndarray of bool, shape (n,)
        Values to be imputed; rows where the column can have a value.
    visits : tuple of str
        Columns to impute, fewest missing values first.
    derived : tuple of DerivedColumn
    """

    n: int
    order: IntArray
    back: IntArray
    values: Mapping[str, FloatArray]
    models: Mapping[str, ColumnModel]
    missing: Mapping[str, BoolArray]
    applicable: Mapping[str, BoolArray]
    visits: tuple[str, ...]
    derived: tuple[DerivedColumn, ...]


def make_plan(
    values: Mapping[str, Any],
    columns: Sequence[ColumnModel],
    keys: Any,
    derived: Sequence[DerivedColumn],
    not_applicable: Mapping[str, Any] | None,
) -> ImputationPlan:
    """Check what :func:`~outcomes.stats.missing.imputation.impute` was given and sort it by key.

    Parameters
    ----------
    values, columns, keys, derived, not_applicable
        As there.

    Returns
    -------
    ImputationPlan

    Raises
    ------
    EstimationError
        As there.

    Examples
    --------
    >>> plan = make_plan({"a": [1.0, 4.0, None, 2.0]}, [ColumnModel(name="a")], ["z", "y", "x", "w"], (), None)
    >>> plan.visits, plan.order.tolist(), plan.missing["a"].tolist()
    (('a',), [3, 2, 1, 0], [False, True, False, False])
    """
    order = _order_of(keys)
    n = len(order)
    arrays: dict[str, FloatArray] = {}
    for name in sorted(values):
        column = numbers(
            values[name], f"{name}: every value must be a number or missing; code levels as numbers"
        )
        if column.shape != (n,):
            _refuse(f"{name}: shape {column.shape} for {n} keys; give one value a row", "bad_shape")
        if np.isinf(column).any():
            _refuse(f"{name}: {int(np.isinf(column).sum())} infinite values; set them missing", "not_finite")
        arrays[name] = column[order]
    models = _models_of(arrays, columns, order)
    _check_names(arrays, derived, not_applicable or {}, models)
    applicable = {name: np.ones(n, dtype=bool) for name in arrays}
    for name, where in (not_applicable or {}).items():
        flags = np.asarray(where, dtype=bool)
        if flags.shape != (n,):
            _refuse(f"not applicable, {name}: shape {flags.shape} for {n} rows", "bad_shape")
        applicable[name] = ~flags[order]
        n_given = int((~applicable[name] & ~np.isnan(arrays[name])).sum())
        if n_given:
            _refuse(
                f"{name}: {n_given} rows have a value though it is declared not applicable there",
                "bad_not_applicable",
            )
    missing = {name: np.isnan(column) & applicable[name] for name, column in arrays.items()}
    modelled = {model.name for model in columns}
    silent = [
        f"{name} ({int(gap.sum())})" for name, gap in missing.items() if gap.any() and name not in modelled
    ]
    if silent:
        _refuse(f"values missing without a model: {', '.join(silent)}; give each a ColumnModel", "no_model")
    for name, model in models.items():
        inside = model.within
        if inside is not None and (inside == name or inside not in arrays or np.isnan(arrays[inside]).any()):
            _refuse(
                f"{name}: within names a complete column other than itself; {inside} is none", "bad_within"
            )
    visits = sorted(
        (name for name in arrays if missing[name].any()), key=lambda name: (int(missing[name].sum()), name)
    )
    for name, column in arrays.items():
        _check_column(
            models[name], column[~np.isnan(column)], applicable[name] & ~missing[name], name in visits
        )
    back = np.empty(n, dtype=np.int64)
    back[order] = np.arange(n)
    return ImputationPlan(
        n=n, order=order, back=back, values=arrays, models=models, missing=missing, applicable=applicable,
        visits=tuple(visits), derived=tuple(sorted(derived, key=lambda d: d.name)),
    )  # fmt: skip


def _refuse(message: str, code: str) -> None:
    """Raise with a message that holds no value of a cell."""
    raise EstimationError(message, code=code)


def _order_of(keys: Any) -> IntArray:
    """Return the order of the keys, or refuse them."""
    labels = np.asarray(keys)
    if labels.ndim != 1 or len(labels) < 2:
        _refuse(f"keys of shape {labels.shape}; give one key a row, at least 2 rows", "bad_keys")
    n_bad = int(pd.isna(labels).sum()) + int(pd.Series(labels).duplicated().sum())
    if n_bad:
        _refuse(f"{n_bad} keys are missing or repeat another; every row needs its own", "bad_keys")
    if labels.dtype.kind == "O":
        labels = labels.astype(str)
        if len(np.unique(labels)) < len(labels):
            _refuse("keys of different types that read alike; give text or numbers", "bad_keys")
    return np.asarray(np.argsort(labels, kind="stable"), dtype=np.int64)


def _models_of(
    arrays: Mapping[str, FloatArray], columns: Sequence[ColumnModel], order: IntArray
) -> dict[str, ColumnModel]:
    """Return a model for every column, with limits and shifts row by row."""
    given = {model.name: model for model in columns}
    if len(given) != len(columns):
        _refuse("a column has two models; give it one", "bad_names")
    unknown = sorted(set(given) - set(arrays))
    if unknown:
        _refuse(f"models of columns that are not there: {', '.join(unknown)}", "bad_names")
    models = {}
    for name in arrays:
        model = given.get(name, ColumnModel(name=name))
        check_choice(model.kind, get_args(ColumnKind), f"kind of {name}")
        rows = {}
        for what in ("low", "high", "shift"):
            array = np.asarray(getattr(model, what), dtype=np.float64)
            if array.shape not in ((), order.shape) or np.isnan(array).any():
                _refuse(f"{name}: {what} is one number or one a row, none missing", "bad_shape")
            rows[what] = np.broadcast_to(array, order.shape)[order]
        limited = bool(np.isfinite(rows["low"]).any() or np.isfinite(rows["high"]).any())
        if not np.isfinite(rows["shift"]).all() or (model.kind == "category" and rows["shift"].any()):
            _refuse(f"{name}: a shift is finite, and categories have none", "bad_shift")
        if (limited and model.kind != "number") or (rows["low"] > rows["high"]).any():
            _refuse(f"{name}: limits are for numbers, low at most high", "bad_limits")
        models[name] = ColumnModel(
            name=name, kind=model.kind, predictors=model.predictors, within=model.within, **rows
        )
    return models


def _check_names(
    arrays: Mapping[str, FloatArray],
    derived: Sequence[DerivedColumn],
    not_applicable: Mapping[str, Any],
    models: Mapping[str, ColumnModel],
) -> None:
    """Refuse names that repeat or lead nowhere."""
    made = [d.name for d in derived]
    if len(set(made)) != len(made) or set(made) & set(arrays):
        _refuse("a derived column has the name of another column", "bad_names")
    wanted = {part for d in derived for part in d.parts} | set(not_applicable)
    lost = wanted - set(arrays)
    lost |= {name for m in models.values() for name in m.predictors or ()} - set(arrays) - set(made)
    if lost:
        _refuse(f"named but not there: {', '.join(sorted(lost))}", "bad_names")


def _check_column(model: ColumnModel, present: FloatArray, known: BoolArray, imputed: bool) -> None:
    """Refuse a column whose values do not fit its model."""
    name = model.name
    if imputed and (len(present) < 3 or np.ptp(present) == 0.0):
        _refuse(
            f"{name}: {len(present)} observed values; imputing needs at least 3, and two that differ",
            "constant",
        )
    if model.kind == "number":
        n_out = int(((present < model.low[known]) | (present > model.high[known])).sum())
        if n_out:
            _refuse(f"{name}: {n_out} observed values lie outside its limits", "outside_limits")
        return
    if (present != np.floor(present)).any() or (present < 0).any():
        _refuse(f"{name}: levels are coded as whole numbers from 0", "bad_levels")
    if model.kind == "yes_no" and (present > 1).any():
        _refuse(f"{name}: yes/no is 1 and 0", "bad_levels")
