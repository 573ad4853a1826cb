"""Charts of proportions and of counts by period, with limits that follow the size of each period."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.charts.funnel import FunnelLimits, FunnelMethod, proportion_funnel, ratio_funnel
from outcomes.stats.numerics.arrays import FloatArray, check_same_order
from outcomes.stats.numerics.inputs import count_array, numbers

TAIL = 0.0013498980316300933  # of the normal beyond three standard errors


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeChart:
    """A chart of one rate a period.

    Attributes
    ----------
    rate, low, high : ndarray, shape (t,)
        Rate of each period and its limits; no limits (NaN) where too few.
    centre : float
        Rate in control.
    outside : ndarray of bool, shape (t,)
        Beyond a limit as computed; never for a period with too few.
    too_few : ndarray of bool, shape (t,)
    size : ndarray, shape (t,)
        Cases, or exposure.
    kind, method : str
    """

    rate: FloatArray
    low: FloatArray
    high: FloatArray
    centre: float
    outside: Any
    too_few: Any
    size: FloatArray
    kind: str
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a period."""
        return pd.DataFrame(
            {
                "period": np.arange(1, len(self.rate) + 1), "estimate": self.rate, "low": self.low, "high": self.high,
                "n": self.size, "outside": self.outside, "too_few": self.too_few,
            }
        ).assign(centre=self.centre, method=self.method)  # fmt: skip

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        numbers_beyond = [str(i + 1) for i in np.flatnonzero(self.outside)]
        word = "period " if len(numbers_beyond) == 1 else "periods "
        beyond = word + ", ".join(numbers_beyond) if numbers_beyond else "none"
        few, total = int(np.sum(self.too_few)), len(self.rate)
        return (
            f"{self.kind} of {total} {'period' if total == 1 else 'periods'} about {self.centre:.4g} ({self.method}); "
            f"beyond limits: {beyond}"
            + (f"; {few} {'period' if few == 1 else 'periods'} with too few to judge" if few else "")
        )


def p_chart(
    events: Any,
    n: Any,
    *,
    centre: float | None = None,
    method: FunnelMethod = "exact counts",
    fewest: int = 10,
) -> AttributeChart:
    """Return a chart of proportions with limits for the cases of each period.

    Parameters
    ----------
    events, n : array_like of int, shape (t,)
        Events and cases of each period, in order.
    centre : float, optional
        Proportion in control; that of all periods for None.
    method, fewest
        As for :func:`outcomes.stats.charts.funnel.proportion_funnel`; at most 0.135 % of the distribution lies
        beyond either limit with "exact counts".

    Raises
    ------
    EstimationError
        Counts that do not fit, a period without cases, no or only events without a declared centre.

    Notes
    -----
    Source: Shewhart WA. Economic Control of Quality of Manufactured Product (1931) for three standard errors.

    Examples
    --------
    >>> chart = p_chart([5, 5, 30], [100, 100, 100], method="normal", centre=0.05)
    >>> chart.outside.tolist(), round(float(chart.high[0]), 6), round(0.05 + 3 * (0.05 * 0.95 / 100) ** 0.5, 6)
    ([False, False, True], 0.115383, 0.115383)
    """
    check_same_order(events=events, n=n)
    found, cases = count_array(events, "events", "(periods,)", 1), count_array(n, "n", "(periods,)", 1)
    if found.shape != cases.shape or (found > cases).any():
        raise EstimationError("events and n: one of each a period, events not above n", code="bad_count")
    middle = math.fsum(found) / math.fsum(cases) if centre is None and cases.sum() else centre
    if middle is None or not 0 < middle < 1:
        raise EstimationError(
            "no limits: the centre is 0 or 1 (no event, or only events); declare the centre in control",
            code="bad_target",
        )
    limits = proportion_funnel(cases, middle, probabilities=(TAIL, 1 - TAIL), method=method, fewest=fewest)
    return _chart(found / cases, limits, "p-chart")


def u_chart(
    events: Any,
    exposure: Any,
    *,
    centre: float | None = None,
    method: FunnelMethod = "exact counts",
    fewest_expected: float = 1.0,
) -> AttributeChart:
    """Return a chart of event rates with limits for the exposure of each period.

    Parameters
    ----------
    events : array_like of int, shape (t,)
    exposure : array_like, shape (t,)
        Cases, bed days, hours: above 0.
    centre : float, optional
        Rate in control; that of all periods for None.
    method
        As for :func:`outcomes.stats.charts.funnel.ratio_funnel`.
    fewest_expected : float
        Periods with fewer expected events have no limits (common practice, no source).

    Raises
    ------
    EstimationError
        Counts that do not fit, exposure not above 0, no event without a declared centre.

    Examples
    --------
    >>> u_chart([2, 3, 20], [10, 10, 10], centre=0.3).outside.tolist()
    [False, False, True]
    """
    check_same_order(events=events, exposure=exposure)
    found = count_array(events, "events", "(periods,)", 1)
    size = numbers(exposure, "exposure: every value must be a number; convert the column first")
    if size.shape != found.shape or not np.isfinite(size).all() or (size <= 0).any():
        raise EstimationError("exposure: a finite number above 0 for each period", code="bad_exposure")
    middle = math.fsum(found) / math.fsum(size) if centre is None else centre
    if not (math.isfinite(middle) and middle > 0):
        raise EstimationError("no limits: no event; declare the rate in control", code="bad_target")
    limits = ratio_funnel(
        size * middle, probabilities=(TAIL, 1 - TAIL), method=method, fewest=fewest_expected
    )
    return _chart(found / size, limits, "u-chart", scale=middle)


def _chart(rate: FloatArray, limits: FunnelLimits, kind: str, scale: float = 1.0) -> AttributeChart:
    """Return the chart of rates and limits; a rate on a limit is not beyond it."""
    raw = limits.raw * scale
    tiny = 1e-12 * scale
    outside = ~limits.too_few & ((rate < raw[:, 0] - tiny) | (rate > raw[:, 1] + tiny))
    return AttributeChart(
        rate=rate, low=limits.shown[:, 0] * scale, high=limits.shown[:, 1] * scale, centre=limits.target * scale,
        outside=outside, too_few=limits.too_few, size=limits.size / scale, kind=kind, method=limits.method,
    )  # fmt: skip
