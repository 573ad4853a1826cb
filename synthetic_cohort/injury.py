"""How the wrist was broken: mechanism, pattern, first film, place and date.

=====================  ==========================================================================
variable               equation
=====================  ==========================================================================
energy                 high: logistic in age and sex (about 18 %)
open_injury            logistic in energy (about 3 %)
pattern                multinomial logistic in age, energy and bone quality
comminution,           yes with a probability of the pattern
druj_involved
fracture_class         AO/OTA 2018 code that belongs to pattern and comminution
tilt_injury            normal around a mean of the pattern (SD 10), 4 more dorsal at high energy
shortening_injury      normal around a mean of the pattern (SD 2), more in fragile bone, >= 0
inclination_injury     22 less 1.3 a mm of shortening (SD 4)
step_injury,           gamma in articular patterns, not applicable in the others
gap_injury
druj_congruent_injury  logistic in druj_involved and shortening
hospital, surgeon      three hospitals (50, 30, 20 %), three surgeons in each
surgeon_experience     years of the surgeon at the start, and one more a calendar year
injury_date            uniform over 2019 to 2024; both wrists of a patient the same day
=====================  ==========================================================================

Films are charted here already (whole degrees, half millimetres), because everything downstream
depends on the *charted* first film: what the file says of the injury is all that there is.
"""

from __future__ import annotations

import numpy as np

from synthetic_cohort.levels import EXTRA_ARTICULAR, Bools, Floats, Variables, logistic, to_half

FIRST_DAY = int(np.datetime64("2019-01-01").astype(np.int64))
DAYS = 6 * 365 + 1
BASE_EXPERIENCE = np.array([21.0, 12.0, 4.0, 17.0, 9.0, 3.0, 14.0, 8.0, 5.0])
PATTERN_LOGITS = np.log(np.array([0.36, 0.25, 0.13, 0.07, 0.08, 0.11]))
COMMINUTION = np.array([0.08, 1.0, 0.35, 0.2, 0.15, 0.9])
DRUJ = np.array([0.08, 0.15, 0.35, 0.15, 0.2, 0.45])
TILT_MEAN = np.array([-20.0, -24.0, -10.0, -14.0, 17.0, -16.0])
SHORTENING_MEAN = np.array([3.5, 5.5, 3.8, 3.2, 3.6, 6.0])


def articular(cases: Variables) -> Bools:
    """Say which cases have a fracture that enters the joint."""
    return np.asarray(~np.isin(cases["pattern"], EXTRA_ARTICULAR), dtype=np.bool_)


def draw_injury(cases: Variables, rng: np.random.Generator) -> Variables:
    """Draw mechanism, pattern, place and date.

    Parameters
    ----------
    cases : dict of arrays (n,)
        From :func:`synthetic_cohort.patients.draw_patients`.
    rng : numpy.random.Generator

    Returns
    -------
    dict of arrays (n,)
        `cases` and the variables of this module.
    """
    n = len(cases["age"])
    old = (cases["age"] - 62.0) / 10.0
    patient = cases["patient"]
    day = FIRST_DAY + rng.integers(0, DAYS, size=n)[patient]
    high = (rng.random(n)[patient] < logistic(-2.0 - 0.35 * old + 0.6 * cases["sex"])).astype(np.int64)
    fragile = cases["bone_quality"] == 2
    eta = np.tile(PATTERN_LOGITS, (n, 1))
    eta[:, 1] += 0.12 * old + 0.3 * fragile
    eta[:, 2] += 0.3 * high
    eta[:, 5] += 0.7 * high
    pattern = np.argmax(eta + rng.gumbel(size=(n, 6)), axis=1).astype(np.int64)
    comminution = (rng.random(n) < COMMINUTION[pattern]).astype(np.int64)
    hospital = np.searchsorted(np.array([0.5, 0.8]), rng.random(n)[patient]).astype(np.int64)
    surgeon = hospital * 3 + rng.integers(0, 3, size=n)
    year = day.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970
    drawn: Variables = {
        "injury_day": day,
        "year": year,
        "energy": high,
        "open_injury": (rng.random(n) < logistic(-4.1 + 1.5 * high)).astype(np.int64),
        "pattern": pattern,
        "comminution": comminution,
        "druj_involved": (rng.random(n) < DRUJ[pattern]).astype(np.int64),
        "fracture_class": np.array([0, 1, 2, 4, 5, 6])[pattern] + ((pattern == 2) & (comminution == 1)),
        "hospital": hospital,
        "surgeon": surgeon,
        "surgeon_experience": BASE_EXPERIENCE[surgeon] + (year - 2019),
    }
    return {**cases, **drawn}


def draw_first_film(cases: Variables, rng: np.random.Generator) -> Variables:
    """Draw the film at injury, charted.

    Parameters
    ----------
    cases : dict of arrays (n,)
        From :func:`draw_injury`.
    rng : numpy.random.Generator

    Returns
    -------
    dict of arrays (n,)
        `cases` and the measures at injury, volar tilt positive, degrees and mm.
    """
    n = len(cases["age"])
    pattern = cases["pattern"]
    tilt = rng.normal(TILT_MEAN[pattern] - 4.0 * cases["energy"], 10.0)
    length = SHORTENING_MEAN[pattern] + 0.5 * (cases["bone_quality"] == 2)
    shortening = to_half(np.clip(rng.normal(length, 2.0), 0.0, 20.0))
    joint = articular(cases)
    incongruent = logistic(-2.2 + 1.4 * cases["druj_involved"] + 0.25 * (shortening - 4.0))
    film: Variables = {
        "tilt_injury": np.clip(np.round(tilt), -60.0, 60.0),
        "shortening_injury": shortening,
        "inclination_injury": np.clip(np.round(rng.normal(22.0 - 1.3 * shortening, 4.0)), -10.0, 40.0),
        "ulnar_variance_injury": to_half(cases["variance_baseline"] + shortening),
        "step_injury": _where_articular(joint, rng.gamma(2.0, 0.9 + 0.5 * (pattern == 5), n)),
        "gap_injury": _where_articular(joint, rng.gamma(2.0, 1.0, n)),
        "druj_congruent_injury": (rng.random(n) >= incongruent).astype(np.float64),
    }
    return {**cases, **film}


def _where_articular(joint: Bools, value: Floats) -> Floats:
    """Chart a joint-surface measure; blank where it does not apply."""
    return np.asarray(np.where(joint, to_half(np.minimum(value, 20.0)), np.nan), dtype=np.float64)


def displacement(cases: Variables) -> Floats:
    """Return how far the first film is from normal, standardised (mean about 0, SD about 1)."""
    bent = (np.abs(cases["tilt_injury"] - 11.0) - 28.0) / 13.0
    short = (cases["shortening_injury"] - 4.4) / 2.2
    return np.asarray(0.65 * (bent + short), dtype=np.float64)


def severity(cases: Variables) -> Floats:
    """Return the index of age, bone, energy and loss of length that drives choice where it confounds.

    Linear in variables that are in the file, standardised.
    """
    index = 0.45 * (cases["age"] - 62.0) / 14.0 + 0.45 * (cases["shortening_injury"] - 4.4) / 2.2
    index = index + 0.5 * (cases["bone_quality"] == 2) + 0.5 * cases["energy"] - 0.25
    return np.asarray(index / 0.78, dtype=np.float64)
