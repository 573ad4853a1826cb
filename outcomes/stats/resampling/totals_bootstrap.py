"""Bootstrap of anything that is computed from totals: means, ratios, correlations, and their differences.

A replicate needs only how often each distinct unit was drawn, and the jackknife only the totals without one unit, so that
the cost is linear in the rows and, for values recorded in steps, follows the distinct values instead.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import (
    FloatArray,
    IntArray,
    check_choice,
    check_level,
    cluster_codes,
    floats,
)
from outcomes.stats.numerics.inputs import sample
from outcomes.stats.resampling.bca import bca_interval, jackknife
from outcomes.stats.resampling.bootstrap import BootstrapInterval, cluster_strata, percentile_interval
from outcomes.stats.resampling.draws import draw_counts

Interval = Literal["BCa", "percentile"]
Statistic = Callable[[FloatArray], Any]

_CELLS = 4_000_000  # counts held at once


def bootstrap_totals(
    columns: Any,
    statistic: Statistic,
    *,
    clusters: Any = None,
    strata: Any = None,
    n_boot: int = 2000,
    seed: int,
    interval: Interval = "BCa",
    level: float = 0.95,
    contrast: str = "",
    unit: str = "",
    n_missing: int = 0,
) -> BootstrapInterval:
    """Bootstrap a statistic of the column totals, drawing rows or whole clusters.

    Parameters
    ----------
    columns : array_like, shape (n, q)
        What is to be added up over rows; a column of ones gives the number of rows.
    statistic : callable
        Takes totals of shape (B, q) and returns shape (B,); NaN where there is no value.
    clusters : array_like, shape (n,), optional
        Whole clusters are drawn; every row its own otherwise.
    strata : array_like, shape (n,), optional
        Drawn within strata, each keeping its number of units.
    n_boot : int
        Replicates.
    seed : int
    interval : {"BCa", "percentile"}
    level : float
    contrast, unit, n_missing
        Carried into the estimate.

    Returns
    -------
    BootstrapInterval
        Failed replicates are counted; above 1 % of them there is no interval. BCa falls back to percentiles as
        :func:`outcomes.stats.resampling.bca.bca_interval` says, and where the statistic does not exist without some one unit.

    Raises
    ------
    EstimationError
        Bad input; a statistic without a value on the data; one that returns the wrong shape.

    Notes
    -----
    Sources: Efron and Tibshirani, An Introduction to the Bootstrap (1993), chapters 6 and 14; Davison and Hinkley
    (1997), sections 3.2 (strata) and 3.8 (clusters). Own code, because the usual implementation forms all n samples
    without one row: n squared numbers, 44 GiB at 100,000 rows.

    Examples
    --------
    The mean of ten values, from their sum and their number:

    >>> x = np.array([1.0, 2, 2, 3, 3, 3, 4, 4, 5, 13])
    >>> found = bootstrap_totals(np.column_stack([x, np.ones(10)]), lambda t: t[:, 0] / t[:, 1], seed=1, unit="kg")
    >>> found.estimate.value, bool(abs(found.estimate.std_error - x.std() / 10**0.5) < 0.05)
    (4.0, True)
    """
    table = floats(columns, "the columns")
    check_level(level)
    check_choice(interval, get_args(Interval), "interval")
    if table.ndim != 2 or 0 in table.shape or not np.isfinite(table).all() or n_boot < 1:
        raise EstimationError(
            f"columns of shape {table.shape} with {int((~np.isfinite(table)).sum())} missing or infinite values, "
            f"{n_boot} replicates; give finite numbers of shape (n, q) and at least 1 replicate",
            code="bad_shape",
        )
    n = len(table)
    codes, n_units = cluster_codes(clusters, n)
    if n_units < 2:
        raise EstimationError(f"{n_units} cluster; a bootstrap needs at least 2", code="too_few_clusters")
    stratum = cluster_strata(codes, n_units, strata)
    units = table if clusters is None else _sums(codes, n_units, table)
    distinct, of_stratum, counts = _distinct(
        units, stratum if strata is None else _sorted(codes, stratum, strata)
    )
    whole = counts @ distinct
    value = float(_values(statistic, whole[None])[0])
    if not np.isfinite(value):
        raise EstimationError("the statistic has no value on the data themselves", code="not_finite")
    generator = np.random.default_rng(seed)
    totals = np.zeros((n_boot, units.shape[1]))
    for s in np.unique(of_stratum):
        here = of_stratum == s
        totals += _drawn_totals(distinct[here], counts[here], n_boot, generator)
    replicates = _values(statistic, totals)
    given: dict[str, Any] = {
        "level": level, "contrast": contrast, "unit": unit, "n": n, "n_missing": n_missing,
        "method": "bootstrap" if clusters is None else "cluster bootstrap",
    }  # fmt: skip
    if interval == "percentile":
        return percentile_interval(replicates, value, **given)
    without = _values(statistic, whole - distinct)
    if not np.isfinite(without).all() or (np.bincount(stratum) < 2).any():
        given["method"] += ", limits not corrected (no value without some one unit)"
        return percentile_interval(replicates, value, **given)
    return bca_interval(replicates, value, jackknife(without, strata=of_stratum, counts=counts), **given)


def bootstrap_mean_difference(
    a: Any,
    b: Any,
    *,
    n_boot: int = 2000,
    seed: int,
    interval: Interval = "BCa",
    level: float = 0.95,
    contrast: str = "a minus b",
    unit: str = "",
) -> BootstrapInterval:
    """Bootstrap the difference of two means, drawing within each group.

    Parameters
    ----------
    a, b : array_like, shape (n,)
        Values of each group; NaN counts as missing.
    n_boot, seed, interval, level, contrast, unit
        As for :func:`bootstrap_totals`.

    Returns
    -------
    BootstrapInterval

    Raises
    ------
    EstimationError
        A group with fewer than two values, or bad input.

    Notes
    -----
    Patients with a case in either group, or several: give totals and `clusters` to :func:`bootstrap_totals`.
    Source: Efron and Tibshirani (1993), chapters 8 and 14.

    Examples
    --------
    >>> a, b = np.arange(20.0), np.arange(20.0) / 2
    >>> found = bootstrap_mean_difference(a, b, seed=1, unit="kg")
    >>> found.estimate.value, found.estimate.conf_low < 4.75 < found.estimate.conf_high
    (4.75, True)
    """
    (first, missing_a), (second, missing_b) = sample(a, "a"), sample(b, "b")
    if min(len(first), len(second)) < 2:
        raise EstimationError(
            f"{len(first)} and {len(second)} values; each group needs at least 2", code="too_few_values"
        )
    one = np.repeat([1.0, 0.0], [len(first), len(second)])
    values = np.concatenate([first, second])
    columns = np.column_stack([one * values, one, (1 - one) * values, 1 - one])
    return bootstrap_totals(
        columns, lambda t: t[:, 0] / t[:, 1] - t[:, 2] / t[:, 3], strata=1 - one, n_boot=n_boot, seed=seed,
        interval=interval, level=level, contrast=contrast, unit=unit, n_missing=missing_a + missing_b,
    )  # fmt: skip


def _sorted(codes: IntArray, stratum: IntArray, strata: Any) -> IntArray:
    """Return the stratum of each unit, numbered by the order of the labels and not by that of the rows."""
    labels = np.asarray(strata)
    first = np.unique(stratum[codes], return_index=True)[1]
    place = np.argsort(
        labels[first].astype(str) if labels.dtype.kind == "O" else labels[first], kind="stable"
    )
    rank = np.empty(len(place), dtype=np.int64)
    rank[place] = np.arange(len(place))
    return rank[stratum]


def _sums(codes: IntArray, n_units: int, table: FloatArray) -> FloatArray:
    """Return the totals of each cluster."""
    # sorted, so that the order of rows within a cluster does not reach the last digit
    order = np.lexsort((*table.T, codes))
    return np.column_stack(
        [np.bincount(codes[order], column, minlength=n_units) for column in table[order].T]
    )


def _values(statistic: Statistic, totals: FloatArray) -> FloatArray:
    """Return the statistic of each row of totals; NaN and infinity are no value."""
    with np.errstate(divide="ignore", invalid="ignore"):
        values = np.asarray(statistic(totals), dtype=np.float64)
    if values.shape != (len(totals),):
        raise EstimationError(
            f"the statistic returns shape {values.shape} for totals of shape {totals.shape}; it must return one "
            "value a row",
            code="bad_shape",
        )
    return np.where(np.isfinite(values), values, np.nan)


def _distinct(units: FloatArray, stratum: IntArray) -> tuple[FloatArray, IntArray, IntArray]:
    """Return distinct units, their strata and how many there are, in an order that the row order cannot change."""
    keyed = np.column_stack([stratum.astype(np.float64), units])
    order = np.lexsort(keyed.T[::-1])
    keyed = keyed[order]
    new = np.append(True, (keyed[1:] != keyed[:-1]).any(axis=1))
    counts = np.diff(np.append(np.flatnonzero(new), len(keyed)))
    return keyed[new, 1:], keyed[new, 0].astype(np.int64), counts


def _drawn_totals(
    distinct: FloatArray, counts: IntArray, n_boot: int, generator: np.random.Generator
) -> FloatArray:
    """Return the totals of each replicate of one stratum."""
    n, n_distinct = int(counts.sum()), len(counts)
    totals = np.empty((n_boot, distinct.shape[1]))
    step, first = max(1, _CELLS // n), np.append(0, np.cumsum(counts)[:-1])
    for start in range(0, n_boot, step):
        size = min(step, n_boot - start)
        drawn: NDArray[Any]
        if 4 * n_distinct <= n:  # few distinct values: draw how often each comes
            drawn = generator.multinomial(n, counts / n, size=size)
        else:
            units = draw_counts(np.zeros(n, dtype=np.int64), size, generator)
            drawn = units if n_distinct == n else np.add.reduceat(units, first, axis=1)
        totals[start : start + size] = drawn @ distinct
    return totals
