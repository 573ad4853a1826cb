"""Reduction or implant: the answer, assembled from the estimands and the declared rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from outcomes.analysis.effects import AxisState, Effect, Gate, OutOfComparison, State
from outcomes.estimates import Estimate, Margin

__all__ = ["Answer", "AxisState", "Effect", "Gate", "OutOfComparison", "State"]

@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What these data say about one outcome.

    Attributes
    ----------
    outcome, label, unit, role : str
    margin : Margin or None
    n_eligible, n_used, n_outcome_missing, n_indeterminate, n_covariate_missing : int
        Cases eligible, used by the model, and left out by it for each reason (first reason counts).
    population : str
    reduction_state, strategy_state, total_state : AxisState
    overall : str
        Cell of the answer table, e.g. ``"reduction, not strategy"`` or ``"these data cannot tell"``.
    headline : str
        One sentence naming strategies and direction.
    reduction : Effect or None
        E1; None when not asked.
    reduction_by_strategy : tuple of Effect
        E1(s).
    pairs, pairs_not_met, total_pairs, interaction : tuple of Effect
        E2 at met, E2 at not met, E3, E4.
    judged, not_judged : tuple of str
    share_met : mapping of strategy to Estimate
        Share meeting criteria, standardised to all eligible cases.
    pathway : str
    gates : tuple of Gate
    outside : tuple of OutOfComparison
    reasons : tuple of str
        Everything else that must be known: reversed effects, undetermined interaction, trivial effects in
        words, fallback models, reading error, margin warnings.
    reversed : bool
        An effect counts in the unexpected direction.
    model : str
        One sentence naming model, covariates, errors and their correction.
    """

    outcome: str
    label: str
    unit: str
    role: str
    margin: Margin | None
    n_eligible: int
    n_used: int
    n_outcome_missing: int
    n_indeterminate: int
    n_covariate_missing: int
    population: str
    reduction_state: AxisState
    strategy_state: AxisState
    total_state: AxisState
    overall: str
    headline: str
    reduction: Effect | None
    reduction_by_strategy: tuple[Effect, ...]
    pairs: tuple[Effect, ...]
    pairs_not_met: tuple[Effect, ...]
    total_pairs: tuple[Effect, ...]
    interaction: tuple[Effect, ...]
    judged: tuple[str, ...]
    not_judged: tuple[str, ...]
    share_met: Mapping[str, Estimate]
    pathway: str
    gates: tuple[Gate, ...]
    outside: tuple[OutOfComparison, ...]
    reasons: tuple[str, ...]
    reversed: bool
    model: str

    def __str__(self) -> str:
        """Return the answer in a few lines."""
        lines = [f"{self.label}: {self.overall}", self.headline, self.pathway]
        return "\n".join(line for line in lines if line)
