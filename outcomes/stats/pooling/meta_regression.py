"""Study results against one moderator, and Egger's regression for small-study effects.

statsmodels has neither for known variances with a variance between studies; the fit and the rules for
tau squared are those of :mod:`outcomes.stats.pooling.heterogeneity`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import chi2_p, numbers
from outcomes.stats.pooling.heterogeneity import (
    TAU_METHODS,
    TauMethod,
    WeightedFit,
    check_studies,
    tau_squared,
    weighted_fit,
)
from outcomes.stats.pooling.pooled_effect import effect_estimate

LineInterval = Literal["Hartung-Knapp", "normal"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MetaRegression:
    """A straight line through study results.

    Attributes
    ----------
    intercept, slope : Estimate
        Effect where the moderator is 0, and change of the effect for one unit of it; both as ratios when
        the effects are logs. `n` counts studies.
    tau2 : float
        Variance between studies that the moderator leaves.
    tau2_without : float
        The same without the moderator, by the same rule.
    r2 : float or None
        Percent of the variance between studies that the moderator accounts for, not below 0; None when
        there is none to account for.
    q_residual, q_p : float
    q_df : int
        Test of the heterogeneity that is left (fixed-effect weights).
    method : str
    """

    intercept: Estimate
    slope: Estimate
    tau2: float
    tau2_without: float
    r2: float | None
    q_residual: float
    q_df: int
    q_p: float
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return a row for intercept and slope, with the common column names."""
        return _rows((self.intercept, self.slope)).assign(tau2=self.tau2, r2=self.r2)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        share = "" if self.r2 is None else f", {self.r2:.0f} % of tau2 explained"
        return (
            f"{self.slope}; tau2 left {self.tau2:.4g}{share}; residual Q = {self.q_residual:.4g} on "
            f"{self.q_df} df, p = {self.q_p:.3g}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Egger:
    """Egger's regression of effect / error on 1 / error.

    Attributes
    ----------
    asymmetry : Estimate
        The intercept: 0 when effects do not depend on the size of the study. In standard errors.
    limit_effect : Estimate
        The slope: effect of an infinitely precise study, as a ratio when the effects are logs.
    k : int
    """

    asymmetry: Estimate
    limit_effect: Estimate
    k: int

    def tidy(self) -> pd.DataFrame:
        """Return a row for asymmetry and limit effect, with the common column names."""
        return _rows((self.asymmetry, self.limit_effect))

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return str(self.asymmetry)


def meta_regression(
    values: ArrayLike,
    std_errors: ArrayLike,
    moderator: ArrayLike,
    *,
    tau2: TauMethod = "REML",
    interval: LineInterval = "Hartung-Knapp",
    level: float = 0.95,
    ratio: bool = False,
    moderator_name: str = "moderator",
    unit: str = "",
) -> MetaRegression:
    """Fit the effects of studies as a straight line of one moderator, with random effects.

    Parameters
    ----------
    values, std_errors : array_like, shape (k,)
        Effect of each study and its standard error; for ratios the logs and their errors.
    moderator : array_like, shape (k,)
        One number a study, known for each; 0 and 1 for two kinds of study.
    tau2 : {"REML", "DL", "PM", "ML", "SJ", "HS", "EB"}
        Rule for the variance that is left, see :func:`outcomes.stats.pooling.heterogeneity.tau_squared`.
    interval : {"Hartung-Knapp", "normal"}
        t with k - 2 degrees of freedom and variance by the weighted residuals, or normal.
    level : float
        Confidence level of the limits.
    ratio : bool
        True when `values` are logs.
    moderator_name, unit : str

    Returns
    -------
    MetaRegression

    Raises
    ------
    EstimationError
        With fewer than 3 studies, a moderator that is missing somewhere or the same everywhere.

    Notes
    -----
    A relation between studies need not hold within them, and with under ten studies it is often chance
    (common practice, no source).

    References
    ----------
    Thompson SG, Higgins JPT. Statistics in Medicine 2002; 21: 1559-1573. Knapp G, Hartung J. Statistics in
    Medicine 2003; 22: 2693-2710. R2: Raudenbush SW. In: Handbook of Research Synthesis 2009.

    Examples
    --------
    Effects 0, 2, 4 at 0, 1, 2 lie on a line of slope 2; its variance is 1 / (1 + 0 + 1):

    >>> line = meta_regression([0, 2, 4], [1, 1, 1], [0, 1, 2], interval="normal")
    >>> round(line.slope.value, 9), round(line.slope.std_error ** 2, 9), line.tau2
    (2.0, 0.5, 0.0)
    """
    check_choice(tau2, TAU_METHODS, "tau2")
    check_choice(interval, ("Hartung-Knapp", "normal"), "interval")
    check_level(level)
    y, se = check_studies(values, std_errors)
    x, centre, width = _moderator(moderator, y.size, moderator_name)
    order = np.lexsort((x, se, y))  # summed in a fixed order
    x, y, se = x[order], y[order], se[order]
    X = np.column_stack([np.ones_like(x), x])
    left = tau_squared(y, se, method=tau2, design=X)
    without = tau_squared(y, se, method=tau2)
    fit, plain = weighted_fit(y, se**2, X, left), weighted_fit(y, se**2, X, 0.0)
    k = y.size
    scale, df, reason = _dispersion(fit, k, interval)
    name = f"random effects, {tau2}, {interval}"
    # the line was fitted in (moderator - centre) / width
    terms = (
        (np.array([1.0, -centre / width]), f"effect at {moderator_name} 0"),
        (np.array([0.0, 1.0 / width]), f"change for one unit of {moderator_name}"),
    )
    intercept, slope = (
        effect_estimate(
            float(c @ fit.beta), None if scale is None else scale * float(c @ fit.covariance @ c), df,
            level=level, ratio=ratio, contrast=label, unit="ratio" if ratio else unit, n=k, method=name,
            reason=reason,
        )
        for c, label in terms
    )  # fmt: skip
    return MetaRegression(
        intercept=intercept, slope=slope, tau2=left, tau2_without=without,
        r2=100 * max(0.0, 1 - left / without) if without > 0 else None,
        q_residual=plain.q, q_df=k - 2, q_p=chi2_p(plain.q, k - 2), method=name,
    )  # fmt: skip


def egger(
    values: ArrayLike, std_errors: ArrayLike, *, level: float = 0.95, ratio: bool = False, unit: str = ""
) -> Egger:
    """Test whether small studies have other effects than large ones.

    Parameters
    ----------
    values, std_errors : array_like, shape (k,)
        Effect of each study and its standard error; for ratios the logs and their errors.
    level : float
        Confidence level of the limits.
    ratio : bool
        True when `values` are logs.
    unit : str

    Returns
    -------
    Egger
        Least squares of effect / error on 1 / error, t with k - 2 degrees of freedom, as in the paper.

    Raises
    ------
    EstimationError
        With fewer than 3 studies, or when all errors are the same.

    Notes
    -----
    Weak with under ten studies. For odds ratios, standardised differences and rare events the error depends
    on the effect, and the test finds asymmetry where there is none. Asymmetry has other causes than
    unpublished studies.

    References
    ----------
    Egger M, Davey Smith G, Schneider M, Minder C. BMJ 1997; 315: 629-634.

    Examples
    --------
    Effects of 1 plus 2 errors:

    >>> found = egger([3.0, 5.0, 9.0], [1.0, 2.0, 4.0])
    >>> round(found.asymmetry.value, 9), round(found.limit_effect.value, 9)
    (2.0, 1.0)
    """
    check_level(level)
    y, se = check_studies(values, std_errors)
    order = np.lexsort((se, y))  # summed in a fixed order
    y, se = y[order], se[order]
    x, centre, width = _moderator(se, y.size, "std_errors")
    # dividing the line effect = limit + asymmetry x error by the error gives Egger's regression
    fit = weighted_fit(y, se**2, np.column_stack([np.ones_like(x), x]), 0.0)
    scale, df, reason = _dispersion(fit, y.size, "Hartung-Knapp")
    asymmetry, limit = (
        effect_estimate(
            float(c @ fit.beta), None if scale is None else scale * float(c @ fit.covariance @ c), df,
            level=level, ratio=as_ratio, contrast=label, unit="ratio" if as_ratio else units, n=y.size,
            method="Egger", reason=reason,
        )
        for c, as_ratio, label, units in (
            (np.array([0.0, 1.0 / width]), False, "asymmetry", "standard errors"),
            (np.array([1.0, -centre / width]), ratio, "effect without error", unit),
        )
    )  # fmt: skip
    return Egger(asymmetry=asymmetry, limit_effect=limit, k=y.size)


def _moderator(values: ArrayLike, k: int, name: str) -> tuple[FloatArray, float, float]:
    """Return the moderator about its mean in units of its half range, with both; or refuse it."""
    x = numbers(values, f"{name}: every value must be a number")
    if x.shape != (k,):
        raise EstimationError(f"{name}: expected {k} numbers, got shape {x.shape}", code="bad_shape")
    if not np.isfinite(x).all():
        missing = int((~np.isfinite(x)).sum())
        raise EstimationError(
            f"{name}: {missing} missing or infinite; leave those studies out and count them",
            code="not_finite",
        )
    if k < 3:
        raise EstimationError(f"{k} studies: a line needs at least 3", code="too_few")
    centre = math.fsum(x) / k
    width = float(np.abs(x - centre).max())
    if width <= 8 * np.finfo(np.float64).eps * float(np.abs(x).max()):
        raise EstimationError(f"{name} is the same in every study: no line can be fitted", code="constant")
    return (x - centre) / width, centre, width


def _dispersion(fit: WeightedFit, k: int, interval: str) -> tuple[float | None, float, str]:
    """Return the factor on the variances, the degrees of freedom, and why there is none."""
    if interval == "normal":
        return 1.0, math.inf, ""
    scale = fit.q / (k - 2)
    nothing = float(fit.weights.max()) * (16 * np.finfo(np.float64).eps * float(np.abs(fit.beta).max())) ** 2
    if scale <= nothing:
        return None, math.inf, "the studies lie exactly on the line: no interval"
    return scale, float(k - 2), ""


def _rows(estimates: tuple[Estimate, ...]) -> pd.DataFrame:
    """Return one row an estimate."""
    rows = [
        {
            "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
            "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing,
            "method": e.method, "reason": e.reason,
        }
        for e in estimates
    ]  # fmt: skip
    return pd.DataFrame(rows)
