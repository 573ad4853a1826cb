"""Simple checks that need more than one cell: the order of dates, the age, arcs, repeated ids."""

from __future__ import annotations

import re
from collections import defaultdict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.concepts import slug, times
from outcomes.cohort.dictionary import DataDictionary

# Pronation and supination together beyond this are hardly a forearm; common practice, no source.
LARGEST_ARC = 190.0
# Fewer cases than this say nothing about a column as a whole.
ENOUGH = 20


def order_codes(frame: pd.DataFrame, dictionary: DataDictionary) -> NDArray[np.object_]:
    """Return the rows whose dates cannot be in this order, shape (n,), "" where they can.

    Treatment before injury, last seen before injury or treatment, and dates after the declared day on
    which the table was drawn cannot be; such a row is set aside whole, because it is not known which
    date is wrong.
    """
    codes = np.full(len(frame), "", dtype=object)
    pairs = (
        ("injury_date", "treatment_date", "treated_before_injury"),
        ("injury_date", "last_seen_date", "seen_before_injury"),
        ("treatment_date", "last_seen_date", "seen_before_treatment"),
    )
    for first, second, code in pairs:
        if first in frame and second in frame:
            codes[(codes == "") & (frame[second] < frame[first]).to_numpy()] = code
    last = dictionary.table.extract_date
    if last is not None:
        for column in dictionary.columns:
            if column.kind == "date" and column.name in frame:
                late = (frame[column.name] > pd.Timestamp(last)).to_numpy()
                codes[(codes == "") & late] = "after_extract"
    return codes


def age_at(birth: NDArray[np.datetime64], injury: NDArray[np.datetime64]) -> NDArray[np.float64]:
    """Return the completed years at injury, NaN where a date is missing or the age is impossible.

    Parameters
    ----------
    birth, injury : ndarray of datetime64, shape (n,)

    Examples
    --------
    >>> days = np.array(["1950-03-02"], dtype="datetime64[ns]")
    >>> age_at(days, np.array(["2020-03-01"], dtype="datetime64[ns]")).tolist()
    [69.0]
    """
    born, hurt = pd.DatetimeIndex(birth), pd.DatetimeIndex(injury)
    before = (hurt.month * 100 + hurt.day) < (born.month * 100 + born.day)
    years: NDArray[np.float64] = np.asarray(hurt.year - born.year, dtype=float) - before
    years[(years < 0) | (years > 120)] = np.nan
    return years


def looked_at(frame: pd.DataFrame) -> list[tuple[str, str, NDArray[np.bool_]]]:
    """Return what should be looked at but is kept: internal name, code and rows marked, shape (n,)."""
    found = []
    for time in map(slug, times()):
        pair = (f"pronation_{time}", f"supination_{time}")
        if set(pair) <= set(frame):
            found.append(
                (pair[0], "arc_implausible", (frame[pair[0]] + frame[pair[1]] > LARGEST_ARC).to_numpy())
            )
        film = f"film_date_{time}"
        if film in frame and "injury_date" in frame:
            found.append((film, "film_before_injury", (frame[film] < frame["injury_date"]).to_numpy()))
    for name in frame:
        if re.fullmatch(r"event_date_\d+", str(name)) and "injury_date" in frame:
            found.append((str(name), "event_before_injury", (frame[name] < frame["injury_date"]).to_numpy()))
    return [(name, code, marks) for name, code, marks in found if marks.any()]


def doubtful_columns(frame: pd.DataFrame) -> list[tuple[str, str]]:
    """Return internal names of columns whose meaning is doubtful as a whole, with a code.

    A fracture is usually displaced dorsally, so that the median tilt at injury is negative; a declared
    sign that says otherwise may be the wrong one. Films that repeat the injury film in every row were
    probably copied. Common practice, no source.
    """
    found = []
    at_injury = "tilt_injury"
    if at_injury in frame and frame[at_injury].count() >= ENOUGH and frame[at_injury].median() > 0:
        found.append((at_injury, "sign_doubtful"))
    for time in map(slug, times()[1:]):
        for concept in ("tilt", "ulnar_variance"):
            first, later = f"{concept}_injury", f"{concept}_{time}"
            if first in frame and later in frame:
                both = frame[[first, later]].dropna()
                if len(both) >= ENOUGH and bool((both[first] == both[later]).all()):
                    found.append((later, "films_identical"))
    return found


def numeric_id_collisions(ids: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Mark ids that are different texts but the same number, such as 007 and 7; shape (n,)."""
    spellings: defaultdict[str, set[str]] = defaultdict(set)
    for text in {text for text in ids if text is not None and text.isascii() and text.isdigit()}:
        spellings[text.lstrip("0")].add(text)
    clashing = {text for group in spellings.values() if len(group) > 1 for text in group}
    return (
        np.array([text in clashing for text in ids], dtype=bool)
        if clashing
        else np.zeros(len(ids), dtype=bool)
    )
