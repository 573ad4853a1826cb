"""The search for matches on a score in whole steps: one after another, or all at once."""

from __future__ import annotations

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray

#: Cells of the largest table of distances that an optimal search takes on.
LARGEST = 30_000_000

#: Steps by which rounding can change the difference of two distances.
SLACK = 2.0


def greedy_matches(
    steps: FloatArray,
    strata: IntArray,
    rows: IntArray,
    controls: IntArray,
    reach: float,
    ratio: int,
    *,
    replacement: bool = False,
) -> IntArray:
    """Match treated cases to their nearest controls one after another.

    Parameters
    ----------
    steps : ndarray, shape (n,)
        Score of every case in whole steps.
    strata : ndarray of int, shape (n,)
    rows : ndarray of int
        Treated cases in the order in which they choose.
    controls : ndarray of int
        Controls in the order in which they win ties.
    reach : float
        Largest distance, in steps.
    ratio : int
    replacement : bool

    Returns
    -------
    ndarray of int, shape (m, 2)
        Treated and control of each match.

    Notes
    -----
    Source: Rosenbaum and Rubin (1985) Am Stat 39:33.

    Examples
    --------
    >>> steps = np.array([0.0, 1.0, 1.0, 3.0])
    >>> greedy_matches(steps, np.zeros(4, dtype=int), np.array([0]), np.array([2, 1, 3]), 9.0, 2).tolist()
    [[0, 2], [0, 1]]
    """
    places = {int(s): np.flatnonzero(strata[controls] == s) for s in np.unique(strata[rows])}
    scores = {s: steps[controls[place]] for s, place in places.items()}
    free = {s: np.ones(len(place), dtype=bool) for s, place in places.items()}
    pairs: list[tuple[int, int]] = []
    own: dict[int, set[int]] = {}
    for _ in range(ratio):
        before = len(pairs)
        for row in rows:
            s, taken = int(strata[row]), own.setdefault(int(row), set())
            distance = np.where(free[s], np.abs(scores[s] - steps[row]), np.inf)
            if replacement and taken:
                distance[list(taken)] = np.inf
            # the first within what rounding to steps can do to a distance, and within reach
            near = min(float(distance.min(initial=np.inf)) + SLACK, reach)
            best = int((distance <= near).argmax()) if len(distance) else -1
            if best >= 0 and np.isfinite(distance[best]) and distance[best] <= reach:
                pairs.append((int(row), int(controls[places[s][best]])))
                if replacement:
                    taken.add(best)
                else:
                    free[s][best] = False
        if len(pairs) == before:
            break
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def optimal_matches(
    steps: FloatArray, strata: IntArray, rows: IntArray, controls: IntArray, reach: float, ratio: int
) -> IntArray:
    """Make as many matches as can be made, at the smallest sum of distances.

    Parameters
    ----------
    steps, strata, rows, controls, reach, ratio
        As for :func:`greedy_matches`. First controls go before second ones.

    Returns
    -------
    ndarray of int, shape (m, 2)
        In the order of the treated cases.

    Raises
    ------
    EstimationError
        A table of distances of more than 30 million cells in one stratum.

    Notes
    -----
    Sources: Rosenbaum (1989) J Am Stat Assoc 84:1024; Crouse (2016) IEEE Trans Aerosp Electron Syst 52:1679
    (scipy's assignment). Where several solutions have the same sum, the one that scipy finds for rows and
    controls in this order.

    Examples
    --------
    Greedy search would give the first case the control at 1 and leave the second that at 9.

    >>> steps = np.array([0.0, 2.0, 1.0, -4.0])
    >>> optimal_matches(steps, np.zeros(4, dtype=int), np.array([1, 0]), np.array([2, 3]), 9.0, 1).tolist()
    [[1, 2], [0, 3]]
    """
    # imported here: only an optimal search needs it
    from scipy.optimize import linear_sum_assignment

    pairs: list[tuple[int, int]] = []
    for s in np.unique(strata[rows]):
        own, others = rows[strata[rows] == s], controls[strata[controls] == s]
        if not len(others):
            continue
        if len(own) * len(others) * ratio > LARGEST:
            raise EstimationError(
                f"{len(own)} treated cases times {len(others)} controls are too many for an optimal search; match "
                "inside strata or use search='greedy'",
                code="too_large",
            )
        distance = np.abs(steps[own][:, None] - steps[others])
        allowed = distance <= reach
        if not allowed.any():
            continue
        # one match more outweighs any sum of distances; an earlier copy of a case outweighs a later one
        one = (len(own) * ratio + 1.0) * max(float(distance[allowed].max()), 1.0)
        forbidden = (ratio + 1.0) * one
        cost = np.vstack([np.where(allowed, distance + copy * one, forbidden) for copy in range(ratio)])
        chosen, matched = linear_sum_assignment(cost)
        kept = allowed[chosen % len(own), matched]
        pairs += zip(own[chosen[kept] % len(own)].tolist(), others[matched[kept]].tolist(), strict=True)
    place = {int(row): i for i, row in enumerate(rows)}
    pairs.sort(key=lambda pair: place[pair[0]])
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)
