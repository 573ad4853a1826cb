"""From left and right to injured and other hand, by the side of the fracture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.columns import numbers, texts
from outcomes.cohort.concepts import BY_SIDE, internal_name
from outcomes.cohort.dictionary import Column


@dataclass(frozen=True, slots=True, kw_only=True)
class BySide:
    """A measurement that the table gives by left and right hand.

    Attributes
    ----------
    concept, time : str
        What was measured, and when.
    """

    concept: str
    time: str

    def name(self, hand: str) -> str:
        """Return the internal name of the column of a hand."""
        return internal_name(self.concept, hand=hand, time=self.time)


def declared_by_side(columns: Iterable[Column]) -> tuple[BySide, ...]:
    """Return what the columns of a dictionary declare by left and right, in their order."""
    pairs = {(each.concept, each.time): None for each in columns if each.hand in BY_SIDE}
    return tuple(BySide(concept=concept, time=time) for concept, time in pairs)


def by_fracture_side(data: pd.DataFrame, columns: Sequence[Column]) -> pd.DataFrame:
    """Return the table with columns by injured and other hand in place of those by left and right.

    Parameters
    ----------
    data : DataFrame
        Typed rows with ``side`` and the columns by left and right, n cases.
    columns : sequence of Column
        What was declared.

    Returns
    -------
    DataFrame
        Where the side of the fracture is missing, both are missing. A patient with both wrists has an injured and
        another hand in each case; that the other hand is then no reference is judged where a share is made.

    Examples
    --------
    >>> from outcomes.cohort.dictionary import read_dictionary
    >>> grip = {"is": "grip", "time": "12 months", "unit": "kg"}
    >>> declared = read_dictionary({"columns": {"No.": {"is": "patient_id"}, "Side": {"is": "side"},
    ...     "L": grip | {"hand": "left"}, "R": grip | {"hand": "right"}}})
    >>> rows = pd.DataFrame({"side": ["left", "right", None], "grip_left_12_months": [20.0, 30.0, 25.0],
    ...                      "grip_right_12_months": [35.0, 21.0, 26.0]})
    >>> by_fracture_side(rows, declared.columns)[["grip_injured_12_months", "grip_other_12_months"]].to_numpy().tolist()
    [[20.0, 35.0], [21.0, 30.0], [nan, nan]]
    """
    side = texts(data, "side")
    for pair in declared_by_side(columns):
        left, right = (numbers(data, pair.name(hand)) for hand in BY_SIDE)
        made = {
            pair.name("injured"): np.select([side == "left", side == "right"], [left, right], np.nan),
            pair.name("other"): np.select([side == "left", side == "right"], [right, left], np.nan),
        }
        data = data.drop(columns=[pair.name(hand) for hand in BY_SIDE]).assign(**made)
    return data


def side_needed(data: pd.DataFrame, columns: Sequence[Column]) -> NDArray[np.bool_]:
    """Mark the cases with a measurement by left or right whose side of the fracture is missing, shape (n,)."""
    measured = np.zeros(len(data), dtype=bool)
    for pair in declared_by_side(columns):
        for hand in BY_SIDE:
            measured |= ~np.isnan(numbers(data, pair.name(hand)))
    marked: NDArray[np.bool_] = measured & pd.isna(texts(data, "side"))
    return marked


def in_words(data: pd.DataFrame, columns: Sequence[Column]) -> tuple[str, ...]:
    """Return what was done, in sentences with the cases that have neither hand."""
    found = []
    for pair in declared_by_side(columns):
        given = ~np.isnan(np.column_stack([numbers(data, pair.name(hand)) for hand in BY_SIDE])).all(axis=1)
        lost = int((given & pd.isna(texts(data, "side"))).sum())
        found.append(
            f"{pair.concept.capitalize()} at {pair.time} of the injured and the other hand taken from left and right "
            f"by the side of the fracture; without a side, and so without either: {lost}."
        )
    return tuple(found)
