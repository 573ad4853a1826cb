"""Dates in cells: real calendar days in the declared order, never guessed, never shifted."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable

from outcomes.cohort.judgement import LIKE_MISSING, Judgement, missing
from outcomes.cohort.text import fold, tidy

_TIME = r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?: ?[ap]m)?(?: ?(?:Z|[+-]\d{2}:?\d{2}))?)?"
_ISO = re.compile(rf"(\d{{4}})-(\d{{1,2}})-(\d{{1,2}}){_TIME}", re.ASCII | re.I)
_THREE = re.compile(rf"(\d{{1,4}})[-/. ](\d{{1,2}})[-/. ](\d{{1,4}}){_TIME}", re.ASCII | re.I)
_NAMED = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[-/. ]*([a-z]{3,9})\.?[-/., ]*(\d{2,4})", re.ASCII | re.I)
_NAMED_FIRST = re.compile(
    r"([a-z]{3,9})\.?[-/. ]*(\d{1,2})(?:st|nd|rd|th)?[,/. -]+(\d{2,4})", re.ASCII | re.I
)
_PARTIAL = re.compile(r"\d{4}|\d{1,2}[-/.]\d{4}|\d{4}[-/.]\d{1,2}|[a-z]{3,9}\.? ?\d{4}", re.ASCII | re.I)
_NUMBER = re.compile(r"\d{5,6}(?:\.\d+)?", re.ASCII)
_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip
# Days that programs write when there was no day.
PLACEHOLDERS = frozenset(datetime.date(year, 1, 1) for year in (1900, 1970)) | {
    datetime.date(1899, 12, 30), datetime.date(1899, 12, 31),
}  # fmt: skip
EARLIEST = 1850


def date_judge(order: str) -> Callable[[str, str], Judgement]:
    """Return the function that judges one token of a column of dates.

    Parameters
    ----------
    order : str
        Declared order of day, month and year in texts; "" when not declared.

    Examples
    --------
    >>> judge = date_judge("day-month-year")
    >>> judge("03/04/2021", "text").value.isoformat(), judge("31/04/2021", "text").reason
    ('2021-04-03', 'impossible_date')
    """

    def judge(token: str, kind: str) -> Judgement:
        text = tidy(token)
        iso = _ISO.fullmatch(text)
        if iso:
            year, month, day = map(int, iso.groups())
            return _day(year, month, day, "time_dropped" if len(text) > 10 else "")
        if kind in ("number", "boolean") or _NUMBER.fullmatch(text):
            return missing("serial_date" if kind != "boolean" else "not_a_date")
        three = _THREE.fullmatch(text)
        if three:
            return _ordered(three.groups(), order)
        return _named(text)

    return judge


def _ordered(parts: tuple[str, ...], order: str) -> Judgement:
    """Judge three numbers by the declared order; without one, only a year in front settles it."""
    first, second, third = map(int, parts)
    if len(parts[0]) == 4:
        if order in ("", "year-month-day"):
            return _day(first, second, third, "date_text")
        return missing("other_date_order")
    if len(parts[2]) != 4:
        return missing("two_digit_year" if len(parts[2]) == 2 else "not_a_date")
    if not order:
        return missing("date_order_not_declared")
    if order == "year-month-day":
        return missing("other_date_order")
    day, month = (first, second) if order == "day-month-year" else (second, first)
    if month > 12 >= day:
        return missing("mixed_date_order")
    return _day(third, month, day, "date_text")


def _named(text: str) -> Judgement:
    """Judge a date with the month in letters, which needs no order."""
    found, first = _NAMED.fullmatch(text), _NAMED_FIRST.fullmatch(text)
    if found:
        day, name, year = found.groups()
    elif first:
        name, day, year = first.groups()
    elif _PARTIAL.fullmatch(text):
        return missing("partial_date")
    else:
        return missing("missing_like" if fold(text) in LIKE_MISSING else "not_a_date")
    month = next((i for i, full in enumerate(_MONTHS, 1) if full.startswith(name.casefold())), 0)
    month = 9 if name.casefold() == "sept" else month
    if not month:
        return missing("not_a_date")
    if len(year) != 4:
        return missing("two_digit_year")
    return _day(int(year), month, int(day), "date_text")


def _day(year: int, month: int, day: int, reason: str) -> Judgement:
    if not month or not day:
        return missing("partial_date")
    try:
        value = datetime.date(year, month, day)
    except ValueError:
        return missing("impossible_date")
    if value in PLACEHOLDERS:
        return missing("placeholder_date")
    if not EARLIEST <= year <= 2200:
        return missing("impossible_date")
    return Judgement(value, "converted" if reason else "verbatim", reason)
