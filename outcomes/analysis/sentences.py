"""The words of an answer: headline, pathway, reasons. No number is rounded here; reports add them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from outcomes.analysis.axes import Axes
from outcomes.analysis.effects import Effect
from outcomes.analysis.evidence import Evidence
from outcomes.analysis.protocol import OutcomePlan, Study
from outcomes.analysis.sample import Measured, StudySample
from outcomes.analysis.states import COUNTS, DOES_NOT_COUNT


def listed(names: Sequence[str], last: str = "and") -> str:
    """Join names as in a sentence.

    Examples
    --------
    >>> listed(["cast", "plate", "pins"])
    'cast, plate and pins'
    """
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def level_of(study: Study) -> str:
    """Name the clusters of a study in the plural.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> level_of(SimpleNamespace(cluster="surgeon"))
    'surgeons'
    """
    return {"patient_id": "patients"}.get(study.cluster, f"{study.cluster}s")


def headline(axes: Axes, evidence: Evidence, plan: OutcomePlan) -> str:
    """One sentence for each axis, naming the strategies it speaks for."""
    if plan.margin is None:
        return "Estimates and intervals are given; without a declared margin there is no answer."
    judged = listed(evidence.judged.strategies) or "no strategy"
    parts = [_reduction_words(axes, evidence)] if evidence.asked else []
    where = "once the criteria were met, " if evidence.asked else "in total, "
    family = evidence.effects.get("E2" if evidence.asked else "E3", ())
    if axes.strategy == "does not count":
        words = f"{where}{judged} did not differ by the margin"
    elif axes.strategy == "counts":
        words = f"{where}strategies differed: {_pair_words(family)}"
    else:
        settled = [e for e in family if e.state != "undetermined" and not axes.gated]
        known = f" (settled: {_pair_words(settled)})" if settled else ""
        few = len(evidence.judged.strategies)
        words = (
            f"{where}these data cannot tell whether {judged} differ by the margin{known}"
            if few > 1
            else f"strategies cannot be compared: {f'only {judged} has' if few else 'none has'} enough cases"
        )
    parts.append(words)
    text = "; ".join(parts)
    if evidence.judged.not_judged:
        text += f". Not judged: {listed(evidence.judged.not_judged)}"
    return text[0].upper() + text[1:] + "."


def _reduction_words(axes: Axes, evidence: Evidence) -> str:
    """Words for the reduction axis."""
    state = axes.reduction
    if state == "counts" and axes.depends:
        amounts = listed(
            [f"{effect.groups[0]} {effect.state}" for effect in evidence.effects.get("E1(s)", ())]
        )
        return f"meeting the criteria counted by an amount that depends on the strategy ({amounts})"
    if state == "counts":
        word = "worse, against expectation" if axes.reversed else "better"
        overall = evidence.effects["E1"][0]
        size = (
            "by more than the margin" if overall.state == "material" else
            "detectably, whether by the margin is not settled"
        )  # fmt: skip
        return f"cases that met the criteria did {word} {size}"
    if state == "does not count":
        return "cases that met the criteria did not differ from the others by the margin"
    return "these data cannot tell whether meeting the criteria matters by the margin"


def _pair_words(effects: Sequence[Effect]) -> str:
    """Words for pairs: which of the two is better, and how far that is settled."""
    words = []
    for effect in effects:
        first, second = effect.groups
        if effect.state in COUNTS:
            better, worse = (first, second) if effect.direction == "better" else (second, first)
            words.append(f"{better} better than {worse} ({effect.state})")
        elif effect.state in DOES_NOT_COUNT:
            words.append(f"{first} and {second} within the margin ({effect.state})")
    return "; ".join(words)


def pathway(axes: Axes) -> str:
    """Say whether the strategies differ in total, and through what."""
    if axes.total == "counts" and axes.strategy == "does not count":
        return "Strategies differ in total, through how often they reach the criteria."
    if axes.total == "counts":
        return "Strategies differ in total."
    if axes.total == "does not count":
        either = " either" if axes.strategy == "does not count" else ""
        return f"Strategies do not differ by the margin in total{either}."
    return "Whether strategies differ in total is undetermined."


def reasons(evidence: Evidence, sample: StudySample, plan: OutcomePlan, axes: Axes) -> tuple[str, ...]:
    """Everything else that must be known beside the answer."""
    found = [f"model of {axis} not fitted: {why}" for axis, why in evidence.failures.items()]
    if plan.margin is not None:
        found += [f"margin declared by the authors ({plan.margin.source})"] if (
            plan.margin.kind == "declared by the authors"
        ) else []  # fmt: skip
        found += [plan.margin.warning] if plan.margin.warning else []
    if axes.reversed:
        found.append("reversed: meeting the criteria counts in the unexpected direction")
    if axes.depends:
        found.append("the effect of meeting the criteria depends on the strategy: E1 is no headline")
    for family in ("E1", "E2"):
        found += [
            f"detectable, below the margin: {effect.estimate.contrast}"
            for effect in evidence.effects.get(family, ())
            if effect.state == "trivial"
        ]
    undecided = [e.estimate.contrast for e in evidence.effects.get("E4", ()) if e.state == "undetermined"]
    if undecided and plan.margin is not None:
        found.append(f"interaction undetermined for {len(undecided)} pairs; it changes nothing in the answer")
    level = level_of(sample.study)
    if evidence.model == "penalised logistic":
        found.append(
            "rare events: penalised fit without interaction, so one common effect of meeting the criteria is assumed "
            f"for all strategies; E4 is not estimable; intervals by bootstrap over {level}"
        )
    if evidence.total_model == "penalised logistic":
        found.append(
            f"rare events: strategies in total by a penalised fit; intervals by bootstrap over {level}"
        )
    if evidence.dropped:
        found.append(
            "covariate columns that do not vary, or that strategy and the other covariates already determine, were left "
            f"out: {listed(evidence.dropped)}"
        )
    found += [
        f"too few cases of {name} on one side of the criteria: its effect of meeting them is one shared with such strategies"
        for name in evidence.shared
    ]
    found += _label_reasons(evidence, sample)
    found += _surgeon_reasons(evidence, sample)
    return tuple(found)


def _label_reasons(evidence: Evidence, sample: StudySample) -> list[str]:
    """Reasons about labels: indeterminate ones, reading error."""
    if not evidence.asked or sample.study.reduction is None:
        return []
    found = []
    n_open = int((~evidence.labelled).sum())
    if n_open and sample.share_met_bounds is not None:
        found.append(
            f"{n_open} of {len(evidence.labelled)} eligible cases have an indeterminate reduction and are left out; "
            "a failure needs one value and a pass needs all, so this over-counts 'not met'"
        )
    error = sample.study.reduction.reading_error
    if error is None:
        found.append(
            "no reading error declared: the answer takes every label as read without error; misreading shrinks the "
            "effect of meeting the criteria"
        )
    else:
        found.append(
            f"declared reading error: the label keeps {error.retained:g} of a true difference ({error.source})"
        )
    return found


def _surgeon_reasons(evidence: Evidence, sample: StudySample) -> list[str]:
    """Say how many surgeons used one judged strategy only: there, surgeon and strategy cannot be told apart."""
    frame = sample.eligible
    if "surgeon" not in frame or not evidence.judged.strategies:
        return []
    used = frame[frame["strategy"].isin(evidence.judged.strategies)].groupby("surgeon")["strategy"].nunique()
    single = int((used == 1).sum())
    if not single:
        return []
    return [
        f"{single} of {len(used)} surgeons used one of the judged strategies only: for their cases surgeon and "
        "strategy cannot be told apart"
    ]


def model(evidence: Evidence, measured: Measured, study: Study) -> str:
    """One sentence naming model, covariates, errors and their correction."""
    adjusted = (*study.covariates, *measured.adjust_for)
    covariates = listed(adjusted) if adjusted else "no covariates (crude)"
    clusters = len(
        np.unique(evidence.cases.cluster[evidence.usable if evidence.asked else evidence.total_usable])
    )
    level = level_of(study)
    if evidence.asked:
        terms = "strategy and reduction" if evidence.model == "penalised logistic" else "strategy x reduction"
        used = evidence.model
    else:
        terms, used = "strategy", evidence.total_model
    if used == "none":
        return "No model could be fitted"
    if used == "raw risks":
        return f"Raw risks of {measured.label} by strategy, without adjustment; {clusters} {level}"
    total = (
        f"; strategies in total (E3) by {evidence.total_model} regression without reduction"
        if evidence.asked
        else ""
    )
    return (
        f"{used.capitalize()} regression of {measured.label} on {terms}, adjusted for {covariates}, standardised to the "
        f"stated population; {clusters} {level} as clusters{total}"
    )
