"""Marginal contrasts of a regression with any of the usual links: averages over the same cases, by the delta method.

:mod:`outcomes.stats.regression.standardised` does the same for differences of risks of logistic fits; this file adds ratios, the
log link and the identity.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, get_args

import numpy as np
from scipy import special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_weights, floats
from outcomes.stats.regression.clusters import LEAST_OBSERVED, degrees_of_freedom, mean_variance
from outcomes.stats.regression.contrasts import RegressionFit, covariance_method
from outcomes.stats.regression.delta import delta_estimates

Link = Literal["identity", "logit", "log"]
Scale = Literal["difference", "ratio"]


def marginal_contrast(
    fit: RegressionFit,
    first: Any,
    second: Any,
    *,
    link: Link,
    scale: Scale = "difference",
    weights: Any = None,
    sampled: bool = True,
    clusters: Any = None,
    level: float = 0.95,
    label: str = "",
    unit: str = "",
    n_missing: int = 0,
) -> Estimate:
    """Estimate the difference or ratio of the mean outcome under two settings of the same cases.

    Parameters
    ----------
    fit : LinearFit, LogisticFit, FirthFit or PoissonFit
        Fitted model.
    first, second : array_like, shape (n, p)
        Designs of the same cases with the exposure set to each of two values.
    link : {"identity", "logit", "log"}
        Link of the fit: linear, logistic and Firth, Poisson.
    scale : {"difference", "ratio"}
        First minus second, or first over second (limits on the log scale).
    weights : array_like, shape (n,), optional
        Weights of the cases in the average.
    sampled : bool
        Whether the cases averaged over are a sample from the population spoken of; then the variance of the average
        of their own contrasts is added.
    clusters : array_like, shape (n,), optional
        Clusters of the cases averaged over, for that variance.
    level : float
        Confidence level.
    label, unit : str
        What is compared with what; unit of a difference. Differences of risks (logit) are in percentage points.
    n_missing : int
        Carried along.

    Returns
    -------
    Estimate
        Satterthwaite t for CR2 and HC2 fits, as in :func:`outcomes.stats.regression.contrasts.linear_contrast`.

    Raises
    ------
    EstimationError
        Designs of different or wrong shapes, an unknown link or scale, a ratio of means that are not above 0.

    Notes
    -----
    Sources: Lane and Nelder (1982) Biometrics 38:613-621; Muller and MacLehose (2014) Int J Epidemiol 43:962-970;
    Bartlett (2018) Pharm Stat 17:648-666 (sampled cases).

    Examples
    --------
    A 2 x 2 table: the ratio of 6/8 and 3/8 with Katz's error.

    >>> from outcomes.stats.regression.logistic import fit_logistic
    >>> X = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], 8)])
    >>> fit = fit_logistic(X, np.repeat([1, 0, 1, 0], [3, 5, 6, 2]), names=["one", "arm"], covariance="classical")
    >>> e = marginal_contrast(fit, [[1, 1]], [[1, 0]], link="logit", scale="ratio", sampled=False)
    >>> round(e.value, 9), bool(np.isclose(e.std_error**2, 1 / 6 - 1 / 8 + 1 / 3 - 1 / 8))
    (2.0, True)
    """
    check_choice(link, get_args(Link), "link")
    check_choice(scale, get_args(Scale), "scale")
    a, b = check_designs((first, second), fit.names)
    w = check_weights(weights, len(a))
    own, slopes = zip(*(_inverse(block @ fit.coefficients, link) for block in (a, b)), strict=True)
    gradients = [(w / w.sum() * slope) @ block for slope, block in zip(slopes, (a, b), strict=True)]
    value, gradient, each, size = compare_means((own[0], own[1]), (gradients[0], gradients[1]), w, scale)
    variance = float(gradient @ fit.covariance @ gradient)
    df = float(degrees_of_freedom(fit.pieces, gradient[None, :], least_observed=LEAST_OBSERVED)[0])
    if sampled and len(a) > 1:
        extra = float(mean_variance(each, clusters, weights=w)[0])
        df = join_df(variance, df, extra, fit.n_clusters - 1)
        variance += extra
    factor = 100.0 if link == "logit" and scale == "difference" else 1.0
    return delta_estimates(
        [factor * value], [factor * np.sqrt(variance)], df, ratio=scale == "ratio", level=level, labels=[label],
        unit="percentage points" if factor > 1.0 else unit, n=len(a), n_missing=n_missing,
        method=f"marginal {scale}, {covariance_method(fit)}", size=[factor * size],
    )[0]  # fmt: skip


def compare_means(
    own: tuple[FloatArray, FloatArray], gradients: tuple[FloatArray, FloatArray], w: FloatArray, scale: str
) -> tuple[float, FloatArray, FloatArray, float]:
    """Return the contrast of two weighted means, its gradient, each case's own contrast and the size of its terms.

    Parameters
    ----------
    own : tuple of ndarray, shape (n,)
        Fitted values of each case under both settings.
    gradients : tuple of ndarray, shape (p,)
        Derivatives of both means by the parameters.
    w : ndarray, shape (n,)
        Weights.
    scale : {"difference", "ratio"}
        A ratio is given as its logarithm.

    Raises
    ------
    EstimationError
        A ratio of means that are not above 0.

    Examples
    --------
    >>> one = np.ones(1)
    >>> compare_means((3 * one, one), (one, one), one, "difference")[0]
    2.0
    """
    mean_a, mean_b = (float(w @ values / w.sum()) for values in own)
    if scale == "difference":
        return mean_a - mean_b, gradients[0] - gradients[1], own[0] - own[1], abs(mean_a) + abs(mean_b)
    if not (mean_a > 0.0 and mean_b > 0.0):
        raise EstimationError("a ratio needs two means above 0; ask for the difference", code="bad_ratio")
    gradient = gradients[0] / mean_a - gradients[1] / mean_b
    return float(np.log(mean_a / mean_b)), gradient, own[0] / mean_a - own[1] / mean_b, 1.0


def check_designs(designs: Sequence[Any], names: tuple[str, ...]) -> tuple[FloatArray, ...]:
    """Return designs of the same cases as matrices, or refuse them.

    Raises
    ------
    EstimationError
        Different or wrong shapes, no rows, values that are not finite.

    Examples
    --------
    >>> [block.shape for block in check_designs([[[1, 0]], [[1, 1]]], ("one", "arm"))]
    [(1, 2), (1, 2)]
    """
    blocks = tuple(floats(design, "the designs to average over", names) for design in designs)
    shapes = {block.shape for block in blocks}
    right = all(block.ndim == 2 and len(block) and block.shape[1] == len(names) for block in blocks)
    if len(shapes) != 1 or not right or not all(np.isfinite(block).all() for block in blocks):
        raise EstimationError(
            f"the designs to average over have shapes {', '.join(map(str, sorted(shapes)))}; give finite values of the "
            f"same shape (n, {len(names)}), one row a case",
            code="bad_shape",
        )
    return blocks


def join_df(variance: float, df: float, extra: float, extra_df: float) -> float:
    """Return Satterthwaite's degrees of freedom of the sum of two independent variances.

    Examples
    --------
    >>> join_df(1.0, 10.0, 1.0, 10.0)
    20.0
    """
    if np.isnan(df) or extra <= 0.0:
        return df
    return float((variance + extra) ** 2 / (variance**2 / df + extra**2 / extra_df))


def _inverse(eta: FloatArray, link: str) -> tuple[FloatArray, FloatArray]:
    """Return the means of linear predictors and their slopes."""
    if link == "identity":
        return eta, np.ones_like(eta)
    if link == "logit":
        p = special.expit(eta)
        return p, p * special.expit(-eta)
    with np.errstate(over="ignore"):
        mean = np.exp(eta)
    return mean, mean
