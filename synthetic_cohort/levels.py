"""Names used in the file: levels, times, components, strategies, columns.

Everything here is a name; nothing is a number. The column names are those of a clean table that a
data dictionary can read one to one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Variables = dict[str, npt.NDArray[Any]]
"""Variables by name, one entry a case; categories as integer codes into the tuples below."""

HOSPITALS = ("Northmere", "Saltby", "Wickfell")
SURGEONS = ("S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S9")
SEXES = ("female", "male")
SIDES = ("left", "right")
DOMINANCE = ("left", "right", "both")
ENERGIES = ("low", "high")
BONE = ("normal", "reduced", "fragile")
PATTERNS = (
    "bending",
    "metaphyseal comminution",
    "lunate facet depression",
    "dorsal rim shear",
    "volar rim shear",
    "complex articular",
)
EXTRA_ARTICULAR = (0, 1)
"""Codes of the patterns that do not enter the joint (AO/OTA type A): step-off does not apply."""
CLASSES = ("2R3A2", "2R3A3", "2R3C1", "2R3C2", "2R3B2", "2R3B3", "2R3C3")

CAST = "closed reduction and cast"
PINS = "percutaneous pinning"
FIXATOR = "bridging external fixation, augmented"
FIXATOR_ALONE = "bridging external fixation, unaugmented"
NON_BRIDGING = "non-bridging external fixation, augmented"
NON_BRIDGING_ALONE = "non-bridging external fixation, unaugmented"
PLATE = "volar locking plate"
DORSAL = "dorsal plate"
RADIAL_COLUMN = "radial column plate"
FRAGMENT = "fragment-specific fixation"
SPANNING = "spanning plate"
NAIL = "intramedullary nail"
COMBINED = "combined"

COMPONENTS = (
    "cast",
    "wires",
    "external_fixator_bridging",
    "external_fixator_non_bridging",
    "bone_graft",
    "limited_open_fixation",
    "volar_plate",
    "dorsal_plate",
    "radial_column_plate",
    "fragment_specific",
    "spanning_plate",
    "nail",
    "other_device",
)

FILM_TIMES = ("injury", "post_reduction", "postoperative", "union")
VISITS = ("3_months", "12_months")
MEASURES = ("tilt", "inclination", "ulnar_variance", "shortening", "step", "gap", "druj_congruent")
EVENT_SLOTS = 4


def columns() -> tuple[str, ...]:
    """Return the columns of the clean table, in order.

    Returns
    -------
    tuple of str
        104 names.

    Examples
    --------
    >>> len(columns())
    104
    >>> columns()[:3]
    ('case_id', 'patient_id', 'side')
    """
    names = [
        "case_id",
        "patient_id",
        "side",
        "dominant_hand",
        "age",
        "sex",
        "energy",
        "open_injury",
        "fracture_class",
        "pattern",
        "comminution",
        "druj_involved",
        "bone_quality",
        "diabetes",
        "smoking",
        "renal_disease",
        "other_hand_impaired",
        "hospital",
        "surgeon",
        "surgeon_experience",
        "injury_date",
        "treatment_date",
        "last_seen_date",
    ]
    names += [f"film_date_{time}" for time in FILM_TIMES]
    names += ["operation_text", *(f"component_{part}" for part in COMPONENTS)]
    names += [f"{measure}_{time}" for time in FILM_TIMES for measure in MEASURES]
    names += [f"{measure}_postoperative_reader2" for measure in MEASURES]
    for visit in VISITS:
        names += [f"{what}_{visit}" for what in ("grip_injured", "grip_other", "pronation", "supination")]
        names += [f"prwe_{visit}", f"pain_{visit}"]
    for slot in range(1, EVENT_SLOTS + 1):
        names += [f"event_{slot}", f"event_date_{slot}", f"event_severity_{slot}", f"event_reason_{slot}"]
    return tuple(names)


def logistic(eta: npt.NDArray[np.floating[Any]]) -> Floats:
    """Return the probability whose log odds are `eta`."""
    return np.asarray(1.0 / (1.0 + np.exp(-eta)), dtype=np.float64)


def to_half(value: Floats) -> Floats:
    """Round to half units, as millimetres are charted."""
    return np.asarray(np.round(value * 2.0) / 2.0, dtype=np.float64)
