"""Cross-fitting: predictions for each case from models that have not seen it or its cluster."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, IntArray, cluster_codes
from outcomes.stats.numerics.inputs import two_sided_p
from outcomes.stats.numerics.student import t_quantile


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


def median_of_repeats(repeats: Sequence[Estimate]) -> Estimate:
    """Return the median of estimates of one contrast that differ by their folds only.

    Parameters
    ----------
    repeats : sequence of Estimate
        One for each repeat (five are usual), all of the same contrast, unit and level.

    Returns
    -------
    Estimate
        Median value; variance the median of each repeat's variance plus its squared distance from that
        value, so that disagreement between folds widens the interval; the fewest degrees of freedom.
        Not estimable when a repeat is not, with its reason.

    Raises
    ------
    EstimationError
        No repeats, or repeats of different contrasts, units or levels.

    Notes
    -----
    Source: Chernozhukov et al. (2018) Econometrics Journal 21:C1, section 3.4 (from memory).

    Examples
    --------
    Values 1, 2, 4 with error 1: variances 2, 1 and 5 about the median 2.

    >>> given = [
    ...     Estimate(value=v, conf_low=v - 2, conf_high=v + 2, std_error=1.0, df=30.0) for v in (1.0, 2.0, 4.0)
    ... ]
    >>> e = median_of_repeats(given)
    >>> e.value, round(e.std_error ** 2, 9)
    (2.0, 2.0)
    """
    if not repeats or len({(e.contrast, e.unit, e.level) for e in repeats}) > 1:
        raise EstimationError(
            f"{len(repeats)} repeats of more than one contrast, unit or level, or none; give repeats of one contrast",
            code="bad_shape",
        )
    first = repeats[0]
    common: dict[str, Any] = {
        "contrast": first.contrast, "unit": first.unit, "n": first.n, "n_missing": first.n_missing,
        "method": f"{first.method}; median of {len(repeats)} repeats",
    }  # fmt: skip
    values, errors = [e.value for e in repeats], [e.std_error for e in repeats]
    failed = next((e for e in repeats if e.value is None or e.std_error is None), None)
    if failed is not None:
        return Estimate.not_estimable(f"a repeat has no value or no error: {failed.reason}", **common)
    value = float(np.median(np.array(values, dtype=np.float64)))
    squares = np.square(np.array(errors, float)) + np.square(np.array(values, float) - value)
    error = float(np.sqrt(np.median(squares)))
    df = min(np.inf if e.df is None else e.df for e in repeats)
    if not error > 0.0:
        reason = "no spread is left to judge this value by"
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=first.level, reason=reason, **common
        )
    half = float(t_quantile(0.5 + first.level / 2, df)) * error
    return Estimate(
        value=value, conf_low=value - half, conf_high=value + half, level=first.level, std_error=error,
        df=None if np.isinf(df) else df, p_value=two_sided_p(value / error, df), **common,
    )  # fmt: skip
