"""Printed percentages against counts: which counts and which denominators fit, in exact fractions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.inputs import events_of, whole
from outcomes.stats.printed.printed_text import Printed, PrintedCheck, group_size, read_printed


@dataclass(frozen=True, slots=True, kw_only=True)
class FittingCounts:
    """Whole numbers that agree with what was printed.

    Attributes
    ----------
    values : tuple of int
        In ascending order; empty when none fits.
    what : str
        ``"count"`` or ``"denominator"``.
    printed : str
    """

    values: tuple[int, ...]
    what: str
    printed: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a number that fits."""
        return pd.DataFrame({"printed": self.printed, self.what: list(self.values)})

    def __str__(self) -> str:
        """Return the numbers in one sentence."""
        if not self.values:
            return f"{self.printed}: no {self.what} fits"
        first, last = self.values[0], self.values[-1]
        run = len(self.values) > 3 and last - first == len(self.values) - 1
        shown = f"{first} to {last}" if run else ", ".join(map(str, self.values))
        return f"{self.printed}: {self.what} {shown}"


def fitting_counts(percent: str | int, n: int, *, truncated: bool = False) -> FittingCounts:
    """Return the counts out of n that are printed as a percentage.

    Parameters
    ----------
    percent : str or int
        As printed, with or without the sign.
    n : int
        Denominator, 1 or more.
    truncated : bool
        Whether digits may have been cut off instead of rounded.

    Returns
    -------
    FittingCounts

    References
    ----------
    The argument of Brown NJL, Heathers JAJ. Social Psychological and Personality Science 2017; 8: 363-369.

    Examples
    --------
    >>> print(fitting_counts("28.2", 39))
    28.2 % of 39: count 11
    >>> print(fitting_counts("34.5", 23))
    34.5 % of 23: no count fits
    """
    size, share = group_size(n), _percent(percent, truncated)
    first, last = math.ceil(share.low * size / 100), math.floor(share.high * size / 100)
    return FittingCounts(
        values=tuple(range(max(first, 0), min(last, size) + 1)), what="count",
        printed=f"{share.text} % of {size}",
    )  # fmt: skip


def fitting_denominators(count: int, percent: str | int, *, largest: int = 10_000) -> FittingCounts:
    """Return the denominators with which a count is printed as a percentage.

    Parameters
    ----------
    count : int
        Cases, 0 or more.
    percent : str or int
        As printed.
    largest : int
        Largest denominator to look at.

    Returns
    -------
    FittingCounts

    References
    ----------
    As for :func:`fitting_counts`.

    Examples
    --------
    >>> print(fitting_denominators(26, "59.1"))
    26 printed as 59.1 %: denominator 44
    """
    cases, share, most = whole(count, "count"), _percent(percent, False), group_size(largest, "largest")
    fits: tuple[int, ...] = ()
    if share.high > 0:
        first = max(math.ceil(Fraction(100 * cases) / share.high), cases, 1)
        last = most if share.low <= 0 else min(math.floor(Fraction(100 * cases) / share.low), most)
        fits = tuple(range(first, last + 1))
    return FittingCounts(values=fits, what="denominator", printed=f"{cases} printed as {share.text} %")


def common_denominators(pairs: Sequence[tuple[int, str | int]], *, largest: int = 10_000) -> FittingCounts:
    """Return the denominators that fit every count and percentage of one column.

    Parameters
    ----------
    pairs : sequence of (count, percent)
        At least one, each as for :func:`fitting_denominators`.
    largest : int
        Largest denominator to look at.

    Returns
    -------
    FittingCounts
        Empty when the denominator changes from item to item, which a paper should say.

    Raises
    ------
    EstimationError
        No pair, or what :func:`fitting_denominators` refuses.

    References
    ----------
    As for :func:`fitting_counts`.

    Examples
    --------
    >>> print(common_denominators([(26, "59.1"), (4, "8.0")]))
    2 percentages: no denominator fits
    """
    if not pairs:
        raise EstimationError("pairs: give at least one count with its percentage", code="too_few")
    each = [set(fitting_denominators(count, percent, largest=largest).values) for count, percent in pairs]
    fits = tuple(sorted(set.intersection(*each)))
    return FittingCounts(values=fits, what="denominator", printed=f"{len(pairs)} percentages")


def judge_percent(percent: str | int, n: int, *, count: int | None = None) -> PrintedCheck:
    """Say whether a printed percentage agrees with its denominator, and with its count where there is one.

    Parameters
    ----------
    percent : str or int
        As printed.
    n : int
        Denominator.
    count : int, optional
        The printed count.

    Returns
    -------
    PrintedCheck
        "cannot tell" when it agrees only if digits were cut off instead of rounded.

    References
    ----------
    As for :func:`fitting_counts`.

    Examples
    --------
    8/23 is 34.8 %; 7/42 is 16.67 %, printed as 16.6 by cutting off:

    >>> judge_percent("34.5", 23).finding, judge_percent("16.6", 42, count=7).finding
    ('inconsistent', 'cannot tell')
    """
    size = group_size(n)
    if count is not None:
        events_of(count, size)
    wanted = None if count is None else int(count)
    rounded, cut = fitting_counts(percent, size), fitting_counts(percent, size, truncated=True)
    share = _percent(percent, False)

    def agrees(fits: FittingCounts) -> bool:
        return bool(fits.values) if wanted is None else wanted in fits.values

    near = (share.value * size / 100).__floor__() if wanted is None else wanted
    shown = [wanted] if wanted is not None else [k for k in (near, near + 1) if 0 <= k <= size]
    nearest = ", ".join(f"{k}/{size} is {100 * k / size:.{max(share.decimals, 0) + 1}f} %" for k in shown)
    good, only_cut = agrees(rounded), agrees(cut)
    return PrintedCheck(
        check="percentage", printed=f"{share.text} % of {size}{'' if wanted is None else f', count {wanted}'}",
        finding="consistent" if good else "cannot tell" if only_cut else "inconsistent", n=size,
        reason="" if good else "agrees only if digits were cut off" if only_cut else nearest,
    )  # fmt: skip


def _percent(percent: str | int, truncated: bool) -> Printed:
    """Return a printed percentage."""
    text = percent.strip().removesuffix("%") if isinstance(percent, str) else percent
    share = read_printed(text, "percent", truncated=truncated)
    if not 0 <= share.value <= 100:
        raise EstimationError("percent must be from 0 to 100", code="bad_percent")
    return share
