"""Proportional-hazards (Cox) regression."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import (
    FloatArray,
    check_choice,
    check_level,
    check_matrix,
    cluster_codes,
    clusters_of,
)
from outcomes.stats.numerics.inputs import two_sided_p
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.regression.clusters import FEW_CLUSTERS
from outcomes.stats.survival.cox_errors import COVARIANCES, CoxCovariance, robust_cox_covariance
from outcomes.stats.survival.cox_exact import at_coefficients_exact
from outcomes.stats.survival.cox_input import checked_rows, in_given_rows, risk_sets_of, subset_of_times
from outcomes.stats.survival.cox_maximum import check_cox_rank, maximise_cox
from outcomes.stats.survival.cox_risk_sets import CoxPoint, RiskSets, at_coefficients
from outcomes.stats.survival.survival_times import SurvivalTimes

Ties = Literal["efron", "breslow", "exact"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoxFit:
    """A fitted proportional-hazards model.

    Attributes
    ----------
    names : tuple of str, length p
        Columns of the design.
    coefficients : ndarray, shape (p,)
        Log hazard ratios per unit of the column.
    covariance, model_covariance : ndarray, shape (p, p)
        Covariance of the type `kind`; inverse of the information.
    kind : {"model", "CR0", "CR1"}
    clustered : bool
        Whether clusters were given (otherwise every row is its own).
    ties : {"efron", "breslow", "exact"}
    log_likelihood, log_likelihood_null : float
        Partial log likelihood at the estimate, and with all coefficients 0.
    lr_statistic, wald_statistic, score_statistic : float
        Tests that all coefficients are 0, each chi-squared with p degrees of freedom; Wald by `covariance`.
    sets : RiskSets
        Ordered design, for residuals.
    point : CoxPoint
        Likelihood at the estimate, for residuals.
    n, n_events, n_clusters, n_strata, n_uninformative : int
        Rows of weight above 0, events among them, clusters, strata, and strata without an event.
    n_iterations : int
    rows_used : ndarray of bool, shape (n_rows,)
        Rows given that have a weight above 0.
    times : SurvivalTimes
        Their times.
    converged : bool
        Always true: a fit that does not converge is refused.
    model : str
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    model_covariance: FloatArray
    kind: str
    clustered: bool
    ties: str
    log_likelihood: float
    log_likelihood_null: float
    lr_statistic: float
    wald_statistic: float
    score_statistic: float
    sets: RiskSets
    point: CoxPoint
    n: int
    n_events: int
    n_clusters: int
    n_strata: int
    n_uninformative: int
    n_iterations: int
    rows_used: NDArray[np.bool_]
    times: SurvivalTimes
    converged: bool = True
    model: str = "Cox regression"

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, in log hazard ratios."""
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
                    "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing,
                    "n_events": self.n_events,
                }
                for e in cox_contrast(self, np.eye(len(self.names)), labels=self.names, ratio=False)
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        silent = (
            f", {self.n_uninformative} of {self.n_strata} strata without events"
            if self.n_uninformative
            else ""
        )
        return (
            f"{cox_method(self)}: {len(self.names)} coefficients, {self.n_events} events in {self.n} rows{silent}, "
            f"partial log likelihood {self.log_likelihood:.4f}"
        )


def fit_cox(
    X: Any,
    time: Any,
    event: Any,
    *,
    names: Sequence[str],
    entry: Any = None,
    strata: Any = None,
    clusters: Any = None,
    weights: Any = None,
    ties: Ties = "efron",
    covariance: CoxCovariance | None = None,
    max_iter: int = 60,
) -> CoxFit:
    """Fit a proportional-hazards model by maximum partial likelihood.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design without an intercept.
    time, event : array_like, shape (n,)
        As in :func:`outcomes.stats.survival.survival_times.check_survival`; missing values are refused.
    names : sequence of str, length p
        Column names.
    entry : array_like, shape (n,), optional
        Time at which a row came under observation (left truncation).
    strata : array_like, shape (n,), optional
        Each stratum has its own baseline hazard.
    clusters : array_like, shape (n,), optional
        Cluster of each row, for robust errors.
    weights : array_like, shape (n,), optional
        Case weights >= 0. With Breslow's ties a whole number acts as that many copies; with Efron's copies would be tied
        with one another, so it does not (the events at one time share their mean weight). Not with exact ties.
    ties : {"efron", "breslow", "exact"}
        What stands for events at the same time.
    covariance : {"model", "CR0", "CR1"}, optional
        Inverse information; score residuals summed by cluster (by row without clusters); the same times
        G / (G - 1). Without it CR1 when clusters are given, else the model's.
    max_iter : int
        Newton steps before giving up.

    Returns
    -------
    CoxFit

    Raises
    ------
    EstimationError
        No events (code ``no_events``), columns that do not vary among those at risk or make up one another
        (``rank_deficient``, named), a monotone likelihood (``separation``, named), no convergence
        (``not_converged``), fewer than two clusters, bad input.

    Notes
    -----
    Newton's method with step halving on running sums over risk sets, until the next step is below 1e-8 standard errors.
    Own code: the libraries' clustered errors cost n^2, one stops a little early, none refuses a monotone likelihood.
    CR1 intervals use Student's t with G - 1 degrees of freedom, others the normal. Sources: Cox (1972) J R Stat Soc B
    34:187; Breslow (1974) Biometrics 30:89; Efron (1977) J Am Stat Assoc 72:557; Lin and Wei (1989) J Am Stat Assoc
    84:1074.

    Examples
    --------
    Six rows of Therneau and Grambsch (2000), appendix E: exp(b) = (3 + sqrt 33) / 2 by Breslow.

    >>> time, event = [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1]
    >>> X = [[1], [1], [1], [0], [0], [0]]
    >>> b = fit_cox(X, time, event, names=["x"], ties="breslow").coefficients[0]
    >>> bool(np.isclose(b, np.log((3 + np.sqrt(33)) / 2), rtol=1e-13))
    True
    >>> round(float(fit_cox(X, time, event, names=["x"]).coefficients[0]), 9)
    1.676857486
    """
    check_choice(ties, get_args(Ties), "ties")
    design, columns = check_matrix(X, names)
    n_rows = design.shape[0]
    data, layers, weight = checked_rows(time, event, entry, strata, weights, n_rows, ties)
    used = weight > 0.0
    kind = covariance or ("model" if clusters is None else "CR1")
    check_choice(kind, COVARIANCES, "covariance")
    if kind != "model" and ties == "exact":
        raise EstimationError(
            "robust errors are defined for Efron's and Breslow's ties; use ties='efron'", code="bad_choice"
        )
    codes, n_clusters = cluster_codes(clusters_of(clusters, used), int(used.sum()))
    times = subset_of_times(data, used)
    sets = risk_sets_of(design[used], times, layers[used], weight[used], ties, columns)
    evaluate = at_coefficients_exact if ties == "exact" else at_coefficients
    null = evaluate(sets, np.zeros(len(columns)))
    check_cox_rank(null.information, columns, len(sets.term))
    beta, point, inverse, steps = maximise_cox(sets, null, evaluate, columns, ties, max_iter)
    robust = kind != "model"
    v = robust_cox_covariance(sets, point, inverse, codes[sets.rows], n_clusters, kind) if robust else inverse
    n_strata = len(np.unique(layers[used]))
    return CoxFit(
        names=columns,
        coefficients=beta / sets.scale,
        covariance=v / np.outer(sets.scale, sets.scale),
        model_covariance=inverse / np.outer(sets.scale, sets.scale),
        kind=kind,
        clustered=clusters is not None,
        ties=ties,
        log_likelihood=point.log_likelihood,
        log_likelihood_null=null.log_likelihood,
        lr_statistic=2.0 * (point.log_likelihood - null.log_likelihood),
        wald_statistic=_wald(beta, v),
        score_statistic=float(null.score @ np.linalg.solve(null.information, null.score)),
        sets=in_given_rows(sets, used),
        point=point,
        n=int(used.sum()),
        n_events=len(sets.term),
        n_clusters=n_clusters,
        n_strata=n_strata,
        n_uninformative=n_strata - len(np.unique(sets.stratum)),
        n_iterations=steps,
        rows_used=used,
        times=times,
    )


def cox_contrast(
    fit: CoxFit,
    C: Any,
    *,
    labels: Sequence[str] | None = None,
    level: float = 0.95,
    ratio: bool = True,
    n_missing: int = 0,
) -> tuple[Estimate, ...]:
    """Return hazard ratios (or their logarithms) of contrasts of the coefficients.

    Parameters
    ----------
    fit : CoxFit
    C : array_like, shape (m, p)
        One contrast a row.
    labels : sequence of str, length m, optional
    level : float
        Confidence level.
    ratio : bool
        Hazard ratios; False: log hazard ratios.
    n_missing : int
        Rows left out before the fit; carried along.

    Returns
    -------
    tuple of Estimate
        The standard error is that of the log hazard ratio.

    Raises
    ------
    EstimationError
        Contrasts of the wrong shape, a bad level.

    Examples
    --------
    >>> fit = fit_cox([[1], [1], [1], [0], [0], [0]], [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], names=["x"])
    >>> print(cox_contrast(fit, [[1]], labels=["x"])[0])
    x: 5.349 ratio (95 % CI 0.4373 to 65.43; n = 6; Cox regression, efron ties, model errors, normal)
    """
    check_level(level)
    rows = np.atleast_2d(np.asarray(C, dtype=np.float64))
    names = tuple(labels) if labels is not None else ("",) * len(rows)
    if rows.shape != (len(names), len(fit.names)) or not np.isfinite(rows).all():
        raise EstimationError(
            f"the contrasts have shape {rows.shape}; give finite numbers of shape (m, {len(fit.names)}) for the columns "
            f"{', '.join(fit.names)}, and m labels",
            code="bad_shape",
        )
    df = float(fit.n_clusters - 1) if fit.kind == "CR1" else np.inf
    quantile = float(t_quantile(0.5 + level / 2, df))
    logs = rows @ fit.coefficients
    errors = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, fit.covariance, rows), 0.0))
    return tuple(
        _estimate(fit, float(b), float(e), quantile, df, name, level, ratio, n_missing)
        for b, e, name in zip(logs, errors, names, strict=True)
    )


def cox_method(fit: CoxFit) -> str:
    """Name the method of the intervals of a fit, with the caution when clusters are few.

    Examples
    --------
    >>> cox_method(fit_cox([[1], [0], [1]], [1, 2, 3], [1, 1, 1], names=["x"]))
    'Cox regression, efron ties, model errors, normal'
    """
    strata = " stratified" if fit.n_strata > 1 else ""
    lead = f"{fit.model}{strata}, {fit.ties} ties"
    if fit.kind == "model":
        return f"{lead}, model errors, normal"
    by = "cluster-robust" if fit.clustered else "robust"
    few = f"; unreliable: {fit.n_clusters} clusters" if fit.n_clusters < FEW_CLUSTERS else ""
    reference = "t with G - 1 df" if fit.kind == "CR1" else "normal"
    return f"{lead}, {fit.kind if fit.clustered else fit.kind.replace('CR', 'HC')} {by}, {reference}{few}"


def _wald(beta: FloatArray, covariance: FloatArray) -> float:
    """Return the quadratic form of all coefficients, in the directions that have a variance."""
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-12 * values[-1]
    return float((np.square(vectors[:, kept].T @ beta) / values[kept]).sum())


def _estimate(
    fit: CoxFit, log: float, error: float, quantile: float, df: float, label: str, level: float, ratio: bool,
    n_missing: int,
) -> Estimate:  # fmt: skip
    """Return one contrast."""
    method, unit = cox_method(fit), "ratio" if ratio else "log hazard ratio"
    if ratio and abs(log) > 700.0:
        return Estimate.not_estimable(
            "the hazard ratio is too large or small to be written; change the unit of the column", contrast=label,
            unit=unit, n=fit.n, n_missing=n_missing, method=method,
        )  # fmt: skip
    spread = error > 0.0
    ends = [log - quantile * error, log + quantile * error]
    shown = [float(np.exp(end)) if ratio and end < 700.0 else None if ratio else end for end in ends]
    reason = "" if spread else "no spread is left to judge this contrast by"
    if spread and None in shown:
        reason = "a limit of the hazard ratio is too large to be written"
    return Estimate(
        value=float(np.exp(log)) if ratio else log,
        conf_low=shown[0] if spread else None,
        conf_high=shown[1] if spread else None,
        level=level,
        std_error=error if spread else None,
        df=df if np.isfinite(df) else None,
        p_value=two_sided_p(log / error, df) if spread else None,
        contrast=label,
        unit=unit,
        n=fit.n,
        n_missing=n_missing,
        method=method,
        reason=reason,
    )
