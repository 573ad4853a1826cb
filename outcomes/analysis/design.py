"""Design matrices from columns: covariates, strategies and labels become numbers here and nowhere else.

No formula strings: column names are data, and a formula engine would execute them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import StudyError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Covariates:
    """The covariates of a plan as numbers.

    Attributes
    ----------
    X : ndarray of float, shape (n, q)
        Numbers centred and scaled to unit SD over the complete cases; yes/no as 0/1; categories as indicators
        without their most frequent level. NaN rows where a covariate is missing.
    names : tuple of str, length q
        Column names, ``"bone_quality: fragile"`` for indicators.
    complete : ndarray of bool, shape (n,)
        Cases with every covariate known.
    n_missing : tuple of (str, int)
        Missing values per covariate, where any.
    dropped : tuple of str
        Columns left out because they do not vary in these cases.
    """

    X: FloatArray
    names: tuple[str, ...]
    complete: BoolArray
    n_missing: tuple[tuple[str, int], ...]
    dropped: tuple[str, ...]


def covariate_design(frame: pd.DataFrame, covariates: Sequence[str]) -> Covariates:
    """Turn cohort columns into the covariate part of a design matrix.

    Parameters
    ----------
    frame : DataFrame
        Rows of the cases to be modelled.
    covariates : sequence of str
        Internal column names.

    Returns
    -------
    Covariates

    Raises
    ------
    StudyError
        When a covariate is not a column; the message lists the columns that are.

    Examples
    --------
    >>> frame = pd.DataFrame({"age": [50.0, 60.0, 70.0], "sex": ["female", "male", "female"]})
    >>> covariate_design(frame, ["age", "sex"]).names
    ('age', 'sex: male')
    """
    unknown = [name for name in covariates if name not in frame.columns]
    if unknown:
        available = ", ".join(sorted(map(str, frame.columns)))
        raise StudyError(
            f"covariates {', '.join(unknown)} are not columns of this cohort; it has: {available}",
            code="no_covariate",
        )
    complete = np.ones(len(frame), dtype=bool)
    n_missing = []
    for name in covariates:
        absent = frame[name].isna().to_numpy()
        complete &= ~absent
        if absent.any():
            n_missing.append((name, int(absent.sum())))
    columns: list[FloatArray] = []
    names: list[str] = []
    dropped: list[str] = []
    for name in covariates:
        for label, values in _columns_of(frame[name], name, complete):
            if np.ptp(values[complete]) > 0 if complete.any() else False:
                columns.append(values)
                names.append(label)
            else:
                dropped.append(label)
    X = np.column_stack(columns) if columns else np.empty((len(frame), 0))
    return Covariates(
        X=X, names=tuple(names), complete=complete, n_missing=tuple(n_missing), dropped=tuple(dropped)
    )


def _columns_of(series: pd.Series[Any], name: str, complete: BoolArray) -> list[tuple[str, FloatArray]]:
    """Return the numeric columns of one covariate with their names."""
    if pd.api.types.is_datetime64_any_dtype(series):
        raise StudyError(
            f"covariate {name!r} is a date; use a year or an interval instead", code="date_covariate"
        )
    if pd.api.types.is_numeric_dtype(series):
        values = series.to_numpy(dtype=float)
        known = values[complete]
        if np.isin(known, (0.0, 1.0)).all():
            return [(name, values)]
        spread = float(known.std()) if known.size else 0.0
        centred = values - float(known.mean()) if spread > 0 else np.zeros(len(values))
        return [(name, np.asarray(centred / (spread or 1.0), dtype=np.float64))]
    codes, levels = pd.factorize(series.astype(object), sort=True)
    counts = np.bincount(codes[complete], minlength=len(levels)) if len(levels) else np.zeros(0, dtype=int)
    reference = int(counts.argmax()) if len(levels) else 0
    return [
        (f"{name}: {level}", np.where(codes < 0, np.nan, (codes == position).astype(float)))
        for position, level in enumerate(levels)
        if position != reference
    ] or [(f"{name}: {levels[0] if len(levels) else 'empty'}", np.zeros(len(series)))]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureColumns:
    """How strategies and labels enter the outcome model.

    Every strategy has its own level. A strategy with enough cases on both sides of the criteria has its own
    reduction effect; the others share one, so that two cases cannot carry an effect of their own.

    Attributes
    ----------
    strategies : tuple of str
        Levels of the strategy.
    own : tuple of str
        Strategies with their own reduction effect.
    shared : tuple of str
        Strategies that share one. A strategy seen on one side of the criteria only has no reduction effect.
    names : tuple of str
        Names of the exposure columns.
    with_reduction : bool
    """

    strategies: tuple[str, ...]
    own: tuple[str, ...]
    shared: tuple[str, ...]
    names: tuple[str, ...]
    with_reduction: bool

    def matrix(self, strategy: NDArray[np.object_], met: FloatArray | None) -> FloatArray:
        """Return the exposure columns for given strategies and labels, shape (n, len(names))."""
        level = np.column_stack([(strategy == name).astype(float) for name in self.strategies])
        if not self.with_reduction or met is None:
            return level
        effects = [(strategy == name) * met for name in self.own]
        if self.shared:
            effects.append(np.isin(strategy, self.shared) * met)
        return np.column_stack([level, *effects]) if effects else level

    def row(self, strategy: str, met: float | None) -> FloatArray:
        """Return the exposure columns of one strategy at one label, shape (len(names),)."""
        label = None if met is None else np.array([met])
        row: FloatArray = self.matrix(np.array([strategy], dtype=object), label)[0]
        return row

    def has_effect(self, strategy: str) -> bool:
        """Whether the model holds a reduction effect for this strategy."""
        return strategy in self.own or strategy in self.shared


def exposure_columns(
    strategy: NDArray[np.object_], met: FloatArray | None, *, least: int, interaction: bool = True
) -> ExposureColumns:
    """Decide which strategies carry a reduction effect of their own.

    Parameters
    ----------
    strategy : ndarray of str, shape (n,)
        Strategies of the modelled cases.
    met : ndarray of float, shape (n,), or None
        1 met, 0 not met; None for a model without reduction.
    least : int
        Cases needed on both sides of the criteria for an effect of its own.
    interaction : bool
        False gives one common reduction effect to all strategies.

    Examples
    --------
    >>> s = np.array(["plate"] * 4 + ["pins"] * 4, dtype=object)
    >>> columns = exposure_columns(s, np.array([1.0, 1, 0, 0, 1, 1, 1, 0]), least=2)
    >>> columns.own, columns.shared
    (('plate',), ('pins',))
    """
    strategies = tuple(sorted(set(strategy.tolist())))
    if met is None:
        return ExposureColumns(
            strategies=strategies, own=(), shared=(), names=strategies, with_reduction=False
        )
    counts = {name: (int(((strategy == name) & (met == 1)).sum()), int(((strategy == name) & (met == 0)).sum()))
              for name in strategies}  # fmt: skip
    own = tuple(name for name in strategies if interaction and min(counts[name]) >= least)
    shared = tuple(name for name in strategies if name not in own and min(counts[name]) > 0)
    names = (*strategies, *(f"{name} x met" for name in own), *(("shared x met",) if shared else ()))
    return ExposureColumns(strategies=strategies, own=own, shared=shared, names=names, with_reduction=True)
