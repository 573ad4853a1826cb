"""Cross-fitting: predictions for each case from models that have not seen it or its cluster."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.arrays import FloatArray, IntArray, cluster_codes


def cluster_folds(clusters: Any, n_folds: int, *, seed: int) -> IntArray:
    """Return a fold for each case so that no cluster is in two folds.

    Parameters
    ----------
    clusters : array_like, shape (n,)
        Cluster of each row (the patient).
    n_folds : int
        From 2 to the number of clusters.
    seed : int
        Seed of the assignment.

    Returns
    -------
    ndarray of int, shape (n,)
        0 .. n_folds - 1; numbers of clusters differ by at most 1.

    Raises
    ------
    EstimationError
        Fewer clusters than folds, or fewer than two folds.

    Notes
    -----
    Source: Chiang, Kato, Ma and Sasaki (2022) J Bus Econ Stat 40:1046 (folds by cluster).

    Examples
    --------
    >>> folds = cluster_folds(["p", "p", "q", "r", "s"], 2, seed=1)
    >>> bool(folds[0] == folds[1]), np.bincount(folds[1:]).tolist()
    (True, [2, 2])
    """
    codes, g = cluster_codes(clusters, np.size(clusters))
    if not 2 <= n_folds <= g:
        raise EstimationError(f"{n_folds} folds for {g} clusters; give 2 to {g} folds", code="bad_choice")
    order = np.random.default_rng(seed).permutation(g)
    fold_of = np.empty(g, dtype=np.int64)
    fold_of[order] = np.arange(g) % n_folds
    return fold_of[codes]


def cross_fitted(
    fit: Callable[[IntArray, IntArray], FloatArray], folds: Any, *, clusters: Any = None
) -> FloatArray:
    """Return predictions for each case from models that have not seen its fold.

    Parameters
    ----------
    fit : callable
        Takes the row numbers to learn from and those to predict, and returns one prediction (or one row
        of predictions) for each of the latter.
    folds : array_like of int, shape (n,)
        Fold of each case, as from :func:`cluster_folds`.
    clusters : array_like, shape (n,), optional
        Refused when a cluster is in two folds.

    Returns
    -------
    ndarray, shape (n,) or (n, K)

    Raises
    ------
    EstimationError
        One fold only, a cluster in two folds, predictions of the wrong shape or not finite.

    Notes
    -----
    Source: Chernozhukov et al. (2018) Econometrics Journal 21:C1.

    Examples
    --------
    Each half is predicted by the mean of the other.

    >>> y = np.array([1.0, 3.0, 10.0, 20.0])
    >>> cross_fitted(lambda learn, held: np.full(len(held), y[learn].mean()), [0, 0, 1, 1]).tolist()
    [15.0, 15.0, 2.0, 2.0]
    """
    fold, n_folds = cluster_codes(folds, np.size(folds))
    if n_folds < 2:
        raise EstimationError("one fold; cross-fitting needs at least 2", code="bad_choice")
    if clusters is not None:
        codes, g = cluster_codes(clusters, len(fold))
        torn = g - int((np.bincount(np.unique(codes * n_folds + fold) // n_folds, minlength=g) == 1).sum())
        if torn:
            raise EstimationError(
                f"{torn} clusters are in more than one fold; use cluster_folds", code="torn_clusters"
            )
    parts = [np.flatnonzero(fold == k) for k in range(n_folds)]
    made = [np.asarray(fit(np.flatnonzero(fold != k), held), float) for k, held in enumerate(parts)]
    if any(
        len(np.atleast_1d(p)) != len(h) or not np.isfinite(p).all() for p, h in zip(made, parts, strict=True)
    ):
        raise EstimationError("fit must return one finite prediction for each held-out row", code="bad_shape")
    result = np.empty((len(fold), *made[0].shape[1:]))
    for held, values in zip(parts, made, strict=True):
        result[held] = values
    return result
