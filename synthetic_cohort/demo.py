"""The demo scenario: many strategies, small trade effects, reading error, missing data.

Planted on purpose, in the spirit of what the trade says (*common practice, no source*): fixators a
little stronger in grip, plates a little better in supination (through the arc) and volar tilt,
unaugmented fixators subside, casts lose reduction most often, and a reduction that meets the
criteria matters more than any of these. The numbers are invented.
"""

from __future__ import annotations

from synthetic_cohort import levels as v
from synthetic_cohort.scenarios import Effects, Scenario

FIXATORS = (v.FIXATOR, v.FIXATOR_ALONE, v.NON_BRIDGING, v.NON_BRIDGING_ALONE)
PLATES = (v.PLATE, v.DORSAL, v.RADIAL_COLUMN, v.FRAGMENT, v.COMBINED)
GRIP = {name: 2.0 for name in FIXATORS} | {v.SPANNING: -3.0}
ARC = {name: 3.0 for name in PLATES} | {v.SPANNING: -4.0}
PRWE = {name: 1.0 for name in FIXATORS} | {v.SPANNING: 2.0}
ODDS = {v.CAST: -0.45, v.PLATE: 0.0, v.DORSAL: 0.3, v.COMBINED: 0.3, v.SPANNING: 0.2} | {
    name: 0.15 for name in FIXATORS
}

CHOICE = {
    v.PLATE: {"intercept": 0.0, "displacement": 0.3, "volar rim shear": 1.0, "year": 0.2},
    v.CAST: {
        "intercept": -0.65,
        "displacement": -0.6,
        "age": 0.2,
        "open": -2.0,
        "high": -0.8,
        "complex articular": -0.8,
        "volar rim shear": -0.8,
    },
    v.PINS: {
        "intercept": -0.85,
        "bending": 0.5,
        "displacement": -0.1,
        "complex articular": -0.3,
        "volar rim shear": -0.6,
        "Wickfell": 0.4,
    },
    v.FIXATOR: {
        "intercept": -1.2,
        "high": 0.4,
        "open": 0.8,
        "complex articular": 0.7,
        "metaphyseal comminution": 0.5,
        "displacement": 0.3,
        "volar rim shear": -0.4,
        "Saltby": 0.5,
        "year": -0.15,
    },
    v.FIXATOR_ALONE: {"intercept": -2.4, "open": 0.8, "metaphyseal comminution": 0.4, "year": -0.3},
    v.NON_BRIDGING: {"intercept": -3.6, "metaphyseal comminution": 0.6, "complex articular": -2.0},
    v.NON_BRIDGING_ALONE: {"intercept": -4.4, "bending": 0.4, "complex articular": -2.0},
    v.DORSAL: {"intercept": -4.4, "dorsal rim shear": 2.6, "lunate facet depression": 0.8},
    v.RADIAL_COLUMN: {"intercept": -4.4, "lunate facet depression": 0.4},
    v.FRAGMENT: {
        "intercept": -4.2,
        "volar rim shear": 1.0,
        "complex articular": 1.2,
        "lunate facet depression": 0.6,
    },
    v.SPANNING: {"intercept": -4.6, "complex articular": 1.8, "high": 0.6, "fragile": 0.4},
    v.NAIL: {"intercept": -4.5, "bending": 0.5, "complex articular": -3.0},
    v.COMBINED: {"intercept": -4.3, "complex articular": 1.7, "high": 0.5, "volar rim shear": 0.5},
}

DEMO = Scenario(
    name="demo",
    about="a department as it might be: thirteen strategies, small trade effects, reading error, gaps",
    strategies=tuple(CHOICE),
    choice=CHOICE,
    reach={
        v.PLATE: 0.3,
        v.CAST: -0.3,
        v.PINS: -0.05,
        v.FIXATOR: 0.05,
        v.FIXATOR_ALONE: -0.25,
        v.NON_BRIDGING: 0.15,
        v.NON_BRIDGING_ALONE: 0.0,
        v.DORSAL: 0.2,
        v.RADIAL_COLUMN: 0.1,
        v.FRAGMENT: 0.35,
        v.SPANNING: 0.1,
        v.NAIL: 0.1,
        v.COMBINED: 0.35,
    },
    tilt_gain={name: 2.0 for name in PLATES},
    loss={
        v.PLATE: -3.6,
        v.CAST: -1.7,
        v.PINS: -2.7,
        v.FIXATOR: -3.0,
        v.FIXATOR_ALONE: -1.7,
        v.NON_BRIDGING: -3.0,
        v.NON_BRIDGING_ALONE: -2.2,
        v.DORSAL: -3.4,
        v.RADIAL_COLUMN: -3.0,
        v.FRAGMENT: -3.4,
        v.SPANNING: -3.6,
        v.NAIL: -2.8,
        v.COMBINED: -3.8,
    },
    settling={
        v.PLATE: 0.1,
        v.CAST: 0.9,
        v.PINS: 0.6,
        v.FIXATOR: 0.4,
        v.FIXATOR_ALONE: 1.8,
        v.NON_BRIDGING: 0.4,
        v.NON_BRIDGING_ALONE: 1.2,
        v.DORSAL: 0.1,
        v.RADIAL_COLUMN: 0.3,
        v.FRAGMENT: 0.1,
        v.SPANNING: 0.2,
        v.NAIL: 0.4,
        v.COMBINED: 0.1,
    },
    base_difficulty=0.65,
    effects={
        "grip_share": Effects(
            intercept=62.0, strategy=GRIP, met=20.0, lost=-4.0, noise_sd=11.0, patient_sd=5.0
        ),
        "prwe": Effects(intercept=26.0, strategy=PRWE, met=-12.0, lost=4.0, noise_sd=16.0, patient_sd=6.0),
        "rotation_arc": Effects(
            intercept=128.0, strategy=ARC, met=12.0, lost=-4.0, noise_sd=11.0, patient_sd=5.0
        ),
        "complication": Effects(intercept=-1.55, strategy=ODDS, met=-0.3),
    },
    reading_error=0.5,
    double_read=0.25,
    other_hand_impaired=0.04,
    missed_visit=0.14,
    missing_film=0.02,
    grip_step=0.5,
    skewed_prwe=True,
)
