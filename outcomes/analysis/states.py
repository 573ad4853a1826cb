"""From intervals to words: the state of one effect, and of one axis, by the declared rules.

The 95 % interval (simultaneous where several pairs are judged) decides whether there is an effect; the
ordinary 90 % interval, which is two one-sided tests at 5 % (Schuirmann 1987), decides whether it is smaller
than the margin. No p-value enters.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from outcomes.analysis.effects import AxisState, Effect, State
from outcomes.analysis.protocol import Better
from outcomes.estimates import Estimate

#: States in which an effect counts, and in which it does not.
COUNTS: frozenset[State] = frozenset({"material", "present"})
DOES_NOT_COUNT: frozenset[State] = frozenset({"trivial", "absent"})


def effect_state(estimate: Estimate, ordinary: Estimate, margin: float | None) -> State:
    """Classify one effect against the margin.

    Parameters
    ----------
    estimate : Estimate
        With its 95 % interval.
    ordinary : Estimate
        The same effect with its ordinary 90 % interval.
    margin : float or None
        Size of the margin in the unit of the estimate; None leaves every effect undetermined.

    Returns
    -------
    State
        In this order: *material* (95 % interval wholly beyond the margin on one side), *trivial* (90 %
        interval inside, 95 % interval excludes 0), *absent* (90 % inside, 95 % includes 0), *present* (95 %
        excludes 0), *undetermined*.

    Examples
    --------
    >>> def interval(low, high):
    ...     return Estimate(value=(low + high) / 2, conf_low=low, conf_high=high)
    >>> effect_state(interval(11, 19), interval(12, 18), 10)
    'material'
    >>> effect_state(interval(1, 9), interval(2, 8), 10)
    'trivial'
    >>> effect_state(interval(-4, 4), interval(-3, 3), 10)
    'absent'
    >>> effect_state(interval(2, 14), interval(3, 13), 10)
    'present'
    >>> effect_state(interval(-2, 14), interval(-1, 13), 10)
    'undetermined'
    """
    low, high = estimate.conf_low, estimate.conf_high
    low90, high90 = ordinary.conf_low, ordinary.conf_high
    if margin is None or low is None or high is None or low90 is None or high90 is None:
        return "undetermined"
    excludes_zero = low > 0 or high < 0
    inside = -margin < low90 and high90 < margin
    if low > margin or high < -margin:
        return "material"
    if inside:
        return "trivial" if excludes_zero else "absent"
    return "present" if excludes_zero else "undetermined"


def effect_direction(estimate: Estimate, better: Better) -> Literal["better", "worse", ""]:
    """Return whether the first of the two compared is better or worse for the patient.

    Examples
    --------
    >>> effect_direction(Estimate(value=-3, conf_low=-5, conf_high=-1), "lower")
    'better'
    """
    if estimate.value is None or estimate.value == 0:
        return ""
    return "better" if (estimate.value > 0) == (better == "higher") else "worse"


def pairs_axis(effects: Sequence[Effect]) -> AxisState:
    """State of an axis read from judged pairs.

    *Does not count* needs every pair trivial or absent (intersection-union, Berger 1982); *counts* needs one
    pair material or present.

    Examples
    --------
    >>> pairs_axis(())
    'undetermined'
    """
    if not effects:
        return "undetermined"
    if all(effect.state in DOES_NOT_COUNT for effect in effects):
        return "does not count"
    if any(effect.state in COUNTS for effect in effects):
        return "counts"
    return "undetermined"


def reduction_axis(
    overall: Effect, by_strategy: Sequence[Effect], interaction: Sequence[Effect]
) -> tuple[AxisState, bool]:
    """State of the reduction axis, and whether it depends on the strategy.

    When some interaction pair is material, or E1(s) counts in opposite directions, E1 is no headline and the
    axis counts *by an amount that depends on the strategy*.

    Returns
    -------
    state : AxisState
    depends : bool
    """
    directions = {effect.direction for effect in by_strategy if effect.state in COUNTS}
    if any(effect.state == "material" for effect in interaction) or {"better", "worse"} <= directions:
        return "counts", True
    if overall.state in COUNTS:
        return "counts", False
    if overall.state in DOES_NOT_COUNT:
        return "does not count", False
    return "undetermined", False


#: The answer table: (reduction, strategy) -> words.
ANSWERS: dict[tuple[AxisState, AxisState], str] = {
    ("counts", "does not count"): "reduction, not strategy",
    ("counts", "counts"): "both",
    ("counts", "undetermined"): "these data cannot tell (reduction counts)",
    ("does not count", "does not count"): "neither reaches the margin",
    ("does not count", "counts"): "strategy, not reduction",
    ("does not count", "undetermined"): "these data cannot tell (reduction does not count)",
    ("undetermined", "does not count"): "these data cannot tell (strategies do not count)",
    ("undetermined", "counts"): "these data cannot tell (strategies count)",
    ("undetermined", "undetermined"): "these data cannot tell",
}
