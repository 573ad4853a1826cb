"""What gets into the file and what is lost on the way.

=====================  ==========================================================================
step                   equation
=====================  ==========================================================================
missed visits          logistic in age, smoking, energy and distance (hospital): what is missed
                       depends only on what the file knows; mean as the scenario says, the 12-month
                       visit more often than the 3-month one in the demo
missing films          none in the named scenarios; in the demo the whole film for some, single
                       measures (step, gap, DRUJ) for a few more, a quarter of the films at union
second reader          an independent reading of the deciding postoperative film in a random subset
last seen              about 12 months in the named scenarios, where a missed visit was replaced by a
                       call; in the demo the last visit or event, whichever is later
=====================  ==========================================================================
"""

from __future__ import annotations

import numpy as np

from synthetic_cohort.levels import MEASURES, Bools, Floats, Variables, logistic
from synthetic_cohort.scenarios import Scenario


def missed_probability(cases: Variables, share: float) -> Floats:
    """Return the probability that a visit is missed, `share` for a usual patient."""
    eta = np.log(share / (1.0 - share)) + 0.012 * np.abs(cases["age"] - 62.0) - 0.14
    eta = eta + 0.35 * cases["smoking"] + 0.2 * cases["energy"] + 0.25 * (cases["hospital"] == 2) - 0.15
    return logistic(eta)


def missed_visits(cases: Variables, scenario: Scenario, rng: np.random.Generator) -> dict[str, Bools]:
    """Draw which visits were missed."""
    n = len(cases["age"])
    late = scenario.missed_visit
    early = late if scenario.missing_film == 0.0 else 0.6 * late
    return {
        "3_months": rng.random(n) < missed_probability(cases, early),
        "12_months": rng.random(n) < missed_probability(cases, late),
    }


def lose_measures(film: Variables, share: float, rng: np.random.Generator) -> Variables:
    """Take whole films and single measures out of a charted film.

    Parameters
    ----------
    film : dict of arrays (n,)
        Charted.
    share : float
        Share of films lost; 1.5 times that for each of step, gap and DRUJ beside.
    rng : numpy.random.Generator

    Returns
    -------
    dict of arrays (n,)
    """
    if share == 0.0:
        return film
    n = len(film["tilt"])
    gone = rng.random(n) < share
    left: Variables = {}
    for name in MEASURES:
        single = rng.random(n) < 1.5 * share if name in ("step", "gap", "druj_congruent") else False
        left[name] = np.where(gone | single, np.nan, film[name])
    return left


def blank(film: Variables, where: Bools) -> Variables:
    """Blank the whole film of some cases."""
    return {name: np.where(where, np.nan, values) for name, values in film.items()}
