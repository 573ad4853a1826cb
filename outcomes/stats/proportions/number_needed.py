"""Number needed to treat, with the interval that runs through infinity when no difference is possible.

The number needed is 1 over the risk difference. Where the limits of the difference lie on both sides of 0,
the interval is no stretch of numbers but two: from the limit of benefit up to infinity, and from infinity
down to the limit of harm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_choice

Direction = Literal["benefit", "harm"]
Better = Literal["higher", "lower"]
#: Risk differences of 1 in each unit.
WHOLE = {"proportion": 1.0, "percentage points": 100.0}
TAG = {"benefit": "NNTB", "harm": "NNTH"}


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededRange:
    """One stretch of numbers needed.

    Attributes
    ----------
    direction : {"benefit", "harm"}
    low : float
        Smallest number, 1 or more: the strongest effect.
    high : float or None
        Largest number; None for infinity.
    """

    direction: Direction
    low: float
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberNeeded:
    """Patients to treat for one more good, or one more bad, outcome.

    Attributes
    ----------
    value : float or None
        1 or more, not rounded; None where `reason` says why (the difference is 0 or unknown).
    direction : {"benefit", "harm"} or None
        What one case more is of.
    ranges : tuple of NeededRange
        The confidence set: one stretch when the interval of the difference excludes 0, two that meet at
        infinity when it does not (benefit first), none without an interval.
    difference : Estimate
        The risk difference that all of it comes from; its level is the level.
    reason : str
    """

    value: float | None
    direction: Direction | None
    ranges: tuple[NeededRange, ...]
    difference: Estimate
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row for each stretch, with the common column names; no limit is infinity."""
        shared = {
            "contrast": self.difference.contrast, "estimate": self.value, "direction": self.direction,
            "n": self.difference.n, "n_missing": self.difference.n_missing, "method": self.difference.method,
        }  # fmt: skip
        rows = [
            shared | {"range": part.direction, "conf_low": part.low, "conf_high": part.high}
            for part in self.ranges
        ]
        return pd.DataFrame(rows or [shared | {"range": None, "conf_low": None, "conf_high": None}])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        lead = f"{self.difference.contrast}: " if self.difference.contrast else ""
        said = "no number needed" if self.direction is None else f"{TAG[self.direction]} {self.value:.4g}"
        said = f"{said}, {self.reason}" if self.reason else said
        if not self.ranges:
            return f"{lead}{said}"
        first = self.ranges[0]
        if len(self.ranges) == 2:
            harm = self.ranges[1]
            limits = f"NNTB {first.low:.4g} to infinity to NNTH {harm.low:.4g}"
        else:
            top = "infinity" if first.high is None else f"{first.high:.4g}"
            limits = f"{TAG[first.direction]} {first.low:.4g} to {top}"
        return f"{lead}{said} ({self.difference.level * 100:g} % CI {limits}; n = {self.difference.n})"


def number_needed(difference: Estimate, *, better: Better) -> NumberNeeded:
    """Turn a risk difference into a number needed to treat.

    Parameters
    ----------
    difference : Estimate
        Group 1 minus group 0, as a proportion or in percentage points, by any method.
    better : {"higher", "lower"}
        Whether more or fewer events are better: "lower" for complications.

    Returns
    -------
    NumberNeeded
        Of group 1 against group 0. A difference of 0 has no number needed, but its interval has two
        stretches. A limit of exactly 0 is infinity.

    Raises
    ------
    EstimationError
        For a unit other than proportion or percentage points, and for an interval with one limit only.

    References
    ----------
    Altman DG. Confidence intervals for the number needed to treat. BMJ 1998; 317: 1309-1312.

    Examples
    --------
    The reciprocals of 0.1, of 0.25 and of -0.05:

    >>> d = Estimate(value=-0.1, conf_low=-0.25, conf_high=0.05, unit="proportion", n=200)
    >>> print(number_needed(d, better="lower"))
    NNTB 10 (95 % CI NNTB 4 to infinity to NNTH 20; n = 200)
    """
    check_choice(better, ("higher", "lower"), "better")
    if difference.unit not in WHOLE:
        raise EstimationError(
            f"the estimate is in {difference.unit or 'no unit'!r}; a number needed takes a risk difference in "
            "'proportion' or 'percentage points'",
            code="not_a_risk_difference",
        )
    if (difference.conf_low is None) != (difference.conf_high is None):
        raise EstimationError(
            "the risk difference has one limit only; give one with both or none", code="one_limit"
        )
    size = WHOLE[difference.unit] * (1 if better == "higher" else -1)
    value, direction = None, None
    if difference.value:
        value, direction = abs(size / difference.value), _direction(difference.value / size)
    reason = difference.reason if difference.value is None else ""
    if difference.value == 0:
        reason = "the difference is 0"
    ranges: tuple[NeededRange, ...] = ()
    if difference.conf_low is not None and difference.conf_high is not None:
        ranges = _ranges(*sorted((difference.conf_low / size, difference.conf_high / size)))
    if not ranges and not reason:
        reason = difference.reason or "the difference has no interval"
    return NumberNeeded(value=value, direction=direction, ranges=ranges, difference=difference, reason=reason)


def _direction(gain: float) -> Direction:
    """Return what a gain, not 0, is."""
    return "benefit" if gain > 0 else "harm"


def _ranges(low: float, high: float) -> tuple[NeededRange, ...]:
    """Return the stretches of numbers needed for a gain between two limits."""
    if low < 0 < high:
        return (
            NeededRange(direction="benefit", low=1 / high, high=None),
            NeededRange(direction="harm", low=-1 / low, high=None),
        )
    if low == high == 0:
        return ()
    far, near = (high, low) if high > 0 else (low, high)
    return (
        NeededRange(direction=_direction(far), low=abs(1 / far), high=None if near == 0 else abs(1 / near)),
    )
