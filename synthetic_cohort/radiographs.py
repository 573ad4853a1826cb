"""What the films show after the strategy, and the true label of the reduction.

One latent number, the *difficulty* of the case under a strategy, drives every measure of the first
film after the index strategy, so that failures of several criteria come together::

    difficulty = base + a displacement(X) + b severity(X) + bone, comminution, complex pattern
                 - c experience - reach[strategy] + standard normal

=====================  ==========================================================================
variable               equation (the film that defines the reduction)
=====================  ==========================================================================
tilt                   7 + tilt gain of the strategy -/+ 6 difficulty (dorsal, volar in volar rim
                       shear), SD 4
shortening             1.6 + 1.35 difficulty, SD 0.7, not below 0
ulnar_variance         that of the unbroken wrist plus shortening, SD 0.4
inclination            23 - 1.2 shortening, SD 3
step, gap              0.7 + 0.65 difficulty, SD 0.45, not below 0; not applicable outside the joint
druj_congruent         logistic in difficulty and druj_involved
=====================  ==========================================================================

The film is `post_reduction` after a cast and `postoperative` after an operation. At `union` every
measure drifts by the *settling* of the strategy (unaugmented fixators subside: common practice, no
source), more in fragile bone; a case with *loss of reduction* settles 3 mm and 12 degrees more.

The label uses the common-practice criteria (no source): shortening < 4 mm, dorsal tilt < 10 degrees,
step-off < 2 mm where it applies, congruent distal radioulnar joint, on the **charted** values.
"""

from __future__ import annotations

import numpy as np

from synthetic_cohort.injury import articular, displacement, severity
from synthetic_cohort.levels import MEASURES, Bools, Floats, Ints, Variables, logistic, to_half
from synthetic_cohort.scenarios import Scenario

READING_SD = {
    "tilt": 3.6,
    "inclination": 3.6,
    "ulnar_variance": 1.53,
    "shortening": 1.53,
    "step": 0.77,
    "gap": 0.77,
}
"""Standard deviations of one reading: the 95 % errors 7 degrees, 3 mm and 1.5 mm of Watson 2016
(BMC Medical Imaging, doi 10.1186/s12880-016-0147-7: 6-8 degrees, 2-4 mm, 1-2 mm) over 1.96."""
DRUJ_MISREAD = 0.06
"""Share of readings of the joint that are turned round: common practice, no source."""


def draw_film_noise(n: int, rng: np.random.Generator) -> Variables:
    """Draw every random number of the films once, so that all strategies meet the same luck."""
    names = ("difficulty", "tilt", "inclination", "ulnar_variance", "shortening", "step", "gap", "settling")
    noise: Variables = {name: rng.normal(0.0, 1.0, n) for name in names}
    noise["druj"] = rng.random(n)
    noise["lost"] = rng.random(n)
    return noise


def difficulty(cases: Variables, noise: Variables, strategy: Ints, scenario: Scenario) -> Floats:
    """Return the latent difficulty of each case under `strategy`."""
    reach = np.array([scenario.reach[name] for name in scenario.strategies])
    value = (
        scenario.base_difficulty
        + scenario.displacement_difficulty * displacement(cases)
        + scenario.severity_difficulty * severity(cases)
        + 0.15 * (cases["bone_quality"] == 2)
        + 0.15 * cases["comminution"]
        + 0.15 * (cases["pattern"] == 5)
        - 0.12 * (cases["surgeon_experience"] - 13.0) / 6.0
    )
    return np.asarray(value - reach[strategy] + noise["difficulty"], dtype=np.float64)


def first_film(cases: Variables, noise: Variables, strategy: Ints, scenario: Scenario) -> Variables:
    """Return the measures, not yet charted, of the film that defines the reduction.

    Parameters
    ----------
    cases, noise : dict of arrays (n,)
    strategy : array (n,) of int
        Codes into ``scenario.strategies``; any strategy may be asked of any case.
    scenario : Scenario

    Returns
    -------
    dict of arrays (n,)
        Keys of :data:`~synthetic_cohort.levels.MEASURES`; step and gap NaN outside the joint.
    """
    hard = difficulty(cases, noise, strategy, scenario)
    gain = np.array([scenario.tilt_gain.get(name, 0.0) for name in scenario.strategies])[strategy]
    way = np.where(cases["pattern"] == 4, 1.0, -1.0)
    shortening = np.maximum(1.6 + 1.35 * hard + 0.7 * noise["shortening"], 0.0)
    joint = articular(cases)
    surface = {
        name: np.where(joint, np.maximum(0.7 + 0.65 * hard + 0.45 * noise[name], 0.0), np.nan)
        for name in ("step", "gap")
    }
    return {
        "tilt": np.clip(7.0 + gain + way * 6.0 * hard + 4.0 * noise["tilt"], -60.0, 60.0),
        "inclination": 23.0 - 1.2 * shortening + 3.0 * noise["inclination"],
        "ulnar_variance": cases["variance_baseline"] + shortening + 0.4 * noise["ulnar_variance"],
        "shortening": shortening,
        **surface,
        "druj_congruent": (
            noise["druj"] >= logistic(-3.4 + 0.9 * hard + 0.5 * cases["druj_involved"])
        ).astype(np.float64),
    }


def chart(film: Variables) -> Variables:
    """Round a film as it is charted: whole degrees, half millimetres, yes or no."""
    charted: Variables = {}
    for name in MEASURES:
        value = film[name]
        if name in ("tilt", "inclination"):
            charted[name] = np.round(value)
        else:
            charted[name] = value if name == "druj_congruent" else to_half(value)
    return charted


def reduction_met(charted: Variables) -> Bools:
    """Apply the common-practice criteria to a charted film.

    Parameters
    ----------
    charted : dict of arrays (n,)
        From :func:`chart`, without missing values; step NaN where it does not apply.

    Returns
    -------
    array (n,) of bool

    Examples
    --------
    >>> import numpy as np
    >>> film = {"shortening": np.array([3.5, 4.0]), "tilt": np.array([-9.0, 0.0]),
    ...         "step": np.array([np.nan, 1.0]), "druj_congruent": np.array([1.0, 1.0])}
    >>> reduction_met(film).tolist()
    [True, False]
    """
    flat = np.isnan(charted["step"]) | (charted["step"] < 2.0)
    met = (charted["shortening"] < 4.0) & (charted["tilt"] > -10.0) & flat & (charted["druj_congruent"] == 1)
    return np.asarray(met, dtype=np.bool_)


def lost_reduction(cases: Variables, noise: Variables, strategy: Ints, scenario: Scenario) -> Bools:
    """Say which reductions are lost before union under `strategy`."""
    risk = np.array([scenario.loss[name] for name in scenario.strategies])[strategy]
    fragile = 0.7 * (cases["bone_quality"] == 2)
    return np.asarray(noise["lost"] < logistic(risk + fragile - 0.1), dtype=np.bool_)


def union_film(
    cases: Variables, noise: Variables, strategy: Ints, scenario: Scenario, film: Variables, lost: Bools
) -> Variables:
    """Return the measures at union, not yet charted: the first film, settled and sometimes lost."""
    settle = np.array([scenario.settling[name] for name in scenario.strategies])[strategy]
    bone = np.array([0.8, 1.0, 1.4])[cases["bone_quality"]]
    mm = np.maximum(settle * bone + 0.25 * noise["settling"], 0.0) + 3.0 * lost
    union = dict(film)
    union["tilt"] = film["tilt"] - 2.0 * settle * bone - 12.0 * lost
    union["inclination"] = film["inclination"] - 0.8 * mm
    union["shortening"] = film["shortening"] + mm
    union["ulnar_variance"] = film["ulnar_variance"] + mm
    union["step"] = film["step"] + 0.5 * lost
    union["druj_congruent"] = film["druj_congruent"] * ~(lost & (noise["druj"] < 0.3))
    return union


def closed_reduction_film(cases: Variables, rng: np.random.Generator) -> Variables:
    """Return the film after a closed reduction that comes *before* an operation: part of X, not of R."""
    n = len(cases["age"])
    shortening = np.maximum(0.65 * cases["shortening_injury"] + rng.normal(0.0, 1.0, n), 0.0)
    return {
        "tilt": 0.5 * cases["tilt_injury"] + rng.normal(0.0, 5.0, n),
        "inclination": 23.0 - 1.2 * shortening + rng.normal(0.0, 3.0, n),
        "ulnar_variance": cases["variance_baseline"] + shortening,
        "shortening": shortening,
        "step": np.maximum(0.8 * cases["step_injury"] + rng.normal(0.0, 0.3, n), 0.0),
        "gap": np.maximum(0.8 * cases["gap_injury"] + rng.normal(0.0, 0.3, n), 0.0),
        "druj_congruent": np.maximum(cases["druj_congruent_injury"], rng.random(n) < 0.5).astype(np.float64),
    }


def read(film: Variables, error: float, rng: np.random.Generator) -> Variables:
    """Read a film with error and chart the reading.

    Parameters
    ----------
    film : dict of arrays (n,)
        Not charted.
    error : float
        Size of the error as a multiple of :data:`READING_SD`; 0 charts the film itself.
    rng : numpy.random.Generator

    Returns
    -------
    dict of arrays (n,)
    """
    if error == 0.0:
        return chart(film)
    n = len(film["tilt"])
    seen = {name: film[name] + rng.normal(0.0, error * sd, n) for name, sd in READING_SD.items()}
    for name in ("shortening", "step", "gap"):
        seen[name] = np.maximum(seen[name], 0.0)
    turned = rng.random(n) < DRUJ_MISREAD * error
    seen["druj_congruent"] = np.where(turned, 1.0 - film["druj_congruent"], film["druj_congruent"])
    return chart(seen)
