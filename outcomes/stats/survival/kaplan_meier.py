"""Kaplan-Meier curves: the share still free of the event, with its error, read at times or at quantiles."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice
from outcomes.stats.numerics.inputs import normal_quantile, numbers
from outcomes.stats.survival.survival_times import SurvivalTimes, check_survival, risk_table

Limits = Literal["log-log", "log", "plain"]

# shares this close count as equal when a quantile is read: a product of fractions is rounded
_SAME = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurvivalCurve:
    """A Kaplan-Meier curve; arrays have one entry a distinct time, events and censorings alike.

    Attributes
    ----------
    time : ndarray, shape (m,)
        Distinct times, ascending.
    n_risk, n_event, n_censored : ndarray of int, shape (m,)
        Under observation just before the time; events and censorings at it.
    survival, std_error : ndarray, shape (m,)
        Share free of the event just after the time, and Greenwood's error; NaN error where the share is 0.
    conf_low, conf_high : ndarray, shape (m,)
        Pointwise limits; NaN where Greenwood's error is 0 or not defined (before the first event, share 0).
    level : float
    limits : str
        Scale on which they are symmetric.
    n, n_events, n_missing : int
    label : str
        What the curve is of.
    """

    time: FloatArray
    n_risk: IntArray
    n_event: IntArray
    n_censored: IntArray
    survival: FloatArray
    std_error: FloatArray
    conf_low: FloatArray
    conf_high: FloatArray
    level: float
    limits: str
    n: int
    n_events: int
    n_missing: int
    label: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a distinct time."""
        return pd.DataFrame(
            {
                "group": self.label, "time": self.time, "estimate": self.survival, "std_error": self.std_error,
                "conf_low": self.conf_low, "conf_high": self.conf_high, "n_risk": self.n_risk,
                "n_event": self.n_event, "n_censored": self.n_censored, "n": self.n, "n_missing": self.n_missing,
            }
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the curve as a sentence."""
        lead = f"{self.label}: " if self.label else ""
        return (
            f"{lead}{self.n_events} events in {self.n} cases; Kaplan-Meier share free of the event "
            f"{self.survival[-1]:.3g} at {self.time[-1]:g} ({int(self.n_risk[-1])} at risk)"
        )


def kaplan_meier(
    time: Any,
    event: Any,
    *,
    entry: Any = None,
    level: float = 0.95,
    limits: Limits = "log-log",
    label: str = "",
) -> SurvivalCurve:
    """Estimate the share still free of the event over time.

    Parameters
    ----------
    time, event, entry : array_like, shape (n,)
        As in :func:`outcomes.stats.survival.survival_times.check_survival`; rows with a missing value are counted.
    level : float
        Confidence level.
    limits : {"log-log", "log", "plain"}
        Scale of the limits: log(-log S), log S or S. Log-log limits stay within 0 and 1; the others are cut there.
    label : str
        What the curve is of.

    Returns
    -------
    SurvivalCurve

    Raises
    ------
    EstimationError
        Times or codes that cannot be used; no one at risk before an event (late entry).

    Notes
    -----
    S(t) is the product over event times up to t of 1 - d / n; Greenwood's variance is S^2 times the sum of
    d / (n (n - d)). Own code, since risk tables are shared with the other statistics here; curves agree with
    lifelines. Sources: Kaplan and Meier (1958) J Am Stat Assoc 53:457-481; Greenwood (1926), Reports on Public
    Health and Medical Subjects 33; Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data (1980),
    p. 15 (log-log limits).

    Examples
    --------
    >>> curve = kaplan_meier([1, 2, 3, 4], [1, 0, 1, 0])
    >>> curve.survival.tolist()  # 3/4, 3/4, 3/4 x 1/2
    [0.75, 0.75, 0.375, 0.375]
    >>> bool(np.isclose(curve.std_error[2], 0.375 * np.sqrt(1 / (4 * 3) + 1 / (2 * 1))))
    True
    """
    data = check_survival(time, event, entry=entry)
    table = risk_table(data, np.zeros(len(data.time), dtype=np.int64), 1)
    return _curve(
        data, table.time, table.at_risk[0], table.events[0], table.censored[0], level=level, limits=limits,
        label=label,
    )  # fmt: skip


def follow_up(
    time: Any,
    event: Any,
    *,
    level: float = 0.95,
    limits: Limits = "log-log",
    events_first: bool = True,
    label: str = "",
) -> SurvivalCurve:
    """Estimate how long cases were followed: the reverse Kaplan-Meier curve.

    The end of follow-up becomes the event and the event censors it, so that a case with an early event does not
    count as followed for a short time. The median of follow-up is ``survival_quantile(follow_up(...))``.

    Parameters
    ----------
    time, event : array_like, shape (n,)
        As for the curve itself (event = 1 where the event happened).
    level, limits, label
        As in :func:`kaplan_meier`.
    events_first : bool
        Where an event and an end of follow-up are tied, the event came first and is no longer at risk of the end
        of follow-up: the order of the curve itself. False simply exchanges the codes, as some programs do.

    Returns
    -------
    SurvivalCurve

    Raises
    ------
    EstimationError
        As :func:`kaplan_meier`.

    Notes
    -----
    Sources: Schemper and Smith (1996) Control Clin Trials 17:343-346; Shuster (1991) J Clin Oncol 9:191-192.

    Examples
    --------
    >>> survival_quantile(follow_up([1, 2, 3, 4], [1, 0, 0, 0])).value
    3.0
    """
    data = check_survival(time, event)
    table = risk_table(data, np.zeros(len(data.time), dtype=np.int64), 1)
    at_risk = table.at_risk[0] - table.events[0] if events_first else table.at_risk[0]
    return _curve(
        data, table.time, at_risk, table.censored[0], table.events[0], level=level, limits=limits, label=label
    )


def survival_at(curve: SurvivalCurve, times: ArrayLike) -> tuple[Estimate, ...]:
    """Read a curve at given times.

    Parameters
    ----------
    curve : SurvivalCurve
        From :func:`kaplan_meier`.
    times : array_like
        Times >= 0.

    Returns
    -------
    tuple of Estimate
        Not estimable after the last time observed unless everyone had the event by then. Without an event so far
        the share is 1 and has no limits, because Greenwood's error is then 0 however few were followed.

    Raises
    ------
    EstimationError
        Negative or missing times.

    Examples
    --------
    >>> one, late = survival_at(kaplan_meier([1, 2, 3, 4], [1, 0, 1, 0]), [2.5, 9])
    >>> print(one)
    free of the event at 2.5: 0.75 (95 % CI 0.1279 to 0.9605; n = 4; Kaplan-Meier, Greenwood, log-log limits)
    >>> print(late)
    free of the event at 9: not estimable (no one was followed so long)
    """
    asked = np.atleast_1d(numbers(times, "times: give numbers"))
    if asked.ndim != 1 or not (asked >= 0.0).all():
        raise EstimationError("times to read a curve at are numbers, 0 or more", code="bad_times")
    return tuple(_reading(curve, float(t)) for t in asked)


def survival_quantile(curve: SurvivalCurve, share: float = 0.5) -> Estimate:
    """Return the time by which a share of cases has had the event, the median by default.

    Parameters
    ----------
    curve : SurvivalCurve
        From :func:`kaplan_meier`.
    share : float
        Share with the event, between 0 and 1.

    Returns
    -------
    Estimate
        In units of time. First time at which the curve is at or below 1 - share; where it runs level exactly there,
        the middle of the level stretch. When the curve stays above there is no value, but there may be a lower
        limit. A limit that is never reached is missing.

    Raises
    ------
    EstimationError
        Share outside (0, 1).

    Notes
    -----
    Limits are where the pointwise limits cross the same level. Source: Brookmeyer and Crowley (1982) Biometrics
    38:29-41.

    Examples
    --------
    >>> print(survival_quantile(kaplan_meier([1, 2, 3, 4], [1, 0, 1, 0])))
    median time to event: 3 (95 % CI 1 to no limit; n = 4; Kaplan-Meier, limits of the curve (log-log))
    """
    if not 0.0 < share < 1.0:
        raise EstimationError(f"share is {share}; give a number between 0 and 1", code="bad_level")
    name = "median" if share == 0.5 else f"{100 * share:g} % quantile of"
    contrast = f"{curve.label}: {name} time to event" if curve.label else f"{name} time to event"
    method = f"Kaplan-Meier, limits of the curve ({curve.limits})"
    value = _crossing(curve.time, curve.survival, 1.0 - share)
    # before the first event a limit is 1; at 0 the lower one is 0 and the upper one unknown
    end = curve.survival == 0.0
    low = _crossing(curve.time, np.where(end, 0.0, np.nan_to_num(curve.conf_low, nan=1.0)), 1.0 - share)
    high = _crossing(curve.time, np.nan_to_num(curve.conf_high, nan=1.0), 1.0 - share)
    if value is None:
        from_on = "no lower limit either" if low is None else f"lower limit {low:g}"
        return Estimate(
            value=None, conf_low=low, conf_high=None, level=curve.level, contrast=contrast, n=curve.n,
            n_missing=curve.n_missing, method=method,
            reason=f"not reached: the curve stays above {1 - share:g}; {from_on}",
        )  # fmt: skip
    missing = [word for word, limit in (("lower", low), ("upper", high)) if limit is None]
    return Estimate(
        value=value, conf_low=low, conf_high=high, level=curve.level, contrast=contrast, n=curve.n,
        n_missing=curve.n_missing, method=method,
        reason=f"no {' and no '.join(missing)} limit: the limits of the curve do not reach the level"
        if missing else "",
    )  # fmt: skip


def number_at_risk(curves: Mapping[str, SurvivalCurve], times: Sequence[float]) -> pd.DataFrame:
    """Return the table of numbers at risk that belongs under a plot of curves.

    Parameters
    ----------
    curves : mapping of str to SurvivalCurve
        Curves of groups without late entry.
    times : sequence of float
        Times of the columns.

    Returns
    -------
    DataFrame
        One row a group and time: n_risk (followed to the time or beyond), events and censored before it.

    Examples
    --------
    >>> table = number_at_risk({"a": kaplan_meier([1, 2, 3, 4], [1, 0, 1, 0])}, [0, 2, 4])
    >>> table.n_risk.tolist(), table.events.tolist(), table.censored.tolist()
    ([4, 3, 1], [0, 1, 2], [0, 0, 1])
    """
    rows = []
    for name, curve in curves.items():
        for t in times:
            before = curve.time < t
            events, censored = int(curve.n_event[before].sum()), int(curve.n_censored[before].sum())
            at_risk = curve.n - events - censored
            rows.append({"group": name, "time": t, "n_risk": at_risk, "events": events, "censored": censored})
    return pd.DataFrame(rows)


def _curve(
    data: SurvivalTimes,
    time: FloatArray,
    at_risk: IntArray,
    events: IntArray,
    censored: IntArray,
    *,
    level: float,
    limits: str,
    label: str,
) -> SurvivalCurve:
    """Return the curve of counts."""
    check_choice(limits, get_args(Limits), "limits")
    left = at_risk - events
    if (left[(events > 0) & (np.cumsum(events[::-1])[::-1] > events)] == 0).any():
        raise EstimationError(
            "everyone then at risk has the event while others enter later; start the curve after that time",
            code="empty_risk_set",
        )
    n = np.maximum(at_risk, 1)
    survival = np.cumprod(left / n * (events > 0) + (events == 0))
    spread = np.cumsum(np.where(left > 0, events / (n * np.maximum(left, 1)), 0.0))
    error = np.where(survival > 0.0, survival * np.sqrt(spread), np.nan)
    low, high = _limits(survival, np.sqrt(spread), normal_quantile(level), limits)
    return SurvivalCurve(
        time=time, n_risk=at_risk, n_event=events, n_censored=censored, survival=survival, std_error=error,
        conf_low=low, conf_high=high, level=level, limits=limits, n=len(data.time), n_events=int(events.sum()),
        n_missing=data.n_missing, label=label,
    )  # fmt: skip


def _limits(survival: FloatArray, root: FloatArray, z: float, limits: str) -> tuple[FloatArray, FloatArray]:
    """Return pointwise limits; `root` is the error of log S."""
    inside = (survival > 0.0) & (root > 0.0)
    s, e = np.where(inside, survival, 0.5), np.where(inside, root, 0.0)
    if limits == "log-log":
        power = np.exp(z * e / -np.log(s))
        low, high = s**power, s ** (1.0 / power)
    elif limits == "log":
        low, high = s * np.exp(-z * e), np.minimum(s * np.exp(z * e), 1.0)
    else:
        low, high = np.maximum(s - z * s * e, 0.0), np.minimum(s + z * s * e, 1.0)
    return np.where(inside, low, np.nan), np.where(inside, high, np.nan)


def _reading(curve: SurvivalCurve, t: float) -> Estimate:
    """Return the share free of the event at one time."""
    lead = f"{curve.label}: " if curve.label else ""
    contrast = f"{lead}free of the event at {t:g}"
    method = f"Kaplan-Meier, Greenwood, {curve.limits} limits"
    at = int(np.searchsorted(curve.time, t, side="right")) - 1
    if t > curve.time[-1] and curve.survival[-1] > 0.0:
        return Estimate.not_estimable(
            "no one was followed so long",
            contrast=contrast,
            n=curve.n,
            n_missing=curve.n_missing,
            method=method,
        )
    value = 1.0 if at < 0 else float(curve.survival[at])
    known = at >= 0 and bool(np.isfinite(curve.conf_low[at]))
    reason = "" if known else "no event so far" if value == 1.0 else "everyone at risk had the event"
    return Estimate(
        value=value,
        conf_low=float(curve.conf_low[at]) if known else None,
        conf_high=float(curve.conf_high[at]) if known else None,
        level=curve.level,
        std_error=float(curve.std_error[at]) if known else None,
        contrast=contrast,
        n=curve.n,
        n_missing=curve.n_missing,
        method=method,
        reason=f"no limits: {reason}" if reason else "",
    )


def _crossing(time: FloatArray, curve: FloatArray, height: float) -> float | None:
    """Return the first time at which a step curve is at or below a height, None if it never is."""
    at = np.flatnonzero(curve <= height + _SAME)
    if not len(at):
        return None
    first = int(at[0])
    if abs(curve[first] - height) > _SAME:
        return float(time[first])
    below = np.flatnonzero(curve < height - _SAME)
    end = below[below > first]
    return 0.5 * float(time[first] + time[end[0] if len(end) else len(time) - 1])
