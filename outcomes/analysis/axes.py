"""From effects and gates to the state of each axis and the cell of the answer table, at one margin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from outcomes.analysis.effects import AxisState, Effect, Gate
from outcomes.analysis.evidence import Evidence
from outcomes.analysis.margins import shipped_margins
from outcomes.analysis.protocol import OutcomePlan, ReadingError
from outcomes.analysis.states import (
    ANSWERS,
    COUNTS,
    effect_state,
    pairs_axis,
    reduction_axis,
)
from outcomes.estimates import Margin

__all__ = ["AtMargin", "Axes", "answers_by_margin", "judge_axes", "survives_reading_error"]

#: Multiples of the declared margin at which the answer is repeated.
MULTIPLES = (0.5, 0.75, 1.0, 1.25, 1.5, 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Axes:
    """State of every axis at one margin.

    Attributes
    ----------
    reduction, strategy, total : AxisState
    depends : bool
        The effect of meeting the criteria depends on the strategy; E1 is no headline.
    reversed : bool
        Meeting the criteria counts in the unexpected direction.
    overall : str
        Cell of the answer table.
    gated : bool
        A gate closes the strategy axis: no pair of it may be called settled.
    """

    reduction: AxisState
    strategy: AxisState
    total: AxisState
    depends: bool
    reversed: bool
    overall: str
    gated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AtMargin:
    """What the answer would be at another margin: its size, where it comes from, and the answer."""

    margin: Margin
    overall: str


def judge_axes(
    evidence: Evidence,
    effects: Mapping[str, tuple[Effect, ...]],
    gates: Sequence[Gate],
    margin: Margin | None,
    error: ReadingError | None,
) -> Axes:
    """Read effects and gates as the state of each axis.

    Parameters
    ----------
    evidence : Evidence
        For who was judged and whether reduction is asked.
    effects : mapping of family to tuple of Effect
        Read against `margin`.
    gates : sequence of Gate
    margin : Margin or None
        None leaves every axis undetermined.
    error : ReadingError or None
        *Does not count* on the reduction axis must survive it.
    """
    n_pairs = len(evidence.judged.pairs)
    reduction, depends = _reduction(evidence, effects, gates, margin, error)
    strategy = _pairs(effects.get("E2" if evidence.asked else "E3", ()), n_pairs, gates)
    total = _pairs(effects.get("E3", ()), n_pairs, gates)
    return Axes(
        reduction=reduction, strategy=strategy, total=total, depends=depends,
        reversed=reduction == "counts" and _is_reversed(effects, depends=depends),
        overall=_overall(reduction, strategy, margin), gated=_closed(gates, "strategy"),
    )  # fmt: skip


def answers_by_margin(
    evidence: Evidence, gates: Sequence[Gate], plan: OutcomePlan, error: ReadingError | None
) -> tuple[AtMargin, ...]:
    """Repeat the answer from half to twice the declared margin, and over every shipped margin in its unit.

    Effects and intervals stay; only what they are read against changes.
    """
    declared = plan.margin
    if declared is None:
        return ()
    margins = [
        replace(declared, value=factor * declared.value, source=f"{factor:g} times the declared margin")
        for factor in MULTIPLES
    ]
    margins += [each for each in shipped_margins(plan.name) if each.unit == declared.unit]
    return tuple(
        AtMargin(
            margin=each,
            overall=judge_axes(evidence, _read_again(evidence.effects, each), gates, each, error).overall,
        )
        for each in margins
    )


def _read_again(effects: Mapping[str, tuple[Effect, ...]], margin: Margin) -> dict[str, tuple[Effect, ...]]:
    """Return the effects with their state against another margin."""
    return {
        family: tuple(replace(e, state=effect_state(e.estimate, e.ordinary, margin.value)) for e in found)
        for family, found in effects.items()
    }


def _closed(gates: Sequence[Gate], axis: str) -> bool:
    """Whether a gate closes this axis."""
    return any(gate.axis in (axis, "both") for gate in gates)


def _reduction(
    evidence: Evidence,
    effects: Mapping[str, tuple[Effect, ...]],
    gates: Sequence[Gate],
    margin: Margin | None,
    error: ReadingError | None,
) -> tuple[AxisState, bool]:
    """Return the state of the reduction axis, and whether it depends on the strategy."""
    if not evidence.asked:
        return "not asked", False
    overall = next(iter(effects.get("E1", ())), None)
    if overall is None or margin is None or _closed(gates, "reduction"):
        return "undetermined", False
    # strategies that cannot be compared cannot be said to differ in what meeting the criteria does either
    interaction = () if _closed(gates, "strategy") else effects.get("E4", ())
    state, depends = reduction_axis(overall, effects.get("E1(s)", ()), interaction)
    if state == "does not count" and error is not None and not survives_reading_error(overall, margin, error):
        return "undetermined", depends
    return state, depends


def survives_reading_error(effect: Effect, margin: Margin, error: ReadingError) -> bool:
    """Whether an effect inside the margin stays inside when misreading of the label is undone.

    A misread label keeps only a share of a true difference, so limits are divided by that share.

    Examples
    --------
    >>> from outcomes.estimates import Estimate
    >>> inside = Estimate(value=1, conf_low=-3, conf_high=5, level=0.90)
    >>> effect = Effect(estimand="E1", groups=(), estimate=inside, ordinary=inside, state="absent",
    ...                 direction="better", population="all")
    >>> margin = Margin(value=10, unit="", source="declared by the authors: example")
    >>> survives_reading_error(effect, margin, ReadingError(retained=0.4, source="example"))
    False
    """
    low, high = effect.ordinary.conf_low, effect.ordinary.conf_high
    if low is None or high is None:
        return False
    return -margin.value < low / error.retained and high / error.retained < margin.value


def _pairs(effects: Sequence[Effect], n_pairs: int, gates: Sequence[Gate]) -> AxisState:
    """State of an axis of pairs; a gate, or a pair without an estimate, leaves it undetermined."""
    if _closed(gates, "strategy") or len(effects) < n_pairs:
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


def _is_reversed(effects: Mapping[str, tuple[Effect, ...]], *, depends: bool) -> bool:
    """Whether meeting the criteria counts as worse for the patient, overall or under some strategy."""
    read = effects.get("E1(s)" if depends else "E1", ())
    return any(effect.direction == "worse" and effect.state in COUNTS for effect in read)
