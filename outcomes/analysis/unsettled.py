"""What an axis that stays open would need: for every effect that is not settled, how much narrower its interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.analysis.effects import Effect
from outcomes.estimates import Margin


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsettled:
    """An effect whose intervals are too wide for any state, with the cases that would settle it.

    Attributes
    ----------
    contrast : str
        What is subtracted from what.
    half_width : float
        Half the width of the interval that is nearest to settling the effect, in the unit of the outcome.
    needed : float
        Half-width at which the effect would be settled if its estimate stayed where it is.
    n, n_needed : int
        Cases behind the estimate, and about how many would give that half-width.
    settles_as : str
        What it would then be: ``"inside the margin"`` (90 % interval) or ``"different from 0"`` (95 % interval).
    """

    contrast: str
    half_width: float
    needed: float
    n: int
    n_needed: int
    settles_as: str

    def __str__(self) -> str:
        """Return the sentence with number, limit and remedy."""
        return (
            f"{self.contrast}: half-width {self.half_width:.3g}, needs {self.needed:.3g} to be {self.settles_as}: about "
            f"{self.n_needed} such cases instead of {self.n}, if the estimate stays"
        )


def unsettled_effects(effects: Sequence[Effect], margin: Margin | None) -> tuple[Unsettled, ...]:
    """Say for every undetermined effect what would settle it.

    An effect inside the margin needs a 90 % interval that fits inside it; any effect that is not 0 needs a 95 %
    interval that excludes 0. The cheaper of the two is named. Half-widths shrink with the root of the number of
    cases. Nothing is said of an effect without an interval; its reason is in the estimate.

    Examples
    --------
    >>> from outcomes.estimates import Estimate
    >>> wide = Estimate(value=2.0, conf_low=-10.0, conf_high=14.0, contrast="a minus b", n=100)
    >>> narrow = Estimate(value=2.0, conf_low=-8.0, conf_high=12.0, level=0.90, n=100)
    >>> effect = Effect(estimand="E2", groups=("a", "b"), estimate=wide, ordinary=narrow, state="undetermined",
    ...                 direction="better", population="all")
    >>> margin = Margin(value=10, unit="", source="declared by the authors: example")
    >>> print(unsettled_effects([effect], margin)[0])
    a minus b: half-width 10, needs 8 to be inside the margin: about 157 such cases instead of 100, if the estimate stays
    """
    if margin is None:
        return ()
    return tuple(
        found
        for effect in effects
        if effect.state == "undetermined" and (found := _needed(effect, margin.value)) is not None
    )


def _needed(effect: Effect, margin: float) -> Unsettled | None:
    """Return the cheaper way to settle one effect."""
    shown, ordinary = effect.estimate, effect.ordinary
    if shown.value is None or None in (
        shown.conf_low,
        shown.conf_high,
        ordinary.conf_low,
        ordinary.conf_high,
    ):
        return None
    size = abs(shown.value)
    ways = []
    for estimate, needed, words in (
        (ordinary, margin - size, "inside the margin"),
        (shown, size, "different from 0"),
    ):
        half = _half_width(estimate.conf_low, estimate.conf_high)
        if needed > 0 and half is not None:
            ways.append((max(half / needed, 1.0) ** 2, half, needed, words))
    if not ways:
        return None
    factor, half, needed, words = min(ways)
    # one case more than the bound, so that the interval is inside and not on the limit
    n_needed = int(np.floor(factor * shown.n)) + 1
    return Unsettled(
        contrast=shown.contrast,
        half_width=half,
        needed=needed,
        n=shown.n,
        n_needed=n_needed,
        settles_as=words,
    )


def _half_width(low: float | None, high: float | None) -> float | None:
    """Return half the width of an interval with both limits."""
    return None if low is None or high is None else (high - low) / 2
