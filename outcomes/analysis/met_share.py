"""How often each strategy reaches the criteria, in the same mix of fractures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.design import exposure_columns
from outcomes.analysis.risks import POINTS, fit_risk, risk_design
from outcomes.analysis.standardisation import Cases, cluster_deviations
from outcomes.cohort.reduction import ShareMet, share_met_bounds
from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.regression.clusters import LEAST_OBSERVED, degrees_of_freedom
from outcomes.stats.regression.contrasts import contrast_covariance, contrast_estimates


def standardised_share_met(cases: Cases, labelled: NDArray[np.bool_]) -> dict[str, Estimate]:
    """Share of cases meeting the criteria under each strategy, standardised to all eligible cases.

    A logistic model of the label on strategy and covariates, averaged over the covariates of every eligible
    case. Strategies seen on one side of the criteria only have no finite model; they are left out of it and
    reported as not estimable.

    Parameters
    ----------
    cases : Cases
    labelled : ndarray of bool, shape (n,)

    Returns
    -------
    dict of strategy to Estimate
        In per cent. The variance of averaging over a sampled population is added to that of the coefficients. The
        intervals are Wald intervals of an average over a population, not of a raw
        proportion; limits are cut at 0 and 100.
    """
    used = labelled & cases.complete
    label = "criteria met, {}"
    both = {
        name: {0.0, 1.0} <= set(cases.met[used & (cases.strategy == name)].tolist())
        for name in sorted(set(cases.strategy.tolist()))
    }
    one_sided = {
        name: Estimate.not_estimable(
            "labelled on one side of the criteria only", contrast=label.format(name), unit="%",
            n=int((used & (cases.strategy == name)).sum()),
        )
        for name, kept in both.items() if not kept
    }  # fmt: skip
    used &= np.isin(cases.strategy, [name for name, kept in both.items() if kept])
    if not used.any():
        return one_sided
    columns = exposure_columns(cases.strategy[used], None, least=0)
    design = risk_design(cases, used, columns)
    try:
        fit = fit_risk(cases, cases.met, used, design)
    except EstimationError as error:
        return {
            name: Estimate.not_estimable(str(error), contrast=label.format(name), unit="%") for name in both
        }
    values, rows, spread = [], [], []
    for name in columns.strategies:
        X = design.counterfactual(cases, cases.complete, name, None)
        risk = 1 / (1 + np.exp(-(X @ fit.coefficients)))
        values.append(POINTS * float(risk.mean()))
        rows.append(POINTS * ((risk * (1 - risk)) @ X) / len(risk))
        spread.append(cluster_deviations(POINTS * risk, cases.cluster, cases.complete))
    gradient = np.array(rows)
    estimates = contrast_estimates(
        np.array(values), np.diag(contrast_covariance(fit, gradient)), degrees_of_freedom(fit.pieces, gradient, least_observed=LEAST_OBSERVED),
        size=np.ones(len(values)), fit=fit, extra_variance=np.square(np.array(spread)).sum(axis=1), labels=[label.format(name) for name in columns.strategies], unit="%",
    )  # fmt: skip
    return {
        **{
            name: _within_percent(estimate)
            for name, estimate in zip(columns.strategies, estimates, strict=True)
        },
        **one_sided,
    }


def counted_share_met(cases: Cases, strategies: Sequence[str]) -> dict[str, ShareMet]:
    """Share of each strategy's own cases meeting the criteria, with the bounds that indeterminate labels leave.

    Examples
    --------
    >>> cases = Cases(strategy=np.array(["plate"] * 4, object), met=np.array([1.0, 1.0, 0.0, np.nan]),
    ...               X=np.empty((4, 0)), names=(), complete=np.ones(4, bool), cluster=np.arange(4))
    >>> share = counted_share_met(cases, ["plate"])["plate"]
    >>> share.low, share.high
    (0.5, 0.75)
    """
    words = np.where(np.isnan(cases.met), "indeterminate", np.where(cases.met == 1, "met", "not met")).astype(
        object
    )
    return {name: share_met_bounds(words, where=cases.strategy == name) for name in strategies}


def _within_percent(estimate: Estimate) -> Estimate:
    """Cut limits at 0 and 100; the p of a share against 0 means nothing and is dropped."""
    low, high = estimate.conf_low, estimate.conf_high
    return Estimate(
        value=estimate.value, conf_low=None if low is None else max(low, 0.0),
        conf_high=None if high is None else min(high, POINTS), level=estimate.level, std_error=estimate.std_error,
        df=estimate.df, contrast=estimate.contrast, unit=estimate.unit, n=estimate.n, method=estimate.method,
        reason=estimate.reason,
    )  # fmt: skip
