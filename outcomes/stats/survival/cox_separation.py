"""Whether a proportional-hazards likelihood rises without end (monotone likelihood), found without its solver.

Some direction b of the columns must give every case with an event the largest b x of all cases then at risk (and some
case less). This is looked for by linear programming, with one variable an event time for the largest b x at risk.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import optimize, sparse

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray
from outcomes.stats.survival.cox_risk_sets import CoxPoint, RiskSets, at_coefficients

# row-time pairs up to which late entries can be judged
_MOST_PAIRS = 2_000_000
# rounding of the mean of a risk set, in units of the largest column
_ROUNDING = 1e-13
# gain of a direction, in units of the events, under which it is rounding
_NO_GAIN = 1e-7


def certified_finite(sets: RiskSets, point: CoxPoint, inverse: FloatArray, decrement: float) -> bool:
    """Return whether a point proves that the maximum is finite.

    With l_ij the probability that it was row j who had the event of i, the score is the sum of
    l_ij (x_i - x_j). A correction 1 + a'(x_i - x_j) of these multipliers makes the sum vanish; if it stays positive for
    all pairs there is no direction in which the likelihood rises for ever. By Cauchy-Schwarz its size is at
    most the length of the Newton step times the longest x_i - x_j, both in the metric of the information, because the
    second moment about x_i is no less than the information.

    Parameters
    ----------
    sets : RiskSets
    point : CoxPoint
        Efron's or Breslow's likelihood, near its maximum.
    inverse : ndarray, shape (p, p)
        Inverse of its information.
    decrement : float
        Squared length of the Newton step there.

    Returns
    -------
    bool
        False means "not proved".

    Notes
    -----
    Source: Stiemke (1915) Mathematische Annalen 76:340-342 (theorem of the alternative).

    Examples
    --------
    >>> from outcomes.stats.survival.cox_risk_sets import make_risk_sets
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2, 3], [1, 1, 1])
    >>> sets = make_risk_sets(np.array([[0.0], [1.0], [0.0]]), data, np.zeros(3, int), np.ones(3), "efron")
    >>> point = at_coefficients(sets, np.zeros(1))
    >>> certified_finite(sets, point, 1 / point.information, 1e-20)
    True
    """
    # the score is known to this much only; where the information has run out as well, that alone is a long step
    rounding = _ROUNDING * len(sets.term) * float(np.abs(sets.x).max())
    lengths = np.einsum("ij,jk,ik->i", sets.x, inverse, sets.x)
    longest = max(float(lengths.max()), 0.0)
    return bool(2.0 * np.sqrt((decrement + rounding**2 * np.trace(inverse)) * longest) <= 0.5)


def monotone_columns(sets: RiskSets, names: tuple[str, ...], *, exact: bool = False) -> tuple[str, ...]:
    """Return the columns along which the likelihood rises without end; none when its maximum is finite.

    Parameters
    ----------
    sets : RiskSets
        Ordered design.
    names : tuple of str, length p
    exact : bool
        For the exact likelihood, tied events are not compared with one another.

    Returns
    -------
    tuple of str
        Columns of the direction of least total size.

    Raises
    ------
    EstimationError
        The linear programme could not be solved, or late entries make it too large.

    Notes
    -----
    Sources: Bryson and Johnson (1981) Technometrics 23:381-383 (monotone likelihood); Heinze and Schemper (2001)
    Biometrics 57:114-119.

    Examples
    --------
    Everyone with x = 1 has the event before anyone else.

    >>> from outcomes.stats.survival.cox_risk_sets import make_risk_sets
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2, 3, 4], [1, 1, 0, 0])
    >>> x = np.array([[1.0], [1], [0], [0]])
    >>> monotone_columns(make_risk_sets(x, data, np.zeros(4, int), np.ones(4), "efron"), ("nail",))
    ('nail',)
    """
    p = sets.x.shape[1]
    # the score at 0 (Breslow's for exact ties, whose shares are 0) is positive along such a direction and 0 along a flat one
    gain = at_coefficients(sets, np.zeros(p)).score
    constraints = _constraints(sets, exact)
    size = constraints.shape[1]
    cost = np.zeros(size)
    cost[:p] = -gain
    free = [(None, None)] * (size - p)
    solution = _solve(cost, constraints, [(-1.0, 1.0)] * p + free)
    if gain @ solution[:p] <= _NO_GAIN * len(sets.term):
        return ()
    split = sparse.hstack([constraints[:, :p], -constraints[:, :p], constraints[:, p:]], format="csr")
    needed = sparse.csr_matrix(np.concatenate([-gain, gain, np.zeros(size - p)])[None, :])
    right = np.append(np.zeros(split.shape[0]), -1.0)
    small = _solve(
        np.append(np.ones(2 * p), np.zeros(size - p)),
        sparse.vstack([split, needed], format="csr"),
        [(0.0, None)] * (2 * p) + free,
        right,
    )
    used = np.abs(small[:p] - small[p : 2 * p])
    return tuple(name for name, u in zip(names, used, strict=True) if u > 1e-7 * used.max())


def _constraints(sets: RiskSets, exact: bool) -> Any:
    """Return the matrix of "at most 0": columns b, then the largest b x at risk (u), then that of those without event (v).

    Without `exact`, v is u.
    """
    p, n_times = sets.x.shape[1], sets.n_times
    x = sparse.csr_matrix(sets.x)
    width = p + n_times * (2 if exact else 1)
    u, v = p, p + n_times * (1 if exact else 0)

    def block(rows: Any, times: Any, first: int, sign: float) -> Any:
        """Return sign (x b - variable) of rows and times."""
        m = len(rows)
        pick = sparse.csr_matrix((np.full(m, -sign), (np.arange(m), np.asarray(times))), shape=(m, n_times))
        left = sparse.csr_matrix((m, first - p))
        right = sparse.csr_matrix((m, width - first - n_times))
        return sparse.hstack([sign * x[rows], left, pick, right], format="csr")

    dead = np.flatnonzero(sets.event)
    parts = [block(dead, sets.term, v, -1.0), block(dead, sets.term, u, 1.0)]
    if len(sets.leavers):
        pairs = [
            (np.flatnonzero((sets.join <= k) & (sets.leave > k) & ~(sets.event & (sets.join == k))), k)
            for k in _within_reach(sets)
        ]
        rows = np.concatenate([r for r, _ in pairs])
        parts.append(block(rows, np.concatenate([np.full(len(r), k) for r, k in pairs]), v, 1.0))
    else:
        others = np.flatnonzero(~sets.event)
        parts.append(block(others, sets.join[others], v, 1.0))
        chained = np.flatnonzero(sets.first != np.arange(n_times))
        parts.append(_before(chained - 1, u, chained, v, width))
    if exact:
        every = np.arange(n_times)
        parts.append(_before(every, v, every, u, width))
    return sparse.vstack(parts, format="csr")


def _before(smaller: Any, first: int, larger: Any, second: int, width: int) -> Any:
    """Return the rows "one variable is at most another"."""
    m = len(smaller)
    rows = np.arange(m)
    plus = sparse.csr_matrix((np.ones(m), (rows, first + smaller)), shape=(m, width))
    return plus - sparse.csr_matrix((np.ones(m), (rows, second + larger)), shape=(m, width))


def _within_reach(sets: RiskSets) -> range:
    """Return the event times, or refuse when late entries make too many pairs."""
    n_pairs = int((sets.leave - sets.join).sum())
    if n_pairs > _MOST_PAIRS:
        raise EstimationError(
            "the model did not converge, and with late entries in so many rows it cannot be judged whether a column "
            "separates the events; drop columns in which a level has no event, or use the penalised fit",
            code="not_converged",
        )
    return range(sets.n_times)


def _solve(cost: FloatArray, at_most: Any, bounds: Any, right: FloatArray | None = None) -> FloatArray:
    """Minimise a linear cost under linear inequalities, or say that it failed."""
    limit = np.zeros(at_most.shape[0]) if right is None else right
    result = optimize.linprog(cost, A_ub=at_most, b_ub=limit, bounds=bounds, method="highs")
    if result.status != 0:
        raise EstimationError(
            f"the separation check could not be solved (linear programme status {result.status}); rescale columns of "
            "extreme size or drop them",
            code="separation_unsolved",
        )
    return np.asarray(result.x, dtype=np.float64)
