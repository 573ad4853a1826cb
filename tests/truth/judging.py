"""Judge answers against a known truth: which claims are false, which answers are right.

*Wrong* is a claim that is false of the truth for the judged strategies: *counts* when the effect is 0 or of the
opposite sign, *material* when it is within the margin, *does not count* when it is beyond it. Claims made inside
a *cannot tell (...)* are held to the same rule.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from outcomes.analysis.answer import Answer
from outcomes.analysis.effects import Effect


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """One answer held against the truth.

    ``covered`` maps a kind of interval to (intervals that hold the truth, intervals).
    """

    right: bool
    cannot_tell: bool
    reduction_wrong: bool
    strategy_wrong: bool
    gated: bool
    overall: str
    covered: Mapping[str, tuple[int, int]]
    estimate: float


def judge(answer: Answer, truth: Mapping[str, Any]) -> Judgement:
    """Hold one answer against the true effects of its scenario."""
    margin = float(truth["margin"])
    pairs = {(row["first"], row["second"]): row for row in truth["pairs"]}
    at_met = [_true_pair(pairs, effect, "E2_met") for effect in answer.pairs]
    return Judgement(
        right=answer.overall == truth["states"]["overall"],
        cannot_tell=answer.overall.startswith("these data cannot tell"),
        reduction_wrong=_reduction_wrong(answer, truth, margin, pairs),
        strategy_wrong=_strategy_wrong(answer, at_met, margin),
        gated=bool(answer.gates),
        overall=answer.overall,
        covered=_covered(answer, truth, at_met),
        estimate=float("nan")
        if answer.reduction is None
        else float(answer.reduction.estimate.value or "nan"),
    )


def _true_pair(
    pairs: Mapping[tuple[str, str], Mapping[str, float]], effect: Effect, key: str
) -> float | None:
    """Return the true effect of a pair in the direction of the estimate; None where no population has support."""
    first, second = effect.groups
    sign, row = (1, pairs[first, second]) if (first, second) in pairs else (-1, pairs[second, first])
    return sign * float(row[key]) if key in row else None


def claim_is_false(effect: Effect, true: float | None, margin: float) -> bool:
    """Whether the state claimed for one effect is false of its true value; without a truth every claim is."""
    value = effect.estimate.value
    if true is None:
        return effect.state != "undetermined"
    if effect.state in ("material", "present") and (true == 0 or value is None or true * value < 0):
        return True
    if effect.state == "material":
        return abs(true) <= margin
    return effect.state in ("trivial", "absent") and abs(true) > margin


def _reduction_wrong(
    answer: Answer, truth: Mapping[str, Any], margin: float, pairs: Mapping[Any, Any]
) -> bool:
    """Whether the reduction axis makes a false claim."""
    if answer.reduction is None or answer.reduction_state not in ("counts", "does not count"):
        return False
    if "depends on the strategy" in answer.headline:
        by_strategy = truth["E1_by_strategy"]
        said = [
            claim_is_false(effect, float(by_strategy[effect.groups[0]]), margin)
            for effect in answer.reduction_by_strategy
            if effect.state in ("material", "present")
        ]
        interaction = [
            claim_is_false(effect, _true_pair(pairs, effect, "E4"), margin)
            for effect in answer.interaction
            if effect.state == "material"
        ]
        return any(said) or any(interaction)
    return claim_is_false(answer.reduction, float(truth["E1"]), margin)


def _strategy_wrong(answer: Answer, at_met: Sequence[float | None], margin: float) -> bool:
    """Whether the strategy axis makes a false claim; pairs named as settled inside a *cannot tell* are claims too."""
    if answer.strategy_state == "does not count":
        return any(true is None or abs(true) > margin for true in at_met)
    if answer.strategy_state == "counts" or "(settled:" in answer.headline:
        return any(
            claim_is_false(effect, true, margin)
            for effect, true in zip(answer.pairs, at_met, strict=True)
            if effect.state != "undetermined"
            and (effect.state in ("material", "present") or "settled" in answer.headline)
        )
    return False


def _covered(
    answer: Answer, truth: Mapping[str, Any], at_met: Sequence[float | None]
) -> dict[str, tuple[int, int]]:
    """Count intervals that hold the truth: E1 at 95 %, E2 simultaneously at 95 %, E2 singly at 90 %."""

    def holds(low: float | None, high: float | None, true: float | None) -> bool:
        return true is not None and low is not None and high is not None and low <= true <= high

    found: dict[str, tuple[int, int]] = {}
    if answer.reduction is not None:
        estimate = answer.reduction.estimate
        found["E1, 95 %"] = (int(holds(estimate.conf_low, estimate.conf_high, float(truth["E1"]))), 1)
    if answer.pairs and None not in at_met:
        wide = [
            holds(effect.estimate.conf_low, effect.estimate.conf_high, true)
            for effect, true in zip(answer.pairs, at_met, strict=True)
        ]
        single = [
            holds(effect.ordinary.conf_low, effect.ordinary.conf_high, true)
            for effect, true in zip(answer.pairs, at_met, strict=True)
        ]
        found["E2, 95 % simultaneous"] = (int(all(wide)), 1)
        found["E2, 90 % single"] = (sum(single), len(single))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Shares over many cohorts of one scenario and size."""

    scenario: str
    n: int
    n_cohorts: int
    expected: str
    right: float
    cannot_tell: float
    reduction_wrong: float
    strategy_wrong: float
    gated: float
    mean_estimate: float
    true_estimate: float
    coverage: Mapping[str, float]
    answers: Mapping[str, int]


def summarise(scenario: str, n: int, judgements: Sequence[Judgement], truth: Mapping[str, Any]) -> Summary:
    """Summarise the judgements of one scenario and size."""
    total = len(judgements)

    def share(name: str) -> float:
        return sum(bool(getattr(each, name)) for each in judgements) / total

    counted: dict[str, list[int]] = {}
    answers: dict[str, int] = {}
    for each in judgements:
        answers[each.overall] = answers.get(each.overall, 0) + 1
        if each.gated:  # coverage is promised where no gate fires
            continue
        for kind, (inside, of) in each.covered.items():
            pair = counted.setdefault(kind, [0, 0])
            pair[0] += inside
            pair[1] += of
    return Summary(
        scenario=scenario, n=n, n_cohorts=total, expected=str(truth["states"]["overall"]), right=share("right"),
        cannot_tell=share("cannot_tell"), reduction_wrong=share("reduction_wrong"),
        strategy_wrong=share("strategy_wrong"), gated=share("gated"),
        mean_estimate=sum(each.estimate for each in judgements) / total, true_estimate=float(truth["E1"]),
        coverage={kind: inside / of for kind, (inside, of) in counted.items()}, answers=answers,
    )  # fmt: skip


#: Scenarios in which silence must not pass: at least half right at 1,000 cases.
MUST_SPEAK = ("reduction_only", "strategy_only", "both", "neither")


def failings(summary: Summary) -> list[str]:
    """Return which of the declared bars a summary fails, in words.

    Wrong claims per axis: nominally 5 %; the bar adds three Monte Carlo errors, which is 9.6 % of 200 cohorts. Right
    answers: at least half at 1,000 cases and four fifths at 3,000 where an answer exists. Gates: in at most 5 % of
    cohorts with good overlap at 1,000 or more. Coverage: 93 to 97 %, with three Monte Carlo errors. No overlap: the
    strategy axis is silent in 95 %.
    """
    error = 3 * (0.05 * 0.95 / summary.n_cohorts) ** 0.5
    bar = 0.05 + error
    found = [
        f"{summary.scenario}, n = {summary.n}: {axis} axis wrong in {share:.1%}, at most {bar:.1%}"
        for axis, share in (("reduction", summary.reduction_wrong), ("strategy", summary.strategy_wrong))
        if share > bar
    ]
    if summary.scenario in MUST_SPEAK and summary.n >= 1000 and summary.right < 0.5:
        found.append(f"{summary.scenario}, n = {summary.n}: right in {summary.right:.1%}, at least 50 %")
    if summary.scenario in MUST_SPEAK and summary.n >= 3000 and summary.right < 0.8:
        found.append(f"{summary.scenario}, n = {summary.n}: right in {summary.right:.1%}, at least 80 %")
    if summary.scenario in MUST_SPEAK and summary.n >= 1000 and summary.gated > bar:
        found.append(f"{summary.scenario}, n = {summary.n}: a gate in {summary.gated:.1%}, at most {bar:.1%}")
    for kind, share in summary.coverage.items():
        nominal = 0.90 if "90 %" in kind else 0.95
        if "reading_error" not in summary.scenario and abs(share - nominal) > 0.02 + error:
            found.append(f"{summary.scenario}, n = {summary.n}: {kind} covers in {share:.1%}")
    if summary.scenario == "no_overlap" and summary.cannot_tell < 0.95:
        found.append(f"no_overlap, n = {summary.n}: cannot tell in {summary.cannot_tell:.1%}, at least 95 %")
    return found
