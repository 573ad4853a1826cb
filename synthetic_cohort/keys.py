"""From true effects to right answers: the reading rules, applied to numbers without any error.

With the truth known nothing is undetermined but what has no support: an effect of 0 is *absent*, one within
the margin *trivial*, one at or beyond it *material*. The words are those of the answer table.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

State = Literal["absent", "trivial", "material", "undetermined"]
AxisState = Literal["counts", "does not count", "undetermined"]
ZERO = 5e-3
"""What `truth.toml` prints as 0 is 0. Effects planted as 0 come out as 0 to rounding, since both arms meet the
same luck; only a bound of the scale, which a few cases in ten thousand reach, can leave a trace."""

OVERALL: dict[tuple[AxisState, AxisState], str] = {
    ("counts", "does not count"): "reduction, not strategy",
    ("counts", "counts"): "both",
    ("does not count", "does not count"): "neither reaches the margin",
    ("does not count", "counts"): "strategy, not reduction",
    ("counts", "undetermined"): "these data cannot tell (reduction counts)",
    ("does not count", "undetermined"): "these data cannot tell (reduction does not count)",
}


def state_of(effect: float | None, margin: float) -> State:
    """Return the state of a true effect.

    Examples
    --------
    >>> state_of(0.0, 10), state_of(-4.0, 10), state_of(15.0, 10), state_of(None, 10)
    ('absent', 'trivial', 'material', 'undetermined')
    """
    if effect is None:
        return "undetermined"
    if abs(effect) < ZERO:
        return "absent"
    return "trivial" if abs(effect) < margin else "material"


def reduction_axis(
    overall: float, by_strategy: Sequence[float], interaction: Sequence[float | None], margin: float
) -> tuple[AxisState, str]:
    """Return the state of the reduction axis and the remark on interaction.

    Examples
    --------
    >>> reduction_axis(15.0, [15.0, 15.0], [0.0], 10)
    ('counts', 'none')
    >>> reduction_axis(11.0, [0.0, 20.0], [-20.0], 10)
    ('counts', 'by an amount that depends on the strategy')
    """
    signs = {effect > 0 for effect in by_strategy if abs(effect) >= margin}
    states = [state_of(effect, margin) for effect in interaction]
    if "material" in states or len(signs) == 2:
        return "counts", "by an amount that depends on the strategy"
    remark = (
        "not estimable" if "undetermined" in states else "below the margin" if "trivial" in states else "none"
    )
    return ("counts" if abs(overall) >= margin else "does not count"), remark


def pairs_axis(effects: Sequence[float | None], margin: float) -> AxisState:
    """Return the state of an axis read from pairs of strategies.

    Examples
    --------
    >>> pairs_axis([0.0, 3.0], 10), pairs_axis([0.0, 16.0], 10), pairs_axis([None], 10)
    ('does not count', 'counts', 'undetermined')
    """
    states = [state_of(effect, margin) for effect in effects]
    if "material" in states:
        return "counts"
    return "undetermined" if not states or "undetermined" in states else "does not count"


def pathway(total: AxisState, strategy: AxisState) -> str:
    """Return what the total effects say beside the answer.

    Examples
    --------
    >>> pathway("counts", "does not count")
    'strategies differ in total, through how often they reach the criteria'
    """
    if total == "undetermined":
        return "total differences undetermined"
    if total == "does not count":
        return "nor in total" if strategy == "does not count" else "strategies do not differ in total"
    if strategy == "does not count":
        return "strategies differ in total, through how often they reach the criteria"
    return "strategies differ in total"
