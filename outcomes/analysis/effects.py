"""The pieces an answer is made of: effects with their state, gates, patterns out of comparison."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from outcomes.estimates import Estimate

State = Literal["material", "present", "trivial", "absent", "undetermined"]
AxisState = Literal["counts", "does not count", "undetermined", "not asked"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """One estimand, read against the margin.

    Attributes
    ----------
    estimand : {"E1", "E2", "E3", "E4"}
    groups : tuple of str
        Strategies compared (first minus second); one strategy for E1(s); empty for E1.
    at : {"met", "not met", ""}
        Reduction at which strategies are compared.
    estimate : Estimate
        With the 95 % interval (simultaneous over the judged pairs for E2, E3, E4).
    ordinary : Estimate
        The same with the ordinary 90 % interval (two one-sided tests at 5 %).
    state : State
    direction : {"better", "worse", ""}
        Whether the first group (or meeting the criteria) is better for the patient.
    population : str
        Whom the contrast is standardised to.
    """

    estimand: Literal["E1", "E2", "E3", "E4"]
    groups: tuple[str, ...]
    estimate: Estimate
    ordinary: Estimate
    state: State
    direction: Literal["better", "worse", ""]
    population: str
    at: Literal["met", "not met", ""] = ""

    def row(self) -> dict[str, object]:
        """Return the effect in the column vocabulary of the package.

        Examples
        --------
        >>> inside = Estimate(value=1.0, conf_low=-3.0, conf_high=5.0, contrast="met minus not met", n=40)
        >>> effect = Effect(estimand="E1", groups=(), estimate=inside, ordinary=inside, state="absent",
        ...                 direction="better", population="all")
        >>> effect.row()["estimate"], effect.row()["state"]
        (1.0, 'absent')
        """
        shown, ordinary = self.estimate, self.ordinary
        return {
            "estimand": self.estimand, "group": " minus ".join(self.groups) or "all", "at": self.at,
            "contrast": shown.contrast, "estimate": shown.value, "std_error": shown.std_error,
            "conf_low": shown.conf_low, "conf_high": shown.conf_high, "conf_low_90": ordinary.conf_low,
            "conf_high_90": ordinary.conf_high, "state": self.state, "direction": self.direction, "unit": shown.unit,
            "n": shown.n, "n_missing": shown.n_missing, "population": self.population, "method": shown.method,
            "reason": shown.reason,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """A limit that closes an axis: what was found, what is needed, what would open it."""

    axis: Literal["reduction", "strategy", "both"]
    name: str
    found: float
    limit: float
    remedy: str

    def __str__(self) -> str:
        """Return the sentence with number, limit and remedy."""
        return f"{self.name}: {self.found:.3g}, needs {self.limit:.3g}: {self.remedy}"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfComparison:
    """A fracture pattern that is not comparable for one pair of strategies."""

    groups: tuple[str, str]
    pattern: str
    n_cases: int
    why: str
