"""Risk sets of a proportional-hazards model as running sums: what the likelihood and all residuals are made from.

Event times are numbered 0..K-1 by stratum and, within it, from late to early. A row is at risk from event time
`join` up to, not including, `leave`, so that sums over risk sets are running sums over rows in order of `join`, and sums
over the event times that a row lives through are differences of running sums over event times. Everything costs
O(n p) or O(n p^2); no matrix of rows by times, and no p x p matrix a row, is ever made.

Each event is one term of the likelihood. Its denominator is c = sum over the risk set of w r, minus the share f of
the sum over the d events tied with it: f = 0 (Breslow) or 0, 1/d, ..., (d-1)/d (Efron).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.survival.survival_times import SurvivalTimes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RiskSets:
    """A design ordered for running sums; only rows that are at risk at some event.

    Attributes
    ----------
    x : ndarray, shape (n, p)
        Columns less their mean in the stratum, over `scale`.
    scale : ndarray, shape (p,)
    weight : ndarray, shape (n,)
    rows : ndarray of int, shape (n,)
        Position of each row among those given.
    join, leave, stratum : ndarray of int, shape (n,)
    event : ndarray of bool, shape (n,)
    time : ndarray, shape (K,)
        Event times, from late to early within a stratum.
    first : ndarray of int, shape (K,)
        Number of the first event time of the same stratum.
    starts : ndarray of int, shape (K,)
        First row that joins at each event time.
    term : ndarray of int, shape (M,)
        Event time of each event, in row order.
    term_starts : ndarray of int, shape (K,)
        First term of each event time.
    share : ndarray, shape (M,)
        f of each event.
    mean_weight : ndarray, shape (M,)
        Mean weight of the events tied with it.
    leavers : ndarray of int
        Rows that leave before the last event time of their stratum, by `leave` (late entry).
    """

    x: FloatArray
    scale: FloatArray
    weight: FloatArray
    rows: IntArray
    join: IntArray
    leave: IntArray
    stratum: IntArray
    event: NDArray[np.bool_]
    time: FloatArray
    first: IntArray
    starts: IntArray
    term: IntArray
    term_starts: IntArray
    share: FloatArray
    mean_weight: FloatArray
    leavers: IntArray

    @property
    def n_times(self) -> int:
        """Number of event times, K."""
        return len(self.time)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoxPoint:
    """The partial likelihood and its derivatives at one value of the coefficients (of scaled columns).

    Attributes
    ----------
    log_likelihood : float
        Minus infinity where relative hazards differ by more than a number has digits; nothing else is then known.
    score : ndarray, shape (p,)
    information : ndarray, shape (p, p)
    risk : ndarray, shape (n,)
        Relative hazard of each row, without its weight, up to a factor of the stratum (see `shift`).
    shift : ndarray, shape (n,)
        Logarithm of that factor.
    denominator : ndarray, shape (M,)
        c of each term.
    mean : ndarray, shape (M, p)
        Mean of the columns over the risk set of each term.
    """

    log_likelihood: float
    score: FloatArray
    information: FloatArray
    risk: FloatArray
    shift: FloatArray
    denominator: FloatArray
    mean: FloatArray


def make_risk_sets(
    x: FloatArray, data: SurvivalTimes, strata: IntArray, weight: FloatArray, ties: str
) -> RiskSets:
    """Order a design for running sums over risk sets.

    Parameters
    ----------
    x : ndarray, shape (n, p)
        Design.
    data : SurvivalTimes
        Times of the same rows; at least one event.
    strata : ndarray of int, shape (n,)
    weight : ndarray, shape (n,)
        Above 0.
    ties : {"efron", "breslow", "exact"}
        For exact, shares are those of Breslow and serve events without ties only.

    Returns
    -------
    RiskSets

    Examples
    --------
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2, 2, 0.5], [1, 1, 1, 0])
    >>> sets = make_risk_sets(np.ones((4, 1)), data, np.zeros(4, int), np.ones(4), "efron")
    >>> sets.time.tolist(), sets.rows.tolist(), sets.share.tolist()
    ([2.0, 1.0], [1, 2, 0], [0.0, 0.5, 0.0])
    """
    values, rank = np.unique(data.time, return_inverse=True)
    width = len(values) + 1
    key = strata * width + (len(values) - rank)
    event_keys = np.unique(key[data.event])
    owner = event_keys // width
    join = np.searchsorted(event_keys, key)
    leave = np.searchsorted(owner, strata, side="right")
    if data.entry is not None:
        before = np.searchsorted(values, data.entry, side="right") - 1
        leave = np.minimum(leave, np.searchsorted(event_keys, strata * width + (len(values) - before)))
    # rows that leave before any event are never at risk of one
    kept = np.flatnonzero(join < leave)
    # rows of one event time by what they hold, so that the order of the input leaves no trace in any sum
    held = _row_keys(*x.T, data.event, weight, leave)
    order = kept[np.lexsort((held[kept], join[kept]))]
    event, w, stratum = data.event[order], weight[order], strata[order]
    centred, scale = _centred(x[order], w, np.unique(stratum, return_inverse=True)[1])
    term = join[order][event]
    tied = np.bincount(term, minlength=len(event_keys))
    start = np.searchsorted(term, term)
    nth = np.arange(len(term)) - start
    last = np.searchsorted(owner, stratum, side="right")
    early = np.flatnonzero(leave[order] < last)
    return RiskSets(
        x=centred,
        scale=scale,
        weight=w,
        rows=order,
        join=join[order],
        leave=leave[order],
        stratum=np.unique(stratum, return_inverse=True)[1],
        event=event,
        time=values[len(values) - event_keys % width],
        first=np.searchsorted(owner, owner),
        starts=np.searchsorted(join[order], np.arange(len(event_keys))),
        term=term,
        term_starts=np.searchsorted(term, np.arange(len(event_keys))),
        share=nth / tied[term] if ties == "efron" else np.zeros(len(term)),
        mean_weight=(np.bincount(term, w[event], len(event_keys)) / tied)[term],
        leavers=early[np.argsort(leave[order][early], kind="stable")],
    )


def risk_set_sums(sets: RiskSets, values: FloatArray) -> FloatArray:
    """Return the sum of values over the risk set of each event time, shape (K,) or (K, q).

    Examples
    --------
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2, 3], [1, 1, 1], entry=[0, 0, 1])
    >>> sets = make_risk_sets(np.ones((3, 1)), data, np.zeros(3, int), np.ones(3), "efron")
    >>> risk_set_sums(sets, np.ones(3)).tolist()  # at 3, 2 and 1: the third row enters after 1
    [1.0, 2.0, 2.0]
    """
    total = _running(np.add.reduceat(values, sets.starts, axis=0), sets.first)
    if len(sets.leavers):
        gone = np.zeros_like(total)
        at, where = np.unique(sets.leave[sets.leavers], return_index=True)
        gone[at] = np.add.reduceat(values[sets.leavers], where, axis=0)
        total = total - _running(gone, sets.first)
    return total


def lived_through(sets: RiskSets, values: FloatArray) -> FloatArray:
    """Return the sum of values of event times over those at which each row is at risk, shape (n,) or (n, q).

    Examples
    --------
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2, 3], [1, 1, 1], entry=[0, 0, 1])
    >>> sets = make_risk_sets(np.ones((3, 1)), data, np.zeros(3, int), np.ones(3), "efron")
    >>> sets.rows.tolist(), lived_through(sets, np.array([100.0, 10.0, 1.0])).tolist()
    ([2, 1, 0], [110.0, 11.0, 1.0])
    """
    later = np.zeros((len(values) + 1, *values.shape[1:]))
    later[:-1] = np.cumsum(values[::-1], axis=0)[::-1]
    return np.asarray(later[sets.join] - later[sets.leave])


def at_coefficients(sets: RiskSets, beta: FloatArray, *, derivatives: bool = True) -> CoxPoint:
    """Return the partial likelihood (Efron's or Breslow's, as the shares say) and its derivatives.

    Parameters
    ----------
    sets : RiskSets
        Ordered design.
    beta : ndarray, shape (p,)
        Coefficients of the scaled columns.
    derivatives : bool
        False leaves score, information and means empty.

    Returns
    -------
    CoxPoint

    Notes
    -----
    The information is sum of w r A x x' over rows, less sum of w m m' over terms: A of a row is what the terms that
    it lives through add up to (1/c each, an event less its own share f). Sources: Cox (1972) J R Stat Soc B 34:187;
    Breslow (1974) Biometrics 30:89; Efron (1977) J Am Stat Assoc 72:557.

    Examples
    --------
    Six rows of Therneau and Grambsch (2000), appendix E; the first Newton step of Breslow from 0 is 8/5.

    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1])
    >>> x = np.array([[1.0], [1], [1], [0], [0], [0]])
    >>> sets = make_risk_sets(x, data, np.zeros(6, int), np.ones(6), "breslow")
    >>> point = at_coefficients(sets, np.zeros(1))
    >>> round(float(point.score[0] / point.information[0, 0] / sets.scale[0]), 12)
    1.6
    """
    eta = sets.x @ beta
    shift = _largest(eta, sets.stratum)[sets.stratum]
    risk = np.exp(eta - shift)
    wr = sets.weight * risk
    dead = sets.event
    denominator = (risk_set_sums(sets, wr)[sets.term]) - sets.share * _tied(sets, wr[dead])[sets.term]
    p = sets.x.shape[1]
    # relative hazards that differ by more than the digits of a number leave nothing of a risk set
    lost = not (denominator > 0.0).all()
    value = -np.inf
    if not lost:
        value = float(sets.weight[dead] @ (eta - shift)[dead] - sets.mean_weight @ np.log(denominator))
    if lost or not derivatives:
        return CoxPoint(
            log_likelihood=value, score=np.empty(0), information=np.empty((0, 0)), risk=risk, shift=shift,
            denominator=denominator, mean=np.empty((0, p)),
        )  # fmt: skip
    xwr = sets.x * wr[:, None]
    top = risk_set_sums(sets, xwr)[sets.term] - sets.share[:, None] * _tied(sets, xwr[dead])[sets.term]
    mean = top / denominator[:, None]
    score = sets.weight[dead] @ sets.x[dead] - sets.mean_weight @ mean
    hazard = cumulated(sets, sets.mean_weight / denominator)
    information = (sets.x * (wr * hazard)[:, None]).T @ sets.x - (mean * sets.mean_weight[:, None]).T @ mean
    return CoxPoint(
        log_likelihood=value, score=score, information=information, risk=risk, shift=shift,
        denominator=denominator, mean=mean,
    )  # fmt: skip


def cumulated(sets: RiskSets, values: FloatArray) -> FloatArray:
    """Return, for each row, the sum of values of terms lived through, an event less its share f of its own.

    With values w / c this is the cumulative hazard that a row of relative hazard 1 has met.

    Examples
    --------
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 1, 2], [1, 1, 0])
    >>> sets = make_risk_sets(np.ones((3, 1)), data, np.zeros(3, int), np.ones(3), "efron")
    >>> cumulated(sets, np.array([1.0, 1.0])).tolist()  # the row without the event counts both in full
    [1.5, 1.5, 2.0]
    """
    total = lived_through(sets, _tied(sets, values))
    share = sets.share if values.ndim == 1 else sets.share[:, None]
    total[sets.event] -= _tied(sets, share * values)[sets.term]
    return total


def _tied(sets: RiskSets, values: FloatArray) -> FloatArray:
    """Return sums of terms over each event time."""
    return np.asarray(np.add.reduceat(values, sets.term_starts, axis=0))


def _running(parts: FloatArray, first: IntArray) -> FloatArray:
    """Return running sums that start again with each stratum."""
    total = np.zeros((len(parts) + 1, *parts.shape[1:]))
    np.cumsum(parts, axis=0, out=total[1:])
    return np.asarray(total[1:] - total[first])


def _largest(eta: FloatArray, stratum: IntArray) -> FloatArray:
    """Return the largest value of each stratum."""
    largest = np.full(int(stratum.max()) + 1, -np.inf)
    np.maximum.at(largest, stratum, eta)
    return largest


def _centred(x: FloatArray, weight: FloatArray, stratum: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return columns less their mean in the stratum, in units of their spread, and that spread."""
    total = np.bincount(stratum, weight)
    means = np.column_stack([np.bincount(stratum, weight * column) / total for column in x.T])
    centred = x - means[stratum]
    scale = np.sqrt((centred**2 * weight[:, None]).sum(axis=0) / weight.sum())
    size = np.sqrt((x**2 * weight[:, None]).sum(axis=0) / weight.sum())
    flat = scale <= 1e-12 * size
    centred[:, flat] = 0.0
    return centred / np.where(flat, 1.0, scale), np.where(flat, 1.0, scale)


def _row_keys(*columns: NDArray[Any]) -> NDArray[np.uint64]:
    """Return one whole number a row, made of the bits of its values: equal rows have equal numbers.

    A sort by these costs what a sort by one column costs. Different rows have the same number with a chance of about
    n^2 / 2^65, and then keep the order that they were given in. Each column is mixed in by exclusive or and an odd
    factor (2^64 over the golden ratio), modulo 2^64.
    """
    factor, shift = np.uint64(0x9E3779B97F4A7C15), np.uint64(29)
    mixed: NDArray[np.uint64] = np.zeros(len(columns[0]), dtype=np.uint64)
    for column in columns:
        bits = (np.ascontiguousarray(column, dtype=np.float64) + 0.0).view(np.uint64)  # -0.0 is 0.0
        product: NDArray[np.uint64] = np.multiply(np.bitwise_xor(mixed, bits), factor, dtype=np.uint64)
        mixed = np.bitwise_xor(product, np.right_shift(product, shift), dtype=np.uint64)
    return mixed
