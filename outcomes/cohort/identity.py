"""Who is who: one row a case, duplicates set aside, nothing merged in silence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.dictionary import DataDictionary
from outcomes.cohort.quality import Fault, rows_named

# Two rows of one wrist this far apart may be two fractures; nearer, they contradict each other.
EPISODE_DAYS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who is who in a table.

    Attributes
    ----------
    case_id : ndarray of str, shape (n,)
        Key of each case, as declared or made from patient and side.
    codes : ndarray of str, shape (n,)
        Why a row is set aside; empty where it stays.
    faults : tuple of Fault
        Reasons to refuse the table.
    """

    case_id: NDArray[np.object_]
    codes: NDArray[np.object_]
    faults: tuple[Fault, ...]


def identify(frame: pd.DataFrame, dictionary: DataDictionary) -> Identity:
    """Tell cases apart and find rows that repeat or contradict one another.

    Parameters
    ----------
    frame : DataFrame
        Typed columns and `source_row`, n rows.
    dictionary : DataDictionary
        What is declared; `episodes` decides about one wrist twice.

    Returns
    -------
    Identity
        With codes ``blank_id``, ``exact_duplicate``, ``conflicting_duplicate``, ``side_unknown``,
        ``later_episode``.
    """
    codes = np.full(len(frame), "", dtype=object)
    codes[frame["patient_id"].isna().to_numpy()] = "blank_id"
    declared = "case_id" in frame
    if declared:
        codes[(codes == "") & frame["case_id"].isna().to_numpy()] = "blank_id"
    keys = ["case_id"] if declared else [name for name in ("patient_id", "side") if name in frame]
    left = np.flatnonzero(codes == "")
    repeated = frame.iloc[left].duplicated(keys, keep=False).to_numpy()
    later: dict[int, int] = {}
    faults: list[Fault] = []
    if repeated.any():
        again = frame.iloc[left[repeated]]
        for _, places in again.groupby(keys, dropna=False, observed=True, sort=False).indices.items():
            _judge_group(frame, left[repeated][places], keys, dictionary, codes, later, faults)
    if not declared and "side" in frame:
        _side_unknown(frame, codes)
    return Identity(case_id=_case_ids(frame, later), codes=codes, faults=tuple(_merged(faults)))


def _judge_group(
    frame: pd.DataFrame,
    places: NDArray[np.intp],
    keys: list[str],
    dictionary: DataDictionary,
    codes: NDArray[np.object_],
    later: dict[int, int],
    faults: list[Fault],
) -> None:
    """Judge the rows that share one key: repeats, episodes, or contradictions."""
    group = frame.iloc[places]
    same = group.drop(columns=["source_row", "source_sheet"]).duplicated().to_numpy()
    codes[places[same]] = "exact_duplicate"
    distinct = places[~same]
    if len(distinct) == 1:
        return
    rows = [int(row) for row in frame["source_row"].iloc[distinct]]
    if keys == ["patient_id"] and "side" not in frame:
        faults.append(Fault(code="no_side", message=rows_named(rows)))
    elif not _far_apart(frame, distinct) or keys == ["case_id"]:
        codes[distinct] = "conflicting_duplicate"
    elif dictionary.table.episodes == "one":
        faults.append(Fault(code="episodes", message=rows_named(rows)))
    else:
        ordered = distinct[np.argsort(frame["injury_date"].to_numpy()[distinct], kind="stable")]
        if dictionary.table.episodes == "first":
            codes[ordered[1:]] = "later_episode"
        later.update({int(place): number for number, place in enumerate(ordered, 1) if number > 1})


def _far_apart(frame: pd.DataFrame, places: NDArray[np.intp]) -> bool:
    if "injury_date" not in frame:
        return False
    days = np.sort(frame["injury_date"].to_numpy()[places])
    gaps = np.diff(days) / np.timedelta64(1, "D")
    return not bool(np.isnat(days).any()) and bool((gaps >= EPISODE_DAYS).all())


def _side_unknown(frame: pd.DataFrame, codes: NDArray[np.object_]) -> None:
    """Set aside rows without a side whose patient has another row: they could be either wrist."""
    left = codes == ""
    often = frame["patient_id"].where(left).duplicated(keep=False).to_numpy()
    codes[left & often & frame["side"].isna().to_numpy()] = "side_unknown"


def _case_ids(frame: pd.DataFrame, later: dict[int, int]) -> NDArray[np.object_]:
    if "case_id" in frame:
        return frame["case_id"].to_numpy(dtype=object)
    patient = frame["patient_id"].fillna("").to_numpy(dtype=object)
    made = patient
    if "side" in frame:
        sides = frame["side"].astype(object).fillna("").to_numpy(dtype=object)
        made = np.array(
            [f"{who} {side}".strip() for who, side in zip(patient, sides, strict=True)], dtype=object
        )
    for place, number in later.items():
        made[place] = f"{made[place]} {number}"
    return made


def _merged(faults: list[Fault]) -> list[Fault]:
    """Say each kind of doubt once, with all its rows."""
    remedies = {
        "no_side": "the same patient in more than one row with different content, and no column for the "
        "side; declare a column that is side or case_id, or correct the rows",
        "episodes": f"one wrist of one patient twice, injured {EPISODE_DAYS} days or more apart; declare "
        'episodes = "all" (each its own case) or "first" under [table], or a case_id column',
    }
    merged = []
    for code, remedy in remedies.items():
        rows = [fault.message for fault in faults if fault.code == code]
        if rows:
            shown = "; ".join(rows[:6]) + (f" and {len(rows) - 6} more groups" if len(rows) > 6 else "")
            merged.append(Fault(code=code, message=f"{shown}: {remedy}"))
    return merged
