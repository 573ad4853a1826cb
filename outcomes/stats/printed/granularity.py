"""Whether a printed mean or SD is possible when the data are whole numbers.

The mean of n whole numbers is a whole number over n, and sum and sum of squares are whole numbers that are
odd or even together; many printed means and SDs are therefore impossible. All arithmetic is in exact fractions,
so that an honest number is never called inconsistent.
"""

from __future__ import annotations

from fractions import Fraction

from outcomes.stats.printed.attainable import Divisor, find_sample, whole_totals
from outcomes.stats.printed.printed_text import Printed, PrintedCheck, group_size, read_printed


def grim(mean: str | int, n: int, *, items: int = 1) -> PrintedCheck:
    """Say whether whole numbers can have a printed mean (GRIM).

    Parameters
    ----------
    mean : str or int
        As printed, with all decimals.
    n : int
        Persons.
    items : int
        Whole-number answers that were averaged for each person.

    Returns
    -------
    PrintedCheck
        `low` and `high` are the possible means next below and above an impossible one, else the limits
        of what is possible. "cannot tell" when n times items is so large that every mean is possible.

    References
    ----------
    Brown NJL, Heathers JAJ. The GRIM test. Social Psychological and Personality Science 2017; 8: 363-369.

    Examples
    --------
    145/28 is 5.179 and 146/28 is 5.214; nothing prints as 5.19:

    >>> print(grim("5.19", 28))
    mean of whole numbers, 5.19 (n = 28): inconsistent; mean from the printed numbers 5.18 to 5.21; no whole total has this mean
    >>> grim("5.19", 32).finding
    'consistent'
    """
    number, size, parts = read_printed(mean, "mean"), group_size(n), group_size(items, "items")
    cells = size * parts
    totals = whole_totals(number, cells)
    if not totals:
        below = (number.low * cells).__floor__()
        low, high = Fraction(below, cells), Fraction(below + 1, cells)
    else:
        low, high = Fraction(totals[0], cells), Fraction(totals[-1], cells)
    certain = Fraction(1, cells) <= number.high - number.low
    return PrintedCheck(
        check="mean of whole numbers", printed=_words(number, None, size, parts), quantity="mean",
        finding="cannot tell" if certain else "consistent" if totals else "inconsistent",
        low=float(low), high=float(high), n=size, method="GRIM",
        reason="every mean with so few decimals is possible" if certain else
        "" if totals else "no whole total has this mean",
    )  # fmt: skip


def grimmer(
    mean: str | int,
    sd: str | int,
    n: int,
    *,
    items: int = 1,
    minimum: int | None = None,
    maximum: int | None = None,
    attained: bool = False,
    divisor: Divisor = "n - 1",
) -> PrintedCheck:
    """Say whether whole numbers can have a printed mean and SD (GRIMMER, by exact search).

    Parameters
    ----------
    mean, sd : str or int
        As printed, with all decimals.
    n : int
        Persons, 2 or more.
    items, minimum, maximum, attained, divisor
        As for :func:`outcomes.stats.printed.attainable.find_sample`.

    Returns
    -------
    PrintedCheck
        The published tests are necessary conditions (a whole sum of squares, odd or even with the sum);
        the search that follows here makes the answer exact. "cannot tell" when it is too long.

    References
    ----------
    Anaya J. The GRIMMER test. PeerJ Preprints 2016; 4: e2400v1. Analytic: Allard A. 2018 (from memory).

    Examples
    --------
    Two whole numbers with mean 2 differ by an even number, so their SD is 0, 1.41, 2.83, ...:

    >>> grimmer("2.00", "1.41", 2).finding, grimmer("2.00", "2.00", 2).reason
    ('consistent', 'no whole numbers have this sum and sum of squares')
    """
    found = find_sample(
        mean, sd, n, minimum=minimum, maximum=maximum, items=items, attained=attained, divisor=divisor
    )
    finding = {"found": "consistent", "none exists": "inconsistent", "not decided": "cannot tell"}
    return PrintedCheck(
        check="mean and SD of whole numbers", n=found.n, method="GRIMMER with exact search",
        printed=_words(read_printed(mean), read_printed(sd), found.n, found.items),
        finding=finding[found.finding], reason=found.reason,  # type: ignore[arg-type]
    )  # fmt: skip


def _words(mean: Printed, sd: Printed | None, n: int, items: int) -> str:
    """Return the numbers that were checked, as printed."""
    spread = f"SD {sd.text}, " if sd else ""
    return f"{mean.text} ({spread}n = {n}{f', {items} items' if items > 1 else ''})"
