"""Extra-articular or articular, from the AO/OTA class as it was recorded."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.cohort.columns import BoolArray, ObjectArray
from outcomes.cohort.html_text import sentence_and_table
from outcomes.cohort.text import counted

#: Linear pattern, no backtracking: optional bone number (23 in the old edition, 2R3 in that of 2018), letter,
#: optional group and subgroup, optional qualifications in brackets of the 2018 edition.
_CODE = re.compile(r"(?P<bone>23|2R3)?(?P<letter>[ABC])(?P<group>[1-3](?:\.[1-3])?)?(?:[*(\[].*)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class ArticularClass:
    """Which fractures have a joint surface to reduce.

    Attributes
    ----------
    label : ndarray of str, shape (n_cases,)
        ``"extra-articular"`` (type A), ``"articular"`` (types B and C) or ``"unknown"``.
    letter : ndarray of str, shape (n_cases,)
        ``"A"``, ``"B"``, ``"C"`` or ``""``.
    n_missing, n_unreadable : int
        Cases without a class, and with a class that is no AO/OTA code of the distal radius.
    warnings : tuple of str
        What a reader of the label must know.
    """

    label: ObjectArray = field(repr=False)
    letter: ObjectArray = field(repr=False)
    n_missing: int
    n_unreadable: int
    warnings: tuple[str, ...]

    @property
    def extra_articular(self) -> BoolArray:
        """Where step and gap do not apply."""
        where: BoolArray = self.label == "extra-articular"
        return where

    def tidy(self) -> pd.DataFrame:
        """Return one row a label with its count."""
        groups = ["extra-articular", "articular", "unknown"]
        counts = [int((self.label == group).sum()) for group in groups]
        frame = pd.DataFrame({"outcome": "fracture type", "group": groups, "n": counts})
        return frame.assign(n_missing=[0, 0, self.n_missing])

    def __str__(self) -> str:
        """Return the counts as a sentence."""
        extra, inside = int(self.extra_articular.sum()), int((self.label == "articular").sum())
        text = (
            f"{extra} extra-articular and {inside} articular fractures by AO/OTA letter; class missing in "
            f"{self.n_missing}, not readable in {self.n_unreadable}"
        )
        return ". ".join([text, *self.warnings])

    def _repr_html_(self) -> str:
        """Return the sentence and the tidy table."""
        return sentence_and_table(str(self), self.tidy())


def articular(fracture_class: Iterable[object]) -> ArticularClass:
    """Return whether each fracture is articular, from the letter of its AO/OTA class.

    Only the letter is used: A is extra-articular, B and C are articular in both editions. Groups are
    never mapped between editions. A ``23-A1`` of the old edition is an isolated fracture of the distal ulna
    (from memory, J Orthop Trauma 2018;32 Suppl 1 and the edition before), not the ``2R3A1`` of 2018.

    Parameters
    ----------
    fracture_class : iterable of str or None, length n_cases
        Codes such as ``"23-A2"``, ``"23A2.1"``, ``"2R3C1"``, ``"2R3-B3"`` or ``"C"``.

    Returns
    -------
    ArticularClass

    Examples
    --------
    >>> found = articular(["23-A2", "2R3C1", "B", None])
    >>> list(found.label)
    ['extra-articular', 'articular', 'articular', 'unknown']
    """
    series = pd.Series(list(fracture_class), dtype=object)
    codes, uniques = pd.factorize(series)
    read = [_read_code(str(each)) for each in uniques]
    letters = np.array([*(letter for letter, _ in read), ""], dtype=object)[codes]
    old_a1 = int(np.array([*(edition == "ulna" for _, edition in read), False])[codes].sum())
    bare_a1 = int(np.array([*(edition == "bare A1" for _, edition in read), False])[codes].sum())
    missing = int((codes == -1).sum())
    label = np.full(len(letters), "unknown", dtype=object)
    label[letters == "A"] = "extra-articular"
    label[(letters == "B") | (letters == "C")] = "articular"
    warnings = []
    if old_a1:
        warnings.append(
            f"{counted(old_a1, 'case')} with the old code 23-A1, an isolated fracture of the distal ulna: check that "
            "they belong to a study of the radius"
        )
    if bare_a1:
        warnings.append(
            f"{counted(bare_a1, 'case')} with A1 without edition: in the old edition an isolated fracture "
            "of the distal ulna"
        )
    return ArticularClass(
        label=label, letter=letters, n_missing=missing,
        n_unreadable=int((label == "unknown").sum()) - missing, warnings=tuple(warnings),
    )  # fmt: skip


def _read_code(code: str) -> tuple[str, str]:
    """Return letter and a remark on the edition; both empty when the code is not one of the distal radius."""
    plain = "".join(code.upper().split()).replace("-", "").replace("–", "")
    for prefix in ("AO/OTA", "AO", "OTA", "TYPE"):
        plain = plain.removeprefix(prefix)
    match = _CODE.fullmatch(plain)
    if match is None:
        return "", ""
    first_group = (match["group"] or "")[:1] == "1"
    remark = ""
    if match["letter"] == "A" and first_group:
        remark = {"23": "ulna", None: "bare A1"}.get(match["bone"], "")
    return match["letter"], remark
