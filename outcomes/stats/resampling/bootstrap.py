"""Resampling of whole clusters, and intervals from replicates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_level, cluster_codes, floats

MAX_FAILED = 0.01
"""Share of failed replicates above which no interval is given (this project's choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BootstrapInterval:
    """A percentile interval with what it rests on.

    Attributes
    ----------
    estimate : Estimate
        Value from the data, limits and standard error from the replicates.
    n_replicates, n_failed : int
        Replicates asked for, and those without a value.
    error_low, error_high : float or None
        Monte Carlo standard error of each limit, in the unit of the estimate.
    """

    estimate: Estimate
    n_replicates: int
    n_failed: int
    error_low: float | None
    error_high: float | None

    def tidy(self) -> pd.DataFrame:
        """Return one row."""
        e = self.estimate
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error,
                    "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n,
                    "n_missing": e.n_missing, "n_replicates": self.n_replicates, "n_failed": self.n_failed,
                    "error_low": self.error_low, "error_high": self.error_high,
                }
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the estimate with its Monte Carlo error as a sentence."""
        if self.error_low is None or self.error_high is None:
            return str(self.estimate)
        return (
            f"{self.estimate}; Monte Carlo error of the limits {self.error_low:.2g} and {self.error_high:.2g}"
        )


def cluster_resamples(clusters: Any, n_boot: int, seed: int, *, strata: Any = None) -> IntArray:
    """Draw bootstrap resamples of whole clusters as row weights.

    Parameters
    ----------
    clusters : array_like, shape (n,)
        Cluster of each row; give row numbers when every row is its own.
    n_boot : int
        Number of resamples B.
    seed : int
        Seed of the generator.
    strata : array_like, shape (n,), optional
        Clusters are drawn within strata, so that each keeps its number of clusters. Constant within
        clusters.

    Returns
    -------
    ndarray of int, shape (B, n)
        How often each row's cluster was drawn.

    Raises
    ------
    EstimationError
        No resamples asked for, fewer than two clusters in all, missing clusters, a cluster that lies
        in two strata.

    Notes
    -----
    Sources: Davison and Hinkley, Bootstrap Methods and their Application (1997), sections 3.2 and
    3.8; Field and Welsh (2007) J R Stat Soc B 69:369-390 (clusters).

    Examples
    --------
    >>> w = cluster_resamples(["a", "a", "b", "c"], 1000, seed=1)
    >>> w.shape, bool((w[:, 0] == w[:, 1]).all()), bool((w[:, 1:].sum(axis=1) == 3).all())
    ((1000, 4), True, True)
    """
    n = int(np.size(clusters))
    codes, n_clusters = cluster_codes(clusters, n)
    if n_boot < 1 or n_clusters < 2:
        raise EstimationError(
            f"{n_boot} resamples of {n_clusters} clusters; a cluster bootstrap needs at least 1 resample and "
            "2 clusters",
            code="too_few_clusters",
        )
    groups = cluster_strata(codes, n_clusters, strata)
    generator = np.random.default_rng(seed)
    counts = np.zeros((n_boot, n_clusters), dtype=np.int64)
    for group in np.unique(groups):
        members = np.flatnonzero(groups == group)
        counts[:, members] = generator.multinomial(
            len(members), np.full(len(members), 1 / len(members)), n_boot
        )
    return np.ascontiguousarray(counts[:, codes])


def percentile_interval(
    replicates: Any,
    value: float,
    *,
    level: float = 0.95,
    contrast: str = "",
    unit: str = "",
    n: int = 0,
    n_missing: int = 0,
    method: str = "cluster bootstrap",
) -> BootstrapInterval:
    """Return the percentile interval of bootstrap replicates.

    Parameters
    ----------
    replicates : array_like, shape (B,)
        Replicates of the statistic; NaN where a replicate failed.
    value : float
        The statistic on the data themselves.
    level : float
        Confidence level.
    contrast, unit, n, n_missing, method
        Carried into the estimate.

    Returns
    -------
    BootstrapInterval
        Failed replicates are counted; above 1 % of them there is a value but no interval, because
        what fails is not random. p is not given: a percentile interval has no test of its own.

    Raises
    ------
    EstimationError
        A bad level, fewer replicates than the limits can be read from (ten beyond each), or a value
        that is not finite.

    Notes
    -----
    Monte Carlo error of a limit: half the distance between the order statistics one binomial
    standard error to either side. Sources: Efron and Tibshirani, An Introduction to the Bootstrap
    (1993), section 13.3; David and Nagaraja, Order Statistics, 3rd ed. (2003), section 7.1.

    Examples
    --------
    >>> r = percentile_interval(np.arange(1.0, 1000.0), 500.0, contrast="a minus b", unit="kg")
    >>> round(r.estimate.conf_low, 9), round(r.estimate.conf_high, 9)
    (25.0, 975.0)
    """
    check_level(level)
    draws = floats(replicates, "the replicates")
    needed = int(np.ceil(20.0 / (1.0 - level)))
    if draws.ndim != 1 or len(draws) < needed or not np.isfinite(value):
        raise EstimationError(
            f"replicates of shape {draws.shape}; a {level * 100:g} % interval needs a row of at least "
            f"{needed} replicates and a finite value",
            code="too_few_replicates",
        )
    good = np.sort(draws[np.isfinite(draws)])
    n_failed = len(draws) - len(good)
    method = f"{method}, percentile interval, {len(draws)} replicates"
    if n_failed:
        method += f", {n_failed} failed"
    if n_failed > MAX_FAILED * len(draws):
        estimate = Estimate(
            value=value, conf_low=None, conf_high=None, level=level, contrast=contrast, unit=unit, n=n,
            n_missing=n_missing, method=method,
            reason=f"{n_failed} of {len(draws)} bootstrap replicates failed, more than {MAX_FAILED:.0%}",
        )  # fmt: skip
        return BootstrapInterval(
            estimate=estimate, n_replicates=len(draws), n_failed=n_failed, error_low=None, error_high=None
        )
    low, error_low = limit_at(good, 0.5 - level / 2)
    high, error_high = limit_at(good, 0.5 + level / 2)
    estimate = Estimate(
        value=value, conf_low=low, conf_high=high, level=level, std_error=float(good.std(ddof=1)),
        contrast=contrast, unit=unit, n=n, n_missing=n_missing, method=method,
    )  # fmt: skip
    return BootstrapInterval(
        estimate=estimate,
        n_replicates=len(draws),
        n_failed=n_failed,
        error_low=error_low,
        error_high=error_high,
    )


def cluster_strata(codes: IntArray, n_clusters: int, strata: Any) -> IntArray:
    """Return the stratum of each cluster.

    Raises
    ------
    EstimationError
        A cluster that lies in two strata.

    Examples
    --------
    >>> cluster_strata(np.array([0, 0, 1]), 2, ["old", "old", "young"])
    array([0, 1])
    """
    if strata is None:
        return np.zeros(n_clusters, dtype=np.int64)
    stratum, _ = cluster_codes(strata, len(codes))
    of_cluster = np.zeros(n_clusters, dtype=np.int64)
    of_cluster[codes] = stratum
    n_split = len(np.unique(codes[of_cluster[codes] != stratum]))
    if n_split:
        raise EstimationError(
            f"{n_split} clusters lie in more than one stratum; strata must be constant within clusters",
            code="split_cluster",
        )
    return of_cluster


def limit_at(ordered: FloatArray, probability: float) -> tuple[float, float]:
    """Return the quantile of ordered replicates at rank p (B + 1) and its Monte Carlo standard error.

    Examples
    --------
    >>> value, error = limit_at(np.arange(1.0, 1000.0), 0.025)
    >>> round(value, 9), round(error, 2)
    (25.0, 4.93)
    """
    b = len(ordered)

    def at(rank: float) -> float:
        return float(np.interp(rank, np.arange(1, b + 1), ordered))

    rank = probability * (b + 1)
    spread = float(np.sqrt(b * probability * (1.0 - probability)))
    return at(rank), 0.5 * (at(rank + spread) - at(rank - spread))
