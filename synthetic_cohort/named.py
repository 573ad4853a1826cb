"""The named scenarios. All numbers are invented; the right answers are worked out from them, not written here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from synthetic_cohort.demo import DEMO
from synthetic_cohort.levels import FIXATOR, PINS, PLATE
from synthetic_cohort.scenarios import Effects, Scenario

CHOICE = {
    PLATE: {"intercept": 0.0},
    FIXATOR: {
        "intercept": -0.85,
        "high": 0.5,
        "open": 0.8,
        "complex articular": 0.5,
        "metaphyseal comminution": 0.3,
        "displacement": 0.25,
        "experience": -0.15,
        "Saltby": 0.35,
    },
    PINS: {
        "intercept": -0.8,
        "bending": 0.4,
        "complex articular": -0.4,
        "age": -0.1,
        "displacement": -0.15,
        "experience": -0.1,
        "Wickfell": 0.35,
    },
}


def _effects(
    *,
    levels: tuple[float, float, float, float],
    strategy: Mapping[str, float] | None = None,
    met: float | Mapping[str, float] = 0.0,
    odds: Mapping[str, float] | None = None,
    met_odds: float | Mapping[str, float] = 0.0,
    severity: float = 0.0,
    severity_odds: float = 0.0,
) -> dict[str, Effects]:
    """Plant the same effects in every outcome: grip share as given, PRWE the other way, rotation 0.8."""

    def scaled(effect: float | Mapping[str, float], by: float) -> float | Mapping[str, float]:
        return {k: by * v for k, v in effect.items()} if isinstance(effect, Mapping) else by * effect

    found = {}
    for name, level, by, noise, patient in (
        ("grip_share", levels[0], 1.0, 13.7, 6.0),
        ("prwe", levels[1], -1.0, 9.0, 4.0),
        ("rotation_arc", levels[2], 0.8, 11.0, 5.0),
    ):
        found[name] = Effects(
            intercept=level,
            strategy={k: by * v for k, v in (strategy or {}).items()},
            met=scaled(met, by),
            severity=(-0.85 if name == "prwe" else by) * severity,
            noise_sd=noise,
            patient_sd=patient,
        )
    found["complication"] = Effects(
        intercept=levels[3], strategy=dict(odds or {}), met=met_odds, severity=severity_odds
    )
    return found


REDUCTION_ONLY = Scenario(
    name="reduction_only",
    about="meeting the criteria matters by 15 points, the strategy at given reduction not at all",
    choice=CHOICE,
    reach={PLATE: 0.15, FIXATOR: 0.0, PINS: -0.05},
    loss={PLATE: -3.6, FIXATOR: -3.3, PINS: -3.1},
    settling={PLATE: 0.1, FIXATOR: 0.4, PINS: 0.6},
    effects=_effects(levels=(66.0, 48.0, 118.0, -0.7), met=15.0, met_odds=-1.15),
)


def _named() -> tuple[Scenario, ...]:
    """Return the named scenarios with exactly three strategies."""
    base = REDUCTION_ONLY
    strategy_only = replace(
        base,
        name="strategy_only",
        about="the plate is better by 16 points, meeting the criteria does nothing",
        effects=_effects(levels=(68.0, 48.0, 118.0, -0.3), strategy={PLATE: 16.0}, odds={PLATE: -1.15}),
    )
    both = replace(
        base,
        name="both",
        about="meeting the criteria 15 points, the plate 16 points, adding up",
        effects=_effects(
            levels=(64.0, 59.0, 112.0, 0.5),
            strategy={PLATE: 16.0},
            met=15.0,
            odds={PLATE: -1.05},
            met_odds=-1.05,
        ),
    )
    neither = replace(
        base,
        name="neither",
        about="meeting the criteria 4 points (as published averages, below every margin), strategy nothing",
        effects=_effects(levels=(74.0, 40.0, 126.0, -1.0), met=4.0, met_odds=-0.22),
    )
    return (base, strategy_only, both, neither, *_hard())


def _hard() -> tuple[Scenario, ...]:
    """Return the named scenarios in which something stands in the way."""
    base = REDUCTION_ONLY
    confounded = replace(
        base,
        name="confounded_by_severity",
        about="as reduction_only, but plates go to the light injuries and severity costs 12 points a SD: "
        "crude contrasts credit the plate",
        choice={
            PLATE: {"intercept": 0.0},
            FIXATOR: {"intercept": -0.5, "severity": 1.4, "Saltby": 0.2},
            PINS: {"intercept": -0.65, "severity": 1.25, "Wickfell": 0.2},
        },
        severity_difficulty=0.45,
        effects=_effects(
            levels=(76.0, 51.0, 126.0, -0.8), met=15.0, met_odds=-1.2, severity=-12.0, severity_odds=0.7
        ),
    )
    mediated = replace(
        base,
        name="mediated",
        about="strategies differ only in how often they reach the criteria, which matter by 26 points",
        reach={PLATE: 1.4, FIXATOR: 1.5, PINS: -1.3},
        effects=_effects(levels=(58.0, 60.0, 110.0, 0.2), met=26.0, met_odds=-1.9),
    )
    interaction = replace(
        base,
        name="interaction",
        about="the plate forgives a poor reduction, fixator and pins need a good one (20 points)",
        effects=_effects(
            levels=(58.0, 55.0, 112.0, -0.35),
            strategy={PLATE: 16.5},
            met={FIXATOR: 20.0, PINS: 20.0},
            odds={PLATE: -0.79},
            met_odds={FIXATOR: -1.0, PINS: -1.0},
        ),
    )
    rare = 0.002
    plate, fixator, pins = (
        (1 - 2 * rare, rare, rare),
        (rare, 1 - 2 * rare, rare),
        (rare, rare, 1 - 2 * rare),
    )
    no_overlap = replace(
        base,
        name="no_overlap",
        about="as reduction_only, but the pattern all but decides the strategy",
        choice_by_pattern=(pins, fixator, plate, plate, plate, plate),
    )
    reading = replace(
        base,
        name="reading_error",
        about="as reduction_only, the films read with the published reading error",
        reading_error=1.0,
        double_read=0.3,
    )
    return confounded, mediated, interaction, no_overlap, reading


def scenario_named(name: str) -> Scenario:
    """Return a scenario by name.

    Parameters
    ----------
    name : str

    Returns
    -------
    Scenario

    Raises
    ------
    ValueError
        When there is no such scenario; the message lists them.

    Examples
    --------
    >>> scenario_named("mediated").strategies[0]
    'volar locking plate'
    """
    known = {scenario.name: scenario for scenario in (DEMO, *_named())}
    if name not in known:
        raise ValueError(f"no scenario {name!r}; there are: {', '.join(known)}")
    return known[name]


def scenario_names() -> tuple[str, ...]:
    """Return the names of all scenarios, the demo first."""
    return ("demo", *(scenario.name for scenario in _named()))
