"""Reduction or implant: the answer, assembled from the estimands and the declared rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from outcomes.analysis import sentences
from outcomes.analysis.effects import AxisState, Effect, Gate, OutOfComparison, State
from outcomes.analysis.evidence import Evidence, gather_evidence
from outcomes.analysis.met_share import standardised_share_met
from outcomes.analysis.protocol import OutcomePlan, ReadingError
from outcomes.analysis.sample import StudySample
from outcomes.analysis.states import ANSWERS, DOES_NOT_COUNT, pairs_axis, reduction_axis
from outcomes.analysis.support import data_gates, reduction_gates, strategy_gates
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
    gates = _gates(evidence)
    reduction_state, depends = _reduction_state(evidence, gates, plan, sample)
    strategy_state = _strategy_state(evidence, gates)
    total_state = _total_state(evidence, gates)
    overall = _overall(reduction_state, strategy_state, plan.margin)
    effects = evidence.effects
    reduction = next(iter(effects.get("E1", ())), None)
    reversed_ = (
        reduction is not None and reduction_state == "counts" and _is_reversed(reduction, effects, depends)
    )
    shares = standardised_share_met(evidence.cases, evidence.labelled) if evidence.asked else {}
    shares = {name: shares[name] for name in evidence.judged.strategies if name in shares}
    counts = _counts(evidence)
    return Answer(
        outcome=key, label=measured.label, unit=measured.unit, role=plan.role, margin=plan.margin, **counts,
        population="eligible cases of the study", reduction_state=reduction_state, strategy_state=strategy_state,
        total_state=total_state, overall=overall,
        headline=sentences.headline(reduction_state, strategy_state, depends, reversed_, evidence, plan),
        reduction=reduction, reduction_by_strategy=effects.get("E1(s)", ()), pairs=effects.get("E2", ()),
        pairs_not_met=effects.get("E2 at not met", ()), total_pairs=effects.get("E3", ()),
        interaction=effects.get("E4", ()), judged=evidence.judged.strategies,
        not_judged=evidence.judged.not_judged, share_met=shares,
        pathway=sentences.pathway(strategy_state, total_state) if evidence.asked and plan.margin else "", gates=gates,
        outside=tuple(row for pair in evidence.comparable.values() for row in pair.outside),
        reasons=sentences.reasons(evidence, sample, plan, depends=depends, reversed_=reversed_),
        reversed=reversed_, model=sentences.model(evidence, measured, sample.study),
    )  # fmt: skip


def _gates(evidence: Evidence) -> tuple[Gate, ...]:
    """All gates of the outcome; those of reduction only when it is asked."""
    cases, limits = evidence.cases, evidence.limits
    n = len(cases.strategy)
    gates = data_gates(n, int((~evidence.labelled).sum()), int((~evidence.has_outcome).sum()), limits)
    if evidence.asked:
        gates += reduction_gates(cases.strategy, cases.met, cases.X, evidence.usable, limits)
    return gates + strategy_gates(
        evidence.judged, evidence.comparable, cases.strategy, evidence.met, cases.X, evidence.usable, limits
    )


def _closed(gates: tuple[Gate, ...], axis: str) -> bool:
    """Whether a gate closes this axis."""
    return any(gate.axis in (axis, "both") for gate in gates)


def _reduction_state(
    evidence: Evidence, gates: tuple[Gate, ...], plan: OutcomePlan, sample: StudySample
) -> tuple[AxisState, bool]:
    """Return the state of the reduction axis, and whether it depends on the strategy."""
    if not evidence.asked:
        return "not asked", False
    overall = next(iter(evidence.effects.get("E1", ())), None)
    if overall is None or plan.margin is None or _closed(gates, "reduction"):
        return "undetermined", False
    state, depends = reduction_axis(
        overall, evidence.effects.get("E1(s)", ()), evidence.effects.get("E4", ())
    )
    reduction = sample.study.reduction
    error = None if reduction is None else reduction.reading_error
    if (
        state == "does not count"
        and error is not None
        and not survives_reading_error(overall, plan.margin, error)
    ):
        return "undetermined", depends
    return state, depends


def survives_reading_error(effect: Effect, margin: Margin, error: ReadingError) -> bool:
    """Whether an effect inside the margin stays inside when misreading of the label is undone.

    A misread label keeps only a share of a true difference, so limits are divided by that share.

    Examples
    --------
    >>> inside = Estimate(value=1, conf_low=-3, conf_high=5, level=0.90)
    >>> effect = Effect(estimand="E1", groups=(), estimate=inside, ordinary=inside, state="absent",
    direction="better", ...                 population="all")
    >>> margin = Margin(value=10, unit="", source="declared by the authors: example")
    >>> survives_reading_error(effect, margin, ReadingError(retained=0.4, source="example"))
    False
    """
    low, high = effect.ordinary.conf_low, effect.ordinary.conf_high
    if low is None or high is None:
        return False
    return -margin.value < low / error.retained and high / error.retained < margin.value


def _strategy_state(evidence: Evidence, gates: tuple[Gate, ...]) -> AxisState:
    """State of the strategy axis, from E2 at met; from E3 when reduction is not asked."""
    family = "E2" if evidence.asked else "E3"
    effects = evidence.effects.get(family, ())
    if _closed(gates, "strategy") or len(effects) < len(evidence.judged.pairs):
        return "undetermined"
    return pairs_axis(effects)


def _total_state(evidence: Evidence, gates: tuple[Gate, ...]) -> AxisState:
    """State of the strategies in total; the gates are those of the pairs, the same cases are compared."""
    effects = evidence.effects.get("E3", ())
    if _closed(gates, "strategy") or len(effects) < len(evidence.judged.pairs):
        return "undetermined"
    return pairs_axis(effects)


def _overall(reduction: AxisState, strategy: AxisState, margin: Margin | None) -> str:
    """Cell of the answer table, or why there is none."""
    if margin is None:
        return "no answer: margin not declared"
    if reduction == "not asked":
        return {
            "counts": "strategies differ in total; reduction not asked",
            "does not count": "strategies do not differ by the margin in total; reduction not asked",
        }.get(strategy, "these data cannot tell; reduction not asked")
    return ANSWERS[reduction, strategy]


def _is_reversed(overall: Effect, effects: Mapping[str, tuple[Effect, ...]], depends: bool) -> bool:
    """Whether meeting the criteria counts as worse for the patient, overall or under some strategy."""
    counted = effects.get("E1(s)", ()) if depends else (overall,)
    return any(
        effect.direction == "worse" and effect.state not in DOES_NOT_COUNT and effect.state != "undetermined"
        for effect in counted
    )


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
