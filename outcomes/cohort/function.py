"""Hand function: grip as a share of the other hand and in kg, and the arc of forearm rotation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
import pandas as pd

from outcomes.cohort.columns import BoolArray, FloatArray, HasData, check_time, numbers, require, texts
from outcomes.cohort.concepts import internal_name
from outcomes.cohort.hands import declared_by_side
from outcomes.cohort.html_text import sentence_and_table
from outcomes.cohort.text import counted
from outcomes.errors import CohortError

Dominance = Literal["none", "ten_percent"]
#: Larger arcs are listed to be asked about: 100 degrees each way is beyond what a forearm does.
PLAUSIBLE_ARC = 200.0
#: Dominant hand taken as this much stronger by the rule "ten_percent".
DOMINANT_STRONGER = 1.10
_RULES = {
    "none": "no allowance for dominance",
    "ten_percent": "the dominant hand is taken as 10 % stronger (the ten per cent rule, from memory, no source checked)",
}
_CANNOT = (
    "patient with both wrists injured", "several cases of one patient, side not recorded",
    "other hand previously injured or painful", "grip of the injured hand missing", "grip of the other hand missing",
    "grip of the other hand is zero", "side or dominant hand not recorded",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FunctionMeasure:
    """One measure of function for every case.

    Attributes
    ----------
    values : ndarray of float, shape (n_cases,)
        In `unit`; NaN where there is none.
    name, unit, time, rule : str
        What it is, its unit, the visit, and how it was formed.
    reasons : mapping of str to int
        Why values are missing; they add up to the number missing.
    queries : mapping of str to int
        Values kept that should be asked about.
    """

    values: FloatArray = field(repr=False)
    name: str
    unit: str
    time: str
    rule: str
    reasons: Mapping[str, int]
    queries: Mapping[str, int]

    @property
    def n(self) -> int:
        """Cases with a value."""
        return int((~np.isnan(self.values)).sum())

    @property
    def notes(self) -> tuple[str, ...]:
        """The rule, and counts of values lost or to be asked about."""
        lost = [f"{reason}: {count}" for reason, count in self.reasons.items()]
        asked = [f"{what}: {count}, to be asked about" for what, count in self.queries.items()]
        return (f"{self.name}: {self.rule}", *lost, *asked)

    def tidy(self) -> pd.DataFrame:
        """Return one row a reason: ``outcome, group, n, n_missing`` (group ``"measured"`` first)."""
        rows = [(self.name, "measured", self.n, 0)]
        rows += [(self.name, reason, 0, count) for reason, count in self.reasons.items()]
        return pd.DataFrame(rows, columns=["outcome", "group", "n", "n_missing"])

    def __str__(self) -> str:
        """Return the counts as a results sentence."""
        text = f"{self.name} at {self.time} ({self.unit}; {self.rule}): {self.n} of {counted(len(self.values), 'case')}"
        if self.reasons:
            text += "; missing: " + ", ".join(f"{reason} {count}" for reason, count in self.reasons.items())
        if self.queries:
            text += "; to be asked about: " + ", ".join(
                f"{what} {count}" for what, count in self.queries.items()
            )
        return text + "."

    def _repr_html_(self) -> str:
        """Return the sentence and the tidy table."""
        return sentence_and_table(str(self), self.tidy())


@dataclass(frozen=True, slots=True, kw_only=True)
class GripPair:
    """Grip of both hands in kg, for a comparison adjusted for the other hand.

    Attributes
    ----------
    injured : FunctionMeasure
        Grip of the injured hand, kg.
    other : FunctionMeasure
        Grip of the other hand, kg, where that hand is a reference.
    injured_dominant : ndarray of float, shape (n_cases,)
        1 where the injured hand is the dominant one, 0 where it is not or both are, NaN where not recorded.
    """

    injured: FunctionMeasure
    other: FunctionMeasure
    injured_dominant: FloatArray = field(repr=False)

    def tidy(self) -> pd.DataFrame:
        """Return the rows of both hands."""
        return pd.concat([self.injured.tidy(), self.other.tidy()], ignore_index=True)

    def __str__(self) -> str:
        """Return both hands, one line each."""
        return f"{self.injured}\n{self.other}"

    def _repr_html_(self) -> str:
        """Return the sentence and the tidy table."""
        return sentence_and_table(str(self), self.tidy())


def grip_share(cohort: HasData, time: str, *, dominance: Dominance = "none") -> FunctionMeasure:
    """Return grip of the injured hand as a share of the other hand.

    Parameters
    ----------
    cohort : HasData
        Needs ``grip_injured_*`` and ``grip_other_*`` of the visit.
    time : str
        Visit, e.g. ``"12 months"``.
    dominance : {"none", "ten_percent"}
        ``"ten_percent"`` takes the dominant hand as 10 % stronger: the other hand's grip is multiplied by 1.1 when
        the injured hand is dominant and divided by 1.1 when it is not (from memory, no source checked). Patients
        who write with both hands get no allowance.

    Returns
    -------
    FunctionMeasure
        Per cent of the other hand.

    Raises
    ------
    CohortError
        When the table lacks the grip columns, or `dominance` is not one of the rules.

    Notes
    -----
    There is no share when the other hand is no reference: the patient broke both wrists, the other hand was
    injured or painful before, or its grip is zero. A grip of zero of the injured hand is a share of zero.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> grip = pd.DataFrame({"grip_injured_12_months": [20.0, 0.0, 8.0], "grip_other_12_months": [25.0, 30.0, 0.0]})
    >>> grip_share(SimpleNamespace(data=grip), "12 months").values.tolist()
    [80.0, 0.0, nan]
    """
    if dominance not in get_args(Dominance):
        raise CohortError(
            f"dominance = {dominance!r} is not allowed; use one of: {', '.join(get_args(Dominance))}",
            code="bad_option",
        )
    data = cohort.data
    injured, other = _grips(data, time)
    dominant = _injured_dominant(data)
    lost = _side_needed(cohort, time) | _no_reference(data, other)
    lost["grip of the injured hand missing"] = np.isnan(injured)
    if dominance == "ten_percent":
        lost["side or dominant hand not recorded"] = np.isnan(dominant)
        both = texts(data, "dominant_hand") == "both"
        expected = np.where(dominant == 1, other * DOMINANT_STRONGER, other / DOMINANT_STRONGER)
        expected = np.where(both, other, expected)
    else:
        expected = other
    reasons, gone = _count(lost)
    share = np.full(len(data), np.nan)
    share[~gone] = 100.0 * injured[~gone] / expected[~gone]
    return FunctionMeasure(
        values=share, name="grip share", unit="% of the other hand", time=time, rule=_RULES[dominance],
        reasons=reasons, queries={},
    )  # fmt: skip


def grip_kg(cohort: HasData, time: str) -> GripPair:
    """Return grip of both hands in kg.

    Parameters
    ----------
    cohort : HasData
    time : str
        Visit.

    Returns
    -------
    GripPair

    Raises
    ------
    CohortError
        When the table lacks the grip columns.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> grip = pd.DataFrame({"grip_injured_12_months": [20.0, 8.0], "grip_other_12_months": [25.0, 0.0]})
    >>> pair = grip_kg(SimpleNamespace(data=grip), "12 months")
    >>> pair.injured.values.tolist(), pair.other.values.tolist()
    ([20.0, 8.0], [25.0, nan])
    """
    data = cohort.data
    injured, other = _grips(data, time)
    sides = _side_needed(cohort, time)
    reasons, _ = _count(sides | {"grip of the injured hand missing": np.isnan(injured)})
    other_reasons, other_gone = _count(sides | _no_reference(data, other))
    first = FunctionMeasure(
        values=injured, name="grip", unit="kg", time=time, rule="injured hand", reasons=reasons, queries={}
    )
    second = FunctionMeasure(
        values=np.where(other_gone, np.nan, other), name="grip of the other hand", unit="kg", time=time,
        rule="other hand, where it is a reference", reasons=other_reasons, queries={},
    )  # fmt: skip
    return GripPair(injured=first, other=second, injured_dominant=_injured_dominant(data))


def rotation_arc(cohort: HasData, time: str) -> FunctionMeasure:
    """Return the arc of forearm rotation, pronation plus supination.

    Parameters
    ----------
    cohort : HasData
        Needs ``pronation_*`` and ``supination_*`` of the visit.
    time : str
        Visit.

    Returns
    -------
    FunctionMeasure
        Degrees; missing where a direction is missing.

    Raises
    ------
    CohortError
        When the table lacks the columns.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> turn = pd.DataFrame({"pronation_12_months": [80.0, 70.0], "supination_12_months": [75.0, None]})
    >>> arc = rotation_arc(SimpleNamespace(data=turn), "12 months")
    >>> arc.values.tolist(), dict(arc.reasons)
    ([155.0, nan], {'supination missing': 1})
    """
    data = cohort.data
    names = [internal_name(each, time=check_time(time)) for each in ("pronation", "supination")]
    require(data, names, f"the rotation arc at {time}")
    pronation, supination = (numbers(data, name) for name in names)
    one, two = np.isnan(pronation), np.isnan(supination)
    reasons, _ = _count(
        {"both directions missing": one & two, "pronation missing": one, "supination missing": two}
    )
    arc = pronation + supination
    high = int((arc > PLAUSIBLE_ARC).sum())
    return FunctionMeasure(
        values=arc, name="rotation arc", unit="degrees", time=time, rule="pronation plus supination",
        reasons=reasons, queries={f"above {PLAUSIBLE_ARC:g} degrees, kept": high} if high else {},
    )  # fmt: skip


def _grips(data: pd.DataFrame, time: str) -> tuple[FloatArray, FloatArray]:
    """Return grip of the injured and of the other hand, kg."""
    names = [internal_name("grip", hand=hand, time=check_time(time)) for hand in ("injured", "other")]
    require(data, names, f"grip at {time}")
    return numbers(data, names[0]), numbers(data, names[1])


def _side_needed(cohort: HasData, time: str) -> dict[str, BoolArray]:
    """Return the cases without a side of the fracture, where grip of the visit was declared by left and right."""
    columns = getattr(getattr(cohort, "dictionary", None), "columns", ())
    if not any(each.concept == "grip" and each.time == time for each in declared_by_side(columns)):
        return {}
    return {"side of the fracture missing, grip given by left and right": pd.isna(texts(cohort.data, "side"))}


def _no_reference(data: pd.DataFrame, other: FloatArray) -> dict[str, BoolArray]:
    """Return why the other hand is no reference, in the order in which a case is counted."""
    bilateral, unsure = _bilateral(data)
    return {
        "patient with both wrists injured": bilateral,
        "several cases of one patient, side not recorded": unsure,
        "other hand previously injured or painful": numbers(data, "other_hand_impaired") == 1,
        "grip of the other hand missing": np.isnan(other),
        "grip of the other hand is zero": other == 0,
    }


def _bilateral(data: pd.DataFrame) -> tuple[BoolArray, BoolArray]:
    """Return cases of patients with both wrists, and of patients with several cases and an unknown side.

    The same wrist broken twice leaves the other hand a reference.
    """
    nobody = np.zeros(len(data), dtype=bool)
    if "patient_id" not in data.columns:
        return nobody, nobody
    frame = pd.DataFrame({"patient": texts(data, "patient_id"), "side": texts(data, "side")})
    groups = frame.groupby("patient", sort=False, dropna=True)["side"]
    sides = groups.transform("nunique").fillna(0).to_numpy()
    cases = groups.transform("size").fillna(0).to_numpy()
    known = groups.transform("count").fillna(0).to_numpy()
    bilateral = sides > 1
    return bilateral, ~bilateral & (cases > 1) & (known < cases)


def _injured_dominant(data: pd.DataFrame) -> FloatArray:
    """Return 1 where the injured hand is the dominant one, 0 where not or both are, NaN where not recorded."""
    side, hand = texts(data, "side"), texts(data, "dominant_hand")
    known = pd.notna(hand) & (pd.notna(side) | (hand == "both"))
    return np.where(known, (side == hand).astype(np.float64), np.nan)


def _count(lost: Mapping[str, BoolArray]) -> tuple[dict[str, int], BoolArray]:
    """Return how many cases are lost for each reason, every case once under its first, and which are lost."""
    gone = np.zeros(len(next(iter(lost.values()))), dtype=bool)
    reasons = {}
    for reason, which in lost.items():
        new = int((which & ~gone).sum())
        if new:
            reasons[reason] = new
        gone |= which
    return reasons, gone
