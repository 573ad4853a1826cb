"""Pooling of study results: fixed and random effects, prediction interval, leave-one-out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_choice, check_level
from outcomes.stats.numerics.inputs import two_sided_p
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.pooling.heterogeneity import (
    TAU_METHODS,
    Heterogeneity,
    TauMethod,
    WeightedFit,
    check_studies,
    judge_heterogeneity,
    weighted_fit,
)
from outcomes.stats.pooling.study_effects import StudyEffects

Model = Literal["random", "fixed"]
IntervalMethod = Literal["Hartung-Knapp", "Hartung-Knapp, not below normal", "normal"]
INTERVALS = ("Hartung-Knapp", "Hartung-Knapp, not below normal", "normal")
Prediction = Literal["t(k-2)", "t(k-1), Hartung-Knapp", "normal"]
PREDICTIONS = ("t(k-2)", "t(k-1), Hartung-Knapp", "normal")
LARGEST_LOG = 700.0  # beyond it a ratio is no finite number


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """The common or mean effect of several studies, and how they differ.

    Attributes
    ----------
    estimate : Estimate
        Ratios: value and limits as ratios, standard error of the log. `n` counts studies.
    prediction_low, prediction_high : float or None
        Where the effect of a new study is expected; None for a fixed effect, below 3 studies or without
        an interval.
    prediction_method : str
    heterogeneity : Heterogeneity or None
        Q, I2 and tau squared (of logs for ratios) with their intervals; None for one study.
    k : int
    names : tuple of str
    weights : tuple of float
        Percent that each study contributes.
    left_out : int
    left_out_reason : str
        Studies without an effect and why, where :class:`outcomes.stats.pooling.study_effects.StudyEffects` were given.
    """

    estimate: Estimate
    prediction_low: float | None
    prediction_high: float | None
    prediction_method: str
    heterogeneity: Heterogeneity | None
    k: int
    names: tuple[str, ...]
    weights: tuple[float, ...]
    left_out: int = 0
    left_out_reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        e = self.estimate
        row = {
            "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
            "conf_high": e.conf_high, "p_value": e.p_value, "n": self.k, "n_missing": self.left_out,
            "prediction_low": self.prediction_low, "prediction_high": self.prediction_high,
            "method": e.method, "reason": e.reason,
        }  # fmt: skip
        h = self.heterogeneity
        names = ("tau2", "tau2_low", "tau2_high", "q", "q_df", "q_p", "i2", "i2_low", "i2_high", "h2")
        return pd.DataFrame([row | {name: None if h is None else getattr(h, name) for name in names}])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        parts = [str(self.estimate)]
        if self.prediction_low is not None and self.prediction_high is not None:
            parts.append(
                f"{self.estimate.level * 100:g} % prediction interval {self.prediction_low:.4g} to "
                f"{self.prediction_high:.4g} ({self.prediction_method})"
            )
        if self.heterogeneity is not None:
            parts.append(str(self.heterogeneity))
        if self.left_out:
            studies = "study" if self.left_out == 1 else "studies"
            parts.append(f"{self.left_out} {studies} left out ({self.left_out_reason})")
        return "; ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaveOneOut:
    """The pooled result without each study in turn.

    Attributes
    ----------
    left_out : tuple of str
    results : tuple of Pooled
        In the same order.
    """

    left_out: tuple[str, ...]
    results: tuple[Pooled, ...]

    def tidy(self) -> pd.DataFrame:
        """Return one row for each study left out, with the common column names."""
        frames = [
            result.tidy().assign(group=f"without {name}")
            for name, result in zip(self.left_out, self.results, strict=True)
        ]
        rows = [frame.to_dict("records")[0] for frame in frames]
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the smallest and the largest result."""
        found = [(r.estimate.value, name) for name, r in zip(self.left_out, self.results, strict=True)]
        known = sorted((value, name) for value, name in found if value is not None)
        if not known:
            return "leaving one study out: not estimable"
        (low, first), (high, last) = known[0], known[-1]
        return f"leaving one study out: from {low:.4g} (without {first}) to {high:.4g} (without {last})"


def pool(
    values: ArrayLike | StudyEffects,
    std_errors: ArrayLike | None = None,
    *,
    model: Model = "random",
    tau2: TauMethod = "REML",
    interval: IntervalMethod = "Hartung-Knapp",
    prediction: Prediction = "t(k-2)",
    level: float = 0.95,
    ratio: bool = False,
    names: Sequence[str] | None = None,
    contrast: str = "",
    unit: str = "",
) -> Pooled:
    """Pool the effects of studies by the inverse of their variances.

    Parameters
    ----------
    values, std_errors : array_like, shape (k,)
        Effect of each study and its standard error; for ratios the logs and their errors. Or StudyEffects alone, which
        know the studies left out.
    model : {"random", "fixed"}
        "fixed": one effect common to all, normal interval whatever `interval` says.
    tau2 : {"REML", "DL", "PM", "ML", "SJ", "HS", "EB"}
        Rule for the variance between studies, see :func:`outcomes.stats.pooling.heterogeneity.tau_squared`.
    interval : {"Hartung-Knapp", "Hartung-Knapp, not below normal", "normal"}
        Hartung-Knapp: t with k - 1 degrees of freedom, variance by the weighted spread of the studies. With
        studies that agree by chance it is narrower than the normal one; the second option does not let the
        variance shrink below it.
    prediction : {"t(k-2)", "t(k-1), Hartung-Knapp", "normal"}
        mean -/+ t sqrt(tau2 + se2): k - 2 degrees of freedom with the plain variance of the mean (Higgins
        2009), k - 1 with Hartung-Knapp's, or the normal, which is too narrow with few studies.
    level : float
        Confidence level of every limit.
    ratio : bool
        True when `values` are logs: results are given as ratios.
    names : sequence of str, optional
        One a study; with StudyEffects one for each study used, or for each one given.
    contrast, unit : str

    Returns
    -------
    Pooled
        Not estimable with random effects and one study. Without limits where every study has the same
        value and Hartung-Knapp therefore no variance.

    Raises
    ------
    EstimationError
        When a study has no finite effect or no standard error above 0, or an option is unknown.

    References
    ----------
    Hartung J, Knapp G. Statistics in Medicine 2001; 20: 3875-3889. Higgins JPT, Thompson SG, Spiegelhalter
    DJ. J R Stat Soc A 2009; 172: 137-159. I2: Higgins JPT, Thompson SG. Statistics in Medicine 2002; 21:
    1539-1558. Others at :mod:`outcomes.stats.pooling.heterogeneity`.

    Examples
    --------
    Two studies with variances 1 and 3 weigh 3 : 1, and the variance of the mean is 1 / (1 + 1/3):

    >>> fixed = pool([0.0, 4.0], [1.0, 3 ** 0.5], model="fixed")
    >>> round(fixed.estimate.value, 12), round(fixed.estimate.std_error ** 2, 12), round(fixed.heterogeneity.q, 12)
    (1.0, 0.75, 4.0)

    Equal errors: the Hartung-Knapp error is that of a plain mean, here 2 / sqrt(3):

    >>> mean = pool([0, 2, 4], [1, 1, 1])
    >>> round(mean.heterogeneity.tau2, 9), round(mean.estimate.std_error ** 2, 9), round(mean.heterogeneity.i2, 9)
    (3.0, 1.333333333, 75.0)
    """
    check_choice(model, ("random", "fixed"), "model")
    check_choice(tau2, TAU_METHODS, "tau2")
    check_choice(interval, INTERVALS, "interval")
    check_choice(prediction, PREDICTIONS, "prediction")
    check_level(level)
    values, std_errors, names, left_out, why = _given(values, std_errors, names)
    y, se = check_studies(values, std_errors, names)
    # summed in a fixed order, so that the order of the studies leaves no trace
    order = np.lexsort((se, y))
    k, X = y.size, np.ones((y.size, 1))
    labels = tuple(names) if names is not None else tuple(f"study {i + 1}" for i in range(k))
    y, se = y[order], se[order]
    spread = None if k == 1 else judge_heterogeneity(y, se, method=tau2, level=level)
    between = 0.0 if spread is None else spread.tau2
    fit = weighted_fit(y, se**2, X, between if model == "random" else 0.0)
    name = f"random effects, {tau2}, {interval}" if model == "random" else "fixed effect, inverse variance"
    variance, df, reason = _variance(fit, k, "normal" if model == "fixed" else interval)
    unit = "ratio" if ratio else unit
    if model == "random" and k == 1:
        reason = "one study: the variance between studies is unknown"
        estimate = Estimate.not_estimable(reason, contrast=contrast, unit=unit, n=1, method=name)
    else:
        estimate = effect_estimate(
            float(fit.beta[0]), variance, df, level=level, ratio=ratio, contrast=contrast, unit=unit, n=k,
            method=name, reason=reason,
        )  # fmt: skip
    low, high = (
        _prediction(fit, variance, between, k, level, prediction, ratio)
        if model == "random"
        else (None, None)
    )
    return Pooled(
        estimate=estimate, prediction_low=low, prediction_high=high, prediction_method=prediction,
        heterogeneity=spread, k=k, names=labels,
        weights=tuple(float(w) for w in (100 * fit.weights / fit.weights.sum())[np.argsort(order)]),
        left_out=left_out, left_out_reason=why,
    )  # fmt: skip


def leave_one_out(
    values: ArrayLike | StudyEffects,
    std_errors: ArrayLike | None = None,
    *,
    model: Model = "random",
    tau2: TauMethod = "REML",
    interval: IntervalMethod = "Hartung-Knapp",
    level: float = 0.95,
    ratio: bool = False,
    names: Sequence[str] | None = None,
    contrast: str = "",
    unit: str = "",
) -> LeaveOneOut:
    """Pool the studies without each one in turn.

    Parameters
    ----------
    values, std_errors, model, tau2, interval, level, ratio, names, contrast, unit
        As for :func:`pool`.

    Returns
    -------
    LeaveOneOut

    Raises
    ------
    EstimationError
        When there are fewer than 2 studies, or as for :func:`pool`.

    Examples
    --------
    >>> without = leave_one_out([0.0, 4.0, 8.0], [1, 1, 1], model="fixed")
    >>> [round(result.estimate.value, 12) for result in without.results]
    [6.0, 4.0, 2.0]
    """
    values, std_errors, names, _, _ = _given(values, std_errors, names)
    y, se = check_studies(values, std_errors, names)
    labels = tuple(names) if names is not None else tuple(f"study {i + 1}" for i in range(y.size))
    rows = []
    for i in range(y.size):
        kept = np.arange(y.size) != i
        rows.append(
            pool(
                y[kept], se[kept], model=model, tau2=tau2, interval=interval, level=level, ratio=ratio,
                names=[label for j, label in enumerate(labels) if j != i], contrast=contrast, unit=unit,
            )
        )  # fmt: skip
    return LeaveOneOut(left_out=labels, results=tuple(rows))


def _given(
    values: Any, std_errors: Any, names: Sequence[str] | None
) -> tuple[Any, Any, Sequence[str] | None, int, str]:
    """Return effects, errors and names of the studies used, how many were left out, and why."""
    if not isinstance(values, StudyEffects):
        if std_errors is None:
            raise EstimationError(
                "std_errors: give the standard error of each study, or StudyEffects alone",
                code="no_std_errors",
            )
        return values, std_errors, names, 0, ""
    if std_errors is not None:
        raise EstimationError("std_errors: StudyEffects hold them already; leave them out", code="bad_shape")
    used = values.used.tolist()
    if names is not None and values.left_out and len(names) == len(used) + values.left_out:
        names = [names[i] for i in used]
    return values.values, values.std_errors, names, values.left_out, values.reason


def effect_estimate(
    value: float, variance: float | None, df: float, *, level: float, ratio: bool, contrast: str, unit: str,
    n: int, method: str, reason: str = "",
) -> Estimate:  # fmt: skip
    """Return an effect with its t or normal interval, as a ratio when it is the log of one.

    Examples
    --------
    >>> effect_estimate(0.0, 1.0, np.inf, level=0.95, ratio=True, contrast="", unit="", n=3, method="").value
    1.0
    """
    if not ratio or abs(value) <= LARGEST_LOG:
        centre = math.exp(value) if ratio else value
    else:
        reason = "the ratio is beyond what a number can hold"
        return Estimate.not_estimable(reason, contrast=contrast, unit=unit, n=n, method=method)
    if variance is None:
        return Estimate(
            value=centre, conf_low=None, conf_high=None, level=level, contrast=contrast, unit=unit, n=n,
            method=method, reason=reason,
        )  # fmt: skip
    std_error = math.sqrt(variance)
    half = float(t_quantile((1 + level) / 2, df)) * std_error
    low, high = _limits(value, half, ratio)
    reason = "a limit is beyond what a number can hold" if low is None or high is None else reason
    return Estimate(
        value=centre, conf_low=low, conf_high=high, level=level, std_error=std_error, df=df,
        p_value=two_sided_p(value / std_error, df), contrast=contrast, unit=unit, n=n, method=method,
        reason=reason,
    )  # fmt: skip


def _limits(value: float, half: float, ratio: bool) -> tuple[float | None, float | None]:
    """Return value -/+ half, exponentiated for ratios; None where that is no finite number."""
    ends = (value - half, value + half)
    if not ratio:
        return ends
    low, high = (math.exp(end) if abs(end) <= LARGEST_LOG else None for end in ends)
    return low, high


def _variance(fit: WeightedFit, k: int, interval: str) -> tuple[float | None, float, str]:
    """Return the variance of the mean, its degrees of freedom, and why there is none."""
    plain = float(fit.covariance[0, 0])
    if interval == "normal":
        return plain, math.inf, ""
    if k == 1:
        return None, math.inf, ""
    spread = fit.q / (k - 1)
    if interval.endswith("not below normal"):
        spread = max(spread, 1.0)
    # what rounding leaves of equal values: squares of a few units in the last place
    nothing = (
        float(fit.weights.max()) * (4 * np.finfo(np.float64).eps * max(abs(float(fit.beta[0])), 1e-300)) ** 2
    )
    if spread <= nothing:
        return None, math.inf, "every study has the same value: Hartung-Knapp has no interval"
    return spread * plain, float(k - 1), ""


def _prediction(
    fit: WeightedFit, variance: float | None, tau2: float, k: int, level: float, kind: str, ratio: bool
) -> tuple[float | None, float | None]:
    """Return the prediction interval, or nothing below 3 studies."""
    hartung_knapp = kind == "t(k-1), Hartung-Knapp"
    if k < 3 or (hartung_knapp and variance is None):
        return None, None
    plain = float(fit.covariance[0, 0])
    used = fit.q / (k - 1) * plain if hartung_knapp else plain
    df = {"t(k-2)": k - 2.0, "normal": math.inf}.get(kind, k - 1.0)
    half = float(t_quantile((1 + level) / 2, df)) * math.sqrt(tau2 + used)
    return _limits(float(fit.beta[0]), half, ratio)
