"""How many patients with another outcome would turn a comparison of two shares from significant to not, or back.

Steps of one patient with a two-sided Fisher p at each; no library that the package rests on has it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.inputs import events_of, whole
from outcomes.stats.proportions.fisher_tables import fisher_p

Arm = Literal["fewer events", "smaller share"]
Direction = Literal["fragility", "reverse fragility"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fragility:
    """Fragility index of a comparison of two shares.

    Attributes
    ----------
    index : int or None
        Patients whose outcome had to change; None where `reason` says why no number of them is enough.
    quotient : float or None
        Index over all patients.
    direction : {"fragility", "reverse fragility"}
        From significant to not, or from not significant to significant.
    p_values : tuple of float
        Fisher p as printed counts give it, then after each changed patient.
    changed_group : int
        1 or 0: the group whose outcomes change.
    n, n_lost : int
        Patients, and those lost to follow-up (0 when not given).
    fewer_than_lost : bool or None
        Whether fewer patients would do than were lost; None when the losses were not given.
    alpha : float
    reason, method : str
    """

    index: int | None
    quotient: float | None
    direction: Direction
    p_values: tuple[float, ...]
    changed_group: int
    n: int
    n_lost: int
    fewer_than_lost: bool | None
    alpha: float
    reason: str = ""
    method: str = "Fisher's exact test, two-sided"

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "contrast": f"{self.direction} index", "estimate": self.index, "quotient": self.quotient,
            "p_value": self.p_values[0], "n": self.n, "n_missing": self.n_lost, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        start = f"p = {self.p_values[0]:.3g}"
        if self.index is None:
            return f"{self.direction} index: none ({self.reason}; {start}; n = {self.n})"
        lost = ""
        if self.fewer_than_lost is not None:
            compared = "fewer than" if self.fewer_than_lost else "not fewer than"
            lost = f"; {compared} the {self.n_lost} lost to follow-up"
        return (
            f"{self.direction} index {self.index} of {self.n} patients ({start} becomes {self.p_values[-1]:.3g}; "
            f"quotient {self.quotient:.4f}{lost})"
        )


def fragility_index(
    events1: int,
    n1: int,
    events0: int,
    n0: int,
    *,
    alpha: float = 0.05,
    arm: Arm = "fewer events",
    lost: int | None = None,
) -> Fragility:
    """Return how many patients with another outcome would turn the significance of a comparison.

    Parameters
    ----------
    events1, n1, events0, n0 : int
        Events and cases of either group.
    alpha : float
        Significant means p below alpha.
    arm : {"fewer events", "smaller share"}
        Whose outcomes change. "fewer events" is the published rule; with groups of unequal size it can
        pick the group with the larger share, where more events move the groups apart.
    lost : int, optional
        Patients lost to follow-up, to compare the index with.

    Returns
    -------
    Fragility
        Significant: patients without the event get it, one by one, until p >= alpha (Walsh). Not
        significant: patients with the event lose it until p < alpha (reverse fragility, Khan); None when
        even no event in that group is not enough. When both groups have as many events, the one with the smaller
        share changes; when these are equal too, group 1.

    Raises
    ------
    EstimationError
        Counts that are not whole, events that exceed cases, alpha outside 0 to 1.

    References
    ----------
    Walsh M, et al. J Clin Epidemiol 2014; 67: 622-628. Reverse: Khan MS, et al. JAMA Network Open 2020; 3:
    e2012469. Quotient: Ahmed W, Fowler RA, McCredie VA. Critical Care Medicine 2016; 44: e1142-e1143. (The last
    two from memory.)

    Examples
    --------
    >>> print(fragility_index(1, 100, 9, 100, lost=5))
    fragility index 1 of 200 patients (p = 0.0185 becomes 0.0582; quotient 0.0050; fewer than the 5 lost to follow-up)
    """
    check_choice(arm, ("fewer events", "smaller share"), "arm")
    if not 0 < alpha < 1:
        raise EstimationError("alpha must be between 0 and 1, such as 0.05", code="bad_level")
    counts = [events_of(events1, n1, "group 1"), events_of(events0, n0, "group 0")]
    if min(total for _, total in counts) == 0:
        raise EstimationError("a group has no patients; give both groups", code="too_few")
    n_lost = None if lost is None else whole(lost, "lost")
    changed = _changed(counts, arm)
    first = _p(counts)
    step = 1 if first < alpha else -1
    apart = step == 1 and _share(counts[changed]) > _share(counts[1 - changed])
    p_values, reason = [first], ""
    while (p_values[-1] < alpha) == (step == 1) and not apart:
        events, total = counts[changed]
        if not 0 <= events + step <= total:
            break
        counts[changed] = (events + step, total)
        p_values.append(_p(counts))
    if apart:
        reason = (
            "the group with fewer events has the larger share: more events there move the groups apart; "
            "use arm='smaller share'"
        )
    elif (p_values[-1] < alpha) == (step == 1):
        word = (
            "significant still with an event in every patient"
            if step == 1
            else "not significant even without an event"
        )
        reason = f"{word} of that group"
    n = sum(total for _, total in counts)
    index = None if reason else len(p_values) - 1
    return Fragility(
        index=index, quotient=None if index is None else index / n, p_values=tuple(p_values),
        direction="fragility" if step == 1 else "reverse fragility", changed_group=1 - changed, n=n,
        n_lost=n_lost or 0, fewer_than_lost=None if n_lost is None or index is None else index < n_lost,
        alpha=alpha, reason=reason,
    )  # fmt: skip


def _changed(counts: list[tuple[int, int]], arm: Arm) -> int:
    """Return the position of the group whose outcomes change."""
    (e1, n1), (e0, n0) = counts
    by_share = e1 * n0 - e0 * n1
    difference = by_share if arm == "smaller share" else (e1 - e0 or by_share)
    return 0 if difference <= 0 else 1


def _share(count: tuple[int, int]) -> float:
    """Return the share with the event."""
    return count[0] / count[1]


def _p(counts: list[tuple[int, int]]) -> float:
    """Return Fisher's p."""
    return fisher_p(*counts[0], *counts[1])
