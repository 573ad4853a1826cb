"""What a scenario is: the numbers that are planted, and nothing derived from them.

Every scenario shares the equations of this package; it differs only in its numbers, which
:mod:`synthetic_cohort.named` and :mod:`synthetic_cohort.demo` hold. Effects on continuous outcomes are in
the outcome's unit, on the complication in log odds. The right answers are *not* written here:
:mod:`synthetic_cohort.truth` works them out from these numbers by potential outcomes. All numbers are
invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from synthetic_cohort.levels import FIXATOR, PINS, PLATE

OUTCOMES = ("grip_share", "prwe", "rotation_arc", "complication")
UNITS = MappingProxyType(
    {
        "grip_share": "percent of other hand",
        "prwe": "points",
        "rotation_arc": "degrees",
        "complication": "percentage points",
    }
)
MARGINS: Mapping[str, float | None] = MappingProxyType(
    {"grip_share": 10.0, "prwe": 10.0, "rotation_arc": None, "complication": 10.0}
)
"""Declared by the authors of the scenario, in the outcome's unit; rotation arc has none."""
THREE = (PLATE, FIXATOR, PINS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """What moves one outcome.

    Attributes
    ----------
    intercept : float
        Level with every covariate at its reference, reduction not met.
    strategy : mapping of str to float
        Effect of each strategy, not met; absent means 0.
    met : float or mapping of str to float
        Effect of meeting the criteria, one for all strategies or one for each.
    severity, lost : float
        Slope on the severity index; effect of a lost reduction.
    noise_sd, patient_sd : float
        Standard deviations of the noise and of the effect shared by both wrists of a patient.
    """

    intercept: float
    strategy: Mapping[str, float] = field(default_factory=dict)
    met: float | Mapping[str, float] = 0.0
    severity: float = 0.0
    lost: float = 0.0
    noise_sd: float = 0.0
    patient_sd: float = 0.0

    def met_of(self, strategy: str) -> float:
        """Return the effect of meeting the criteria under `strategy`."""
        return self.met.get(strategy, 0.0) if isinstance(self.met, Mapping) else self.met


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One set of numbers for the structural model.

    Attributes
    ----------
    name, about : str
    strategies : tuple of str
        Strategies in use; codes elsewhere point into it.
    choice : mapping
        For each strategy the intercept and slopes of the choice.
    choice_by_pattern : tuple of tuples or None
        Probabilities by pattern (rows) and strategy, in place of `choice`.
    reach, loss, settling, tilt_gain : mapping of str to float
        By strategy: ease of reaching the criteria; log odds of loss of reduction; mm of settling
        before union; degrees of volar tilt gained.
    base_difficulty, displacement_difficulty, severity_difficulty : float
        Of the reduction.
    effects : mapping of str to Effects
        One for each outcome.
    reading_error : float
        Multiple of the published reading error in the charted films; 0 means error-free.
    double_read : float
        Share of deciding films with a second reader (`_reader2`).
    two_wrists, other_hand_impaired, missed_visit, missing_film : float
        Shares; the last two are averages that depend on covariates.
    grip_step : float
        kg to which grip is charted.
    skewed_prwe : bool
    """

    name: str
    about: str
    strategies: tuple[str, ...] = THREE
    choice: Mapping[str, Mapping[str, float]]
    choice_by_pattern: tuple[tuple[float, ...], ...] | None = None
    reach: Mapping[str, float]
    loss: Mapping[str, float]
    settling: Mapping[str, float]
    tilt_gain: Mapping[str, float] = field(default_factory=dict)
    base_difficulty: float = 0.85
    displacement_difficulty: float = 0.35
    severity_difficulty: float = 0.0
    effects: Mapping[str, Effects]
    reading_error: float = 0.0
    double_read: float = 0.2
    two_wrists: float = 0.03
    other_hand_impaired: float = 0.0
    missed_visit: float = 0.08
    missing_film: float = 0.0
    grip_step: float = 0.1
    skewed_prwe: bool = False
