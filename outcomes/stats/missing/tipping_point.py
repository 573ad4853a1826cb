"""How much worse the missing must have been for a conclusion to change: shifts, a grid, and a search between."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.missing.imputation import ColumnModel, completed, impute
from outcomes.stats.missing.rubin import PooledEstimate, pool_estimates
from outcomes.stats.numerics.arrays import FloatArray, check_choice

Reading = Literal["interval", "estimate"]

#: Halvings of a step of the grid.
HALVINGS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class TippingPoint:
    """Where along a growing shift the reading of an estimate changes.

    Attributes
    ----------
    shifts : tuple of float
        The grid, ascending.
    estimates : tuple of Estimate
        One a shift.
    states : tuple of str
        Reading at each: "above", "below" or "holds" the target (or "not estimable").
    start : str
        The reading at the shift nearest to 0.
    below, above : float or None
        Shifts nearest to 0, on either side, at which the reading is no longer that of the start; None when it holds to
        the end of the grid.
    monotone : bool
        Whether the estimates go one way along the grid; where not, there may be other points between its steps.
    target : float
    reading : str
    """

    shifts: tuple[float, ...]
    estimates: tuple[Estimate, ...]
    states: tuple[str, ...]
    start: str
    below: float | None
    above: float | None
    monotone: bool
    target: float
    reading: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a shift."""
        return pd.DataFrame(
            [
                {
                    "shift": d, "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error,
                    "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n,
                    "n_missing": e.n_missing, "state": s,
                }
                for d, e, s in zip(self.shifts, self.estimates, self.states, strict=True)
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        ends = [f"{d:.4g}" for d in (self.below, self.above) if d is not None]
        span = f"shifts from {self.shifts[0]:.4g} to {self.shifts[-1]:.4g}"
        if self.start == "not estimable":
            return f"no reading to change: not estimable at the shift nearest to 0 ({span})"
        if not ends:
            return f"the reading stays the same for all {span}"
        return f"the reading changes at a shift of {' and of '.join(ends)} ({span})"


def find_tipping_point(
    analyse: Callable[[float], Estimate],
    shifts: Sequence[float],
    *,
    target: float = 0.0,
    reading: Reading = "interval",
    tolerance: float = 1e-3,
) -> TippingPoint:
    """Repeat an analysis over a grid of shifts and search where its reading changes.

    Parameters
    ----------
    analyse : callable
        Takes a shift and returns the estimate under it; the same draws for every shift.
    shifts : sequence of float
        At least two different ones.
    target : float
        No difference, or a margin.
    reading : {"interval", "estimate"}
        Whether the interval, or the value, lies above or below the target.
    tolerance : float
        Width to which the point is narrowed by halving the step of the grid in which it lies, > 0.

    Returns
    -------
    TippingPoint

    Raises
    ------
    EstimationError
        Fewer than two shifts, values that are not finite, a tolerance not above 0.

    Notes
    -----
    Sources: Yan, Lee and Li (2009) J Biopharm Stat 19:1085 (tipping points); Cro et al. (2020) Stat Med 39:2815 (shifts
    by group); National Research Council, The Prevention and Treatment of Missing Data in Clinical Trials (2010).

    Examples
    --------
    An effect of 3 with half-width 1 that loses half the shift: its interval reaches 0 at a shift of -4.

    >>> def analyse(shift):
    ...     value = 3 + shift / 2
    ...     return Estimate(value=value, conf_low=value - 1, conf_high=value + 1)
    >>> found = find_tipping_point(analyse, [-10, -5, 0, 5])
    >>> round(found.below, 3), found.above, found.monotone
    (-4.0, None, True)
    """
    check_choice(reading, get_args(Reading), "reading")
    grid = tuple(sorted({float(d) for d in shifts}))
    if len(grid) < 2 or not all(map(math.isfinite, (*grid, target))):
        raise EstimationError(
            f"{len(grid)} different shifts; give at least 2, and finite numbers throughout", code="bad_choice"
        )
    if not tolerance > 0.0:
        raise EstimationError(f"tolerance is {tolerance}; give a width above 0", code="bad_choice")
    estimates = tuple(analyse(d) for d in grid)
    states = tuple(_state(e, target, reading) for e in estimates)
    at = min(range(len(grid)), key=lambda i: (abs(grid[i]), i))

    def edge(step: int) -> float | None:
        i = at
        while 0 <= i + step < len(grid):
            if states[i + step] != states[at]:
                return _halved(analyse, grid[i], grid[i + step], states[at], target, reading, tolerance)
            i += step
        return None

    values = np.array([e.value for e in estimates if e.value is not None])
    steps = np.diff(values)
    return TippingPoint(
        shifts=grid, estimates=estimates, states=states, start=states[at], below=edge(-1), above=edge(1),
        monotone=bool((steps >= 0.0).all() or (steps <= 0.0).all()), target=float(target), reading=reading,
    )  # fmt: skip


def shifted_analysis(
    values: Mapping[str, Any],
    columns: Sequence[ColumnModel],
    column: str,
    analyse: Callable[[dict[str, FloatArray]], Estimate],
    *,
    keys: Any,
    seed: int,
    groups: Any = None,
    multiples: Mapping[Any, float] | None = None,
    n_imputations: int = 20,
    n_cycles: int = 10,
    n_donors: int = 5,
    df_complete: float | None = None,
    **options: Any,
) -> Callable[[float], PooledEstimate]:
    """Return a function that imputes with a shift of one column, analyses each copy and pools.

    Parameters
    ----------
    values, columns, keys, seed, n_imputations, n_cycles, n_donors, options
        As for :func:`outcomes.stats.missing.imputation.impute`.
    column : str
        The column whose imputed values are shifted: a number in its unit, a yes/no in log odds.
    analyse : callable
        Takes the columns of one completed copy and returns an estimate with its standard error.
    groups : array_like, shape (n,), optional
        Group of each row.
    multiples : mapping of group to float, optional
        The shift of a group is its multiple times the shift given (1 is the shift itself, 0 none, -1 the reverse);
        groups not named have 0. Without it all rows are shifted.
    df_complete : float, optional
        As for :func:`outcomes.stats.missing.rubin.pool_estimates`.

    Returns
    -------
    callable
        From a shift to :class:`~outcomes.stats.missing.rubin.PooledEstimate`; for :func:`find_tipping_point` take its
        `estimate`. The same seed for every shift, so that a change is due to the shift alone.

    Raises
    ------
    EstimationError
        No model of the column, groups of other length or unknown groups in `multiples`.

    Notes
    -----
    The shift is a pattern-mixture model: those missing differ from others like them by the shift. Shifted values
    predict the other incomplete columns. Sources: Little (1993) J Am Stat Assoc 88:125; van Buuren, Flexible
    Imputation of Missing Data (2018), section 3.8; Carpenter and Kenward, Multiple Imputation and its Application
    (2013), chapter 10.

    Examples
    --------
    >>> from outcomes.stats.groups.means import mean_difference
    >>> grip = np.array([20.0, 22, 25, np.nan, 30, 31, 33, np.nan])
    >>> arm = np.repeat([0.0, 1.0], 4)
    >>> def contrast(c):
    ...     return mean_difference(c["grip"][arm == 1], c["grip"][arm == 0], unit="kg")
    >>> run = shifted_analysis({"grip": grip, "arm": arm}, [ColumnModel(name="grip")], "grip", contrast,
    ...                        keys=range(8), seed=1, groups=arm, multiples={1.0: 1.0}, n_imputations=5)
    >>> round(run(-4.0).estimate.value - run(0.0).estimate.value, 9)
    -1.0
    """
    models = {model.name: model for model in columns}
    if column not in models:
        raise EstimationError(f"{column}: no ColumnModel to shift; give it one", code="no_model")
    where = np.ones(len(np.asarray(keys))) if multiples is None else _multiples(groups, multiples, keys)
    base = np.asarray(models[column].shift, dtype=np.float64)

    def run(shift: float) -> PooledEstimate:
        moved = [
            replace(model, shift=base + float(shift) * where) if model.name == column else model
            for model in columns
        ]
        made = impute(
            values, moved, keys=keys, seed=seed, n_imputations=n_imputations, n_cycles=n_cycles, n_donors=n_donors,
            **options,
        )  # fmt: skip
        return pool_estimates(
            [analyse(completed(made, i)) for i in range(n_imputations)], df_complete=df_complete
        )

    return run


def _multiples(groups: Any, multiples: Mapping[Any, float], keys: Any) -> FloatArray:
    """Return the multiple of the shift of each row."""
    labels = np.asarray(groups, dtype=object)
    n = len(np.asarray(keys))
    if labels.shape != (n,):
        raise EstimationError(
            f"groups have shape {labels.shape}; give one for each of {n} rows", code="bad_shape"
        )
    lost = len(set(multiples) - set(labels.tolist()))
    if lost or not all(map(math.isfinite, multiples.values())):
        raise EstimationError(
            f"multiples: {lost} groups have no rows; multiples are finite and of groups that are there",
            code="unknown_group",
        )
    return np.array([float(multiples.get(label, 0.0)) for label in labels])


def _state(e: Estimate, target: float, reading: str) -> str:
    """Return on which side of the target an estimate is read."""
    low, high = (e.conf_low, e.conf_high) if reading == "interval" else (e.value, e.value)
    if low is None or high is None:
        return "not estimable"
    return "above" if low > target else "below" if high < target else "holds"


def _halved(
    analyse: Callable[[float], Estimate], near: float, far: float, start: str, target: float, reading: str,
    tolerance: float,
) -> float:  # fmt: skip
    """Narrow the step in which the reading changes; return its far end."""
    for _ in range(HALVINGS):
        if abs(far - near) <= tolerance:
            break
        middle = 0.5 * (near + far)
        if _state(analyse(middle), target, reading) == start:
            near = middle
        else:
            far = middle
    return far
