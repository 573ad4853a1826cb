"""Likelihood-ratio tests and intervals of regressions of independent rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy import linalg, optimize, special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_matrix, cluster_codes
from outcomes.stats.numerics.inputs import chi2_p, normal_quantile
from outcomes.stats.regression.logistic import fit_logistic, logistic_log_likelihood
from outcomes.stats.regression.ordinal import fit_ordinal
from outcomes.stats.regression.poisson import fit_poisson
from outcomes.stats.regression.separation import check_binary

LikelihoodModel = Literal["logistic", "Poisson", "proportional odds"]

_FURTHEST = 60.0
"""Standard errors from the estimate within which a limit is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelihoodRatioTest:
    """A test that the coefficients of some columns are all 0.

    Attributes
    ----------
    statistic, p_value : float
        Twice the gain in log likelihood, and p from chi-squared.
    df : int
        Columns tested.
    dropped : tuple of str
        Those columns.
    n, n_missing : int
    method : str
    """

    statistic: float
    p_value: float
    df: int
    dropped: tuple[str, ...]
    n: int
    n_missing: int
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        return pd.DataFrame(
            [
                {
                    "contrast": ", ".join(self.dropped), "statistic": self.statistic, "df": self.df,
                    "p_value": self.p_value, "n": self.n, "n_missing": self.n_missing, "method": self.method,
                }
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return (
            f"{self.method} of {', '.join(self.dropped)}: chi-squared({self.df}) = {self.statistic:.4g}, "
            f"p = {self.p_value:.3g}, n = {self.n}"
        )


def likelihood_ratio_test(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    drop: Sequence[str],
    model: LikelihoodModel = "logistic",
    levels: Sequence[Any] | None = None,
    offset: Any = None,
    clusters: Any = None,
    n_missing: int = 0,
) -> LikelihoodRatioTest:
    """Test that the coefficients of some columns are all 0 by the likelihood with and without them.

    Both models are fitted here, to the same rows, so that they are nested.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design; with an intercept column, but for proportional odds, whose thresholds are the intercepts.
    y : array_like, shape (n,)
        Outcome: 0/1, a count, or a grade.
    names : sequence of str, length p
        Column names.
    drop : sequence of str
        Columns tested; at least one column must stay, but for proportional odds.
    model : {"logistic", "Poisson", "proportional odds"}
        Which likelihood.
    levels : sequence, optional
        Grades in order, for proportional odds.
    offset : array_like, shape (n,), optional
        For Poisson.
    clusters : array_like, shape (n,), optional
        Only to be refused when some cluster has two rows or more.
    n_missing : int
        Carried along.

    Returns
    -------
    LikelihoodRatioTest

    Raises
    ------
    EstimationError
        Clusters with several rows (code ``clustered``): a likelihood takes rows as independent; a yes/no outcome under
        Poisson, whose likelihood it has not; names that are not columns; whatever the fits refuse.

    Notes
    -----
    Source: Wilks (1938) Ann Math Stat 9:60-62.

    Examples
    --------
    The 2 x 2 table 3/5 against 6/2: G squared, worked by hand.

    >>> X = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], 8)])
    >>> y = np.repeat([1, 0, 1, 0], [3, 5, 6, 2])
    >>> test = likelihood_ratio_test(X, y, names=["intercept", "arm"], drop=["arm"])
    >>> observed, expected = np.array([3, 5, 6, 2]), np.array([4.5, 3.5, 4.5, 3.5])
    >>> bool(np.isclose(test.statistic, 2 * (observed * np.log(observed / expected)).sum(), rtol=1e-12))
    True
    """
    check_choice(model, get_args(LikelihoodModel), "model")
    design, columns = check_matrix(X, names)
    _refuse_clusters(clusters, len(design))
    gone = tuple(drop)
    unknown = sorted(set(gone) - set(columns))
    kept = [j for j, name in enumerate(columns) if name not in gone]
    if not gone or unknown or len(set(gone)) != len(gone) or (not kept and model != "proportional odds"):
        raise EstimationError(
            f"columns to drop: {', '.join(gone) or 'none'}; name one or more of {', '.join(columns)}, each once, and "
            "leave at least one column",
            code="unknown_columns",
        )
    fit = _fitter(model, y, levels, offset)
    full = fit(design, columns)
    if kept:
        reduced = fit(design[:, kept], tuple(columns[j] for j in kept))
    else:
        _, counts = np.unique(np.asarray(y), return_counts=True)
        reduced = float(counts @ np.log(counts / counts.sum()))
    # the larger model never fits worse; what is below 0 is rounding
    statistic = max(2.0 * (full - reduced), 0.0)
    return LikelihoodRatioTest(
        statistic=statistic, p_value=chi2_p(statistic, len(gone)), df=len(gone), dropped=gone, n=len(design),
        n_missing=n_missing, method=f"likelihood-ratio test, {model} regression",
    )  # fmt: skip


def likelihood_interval(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    column: str,
    ratio: bool = False,
    level: float = 0.95,
    clusters: Any = None,
    n_missing: int = 0,
) -> Estimate:
    """Return the profile-likelihood interval of one coefficient of a logistic regression.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design with its intercept column.
    y : array_like, shape (n,)
        Outcome, 0 or 1.
    names : sequence of str, length p
        Column names.
    column : str
        The column whose coefficient is wanted.
    ratio : bool
        Give the odds ratio instead of its logarithm; `std_error` stays that of the logarithm.
    level : float
        Confidence level.
    clusters : array_like, shape (n,), optional
        Only to be refused when some cluster has two rows or more.
    n_missing : int
        Carried along.

    Returns
    -------
    Estimate
        p by the likelihood-ratio test; the standard error is Wald's.

    Raises
    ------
    EstimationError
        As :func:`likelihood_ratio_test`; separated data have no finite estimate (use
        :func:`outcomes.stats.regression.firth_profile.profile_interval`).

    Notes
    -----
    Source: Venzon and Moolgavkar (1988) Appl Stat 37:87-94.

    Examples
    --------
    >>> X = np.column_stack([np.ones(16), np.repeat([0.0, 1.0], 8)])
    >>> y = np.repeat([1, 0, 1, 0], [3, 5, 6, 2])
    >>> e = likelihood_interval(X, y, names=["intercept", "arm"], column="arm")
    >>> round(e.value, 6), round(e.conf_low, 4), round(e.conf_high, 4)
    (1.609438, -0.4358, 3.983)
    """
    design, columns = check_matrix(X, names)
    _refuse_clusters(clusters, len(design))
    if column not in columns:
        raise EstimationError(f"no column {column!r}; columns: {', '.join(columns)}", code="unknown_columns")
    drop = float(normal_quantile(level) ** 2)
    fit = fit_logistic(design, y, names=columns, covariance="classical")
    outcome = check_binary(y, len(design))
    j = columns.index(column)
    others = np.delete(design, j, axis=1)
    warm = np.delete(fit.coefficients, j)
    error, value = float(np.sqrt(fit.covariance[j, j])), float(fit.coefficients[j])

    def fall(distance: float) -> float:
        held = (value + distance) * design[:, j]
        return 2.0 * (fit.log_likelihood - _held_log_likelihood(others, outcome, held, warm))

    low, high = (value + _limit(fall, side * error, drop) for side in (-1.0, 1.0))
    far = ratio and not max(abs(low), abs(high)) < 700.0
    if far:
        raise EstimationError(
            "the odds ratio is too far from 1 for a number; ask for its logarithm", code="not_finite"
        )
    shown = [float(np.exp(v)) if ratio else v for v in (value, low, high)]
    return Estimate(
        value=shown[0], conf_low=shown[1], conf_high=shown[2], level=level, std_error=error,
        p_value=chi2_p(max(fall(-value), 0.0), 1), contrast=column, unit="ratio" if ratio else "log odds",
        n=fit.n, n_missing=n_missing, method="logistic regression, profile likelihood",
    )  # fmt: skip


def _refuse_clusters(clusters: Any, n: int) -> None:
    """Refuse rows that are not independent."""
    codes, n_clusters = cluster_codes(clusters, n)
    if n_clusters < n:
        raise EstimationError(
            f"{n} rows in {len(set(codes.tolist()))} clusters: a likelihood takes the rows as independent and its test "
            "would be too sure; use a Wald test with a cluster-robust covariance (outcomes.stats.regression.wald.wald_test)",
            code="clustered",
        )


def _fitter(
    model: str, y: Any, levels: Sequence[Any] | None, offset: Any
) -> Callable[[FloatArray, tuple[str, ...]], float]:
    """Return what fits a design and gives the log likelihood."""
    if (levels is None) == (model == "proportional odds") or (offset is not None and model != "Poisson"):
        raise EstimationError(
            "levels go with model='proportional odds' (and are needed there), an offset with model='Poisson'",
            code="bad_choice",
        )

    def poisson(design: FloatArray, names: tuple[str, ...]) -> float:
        fit = fit_poisson(design, y, names=names, offset=offset, covariance="HC0")
        if fit.binary:
            raise EstimationError(
                "a yes/no outcome does not have the Poisson likelihood; use the logistic one, or a Wald test of the "
                "modified Poisson fit (outcomes.stats.regression.wald.wald_test)",
                code="not_its_likelihood",
            )
        return fit.log_likelihood

    if model == "Poisson":
        return poisson
    if model == "logistic":
        return lambda design, names: (
            fit_logistic(design, y, names=names, covariance="classical").log_likelihood
        )
    return lambda design, names: (
        fit_ordinal(design, y, names=names, levels=() if levels is None else levels).log_likelihood
    )


def _held_log_likelihood(x: FloatArray, outcome: FloatArray, held: FloatArray, start: FloatArray) -> float:
    """Return the largest log likelihood with part of the linear predictor held."""
    one = np.ones(len(outcome))
    lengths = np.maximum(np.abs(x).max(axis=0, initial=0.0), 1e-300)
    x, beta = x / lengths, start * lengths
    best = logistic_log_likelihood(x @ beta + held, outcome, one)
    for _ in range(200):
        if not x.shape[1]:
            break
        mu = special.expit(x @ beta + held)
        score = x.T @ (outcome - mu)
        try:
            step = linalg.solve(
                (x * (mu * (1.0 - mu))[:, None]).T @ x, score, assume_a="pos", check_finite=False
            )
        except linalg.LinAlgError:
            raise EstimationError(
                "the profile did not converge; use a Wald interval", code="not_converged"
            ) from None
        decrement, size = float(step @ score), 1.0
        while True:
            reached = logistic_log_likelihood(x @ (beta + size * step) + held, outcome, one)
            if reached >= best or size < 1e-9 or decrement < 1e-9:
                break
            size *= 0.5
        beta, best = beta + size * step, reached
        if decrement < 1e-14:
            break
    return best


def _limit(fall: Callable[[float], float], step: float, drop: float) -> float:
    """Return the distance at which the likelihood has fallen by `drop`."""
    inner, outer = 0.0, step
    while fall(outer) < drop:
        inner, outer = outer, 1.5 * outer
        if abs(outer) > _FURTHEST * abs(step):
            raise EstimationError(
                "the likelihood is flat on one side; use the penalised (Firth) fit and its profile",
                code="flat_likelihood",
            )
    return float(optimize.brentq(lambda d: fall(d) - drop, inner, outer, xtol=1e-13, rtol=1e-13))
