"""Cells as people type them: one value, several ways to write it."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd


def _missing(words: Sequence[str], luck: float) -> str | None:
    """Return nothing, or one of the words for missing."""
    position = int(luck * len(words) * 3)  # two cells in three are simply left empty
    return words[position] if position < len(words) else None


def spelled(
    values: pd.Series, words: Mapping[str, Sequence[str]], missing: Sequence[str], rng: np.random.Generator
) -> list[Any]:
    """Write levels, each in one of its spellings, the first one half of the time.

    Parameters
    ----------
    values : Series of str
    words : mapping
        Level -> spellings.
    missing : sequence of str
        Words for missing that may stand in this column.
    rng : numpy.random.Generator

    Returns
    -------
    list
        A spelling that is all digits is written as a number.
    """
    cells: list[Any] = []
    for value, luck in zip(values, rng.random(len(values)), strict=True):
        if value is None or value != value:
            cells.append(_missing(missing, luck))
            continue
        choices = words[value]
        word = choices[0] if luck < 0.5 else choices[int((luck - 0.5) * 2 * len(choices))]
        cells.append(int(word) if word.isdigit() else word)
    return cells


def numbers(
    values: pd.Series, unit: str, missing: Sequence[str], code: int | None, rng: np.random.Generator
) -> list[Any]:
    """Write numbers: most as numbers, some with their unit, some as text.

    Parameters
    ----------
    values : Series of float
    unit : str
        Written behind some of the numbers; empty for none.
    missing : sequence of str
    code : int or None
        Number that stands for missing in some cells.
    rng : numpy.random.Generator

    Returns
    -------
    list
    """
    cells: list[Any] = []
    for value, luck, how in zip(values, rng.random(len(values)), rng.random(len(values)), strict=True):
        if value != value:
            cells.append(code if code is not None and how < 0.3 else _missing(missing, luck))
            continue
        number = int(value) if float(value).is_integer() else float(value)
        if unit and how < 0.04:
            cells.append(f"{number}{unit}")
        elif how < 0.08:
            cells.append(f"{number} " if how < 0.06 else str(number))
        else:
            cells.append(number)
    return cells


def dates(values: pd.Series, order: str, mixed: bool, rng: np.random.Generator) -> list[Any]:
    """Write dates: as dates of the spreadsheet, or as text in a declared order.

    Parameters
    ----------
    values : Series of datetime64
    order : str
        ``day-month-year``, ``month-day-year`` or empty for dates of the spreadsheet.
    mixed : bool
        Some as text and some as dates.
    rng : numpy.random.Generator

    Returns
    -------
    list
    """
    layout = {"day-month-year": "%d/%m/%Y", "month-day-year": "%m-%d-%Y", "": ""}[order]
    cells: list[Any] = []
    for value, luck in zip(values, rng.random(len(values)), strict=True):
        if pd.isna(value):
            cells.append(None)
        elif not layout or (mixed and luck < 0.5):
            cells.append(value.to_pydatetime())
        else:
            cells.append(value.strftime(layout))
    return cells


def birth_dates(age: pd.Series, injured: pd.Series, rng: np.random.Generator) -> list[Any]:
    """Invent birth dates that give the age in completed years at the injury, as text.

    Both wrists of a patient, injured on one day at one age, get one birth date: it is drawn from these.
    """
    shift = rng.integers(5, 355)
    cells: list[Any] = []
    for years, day in zip(age, injured, strict=True):
        back = (int(shift) + day.day * 9 + int(years) * 3) % 350 + 3
        born = _years_before(day.date(), int(years)) - datetime.timedelta(days=back)
        cells.append(born.strftime("%d/%m/%Y"))
    return cells


def _years_before(day: datetime.date, years: int) -> datetime.date:
    """Return the same day some years before; 28 February for a leap day."""
    leap = day.month == 2 and day.day == 29
    return day.replace(year=day.year - years, day=28 if leap else day.day)
