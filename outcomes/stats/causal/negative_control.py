"""The same contrast on a negative control: where no effect can be, an estimate is bias."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import cluster_codes, floats
from outcomes.stats.numerics.inputs import SMALLEST_P
from outcomes.stats.numerics.student import t_quantile, t_two_sided_p
from outcomes.stats.regression.clusters import Covariance
from outcomes.stats.regression.contrasts import at_level
from outcomes.stats.regression.linear import LinearFit, fit_linear, linear_contrast

BiasState = Literal["beyond", "within", "cannot tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeControl:
    """What a negative control says about the bias of a contrast.

    Attributes
    ----------
    control : Estimate
        The contrast on the negative control.
    tolerated : float
        Bias that would not matter, in the unit of the control.
    p_beyond : float or None
        p of the hypothesis that the bias is at most `tolerated` in either direction.
    state : {"beyond", "within", "cannot tell"}
        Beyond: that hypothesis is rejected. Within: the interval at level 1 - 2 alpha lies inside plus and minus
        `tolerated` (two one-sided tests). Otherwise these data cannot tell.
    calibrated : Estimate
        The primary contrast less `scale` times the control's: a sensitivity analysis, never the answer.
    scale : float
        Bias of the primary contrast per unit of bias of the control; assumed.
    correlation : float or None
        Of the two estimates; None where not known, when the calibrated interval is the widest possible.
    """

    control: Estimate
    tolerated: float
    p_beyond: float | None
    state: BiasState
    calibrated: Estimate
    scale: float
    correlation: float | None

    def tidy(self) -> pd.DataFrame:
        """Return one row for the control and one for the calibrated contrast."""
        return pd.DataFrame(
            [
                {
                    "outcome": name, "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error,
                    "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n,
                    "n_missing": e.n_missing, "p_beyond": p, "tolerated": self.tolerated,
                }
                for name, e, p in (
                    ("negative control", self.control, self.p_beyond), ("calibrated", self.calibrated, None)
                )
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        unit = f" {self.control.unit}" if self.control.unit else ""
        said = {
            "beyond": "bias beyond", "within": "bias within", "cannot tell": "cannot tell whether bias is beyond",
        }[self.state]  # fmt: skip
        return f"negative control: {self.control}; {said} {self.tolerated:g}{unit}"


def judge_negative_control(
    primary: Estimate,
    control: Estimate,
    *,
    tolerated: float = 0.0,
    scale: float = 1.0,
    correlation: float | None = None,
    alpha: float = 0.05,
) -> NegativeControl:
    """Judge a contrast by the same contrast on a negative control outcome or exposure.

    Parameters
    ----------
    primary, control : Estimate
        Differences with standard errors, from the same model; the control on an outcome that the exposure cannot
        change, or of an exposure that cannot change the outcome, with the same confounders.
    tolerated : float
        Bias that would not matter, 0 or more, in the unit of the control.
    scale : float
        Bias of the primary per unit of bias of the control.
    correlation : float, optional
        Of the two estimates (:func:`negative_control_outcome` estimates it).
    alpha : float
        Size of the tests.

    Returns
    -------
    NegativeControl
        A control without estimate or error leaves the state "cannot tell".

    Raises
    ------
    EstimationError
        Ratios, a negative or infinite bias, a correlation outside -1 to 1, no primary value.

    Notes
    -----
    p is largest at the border of the hypothesis: P(T >= (|c| - t) / s) + P(T <= -(|c| + t) / s) with c the control's
    estimate, s its error and t the tolerated bias; with t = 0 the usual two-sided p. The calibrated variance is
    s_p^2 + k^2 s_c^2 - 2 k r s_p s_c; without r the error is s_p + |k| s_c. Sources: Lipsitch, Tchetgen Tchetgen and
    Cohen (2010) Epidemiology 21:383; Murphy and Myors (1999) J Appl Psychol 84:234 (tests of a minimum effect);
    Tchetgen Tchetgen (2014) Am J Epidemiol 179:633 (calibration).

    Examples
    --------
    >>> primary = Estimate(value=5.0, conf_low=1.0, conf_high=9.0, std_error=2.0, unit="kg")
    >>> control = Estimate(value=3.0, conf_low=1.0, conf_high=5.0, std_error=1.0, unit="kg")
    >>> found = judge_negative_control(primary, control, tolerated=1.0, correlation=0.0)
    >>> round(found.p_beyond, 4), found.state, found.calibrated.value, round(found.calibrated.std_error**2, 9)
    (0.0228, 'beyond', 2.0, 5.0)
    """
    _check(primary, control, tolerated, scale, correlation, alpha)
    calibrated = _calibrated(primary, control, scale, correlation)
    p: float | None = None
    state: BiasState = "cannot tell"
    if control.value is not None and control.std_error is not None:
        df = math.inf if control.df is None else control.df
        size, s = abs(control.value), control.std_error
        p = _tail((size - tolerated) / s, df) + _tail((size + tolerated) / s, df)
        p = min(1.0, max(p, SMALLEST_P))
        reach = float(t_quantile(1.0 - alpha, df)) * s
        if p < alpha:
            state = "beyond"
        elif size + reach < tolerated:
            state = "within"
    return NegativeControl(
        control=control, tolerated=float(tolerated), p_beyond=p, state=state, calibrated=calibrated,
        scale=float(scale), correlation=correlation,
    )  # fmt: skip


def negative_control_outcome(
    X: Any,
    y: Any,
    control: Any,
    contrast: Any,
    *,
    names: Sequence[str],
    clusters: Any = None,
    covariance: Covariance = "CR2",
    tolerated: float = 0.0,
    scale: float = 1.0,
    alpha: float = 0.05,
    level: float = 0.95,
    label: str = "",
    unit: str = "",
) -> NegativeControl:
    """Fit the same linear model to an outcome and to a negative control outcome and compare the contrast.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design with its intercept.
    y, control : array_like, shape (n,)
        Outcome and negative control, of the same cases.
    contrast : array_like, shape (p,)
        Contrast of the coefficients.
    names : sequence of str, length p
    clusters : array_like, shape (n,), optional
    covariance : str
        As for :func:`outcomes.stats.regression.linear.fit_linear`.
    tolerated, scale, alpha
        As for :func:`judge_negative_control`.
    level : float
    label, unit : str

    Returns
    -------
    NegativeControl
        The correlation of the two estimates is that of their influence totals by cluster.

    Raises
    ------
    EstimationError
        As :func:`outcomes.stats.regression.linear.fit_linear` and :func:`judge_negative_control`.

    Notes
    -----
    Sources as for :func:`judge_negative_control`.

    Examples
    --------
    >>> X = np.column_stack([np.ones(8), np.tile([0.0, 1.0], 4)])
    >>> y = [1.0, 3.0, 2.0, 5.0, 1.0, 4.0, 2.0, 4.0]
    >>> found = negative_control_outcome(X, y, y, [0, 1], names=["intercept", "exposed"])
    >>> found.calibrated.value, found.calibrated.reason, round(found.correlation, 9)
    (0.0, 'no spread is left to judge this value by', 1.0)
    """
    fits = [fit_linear(X, out, names=names, clusters=clusters, covariance=covariance) for out in (y, control)]
    rows = np.atleast_2d(floats(contrast, "the contrast"))
    estimates = [linear_contrast(fit, rows, level=level, labels=[label], unit=unit)[0] for fit in fits]
    totals = [_totals(fit, X, rows[0], clusters) for fit in fits]
    norms = [float(np.sqrt(t @ t)) for t in totals]
    correlation = (
        float(np.clip(totals[0] @ totals[1] / (norms[0] * norms[1]), -1.0, 1.0)) if min(norms) > 0 else None
    )
    return judge_negative_control(
        estimates[0], estimates[1], tolerated=tolerated, scale=scale, correlation=correlation, alpha=alpha
    )


def _totals(fit: LinearFit, X: Any, row: Any, clusters: Any) -> Any:
    """Return the influence of each cluster on a contrast."""
    design = np.asarray(X, dtype=np.float64)
    own = (design * fit.residuals[:, None]) @ (fit.bread @ row)
    return np.bincount(cluster_codes(clusters, len(own))[0], own)


def _tail(t: float, df: float) -> float:
    """Return the upper tail of Student's t."""
    two = float(t_two_sided_p(t, df))
    return two / 2.0 if t >= 0.0 else 1.0 - two / 2.0


def _calibrated(primary: Estimate, control: Estimate, scale: float, correlation: float | None) -> Estimate:
    """Return the primary contrast less the scaled control."""
    known = (
        "correlation unknown: widest interval" if correlation is None else f"correlation {correlation:.2g}"
    )
    about: dict[str, Any] = {
        "contrast": primary.contrast, "unit": primary.unit, "n": primary.n, "n_missing": primary.n_missing,
        "method": f"calibrated by the negative control ({known}), sensitivity analysis only",
    }  # fmt: skip
    if control.value is None:
        return Estimate.not_estimable(f"the negative control: {control.reason}", **about)
    value = (primary.value or 0.0) - scale * control.value
    if primary.std_error is None or control.std_error is None:
        reason = "an error of one of the two contrasts is missing"
        return Estimate(value=value, conf_low=None, conf_high=None, reason=reason, **about)
    first, second = primary.std_error, scale * control.std_error
    if correlation is None:
        error = first + abs(second)
    else:
        error = math.sqrt(max(first**2 + second**2 - 2.0 * correlation * first * second, 0.0))
    if error <= 1e-7 * (first + abs(second)):
        reason = "no spread is left to judge this value by"
        return Estimate(value=value, conf_low=None, conf_high=None, reason=reason, **about)
    degrees = [math.inf if e.df is None else e.df for e in (primary, control)]
    df = min(degrees)
    made = Estimate(
        value=value, conf_low=None, conf_high=None, std_error=error, df=None if math.isinf(df) else df,
        p_value=min(1.0, max(2.0 * _tail(abs(value) / error, df), SMALLEST_P)), reason="", **about,
    )  # fmt: skip
    return at_level(made, primary.level)


def _check(
    primary: Estimate,
    control: Estimate,
    tolerated: float,
    scale: float,
    correlation: float | None,
    alpha: float,
) -> None:
    """Refuse what cannot be compared."""
    if "ratio" in (primary.unit, control.unit):
        raise EstimationError(
            "ratios are compared as logarithms; give differences of log ratios", code="ratio"
        )
    if primary.value is None:
        raise EstimationError(
            f"the primary contrast is not estimable: {primary.reason}", code="not_estimable"
        )
    if not (math.isfinite(tolerated) and tolerated >= 0.0 and math.isfinite(scale)):
        raise EstimationError("tolerated is 0 or more, and scale finite", code="bad_choice")
    if correlation is not None and not -1.0 <= correlation <= 1.0:
        raise EstimationError(f"correlation is {correlation}; give -1 to 1, or None", code="bad_choice")
    if not 0.0 < alpha < 0.5:
        raise EstimationError(
            f"alpha is {alpha}; give a number between 0 and 0.5, such as 0.05", code="bad_level"
        )
