"""Grip, rotation, PRWE and complications as functions of case, strategy and reduction.

For each outcome the equation is linear (for the complication: linear in log odds)::

    outcome = intercept + covariates(X) . slopes + severity slope x severity(X)
              + strategy effect[s] + met effect[s] x met + loss effect x lost
              + patient SD x patient effect + noise

=====================  ==========================================================================
outcome                unit, visit
=====================  ==========================================================================
grip_share             grip of the injured hand, percent of the other hand, 12 months
prwe                   PRWE, 0-100, higher is worse, 12 months
rotation_arc           pronation + supination, degrees, 12 months
complication           log odds of any complication that is not the lost or missed reduction
                       itself, after the film that defines the reduction
=====================  ==========================================================================

`met` is the label of the charted film. With it set by hand the same function gives the potential
outcomes. In the named scenarios nothing else of the films enters, `lost` has no effect, and bounds
are almost never reached, so that a linear model with strategy x reduction and the covariates of
:data:`COVARIATES` is the right one. In the demo scenario PRWE noise is skewed and bounded at 0.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from synthetic_cohort.injury import severity
from synthetic_cohort.levels import Bools, Floats, Ints, Variables, logistic
from synthetic_cohort.scenarios import OUTCOMES, Scenario

SLOPES: Mapping[str, tuple[float, float, float, float]] = {
    "age": (-1.5, 1.0, -1.2, 0.04),
    "male": (1.0, -1.5, 0.0, 0.05),
    "high energy": (-4.0, 3.0, -3.5, 0.25),
    "open injury": (-5.0, 3.5, -4.0, 0.5),
    "metaphyseal comminution": (-2.0, 1.5, -2.0, 0.1),
    "lunate facet depression": (-3.0, 2.0, -2.5, 0.1),
    "dorsal rim shear": (-2.0, 1.5, -2.0, 0.15),
    "volar rim shear": (-3.0, 2.0, -2.0, 0.2),
    "complex articular": (-6.0, 4.0, -5.0, 0.3),
    "tilt at injury": (0.5, -0.4, 0.5, 0.0),
    "shortening at injury": (-0.8, 0.6, -0.8, 0.04),
    "reduced bone": (-2.0, 1.0, -1.0, 0.05),
    "fragile bone": (-4.0, 2.5, -2.0, 0.1),
    "diabetes": (-3.0, 2.0, -3.0, 0.3),
    "smoking": (-2.0, 2.0, -1.0, 0.3),
    "experience": (1.0, -0.8, 1.0, -0.1),
    "dominant hand injured": (4.0, 1.0, 0.0, 0.0),
}
"""Slopes of grip_share, prwe, rotation_arc and complication, in that order; units below."""
COVARIATES = tuple(SLOPES)
"""Age per 10 years, tilt per 10 degrees, shortening per mm, experience per 6 years, the rest 0/1."""


def design(cases: Variables) -> Floats:
    """Return the covariates of the outcome equations, as charted in the file.

    Parameters
    ----------
    cases : dict of arrays (n,)

    Returns
    -------
    array (n, 17)
        Columns in the order of :data:`COVARIATES`.
    """
    pattern, bone = cases["pattern"], cases["bone_quality"]
    columns = [(cases["age"] - 62.0) / 10.0, cases["sex"], cases["energy"], cases["open_injury"]]
    columns += [pattern == code for code in range(1, 6)]
    columns += [(cases["tilt_injury"] + 15.0) / 10.0, cases["shortening_injury"] - 4.4]
    columns += [bone == 1, bone == 2, cases["diabetes"], cases["smoking"]]
    columns += [(cases["surgeon_experience"] - 13.0) / 6.0, cases["dominant_injured"]]
    return np.column_stack(columns).astype(np.float64)


def draw_outcome_noise(n: int, scenario: Scenario, rng: np.random.Generator) -> Variables:
    """Draw the noise of every outcome once; standard, mean 0 and SD 1."""
    noise: Variables = {name: rng.normal(0.0, 1.0, n) for name in OUTCOMES}
    noise["rotation split"] = rng.normal(0.0, 4.0, n)
    noise["complication"] = rng.random(n)
    if scenario.skewed_prwe:
        noise["prwe"] = rng.gamma(0.7, 1.0 / np.sqrt(0.7), n) - np.sqrt(0.7)
    return noise


def baseline(outcome: str, cases: Variables, matrix: Floats, scenario: Scenario) -> Floats:
    """Return the part of an outcome that neither strategy nor reduction touch, without noise.

    Parameters
    ----------
    outcome : str
        One of :data:`~synthetic_cohort.scenarios.OUTCOMES`.
    cases : dict of arrays (n,)
    matrix : array (n, 17)
        From :func:`design`.
    scenario : Scenario

    Returns
    -------
    array (n,)
        In the unit of the outcome; log odds for the complication.
    """
    position = OUTCOMES.index(outcome)
    slopes = np.array([row[position] for row in SLOPES.values()])
    effects = scenario.effects[outcome]
    fixed = effects.intercept + matrix @ slopes + effects.severity * severity(cases)
    return np.asarray(fixed + effects.patient_sd * cases["patient_effect"], dtype=np.float64)


def outcome_value(
    outcome: str, fixed: Floats, noise: Floats, strategy: Ints, met: Bools, lost: Bools, scenario: Scenario
) -> Floats:
    """Return the outcome under a strategy and a reduction; the potential outcome if they are set by hand.

    Parameters
    ----------
    outcome : str
        One of :data:`~synthetic_cohort.scenarios.OUTCOMES`.
    fixed : array (n,)
        From :func:`baseline`.
    noise : array (n,)
        Standard noise; not used for the complication.
    strategy : array (n,) of int
    met, lost : array (n,) of bool
    scenario : Scenario

    Returns
    -------
    array (n,)
        In the unit of the outcome; the *probability* (0 to 1) for the complication.
    """
    effects = scenario.effects[outcome]
    by_strategy = np.array([effects.strategy.get(name, 0.0) for name in scenario.strategies])
    by_met = np.array([effects.met_of(name) for name in scenario.strategies])
    value = fixed + by_strategy[strategy] + by_met[strategy] * met + effects.lost * lost
    if outcome == "complication":
        return logistic(value)
    top = {"grip_share": 200.0, "prwe": 100.0, "rotation_arc": 190.0}[outcome]
    return np.asarray(np.clip(value + effects.noise_sd * noise, 0.0, top), dtype=np.float64)
