"""Observed against expected events: indirect standardisation, exact limits, risk-adjusted rate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import (
    FloatArray,
    check_choice,
    check_level,
    check_outcome,
    check_same_order,
)
from outcomes.stats.numerics.inputs import SMALLEST_P, count_array, normal_quantile, numbers, whole
from outcomes.stats.survival.survival_times import level_codes

RatioLimits = Literal["exact", "mid-P", "Byar"]
FEWEST_EXPECTED = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRatio:
    """Observed against expected events of one unit.

    Attributes
    ----------
    unit : str
    observed : int
    expected : float
    ratio, rate : Estimate
        Observed over expected, and that times the overall rate (proportion).
    caution : str
        Says when fewer than one event was expected.
    """

    unit: str
    observed: int
    expected: float
    ratio: Estimate
    rate: Estimate
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True)
class IndirectStandardisation:
    """Observed against expected of every unit.

    Attributes
    ----------
    units : tuple of UnitRatio
    overall_rate : float
        Events over cases of all units.
    n, n_missing : int
    """

    units: tuple[UnitRatio, ...]
    overall_rate: float
    n: int
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a unit with the common column names."""
        return pd.DataFrame(
            [
                {
                    "group": u.unit, "contrast": u.ratio.contrast, "observed": u.observed, "expected": u.expected,
                    "estimate": u.ratio.value, "conf_low": u.ratio.conf_low, "conf_high": u.ratio.conf_high,
                    "p_value": u.ratio.p_value, "rate": u.rate.value, "n": u.ratio.n, "n_missing": self.n_missing,
                    "caution": u.caution,
                }
                for u in self.units
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return one sentence a unit."""
        return "\n".join(f"{u.ratio}" + (f" [{u.caution}]" if u.caution else "") for u in self.units)


def observed_to_expected(
    observed: float,
    expected: float,
    *,
    limits: RatioLimits = "exact",
    level: float = 0.95,
    contrast: str = "observed over expected",
    n: int = 0,
    n_missing: int = 0,
) -> Estimate:
    """Return the ratio of observed to expected events (the standardised ratio) with limits.

    Parameters
    ----------
    observed : int
    expected : float
        Taken as known.
    limits : {"exact", "mid-P", "Byar"}
        Poisson: exact never covers less than the level, mid-P is shorter and covers it on average, Byar is a close
        approximation to the exact ones.
    level : float
    contrast, n, n_missing
        Carried along.

    Returns
    -------
    Estimate
        p is two-sided against 1: twice the smaller tail, exact or mid-P to match (exact for Byar). Not estimable when
        nothing was expected.

    Raises
    ------
    EstimationError
        Counts not whole, expected negative or not finite.

    Notes
    -----
    Sources: Garwood F. Biometrika 1936; 28: 437-442 (exact). Breslow NE, Day NE. Statistical Methods in Cancer
    Research II (1987), 2.3 (Byar). Rothman KJ, Boice JD. Epidemiologic Analysis (1979) (mid-P; from memory).

    Examples
    --------
    None observed: the upper limit is -log(0.025) over expected.

    >>> none = observed_to_expected(0, 2)
    >>> none.conf_low, round(none.conf_high, 6), round(-math.log(0.025) / 2, 6)
    (0.0, 1.84444, 1.84444)
    """
    check_choice(limits, ("exact", "mid-P", "Byar"), "limits")
    check_level(level)
    count = whole(observed, "observed")
    if not (math.isfinite(expected) and expected >= 0):
        raise EstimationError("expected: a finite number, at least 0", code="bad_expected")
    common: dict[str, Any] = {
        "contrast": contrast, "unit": "ratio", "n": n, "n_missing": n_missing, "method": f"Poisson, {limits}",
    }  # fmt: skip
    if expected == 0:
        return Estimate.not_estimable("no event was expected", **common)
    low, high = poisson_limits(count, limits, level)
    half = (
        0.5 * math.exp(count * math.log(expected) - expected - math.lgamma(count + 1))
        if limits == "mid-P"
        else 0.0
    )
    lower_tail = float(special.pdtr(count, expected)) - half
    upper_tail = (1.0 if count == 0 else float(special.pdtrc(count - 1, expected))) - half
    return Estimate(
        value=count / expected, conf_low=low / expected, conf_high=high / expected, level=level,
        p_value=max(min(1.0, 2 * min(lower_tail, upper_tail)), SMALLEST_P), **common,
    )  # fmt: skip


def poisson_limits(observed: int, limits: RatioLimits = "exact", level: float = 0.95) -> tuple[float, float]:
    """Return limits of the mean of a Poisson count.

    Examples
    --------
    >>> low, high = poisson_limits(10)
    >>> round(low, 4), round(high, 4)
    (4.7954, 18.3904)
    """
    tail = (1 - level) / 2
    exact = (
        0.0 if observed == 0 else float(special.gammaincinv(observed, tail)),
        float(special.gammainccinv(observed + 1, tail)),
    )
    if limits == "Byar":
        z = normal_quantile(level)
        k = observed + 1
        low = (
            0.0
            if observed == 0
            else observed * max(0.0, 1 - 1 / (9 * observed) - z / (3 * math.sqrt(observed))) ** 3
        )
        return low, k * (1 - 1 / (9 * k) + z / (3 * math.sqrt(k))) ** 3
    if limits == "exact":
        return exact

    def excess(mean: float, below: bool) -> float:
        half = 0.5 * math.exp(observed * math.log(mean) - mean - math.lgamma(observed + 1))
        at_least = 1.0 if observed == 0 else float(special.pdtrc(observed - 1, mean))
        return (at_least if below else float(special.pdtr(observed, mean))) - half - tail

    # mid-P limits lie within the exact ones
    low = (
        0.0 if observed == 0 else optimize.brentq(excess, exact[0], observed + 0.5, args=(True,), xtol=1e-13)
    )
    return float(low), float(
        optimize.brentq(excess, max(observed, 1e-9), exact[1], args=(False,), xtol=1e-13)
    )


def expected_from_strata(strata: Any, reference_events: Any, reference_n: Any, *, levels: Any) -> FloatArray:
    """Return the expected probability of every case from the rate of its stratum in a reference.

    Parameters
    ----------
    strata : array_like, shape (n,)
        Stratum of each case.
    reference_events, reference_n : array_like, shape (s,)
        Events and cases of the reference, in the order of `levels`.
    levels : sequence, length s
        The strata.

    Returns
    -------
    ndarray, shape (n,)
        NaN where the stratum is missing or has no reference cases.

    Raises
    ------
    EstimationError
        Counts that do not fit, undeclared strata, a Series of counts labelled by the levels in another order.

    Examples
    --------
    >>> expected_from_strata(["old", "young"], [1, 5], [10, 20], levels=["young", "old"]).tolist()
    [0.25, 0.1]
    """
    codes, names = level_codes(strata, np.size(strata), "strata", levels)
    in_order = pd.Series(0.0, index=pd.Index(list(names if levels is None else levels)))
    check_same_order(levels=in_order, reference_events=reference_events, reference_n=reference_n)
    events = count_array(reference_events, "reference_events", "(strata,)", 1)
    cases = count_array(reference_n, "reference_n", "(strata,)", 1)
    if len(events) != len(names) or len(cases) != len(names) or (events > cases).any():
        raise EstimationError(
            "reference_events and reference_n: one of each for every level, events not above cases",
            code="bad_shape",
        )
    rates = np.append(np.divide(events, cases, out=np.full(len(cases), np.nan), where=cases > 0), np.nan)
    return np.asarray(rates[codes])


def indirect_standardisation(
    event: Any, expected: Any, units: Any, *, limits: RatioLimits = "exact", level: float = 0.95
) -> IndirectStandardisation:
    """Compare observed with expected events of every unit.

    Parameters
    ----------
    event : array_like of 0 and 1, shape (n,)
    expected : array_like, shape (n,)
        Probability of each case in the reference (a model fitted elsewhere, or :func:`expected_from_strata`).
    units : array_like, shape (n,)
    limits, level
        As for :func:`observed_to_expected`.

    Returns
    -------
    IndirectStandardisation
        Ratios of different units weight their cases differently: each unit compares with the reference, not with the
        other units. The rate is the ratio times the overall rate, and its limits too.

    Raises
    ------
    EstimationError
        Bad input.

    Notes
    -----
    Events of a unit with many likely events spread less than Poisson: limits err on the wide side. Sources: as
    :func:`observed_to_expected`; Breslow and Day (1987), 2.3 on comparing units.

    Examples
    --------
    >>> found = indirect_standardisation([1, 0, 1, 1], [0.5, 0.5, 0.25, 0.25], ["a", "a", "b", "b"])
    >>> [(u.unit, u.ratio.value) for u in found.units]
    [('a', 1.0), ('b', 4.0)]
    """
    check_same_order(event=event, expected=expected, units=units)
    given, chance = (
        numbers(column, f"{name}: every value must be a number or missing; convert the column first")
        for name, column in (("event", event), ("expected", expected))
    )
    n = given.size
    codes, names = level_codes(units, n, "units")
    if chance.shape != given.shape:
        raise EstimationError(f"expected: {chance.shape} probabilities for {n} events", code="bad_shape")
    used = ~np.isnan(given) & ~np.isnan(chance) & (codes >= 0)
    y = check_outcome(given[used], int(used.sum()))
    if not np.isin(y, (0.0, 1.0)).all() or (chance[used] < 0).any() or (chance[used] > 1).any() or not len(y):
        raise EstimationError(
            "event is 0 or 1 and expected a probability from 0 to 1, for at least one case", code="bad_value"
        )
    overall = float(y.mean())
    made = []
    for j, name in enumerate(names):
        mine = codes[used] == j
        observed, total = int(y[mine].sum()), math.fsum(chance[used][mine])
        ratio = observed_to_expected(
            observed, total, limits=limits, level=level, contrast=f"{name}: observed over expected",
            n=int(mine.sum()), n_missing=int(((codes == j) & ~used).sum()),
        )  # fmt: skip
        caution = (
            f"fewer than {FEWEST_EXPECTED:g} event expected: too few to judge"
            if total < FEWEST_EXPECTED
            else ""
        )
        made.append(
            UnitRatio(
                unit=name, observed=observed, expected=total, ratio=ratio, rate=_rate(ratio, overall, name),
                caution=caution,
            )
        )  # fmt: skip
    return IndirectStandardisation(
        units=tuple(made), overall_rate=overall, n=len(y), n_missing=int(n - used.sum())
    )


def _rate(ratio: Estimate, overall: float, name: str) -> Estimate:
    """Return the ratio times the overall rate."""
    common: dict[str, Any] = {
        "contrast": f"{name}: risk-adjusted rate", "unit": "proportion", "n": ratio.n, "n_missing": ratio.n_missing,
        "method": ratio.method,
    }  # fmt: skip
    if ratio.value is None or ratio.conf_low is None or ratio.conf_high is None:
        return Estimate.not_estimable(ratio.reason, **common)
    return Estimate(
        value=ratio.value * overall, conf_low=ratio.conf_low * overall, conf_high=ratio.conf_high * overall,
        level=ratio.level, **common,
    )  # fmt: skip
