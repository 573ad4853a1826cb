"""What an analysis of observed variables would aim at: labels as read, shares of variation.

Large-sample values, computed by least squares in one big world; no inference.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np

from synthetic_cohort.levels import Bools, Floats, Ints, Variables
from synthetic_cohort.radiographs import read, reduction_met
from synthetic_cohort.world import World


def label_as_read(world: World, film: Variables) -> Bools:
    """Return the label of one reading, with the reading error of the scenario."""
    return reduction_met(read(film, world.scenario.reading_error, world.rng["file"]))


def as_read_effects(
    seen: Floats, chosen: Ints, label: Bools, design: Floats, count: int
) -> dict[bool, Floats]:
    """Return the fitted outcome of every case under every strategy and label as read.

    Parameters
    ----------
    seen : array (n,)
        Outcome that came about.
    chosen : array (n,) of int
    label : array (n,) of bool
        Label as read.
    design : array (n, p)
    count : int
        Number of strategies.

    Returns
    -------
    dict
        For each label an array (n, count), up to a term that is common to all.
    """
    used = np.eye(count)[chosen]
    X = np.column_stack([used, used * label[:, None], design])
    solution = np.linalg.solve(X.T @ X, X.T @ seen)
    level, effect = solution[:count], solution[count : 2 * count]
    n = len(seen)
    return {False: np.tile(level, (n, 1)), True: np.tile(level + effect, (n, 1))}


def shapley_shares(seen: Floats, design: Floats, chosen: Ints, met: Bools) -> dict[str, float]:
    """Return the Shapley shares of R squared of three groups of variables.

    Parameters
    ----------
    seen : array (n,)
    design : array (n, p)
    chosen : array (n,) of int
    met : array (n,) of bool

    Returns
    -------
    dict of str to float
        ``patient and injury``, ``strategy``, ``reduction`` and ``all``, their sum.
    """
    groups = {
        "patient and injury": design,
        "strategy": np.eye(int(chosen.max()) + 1)[chosen][:, 1:],
        "reduction": met[:, None].astype(np.float64),
    }
    names = list(groups)
    table = np.column_stack([*groups.values(), seen])
    moments = np.cov(table, rowvar=False)
    ends = np.cumsum([block.shape[1] for block in groups.values()])
    where = {name: range(end - groups[name].shape[1], end) for name, end in zip(names, ends, strict=True)}

    def explained(some: frozenset[str]) -> float:
        columns = [column for name in some for column in where[name]]
        if not columns:
            return 0.0
        cross = moments[columns, -1]
        return float(cross @ np.linalg.solve(moments[np.ix_(columns, columns)], cross) / moments[-1, -1])

    shares = dict.fromkeys(names, 0.0)
    orders = list(permutations(names))
    for order in orders:
        before: frozenset[str] = frozenset()
        for name in order:
            after = before | {name}
            shares[name] += (explained(after) - explained(before)) / len(orders)
            before = after
    shares["all"] = explained(frozenset(names))
    return shares
