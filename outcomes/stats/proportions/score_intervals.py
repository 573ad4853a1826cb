"""Two proportions compared by the score test and its interval: difference, ratio of risks, ratio of odds.

Test and interval are one: p is below 0.05 exactly when the 95 % limits leave out no effect. Nothing is added
to an empty cell. statsmodels 0.15.0 has an interval of this name; it takes events where the cubic equation
has cases (so that its test of a difference other than 0 is wrong) and stops at empty cells, hence our own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import SMALLEST_P, events_of, normal_quantile, two_sided_p
from outcomes.stats.numerics.student import t_two_sided_p
from outcomes.stats.proportions.contingency import no_comparison
from outcomes.stats.proportions.score_statistics import (
    MEASURES,
    Measure,
    risks_under,
    score_limits,
    score_parts,
)

Variance = Literal["N/(N-1)", "plain"]
DifferenceUnit = Literal["proportion", "percentage points"]
VARIANCES = ("N/(N-1)", "plain")
#: Who described the interval with and without the factor on the variance.
NAMES = {
    ("risk difference", "N/(N-1)"): "Miettinen-Nurminen",
    ("risk difference", "plain"): "Mee",
    ("risk ratio", "N/(N-1)"): "Miettinen-Nurminen",
    ("risk ratio", "plain"): "Koopman",
    ("odds ratio", "N/(N-1)"): "Miettinen-Nurminen",
    ("odds ratio", "plain"): "score (Cornfield without continuity correction)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreTest:
    """Score test of one effect of two proportions.

    Attributes
    ----------
    statistic : float or None
        z; above 0 when group 1 has more events than the effect tested says. None where `reason` says why.
    p_value, p_less, p_greater : float or None
        Two-sided; one-sided against an effect below, above the one tested.
    risk1, risk0 : float or None
        Likeliest risks under the effect tested.
    measure : str
    effect : float
        The effect tested.
    n : int
    method, reason : str
    """

    statistic: float | None
    p_value: float | None
    p_less: float | None
    p_greater: float | None
    risk1: float | None
    risk0: float | None
    measure: str
    effect: float
    n: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "contrast": f"{self.measure} of {self.effect:g}", "statistic": self.statistic,
            "p_value": self.p_value, "p_less": self.p_less, "p_greater": self.p_greater, "n": self.n,
            "n_missing": 0, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        lead = f"{self.method} test of a {self.measure} of {self.effect:g}"
        if self.statistic is None or self.p_value is None:
            return f"{lead}: no test ({self.reason})"
        return f"{lead}: z = {self.statistic:.4g}, p = {self.p_value:.3g}, n = {self.n}"


def score_difference(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    level: float = 0.95,
    *,
    variance: Variance = "N/(N-1)",
    contrast: str = "group 1 minus group 0",
    unit: DifferenceUnit = "proportion",
) -> Estimate:
    """Return the difference between two proportions with the score interval.

    Parameters
    ----------
    events1, n1, events0, n0 : int
        Events and cases of either group.
    level : float
        Confidence level.
    variance : {"N/(N-1)", "plain"}
        With the factor N / (N - 1) of Miettinen and Nurminen, or without it (Mee).
    contrast : str
        What is subtracted from what.
    unit : {"proportion", "percentage points"}
        Scale of value and limits.

    Returns
    -------
    Estimate
        p of no difference belongs to the interval; None when nobody or everybody had the event (the limits
        exist then too). Not estimable when a group has no cases.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Miettinen O, Nurminen M. Statistics in Medicine 1985; 4: 213-226. Mee RW. Biometrics 1984; 40:
    1175-1176.

    Examples
    --------
    No events: z^2 / (z^2 + n) of either group, n times (N - 1) / N, here 9.6667 and 19.3333:

    >>> none = score_difference(0, 10, 0, 20)
    >>> round(none.conf_low, 4), round(none.conf_high, 4)
    (-0.1658, 0.2844)
    >>> round(3.8415 / (3.8415 + 20 * 29 / 30), 4), round(3.8415 / (3.8415 + 10 * 29 / 30), 4)
    (0.1658, 0.2844)
    """
    check_choice(unit, ("proportion", "percentage points"), "unit")
    counts, reason = _counts(events1, n1, events0, n0, variance)
    scale = 100.0 if unit == "percentage points" else 1.0
    nobody = counts[1] == 0 or counts[3] == 0
    return _estimate(
        "risk difference", counts, level, variance, contrast, unit, reason if nobody else "", scale
    )


def score_risk_ratio(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    level: float = 0.95,
    *,
    variance: Variance = "N/(N-1)",
    contrast: str = "group 1 over group 0",
) -> Estimate:
    """Return the ratio of two proportions with the score interval, which exists with an empty cell too.

    Parameters
    ----------
    events1, n1, events0, n0, level, contrast
        As for :func:`score_difference`, but divided.
    variance : {"N/(N-1)", "plain"}
        With the factor N / (N - 1) of Miettinen and Nurminen, or without it (Koopman).

    Returns
    -------
    Estimate
        Without events in group 1 the ratio and its lower limit are 0; without events in group 0 there is
        a lower limit only. Not estimable without any event or without cases in a group. p of a ratio of 1
        is that of :func:`score_difference`.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Koopman PAR. Biometrics 1984; 40: 513-517. Miettinen O, Nurminen M. Statistics in Medicine 1985; 4:
    213-226. Gart JJ, Nam J. Biometrics 1988; 44: 323-338.

    Examples
    --------
    5 of 5 against 7 of 7: n1 / (n1 + z^2) and (n0 + z^2) / n0 when nothing multiplies the variance:

    >>> ratio = score_risk_ratio(5, 5, 7, 7, variance="plain")
    >>> round(ratio.conf_low, 4), round(5 / (5 + 3.8415), 4)
    (0.5655, 0.5655)
    >>> round(ratio.conf_high, 4), round((7 + 3.8415) / 7, 4)
    (1.5488, 1.5488)
    """
    counts, reason = _counts(events1, n1, events0, n0, variance)
    x1, total1, x0, total0 = counts
    possible = min(total1, total0) > 0 and x1 + x0 > 0
    return _estimate(
        "risk ratio", counts, level, variance, contrast, "ratio", "" if possible else reason, 1.0
    )


def score_odds_ratio(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    level: float = 0.95,
    *,
    variance: Variance = "N/(N-1)",
    contrast: str = "group 1 over group 0",
) -> Estimate:
    """Return the ratio of two odds with the score interval, which exists with an empty cell too.

    Parameters
    ----------
    events1, n1, events0, n0, level, variance, contrast
        As for :func:`score_risk_ratio`; the plain variance gives Cornfield's interval without continuity
        correction.

    Returns
    -------
    Estimate
        The observed (unconditional) ratio. With an empty cell the limit that exists. Not estimable when a
        group has no cases, or when nobody or everybody had the event.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    References
    ----------
    Miettinen O, Nurminen M. Statistics in Medicine 1985; 4: 213-226. Cornfield J. Proc 3rd Berkeley
    Symposium 1956; 4: 135-148.

    Examples
    --------
    Under an odds ratio of 1, 15 events are expected where 20 are seen; (5^2) (1/15 + 1/85 + 1/15 + 1/85) is
    Pearson's chi-squared, 3.9216. It is just above 1.96^2, and the lower limit just above 1:

    >>> ratio = score_odds_ratio(20, 100, 10, 100, variance="plain")
    >>> ratio.value, round(ratio.conf_low, 3), round(ratio.p_value, 4)
    (2.25, 1.008, 0.0477)
    """
    counts, reason = _counts(events1, n1, events0, n0, variance)
    return _estimate("odds ratio", counts, level, variance, contrast, "ratio", reason, 1.0)


def score_test(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    effect: float,
    *,
    measure: Measure = "risk difference",
    variance: Variance = "N/(N-1)",
) -> ScoreTest:
    """Test one effect of two proportions: no difference, or a margin of non-inferiority.

    Parameters
    ----------
    events1, n1, events0, n0, variance
        As for :func:`score_difference`. With the plain variance and a margin this is the test of
        Farrington and Manning.
    effect : float
        Difference (a proportion) within (-1, 1), or ratio above 0, that is tested.
    measure : {"risk difference", "risk ratio", "odds ratio"}

    Returns
    -------
    ScoreTest
        Without statistic when a group has no cases, or when the risks under the effect leave no variation.

    Raises
    ------
    EstimationError
        When counts or effect are impossible.

    References
    ----------
    Miettinen O, Nurminen M. Statistics in Medicine 1985; 4: 213-226. Farrington CP, Manning G. Statistics
    in Medicine 1990; 9: 1447-1454.

    Examples
    --------
    Without a difference z^2 is Pearson's chi-squared, here 200 * (20 * 90 - 80 * 10)^2 / (100^2 * 30 * 170):

    >>> test = score_test(20, 100, 10, 100, 0.0, variance="plain")
    >>> round(test.statistic**2, 6), round(200 * 1000**2 / (100**2 * 30 * 170), 6)
    (3.921569, 3.921569)
    """
    check_choice(measure, MEASURES, "measure")
    counts, reason = _counts(events1, n1, events0, n0, variance)
    _check_effect(effect, measure)
    n, name = counts[1] + counts[3], NAMES[measure, variance]
    if min(counts[1], counts[3]) == 0:
        return _no_test(measure, effect, n, name, reason)
    table = _as_arrays(counts)
    gap, spread = (float(part[0]) for part in score_parts(measure, *table, np.array([effect])))
    spread *= _factor(counts, variance)
    if spread <= 0:
        return _no_test(measure, effect, n, name, "no variation under the effect tested")
    z = gap / math.sqrt(spread)
    risk1, risk0 = risks_under(measure, *table, np.array([effect]))
    half = float(t_two_sided_p(z, math.inf)) / 2
    less, greater = (half, 1 - half) if z < 0 else (1 - half, half)
    return ScoreTest(
        statistic=z, p_value=two_sided_p(z), p_less=max(less, SMALLEST_P), p_greater=max(greater, SMALLEST_P),
        risk1=float(risk1[0]), risk0=float(risk0[0]), measure=measure, effect=effect, n=n, method=name,
    )  # fmt: skip


def _counts(
    events1: float, n1: float, events0: float, n0: float, variance: str
) -> tuple[tuple[int, int, int, int], str]:
    """Return checked counts, and why the odds cannot be compared."""
    check_choice(variance, VARIANCES, "variance")
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    return (e1, total1, e0, total0), no_comparison(e1, total1, e0, total0)


def _as_arrays(counts: tuple[int, int, int, int]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return counts as arrays of one table."""
    x1, n1, x0, n0 = (np.array([float(count)]) for count in counts)
    return x1, n1, x0, n0


def _factor(counts: tuple[int, int, int, int], variance: str) -> float:
    """Return what multiplies the variance; with one case in either group N / (N - 1) is 2."""
    n = counts[1] + counts[3]
    return n / (n - 1) if variance == "N/(N-1)" else 1.0


def _estimate(
    measure: Measure, counts: tuple[int, int, int, int], level: float, variance: Variance, contrast: str, unit: str,
    reason: str, scale: float,
) -> Estimate:  # fmt: skip
    """Return an effect with its score limits, or why there is none."""
    z = normal_quantile(level)
    x1, n1, x0, n0 = counts
    name = NAMES[measure, variance]
    if reason:
        return Estimate.not_estimable(reason, contrast=contrast, unit=unit, n=n1 + n0, method=name)
    factor = _factor(counts, variance)
    limits = score_limits(measure, *_as_arrays(counts), z, np.array([factor]))
    low, high = (float(limit[0]) for limit in limits)
    if measure == "risk difference":
        value: float | None = x1 / n1 - x0 / n0
    else:
        over, under = (x1 * n0, x0 * n1) if measure == "risk ratio" else (x1 * (n0 - x0), x0 * (n1 - x1))
        value = over / under if under else None
    varies = 0 < x1 + x0 < n1 + n0
    null = 0.0 if measure == "risk difference" else 1.0
    test = score_test(*counts, null, measure=measure, variance=variance) if varies else None
    return Estimate(
        value=None if value is None else scale * value, conf_low=scale * low,
        conf_high=scale * high if math.isfinite(high) else None, level=level,
        p_value=None if test is None else test.p_value, contrast=contrast, unit=unit, n=n1 + n0, method=name,
        reason="" if math.isfinite(high) else f"an empty cell: the {measure} has no finite value or upper limit",
    )  # fmt: skip


def _check_effect(effect: float, measure: str) -> None:
    """Refuse an effect that cannot be."""
    inside = -1 < effect < 1 if measure == "risk difference" else 0 < effect < math.inf
    if not inside:
        allowed = "between -1 and 1 (a proportion)" if measure == "risk difference" else "above 0 and finite"
        raise EstimationError(f"effect: a {measure} to test lies {allowed}", code="bad_effect")


def _no_test(measure: str, effect: float, n: int, method: str, reason: str) -> ScoreTest:
    """Return the test that says why there is none."""
    return ScoreTest(
        statistic=None, p_value=None, p_less=None, p_greater=None, risk1=None, risk0=None, measure=measure,
        effect=effect, n=n, method=method, reason=reason,
    )  # fmt: skip
