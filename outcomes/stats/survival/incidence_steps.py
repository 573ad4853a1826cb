"""The steps of cumulative incidence with competing causes, exact under ties, and what each row adds to their error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.stats.numerics.arrays import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class IncidenceSteps:
    """The Aalen-Johansen estimator of one group.

    Attributes
    ----------
    times : ndarray, shape (J,)
        Distinct times with an event of any cause.
    at_risk : ndarray, shape (J,)
        Followed up to the time or beyond; who is censored at the time of an event is still at risk.
    events : ndarray, shape (J, K)
    before, event_free : ndarray, shape (J,)
        Share without any event just before, and just after.
    incidence : ndarray, shape (J, K)
        Cumulative incidence of each cause, just after.
    last : float
        Longest follow-up.
    """

    times: FloatArray
    at_risk: FloatArray
    events: FloatArray
    before: FloatArray
    event_free: FloatArray
    incidence: FloatArray
    last: float


def incidence_steps(time: FloatArray, cause: IntArray, n_causes: int) -> IncidenceSteps:
    """Return the steps of all causes of one group.

    Parameters
    ----------
    time : ndarray, shape (n,)
    cause : ndarray of int, shape (n,)
        0 censored, 1..n_causes.
    n_causes : int

    Notes
    -----
    Tied events share one risk set; nothing is drawn at random to break a tie.
    Source: Aalen OO, Johansen S. Scandinavian Journal of Statistics 1978; 5: 141-150.

    Examples
    --------
    Times 1, 2, 2, 3 with causes 1, 2, 1, censored: 1/4, then 3/4 x 1/3 of each cause.

    >>> steps = incidence_steps(np.array([1.0, 2, 2, 3]), np.array([1, 2, 1, 0]), 2)
    >>> steps.incidence.tolist(), steps.event_free.tolist()
    ([[0.25, 0.0], [0.5, 0.25]], [0.75, 0.25])
    """
    distinct, where = np.unique(time, return_inverse=True)
    counts = np.zeros((len(distinct), n_causes + 1))
    np.add.at(counts, (where, cause), 1.0)
    at_risk = np.cumsum(counts.sum(axis=1)[::-1])[::-1]
    some = counts[:, 1:].sum(axis=1) > 0
    events, at_risk = counts[some, 1:], at_risk[some]
    event_free = np.cumprod((at_risk - events.sum(axis=1)) / at_risk)
    before = np.concatenate([[1.0], event_free[:-1]]) if len(at_risk) else event_free
    incidence = np.cumsum(before[:, None] * events / at_risk[:, None], axis=0)
    return IncidenceSteps(
        times=distinct[some], at_risk=at_risk, events=events, before=before, event_free=event_free,
        incidence=incidence, last=float(distinct[-1]),
    )  # fmt: skip


def counting_process_variance(steps: IncidenceSteps, cause: int, at: float) -> float:
    """Return the variance of a cumulative incidence by the martingales of its counting processes.

    Parameters
    ----------
    steps : IncidenceSteps
    cause : int
        Position of the cause, from 0.
    at : float
        Time.

    Notes
    -----
    Each step adds the variance d / n^2 of its count, with the correction (n - d) / (n - 1) for d tied events, times the
    squared change that it makes to the incidence at `at`. Sources: Aalen O. Annals of Statistics 1978; 6: 534-545;
    Gray RJ. Annals of Statistics 1988; 16: 1141-1154; Braun TM, Yuan Z. Statistics in Medicine 2007; 26: 1170-1180.

    Examples
    --------
    One step, one event of four at risk: 1 x 1 / 4^2, a little above the binomial variance 1/4 x 3/4 / 4.

    >>> steps = incidence_steps(np.array([1.0, 2, 3, 4]), np.array([1, 1, 1, 1]), 1)
    >>> round(counting_process_variance(steps, 0, 1), 12)
    0.0625
    """
    upto = steps.times <= at
    if not upto.any():
        return 0.0
    n, before, after = steps.at_risk[upto], steps.before[upto], steps.event_free[upto]
    own, reached = steps.events[upto, cause], steps.incidence[upto, cause]
    other = steps.events[upto].sum(axis=1) - own
    lost = np.divide(reached - reached[-1], after, out=np.zeros_like(after), where=after > 0)
    scale = before**2 / n**2
    spread_own = own * (1 - np.maximum(own - 1, 0) / np.maximum(n - 1, 1))
    spread_other = np.where(after > 0, other * (1 - np.maximum(other - 1, 0) / np.maximum(n - 1, 1)), 0.0)
    return float(np.sum(scale * ((1 + lost) ** 2 * spread_own + lost**2 * spread_other)))


def incidence_influence(
    steps: IncidenceSteps, time: FloatArray, cause: IntArray, which: int, at: float
) -> FloatArray:
    """Return the derivative of a cumulative incidence by the weight of each row (infinitesimal jackknife).

    Parameters
    ----------
    steps : IncidenceSteps
    time, cause : ndarray, shape (n,)
        The rows that the steps were made of.
    which : int
        Position of the cause, from 0; -1 for the share without any event.
    at : float
        Time.

    Returns
    -------
    ndarray, shape (n,)
        Sums to 0; the sum of squares is the robust variance.

    Notes
    -----
    Source: Therneau TM, Grambsch PM. Modeling Survival Data (2000), chapter 7, for the jackknife; the derivative
    itself is worked out on the methods page.

    Examples
    --------
    Nobody censored: the influence on a share of 1 in 4 is 3/16, and -1/16 for the others.

    >>> time, cause = np.array([1.0, 2, 3, 4]), np.array([1, 1, 1, 1])
    >>> incidence_influence(incidence_steps(time, cause, 1), time, cause, 0, 1).tolist()
    [0.1875, -0.0625, -0.0625, -0.0625]
    """
    if which < 0:
        parts = [incidence_influence(steps, time, cause, k, at) for k in range(steps.events.shape[1])]
        return np.asarray(-np.sum(parts, axis=0))
    upto = int(np.searchsorted(steps.times, at, side="right"))
    if upto == 0:
        return np.zeros(len(time))
    n, before, total = steps.at_risk[:upto], steps.before[:upto], steps.events[:upto].sum(axis=1)
    step = before * steps.events[:upto, which] / n
    rate = np.divide(total, n * (n - total), out=np.zeros(upto), where=n > total)
    gained = np.cumsum(rate)  # how much being at risk so far raises the log of the event-free share
    # what a row at risk through step j has met: later incidence raised by its presence, less its share of each step
    met = np.concatenate([[0.0], np.cumsum(step * (gained - rate) - step / n)])
    reached = np.concatenate([[0.0], np.cumsum(step)])
    passed = np.minimum(np.searchsorted(steps.times, time, side="right"), upto)
    ended = np.where(passed > 0, gained[passed - 1], 0.0)
    own = (cause > 0) & (time <= at)
    place = np.searchsorted(steps.times, time[own])
    left = n[place] - total[place]
    ended[own] -= np.divide(1.0, left, out=np.zeros(len(place)), where=left > 0)
    influence = met[passed] + ended * (reached[-1] - reached[passed])
    mine = own & (cause == which + 1)
    place = np.searchsorted(steps.times, time[mine])
    influence[mine] += before[place] / n[place]
    return np.asarray(influence)
