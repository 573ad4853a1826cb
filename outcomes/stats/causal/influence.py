"""Estimates and errors from influence values: what each case adds to the error of an average."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_level, cluster_codes, floats
from outcomes.stats.numerics.inputs import two_sided_p
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.regression.clusters import FEW_CLUSTERS

# a standard error this small beside the influence values it is summed from is rounding, not spread
_NO_SPREAD = 1e-12


def influence_covariance(influence: Any, clusters: Any = None) -> FloatArray:
    """Return the cluster-robust covariance of estimates from their influence values.

    Parameters
    ----------
    influence : array_like, shape (n,) or (n, m)
        What each case adds to the error of each of m estimates; the columns sum to about 0.
    clusters : array_like, shape (n,), optional
        Cluster of each row; every row its own otherwise.

    Returns
    -------
    ndarray, shape (m, m)
        G/(G-1) times the sum over clusters of the products of cluster totals.

    Raises
    ------
    EstimationError
        Fewer than two clusters, missing or infinite values.

    Notes
    -----
    Sources: Hampel (1974) J Am Stat Assoc 69:383; Liang and Zeger (1986) Biometrika 73:13 for totals by
    cluster.

    Examples
    --------
    A mean of 1, 2, 3, 4: each deviation over n, and the variance over n.

    >>> deviations = (np.arange(1.0, 5.0) - 2.5) / 4
    >>> influence_covariance(deviations).round(12).tolist()
    [[0.416666666667]]
    """
    table = floats(influence, "the influence values")
    table = table[:, None] if table.ndim == 1 else table
    codes, n_clusters = cluster_codes(clusters, table.shape[0])
    if n_clusters < 2:
        raise EstimationError(
            f"{n_clusters} cluster in {table.shape[0]} rows; an error needs at least 2, so cluster at a lower level",
            code="too_few_clusters",
        )
    if not np.isfinite(table).all():
        raise EstimationError("influence values that are missing or infinite", code="not_finite")
    if clusters is not None:
        totals = np.zeros((n_clusters, table.shape[1]))
        np.add.at(totals, codes, table)
        table = totals
    return np.asarray(n_clusters / (n_clusters - 1) * (table.T @ table))


def influence_estimates(
    values: Any,
    influence: FloatArray,
    *,
    clusters: Any = None,
    level: float = 0.95,
    labels: Sequence[str],
    unit: str = "",
    n: Sequence[int],
    n_missing: int = 0,
    method: str = "",
    used: Any = None,
    reasons: Sequence[str] | None = None,
) -> tuple[Estimate, ...]:
    """Turn values and their influence values into estimates with intervals.

    Parameters
    ----------
    values : array_like, shape (m,)
        Estimates.
    influence : ndarray, shape (n, m)
        As for :func:`influence_covariance`.
    clusters : array_like, shape (n,), optional
        Cluster of each row.
    level : float
        Confidence level.
    labels, n : sequences of length m
        What is subtracted from what; cases each estimate speaks for.
    unit, n_missing, method
        Carried along; the method gains the kind of error, and a caution under ten clusters.
    used : array_like of bool, shape (n, m), optional
        Rows that each estimate rests on; G counts their clusters. All rows otherwise.
    reasons : sequence of str, length m, optional
        Where not empty, there is no estimate, and this is why.

    Returns
    -------
    tuple of Estimate
        Student's t with G - 1 degrees of freedom. A value without any spread keeps no interval.

    Raises
    ------
    EstimationError
        As :func:`influence_covariance`; a bad level.

    Notes
    -----
    G - 1 is common practice for an error by cluster; with many clusters it is the normal.
    Source: Cameron and Miller (2015) J Human Resources 50:317, section VI.

    Examples
    --------
    >>> deviations = (np.arange(1.0, 5.0) - 2.5)[:, None] / 4
    >>> e = influence_estimates([2.5], deviations, labels=["mean"], n=[4])[0]
    >>> e.value, round(e.std_error ** 2, 6), e.df
    (2.5, 0.416667, 3.0)
    """
    check_level(level)
    variances = np.diag(influence_covariance(influence, clusters))
    codes, n_clusters = cluster_codes(clusters, len(influence))
    kind = "errors by cluster" if clusters is not None else "robust errors"
    size = np.abs(influence).sum(axis=0)
    made = []
    for j, value in enumerate(np.asarray(values, dtype=np.float64)):
        g = n_clusters if used is None else max(len(np.unique(codes[np.asarray(used)[:, j]])), 2)
        named = f"{method}, {kind}, t with G - 1 df" + (
            f"; unreliable: {g} clusters" if g < FEW_CLUSTERS else ""
        )
        quantile = float(t_quantile(0.5 + level / 2, g - 1))
        common: dict[str, Any] = {
            "contrast": labels[j], "unit": unit, "n": int(n[j]), "n_missing": n_missing, "method": named,
        }  # fmt: skip
        if reasons is not None and reasons[j]:
            made.append(Estimate.not_estimable(reasons[j], **common))
            continue
        point = float(value)
        error = float(np.sqrt(variances[j] * (g / (g - 1)) / (n_clusters / (n_clusters - 1))))
        if error <= _NO_SPREAD * max(size[j], abs(point)):
            why = "no spread is left to judge this value by"
            made.append(
                Estimate(value=point, conf_low=None, conf_high=None, level=level, reason=why, **common)
            )
            continue
        made.append(
            Estimate(
                value=point, conf_low=point - quantile * error, conf_high=point + quantile * error, level=level,
                std_error=error, df=float(g - 1), p_value=two_sided_p(point / error, g - 1), **common,
            )
        )  # fmt: skip
    return tuple(made)


def contrasted(
    levels: tuple[str, ...], pairs: Sequence[tuple[str, str]] | None
) -> tuple[tuple[int, int], ...]:
    """Return pairs of level positions, first minus second; every pair, later minus earlier, for None.

    Raises
    ------
    EstimationError
        Unknown levels, a level against itself, or no pair at all.

    Examples
    --------
    >>> contrasted(("a", "b", "c"), None), contrasted(("a", "b", "c"), [("a", "c")])
    (((1, 0), (2, 0), (2, 1)), ((0, 2),))
    """
    if pairs is None:
        return tuple((b, a) for a, b in combinations(range(len(levels)), 2))
    unknown = sorted({str(name) for pair in pairs for name in pair} - set(levels))
    if unknown or not pairs or any(len(pair) != 2 or str(pair[0]) == str(pair[1]) for pair in pairs):
        raise EstimationError(
            f"pairs: give two different levels in each, out of {', '.join(levels)}", code="unknown_group"
        )
    return tuple((levels.index(str(a)), levels.index(str(b))) for a, b in pairs)


def thin_level(name: str, clusters: IntArray) -> str:
    """Say that a level has too few clusters to judge its spread by; empty when it has enough.

    Examples
    --------
    >>> thin_level("cast", np.array([3, 3]))
    'fewer than 2 clusters of cases with the level cast'
    """
    few = len(np.unique(clusters)) < 2
    return f"fewer than 2 clusters of cases with the level {name}" if few else ""
