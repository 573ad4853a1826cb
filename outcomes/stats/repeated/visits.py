"""Groups followed over visits: a design with one mean for each group and visit, and the contrasts asked of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_matrix


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VisitDesign:
    """One column for each group and visit, then covariates.

    Attributes
    ----------
    X : ndarray, shape (n, p)
    names : tuple of str, length p
        ``"group, visit"``, then the covariates.
    groups, visits : tuple of str
        Levels in order.
    counts : ndarray of int, shape (groups, visits)
        Rows of each cell.
    """

    X: FloatArray
    names: tuple[str, ...]
    groups: tuple[str, ...]
    visits: tuple[str, ...]
    counts: IntArray

    def tidy(self) -> pd.DataFrame:
        """Return the rows of each group and visit."""
        return pd.DataFrame(
            [
                {"group": group, "visit": visit, "n": int(self.counts[g, v])}
                for g, group in enumerate(self.groups)
                for v, visit in enumerate(self.visits)
            ]
        )

    def __str__(self) -> str:
        """Return the design as a sentence."""
        return f"{len(self.groups)} groups at {len(self.visits)} visits, {int(self.counts.sum())} rows"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VisitContrasts:
    """Contrasts of a visit design.

    Attributes
    ----------
    rows : ndarray, shape (m, p)
        For :func:`outcomes.stats.repeated.mixed.mixed_contrast` or :func:`outcomes.stats.regression.contrasts.linear_contrast`.
    labels : tuple of str, length m
    """

    rows: FloatArray
    labels: tuple[str, ...]


def visit_design(
    group: Any,
    visit: Any,
    *,
    groups: Sequence[str],
    visits: Sequence[str],
    covariates: Any = None,
    covariate_names: Sequence[str] = (),
) -> VisitDesign:
    """Return a design with one mean for each group and visit.

    Parameters
    ----------
    group, visit : array_like, shape (n,)
        Of each row measured.
    groups, visits : sequence of str
        Levels in order.
    covariates : array_like, shape (n, k), optional
        The same at all visits of a subject; centred here, so that a cell is the mean at average covariates.
    covariate_names : sequence of str, length k
        Names of the covariates.

    Returns
    -------
    VisitDesign

    Raises
    ------
    EstimationError
        Levels that are missing or not declared (counted), a group without a row at some visit (named).

    Notes
    -----
    Source: Fitzmaurice, Laird and Ware, Applied Longitudinal Analysis, 2nd ed. (2011), chapter 5 (response profiles).

    Examples
    --------
    >>> design = visit_design(list("aabb"), [0, 1, 0, 1], groups=["a", "b"], visits=["0", "1"])
    >>> design.names
    ('a, 0', 'a, 1', 'b, 0', 'b, 1')
    """
    arms, times = tuple(map(str, groups)), tuple(map(str, visits))
    g, v = _level_codes(group, arms, "group"), _level_codes(visit, times, "visit")
    if len(g) != len(v):
        raise EstimationError(
            f"{len(g)} groups for {len(v)} visits; give one of each a row", code="bad_shape"
        )
    cell = g * len(times) + v
    counts = np.bincount(cell, minlength=len(arms) * len(times)).reshape(len(arms), len(times))
    empty = [f"{arms[i]} at {times[j]}" for i, j in np.argwhere(counts == 0)]
    if empty:
        raise EstimationError(
            f"no rows of {', '.join(empty)}; leave that visit or group out", code="empty_group"
        )
    X = np.eye(counts.size)[cell]
    names = tuple(f"{arm}, {time}" for arm in arms for time in times)
    if covariates is not None:
        extra, extra_names = check_matrix(covariates, covariate_names)
        if len(extra) != len(X):
            raise EstimationError(f"{len(extra)} rows of covariates for {len(X)} rows", code="bad_shape")
        X, names = np.hstack([X, extra - extra.mean(axis=0)]), names + extra_names
    return VisitDesign(X=X, names=names, groups=arms, visits=times, counts=counts)


def visit_contrasts(
    design: VisitDesign, first: str, second: str, *, baseline: str | None = None
) -> VisitContrasts:
    """Return the contrasts of two groups at each visit, and of their changes from baseline.

    Parameters
    ----------
    design : VisitDesign
        From :func:`visit_design`.
    first, second : str
        First minus second.
    baseline : str, optional
        A visit; then the changes from it are compared too, and given for either group.

    Returns
    -------
    VisitContrasts

    Raises
    ------
    EstimationError
        A group or visit that is not in the design.

    Notes
    -----
    Source: Fitzmaurice, Laird and Ware, Applied Longitudinal Analysis, 2nd ed. (2011), chapter 5.

    Examples
    --------
    >>> design = visit_design(list("aabb"), [0, 1, 0, 1], groups=["a", "b"], visits=["0", "1"])
    >>> found = visit_contrasts(design, "b", "a", baseline="0")
    >>> found.labels[2], found.rows[2].tolist()
    ('b minus a, change from 0 to 1', [1.0, -1.0, -1.0, 1.0])
    """
    for name, allowed in ((first, design.groups), (second, design.groups), (baseline, design.visits)):
        if name is not None and name not in allowed:
            raise EstimationError(f"{name!r} is not one of {', '.join(allowed)}", code="unknown_group")
    if first == second:
        raise EstimationError("first and second are the same group; name two", code="unknown_group")

    def cell(group: str, visit: str) -> FloatArray:
        row = np.zeros(len(design.names))
        row[design.groups.index(group) * len(design.visits) + design.visits.index(visit)] = 1.0
        return row

    both = f"{first} minus {second}"
    rows = [cell(first, visit) - cell(second, visit) for visit in design.visits]
    labels = [f"{both}, {visit}" for visit in design.visits]
    later = [visit for visit in design.visits if baseline is not None and visit != baseline]
    change = {
        (arm, visit): cell(arm, visit) - cell(arm, str(baseline))
        for arm in (first, second)
        for visit in later
    }
    rows += [change[first, visit] - change[second, visit] for visit in later]
    labels += [f"{both}, change from {baseline} to {visit}" for visit in later]
    rows += list(change.values())
    labels += [f"{arm}, change from {baseline} to {visit}" for arm, visit in change]
    return VisitContrasts(rows=np.array(rows), labels=tuple(labels))


def _level_codes(values: Any, levels: tuple[str, ...], what: str) -> Any:
    """Return each row's level as a number, or refuse it."""
    given = pd.Series(np.asarray(values, dtype=object).ravel(), dtype=object)
    if len(levels) < 1 or len(set(levels)) != len(levels):
        raise EstimationError(f"the levels of {what} must be named once each", code="bad_levels")
    missing = given.isna()
    codes = given.astype(str).map({name: j for j, name in enumerate(levels)}).fillna(-1)
    bad = int((missing | (codes < 0)).sum())
    if bad:
        raise EstimationError(
            f"{bad} rows have a {what} that is missing or not among {', '.join(levels)}; leave those rows out first "
            "and count them",
            code="unknown_group",
        )
    return np.asarray(codes, dtype=np.int64)
