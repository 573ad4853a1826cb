"""What every sample size, power and detectable difference has in common: result types, checks, solving, rounding up."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import pandas as pd
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.one_number import check_number
from outcomes.stats.printed.printed_text import group_size

Sided = Literal["one", "two"]

LARGEST = 1e9  # patients; a plan that needs more is refused


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSize:
    """How many patients a study needs.

    Attributes
    ----------
    design : str
        What is compared, e.g. ``"two means"``.
    groups : tuple of int
        Size of each group, rounded up; group 1 first.
    n : int
        All groups.
    unrounded : tuple of float
        What the formula gives for each group before rounding up.
    power, target_power : float
        By the same formula at the rounded sizes, and as asked for.
    effect : float
        Difference, ratio or margin planned for.
    alpha : float
    sided : {"one", "two"}
    events : int or None
        Events needed in all, where the design counts events.
    method : str
    assumed : tuple of str
        What was taken for granted, in words.
    """

    design: str
    groups: tuple[int, ...]
    n: int
    unrounded: tuple[float, ...]
    power: float
    target_power: float
    effect: float
    alpha: float
    sided: Sided
    events: int | None = None
    method: str
    assumed: tuple[str, ...] = ()

    def tidy(self) -> pd.DataFrame:
        """Return one row a group."""
        k = len(self.groups)
        return pd.DataFrame(
            {
                "contrast": self.design, "group": list(range(k, 0, -1)) if k != 2 else [1, 0],
                "estimate": self.effect, "n": list(self.groups), "unrounded": list(self.unrounded),
                "power": self.power, "alpha": self.alpha, "sided": self.sided, "method": self.method,
                "assumed": "; ".join(self.assumed),
            }
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a protocol."""
        same = len(set(self.groups)) == 1
        if len(self.groups) == 1:
            sizes = f"{self.n} in all"
        elif same:
            sizes = f"{self.groups[0]} in each of {len(self.groups)} groups, {self.n} in all"
        else:
            sizes = f"{' and '.join(map(str, self.groups))}, {self.n} in all"
        events = "" if self.events is None else f" ({self.events} events)"
        return (
            f"{self.design}: {sizes}{events} give {_percent(self.power)} power for {', '.join(self.assumed)} "
            f"({self.sided}-sided alpha {self.alpha:g}; {self.method})"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPower:
    """Power of given group sizes, or the effect that they can detect.

    Attributes
    ----------
    design : str
    solved_for : {"power", "effect"}
        Which of the two was worked out.
    power, effect : float
    groups : tuple of int
        Size of each group (events, where the design counts events).
    alpha : float
    sided : {"one", "two"}
    method : str
    assumed : tuple of str
    """

    design: str
    solved_for: Literal["power", "effect"]
    power: float
    effect: float
    groups: tuple[int, ...]
    alpha: float
    sided: Sided
    method: str
    assumed: tuple[str, ...] = ()

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "contrast": self.design, "estimate": self.effect, "power": self.power, "n": sum(self.groups),
            "alpha": self.alpha, "sided": self.sided, "solved_for": self.solved_for, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a protocol."""
        sizes = " and ".join(map(str, self.groups))
        given = ", ".join(self.assumed)
        tail = f"({self.sided}-sided alpha {self.alpha:g}; {self.method})"
        if self.solved_for == "power":
            return f"{self.design}: {sizes} give {_percent(self.power)} power for {given} {tail}"
        return f"{self.design}: {sizes} detect {self.effect:.4g} with {_percent(self.power)} power for {given} {tail}"


def z_of(alpha: float, sided: Sided) -> float:
    """Return the normal quantile that a test statistic must exceed.

    Examples
    --------
    >>> round(z_of(0.05, "two"), 4), round(z_of(0.05, "one"), 4)
    (1.96, 1.6449)
    """
    return float(-special.ndtri(alpha / sides(sided)))


def sides(sided: Sided) -> int:
    """Return 1 or 2.

    Examples
    --------
    >>> sides("two")
    2
    """
    check_choice(sided, ("one", "two"), "sided")
    return 2 if sided == "two" else 1


def check_plan(alpha: float, sided: Sided, power: float | None = None, ratio: float = 1.0) -> None:
    """Refuse levels, power and allocation that make no plan.

    Raises
    ------
    EstimationError
        Levels, power or allocation out of range.

    Examples
    --------
    >>> check_plan(0.05, "two", 0.8)
    """
    sides(sided)
    check_number(alpha, "alpha", "0.05")
    check_number(ratio, "ratio (group 1 over group 0)", "1")
    if power is not None:
        check_number(power, "power", "0.8")
    if not 0 < alpha < 1:
        raise EstimationError("alpha must be between 0 and 1, such as 0.05", code="bad_level")
    if power is not None and not alpha < power < 1:
        raise EstimationError("power must be above alpha and below 1, such as 0.8", code="bad_power")
    if not (math.isfinite(ratio) and ratio > 0):
        raise EstimationError("ratio (group 1 over group 0) must be finite and above 0", code="bad_ratio")


def check_positive(value: float, name: str) -> None:
    """Refuse a planned number that must be above 0.

    Raises
    ------
    EstimationError
        A number that is not finite and above 0.

    Examples
    --------
    >>> check_positive(2.0, "sd")
    """
    check_number(value, name)
    if not (math.isfinite(value) and value > 0):
        raise EstimationError(f"{name} must be finite and above 0", code="bad_plan")


def check_effect(value: float, name: str) -> None:
    """Refuse a planned effect of 0, which no number of patients detects.

    Raises
    ------
    EstimationError
        An effect of 0, or none.

    Examples
    --------
    >>> check_effect(-3.0, "difference")
    """
    check_number(value, name)
    if not math.isfinite(value) or value == 0:
        raise EstimationError(
            f"{name} must be finite and not 0: no number of patients detects no difference", code="bad_plan"
        )


def check_share(value: float, name: str) -> None:
    """Refuse a planned share outside 0 to 1.

    Raises
    ------
    EstimationError
        A share outside 0 to 1.

    Examples
    --------
    >>> check_share(0.3, "p1")
    """
    check_number(value, name, "0.3")
    if not 0 < value < 1:
        raise EstimationError(f"{name} must be between 0 and 1, both excluded", code="bad_plan")


def round_up(value: float) -> int:
    """Return the next whole number, forgiving the last digits of floating point.

    Examples
    --------
    >>> round_up(63.0000000000001), round_up(63.001)
    (63, 64)
    """
    return math.ceil(value * (1 - 1e-11))


def smallest(power_at: Callable[[float], float], target: float, least: float) -> float:
    """Return the real size at which a power that grows with size reaches its target.

    Parameters
    ----------
    power_at : callable
        Size -> power.
    target : float
    least : float
        Smallest size that the test is defined for; returned when it is enough.

    Raises
    ------
    EstimationError
        More than a billion patients.

    Examples
    --------
    >>> round(smallest(lambda n: 1 - 1 / n, 0.8, 1.0), 6)
    5.0
    """
    if power_at(least) >= target:
        return least
    high = 2 * least
    while power_at(high) < target:
        high *= 2
        if high > LARGEST:
            raise EstimationError(
                "the plan needs more than a billion patients: the effect is too small beside its spread",
                code="too_large",
            )
    return float(optimize.brentq(lambda n: power_at(n) - target, high / 2, high, xtol=1e-9, rtol=1e-13))


def largest_effect(power_at: Callable[[float], float], target: float, start: float) -> float:
    """Return the effect at which a power that grows with the effect reaches its target.

    Parameters
    ----------
    power_at : callable
        Effect above 0 -> power.
    target, start : float
        Power asked for; an effect to begin with.

    Raises
    ------
    EstimationError
        No effect that is detected.

    Examples
    --------
    >>> round(largest_effect(lambda d: 1 - 1 / (1 + d), 0.8, 1.0), 6)
    4.0
    """
    low, high = 0.0, start
    while power_at(high) < target:
        low, high = high, high * 2
        if high > start * LARGEST:
            raise EstimationError("no effect is detected with so few patients", code="too_few")
    return float(optimize.brentq(lambda d: power_at(d) - target, low, high, xtol=1e-14 * start, rtol=1e-13))


def two_sizes(n1: float, n0: float) -> tuple[int, int]:
    """Return the sizes of two groups, 2 or more each.

    Examples
    --------
    >>> two_sizes(30, 40)
    (30, 40)
    """
    return group_size(n1, "n1", 2), group_size(n0, "n0", 2)


def _percent(power: float) -> str:
    """Return a power as percent, never rounded up to a target that it misses."""
    return f"{math.floor(1000 * power + 1e-9) / 10:.1f} %"
