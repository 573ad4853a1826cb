"""From a world to the table a department would export: one row a case, no hidden variable in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from synthetic_cohort import events, levels, observation, radiographs
from synthetic_cohort.function import outcome_value
from synthetic_cohort.levels import FILM_TIMES, MEASURES, VISITS, Bools, Floats, Ints, Variables
from synthetic_cohort.named import scenario_named
from synthetic_cohort.scenarios import Scenario
from synthetic_cohort.strategy import record
from synthetic_cohort.world import World, make_world


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulation:
    """A generated table and what only the generator knows.

    Attributes
    ----------
    table : pandas.DataFrame
        The file: columns of :func:`synthetic_cohort.levels.columns`.
    strategy : array (n,) of str
        Index strategy of each case.
    met : array (n,) of bool
        True reduction label, free of reading error.
    world : World
    """

    table: pd.DataFrame
    strategy: np.ndarray
    met: Bools
    world: World


def generate(n: int = 600, scenario: str | Scenario = "demo", *, seed: int = 1) -> pd.DataFrame:
    """Return a synthetic cohort as a clean table.

    Parameters
    ----------
    n : int
        Number of cases (fractured wrists), at least 1.
    scenario : str or Scenario
        Name of a scenario (:func:`synthetic_cohort.scenario_names`) or one of your own.
    seed : int
        Same seed, same table.

    Returns
    -------
    pandas.DataFrame
        `n` rows; columns of :func:`synthetic_cohort.levels.columns`; text as str with None, numbers
        float, dates ``datetime64[ns]``, yes/no as ``"yes"`` / ``"no"``. Tilt volar positive in degrees,
        ulnar variance positive when the ulna is longer, shortening against the other side, mm, kg.

    Raises
    ------
    ValueError
        When there is no such scenario or `n` is below 1.

    Examples
    --------
    >>> cohort = generate(50, "reduction_only", seed=3)
    >>> cohort.shape
    (50, 104)
    >>> bool((generate(50, "reduction_only", seed=3)["tilt_injury"] == cohort["tilt_injury"]).all())
    True
    """
    return simulate(n, scenario, seed=seed).table


def simulate(n: int = 600, scenario: str | Scenario = "demo", *, seed: int = 1) -> Simulation:
    """Return a synthetic cohort with its hidden truth.

    Parameters
    ----------
    n, scenario, seed
        As in :func:`generate`.

    Returns
    -------
    Simulation
    """
    plan = scenario_named(scenario) if isinstance(scenario, str) else scenario
    world = make_world(n, plan, seed)
    film = world.film(world.chosen)
    met = radiographs.reduction_met(radiographs.chart(film))
    lost = world.lost(world.chosen)
    columns = _who_and_how(world)
    written = record(world.chosen, plan, world.rng["file"])
    columns |= written
    days = _days(world)
    columns |= _films(world, film, lost, days)
    missed = observation.missed_visits(world.cases, plan, world.rng["file"])
    columns |= _function(world, met, lost, missed)
    drawn = _events(world, written, met, lost, days)
    columns |= _event_columns(drawn)
    columns |= _date_columns(world, days, drawn, missed)
    table = pd.DataFrame({name: columns[name] for name in levels.columns()})
    return Simulation(
        table=table, strategy=np.array(plan.strategies, dtype=object)[world.chosen], met=met, world=world
    )


def _pick(names: Sequence[str | None], codes: Ints) -> np.ndarray:
    """Write category codes as text."""
    return np.array(names, dtype=object)[codes]


def _yes_no(value: Floats | Ints | Bools) -> np.ndarray:
    """Write 1, 0 and NaN as yes, no and None."""
    number = np.asarray(value, dtype=np.float64)
    return np.array(["no", "yes", None], dtype=object)[np.where(np.isnan(number), 2, number).astype(np.int64)]


def _who_and_how(world: World) -> Variables:
    """Columns that stand before time zero."""
    cases, n = world.cases, world.n
    width = max(4, len(str(n)))
    numbers = pd.Series(np.arange(1, n + 1)).astype(str).str.zfill(width)
    people = pd.Series(cases["patient"] + 1).astype(str).str.zfill(width)
    impaired = world.rng["file"].random(n)[cases["patient"]] < world.scenario.other_hand_impaired
    found: Variables = {
        "case_id": ("C" + numbers).to_numpy(dtype=object),
        "patient_id": ("P" + people).to_numpy(dtype=object),
        "age": cases["age"],
        "surgeon_experience": cases["surgeon_experience"].astype(np.float64),
        "other_hand_impaired": _yes_no(impaired),
    }
    for name, names in (
        ("side", levels.SIDES),
        ("dominant_hand", levels.DOMINANCE),
        ("sex", levels.SEXES),
        ("energy", levels.ENERGIES),
        ("fracture_class", levels.CLASSES),
        ("pattern", levels.PATTERNS),
        ("bone_quality", levels.BONE),
        ("hospital", levels.HOSPITALS),
        ("surgeon", levels.SURGEONS),
    ):
        found[name] = _pick(names, cases[name])
    for name in ("open_injury", "comminution", "druj_involved", "diabetes", "smoking", "renal_disease"):
        found[name] = _yes_no(cases[name])
    return found


def _is_cast(world: World) -> Bools:
    """Say which cases have a cast, whose deciding film is the one after the reduction."""
    casts = [code for code, name in enumerate(world.scenario.strategies) if name == levels.CAST]
    return np.asarray(np.isin(world.chosen, casts), dtype=np.bool_)


def _days(world: World) -> dict[str, Ints]:
    """Days since 1970 of treatment and films."""
    rng, n, cast = world.rng["file"], world.n, _is_cast(world)
    injured = world.cases["injury_day"]
    treated = injured + np.where(cast, rng.integers(0, 2, n), 2 + rng.binomial(14, 0.4, n))
    return {
        "injury": injured,
        "treatment": treated,
        "post_reduction": np.where(cast, treated, injured + rng.integers(0, 2, n)),
        "postoperative": treated + rng.integers(0, 3, n),
        "union": treated + 42 + rng.integers(0, 29, n),
        "12_months": treated + 365 + rng.integers(-20, 30, n),
        "3_months": treated + 91 + rng.integers(-14, 15, n),
    }


def _films(world: World, film: Variables, lost: Bools, days: dict[str, Ints]) -> Variables:
    """Film columns, charted, and the dates of the films that exist."""
    plan, rng, cast = world.scenario, world.rng["file"], _is_cast(world)
    error = plan.reading_error
    deciding = observation.lose_measures(radiographs.read(film, error, rng), plan.missing_film, rng)
    before = radiographs.read(radiographs.closed_reduction_film(world.cases, rng), error, rng)
    union = radiographs.union_film(world.cases, world.film_noise, world.chosen, plan, film, lost)
    shown = {
        "injury": observation.lose_measures(
            {name: world.cases[f"{name}_injury"] for name in MEASURES}, plan.missing_film / 2, rng
        ),
        "post_reduction": {name: np.where(cast, deciding[name], before[name]) for name in MEASURES},
        "postoperative": observation.blank(deciding, cast),
        "union": observation.lose_measures(radiographs.read(union, error, rng), 4 * plan.missing_film, rng),
    }
    second = radiographs.read(film, error, rng)
    unread = (rng.random(world.n) >= plan.double_read) | cast | np.isnan(deciding["tilt"])
    columns: Variables = {}
    for time in FILM_TIMES:
        for name in MEASURES:
            columns[f"{name}_{time}"] = shown[time][name]
        there = ~np.isnan(shown[time]["tilt"])
        columns[f"film_date_{time}"] = _as_dates(np.where(there, days[time], np.nan))
    for name, values in observation.blank(second, unread).items():
        columns[f"{name}_postoperative_reader2"] = values
    yes_no = {name for name in columns if name.startswith("druj_congruent")}
    return {name: _yes_no(values) if name in yes_no else values for name, values in columns.items()}


def _function(world: World, met: Bools, lost: Bools, missed: dict[str, Bools]) -> Variables:
    """Grip, rotation, PRWE and pain at both visits."""
    plan, rng, n = world.scenario, world.rng["file"], world.n
    fixed = world.baselines()
    value = {
        name: outcome_value(name, fixed[name], world.outcome_noise[name], world.chosen, met, lost, plan)
        for name in ("grip_share", "prwe", "rotation_arc")
    }
    columns: Variables = {}
    for visit in VISITS:
        early = visit == "3_months"
        share = np.clip(value["grip_share"] - early * (18.0 + 6.0 * rng.normal(size=n)), 0.0, None)
        prwe = np.clip(value["prwe"] + early * (16.0 + 8.0 * rng.normal(size=n)), 0.0, 100.0)
        arc = value["rotation_arc"] - early * (14.0 + 6.0 * rng.normal(size=n))
        supination = np.clip(np.round(0.48 * arc + world.outcome_noise["rotation split"]), 0.0, 100.0)
        pronation = np.clip(np.round(arc) - supination, 0.0, 100.0)
        other = _charted_grip(world.cases["healthy_grip"], plan.grip_step)
        injured = _charted_grip(share / 100.0 * other, plan.grip_step)
        pain = np.clip(np.round(prwe / 11.0 + 0.9 * rng.normal(size=n)), 0.0, 10.0)
        for name, values in (
            ("grip_injured", injured),
            ("grip_other", _other_hand(world, injured, other)),
            ("pronation", pronation),
            ("supination", supination),
            ("prwe", levels.to_half(prwe)),
            ("pain", pain),
        ):
            columns[f"{name}_{visit}"] = np.where(missed[visit], np.nan, values)
    return columns


def _charted_grip(kg: Floats, step: float) -> Floats:
    """Round a grip to the step of the chart, in exact decimals."""
    return np.asarray(np.round(np.round(kg / step) * step, 1), dtype=np.float64)


def _other_hand(world: World, injured: Floats, healthy: Floats) -> Floats:
    """Grip of the other hand; of a patient with two broken wrists that is the other broken one."""
    other = healthy.copy()
    second = np.flatnonzero(world.cases["wrist"] == 1)
    other[second], other[second - 1] = injured[second - 1], injured[second]
    return other


def _events(world: World, written: Variables, met: Bools, lost: Bools, days: dict[str, Ints]) -> Variables:
    """Events of each case, by the outcome model and :mod:`synthetic_cohort.events`."""
    plan = world.scenario
    fixed = world.baselines()["complication"]
    luck = world.outcome_noise["complication"]
    risk = outcome_value("complication", fixed, luck, world.chosen, met, lost, plan)
    filmed = np.where(_is_cast(world), days["post_reduction"], days["postoperative"])
    temporary = (written["component_volar_plate"] == "yes") & (
        written["component_external_fixator_bridging"] == "yes"
    )
    return events.draw_events(
        world.chosen,
        plan,
        treated=days["treatment"],
        filmed=filmed,
        temporary=temporary,
        complication=luck < risk,
        met=met,
        lost=lost,
        rng=world.rng["events"],
    )


def _event_columns(drawn: Variables) -> Variables:
    """Event slots as columns."""
    columns: Variables = {}
    for slot in range(levels.EVENT_SLOTS):
        columns[f"event_{slot + 1}"] = events.TOKENS[drawn["kind"][:, slot]]
        columns[f"event_reason_{slot + 1}"] = events.TOKENS[drawn["reason"][:, slot]]
        columns[f"event_severity_{slot + 1}"] = drawn["severity"][:, slot]
        columns[f"event_date_{slot + 1}"] = _as_dates(drawn["day"][:, slot])
    return columns


def _date_columns(
    world: World, days: dict[str, Ints], drawn: Variables, missed: dict[str, Bools]
) -> Variables:
    """Dates of injury, treatment, last contact; the films' dates come with the films."""
    last = days["12_months"].astype(np.float64)
    if world.scenario.missing_film:
        last = np.where(missed["12_months"], days["3_months"], last)
        last = np.where(missed["12_months"] & missed["3_months"], days["union"], last)
    last = np.fmax(last, np.fmax.reduce(drawn["day"], axis=1))
    return {
        "injury_date": _as_dates(days["injury"]),
        "treatment_date": _as_dates(days["treatment"]),
        "last_seen_date": _as_dates(last),
    }


def _as_dates(days: Floats | Ints) -> np.ndarray:
    """Turn days since 1970, NaN for none, into ``datetime64[ns]``."""
    number = np.asarray(days, dtype=np.float64)
    none = np.isnan(number)
    dates = np.where(none, 0, number).astype(np.int64).astype("datetime64[D]").astype("datetime64[ns]")
    dates[none] = np.datetime64("NaT")
    return dates
