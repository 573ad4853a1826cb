"""The two-sided p of Fisher's exact test for one table, and at once for every table of two group sizes.

`outcomes.stats.proportions.contingency.fisher_exact` also solves for the exact odds ratio, a hundred times the work. Here only p
is wanted, for every step of a fragility index and for all tables of an exact power.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from outcomes.stats.numerics.arrays import FloatArray
from outcomes.stats.numerics.inputs import SMALLEST_P, events_of, whole

LIKELIER = 1 + 1e-7  # equally likely tables differ by rounding


def fisher_p(events1: int, n1: int, events0: int, n0: int) -> float:
    """Return the two-sided p of Fisher's exact test, summing all tables no likelier than the one given.

    Parameters
    ----------
    events1, n1, events0, n0 : int
        Events and cases of either group.

    Returns
    -------
    float
        1 when there are no events or only events; never exactly 0.

    References
    ----------
    Fisher RA. J R Stat Soc 1935; 98: 39-82.

    Examples
    --------
    All or none of three and three: 2 of the 20 tables:

    >>> round(fisher_p(3, 3, 0, 3), 12)
    0.1
    """
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    chances, first = _chances(total1, total0, e1 + e0)
    seen = chances[e1 - first]
    return min(max(float(chances[chances <= seen * LIKELIER].sum()), SMALLEST_P), 1.0)


def fisher_p_table(n1: int, n0: int) -> FloatArray:
    """Return the two-sided p of every table with these group sizes.

    Parameters
    ----------
    n1, n0 : int
        Sizes of the groups.

    Returns
    -------
    ndarray, shape (n1 + 1, n0 + 1)
        Element (i, j) belongs to i events in the first group and j in the second.

    References
    ----------
    As for :func:`fisher_p`.

    Examples
    --------
    >>> fisher_p_table(1, 1)
    array([[1., 1.],
           [1., 1.]])
    """
    size1, size0 = whole(n1, "n1"), whole(n0, "n0")
    every = np.ones((size1 + 1, size0 + 1))
    for events in range(size1 + size0 + 1):
        chances, first = _chances(size1, size0, events)
        order = np.argsort(chances, kind="stable")
        ranked = chances[order]
        upto = np.searchsorted(ranked, ranked * LIKELIER, side="right")
        p = np.empty(chances.size)
        p[order] = np.cumsum(ranked)[upto - 1]
        i = first + np.arange(chances.size)
        every[i, events - i] = np.clip(p, SMALLEST_P, 1.0)
    return every


def _chances(n1: int, n0: int, events: int) -> tuple[FloatArray, int]:
    """Return the hypergeometric chances of the events of the first group, and the fewest there can be."""
    first, last = max(0, events - n0), min(events, n1)
    k = np.arange(first, last + 1, dtype=np.float64)
    log = -(special.gammaln(k + 1) + special.gammaln(n1 - k + 1) + special.gammaln(events - k + 1)
            + special.gammaln(n0 - events + k + 1))  # fmt: skip
    weights = np.exp(log - log.max())
    return np.asarray(weights / weights.sum(), dtype=np.float64), first
