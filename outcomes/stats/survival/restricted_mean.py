"""Restricted mean survival time: the mean time free of the event within the first tau units of time."""

from __future__ import annotations

from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.inputs import normal_quantile, two_sided_p
from outcomes.stats.survival.kaplan_meier import SurvivalCurve, kaplan_meier

METHOD = "area under the Kaplan-Meier curve"


def restricted_mean(
    time: Any, event: Any, *, tau: float | None = None, level: float = 0.95, label: str = "", unit: str = ""
) -> Estimate:
    """Return the mean time free of the event within the first `tau`.

    Parameters
    ----------
    time, event : array_like, shape (n,)
        As in :func:`outcomes.stats.survival.survival_times.check_survival`.
    tau : float, optional
        Horizon. Without it the longest follow-up; it should be fixed before the data are seen. A longer one is
        possible only where the curve has come down to 0.
    level : float
        Confidence level.
    label, unit : str
        What it is of, and the unit of time.

    Returns
    -------
    Estimate
        Normal limits, without them when there is no event before tau (the error is then 0).

    Raises
    ------
    EstimationError
        tau not above 0, or beyond the follow-up.

    Notes
    -----
    Variance: sum over event times up to tau of A(t)^2 d / (n (n - d)), A(t) the area from t to tau; a time at which
    everyone at risk has the event adds nothing. Sources: Irwin (1949) J Hyg 47:188; Royston and Parmar (2013) BMC Med
    Res Methodol 13:152; Uno et al. (2014) J Clin Oncol 32:2380-2385.

    Examples
    --------
    One of four has the event at 1, the others are free of it at 2: 1 + 3/4 x 1.

    >>> restricted_mean([1, 2, 2, 2], [1, 0, 0, 0], tau=2).value
    1.75
    """
    curve = kaplan_meier(time, event, label=label)
    horizon = common_horizon([curve]) if tau is None else tau
    value, variance = _area(curve, horizon)
    return _estimate(
        value, variance, curve.n, curve.n_missing, level,
        contrast=f"{label}: mean time free of the event up to {horizon:g}".removeprefix(": "), unit=unit,
        compared=False,
    )  # fmt: skip


def restricted_mean_difference(
    time_a: Any, event_a: Any, time_b: Any, event_b: Any, *, tau: float | None = None, level: float = 0.95,
    contrast: str = "a minus b", unit: str = "",
) -> Estimate:  # fmt: skip
    """Return the difference of the restricted means of two independent groups.

    Parameters
    ----------
    time_a, event_a, time_b, event_b : array_like
        Times and events of the groups.
    tau : float, optional
        Horizon. Without it the shorter of the two longest follow-ups.
    level : float
        Confidence level.
    contrast, unit : str
        What is subtracted from what; unit of time.

    Returns
    -------
    Estimate

    Raises
    ------
    EstimationError
        As :func:`restricted_mean`.

    Notes
    -----
    Source: Uno et al. (2014) J Clin Oncol 32:2380-2385.

    Examples
    --------
    >>> restricted_mean_difference([1, 2, 2, 2], [1, 0, 0, 0], [1, 1, 2, 2], [1, 1, 0, 0], tau=2).value
    0.25
    """
    a, b, horizon = _two(time_a, event_a, time_b, event_b, tau)
    (mean_a, var_a), (mean_b, var_b) = _area(a, horizon), _area(b, horizon)
    return _estimate(
        mean_a - mean_b, var_a + var_b, a.n + b.n, a.n_missing + b.n_missing, level,
        contrast=f"{contrast}, mean time free of the event up to {horizon:g}", unit=unit,
    )  # fmt: skip


def restricted_mean_ratio(
    time_a: Any, event_a: Any, time_b: Any, event_b: Any, *, tau: float | None = None, level: float = 0.95,
    contrast: str = "a over b",
) -> Estimate:  # fmt: skip
    """Return the ratio of the restricted means of two independent groups, limits on the log scale.

    Parameters
    ----------
    time_a, event_a, time_b, event_b, tau, level, contrast
        As in :func:`restricted_mean_difference`.

    Returns
    -------
    Estimate
        Standard error that of the log ratio.

    Raises
    ------
    EstimationError
        As :func:`restricted_mean`.

    Notes
    -----
    Source: Uno et al. (2014) J Clin Oncol 32:2380-2385.

    Examples
    --------
    >>> r = restricted_mean_ratio([1, 2, 2, 2], [1, 0, 0, 0], [1, 1, 2, 2], [1, 1, 0, 0], tau=2)
    >>> round(r.value, 9)  # 1.75 / 1.5
    1.166666667
    """
    a, b, horizon = _two(time_a, event_a, time_b, event_b, tau)
    (mean_a, var_a), (mean_b, var_b) = _area(a, horizon), _area(b, horizon)
    name = f"{contrast}, mean time free of the event up to {horizon:g}"
    if min(mean_a, mean_b) <= 0.0:
        return Estimate.not_estimable(
            "a mean is 0", contrast=name, unit="ratio", n=a.n + b.n, n_missing=a.n_missing + b.n_missing
        )
    log = _estimate(
        float(np.log(mean_a / mean_b)), var_a / mean_a**2 + var_b / mean_b**2, a.n + b.n,
        a.n_missing + b.n_missing, level, contrast=name, unit="ratio",
    )  # fmt: skip
    return Estimate(
        value=mean_a / mean_b,
        conf_low=None if log.conf_low is None else float(np.exp(log.conf_low)),
        conf_high=None if log.conf_high is None else float(np.exp(log.conf_high)),
        level=level, std_error=log.std_error, p_value=log.p_value, contrast=name, unit="ratio", n=log.n,
        n_missing=log.n_missing, method=f"{METHOD}, log ratio", reason=log.reason,
    )  # fmt: skip


def common_horizon(curves: list[SurvivalCurve]) -> float:
    """Return the longest horizon that every curve supports: the shortest of their longest follow-ups.

    A curve that has come down to 0 supports any horizon and sets none, unless all have.

    Examples
    --------
    >>> common_horizon([kaplan_meier([1, 5], [1, 0]), kaplan_meier([2, 9], [1, 0])])
    5.0
    """
    open_ends = [float(curve.time[-1]) for curve in curves if curve.survival[-1] > 0.0]
    return min(open_ends) if open_ends else max(float(curve.time[-1]) for curve in curves)


def _two(
    time_a: Any, event_a: Any, time_b: Any, event_b: Any, tau: float | None
) -> tuple[SurvivalCurve, SurvivalCurve, float]:
    """Return two curves and their horizon."""
    a, b = kaplan_meier(time_a, event_a), kaplan_meier(time_b, event_b)
    return a, b, common_horizon([a, b]) if tau is None else tau


def _area(curve: SurvivalCurve, tau: float) -> tuple[float, float]:
    """Return the area under a curve up to tau and its variance."""
    if not (np.isfinite(tau) and tau > 0.0):
        raise EstimationError("tau is a time above 0", code="bad_times")
    if tau > curve.time[-1] and curve.survival[-1] > 0.0:
        raise EstimationError(
            f"tau {tau:g} is beyond the longest follow-up ({curve.label or 'of a group'}); the curve is not known "
            "there: take a tau that every group was followed to",
            code="beyond_follow_up",
        )
    kept = curve.time < tau
    edges = np.concatenate([[0.0], curve.time[kept], [tau]])
    pieces = np.diff(edges) * np.concatenate([[1.0], curve.survival[kept]])
    after = np.cumsum(pieces[::-1])[::-1][1:]
    n, d = curve.n_risk[kept], curve.n_event[kept]
    hazard = np.where(n > d, d / np.maximum(n * (n - d), 1), 0.0)
    return float(pieces.sum()), float((after**2 * hazard).sum())


def _estimate(
    value: float, variance: float, n: int, n_missing: int, level: float, *, contrast: str, unit: str,
    compared: bool = True,
) -> Estimate:  # fmt: skip
    """Return a normal estimate, without limits where there is no spread."""
    z, error = normal_quantile(level), float(np.sqrt(variance))
    if error == 0.0:
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=level, contrast=contrast, unit=unit, n=n,
            n_missing=n_missing, method=METHOD, reason="no limits: no event before tau tells of any spread",
        )  # fmt: skip
    return Estimate(
        value=value, conf_low=value - z * error, conf_high=value + z * error, level=level, std_error=error,
        p_value=two_sided_p(value / error) if compared else None, contrast=contrast, unit=unit, n=n, n_missing=n_missing, method=METHOD,
    )  # fmt: skip
