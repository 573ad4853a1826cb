"""Samples of whole numbers with a given sum and sum of squares: find one, or prove that there is none.

The search takes the largest value first, as large as what is left allows, and goes back where it must. What
is left is bounded from below by the most even sample and from above by the most extreme one, and sum and
sum of squares are odd or even together; so the search is short, and when it ends without a sample there
is none. It replaces random search, which can find a sample but never prove that none exists.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.inputs import whole
from outcomes.stats.printed.printed_text import Printed, group_size, read_printed

Divisor = Literal["n - 1", "n"]
Attained = Literal["found", "none exists", "not decided"]

State = tuple[int, int, int, int]  # values left to choose, their sum, sum of squares, largest allowed

LARGEST = 200_000  # steps of one search; beyond it the search says that it does not know


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSearch:
    """Whether a sample of whole numbers with a printed mean and SD exists.

    Attributes
    ----------
    finding : {"found", "none exists", "not decided"}
    values : tuple of Fraction
        The sample, largest first; whole numbers, or shares of `items`. One of many: not the authors' data.
    n, items : int
    reason : str
        Why there is none.
    """

    finding: Attained
    values: tuple[Fraction, ...]
    n: int
    items: int
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row a distinct value with how many have it."""
        distinct = sorted(set(self.values))
        return pd.DataFrame(
            {
                "value": [float(value) for value in distinct],
                "n": [self.values.count(value) for value in distinct],
            }
        )

    def __str__(self) -> str:
        """Return the finding in one sentence."""
        if self.finding == "found":
            ends = f"smallest {float(self.values[-1]):g}, largest {float(self.values[0]):g}"
            return f"a sample of n = {self.n} with these numbers exists ({ends})"
        return f"n = {self.n}: {self.finding} ({self.reason})"


def find_sample(
    mean: str | int,
    sd: str | int,
    n: int,
    *,
    minimum: int | None = None,
    maximum: int | None = None,
    items: int = 1,
    attained: bool = False,
    divisor: Divisor = "n - 1",
) -> SampleSearch:
    """Find a sample of whole numbers with a printed mean and SD, or prove that there is none.

    Parameters
    ----------
    mean, sd : str or int
        As printed, with all decimals.
    n : int
        Size of the sample, 2 or more.
    minimum, maximum : int, optional
        Limits of the scale; None for no limit.
    items : int
        Number of whole-number answers that were averaged for each person.
    attained : bool
        Whether minimum and maximum were observed, not only possible.
    divisor : {"n - 1", "n"}
        Of the sum of squares in the SD.

    Returns
    -------
    SampleSearch
        Exact: "none exists" is a proof. "not decided" after too many steps, never guessed.

    Raises
    ------
    EstimationError
        Numbers that are not as described; `attained` without both limits.

    References
    ----------
    The question: Heathers JA, Anaya J, van der Zee T, Brown NJL. PeerJ Preprints 2018; 6: e26968v1.

    Examples
    --------
    Five answers from 1 to 7 with mean 4 and SD 2.12, sum of squared deviations 18:

    >>> [int(value) for value in find_sample("4.0", "2.12", 5, minimum=1, maximum=7).values]
    [7, 5, 4, 2, 2]
    >>> print(find_sample("4.0", "3.5", 5, minimum=1, maximum=7))
    n = 5: none exists (no sample on the scale has so large an SD)
    """
    check_choice(divisor, ("n - 1", "n"), "divisor")
    size, parts = group_size(n, "n", 2), group_size(items, "items")
    limits = _scale(minimum, maximum, parts, attained)
    sums = _Sums(read_printed(mean, "mean"), spread(sd), size, parts, divisor, limits, attained)
    if not sums.totals:
        return SampleSearch(
            finding="none exists", values=(), n=size, items=parts, reason="no whole total has this mean"
        )
    steps = [LARGEST]
    for total, square, low, high in sums.candidates():
        values = search(size, total, square, low, high, attained=attained, steps=steps)
        if values is not None:
            found = tuple(Fraction(value, parts) for value in values)
            return SampleSearch(finding="found", values=found, n=size, items=parts)
        if steps[0] <= 0:
            return SampleSearch(
                finding="not decided", values=(), n=size, items=parts, reason="the search is too long"
            )
    return SampleSearch(finding="none exists", values=(), n=size, items=parts, reason=sums.why_not())


def spread(sd: str | int) -> Printed:
    """Return a printed SD, 0 or more.

    Raises
    ------
    EstimationError
        A negative SD, or no printed number.

    Examples
    --------
    >>> print(spread("1.0"))
    1.0 (0.95 to 1.05)
    """
    number = read_printed(sd, "sd")
    if number.value < 0:
        raise EstimationError("sd must be 0 or more", code="bad_summary")
    return number


def search(
    n: int,
    total: int,
    square: int,
    low: int,
    high: int,
    *,
    attained: bool = False,
    steps: list[int] | None = None,
) -> list[int] | None:
    """Return n whole numbers from low to high with this sum and sum of squares, largest first; None when none exist.

    Parameters
    ----------
    n, total, square : int
        Size, sum, sum of squares.
    low, high : int
        Limits of every value.
    attained : bool
        Whether one value must be `low` and another `high`.
    steps : list of one int, optional
        Steps left; when it falls to 0 the search ends and None means "not decided".

    Examples
    --------
    >>> search(3, 6, 14, 0, 10), search(3, 6, 16, 0, 10)
    ([3, 2, 1], None)
    """
    budget = [LARGEST] if steps is None else steps
    ends = (low, high) if attained else ()
    n, total, square = n - len(ends), total - sum(ends), square - sum(end * end for end in ends)
    if n < 0:
        return None
    # moved so that the smallest possible value is 0
    shifted = square - 2 * low * total + n * low * low
    found = _largest_first(n, total - n * low, shifted, high - low, budget)
    return None if found is None else sorted([*(value + low for value in found), *ends], reverse=True)


def smallest_square(n: int, total: int) -> int:
    """Return the smallest sum of squares of n whole numbers with this sum.

    Examples
    --------
    >>> smallest_square(3, 7)
    17
    """
    each, left = divmod(total, n)
    return n * each * each + left * (2 * each + 1)


def largest_square(n: int, total: int, high: int) -> int:
    """Return the largest sum of squares of n whole numbers from 0 to high with this sum, -1 when it cannot be reached.

    Examples
    --------
    >>> largest_square(3, 7, 5)
    29
    """
    if total < 0 or total > n * high:
        return -1
    if high == 0:
        return 0
    full, left = divmod(total, high)
    return full * high * high + left * left


def _largest_first(n: int, total: int, square: int, cap: int, steps: list[int]) -> list[int] | None:
    """Return n numbers from 0 to cap with this sum and sum of squares, largest first."""
    state = (n, total, square, cap)
    failed: set[State] = set()
    chosen: list[int] = []
    open_: list[tuple[State, Iterator[int]]] = []  # no recursion: there can be as many levels as values
    while True:
        possible, rest = _settled(*state)
        if rest is not None:
            return chosen + rest
        steps[0] -= 1
        if steps[0] <= 0:
            return None
        if possible and state not in failed:
            open_.append((state, _choices(*state)))
        value = None
        while open_ and (value := next(open_[-1][1], None)) is None:
            failed.add(open_.pop()[0])
        if value is None:
            return None
        n, total, square, _ = open_[-1][0]
        chosen[len(open_) - 1 :] = [value]
        state = (n - 1, total - value, square - value * value, value)


def _settled(n: int, total: int, square: int, cap: int) -> tuple[bool, list[int] | None]:
    """Return whether a sample is possible by the bounds, and the sample where it is plain."""
    if n == 0:
        return False, [] if total == 0 and square == 0 else None
    if total < 0 or (total - square) % 2:
        return False, None
    least = smallest_square(n, total)
    if not least <= square <= largest_square(n, total, cap):
        return False, None
    if square == least:
        each, left = divmod(total, n)
        return True, [each + 1] * left + [each] * (n - left)
    return True, None


def _choices(n: int, total: int, square: int, cap: int) -> Iterator[int]:
    """Yield what the largest value can be, largest first."""
    # Samuelson: no value lies further above the mean than this; one more for the whole square root
    reach = math.isqrt(max((n * square - total * total) * (n - 1), 0))
    for value in range(min(cap, (total + reach) // n + 1), -(-total // n) - 1, -1):
        if n * value * value < square:
            return
        yield value


class _Sums:
    """Sums and sums of squares that round to a printed mean and SD."""

    def __init__(
        self, mean: Printed, sd: Printed, n: int, items: int, divisor: Divisor,
        limits: tuple[int | None, int | None], attained: bool,
    ) -> None:  # fmt: skip
        self.n, self.limits, self.attained = n, limits, attained
        self.totals = whole_totals(mean, n * items)
        weight = (n if divisor == "n" else n - 1) * items * items
        low = max(sd.low, Fraction(0))
        self.deviation = (low * low * weight, sd.high * sd.high * weight)
        self.tried = self.squares = self.in_parity = False
        self.too_large = self.off_scale = False

    def candidates(self) -> Iterator[tuple[int, int, int, int]]:
        """Yield sum, sum of squares and limits of the values, nearest to the middle first."""
        middle = (self.totals.start + self.totals.stop - 1) / 2
        for total in sorted(self.totals, key=lambda value: abs(value - middle)):
            base = Fraction(total * total, self.n)
            first, last = math.ceil(base + self.deviation[0]), math.floor(base + self.deviation[1])
            self.squares = self.squares or first <= last
            low, high = self._limits(total, last)
            least, most = self._extremes(total, low, high)
            self.off_scale = self.off_scale or most < least
            self.too_large = self.too_large or first > most >= least
            start = max(first, least)
            start += (start - total) % 2
            self.in_parity = self.in_parity or first + (first - total) % 2 <= last
            for square in range(start, min(last, most) + 1, 2):
                self.tried = True
                yield total, square, low, high

    def why_not(self) -> str:
        """Return why no sample was found, the first obstacle met."""
        if not self.squares:
            return "no whole sum of squares has this SD"
        if not self.in_parity:
            return "sum and sum of squares would not be odd or even together"
        if self.tried:
            return "no whole numbers have this sum and sum of squares"
        if self.too_large:
            return "no sample on the scale has so large an SD"
        return "no sample on the scale has this mean" if self.off_scale else "every sample has a larger SD"

    def _limits(self, total: int, square: int) -> tuple[int, int]:
        """Return limits of the values: the scale, or how far a value can lie from the mean (Samuelson)."""
        reach = math.isqrt(max((self.n * square - total * total) * (self.n - 1), 0)) + 1
        low = (total - reach) // self.n if self.limits[0] is None else self.limits[0]
        high = -(-(total + reach) // self.n) if self.limits[1] is None else self.limits[1]
        return low, high

    def _extremes(self, total: int, low: int, high: int) -> tuple[int, int]:
        """Return smallest and largest sum of squares with this sum; the second below the first when there is none."""
        moved = total - self.n * low
        most = largest_square(self.n, moved, high - low)
        if high < low or most < 0:
            return 0, -1
        return smallest_square(self.n, total), most + 2 * low * moved + self.n * low * low


def whole_totals(mean: Printed, parts: int) -> range:
    """Return the whole totals of `parts` answers that are printed as this mean.

    Examples
    --------
    >>> list(whole_totals(read_printed("3.45"), 20))
    [69]
    """
    return range(math.ceil(mean.low * parts), math.floor(mean.high * parts) + 1)


def _scale(
    minimum: int | None, maximum: int | None, items: int, attained: bool
) -> tuple[int | None, int | None]:
    """Return the limits of a person's total."""
    for name, limit in (("minimum", minimum), ("maximum", maximum)):
        if limit is not None:
            whole(abs(limit), name)
    if minimum is not None and maximum is not None and minimum > maximum:
        raise EstimationError("minimum must not exceed maximum", code="bad_limits")
    if attained and (minimum is None or maximum is None):
        raise EstimationError("attained needs both minimum and maximum", code="bad_limits")
    low = None if minimum is None else int(minimum) * items
    return low, None if maximum is None else int(maximum) * items
