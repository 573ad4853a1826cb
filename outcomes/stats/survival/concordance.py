"""How well a risk score puts cases in the order of their events: Harrell's concordance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_outcome
from outcomes.stats.survival.survival_times import check_survival, group_labels


@dataclass(frozen=True, slots=True, kw_only=True)
class Concordance:
    """Pairs of cases in which it is known who had the event first.

    Attributes
    ----------
    value : float or None
        Share of the pairs in which the higher score had the event first, tied scores counted half; None without pairs.
    concordant, discordant, tied : int
        Pairs ordered as the score says, the other way round, and with equal scores.
    n : int
        Cases.
    """

    value: float | None
    concordant: int
    discordant: int
    tied: int
    n: int

    def tidy(self) -> pd.DataFrame:
        """Return one row."""
        counts = {"concordant": self.concordant, "discordant": self.discordant, "tied": self.tied}
        return pd.DataFrame([{"estimate": self.value, **counts, "n": self.n}])

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        pairs = self.concordant + self.discordant + self.tied
        if self.value is None:
            return f"concordance not estimable (no pair of {self.n} cases with a known order)"
        return f"concordance {self.value:.3f} in {pairs} pairs of {self.n} cases"


def concordance(time: Any, event: Any, score: Any, *, strata: Any = None) -> Concordance:
    """Return how often the case with the higher score has the event first.

    Parameters
    ----------
    time, event : array_like, shape (n,)
        As in :func:`outcomes.stats.survival.survival_times.check_survival`, none missing.
    score : array_like, shape (n,)
        Higher for an earlier event, such as the linear predictor of a Cox model. Scores within 1e-11 of the largest size
        count as tied.
    strata : array_like, shape (n,), optional
        Pairs are made within strata.

    Returns
    -------
    Concordance

    Raises
    ------
    EstimationError
        Missing values, wrong shapes.

    Notes
    -----
    A pair counts when the earlier time is an event; at equal times when one is an event and the other censored. Pairs
    are counted by merging sorted blocks, O(n log^2 n). Source: Harrell et al. (1982) JAMA 247:2543-2546.

    Examples
    --------
    >>> print(concordance([1, 2, 3], [1, 1, 0], [5.0, 1.0, 2.0]))
    concordance 0.667 in 3 pairs of 3 cases
    """
    data = check_survival(time, event)
    layers, _, no_stratum = group_labels(strata, len(data.used), "stratum")
    if data.n_missing or no_stratum.any():
        raise EstimationError(
            "times, events and strata may not be missing; leave those rows out first", code="not_finite"
        )
    values = check_outcome(score, len(data.time))
    rank = _ranks(values)
    # an event comes before a censoring at the same time; ties of two events are taken out afterwards
    order = np.lexsort((~data.event, data.time, layers))
    dead, r = data.event[order], rank[order]
    lower, equal = _later_pairs(layers[order], dead, r)
    together = np.unique(np.column_stack([layers[order], data.time[order]]), axis=0, return_inverse=True)[1]
    events = np.flatnonzero(dead)
    low_tied, equal_tied = _later_pairs(together.ravel()[events], dead[events], r[events])
    pairs = _n_pairs(layers[order], dead) - _n_pairs(together.ravel()[events], dead[events])
    concordant, tied = lower - low_tied, equal - equal_tied
    return Concordance(
        value=(concordant + 0.5 * tied) / pairs if pairs else None,
        concordant=concordant,
        discordant=pairs - concordant - tied,
        tied=tied,
        n=len(values),
    )


def _ranks(values: FloatArray) -> IntArray:
    """Return ranks in which values that differ by rounding only are equal: sums of products are rounded by row."""
    order = np.argsort(values, kind="stable")
    apart = np.diff(values[order], prepend=values[order[0]]) > 1e-11 * max(
        float(np.abs(values).max()), 1e-300
    )
    rank = np.empty(len(values), dtype=np.int64)
    rank[order] = np.cumsum(apart)
    return rank


def _n_pairs(segment: IntArray, dead: Any) -> int:
    """Return the number of pairs of an event and a later row of its segment."""
    ends = np.searchsorted(segment, segment, side="right")
    return int((ends - np.arange(len(segment)) - 1)[dead].sum())


def _later_pairs(segment: IntArray, dead: Any, rank: IntArray) -> tuple[int, int]:
    """Return how often a later row of the segment of an event has a lower rank, and an equal one."""
    n, lower, equal = len(segment), 0, 0
    if not n:
        return 0, 0
    within = np.arange(n) - np.searchsorted(segment, segment)
    width = int(rank.max()) + 2
    size = 1
    while size <= int(within.max()):
        block = within // size
        # blocks are merged in pairs: the left one has an even number
        pair = segment * (n + 1) + block // 2
        left, right = dead & (block % 2 == 0), block % 2 == 1
        keys = np.sort(pair[right] * width + rank[right])
        wanted = pair[left] * width
        bottom = np.searchsorted(keys, wanted)
        below = np.searchsorted(keys, wanted + rank[left])
        upto = np.searchsorted(keys, wanted + rank[left], side="right")
        lower += int((below - bottom).sum())
        equal += int((upto - below).sum())
        size *= 2
    return lower, equal
