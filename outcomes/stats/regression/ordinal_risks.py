"""Risks of at least each grade from a proportional-odds regression, and their differences and ratios."""

from __future__ import annotations

from typing import Any, get_args

import numpy as np
from scipy import special

from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_weights
from outcomes.stats.regression.clusters import mean_variance
from outcomes.stats.regression.delta import delta_estimates
from outcomes.stats.regression.marginal import Scale, check_designs, compare_means, join_df
from outcomes.stats.regression.ordinal import OrdinalFit


def grade_contrasts(
    fit: OrdinalFit,
    first: Any,
    second: Any,
    *,
    scale: Scale = "difference",
    weights: Any = None,
    sampled: bool = True,
    clusters: Any = None,
    level: float = 0.95,
    label: str = "first against second",
    n_missing: int = 0,
) -> tuple[Estimate, ...]:
    """Compare the risk of at least each grade under two settings of the same cases.

    Parameters
    ----------
    fit : OrdinalFit
        Fitted model.
    first, second : array_like, shape (n, p)
        Designs of the same cases with the exposure set to each of two values.
    scale : {"difference", "ratio"}
        First minus second in percentage points, or first over second (limits on the log scale).
    weights : array_like, shape (n,), optional
        Weights of the cases in the average.
    sampled : bool
        Whether the cases are a sample from the population spoken of; then the variance of the average of their own
        contrasts is added.
    clusters : array_like, shape (n,), optional
        Clusters of the cases averaged over, for that variance.
    level : float
        Confidence level.
    label : str
        What is compared with what; the grade is added.
    n_missing : int
        Carried along.

    Returns
    -------
    tuple of Estimate, length K - 1
        One for every grade but the lowest: the risk of that grade or a higher one.

    Raises
    ------
    EstimationError
        Designs of different or wrong shapes, an unknown scale.

    Notes
    -----
    Delta method. Proportional odds are assumed (:func:`outcomes.stats.regression.proportional_odds.proportional_odds_test`).
    Sources: McCullagh (1980) J R Stat Soc B 42:109-142; Lane and Nelder (1982) Biometrics 38:613-621.

    Examples
    --------
    >>> from outcomes.stats.regression.ordinal import fit_ordinal
    >>> arm = np.repeat([0.0, 1.0], 8)[:, None]
    >>> fit = fit_ordinal(arm, np.repeat([1, 0, 1, 0], [3, 5, 6, 2]), names=["arm"], levels=[0, 1])
    >>> e = grade_contrasts(fit, [[1.0]], [[0.0]], sampled=False, label="b minus a")[0]
    >>> e.contrast, round(e.value, 9)
    ('b minus a, grade 1 or higher', 37.5)
    """
    check_choice(scale, get_args(Scale), "scale")
    a, b = check_designs((first, second), fit.names)
    w = check_weights(weights, len(a))
    risks, gradients = zip(*(_risks(fit, block, w) for block in (a, b)), strict=True)
    found: list[Estimate] = []
    for g, grade in enumerate(fit.levels[1:]):
        value, gradient, each, size = compare_means(
            (risks[0][:, g], risks[1][:, g]), (gradients[0][g], gradients[1][g]), w, scale
        )
        variance, df = float(gradient @ fit.covariance @ gradient), fit.df
        if sampled and len(a) > 1:
            extra = float(mean_variance(each, clusters, weights=w)[0])
            # a normal reference stays one: the variance of the fit dominates its own theory
            df = join_df(variance, df, extra, fit.n_clusters - 1) if np.isfinite(df) else df
            variance += extra
        factor = 100.0 if scale == "difference" else 1.0
        found += delta_estimates(
            [factor * value], [factor * np.sqrt(variance)], df, ratio=scale == "ratio", level=level,
            labels=[f"{label}, grade {grade} or higher"], unit="percentage points", n=len(a), n_missing=n_missing,
            method=f"marginal {scale}, {fit.model}, {fit.kind}", size=[factor * size],
        )  # fmt: skip
    return tuple(found)


def _risks(fit: OrdinalFit, block: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return each case's risk of at least each grade, and the gradient of their averages."""
    eta = (block @ fit.coefficients)[:, None] - fit.thresholds
    risks = special.expit(eta)
    slopes = (w / w.sum())[:, None] * risks * special.expit(-eta)
    return risks, np.hstack([-np.diag(slopes.sum(axis=0)), slopes.T @ block])
