"""Simple bias analysis: what an unmeasured yes/no confounder of stated strength would do to an estimate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_choice

BiasMeasure = Literal["difference", "ratio"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BiasAnalysis:
    """An estimate corrected for each strength of an unmeasured confounder.

    Attributes
    ----------
    measure : {"difference", "ratio"}
    observed : Estimate
    in_exposed, in_unexposed, effects : tuple of float
        Prevalence of the confounder in both groups and its effect on the outcome, one a row.
    corrected : tuple of Estimate
        One a row; limits are corrected alike, the strengths being assumed, not estimated.
    bias : tuple of float
        What was subtracted, or divided by.
    """

    measure: str
    observed: Estimate
    in_exposed: tuple[float, ...]
    in_unexposed: tuple[float, ...]
    effects: tuple[float, ...]
    corrected: tuple[Estimate, ...]
    bias: tuple[float, ...]

    def tidy(self) -> pd.DataFrame:
        """Return one row a strength."""
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "prevalence_exposed": p1, "prevalence_unexposed": p0,
                    "effect_of_confounder": g, "bias": b, "estimate": e.value, "std_error": e.std_error,
                    "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n,
                    "n_missing": e.n_missing,
                }
                for p1, p0, g, b, e in zip(
                    self.in_exposed, self.in_unexposed, self.effects, self.bias, self.corrected, strict=True
                )
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        values = [e.value for e in self.corrected if e.value is not None]
        return (
            f"{self.observed}; corrected for {len(self.corrected)} strengths of an unmeasured confounder: "
            f"{min(values):.4g} to {max(values):.4g}"
        )


def confounder_bias(
    estimate: Estimate,
    *,
    in_exposed: Sequence[float],
    in_unexposed: Sequence[float],
    effects: Sequence[float],
    measure: BiasMeasure = "difference",
    grid: bool = False,
) -> BiasAnalysis:
    """Correct an estimate for an unmeasured yes/no confounder.

    Parameters
    ----------
    estimate : Estimate
        A mean or risk difference, or a risk ratio (an odds or rate ratio of a rare outcome).
    in_exposed, in_unexposed : sequence of float
        Prevalence of the confounder in either group, given what was adjusted for, 0 to 1.
    effects : sequence of float
        Its effect on the outcome within groups of exposure: a difference in the unit of the estimate, or a risk ratio
        above 0.
    measure : {"difference", "ratio"}
    grid : bool
        Every combination of the three; otherwise they go together row by row.

    Returns
    -------
    BiasAnalysis

    Raises
    ------
    EstimationError
        No value, a ratio not above 0, prevalences outside 0 to 1, lengths that differ, a measure that does not fit the
        unit.

    Notes
    -----
    Difference: g (p1 - p0) is subtracted; ratio: divided by (1 + p1 (g - 1)) / (1 + p0 (g - 1)), with g the effect of
    the confounder, the same in both groups. Sources: Bross (1966) J Chronic Dis 19:637; Schlesselman (1978) Am J
    Epidemiol 108:3; VanderWeele and Arah (2011) Epidemiology 22:42; Lash, Fox and Fink, Applying Quantitative Bias
    Analysis to Epidemiologic Data (2009), chapter 4.

    Examples
    --------
    A confounder with ratio 5 in half of the exposed and a fifth of the others makes a ratio of 3 / 1.8 by itself.

    >>> e = Estimate(value=2.0, conf_low=1.5, conf_high=8 / 3, unit="ratio")
    >>> made = confounder_bias(e, in_exposed=[0.5], in_unexposed=[0.2], effects=[5.0], measure="ratio")
    >>> round(made.bias[0], 6), round(made.corrected[0].value, 6)
    (1.666667, 1.2)
    """
    check_choice(measure, get_args(BiasMeasure), "measure")
    _check_value(estimate, measure)
    rows = _rows(in_exposed, in_unexposed, effects, measure, grid)
    bias = tuple(_bias(p1, p0, g, measure) for p1, p0, g in rows)
    return BiasAnalysis(
        measure=measure, observed=estimate, in_exposed=tuple(r[0] for r in rows),
        in_unexposed=tuple(r[1] for r in rows), effects=tuple(r[2] for r in rows), bias=bias,
        corrected=tuple(_corrected(estimate, b, measure) for b in bias),
    )  # fmt: skip


def tipping_effect(
    estimate: Estimate,
    *,
    in_exposed: float,
    in_unexposed: float,
    target: float | None = None,
    measure: BiasMeasure = "difference",
    of_limit: bool = False,
) -> Estimate:
    """Return the effect that an unmeasured confounder needs to bring an estimate to a target.

    Parameters
    ----------
    estimate : Estimate
    in_exposed, in_unexposed : float
        Prevalence of the confounder in either group, 0 to 1.
    target : float, optional
        No effect (0, or 1 for ratios) where not given; a margin otherwise.
    measure : {"difference", "ratio"}
    of_limit : bool
        Bring the limit nearest to the target there, instead of the value.

    Returns
    -------
    Estimate
        A number without interval. Not estimable when no effect is strong enough, or none is needed.

    Raises
    ------
    EstimationError
        As :func:`confounder_bias`.

    Notes
    -----
    The formulas of :func:`confounder_bias` solved for the effect: (value - target) / (p1 - p0), and
    1 + (b - 1) / (p1 - b p0) with b = value / target.

    Examples
    --------
    >>> e = Estimate(value=2.0, conf_low=1.5, conf_high=8 / 3, unit="ratio")
    >>> round(tipping_effect(e, in_exposed=0.8, in_unexposed=0.2, measure="ratio").value, 6)
    3.5
    """
    check_choice(measure, get_args(BiasMeasure), "measure")
    own = _check_value(estimate, measure)
    ((p1, p0, _),) = _rows([in_exposed], [in_unexposed], [1.0], measure, False)
    none = 1.0 if measure == "ratio" else 0.0
    at = none if target is None else float(target)
    if not math.isfinite(at) or (measure == "ratio" and at <= 0.0):
        raise EstimationError("target is finite, and above 0 for a ratio", code="bad_estimate")
    about: dict[str, Any] = {
        "contrast": "effect of the confounder",
        "unit": estimate.unit,
        "method": "bias formula solved for the effect",
    }
    value: float | None = own
    if of_limit:
        value = estimate.conf_low if own > at else estimate.conf_high
        if value is not None and (value - at) * (own - at) <= 0.0:
            return Estimate.not_estimable("the interval reaches the target without any bias", **about)
    if value is None:
        return Estimate.not_estimable("there is no limit to bring to the target", **about)
    if value == at:
        return Estimate.not_estimable("the estimate is at the target without any bias", **about)
    strength = _needed(value, at, p1, p0, measure)
    if strength is None:
        return Estimate.not_estimable(
            "with these prevalences no effect of the confounder is strong enough", **about
        )
    return Estimate(value=strength, conf_low=None, conf_high=None, reason="a bound, not an estimate", **about)


def _needed(value: float, at: float, p1: float, p0: float, measure: BiasMeasure) -> float | None:
    """Return the effect that moves a value to the target, None when there is none."""
    if measure == "difference":
        return None if p1 == p0 else (value - at) / (p1 - p0)
    b = value / at
    bottom = p1 - b * p0
    if bottom == 0.0:
        return None
    effect = 1.0 + (b - 1.0) / bottom
    return effect if effect > 0.0 and math.isfinite(effect) else None


def _bias(p1: float, p0: float, g: float, measure: BiasMeasure) -> float:
    """Return what the confounder adds to a difference, or multiplies a ratio by."""
    if measure == "difference":
        return g * (p1 - p0)
    return (1.0 + p1 * (g - 1.0)) / (1.0 + p0 * (g - 1.0))


def _corrected(e: Estimate, bias: float, measure: BiasMeasure) -> Estimate:
    """Return an estimate without an assumed bias."""

    def of(value: float | None) -> float | None:
        if value is None:
            return None
        return value / bias if measure == "ratio" else value - bias

    return Estimate(
        value=of(e.value), conf_low=of(e.conf_low), conf_high=of(e.conf_high), level=e.level, std_error=e.std_error,
        df=e.df, contrast=e.contrast, unit=e.unit, n=e.n, n_missing=e.n_missing, reason=e.reason,
        method=f"{e.method}; corrected for an assumed confounder" if e.method else "corrected for an assumed confounder",
    )  # fmt: skip


def _rows(
    in_exposed: Sequence[float], in_unexposed: Sequence[float], effects: Sequence[float], measure: BiasMeasure,
    grid: bool,
) -> list[tuple[float, float, float]]:  # fmt: skip
    """Return the strengths, one a row, or refuse them."""
    p1s, p0s, gs = (tuple(map(float, part)) for part in (in_exposed, in_unexposed, effects))
    if not (p1s and p0s and gs) or not all(0.0 <= p <= 1.0 for p in (*p1s, *p0s)):
        raise EstimationError("prevalences are 0 to 1; give at least one of each strength", code="bad_choice")
    if not all(math.isfinite(g) and (measure == "difference" or g > 0.0) for g in gs):
        raise EstimationError("effects are finite, and above 0 for a ratio", code="bad_choice")
    if grid:
        return [(p1, p0, g) for p1 in p1s for p0 in p0s for g in gs]
    if len({len(p1s), len(p0s), len(gs)}) > 1:
        raise EstimationError(
            f"{len(p1s)}, {len(p0s)} and {len(gs)} strengths; give as many of each, or grid=True",
            code="bad_length",
        )
    return list(zip(p1s, p0s, gs, strict=True))


def _check_value(estimate: Estimate, measure: BiasMeasure) -> float:
    """Return the value, or refuse an estimate that has none of its measure."""
    if estimate.value is None:
        raise EstimationError(f"the estimate has no value: {estimate.reason}", code="not_estimable")
    if (measure == "ratio") != (estimate.unit == "ratio"):
        raise EstimationError(
            f"measure is {measure!r} and the unit of the estimate {estimate.unit!r}; ratios have the unit 'ratio'",
            code="bad_choice",
        )
    if (
        measure == "ratio"
        and min(v for v in (estimate.value, estimate.conf_low, estimate.conf_high) if v is not None) <= 0
    ):
        raise EstimationError("a ratio and its limits are above 0", code="bad_estimate")
    return estimate.value
