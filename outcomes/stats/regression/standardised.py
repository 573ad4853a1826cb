"""Marginal standardised risks from a logistic regression, and their differences.

Every case of a target population is given, in turn, the exposure of interest; the mean of the
fitted risks is the standardised risk. A difference of two such means is a marginal risk difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_level, check_weights, floats
from outcomes.stats.regression.clusters import LEAST_OBSERVED, degrees_of_freedom, mean_variance
from outcomes.stats.regression.contrasts import RegressionFit, contrast_estimates, covariance_method


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandardisedRisks:
    """Standardised risks of several exposures.

    Attributes
    ----------
    labels : tuple of str, length k
        What each design sets the exposure to.
    risks : ndarray, shape (k,)
        Between 0 and 1.
    gradient : ndarray, shape (k, p)
        Derivative of each risk by the coefficients.
    fitted : tuple of ndarray
        Fitted risk of every case under each design.
    n : tuple of int, length k
        Cases each risk is averaged over.
    weights : ndarray or None
        Weights of those cases.
    """

    labels: tuple[str, ...]
    risks: FloatArray
    gradient: FloatArray
    fitted: tuple[FloatArray, ...]
    n: tuple[int, ...]
    weights: FloatArray | None = None

    def tidy(self) -> pd.DataFrame:
        """Return one row a risk (differences and their errors: :func:`risk_contrasts`)."""
        return pd.DataFrame({"group": self.labels, "estimate": self.risks, "n": self.n})

    def __str__(self) -> str:
        """Return the risks as a sentence."""
        return "; ".join(
            f"{label}: {risk * 100:.1f} % (n = {n})"
            for label, risk, n in zip(self.labels, self.risks, self.n, strict=True)
        )


def standardised_risk(
    fit: RegressionFit,
    designs: Any,
    *,
    labels: Sequence[str] | None = None,
    weights: Any = None,
) -> StandardisedRisks:
    """Average the fitted risks of a logistic regression over designs with the exposure set.

    Parameters
    ----------
    fit : LogisticFit or FirthFit
        Fitted model.
    designs : array_like, shape (k, n, p), or sequence of k arrays of shape (n_k, p)
        Each with the exposure columns set to one value and the covariates as observed.
    labels : sequence of str, length k, optional
        Names of the designs.
    weights : array_like, shape (n,), optional
        Weights of the cases in the average; needs designs of equal length.

    Returns
    -------
    StandardisedRisks

    Raises
    ------
    EstimationError
        Designs that are empty, not finite or have the wrong number of columns.

    Notes
    -----
    Sources: Lane and Nelder (1982) Biometrics 38:613-621; Muller and MacLehose (2014) Int J
    Epidemiol 43:962-970.

    Examples
    --------
    >>> from outcomes.stats.regression.logistic import fit_logistic
    >>> X = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], 8)])
    >>> fit = fit_logistic(X, np.repeat([1, 0, 1, 0], [3, 5, 6, 2]), names=["intercept", "not met"])
    >>> print(standardised_risk(fit, [[[1, 0]], [[1, 1]]], labels=["met", "not met"]))
    met: 37.5 % (n = 1); not met: 75.0 % (n = 1)
    """
    blocks = [_check_design(design, fit) for design in designs]
    names = tuple(labels) if labels is not None else tuple(f"design {i + 1}" for i in range(len(blocks)))
    if len(names) != len(blocks) or not blocks:
        raise EstimationError(f"{len(names)} labels for {len(blocks)} designs", code="bad_shape")
    risks, gradient, fitted = [], [], []
    for block in blocks:
        w = check_weights(weights, len(block))
        w = w / w.sum()
        p = special.expit(block @ fit.coefficients)
        risks.append(float(w @ p))
        gradient.append((w * p * (1.0 - p)) @ block)
        fitted.append(p)
    return StandardisedRisks(
        labels=names,
        risks=np.array(risks),
        gradient=np.array(gradient),
        fitted=tuple(fitted),
        n=tuple(len(block) for block in blocks),
        weights=None if weights is None else check_weights(weights, len(blocks[0])),
    )


def risk_contrasts(
    fit: RegressionFit,
    standardised: StandardisedRisks,
    C: Any,
    *,
    level: float = 0.95,
    labels: Sequence[str] | None = None,
    sampled: bool = True,
    clusters: Any = None,
    critical: float | None = None,
    n_missing: int = 0,
) -> tuple[Estimate, ...]:
    """Estimate contrasts of standardised risks in percentage points.

    Parameters
    ----------
    fit : LogisticFit
        The fit that the risks come from.
    standardised : StandardisedRisks
        From :func:`standardised_risk`.
    C : array_like, shape (m, k)
        One contrast of the k risks a row, e.g. ``[1, -1]``.
    level : float
        Confidence level.
    labels : sequence of str, length m, optional
        What is subtracted from what.
    sampled : bool
        Whether the cases averaged over are a sample from the population spoken of; then the variance
        of the average of their own contrasts is added.
    clusters : array_like, optional
        Clusters of the cases averaged over, for that variance; all designs of a contrast must be of
        the same cases.
    critical : float, optional
        Replaces the t quantile, for simultaneous intervals.
    n_missing : int
        Carried along.

    Returns
    -------
    tuple of Estimate
        Delta-method errors from the fit's covariance, Satterthwaite t for CR2.

    Raises
    ------
    EstimationError
        Contrasts of the wrong shape; designs of different cases within a contrast when `sampled`.

    Notes
    -----
    Sources: Bartlett (2018) Pharm Stat 17:648-666 (the share of the variance that comes from
    sampling the covariates); Bell and McCaffrey (2002) Survey Methodology 28:169, applied to the
    gradient on the working scale.

    Examples
    --------
    A 2 x 2 table with one column: the plain risk difference, 6/8 - 3/8.

    >>> from outcomes.stats.regression.logistic import fit_logistic
    >>> X = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], 8)])
    >>> fit = fit_logistic(X, np.repeat([1, 0, 1, 0], [3, 5, 6, 2]), names=["intercept", "not met"])
    >>> s = standardised_risk(fit, [[[1, 0]], [[1, 1]]], labels=["met", "not met"])
    >>> e = risk_contrasts(fit, s, [[-1, 1]], sampled=False)[0]
    >>> round(e.value, 10), e.unit
    (37.5, 'percentage points')
    """
    check_level(level)
    rows = np.atleast_2d(floats(C, "the contrasts"))
    k = len(standardised.risks)
    if rows.ndim != 2 or rows.shape[1] != k or not np.isfinite(rows).all():
        raise EstimationError(
            f"the contrasts have shape {rows.shape}; give finite numbers of shape (m, {k})", code="bad_shape"
        )
    gradient = 100.0 * rows @ standardised.gradient
    variances = np.einsum("ij,jk,ik->i", gradient, fit.covariance, gradient)
    extra = _population_variance(rows, standardised, clusters) if sampled else None
    return contrast_estimates(
        100.0 * rows @ standardised.risks,
        variances,
        degrees_of_freedom(fit.pieces, gradient, least_observed=LEAST_OBSERVED),
        size=100.0 * np.abs(rows) @ standardised.risks,
        fit=fit,
        level=level,
        labels=labels,
        unit="percentage points",
        extra_variance=extra,
        critical=critical,
        n=[min(standardised.n[j] for j in np.flatnonzero(row)) if row.any() else 0 for row in rows],
        n_missing=n_missing,
        method=f"standardised risks, {covariance_method(fit)}",
    )


def _population_variance(rows: FloatArray, standardised: StandardisedRisks, clusters: Any) -> FloatArray:
    """Return the variance of each contrast that comes from sampling the cases averaged over."""
    extra = np.zeros(len(rows))
    for i, row in enumerate(rows):
        parts = np.flatnonzero(row)
        if len({standardised.n[j] for j in parts}) > 1:
            raise EstimationError(
                f"contrast {i + 1} joins averages over different numbers of cases; standardise both to the "
                "same",
                code="different_cases",
            )
        if len(parts) and standardised.n[parts[0]] > 1:
            own = sum(100.0 * row[j] * standardised.fitted[j] for j in parts)
            extra[i] = mean_variance(own, clusters, weights=standardised.weights)[0]
    return extra


def _check_design(design: Any, fit: RegressionFit) -> FloatArray:
    """Return a counterfactual design as a matrix, or refuse it."""
    block = floats(design, "the design")
    p = len(fit.names)
    if block.ndim != 2 or block.shape[1] != p or not len(block) or not np.isfinite(block).all():
        raise EstimationError(
            f"a design to average over has shape {block.shape}; give finite values of shape (n, {p}), "
            "n at least 1",
            code="bad_shape",
        )
    return block
