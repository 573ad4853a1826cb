"""The exact partial likelihood: tied events were ordered in time, or discrete, and any set of them is as good.

At a time with d events the denominator is the sum, over all sets of d rows at risk, of the product of their relative
hazards: an elementary symmetric polynomial, built up row by row with its first and second derivatives.
"""

from __future__ import annotations

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.survival.cox_risk_sets import CoxPoint, RiskSets, at_coefficients

Sums = tuple[FloatArray, FloatArray, FloatArray]


def at_coefficients_exact(sets: RiskSets, beta: FloatArray, *, derivatives: bool = True) -> CoxPoint:
    """Return the exact partial likelihood and its derivatives.

    Parameters
    ----------
    sets : RiskSets
        Ordered design, weights 1.
    beta : ndarray, shape (p,)
        Coefficients of the scaled columns.
    derivatives : bool
        False leaves score, information and means empty.

    Returns
    -------
    CoxPoint
        `denominator` and `mean` are those of single events.

    Raises
    ------
    EstimationError
        So many ties that the sums overflow.

    Notes
    -----
    Cost O(n d p^2), d the largest number of ties. Sources: Cox (1972) J R Stat Soc B 34:187; Gail, Lubin and
    Rubinstein (1981) Biometrika 68:703-707 (the recursion).

    Examples
    --------
    Two of three rows have the event together: three sets of two are equally likely at 0.

    >>> from outcomes.stats.survival.cox_risk_sets import make_risk_sets
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 1, 2], [1, 1, 0])
    >>> sets = make_risk_sets(np.array([[0.0], [1.0], [2.0]]), data, np.zeros(3, int), np.ones(3), "exact")
    >>> round(float(np.exp(-at_coefficients_exact(sets, np.zeros(1)).log_likelihood)), 12)
    3.0
    """
    if sets.n_times == len(sets.term):
        return at_coefficients(sets, beta, derivatives=derivatives)
    point = at_coefficients(sets, beta, derivatives=False)
    if not np.isfinite(point.log_likelihood):
        return point
    p = sets.x.shape[1] if derivatives else 0
    eta = sets.x @ beta - point.shift
    value, score, information = float(eta[sets.event].sum()), np.zeros(p), np.zeros((p, p))
    tied = np.bincount(sets.term, minlength=sets.n_times)
    for f, g, h, k in _polynomials(sets, point.risk, tied, p):
        if not (np.isfinite(f) and f > 0.0 and np.isfinite(h).all()):
            raise EstimationError(
                f"{int(tied[k])} tied events are too many for the exact likelihood; use ties='efron'",
                code="too_many_ties",
            )
        mean = g / f
        value -= float(np.log(f))
        score -= mean
        information += h / f - np.outer(mean, mean)
    if derivatives:
        score += sets.x[sets.event].sum(axis=0)
    return CoxPoint(
        log_likelihood=value, score=score, information=information, risk=point.risk, shift=point.shift,
        denominator=point.denominator, mean=point.mean,
    )  # fmt: skip


def _polynomials(
    sets: RiskSets, risk: FloatArray, tied: IntArray, p: int
) -> list[tuple[float, FloatArray, FloatArray, int]]:
    """Return, for each event time, the polynomial of its number of events with derivatives."""
    found = []
    x = sets.x[:, :p]
    ends = np.append(sets.starts[1:], len(risk))
    late_entry = len(sets.leavers) > 0
    for k in range(sets.n_times):
        if late_entry:
            rows = np.flatnonzero((sets.join <= k) & (sets.leave > k))
            state = _empty(int(tied[k]), p)
        else:
            rows = np.arange(sets.starts[k], ends[k])
            if sets.first[k] == k:
                state = _empty(int(tied[sets.first == k].max()), p)
        for i in rows:
            _add(state, float(risk[i]), x[i])
        d = int(tied[k])
        found.append((float(state[0][d]), state[1][d].copy(), state[2][d].copy(), k))
    return found


def _empty(d: int, p: int) -> Sums:
    """Return the sums over no rows, for sets of 0 to d rows."""
    f = np.zeros(d + 1)
    f[0] = 1.0
    return f, np.zeros((d + 1, p)), np.zeros((d + 1, p, p))


def _add(state: Sums, risk: float, x: FloatArray) -> None:
    """Add one row to the sums."""
    f, g, h = state
    # what overflows is found and refused by the caller
    with np.errstate(over="ignore", invalid="ignore"):
        if len(x):
            cross = g[:-1, :, None] * x
            h[1:] += risk * (h[:-1] + cross + cross.transpose(0, 2, 1) + f[:-1, None, None] * np.outer(x, x))
            g[1:] += risk * (g[:-1] + f[:-1, None] * x)
        f[1:] += risk * f[:-1]
