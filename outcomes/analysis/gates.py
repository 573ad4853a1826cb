"""Gates: limits on counts, effective sizes and missing data that close an axis.

Gates close the answer and nothing else: every table and interval is still printed.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.effects import Gate
from outcomes.analysis.support import Comparable, Judged
from outcomes.stats.causal.propensity import fit_propensity
from outcomes.stats.numerics.weights import effective_size

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ObjectArray = NDArray[np.object_]

#: Ridge of the probabilities that decide on support: weak enough that a yes/no covariate which tells two arms of 20
#: cases apart leaves them under the limit of 2.5 %.
SUPPORT_RIDGE = 0.02


def strategy_gates(
    judged: Judged,
    comparable: Mapping[tuple[str, str], Comparable],
    strategy: ObjectArray,
    met: FloatArray | None,
    X: FloatArray,
    usable: BoolArray,
    limits: Mapping[str, float],
) -> tuple[Gate, ...]:
    """Gates of the strategy axis.

    Parameters
    ----------
    judged, comparable
        From :func:`judged_strategies` and :func:`comparable_set`.
    strategy, met : ndarray, shape (n,)
        Eligible cases; `met` is None when reduction is not asked.
    X : ndarray, shape (n, q)
        Covariates without intercept.
    usable : ndarray of bool, shape (n,)
        Cases with covariates, label and outcome known.
    limits : mapping

    Returns
    -------
    tuple of Gate
        The arm of a pair is the users of one strategy with everything known whose covariates leave room for the
        other, weighted to the pair's comparable set: one over the fitted probability of their strategy. Enough of them must have met the criteria, by
        count, and support for both labels is asked by :func:`reduction_gates`.
    """
    gates: list[Gate] = []
    if len(judged.strategies) < 2:
        gates.append(Gate(
            axis="strategy", name="strategies that can be judged", found=len(judged.strategies), limit=2,
            remedy=f"each needs {limits['judged_met_min']:g} cases that met the criteria with the outcome known; "
            "collect more cases or group strategies",
        ))  # fmt: skip
        return tuple(gates)
    if judged.cover < limits["judged_cover_min"]:
        gates.append(Gate(
            axis="strategy", name="share of eligible cases held by judged strategies", found=judged.cover,
            limit=limits["judged_cover_min"], remedy="group the rarer strategies or collect more of them",
        ))  # fmt: skip
    for groups in judged.pairs:
        gates.extend(_pair_gates(groups, comparable[groups], strategy, met, X, usable, limits))
    return tuple(gates)


def _pair_gates(
    groups: tuple[str, str],
    comparable: Comparable,
    strategy: ObjectArray,
    met: FloatArray | None,
    X: FloatArray,
    usable: BoolArray,
    limits: Mapping[str, float],
) -> list[Gate]:
    """Gates of one pair: what the comparable set keeps, and the effective size of both arms."""
    words = f"{groups[0]} and {groups[1]}"
    if comparable.kept < limits["comparable_keep_min"]:
        return [Gate(
            axis="strategy", name=f"share of {words} in patterns where both are used", found=comparable.kept,
            limit=limits["comparable_keep_min"], remedy="these two strategies treat different fractures here: "
            "restrict the question to the patterns they share, or leave the pair out of the plan",
        )]  # fmt: skip
    cases = comparable.cases & usable
    first = strategy[cases] == groups[0]
    if first.all() or not first.any():
        return [Gate(
            axis="strategy", name=f"complete cases of {words}, smaller arm", found=0, limit=limits["arm_effective_min"],
            remedy="one of the two has no case with outcome, label and covariates known: complete the records",
        )]  # fmt: skip
    design = np.column_stack([np.ones(cases.sum()), X[cases]])
    probability_first = fit_propensity(design, first.astype(float), penalty=SUPPORT_RIDGE)
    likeness = np.minimum(probability_first, 1 - probability_first)
    kept = comparable.kept * float((likeness >= limits["propensity_min"]).mean())
    if kept < limits["comparable_keep_min"]:
        return [Gate(
            axis="strategy", name=f"share of {words} whose covariates leave room for the other strategy", found=kept,
            limit=limits["comparable_keep_min"], remedy="hardly any case of one resembles a case of the other: "
            "restrict the question to the fractures they share, or leave the pair out of the plan",
        )]  # fmt: skip
    gates = _too_few_met(groups, comparable.cases & usable, strategy, met, limits)
    for group, probability in ((groups[0], probability_first), (groups[1], 1 - probability_first)):
        arm = (strategy[cases] == group) & (likeness >= limits["propensity_min"])
        weight = 1 / np.maximum(probability, 1e-9)
        size = effective_size(weight[arm]) if arm.any() else 0.0
        needed = max(limits["arm_effective_min"], limits["arm_effective_share_min"] * float(arm.sum()))
        if size < needed:
            more = int(np.ceil(max(arm.sum() * (needed / max(size, 1.0) - 1), needed - size)))
            gates.append(Gate(
                axis="strategy", name=f"effective sample of {group} against the other of {words}",
                found=size, limit=needed, remedy=f"about {more} more cases of {group}, or group strategies",
            ))  # fmt: skip
    return gates


def _too_few_met(
    groups: tuple[str, str],
    cases: BoolArray,
    strategy: ObjectArray,
    met: FloatArray | None,
    limits: Mapping[str, float],
) -> list[Gate]:
    """Gates of arms that lose the cases that met the criteria with the patterns outside the comparable set."""
    gates: list[Gate] = []
    if met is None:
        return gates
    for group in groups:
        count = int((cases & (strategy == group) & (met == 1)).sum())
        if count < limits["judged_met_min"]:
            more = int(limits["judged_met_min"]) - count
            gates.append(Gate(
                axis="strategy", found=count, limit=limits["judged_met_min"],
                name=f"cases of {group} meeting criteria where {groups[0]} and {groups[1]} are both used",
                remedy=f"about {more} more cases of {group} meeting criteria in those patterns, or group strategies",
            ))  # fmt: skip
    return gates


def _probability_met(
    strategy: ObjectArray, met: FloatArray | None, X: FloatArray, usable: BoolArray
) -> FloatArray | None:
    """Fitted probability of meeting the criteria; None when not asked or seen on one side only."""
    if met is None or not usable.any() or met[usable].min() == met[usable].max():
        return None
    levels = sorted(set(strategy[usable].tolist()))
    indicators = [(strategy == level).astype(float) for level in levels[1:]]
    design = np.column_stack([np.ones(len(strategy)), *indicators, X])
    probability = np.full(len(strategy), np.nan)
    probability[usable] = fit_propensity(design[usable], met[usable])
    return probability


def reduction_gates(
    strategy: ObjectArray, met: FloatArray, X: FloatArray, usable: BoolArray, limits: Mapping[str, float]
) -> tuple[Gate, ...]:
    """Gates of the reduction axis: effective size of the cases on either side of the criteria."""
    probability = _probability_met(strategy, met, X, usable)
    gates = []
    for label, value in (("met", 1.0), ("not met", 0.0)):
        side = usable & (met == value)
        size = float(side.sum())
        if probability is not None and side.any():
            chance = probability[side] if value == 1 else 1 - probability[side]
            size = effective_size(1 / np.maximum(chance, 1e-9))
        if size < limits["label_effective_min"]:
            more = int(np.ceil(limits["label_effective_min"] - size))
            gates.append(Gate(
                axis="reduction", name=f"effective sample of cases with criteria {label}", found=size,
                limit=limits["label_effective_min"],
                remedy=f"at least {more} more cases with criteria {label} and the outcome known",
            ))  # fmt: skip
    return tuple(gates)


def data_gates(
    n_eligible: int,
    n_indeterminate: int,
    n_outcome_missing: int,
    limits: Mapping[str, float],
    *,
    unplaced: float = 0.0,
) -> tuple[Gate, ...]:
    """Gates that close both axes: labels that cannot be given, outcomes missing, events that cannot be placed."""
    found = (
        (
            n_indeterminate / n_eligible if n_eligible else 1.0,
            "share of indeterminate reductions",
            "indeterminate_max",
            "measure the missing films",
        ),
        (
            n_outcome_missing / n_eligible if n_eligible else 1.0,
            "share of cases without the outcome",
            "outcome_missing_max",
            "recall the patients not seen",
        ),
        (
            unplaced,
            "share of cases with events that are missing because the kind or date of the event is not known",
            "unplaced_events_max",
            "look up what happened and when; such cases are missing because they had an event, so leaving them out biases",
        ),
    )
    return tuple(
        Gate(axis="both", name=name, found=share, limit=limits[limit], remedy=remedy)
        for share, name, limit, remedy in found
        if share > limits[limit]
    )
