"""Marginal risk differences with few events: penalised fits of resamples in place of the delta method.

With few events in an arm the delta method needs a model that may not exist (separation). Here every resample of
whole clusters is refitted with Firth's penalty, its intercept corrected, and averaged anew. Where the delta
method exists it holds its level better than the percentile interval does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_matrix, floats
from outcomes.stats.regression.firth import fit_firth
from outcomes.stats.regression.firth_resamples import fit_firth_resamples
from outcomes.stats.resampling.bootstrap import BootstrapInterval, cluster_resamples, percentile_interval

METHOD = "standardised risks, Firth logistic regression, cluster bootstrap"
CHUNK = 4_000_000  # fitted risks held at once


def bootstrap_risk_contrasts(
    X: Any,
    y: Any,
    designs: Any,
    C: Any,
    *,
    names: Sequence[str],
    seed: int,
    clusters: Any = None,
    n_boot: int = 1000,
    level: float = 0.95,
    labels: Sequence[str] | None = None,
    sampled: bool = True,
    n_missing: int = 0,
) -> tuple[BootstrapInterval, ...]:
    """Estimate contrasts of standardised risks with percentile intervals over resamples of clusters.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design of the regression, with its intercept column.
    y : array_like, shape (n,)
        Outcome, 0 or 1.
    designs : array_like, shape (k, n, p)
        The same cases with the exposure columns set to one value, for each of k exposures.
    C : array_like, shape (m, k)
        One contrast of the k risks a row, e.g. ``[[1, -1]]``.
    names : sequence of str, length p
        Column names.
    seed : int
        Of the resamples.
    clusters : array_like, shape (n,), optional
        Patients, where they can have several cases; each case its own by default.
    n_boot : int
        Resamples; an interval needs ten beyond each limit.
    level : float
        Confidence level.
    labels : sequence of str, length m, optional
        What is subtracted from what.
    sampled : bool
        Whether the cases averaged over are a sample from the population spoken of; then each resample
        averages over its own cases.
    n_missing : int
        Carried along.

    Returns
    -------
    tuple of BootstrapInterval
        In percentage points; failed resamples are counted, over 1 % of them leave a value without limits.

    Raises
    ------
    EstimationError
        Arrays of the wrong shape, too few resamples, a model that cannot be fitted to the whole data.

    Notes
    -----
    Coverage against the delta method: docs/validation/proportions.md. Sources: Firth (1993) Biometrika
    80:27-38; Puhr et al. (2017) Stat Med 36:2302-2317; Field and Welsh (2007) J R Stat Soc B 69:369-390.

    Examples
    --------
    One column: the intercept correction makes the mean of both risks the observed 2 of 20 events.

    >>> X = np.column_stack([np.ones(20), np.repeat([0.0, 1.0], 10)])
    >>> y = np.repeat([0.0, 1.0, 0.0], [10, 2, 8])
    >>> set_to = [np.column_stack([np.ones(20), np.full(20, value)]) for value in (0.0, 1.0)]
    >>> found = bootstrap_risk_contrasts(
    ...     X, y, set_to, [[-1, 1], [0.5, 0.5]], names=["intercept", "nail"], n_boot=400, seed=1
    ... )
    >>> round(found[1].estimate.value, 6)
    10.0
    """
    design, columns = check_matrix(X, names)
    blocks = floats(designs, "the designs")
    rows = np.atleast_2d(floats(C, "the contrasts"))
    if blocks.ndim != 3 or blocks.shape[1:] != design.shape or not np.isfinite(blocks).all():
        raise EstimationError(
            f"the designs have shape {blocks.shape}; give finite values of shape (k, {design.shape[0]}, "
            f"{design.shape[1]}), the cases of the regression with the exposure set",
            code="bad_shape",
        )
    if rows.ndim != 2 or rows.shape[1] != len(blocks) or not np.isfinite(rows).all():
        raise EstimationError(
            f"the contrasts have shape {rows.shape}; give finite numbers of shape (m, {len(blocks)})",
            code="bad_shape",
        )
    said = tuple(labels) if labels is not None else tuple(f"contrast {i + 1}" for i in range(len(rows)))
    if len(said) != len(rows):
        raise EstimationError(f"{len(said)} labels for {len(rows)} contrasts", code="bad_shape")
    fit = fit_firth(design, y, names=columns, clusters=clusters)
    rows_of = np.arange(len(design)) if clusters is None else clusters
    weights = cluster_resamples(rows_of, n_boot, seed)
    replicates = fit_firth_resamples(design, y, weights, names=columns)
    ones = np.ones((1, len(design)))
    values = 100 * rows @ _risks(fit.coefficients[None], blocks, ones)
    draws = 100 * rows @ _risks(replicates.coefficients, blocks, weights if sampled else ones)
    return tuple(
        percentile_interval(
            draw, float(value[0]), level=level, contrast=label, unit="percentage points", n=len(design),
            n_missing=n_missing, method=METHOD,
        )
        for label, value, draw in zip(said, values, draws, strict=True)
    )  # fmt: skip


def _risks(coefficients: FloatArray, blocks: FloatArray, weights: Any) -> FloatArray:
    """Return the averaged risk under each design for each row of coefficients, shape (k, B)."""
    weights = np.broadcast_to(weights, (len(coefficients), blocks.shape[1]))
    made = np.empty((len(blocks), len(coefficients)))
    size = max(1, CHUNK // blocks.shape[1])
    for first in range(0, len(coefficients), size):
        part = slice(first, first + size)
        share = weights[part] / weights[part].sum(axis=1, keepdims=True)
        for k, block in enumerate(blocks):
            made[k, part] = (special.expit(coefficients[part] @ block.T) * share).sum(axis=1)
    return made
