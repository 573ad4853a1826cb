"""One simulated world: everything drawn once, before anyone chooses a strategy.

A world holds the cases and all the random numbers. Strategy and reduction can then be set by hand
(potential outcomes, :mod:`synthetic_cohort.truth`) or by the model (the file,
:mod:`synthetic_cohort.table`), and meet the same luck: common random numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_cohort import function, injury, patients, radiographs, strategy
from synthetic_cohort.levels import Bools, Floats, Ints, Variables
from synthetic_cohort.scenarios import OUTCOMES, Scenario

BLOCKS = ("patients", "injury", "film at injury", "strategy", "films", "outcomes", "file", "events")


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """Cases and luck.

    Attributes
    ----------
    scenario : Scenario
    cases : dict of arrays (n,)
        Variables before time zero.
    film_noise, outcome_noise : dict of arrays (n,)
    design : array (n, 17)
        Covariates of the outcome equations.
    chosen : array (n,) of int
        Strategy the model chose, a code into ``scenario.strategies``.
    rng : dict of str to numpy.random.Generator
        One stream for each block, so that a draw added in one does not move another.
    """

    scenario: Scenario
    cases: Variables
    film_noise: Variables
    outcome_noise: Variables
    design: Floats
    chosen: Ints
    rng: dict[str, np.random.Generator]

    @property
    def n(self) -> int:
        """Number of cases."""
        return len(self.chosen)

    def film(self, strategy: Ints) -> Variables:
        """Return the film that defines the reduction under `strategy`, not charted."""
        return radiographs.first_film(self.cases, self.film_noise, strategy, self.scenario)

    def met(self, strategy: Ints) -> Bools:
        """Return whether the reduction would meet the criteria under `strategy`."""
        return radiographs.reduction_met(radiographs.chart(self.film(strategy)))

    def lost(self, strategy: Ints) -> Bools:
        """Return whether the reduction would be lost under `strategy`."""
        return radiographs.lost_reduction(self.cases, self.film_noise, strategy, self.scenario)

    def baselines(self) -> dict[str, Floats]:
        """Return, for each outcome, what neither strategy nor reduction touch."""
        return {name: function.baseline(name, self.cases, self.design, self.scenario) for name in OUTCOMES}


def make_world(n: int, scenario: Scenario, seed: int) -> World:
    """Draw a world.

    Parameters
    ----------
    n : int
        Number of cases, at least 1.
    scenario : Scenario
    seed : int

    Returns
    -------
    World

    Raises
    ------
    ValueError
        When `n` is below 1.
    """
    if n < 1:
        raise ValueError(f"n is {n}; a cohort needs at least 1 case")
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(len(BLOCKS))]
    rng = dict(zip(BLOCKS, streams, strict=True))
    patient, wrist = patients.case_patients(n, scenario.two_wrists, rng["patients"])
    cases = patients.draw_patients(patient, wrist, rng["patients"])
    cases = injury.draw_injury(cases, rng["injury"])
    cases = injury.draw_first_film(cases, rng["film at injury"])
    return World(
        scenario=scenario,
        cases=cases,
        film_noise=radiographs.draw_film_noise(n, rng["films"]),
        outcome_noise=function.draw_outcome_noise(n, scenario, rng["outcomes"]),
        design=function.design(cases),
        chosen=strategy.choose(cases, scenario, rng["strategy"]),
        rng=rng,
    )
