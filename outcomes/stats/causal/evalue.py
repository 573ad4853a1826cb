"""E-values: how strong an unmeasured confounder would have to be to explain an estimate away.

Closed formulas of a few operations; no library that the package rests on has them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice

Measure = Literal["risk ratio", "odds ratio", "hazard ratio", "risk difference", "standardised difference"]
MEASURES = ("risk ratio", "odds ratio", "hazard ratio", "risk difference", "standardised difference")
RATIOS = MEASURES[:3]
PER_SD = 0.91  # log risk ratio for one standard deviation, VanderWeele and Ding 2017, table 2
PER_ERROR = 1.78  # 0.91 x 1.96 as that table prints it


@dataclass(frozen=True, slots=True, kw_only=True)
class EValue:
    """The E-value of an estimate and of the limit nearest to the value asked about.

    Attributes
    ----------
    value, limit : float or None
        Both associations of the confounder, with exposure and with outcome, as risk ratios: when each is
        at least this, the estimate (the limit) can be moved to `target`. 1 where nothing is needed; `limit`
        is None when no limit was given or `reason` says why.
    bias, bias_limit : float or None
        The same as a joint bias factor, see :func:`bias_factor`.
    target : float
        The value asked about, on the scale of the measure; no effect unless another was given.
    measure, conversion : str
        What the estimate is, and how it was brought to a risk ratio.
    contrast, reason : str
    """

    value: float | None
    limit: float | None
    bias: float | None
    bias_limit: float | None
    target: float
    measure: str
    conversion: str
    contrast: str = ""
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names; `estimate` is the E-value."""
        row = {
            "contrast": self.contrast, "measure": self.measure, "estimate": self.value,
            "e_value_limit": self.limit, "bias": self.bias, "bias_limit": self.bias_limit,
            "target": self.target, "conversion": self.conversion, "reason": self.reason,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        lead = f"{self.contrast}: " if self.contrast else ""
        goal = f"to move the {self.measure} to {self.target:.4g}"
        if self.value is None:
            return f"{lead}E-value {goal}: not estimable ({self.reason})"
        limit = f"; for the limit {self.limit:.3g}" if self.limit is not None else ""
        note = f"; no E-value for the limit ({self.reason})" if self.reason else ""
        return f"{lead}E-value {goal}: {self.value:.3g}{limit}{note} ({self.conversion})"


def e_value(
    value: float,
    conf_low: float | None = None,
    conf_high: float | None = None,
    *,
    measure: Measure = "risk ratio",
    target: float | None = None,
    rare: bool | None = None,
    reference_risk: float | None = None,
    std_error: float | None = None,
    contrast: str = "",
) -> EValue:
    """Return the E-value of an estimate and of its limit nearest to the target.

    Parameters
    ----------
    value, conf_low, conf_high : float
        Estimate and limits on the scale of `measure`; limits optional.
    measure : {"risk ratio", "odds ratio", "hazard ratio", "risk difference", "standardised difference"}
    target : float, optional
        Value that the confounder should produce: no effect by default (1 or 0), else for example a margin.
    rare : bool, optional
        Needed for odds and hazard ratios: True when the outcome is rare (below 15 %) at the end of
        follow-up, so that the ratio stands for a risk ratio.
    reference_risk : float, optional
        Needed for a risk difference: risk in the reference group (proportion), taken as known.
    std_error : float, optional
        Of a standardised difference, in place of its limits: 95 % limits by the printed 1.78.
    contrast : str
        What is compared with what.

    Returns
    -------
    EValue
        `limit` is 1 when the interval holds the target. For a risk difference and a target that is not 0
        the bias needed depends on whose average is meant; the smaller of that in the exposed and that in
        the unexposed is given, so that robustness is not overstated.

    Raises
    ------
    EstimationError
        When a ratio is not above 0, a risk leaves (0, 1], limits do not enclose the estimate, or what the
        measure needs is missing.

    Notes
    -----
    Common outcomes: square root of the odds ratio; (1 - 0.5^sqrt(HR)) / (1 - 0.5^sqrt(1/HR)) for a hazard
    ratio; exp(0.91 d) for a standardised difference. These are approximations, as is holding the reference
    risk fixed at the limits of a risk difference.

    References
    ----------
    VanderWeele TJ, Ding P. Annals of Internal Medicine 2017; 167: 268-274. Bounds of the risk difference:
    Ding P, VanderWeele TJ. Epidemiology 2016; 27: 368-377.

    Examples
    --------
    2 + sqrt(2 x 1), and for the limit 1.25 + sqrt(1.25 x 0.25):

    >>> found = e_value(2.0, 1.25, 3.2)
    >>> round(found.value, 4), round(found.limit, 4)
    (3.4142, 1.809)
    >>> print(e_value(0.8, 0.6, 1.1))
    E-value to move the risk ratio to 1: 1.81; for the limit 1 (as given)
    """
    check_choice(measure, MEASURES, "measure")
    no_effect = 1.0 if measure in RATIOS else 0.0
    goal = no_effect if target is None else float(target)
    _check_needs(measure, rare, reference_risk, std_error)
    if std_error is not None:
        conf_low, conf_high = value - PER_ERROR / PER_SD * std_error, value + PER_ERROR / PER_SD * std_error
    _check_values(measure, value, conf_low, conf_high, goal)
    bias, reason = _bias(measure, value, goal, rare, reference_risk)
    bias_limit: float | None = None
    if bias is not None:
        bias_limit, reason = _limit_bias(measure, value, conf_low, conf_high, goal, rare, reference_risk)
    return EValue(
        value=_e(bias), limit=_e(bias_limit), bias=bias, bias_limit=bias_limit, target=goal, measure=measure,
        conversion=_conversion(measure, rare), contrast=contrast, reason=reason,
    )  # fmt: skip


def bias_factor(exposure_ratio: float, outcome_ratio: float) -> float:
    """Return the largest factor by which a confounder can move a risk ratio.

    Parameters
    ----------
    exposure_ratio : float
        Risk ratio, 1 or more, between exposure and confounder.
    outcome_ratio : float
        Risk ratio, 1 or more, between confounder and outcome.

    Returns
    -------
    float
        1 or more.

    Raises
    ------
    EstimationError
        When either is below 1 or not finite.

    References
    ----------
    Ding P, VanderWeele TJ. Epidemiology 2016; 27: 368-377.

    Examples
    --------
    2 x 3 / (2 + 3 - 1):

    >>> bias_factor(2, 3)
    1.5
    """
    for name, ratio in (("exposure_ratio", exposure_ratio), ("outcome_ratio", outcome_ratio)):
        if not (math.isfinite(ratio) and ratio >= 1):
            raise EstimationError(
                f"{name}: must be finite and 1 or more; invert a ratio below 1", code="bad_ratio"
            )
    return exposure_ratio / (1 + (exposure_ratio - 1) / outcome_ratio)


def _e(bias: float | None) -> float | None:
    """Return the E-value of a bias factor."""
    return None if bias is None else bias + math.sqrt(bias) * math.sqrt(bias - 1)


def _check_needs(
    measure: str, rare: bool | None, reference_risk: float | None, std_error: float | None
) -> None:
    """Refuse a call without what the measure needs, or with what it cannot use."""
    if measure in ("odds ratio", "hazard ratio") and rare is None:
        raise EstimationError(
            f"{measure}: say rare=True or rare=False; the ratio of a common outcome overstates the risk ratio",
            code="missing_argument",
        )
    if measure == "risk difference" and not (reference_risk is not None and 0 < reference_risk <= 1):
        raise EstimationError(
            "risk difference: give reference_risk, the risk in the reference group as a proportion above 0",
            code="missing_argument",
        )
    if std_error is not None and not (measure == "standardised difference" and 0 < std_error < math.inf):
        raise EstimationError(
            "std_error: a finite number above 0, and only of a standardised difference; give limits otherwise",
            code="bad_argument",
        )


def _check_values(measure: str, value: float, low: float | None, high: float | None, target: float) -> None:
    """Refuse numbers that are not an estimate with its limits on the scale of the measure."""
    floor = 0.0 if measure in RATIOS else -math.inf
    for name, number in (("value", value), ("conf_low", low), ("conf_high", high), ("target", target)):
        if number is not None and not (math.isfinite(number) and number > floor):
            above = " and above 0" if measure in RATIOS else ""
            raise EstimationError(f"{name} of a {measure}: must be finite{above}", code="bad_estimate")
    if (low is not None and low > value) or (high is not None and high < value):
        raise EstimationError(
            "conf_low and conf_high must enclose value; check their order", code="bad_limits"
        )


def _limit_bias(
    measure: str, value: float, low: float | None, high: float | None, target: float,
    rare: bool | None, reference_risk: float | None,
) -> tuple[float | None, str]:  # fmt: skip
    """Return the bias factor of the limit nearest to the target, 1 when the interval reaches it."""
    nearest = low if value > target else high
    if value == target and not (low is None and high is None):
        return 1.0, ""
    if nearest is None:
        return None, ""
    if (nearest - target) * (value - target) <= 0:
        return 1.0, ""
    return _bias(measure, nearest, target, rare, reference_risk)


def _bias(
    measure: str, value: float, target: float, rare: bool | None, reference_risk: float | None
) -> tuple[float | None, str]:
    """Return the bias factor that moves a value to the target, or why there is none."""
    if measure == "risk difference" and reference_risk is not None:
        return _bias_of_difference(value, target, reference_risk)
    gap = abs(_log_risk_ratio(measure, value, rare) - _log_risk_ratio(measure, target, rare))
    if gap > math.log(1e150):
        return None, "the risk ratio is beyond what a number can hold"
    return math.exp(gap), ""


def _log_risk_ratio(measure: str, value: float, rare: bool | None) -> float:
    """Return the log of the approximate risk ratio."""
    if measure == "standardised difference":
        return PER_SD * value
    if measure == "odds ratio" and not rare:
        return 0.5 * math.log(value)
    if measure == "hazard ratio" and not rare:
        root = math.sqrt(value)
        # -expm1 keeps the digits of 1 - 0.5^x for a small x
        return math.log(-math.expm1(-root * math.log(2))) - math.log(-math.expm1(-math.log(2) / root))
    return math.log(value)


def _bias_of_difference(value: float, target: float, reference_risk: float) -> tuple[float | None, str]:
    """Return the smaller of the bias factors needed for the average in the exposed and in the unexposed.

    With risks p1, p0 and a bias factor B the difference in the exposed is at least p1 - B p0 and in the
    unexposed at least p1 / B - p0; a difference below its target is the same with the groups swapped.
    """
    exposed = reference_risk + value
    if not 0 < exposed <= 1:
        return None, "reference risk plus difference leaves the range of a risk, so there is no risk ratio"
    high, low, gap = (
        (exposed, reference_risk, target) if value > target else (reference_risk, exposed, -target)
    )
    # the risk that would be seen without the exposure in the first group, and with it in the second
    needed = [(high - gap) / low] if 0 < high - gap <= 1 else []
    needed += [high / (low + gap)] if 0 < low + gap <= 1 else []
    if not needed:
        return None, "no risk between 0 and 1 has this difference to its target"
    return max(min(needed), 1.0), ""


def _conversion(measure: str, rare: bool | None) -> str:
    """Return in words how the measure became a risk ratio."""
    if measure == "risk difference":
        return "through the reference risk given"
    if measure == "standardised difference":
        return "risk ratio by exp(0.91 d)"
    if measure == "risk ratio":
        return "as given"
    if rare:
        return "outcome rare: taken as a risk ratio"
    return (
        "risk ratio by the square root" if measure == "odds ratio" else "risk ratio by the 0.5 power formula"
    )
