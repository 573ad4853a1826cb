"""Trim and fill: how the mean would move were the studies mirrored about it.

A sensitivity analysis, not a correction: it takes asymmetry for unpublished studies, whatever its cause.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.pooling.heterogeneity import TauMethod, check_studies, tau_squared, weighted_fit
from outcomes.stats.pooling.pooled_effect import IntervalMethod, Model, Pooled, pool

Side = Literal["auto", "left", "right"]
CAUTION = (
    "trim and fill assumes that asymmetry comes from unpublished studies and misleads when studies differ; "
    "read it as a sensitivity analysis, never as the corrected effect"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimAndFill:
    """The pooled result with mirrored studies added, beside the one without.

    Attributes
    ----------
    added : int
        Studies added, by the estimator L0.
    std_error : float
        Standard error of the number missing.
    side : {"left", "right"}
        Where studies were added.
    filled, original : Pooled
    caution : str
    """

    added: int
    std_error: float
    side: str
    filled: Pooled
    original: Pooled
    caution: str = CAUTION

    def tidy(self) -> pd.DataFrame:
        """Return one row without and one with the added studies, with the common column names."""
        rows = [
            result.tidy().assign(group=group, added=added).to_dict("records")[0]
            for group, result, added in (("as found", self.original, 0), ("filled", self.filled, self.added))
        ]
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper, with its caution."""
        studies = "study" if self.added == 1 else "studies"
        return (
            f"{self.added} {studies} added on the {self.side} (SE {self.std_error:.2g}): {self.filled.estimate}; "
            f"as found {self.original.estimate}; {self.caution}"
        )


def trim_and_fill(
    values: ArrayLike,
    std_errors: ArrayLike,
    *,
    side: Side = "auto",
    model: Model = "random",
    tau2: TauMethod = "REML",
    interval: IntervalMethod = "Hartung-Knapp",
    level: float = 0.95,
    ratio: bool = False,
    names: Sequence[str] | None = None,
    contrast: str = "",
    unit: str = "",
) -> TrimAndFill:
    """Add mirror images of the studies that stand out on one side, and pool again.

    Parameters
    ----------
    values, std_errors, model, tau2, interval, level, ratio, names, contrast, unit
        As for :func:`outcomes.stats.pooling.pooled_effect.pool`.
    side : {"auto", "left", "right"}
        Where studies are thought missing. "auto": left when effects rise with their standard errors (slope
        of a line fitted with the same weights), right when they fall.

    Returns
    -------
    TrimAndFill
        Not recommended as a correction: with heterogeneity it adds studies where none are missing, and too
        few where many are (Peters 2007). The result carries that caution.

    Raises
    ------
    EstimationError
        With fewer than 3 studies, an unusable one, "auto" where all errors are the same, or when the search
        goes back and forth between two numbers of studies.

    References
    ----------
    Duval S, Tweedie R. Biometrics 2000; 56: 455-463 (estimator L0). Caution: Peters JL, Sutton AJ, Jones DR,
    Abrams KR, Rushton L. Statistics in Medicine 2007; 26: 4544-4562.

    Examples
    --------
    One large study near 0 and three small ones to its right: L0 = (4 x (2 + 3 + 4) - 4 x 5) / 7, rounded:

    >>> found = trim_and_fill([0, 1, 2, 3], [0.01, 1, 1, 1], side="left", model="fixed", names="abcd")
    >>> found.added, found.filled.names
    (2, ('a', 'b', 'c', 'd', 'mirror of d', 'mirror of c'))
    """
    check_choice(side, ("auto", "left", "right"), "side")
    y, se = check_studies(values, std_errors, names)
    labels = tuple(names) if names is not None else tuple(f"study {i + 1}" for i in range(y.size))

    def pooled(effects: FloatArray, errors: FloatArray, called: Sequence[str]) -> Pooled:
        return pool(
            effects, errors, model=model, tau2=tau2, interval=interval, level=level, ratio=ratio, names=called,
            contrast=contrast, unit=unit,
        )  # fmt: skip

    original = pooled(y, se, labels)
    if y.size < 3:
        raise EstimationError(f"{y.size} studies: trim and fill needs at least 3", code="too_few")
    where = _side(y, se, model, tau2) if side == "auto" else side
    sign = -1.0 if where == "right" else 1.0  # mirrored so that studies are always missing on the left
    # equal effects in the order of their errors and then as given, so that ties do not depend on the order
    order = np.lexsort((se, sign * y))
    added, error, centre = _missing(sign * y[order], se[order], model, tau2, where)
    mirrored = order[::-1][:added]
    filled = pooled(
        np.concatenate([y, sign * 2 * centre - y[mirrored]]), np.concatenate([se, se[mirrored]]),
        [*labels, *(f"mirror of {labels[i]}" for i in mirrored)],
    ) if added else original  # fmt: skip
    return TrimAndFill(added=added, std_error=error, side=where, filled=filled, original=original)


def _side(y: FloatArray, se: FloatArray, model: Model, tau2: TauMethod) -> Literal["left", "right"]:
    """Return where studies are missing by the slope of effects on their standard errors."""
    width = float(np.ptp(se))
    if width <= 8 * np.finfo(np.float64).eps * float(se.max()):
        raise EstimationError(
            'all standard errors are the same: they do not tell the side; give side "left" or "right"',
            code="constant",
        )
    X = np.column_stack([np.ones_like(se), (se - float(se.mean())) / width])
    between = tau_squared(y, se, method=tau2, design=X) if model == "random" else 0.0
    return "right" if float(weighted_fit(y, se**2, X, between).beta[1]) < 0 else "left"


def _centre(y: FloatArray, se: FloatArray, model: Model, tau2: TauMethod) -> float:
    """Return the pooled mean of the studies that were not trimmed."""
    X = np.ones((y.size, 1))
    between = tau_squared(y, se, method=tau2) if model == "random" and y.size > 1 else 0.0
    return float(weighted_fit(y, se**2, X, between).beta[0])


def _missing(
    y: FloatArray, se: FloatArray, model: Model, tau2: TauMethod, where: str
) -> tuple[int, float, float]:
    """Return the number missing on the left, its standard error and the trimmed mean; `y` ascends."""
    k, found = y.size, 0
    tried: list[int] = []
    variance = centre = 0.0
    while not tried or found != tried[-1]:
        if found in tried:  # each number leads to one other, so it would go on for ever
            raise EstimationError(
                f"trim and fill goes back and forth between {found} and {tried[-1]} studies on the {where}: no result",
                code="no_convergence",
            )
        tried.append(found)
        centre = _centre(y[: k - found], se[: k - found], model, tau2)
        deviation = y - centre
        ranks = np.empty(k)
        ranks[np.argsort(np.abs(deviation), kind="stable")] = np.arange(1, k + 1)
        right = float(ranks[deviation > 0].sum())
        estimate = (4 * right - k * (k + 1)) / (2 * k - 1)
        # at most k - 1, so that a study is left to be the middle
        found = min(max(0, round(estimate)), k - 1)
        c = estimate
        variance = (
            k * (k + 1) * (2 * k + 1) + 10 * c**3 + 27 * c**2 + 17 * c - 18 * k * c**2 - 18 * k * c
            + 6 * k**2 * c
        ) / 24  # fmt: skip
    return found, 4 * math.sqrt(max(0.0, variance)) / (2 * k - 1), centre
