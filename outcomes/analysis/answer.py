"""Reduction or implant: the answer, assembled from the estimands and the declared rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape

import pandas as pd

from outcomes.analysis import sentences
from outcomes.analysis.axes import AtMargin, Axes, answers_by_margin, judge_axes
from outcomes.analysis.effects import AxisState, Effect, Gate, OutOfComparison, State
from outcomes.analysis.evidence import Evidence, gather_evidence
from outcomes.analysis.few_clusters import few_cluster_intervals, few_cluster_reasons
from outcomes.analysis.gates import data_gates, reduction_gates, strategy_gates
from outcomes.analysis.met_share import counted_share_met, standardised_share_met
from outcomes.analysis.sample import StudySample
from outcomes.analysis.unsettled import Unsettled, unsettled_effects
from outcomes.cohort.reduction import ShareMet
from outcomes.estimates import Estimate, Margin

__all__ = ["Answer", "AtMargin", "AxisState", "Effect", "Gate", "OutOfComparison", "State"]


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
    counted_met : mapping of strategy to ShareMet
        Share met among each strategy's own cases, with the bounds that indeterminate labels leave.
    pathway : str
    gates : tuple of Gate
    outside : tuple of OutOfComparison
    by_margin : tuple of AtMargin
        The answer from half to twice the declared margin, and over every shipped margin in its unit.
    reasons : tuple of str
        Everything else that must be known: reversed effects, undetermined interaction, trivial effects in
        words, fallback models, reading error, margin warnings.
    reversed : bool
        An effect counts in the unexpected direction.
    model : str
        One sentence naming model, covariates, errors and their correction.
    unsettled : tuple of Unsettled
        For an axis that is open although no gate closed it: what every unsettled effect would need.
    few_clusters : tuple of Estimate
        Where clusters are fewer than the limit and the outcome is continuous: E1 and each pair again, with the
        wild cluster bootstrap interval to be read beside that of `reduction` and `pairs` (`total_pairs` when
        reduction is not asked). Each carries its own 95 % interval, not a simultaneous one, and its method says
        *unreliable*. Empty otherwise. It changes no state.
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
    by_margin: tuple[AtMargin, ...]
    reasons: tuple[str, ...]
    reversed: bool
    model: str
    unsettled: tuple[Unsettled, ...] = ()
    few_clusters: tuple[Estimate, ...] = ()
    counted_met: Mapping[str, ShareMet] = field(default_factory=dict)

    def tidy(self) -> pd.DataFrame:
        """Return one row an effect: E1, E1(s), E2 at met and not met, E3, E4. No p-values: they never enter."""
        first = () if self.reduction is None else (self.reduction,)
        effects = (*first, *self.reduction_by_strategy, *self.pairs, *self.pairs_not_met, *self.total_pairs)
        return pd.DataFrame(
            [{"outcome": self.outcome, **each.row()} for each in (*effects, *self.interaction)]
        )

    def _repr_html_(self) -> str:
        """Return the answer for a notebook; numbers are in :meth:`tidy` and in the report."""
        lines = (self.headline, self.pathway, *(str(gate) for gate in self.gates), *map(str, self.unsettled))
        body = "".join(f"<p>{escape(line)}</p>" for line in lines if line)
        return f"<div><strong>{escape(self.label)}: {escape(self.overall)}</strong>{body}</div>"

    def __str__(self) -> str:
        """Return the answer in a few lines."""
        lines = [f"{self.label}: {self.overall}", self.headline, self.pathway]
        return "\n".join(line for line in lines if line)


def answer_question(sample: StudySample, key: str) -> Answer:
    """Answer *reduction or implant* for one outcome of a study.

    Estimands by standardisation (E1, E2, E4 from one model with strategy x reduction; E3 from a model without
    reduction), states from intervals against the margin, gates from counts and effective sizes. Test
    p-values do not enter.

    Parameters
    ----------
    sample : StudySample
    key : str
        Key of one of the study's outcomes, e.g. ``"grip_share_12_months"``.

    Returns
    -------
    Answer
    """
    plan = next(plan for plan in sample.study.outcomes if plan.key == key)
    measured = sample.outcomes[key]
    evidence = gather_evidence(sample, plan)
    gates = _gates(evidence, measured.unplaced)
    reduction_plan = sample.study.reduction
    error = None if reduction_plan is None else reduction_plan.reading_error
    axes = judge_axes(evidence, evidence.effects, gates, plan.margin, error)
    effects = evidence.effects
    shares = standardised_share_met(evidence.cases, evidence.labelled) if evidence.asked else {}
    shares = {name: shares[name] for name in evidence.judged.strategies if name in shares}
    counts = _counts(evidence)
    return Answer(
        outcome=key, label=measured.label, unit=measured.unit, role=plan.role, margin=plan.margin, **counts,
        population="eligible cases of the study", reduction_state=axes.reduction, strategy_state=axes.strategy,
        total_state=axes.total, overall=axes.overall, headline=sentences.headline(axes, evidence, plan),
        reduction=next(iter(effects.get("E1", ())), None), reduction_by_strategy=effects.get("E1(s)", ()),
        pairs=effects.get("E2", ()), pairs_not_met=effects.get("E2 at not met", ()),
        total_pairs=effects.get("E3", ()), interaction=effects.get("E4", ()), judged=evidence.judged.strategies,
        not_judged=evidence.judged.not_judged, share_met=shares,
        pathway=sentences.pathway(axes) if evidence.asked and plan.margin else "", gates=gates,
        outside=tuple(row for pair in evidence.comparable.values() for row in pair.outside),
        by_margin=answers_by_margin(evidence, gates, plan, error),
        reasons=(
            *sentences.reasons(evidence, sample, plan, axes), *few_cluster_reasons(evidence, measured, sample.study),
        ), reversed=axes.reversed, model=sentences.model(evidence, measured, sample.study),
        unsettled=_unsettled(axes, gates, evidence, plan.margin),
        few_clusters=few_cluster_intervals(evidence, sample, plan),
        counted_met=counted_share_met(evidence.cases, evidence.judged.strategies) if evidence.asked else {},
    )  # fmt: skip


def _gates(evidence: Evidence, unplaced: float) -> tuple[Gate, ...]:
    """All gates of the outcome; those of reduction only when it is asked."""
    cases, limits = evidence.cases, evidence.limits
    n = len(cases.strategy)
    gates = data_gates(
        n,
        int((~evidence.labelled).sum()),
        int((~evidence.has_outcome).sum()),
        limits,
        unplaced=unplaced,
    )
    if evidence.asked:
        gates += reduction_gates(cases.strategy, cases.met, cases.X, evidence.usable, limits)
    return gates + strategy_gates(
        evidence.judged, evidence.comparable, cases.strategy, evidence.met, cases.X, evidence.usable, limits
    )


def _unsettled(
    axes: Axes, gates: tuple[Gate, ...], evidence: Evidence, margin: Margin | None
) -> tuple[Unsettled, ...]:
    """Return what the effects of an axis that is open by its intervals alone would need."""
    closed = {gate.axis for gate in gates}
    pairs = evidence.effects.get("E2" if evidence.asked else "E3", ())
    open_: tuple[Effect, ...] = ()
    if axes.reduction == "undetermined" and not closed & {"reduction", "both"}:
        open_ += evidence.effects.get("E1", ())
    if axes.strategy == "undetermined" and not closed & {"strategy", "both"}:
        open_ += pairs
    return unsettled_effects(open_, margin)


def _counts(evidence: Evidence) -> dict[str, int]:
    """Cases used by the model and cases left out by it, first reason first."""
    missing = ~evidence.has_outcome
    indeterminate = ~missing & ~evidence.labelled
    uncovered = ~missing & ~indeterminate & ~evidence.cases.complete
    return {
        "n_eligible": len(missing),
        "n_used": int((evidence.usable if evidence.asked else evidence.total_usable).sum()),
        "n_outcome_missing": int(missing.sum()),
        "n_indeterminate": int(indeterminate.sum()),
        "n_covariate_missing": int(uncovered.sum()),
    }
