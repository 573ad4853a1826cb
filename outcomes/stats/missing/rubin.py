"""Pooling of results over multiply imputed data sets by Rubin's rules."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_level, floats
from outcomes.stats.numerics.inputs import two_sided_p
from outcomes.stats.numerics.student import t_quantile


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledEstimate:
    """An estimate pooled over imputations, with what the imputations cost.

    Attributes
    ----------
    estimate : Estimate
        Mean of the estimates with its interval; without value where `estimate.reason` says why.
    n_imputations : int
    within, between, total : float or None
        Mean squared standard error; variance of the estimates over the imputations; within plus
        (1 + 1/m) between. In squared units of the estimate.
    relative_increase : float or None
        (1 + 1/m) between over within: by how much missing data raise the variance.
    share_between : float or None
        (1 + 1/m) between over total.
    missing_information : float or None
        Fraction of missing information, with the correction for the degrees of freedom.
    monte_carlo_error : float or None
        Root of between / m: how far the pooled value would move with other seeds.
    df_complete : float
        Degrees of freedom had nothing been missing; infinity for large samples.
    """

    estimate: Estimate
    n_imputations: int
    within: float | None
    between: float | None
    total: float | None
    relative_increase: float | None
    share_between: float | None
    missing_information: float | None
    monte_carlo_error: float | None
    df_complete: float

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names and the parts of the variance."""
        e = self.estimate
        row = {
            "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
            "conf_high": e.conf_high, "p_value": e.p_value, "df": e.df, "n": e.n, "n_missing": e.n_missing,
            "n_imputations": self.n_imputations, "within": self.within, "between": self.between,
            "total": self.total, "relative_increase": self.relative_increase,
            "share_between": self.share_between, "missing_information": self.missing_information,
            "monte_carlo_error": self.monte_carlo_error, "reason": e.reason,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the estimate as a sentence, with the fraction of missing information."""
        if self.missing_information is None:
            return str(self.estimate)
        return f"{self.estimate}; missing information {100 * self.missing_information:.0f} %"


def pool_scalar(
    values: Any,
    std_errors: Any,
    *,
    df_complete: float = math.inf,
    level: float = 0.95,
    contrast: str = "",
    unit: str = "",
    n: int = 0,
    n_missing: int = 0,
) -> PooledEstimate:
    """Pool one number over imputations by Rubin's rules.

    Parameters
    ----------
    values, std_errors : array_like, shape (m,)
        Estimate and standard error in each imputed data set, m at least 2. Ratios are pooled as
        logarithms.
    df_complete : float
        Degrees of freedom of the same estimate had nothing been missing (n - k of a regression,
        Satterthwaite's of a clustered one), > 0; infinity for a normal reference.
    level : float
        Confidence level.
    contrast, unit, n, n_missing
        Carried into the estimate.

    Returns
    -------
    PooledEstimate
        Not estimable when no imputed data set has a spread of its own to judge by.

    Raises
    ------
    EstimationError
        Fewer than two imputations, lengths that differ, missing or infinite values, negative standard
        errors, degrees of freedom not above 0.

    Notes
    -----
    T = U + (1 + 1/m) B with U the mean squared standard error and B the variance of the estimates.
    With g = (1 + 1/m) B / T the degrees of freedom are those of Barnard and Rubin,
    1 / (1/a + 1/b), a = (m - 1) / g^2, b = (1 - g) v (v + 1) / (v + 3), v = `df_complete`; for infinite v
    they are a, and infinity when the estimates agree. Even when nothing was missing they are below v, by
    two or so. Missing information is (r + 2 / (df + 3)) / (r + 1), r = (1 + 1/m) B / U. Sources: Rubin DB,
    Multiple Imputation for Nonresponse in Surveys (1987), section 3.3; Barnard J, Rubin DB. Biometrika 1999;
    86: 948-955.

    Examples
    --------
    Estimates 1, 2 and 3, all with variance 2: B = 1 and T = 2 + 4/3; g = 0.4, so df = 2 / 0.16.

    >>> pooled = pool_scalar([1, 2, 3], [2**0.5] * 3, contrast="met minus not met", unit="kg", n=40)
    >>> round(pooled.total, 12), round(pooled.estimate.df, 12), round(pooled.relative_increase, 12)
    (3.333333333333, 12.5, 0.666666666667)
    >>> print(pooled)
    met minus not met: 2 kg (95 % CI -1.96 to 5.96; n = 40; Rubin's rules, 3 imputations); \
missing information 48 %
    """
    check_level(level)
    q, se = _check_sets(values, std_errors)
    check_df(df_complete)
    m = len(q)
    method = f"Rubin's rules, {m} imputations"
    about: dict[str, Any] = {
        "contrast": contrast, "unit": unit, "n": n, "n_missing": n_missing, "method": method,
    }  # fmt: skip
    # in units of the largest standard error, whose squares neither overflow nor vanish
    scale = float(se.max())
    if scale == 0.0:
        reason = "no imputed data set has a standard error above 0"
        return _without(Estimate.not_estimable(reason, **about), m, df_complete)
    within = float(np.square(se / scale).mean())
    between = float(np.var(q / scale, ddof=1))
    added = (1.0 + 1.0 / m) * between
    total = within + added
    share = added / total
    df = barnard_rubin_df(m, share, df_complete)
    increase = added / within
    std_error, value = scale * math.sqrt(total), float(q.mean())
    reach = float(t_quantile(0.5 + level / 2, df)) * std_error if df > 0.0 else math.inf
    bounded = math.isfinite(reach)
    estimate = Estimate(
        value=value, conf_low=value - reach if bounded else None, conf_high=value + reach if bounded else None,
        level=level, std_error=std_error, df=df, p_value=two_sided_p(value / std_error, df) if bounded else None,
        reason="" if bounded else "the imputations differ so much that nothing is known of the error", **about,
    )  # fmt: skip
    square = scale * scale
    return PooledEstimate(
        estimate=estimate, n_imputations=m, within=within * square, between=between * square,
        total=total * square, relative_increase=increase, share_between=share,
        missing_information=(increase + 2.0 / (df + 3.0)) / (increase + 1.0),
        monte_carlo_error=scale * math.sqrt(between / m), df_complete=df_complete,
    )  # fmt: skip


def pool_estimates(
    estimates: Sequence[Estimate], *, df_complete: float | None = None, level: float = 0.95
) -> PooledEstimate:
    """Pool the same estimate from every imputed data set by Rubin's rules.

    Parameters
    ----------
    estimates : sequence of Estimate, length m
        One an imputed data set, of the same contrast and unit, with standard errors. Differences, not
        ratios: pool the logarithms of ratios with :func:`pool_scalar`.
    df_complete : float, optional
        Degrees of freedom had nothing been missing; without it the smallest of the estimates, which is on
        the safe side.
    level : float
        Confidence level.

    Returns
    -------
    PooledEstimate
        Not estimable when it is not estimable in some imputed data set: leaving those out would pool
        over a selection.

    Raises
    ------
    EstimationError
        Fewer than two estimates, different contrasts or units, ratios, missing standard errors.

    Notes
    -----
    Sources as for :func:`pool_scalar`. `n` and `n_missing` are those of the first estimate, n the smallest.

    Examples
    --------
    >>> sets = [Estimate(value=v, conf_low=None, conf_high=None, std_error=1.0, df=30.0, unit="kg", n=32)
    ...         for v in (4.0, 5.0, 6.0)]
    >>> pooled = pool_estimates(sets)
    >>> pooled.estimate.value, round(pooled.total, 12), pooled.df_complete
    (5.0, 2.333333333333, 30.0)
    """
    check_level(level)
    m = len(estimates)
    if m < 2:
        raise EstimationError(
            f"{m} estimates; pooling needs at least 2 imputed data sets", code="too_few_imputations"
        )
    first = estimates[0]
    if len({(e.contrast, e.unit) for e in estimates}) > 1:
        raise EstimationError(
            "the estimates have different contrasts or units; pool one contrast at a time",
            code="mixed_contrasts",
        )
    if first.unit == "ratio":
        raise EstimationError(
            "ratios are pooled as logarithms; pass log ratios and their standard errors to pool_scalar",
            code="ratio",
        )
    about: dict[str, Any] = {
        "contrast": first.contrast, "unit": first.unit, "n": min(e.n for e in estimates),
        "n_missing": first.n_missing,
    }  # fmt: skip
    silent = [e for e in estimates if e.value is None]
    if silent:
        reason = f"not estimable in {len(silent)} of {m} imputed data sets: {silent[0].reason}"
        method = f"Rubin's rules, {m} imputations"
        v = math.inf if df_complete is None else df_complete
        return _without(Estimate.not_estimable(reason, method=method, **about), m, v)
    if any(e.std_error is None for e in estimates):
        raise EstimationError(
            "some estimates have no standard error; Rubin's rules need one from every imputed data set",
            code="no_std_error",
        )
    if df_complete is None:
        df_complete = min(math.inf if e.df is None else e.df for e in estimates)
    return pool_scalar(
        [e.value for e in estimates], [e.std_error for e in estimates], df_complete=df_complete, level=level,
        **about,
    )  # fmt: skip


def barnard_rubin_df(m: int, share: float, df_complete: float) -> float:
    """Return the degrees of freedom of one pooled number.

    Parameters
    ----------
    m : int
        Imputations.
    share : float
        Share of the total variance that lies between imputations, times (1 + 1/m); 0 to 1.
    df_complete : float
        Degrees of freedom had nothing been missing.

    Notes
    -----
    Source: Barnard J, Rubin DB. Biometrika 1999; 86: 948-955.

    Examples
    --------
    4 / 0.5^2 = 16 and 0.5 * 21 * 22 / 24 = 9.625.

    >>> round(barnard_rubin_df(5, 0.5, 21), 9), round(1 / (1 / 16 + 1 / 9.625), 9)
    (6.009756098, 6.009756098)
    """
    # an underflow of the square means agreement to all digits: as good as infinity
    square = share * share
    imputed = (m - 1) / square if square > 1e-300 else math.inf
    if math.isinf(df_complete):
        return imputed
    observed = (1.0 - share) * df_complete * ((df_complete + 1.0) / (df_complete + 3.0))
    if math.isinf(imputed):
        return observed
    return imputed * (observed / (imputed + observed))


def _without(estimate: Estimate, m: int, df_complete: float) -> PooledEstimate:
    """Return the pooled estimate that says why there is none."""
    return PooledEstimate(
        estimate=estimate, n_imputations=m, within=None, between=None, total=None, relative_increase=None,
        share_between=None, missing_information=None, monte_carlo_error=None, df_complete=df_complete,
    )  # fmt: skip


def _check_sets(values: Any, std_errors: Any) -> tuple[FloatArray, FloatArray]:
    """Return estimates and standard errors of the imputed data sets, or refuse them."""
    q, se = floats(values, "the estimates"), floats(std_errors, "the standard errors")
    if q.ndim != 1 or q.shape != se.shape or len(q) < 2:
        raise EstimationError(
            f"estimates of shape {q.shape} and standard errors of shape {se.shape}; give one of each for at "
            "least 2 imputed data sets",
            code="too_few_imputations" if q.shape == se.shape == (1,) else "bad_shape",
        )
    n_bad = int((~np.isfinite(q) | ~np.isfinite(se) | (se < 0.0)).sum())
    if n_bad:
        raise EstimationError(
            f"{n_bad} of {len(q)} imputed data sets have a missing or infinite estimate, or a standard error "
            "that is missing, infinite or below 0; find out why before pooling",
            code="not_finite",
        )
    return q, se


def check_df(df_complete: float) -> None:
    """Refuse degrees of freedom that are not above 0.

    Examples
    --------
    >>> check_df(22)
    """
    if not df_complete > 0.0:
        raise EstimationError(
            f"df_complete is {df_complete}; degrees of freedom are above 0, infinity for large samples",
            code="bad_df",
        )
