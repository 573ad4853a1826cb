"""What a printed SD can be: limits from range, mean and n; standard errors taken for SDs; order of printed numbers.

No library that the package rests on has these limits. They allow for the rounding of every printed
number, always to the side of no finding.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.printed.attainable import spread
from outcomes.stats.printed.printed_text import SLACK, PrintedCheck, group_size, read_printed


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadLimits:
    """Smallest and largest SD that n values can have.

    Attributes
    ----------
    low, high : float or None
        Limits of the SD (divisor n - 1); None where `reason` says that no values fit.
    n : int
    reason : str
    """

    low: float | None
    high: float | None
    n: int
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with both limits."""
        return pd.DataFrame([{"contrast": "SD", "lowest": self.low, "highest": self.high, "n": self.n}])

    def __str__(self) -> str:
        """Return the limits in one sentence."""
        if self.low is None or self.high is None:
            return f"SD of n = {self.n}: no values fit ({self.reason})"
        return f"SD of n = {self.n}: {self.low:.4g} to {self.high:.4g}"


def sd_limits(
    n: int, minimum: str | int, maximum: str | int, *, mean: str | int | None = None, attained: bool = True
) -> SpreadLimits:
    """Return the smallest and largest SD of n values with a printed range and mean.

    Parameters
    ----------
    n : int
        Size of the sample, 2 or more.
    minimum, maximum : str or int
        As printed. A whole number given as int is a limit of the scale or an observed whole number, exact.
    mean : str or int, optional
        As printed; without it the limits hold for every mean.
    attained : bool
        Whether the smallest and largest value were observed; False for the limits of a scale.

    Returns
    -------
    SpreadLimits
        Largest: all values at the ends, ``(max - mean)(mean - min) n/(n - 1)``. Smallest, when the ends
        were observed: all others at one value.

    References
    ----------
    Bhatia R, Davis C. A better bound on the variance. American Mathematical Monthly 2000; 107: 353-357.

    Examples
    --------
    Two at 0 and two at 10 have SD 5.77; with 0 and 10 observed and two at 5 it is 4.08:

    >>> print(sd_limits(4, 0, 10, mean=5))
    SD of n = 4: 4.082 to 5.774
    """
    size = group_size(n, "n", 2)
    ends = _ends(minimum, maximum)
    if ends is None:
        return SpreadLimits(low=None, high=None, n=size, reason="minimum above maximum")
    low, high = ends
    middle = (low[0], high[1]) if mean is None else _exact(mean, "mean")
    # a value at each end keeps the mean a share of the range away from both
    away = (max(high[0] - low[1], Fraction(0)) / size) if attained else Fraction(0)
    lowest_mean, highest_mean = max(middle[0], low[0] + away), min(middle[1], high[1] - away)
    if lowest_mean > highest_mean:
        return SpreadLimits(low=None, high=None, n=size, reason="no values in the range have this mean")
    best = min(max((low[0] + high[1]) / 2, lowest_mean), highest_mean)
    most = (high[1] - best) * (best - low[0]) * size / (size - 1)
    least = _smallest(size, low, high, (lowest_mean, highest_mean)) if attained else Fraction(0)
    return SpreadLimits(low=math.sqrt(least), high=math.sqrt(most), n=size)


def judge_sd(
    sd: str | int,
    n: int,
    minimum: str | int,
    maximum: str | int,
    *,
    mean: str | int | None = None,
    attained: bool = True,
) -> PrintedCheck:
    """Say whether a printed SD lies within what range, mean and n allow, and whether a standard error would.

    Parameters
    ----------
    sd : str or int
        As printed.
    n, minimum, maximum, mean, attained
        As for :func:`sd_limits`.

    Returns
    -------
    PrintedCheck
        The note says when SD and standard error seem to have been exchanged: too small, and right after
        multiplying by the root of n; or too large, and right after dividing.

    References
    ----------
    As for :func:`sd_limits`.

    Examples
    --------
    An SD of 1.2 cannot belong to 25 values from 10 to 30, its standard error can:

    >>> print(judge_sd("1.2", 25, "10", "30", mean="20"))
    SD, 1.2 (n = 25): inconsistent; SD from the printed numbers 2.74 to 10.7; fits if it is a standard error
    """
    number, limits = spread(sd), sd_limits(n, minimum, maximum, mean=mean, attained=attained)
    words, size = f"{number.text} (n = {limits.n})", limits.n
    if limits.low is None or limits.high is None:
        return PrintedCheck(
            check="SD", printed=words, finding="inconsistent", n=size, reason=limits.reason
        )  # fmt: skip
    low, high = limits.low * (1 - SLACK), limits.high * (1 + SLACK)
    root = math.sqrt(size)

    def fits(scale: float) -> bool:
        return float(number.high) * scale >= low and float(number.low) * scale <= high

    note = ""
    if not fits(1):
        note = "fits if it is a standard error" if float(number.high) < low and fits(root) else ""
        note = (
            "fits if an SD was multiplied by the root of n"
            if float(number.low) > high and fits(1 / root)
            else note
        )
    return PrintedCheck(
        check="SD", printed=words, finding="consistent" if fits(1) else "inconsistent", quantity="SD",
        low=limits.low, high=limits.high, n=size, note=note, method="limits of Bhatia and Davis",
    )  # fmt: skip


def judge_order(
    *,
    minimum: str | int | None = None,
    q1: str | int | None = None,
    median: str | int | None = None,
    q3: str | int | None = None,
    maximum: str | int | None = None,
    mean: str | int | None = None,
    sd: str | int | None = None,
) -> PrintedCheck:
    """Say whether range, quartiles, median, mean and SD of one group can stand together.

    Parameters
    ----------
    minimum, q1, median, q3, maximum, mean, sd : str or int, optional
        As printed; at least two.

    Returns
    -------
    PrintedCheck
        Inconsistent when the five are out of order, the mean lies outside the range, or mean and median
        are more than one SD apart.

    Raises
    ------
    EstimationError
        Fewer than two numbers, or what is no printed number.

    References
    ----------
    Mean and median: Hotelling H, Solomons LM. Annals of Mathematical Statistics 1932; 3: 141-142.

    Examples
    --------
    >>> judge_order(q1="4", median="9", q3="7").reason
    'median 9 above q3 7'
    >>> judge_order(q1="4", median="7.4", q3="7").finding
    'consistent'
    """
    named = {"minimum": minimum, "q1": q1, "median": median, "q3": q3, "maximum": maximum}
    five = {name: read_printed(text, name) for name, text in named.items() if text is not None}
    centre = None if mean is None else read_printed(mean, "mean")
    width = None if sd is None else spread(sd)
    given = [*five.items(), *([("mean", centre)] if centre else []), *([("SD", width)] if width else [])]
    if len(given) < 2:
        raise EstimationError("give at least two of the numbers", code="too_few")
    problems = []
    pairs = list(five.items())
    for i, (name, number) in enumerate(pairs):
        for other, later in pairs[i + 1 :]:
            if number.low > later.high:
                problems.append(f"{name} {number.text} above {other} {later.text}")
    if centre:
        if "minimum" in five and centre.high < five["minimum"].low:
            problems.append("mean below the minimum")
        if "maximum" in five and centre.low > five["maximum"].high:
            problems.append("mean above the maximum")
        if width and "median" in five:
            apart = max(centre.low - five["median"].high, five["median"].low - centre.high)
            if apart > width.high:
                problems.append("mean and median more than one SD apart")
    return PrintedCheck(
        check="order", printed=", ".join(f"{name} {number.text}" for name, number in given),
        finding="inconsistent" if problems else "consistent", reason="; ".join(problems),
    )  # fmt: skip


def _exact(value: str | int, name: str) -> tuple[Fraction, Fraction]:
    """Return the limits of a number: of its rounding when text, itself when an int."""
    number = read_printed(value, name)
    return (Fraction(value), Fraction(value)) if isinstance(value, int) else (number.low, number.high)


def _ends(minimum: str | int, maximum: str | int) -> Sequence[tuple[Fraction, Fraction]] | None:
    """Return the limits of both ends, None when they are out of order."""
    low, high = _exact(minimum, "minimum"), _exact(maximum, "maximum")
    return None if low[0] > high[1] else (low, high)


def _smallest(
    n: int, low: tuple[Fraction, Fraction], high: tuple[Fraction, Fraction], mean: tuple[Fraction, Fraction]
) -> Fraction:
    """Return a lower limit of the variance with one value at each end and all others equal.

    With a = mean - min and b = max - mean the sum of squares is a^2 + b^2 + (b - a)^2 / (n - 2), which grows
    with either while neither exceeds n - 1 times the other, as in every sample.
    """
    a = max(mean[0] - low[1], Fraction(0))
    b = max(high[0] - mean[1], Fraction(0))
    # whatever the mean, a + b is the range
    range_ = max(high[0] - low[1], Fraction(0))
    a, b = max(a, b / (n - 1)), max(b, a / (n - 1))
    squares = a * a + b * b + ((b - a) ** 2 / (n - 2) if n > 2 else 0)
    return max(squares, range_ * range_ / 2) / (n - 1)
