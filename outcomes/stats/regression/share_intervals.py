"""Intervals for shares of explained variation and for differences of two shares, by cluster bootstrap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import (
    FloatArray,
    check_level,
    check_matrix,
    check_outcome,
    check_weights,
    cluster_codes,
    clusters_of,
)
from outcomes.stats.regression.clusters import FEW_CLUSTERS
from outcomes.stats.regression.shares import (
    ExplainedShares,
    explained_shares,
    group_codes,
    shapley_coefficients,
    standardise_columns,
    subset_r2,
)
from outcomes.stats.resampling.bootstrap import BootstrapInterval, percentile_interval

# numbers held at a time: 64 MB of doubles
_BLOCK = 8_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareIntervals:
    """Corrected shares and differences of corrected shares, with intervals.

    Attributes
    ----------
    shares : ExplainedShares
        Shares of the data themselves, uncorrected ones among them.
    intervals : tuple of BootstrapInterval
        Corrected share of each group.
    differences : tuple of BootstrapInterval
        Corrected share of the first group of each pair minus that of the second.
    n_clusters : int
        Clusters drawn from.
    """

    shares: ExplainedShares
    intervals: tuple[BootstrapInterval, ...]
    differences: tuple[BootstrapInterval, ...]
    n_clusters: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a share and one row a difference."""
        return pd.concat([i.tidy() for i in (*self.intervals, *self.differences)], ignore_index=True)

    def __str__(self) -> str:
        """Return one sentence a share and a difference."""
        return "\n".join(str(i) for i in (*self.intervals, *self.differences))


def share_intervals(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    groups: Sequence[str],
    clusters: Any = None,
    weights: Any = None,
    differences: Sequence[tuple[str, str]] = (),
    n_boot: int = 2000,
    seed: int,
    level: float = 0.95,
) -> ShareIntervals:
    """Give corrected shares of explained variation and their differences an interval.

    Parameters
    ----------
    X, y, names, groups, weights
        As in :func:`outcomes.stats.regression.shares.explained_shares`.
    clusters : array_like, shape (n,), optional
        Cluster of each row (the patient, when patients have two wrists); clusters are drawn as a whole.
        Without it every row is its own.
    differences : sequence of pairs of group names
        Each first minus second.
    n_boot : int
        Resamples.
    seed : int
        Seed of the generator.
    level : float
        Confidence level.

    Returns
    -------
    ShareIntervals
        Shares as fractions of the variation of the outcome. A group that does not vary, and a difference
        with it, are not estimable; the others are unaffected.

    Raises
    ------
    EstimationError
        As explained_shares; a pair that names no group or one group twice; fewer than two clusters; too few
        resamples.

    Notes
    -----
    A resample of clusters is a weighted sum of their cross-products, so no resample goes back to the rows.
    A resampled share exceeds the share of the data for the same reason as the share of the data exceeds
    that of the population: noise is explained too. Percentile limits of resampled shares therefore sit too
    high by twice that excess. It is estimated as mean of the resampled shares minus the share of the data
    and taken off twice (Efron and Tibshirani, An Introduction to the Bootstrap, 1993, section 10.2, for
    the estimate of bias; centring of the limits is own work, checked by simulation). The excess follows
    the dependence within clusters and the size of R2, which the permutation mean does not.

    With no effect at all the bootstrap distribution is too wide (about three times the variance, as a share
    is then quadratic in the data): limits are conservative there, and no interval is exact. Limits may lie
    below 0. The p of a share is not given.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> X = rng.normal(size=(400, 2))
    >>> y = X[:, 0] + rng.normal(size=400)
    >>> r = share_intervals(X, y, names=["a", "b"], groups=["a", "b"], differences=[("a", "b")], seed=1)
    >>> [(round(d.estimate.conf_low, 2), round(d.estimate.conf_high, 2)) for d in r.differences]
    [(0.36, 0.51)]
    """
    check_level(level)
    shares = explained_shares(X, y, names=names, groups=groups, weights=weights)
    design, columns = check_matrix(X, names)
    weight = check_weights(weights, design.shape[0])
    used = weight > 0.0
    codes, n_clusters = cluster_codes(clusters_of(clusters, used), int(used.sum()))
    if n_boot < 1 or n_clusters < 2:
        raise EstimationError(
            f"{n_boot} resamples of {n_clusters} clusters; a cluster bootstrap needs at least 1 resample and "
            "2 clusters",
            code="too_few_clusters",
        )
    pairs = _positions(differences, shares.groups)
    scaled, _ = standardise_columns(design, check_outcome(y, design.shape[0]), weight)
    products = cluster_products(scaled[used], weight[used], codes, n_clusters)
    _, column_groups = group_codes(groups, columns)
    replicates = _replicates(products, column_groups, len(shares.groups), n_boot, seed)

    method = "cluster bootstrap" if clusters is not None else "bootstrap"
    if n_clusters < FEW_CLUSTERS:
        method = f"unreliable: {n_clusters} clusters; {method}"
    n = int(used.sum())

    def interval(combination: FloatArray, what: str) -> BootstrapInterval:
        lost = [g for g, c, df in zip(shares.groups, combination, shares.df, strict=True) if c and df == 0]
        draws, value = replicates @ combination, float(shares.corrected @ combination)
        excess = float(np.nanmean(draws) - shares.share @ combination) if np.isfinite(draws).any() else 0.0
        found = percentile_interval(
            draws - 2.0 * excess, value, level=level, contrast=what, n=n, method=method
        )
        if not lost:
            return found
        reason = f"{' and '.join(lost)} does not vary in the rows used"
        nothing = Estimate.not_estimable(reason, contrast=what, n=n, method=method)
        return replace(found, estimate=nothing, error_low=None, error_high=None)

    one = np.eye(len(shares.groups))
    return ShareIntervals(
        shares=shares,
        intervals=tuple(interval(one[j], f"share of {g}") for j, g in enumerate(shares.groups)),
        differences=tuple(
            interval(one[a] - one[b], f"share of {shares.groups[a]} minus share of {shares.groups[b]}")
            for a, b in pairs
        ),
        n_clusters=n_clusters,
    )


def cluster_products(rows: FloatArray, weight: FloatArray, codes: Any, n_clusters: int) -> FloatArray:
    """Return the cross-products of rows with a leading 1, summed within clusters.

    Parameters
    ----------
    rows : ndarray, shape (n, q)
        Columns and outcome.
    weight : ndarray, shape (n,)
        Weights.
    codes : ndarray of int, shape (n,)
        Number of the cluster of each row.
    n_clusters : int
        G.

    Returns
    -------
    ndarray, shape (G, (q + 1)(q + 2) / 2)
        Upper triangle row by row.

    Examples
    --------
    >>> cluster_products(np.array([[2.0], [3.0], [4.0]]), np.ones(3), np.array([0, 0, 1]), 2).tolist()
    [[2.0, 5.0, 13.0], [1.0, 4.0, 16.0]]
    """
    order = np.argsort(codes, kind="stable")
    sizes = np.bincount(codes, minlength=n_clusters)
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    full = np.column_stack([np.ones(len(rows)), rows])[order]
    weighted = full * weight[order][:, None]
    return np.concatenate(
        [np.add.reduceat(weighted[:, j : j + 1] * full[:, j:], starts, axis=0) for j in range(full.shape[1])],
        axis=1,
    )


def _replicates(products: FloatArray, column_groups: Any, k: int, n_boot: int, seed: int) -> FloatArray:
    """Return the shares of every resample, shape (B, k); NaN where the outcome does not vary."""
    n_clusters, size = products.shape
    q = int((np.sqrt(8 * size + 1) - 1) / 2)
    upper = np.triu_indices(q)
    generator = np.random.default_rng(seed)
    chance = np.full(n_clusters, 1.0 / n_clusters)
    shapley = shapley_coefficients(k)
    # with the last groups, 2^k sub-models of a few columns each stand side by side
    block = max(1, _BLOCK // max(n_clusters, q * q + (16 << k)))
    found = []
    for start in range(0, n_boot, block):
        drawn = generator.multinomial(n_clusters, chance, min(block, n_boot - start)).astype(np.float64)
        flat = drawn @ products
        gram = np.empty((len(flat), q, q))
        gram[:, upper[0], upper[1]] = flat
        gram[:, upper[1], upper[0]] = flat
        mean = gram[:, 0, 1:] / gram[:, :1, 0]
        centred = gram[:, 1:, 1:] - gram[:, 0, 1:, None] * mean[:, None, :]
        found.append(subset_r2(centred, column_groups, k)[0] @ shapley)
    return np.concatenate(found)


def _positions(pairs: Sequence[tuple[str, str]], groups: tuple[str, ...]) -> list[tuple[int, int]]:
    """Return the positions of the groups of each pair."""
    for pair in pairs:
        if len(pair) != 2 or pair[0] == pair[1] or not set(pair) <= set(groups):
            raise EstimationError(
                f"the difference {tuple(pair)} is not of two different groups; groups: {', '.join(groups)}",
                code="bad_pair",
            )
    return [(groups.index(a), groups.index(b)) for a, b in pairs]
