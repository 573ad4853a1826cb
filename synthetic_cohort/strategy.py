"""Which strategy is chosen, and how the operation note records it.

The choice is multinomial logistic: for every strategy an intercept and slopes on the features of
:func:`features` (all of them before time zero). A scenario may instead fix the probabilities by
pattern (`no_overlap`). The strategy itself is not a column: the file carries the operation text and
thirteen yes/no component columns, from which a reader has to find it.
"""

from __future__ import annotations

import numpy as np

from synthetic_cohort import levels
from synthetic_cohort.injury import displacement, severity
from synthetic_cohort.levels import COMPONENTS, Floats, Ints, Variables
from synthetic_cohort.scenarios import Scenario

RECORDS: dict[str, tuple[tuple[str, tuple[str, ...]], ...]] = {
    levels.CAST: (("closed reduction and below-elbow cast", ("cast",)), ("MUA and plaster", ("cast",))),
    levels.PINS: (("closed reduction and K-wires", ("wires",)), ("percutaneous pinning", ("wires",))),
    levels.FIXATOR: (
        ("bridging external fixator with K-wires", ("external_fixator_bridging", "wires")),
        ("bridging external fixator and bone graft", ("external_fixator_bridging", "bone_graft")),
        (
            "bridging external fixator with limited open fixation",
            ("external_fixator_bridging", "limited_open_fixation"),
        ),
    ),
    levels.FIXATOR_ALONE: (("bridging external fixator", ("external_fixator_bridging",)),),
    levels.NON_BRIDGING: (
        ("non-bridging external fixator with K-wires", ("external_fixator_non_bridging", "wires")),
    ),
    levels.NON_BRIDGING_ALONE: (("non-bridging external fixator", ("external_fixator_non_bridging",)),),
    levels.PLATE: (
        ("ORIF with volar locking plate", ("volar_plate",)),
        ("volar plate through flexor carpi radialis approach", ("volar_plate",)),
    ),
    levels.DORSAL: (("ORIF with dorsal plate", ("dorsal_plate",)),),
    levels.RADIAL_COLUMN: (("radial column plate", ("radial_column_plate",)),),
    levels.FRAGMENT: (("fragment-specific fixation", ("fragment_specific",)),),
    levels.SPANNING: (("dorsal spanning plate, planned removal", ("spanning_plate",)),),
    levels.NAIL: (("intramedullary nail", ("nail",)),),
    levels.COMBINED: (
        ("volar locking plate and dorsal plate", ("volar_plate", "dorsal_plate")),
        (
            "volar locking plate with temporary bridging external fixator",
            ("volar_plate", "external_fixator_bridging"),
        ),
    ),
}
"""Operation texts of each strategy and the components that go with each text."""


def features(cases: Variables) -> dict[str, Floats]:
    """Return what the choice looks at, one array a feature.

    Parameters
    ----------
    cases : dict of arrays (n,)
        Patient, injury and first film.

    Returns
    -------
    dict of arrays (n,)
        Standardised or 0/1.
    """
    pattern = cases["pattern"]
    found = {
        "age": (cases["age"] - 62.0) / 10.0,
        "male": cases["sex"],
        "high": cases["energy"],
        "open": cases["open_injury"],
        "displacement": displacement(cases),
        "severity": severity(cases),
        "fragile": cases["bone_quality"] == 2,
        "smoking": cases["smoking"],
        "experience": (cases["surgeon_experience"] - 13.0) / 6.0,
        "Saltby": cases["hospital"] == 1,
        "Wickfell": cases["hospital"] == 2,
        "year": (cases["year"] - 2021.5) / 2.0,
    }
    found |= {name: pattern == code for code, name in enumerate(levels.PATTERNS)}
    return {name: np.asarray(value, dtype=np.float64) for name, value in found.items()}


def choice_probabilities(cases: Variables, scenario: Scenario) -> Floats:
    """Return the probability of each strategy of the scenario.

    Parameters
    ----------
    cases : dict of arrays (n,)
    scenario : Scenario

    Returns
    -------
    array (n, K)
        Rows sum to 1.
    """
    if scenario.choice_by_pattern is not None:
        return np.asarray(np.array(scenario.choice_by_pattern)[cases["pattern"]], dtype=np.float64)
    seen = features(cases)
    n = len(cases["age"])
    eta = np.zeros((n, len(scenario.strategies)))
    for column, name in enumerate(scenario.strategies):
        for feature, slope in scenario.choice[name].items():
            eta[:, column] += slope * (1.0 if feature == "intercept" else seen[feature])
    eta -= eta.max(axis=1, keepdims=True)
    odds = np.exp(eta)
    return np.asarray(odds / odds.sum(axis=1, keepdims=True), dtype=np.float64)


def choose(cases: Variables, scenario: Scenario, rng: np.random.Generator) -> Ints:
    """Draw the index strategy, as codes into ``scenario.strategies``."""
    probability = choice_probabilities(cases, scenario)
    bounds = np.cumsum(probability, axis=1)[:, :-1]
    return np.asarray((rng.random(len(bounds))[:, None] > bounds).sum(axis=1), dtype=np.int64)


def record(strategy: Ints, scenario: Scenario, rng: np.random.Generator) -> Variables:
    """Write the operation text and the component columns.

    Parameters
    ----------
    strategy : array (n,) of int
        Codes into ``scenario.strategies``.
    scenario : Scenario
    rng : numpy.random.Generator

    Returns
    -------
    dict of arrays (n,)
        ``operation_text`` (str) and ``component_*`` ("yes" / "no").
    """
    variants = [RECORDS[name] for name in scenario.strategies]
    flat = [variant for group in variants for variant in group]
    start = np.cumsum([0, *(len(group) for group in variants)])[:-1]
    size = np.array([len(group) for group in variants])
    row = start[strategy] + (rng.random(len(strategy)) * size[strategy]).astype(np.int64)
    written: Variables = {"operation_text": np.array([text for text, _ in flat], dtype=object)[row]}
    for part in COMPONENTS:
        used = np.array(["yes" if part in parts else "no" for _, parts in flat], dtype=object)
        written[f"component_{part}"] = used[row]
    return written
