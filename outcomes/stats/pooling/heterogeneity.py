"""How much study results differ beyond chance: tau squared by seven rules, and its interval.

statsmodels' combine_effects has DL and PM, but no REML, no interval of tau squared, no prediction
interval and no moderator; its DL is not kept at 0 and then ends in NaN, its PM can fall to 0 by rounding
(0.15). So the few formulas stand here; tests hold them against it where it goes.
Everything takes a design matrix, so that pooling (a column of ones) and meta-regression share it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import chi2_p, numbers
from outcomes.stats.pooling.tau_likelihood import likelihood_tau_squared

TauMethod = Literal["REML", "DL", "PM", "ML", "SJ", "HS", "EB"]
TAU_METHODS = ("REML", "DL", "PM", "ML", "SJ", "HS", "EB")


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightedFit:
    """Least squares with known variances plus tau squared.

    Attributes
    ----------
    beta, covariance : ndarray, shape (p,), (p, p)
        Coefficients, and the inverse of X' W X.
    q : float
        Weighted sum of squared residuals.
    weights : ndarray, shape (k,)
        1 / (variance + tau squared).
    """

    beta: FloatArray
    covariance: FloatArray
    q: float
    weights: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Heterogeneity:
    """How much the results of studies differ.

    Attributes
    ----------
    tau2, tau2_low, tau2_high : float
        Variance between studies with its Q-profile interval. The interval belongs to no rule for `tau2` and
        may, with DL or REML, not hold it.
    tau2_method : str
    q, q_p : float
    q_df : int
        Cochran's Q about the fixed-effect mean, and its p.
    i2, i2_low, i2_high : float
        Percent of the variation that is not chance: (Q - df) / Q, not below 0; limits from those of tau
        squared over the typical variance of a study (Higgins and Thompson 2002).
    i2_of_tau2 : float
        The same percent from `tau2` itself, tau2 / (tau2 + typical variance); equals `i2` for DL.
    h2 : float
        (tau2 + typical variance) / typical variance.
    level : float
    """

    tau2: float
    tau2_low: float
    tau2_high: float
    tau2_method: str
    q: float
    q_df: int
    q_p: float
    i2: float
    i2_low: float
    i2_high: float
    i2_of_tau2: float
    h2: float
    level: float

    def tidy(self) -> pd.DataFrame:
        """Return one row for tau squared and one for I squared."""
        rows = [
            ("tau2", self.tau2, self.tau2_low, self.tau2_high),
            ("I2 (percent)", self.i2, self.i2_low, self.i2_high),
        ]
        made = pd.DataFrame(rows, columns=["contrast", "estimate", "conf_low", "conf_high"])
        return made.assign(q=self.q, q_df=self.q_df, p_value=self.q_p)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return (
            f"tau2 {self.tau2:.4g} ({self.level * 100:g} % CI {self.tau2_low:.4g} to {self.tau2_high:.4g}, "
            f"{self.tau2_method}), I2 {self.i2:.0f} % ({self.i2_low:.0f} to {self.i2_high:.0f}), "
            f"Q = {self.q:.4g} on {self.q_df} df, p = {self.q_p:.3g}"
        )


def judge_heterogeneity(
    values: Any, std_errors: Any, *, method: TauMethod = "REML", level: float = 0.95
) -> Heterogeneity:
    """Return Q, I squared and tau squared of studies, with intervals.

    Parameters
    ----------
    values, std_errors, method
        As for :func:`tau_squared`.
    level : float
        Confidence level.

    Raises
    ------
    EstimationError
        When there are fewer than 2 studies or one is unusable.

    References
    ----------
    Cochran WG. Biometrics 1954; 10: 101-129. Higgins JPT, Thompson SG. Statistics in Medicine 2002; 21:
    1539-1558. Viechtbauer W. Statistics in Medicine 2007; 26: 37-52.

    Examples
    --------
    >>> print(judge_heterogeneity([0, 2, 4], [1, 1, 1]))
    tau2 3 (95 % CI 0.08434 to 157, REML), I2 75 % (8 to 99), Q = 8 on 2 df, p = 0.0183
    """
    y, se = check_studies(values, std_errors)
    tau2 = tau_squared(y, se, method=method)
    limits = tau_squared_interval(y, se, level) or (0.0, 0.0)  # at least 2 studies: there are limits
    fit = weighted_fit(y, se**2, np.ones((y.size, 1)), 0.0)
    df, w = y.size - 1, fit.weights / fit.weights.max()
    typical = df * w.sum() / (w.sum() ** 2 - (w**2).sum()) / fit.weights.max()
    low, high = (float(100 * limit / (limit + typical)) for limit in limits)
    return Heterogeneity(
        tau2=tau2, tau2_low=limits[0], tau2_high=limits[1], tau2_method=method, q=fit.q, q_df=df,
        q_p=chi2_p(fit.q, df), i2=100 * (fit.q - df) / fit.q if fit.q > df else 0.0, i2_low=low, i2_high=high,
        i2_of_tau2=100 * tau2 / (tau2 + float(typical)), h2=1 + tau2 / float(typical), level=level,
    )  # fmt: skip


def weighted_fit(y: FloatArray, v: FloatArray, X: FloatArray, tau2: float) -> WeightedFit:
    """Return the weighted least squares fit at a given tau squared.

    Parameters
    ----------
    y, v : ndarray, shape (k,)
        Effects and their variances.
    X : ndarray, shape (k, p)
        Design of full rank.
    tau2 : float
        Variance between studies, 0 for a fixed-effect model.

    Examples
    --------
    Weights 1 and 1/3:

    >>> ones = np.ones((2, 1))
    >>> weighted_fit(np.array([0.0, 4.0]), np.array([1.0, 3.0]), ones, 0.0).beta.round(12)
    array([1.])
    """
    weights = 1.0 / (v + tau2)
    root = np.sqrt(weights)
    q, r = np.linalg.qr(X * root[:, None])
    inverse = np.linalg.inv(r)
    # about a middle value, so that a common offset costs no digits; the first column of X is the intercept
    pivot = float(np.median(y))
    beta = inverse @ (q.T @ ((y - pivot) * root))
    residual = (y - pivot) - X @ beta
    beta[0] += pivot
    return WeightedFit(
        beta=beta, covariance=inverse @ inverse.T, q=float(weights @ residual**2), weights=weights
    )


def tau_squared(
    values: Any, std_errors: Any, *, method: TauMethod = "REML", design: FloatArray | None = None
) -> float:
    """Return the variance between studies.

    Parameters
    ----------
    values, std_errors : array_like, shape (k,)
        Effects of the studies and their standard errors, on the scale on which they are averaged (logs of
        ratios).
    method : {"REML", "DL", "PM", "ML", "SJ", "HS", "EB"}
        Restricted maximum likelihood (the highest maximum, searched), DerSimonian-Laird, Paule-Mandel,
        maximum likelihood, Sidik-Jonkman (above 0 whenever the values differ), Hunter-Schmidt, empirical
        Bayes. ML and HS are too small on average. EB solves the same equation as PM.
    design : ndarray, shape (k, p), optional
        Intercept and moderators; a column of ones by default. Full rank, fewer columns than studies.

    Returns
    -------
    float
        In the squared unit of `values`; 0 or more.

    Raises
    ------
    EstimationError
        When studies are unusable or no more than columns of the design.

    References
    ----------
    DerSimonian R, Laird N. Controlled Clinical Trials 1986; 7: 177-188. Paule RC, Mandel J. J Res Natl Bur
    Stand 1982; 87: 377-385. REML, ML, HS: Viechtbauer W. J Educ Behav Stat 2005; 30: 261-293. Sidik K,
    Jonkman JN. Applied Statistics 2005; 54: 367-384. EB: Morris CN. J Am Stat Assoc 1983; 78: 47-55.

    Examples
    --------
    With equal errors these give the variance between the values less that within, here 4 - 1:

    >>> [round(tau_squared([0, 2, 4], [1, 1, 1], method=rule), 9) for rule in ("REML", "DL", "PM", "EB")]
    [3.0, 3.0, 3.0, 3.0]

    ML and HS take the divisor k, 8/3 - 1; SJ starts from 8/3 and gives 4 x (8/3) / (8/3 + 1) = 32/11:

    >>> [round(tau_squared([0, 2, 4], [1, 1, 1], method=rule), 9) for rule in ("ML", "HS", "SJ")]
    [1.666666667, 1.666666667, 2.909090909]
    """
    check_choice(method, TAU_METHODS, "method")
    y, se = check_studies(values, std_errors)
    X = np.ones((y.size, 1)) if design is None else design
    v = se**2
    spare = y.size - X.shape[1]
    if spare < 1:
        raise EstimationError(
            f"{y.size} studies for {X.shape[1]} coefficients leave nothing to judge heterogeneity by",
            code="too_few",
        )
    plain = weighted_fit(y, v, X, 0.0)
    if method == "DL":
        return float(max(0.0, (plain.q - spare) / _trace(X, plain)))
    if method == "HS":
        return float(max(0.0, (plain.q - y.size) / plain.weights.sum()))
    spread = weighted_fit(y, np.ones_like(v), X, 0.0).q / spare
    if method in ("PM", "EB"):
        return 0.0 if plain.q <= spare else _solve_q(y, v, X, float(spare), spread)
    if method == "SJ":
        return _sidik_jonkman(y, v, X)
    return likelihood_tau_squared(y, v, X, spread, restricted=method == "REML")


def tau_squared_interval(
    values: Any, std_errors: Any, level: float = 0.95, *, design: FloatArray | None = None
) -> tuple[float, float] | None:
    """Return the Q-profile limits of tau squared, or None when nothing is left to judge it by.

    Parameters
    ----------
    values, std_errors, design
        As for :func:`tau_squared`.
    level : float
        Confidence level.

    Returns
    -------
    tuple of float or None
        Exact for normal effects with known errors; both limits may be 0.

    References
    ----------
    Viechtbauer W. Statistics in Medicine 2007; 26: 37-52.

    Examples
    --------
    With equal errors Q = 8 / (1 + tau2), set to the chi-squared quantiles 7.3778 and 0.0506 (2 df):

    >>> [round(limit, 3) for limit in tau_squared_interval([0, 2, 4], [1, 1, 1])]
    [0.084, 156.992]
    """
    check_level(level)
    y, se = check_studies(values, std_errors)
    X = np.ones((y.size, 1)) if design is None else design
    v, spare = se**2, y.size - X.shape[1]
    if spare < 1:
        return None
    q = weighted_fit(y, v, X, 0.0).q
    spread = weighted_fit(y, np.ones_like(v), X, 0.0).q
    limits = []
    for tail in ((1 - level) / 2, (1 + level) / 2):
        quantile = float(special.chdtri(spare, tail))
        limits.append(0.0 if q <= quantile else _solve_q(y, v, X, quantile, spread / quantile))
    return limits[0], limits[1]


def check_studies(
    values: Any, std_errors: Any, names: Sequence[str] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return effects and standard errors of the studies, or refuse them.

    Raises
    ------
    EstimationError
        Shapes or names that do not fit; a study without a usable effect or error, by its name.

    Examples
    --------
    >>> check_studies([0.1, 0.2], [1, 2])[1]
    array([1., 2.])
    """
    y = numbers(values, "values: every effect must be a number")
    se = numbers(std_errors, "std_errors: every standard error must be a number")
    if y.ndim != 1 or y.shape != se.shape or y.size == 0:
        raise EstimationError(
            f"values {y.shape} and std_errors {se.shape} must be one number a study each, at least one study",
            code="bad_shape",
        )
    if names is not None and len(names) != y.size:
        raise EstimationError(
            f"{len(names)} names for {y.size} studies; give one each, where studies were left out those of the studies "
            "used, or give pool the StudyEffects themselves",
            code="bad_names",
        )
    # squares of weights and of y / se must stay finite in what follows
    with np.errstate(all="ignore"):
        powers = (y**4, se**4, 1 / se**4, (y / se) ** 4)
        usable = (se > 0) & np.isfinite(np.array(powers)).all(axis=0)
    if not usable.all():
        where = [names[k] if names is not None else f"number {k + 1}" for k in np.flatnonzero(~usable)[:5]]
        raise EstimationError(
            f"{int((~usable).sum())} studies without a finite effect and a standard error above 0 of a usual size "
            f"({', '.join(where)}); leave them out and count them",
            code="unusable_studies",
        )
    return y, se


def _trace(X: FloatArray, plain: WeightedFit) -> float:
    """Return the trace of W - W X (X' W X)^-1 X' W, which divides Q - df in DL."""
    w = plain.weights
    return float(w.sum() - np.trace(plain.covariance @ (X.T * w**2) @ X))


def _solve_q(y: FloatArray, v: FloatArray, X: FloatArray, goal: float, spread: float) -> float:
    """Return the tau squared at which Q is the goal; Q falls from above the goal at 0.

    With weights of at most 1 / tau2, Q is at most (unweighted squares) / tau2, hence the upper end.
    """
    upper = spread * (1 + 1e-9)
    return float(
        optimize.brentq(
            lambda tau2: weighted_fit(y, v, X, tau2).q - goal, 0.0, upper, xtol=upper * 1e-15, rtol=1e-14
        )
    )


def _sidik_jonkman(y: FloatArray, v: FloatArray, X: FloatArray) -> float:
    """Return the weighted residual variance with variances in units of a first guess of tau squared."""
    k, p = X.shape
    first = float(((y - y.mean()) ** 2).sum()) / k
    # values that differ by rounding alone do not differ
    if first <= (8 * np.finfo(np.float64).eps * float(np.abs(y).max())) ** 2:
        return 0.0
    return float(first * weighted_fit(y, v, X, first).q / (k - p))
