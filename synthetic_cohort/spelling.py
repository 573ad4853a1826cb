"""How a department spells things: the variants that people type for one meaning.

Each level has the spellings that occur in the workbook; the dictionary declares the same lists, so that
what is written and what can be read come from one place.
"""

from __future__ import annotations

from synthetic_cohort import levels
from synthetic_cohort.events import (
    CONVERSION,
    FIXATOR_OUT,
    KINDS,
    LOSS,
    MALUNION,
    OSTEOTOMY,
    PLANNED,
    PLATE_OUT,
    REOPERATION,
    WIRES_OUT,
)

YES = ("Y", "yes", "y", "Yes", "1")
NO = ("N", "no", "n", "No", "0")

SPELLINGS: dict[str, dict[str, tuple[str, ...]]] = {
    "side": {"left": ("L", "Lt", "left", "LEFT"), "right": ("R", "Rt", "right", "Right")},
    "dominant_hand": {"left": ("L", "left"), "right": ("R", "right", "Rt"), "both": ("both", "ambidextrous")},
    "sex": {"female": ("F", "female", "f"), "male": ("M", "male", "m")},
    "energy": {"low": ("low", "fall from standing", "LE"), "high": ("high", "road traffic", "HE")},
    "pattern": {
        "bending": ("bending", "extra-articular bending"),
        "metaphyseal comminution": ("metaphyseal comminution", "metaph. comm."),
        "lunate facet depression": ("lunate facet depression", "die-punch"),
        "dorsal rim shear": ("dorsal rim shear", "dorsal Barton"),
        "volar rim shear": ("volar rim shear", "volar Barton"),
        "complex articular": ("complex articular", "multifragmentary articular"),
    },
    "bone_quality": {
        "normal": ("normal", "good"),
        "reduced": ("reduced", "osteopenic"),
        "fragile": ("fragile", "osteoporotic"),
    },
    "hospital": {
        "Northmere": ("Northmere", "N'mere"),
        "Saltby": ("Saltby", "SALTBY"),
        "Wickfell": ("Wickfell",),
    },
}

EVENTS: dict[str, tuple[str, ...]] = {kind: (kind,) for kind in KINDS} | {
    "carpal tunnel syndrome": ("carpal tunnel syndrome", "CTS"),
    "complex regional pain syndrome": ("complex regional pain syndrome", "CRPS"),
    "pin site infection": ("pin site infection", "pin-site infection"),
    WIRES_OUT: (WIRES_OUT, "K-wires removed"),
    FIXATOR_OUT: (FIXATOR_OUT, "ex-fix removal"),
    PLATE_OUT: (PLATE_OUT, "bridge plate removal"),
    PLANNED: (PLANNED, "as planned"),
    LOSS: (LOSS, "lost reduction"),
    MALUNION: (MALUNION,),
    CONVERSION: (CONVERSION,),
    REOPERATION: (REOPERATION, "re-operation"),
    OSTEOTOMY: (OSTEOTOMY,),
}

OPERATIONS: dict[str, tuple[str, ...]] = {
    levels.CAST: (
        "MUA + POP",
        "closed reduction, below-elbow cast",
        "MUA and plaster",
        "manipulated, backslab",
    ),
    levels.PINS: ("CRPP", "MUA + K-wires x3", "percutaneous pinning", "K wires"),
    levels.PLATE: ("VLP", "ORIF volar plate", "volar locking plate", "ORIF with VLP (FCR approach)"),
    levels.DORSAL: ("ORIF dorsal plate", "dorsal plating"),
    levels.RADIAL_COLUMN: ("radial column plate",),
    levels.FRAGMENT: ("fragment-specific fixation", "ORIF, fragment specific plates"),
    levels.SPANNING: ("dorsal spanning plate", "bridge plate"),
    levels.NAIL: ("IM nail", "intramedullary nail"),
    levels.FIXATOR_ALONE: ("bridging ex-fix", "ex fix (bridging) only"),
    levels.NON_BRIDGING: ("non-bridging ex-fix + K-wires",),
    levels.NON_BRIDGING_ALONE: ("non-bridging ex-fix",),
}
"""Operation notes where the strategy alone decides; see :func:`operation_notes` for the others."""

FIXATOR_NOTES = {
    "wires": ("bridging ex-fix + K-wires", "ex fix (bridging) with wires"),
    "bone_graft": ("bridging ex-fix + bone graft",),
    "limited_open_fixation": ("bridging ex-fix, limited open fixation",),
}
COMBINED_NOTES = {
    "dorsal_plate": ("VLP + dorsal plate", "volar and dorsal plates"),
    "external_fixator_bridging": ("VLP + temporary bridging ex-fix",),
}


def operation_notes(strategy: str, parts: frozenset[str]) -> tuple[str, ...]:
    """Return the notes that people write for one operation.

    Parameters
    ----------
    strategy : str
    parts : frozenset of str
        Components used.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> operation_notes("combined", frozenset({"volar_plate", "dorsal_plate"}))
    ('VLP + dorsal plate', 'volar and dorsal plates')
    """
    for name, notes in ((levels.FIXATOR, FIXATOR_NOTES), (levels.COMBINED, COMBINED_NOTES)):
        if strategy == name:
            return next(written for part, written in notes.items() if part in parts)
    return OPERATIONS[strategy]
