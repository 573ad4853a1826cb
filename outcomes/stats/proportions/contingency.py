"""Tests on tables of counts: Pearson's chi-squared for r x c, Fisher's exact test for 2 x 2."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import optimize, special

from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_level
from outcomes.stats.numerics.inputs import SMALLEST_P, chi2_p, count_array, events_of


@dataclass(frozen=True, slots=True, kw_only=True)
class ChiSquared:
    """Pearson's chi-squared test of a table.

    Attributes
    ----------
    statistic, df, p_value : float or None
        None where `reason` says why.
    cramers_v : float or None
        Strength of association, 0 to 1.
    smallest_expected, share_expected_below_5 : float or None
        How sparse the table is; below 5 in over a fifth of cells the p is rough (Cochran 1954).
    n : int
        Cases in the table.
    n_empty_rows, n_empty_columns : int
        Rows and columns without cases, which were left out.
    method, reason : str
    """

    statistic: float | None
    df: float | None
    p_value: float | None
    cramers_v: float | None
    smallest_expected: float | None
    share_expected_below_5: float | None
    n: int
    n_empty_rows: int
    n_empty_columns: int
    method: str = "Pearson chi-squared without continuity correction"
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {"statistic": self.statistic, "df": self.df, "p_value": self.p_value, "n": self.n}
        return pd.DataFrame([row | {"n_missing": 0, "method": self.method}])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.statistic is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        test = f"chi2({self.df:g}) = {self.statistic:.4g}, p = {self.p_value:.3g}"
        return f"{self.method}: {test}, n = {self.n}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FisherExact:
    """Fisher's exact test of a 2 x 2 table.

    Attributes
    ----------
    p_value : float or None
        Two-sided, summing all tables no likelier than the one seen (the usual printed p); None where
        `reason` says why.
    p_central : float or None
        Two-sided, twice the smaller tail: the p that agrees with the interval of `odds_ratio`.
    p_less, p_greater : float or None
        One-sided: odds ratio below, above 1.
    odds_ratio : Estimate
        Conditional maximum likelihood with the central exact interval.
    n : int
    method, reason : str
    """

    p_value: float | None
    p_central: float | None
    p_less: float | None
    p_greater: float | None
    odds_ratio: Estimate
    n: int
    method: str = "Fisher exact"
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        ratio = self.odds_ratio
        row = {
            "contrast": ratio.contrast, "estimate": ratio.value, "conf_low": ratio.conf_low,
            "conf_high": ratio.conf_high, "p_value": self.p_value, "p_central": self.p_central, "n": self.n,
            "n_missing": 0, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        return f"{self.method}: p = {self.p_value:.3g}; odds ratio {self.odds_ratio}"


def chi_squared(table: ArrayLike) -> ChiSquared:
    """Test whether rows and columns of a table are independent.

    Parameters
    ----------
    table : array_like of int, shape (r, c)
        Cases in each cell. Rows and columns without cases are left out and counted.

    Returns
    -------
    ChiSquared
        Without a statistic when fewer than two rows or columns have cases.

    Raises
    ------
    EstimationError
        When the table is not two-dimensional or holds anything but counts.

    References
    ----------
    Pearson K. Philosophical Magazine 1900; 50: 157-175. Cramer H. Mathematical Methods of Statistics.
    1946. Rule of five: Cochran WG. Biometrics 1954; 10: 417-451.

    Examples
    --------
    All expected counts are 10, all deviations 5: 4 * 25 / 10.

    >>> test = chi_squared([[15, 5], [5, 15]])
    >>> test.statistic, test.cramers_v
    (10.0, 0.5)
    """
    counts = count_array(table, "table", "(r, c)", 2)
    rows, columns = counts.sum(axis=1) > 0, counts.sum(axis=0) > 0
    kept = counts[np.ix_(rows, columns)]
    n, empty = int(counts.sum()), (int((~rows).sum()), int((~columns).sum()))
    if min(kept.shape) < 2:
        return ChiSquared(
            statistic=None, df=None, p_value=None, cramers_v=None, smallest_expected=None,
            share_expected_below_5=None, n=n, n_empty_rows=empty[0], n_empty_columns=empty[1],
            reason="fewer than two rows or columns have cases",
        )  # fmt: skip
    expected = np.outer(kept.sum(axis=1), kept.sum(axis=0)) / n
    statistic = float(((kept - expected) ** 2 / expected).sum())
    df = (kept.shape[0] - 1) * (kept.shape[1] - 1)
    return ChiSquared(
        statistic=statistic, df=df, p_value=chi2_p(statistic, df),
        cramers_v=math.sqrt(statistic / (n * (min(kept.shape) - 1))), smallest_expected=float(expected.min()),
        share_expected_below_5=float((expected < 5).mean()), n=n, n_empty_rows=empty[0],
        n_empty_columns=empty[1],
    )  # fmt: skip


def fisher_exact(
    events1: float,
    n1: float,
    events0: float,
    n0: float,
    *,
    level: float = 0.95,
    contrast: str = "group 1 over group 0",
) -> FisherExact:
    """Test two proportions exactly, and estimate their odds ratio given the margins.

    Parameters
    ----------
    events1, n1, events0, n0 : int
        Events and cases of either group.
    level : float
        Confidence level of the central interval.
    contrast : str
        What is divided by what.

    Returns
    -------
    FisherExact
        Without p when a group is empty, or when nobody or everybody had the event. With a zero cell the
        odds ratio is 0 or has no finite value; the limit that exists is given.

    Raises
    ------
    EstimationError
        When a count is not whole, is negative, or events exceed cases.

    Notes
    -----
    The p by likelihood and the central interval can disagree about 1; the central p cannot.

    References
    ----------
    Fisher RA. Journal of the Royal Statistical Society 1935; 98: 39-54. Interval: Cornfield J. Proc 3rd
    Berkeley Symposium 1956; 4: 135-148. Central p: Fay MP. Biostatistics 2010; 11: 373-374.

    Examples
    --------
    Tables with 4 events among 4 and 4 have weights 1, 16, 36, 16, 1; 3 v 1 is one of the 16:

    >>> test = fisher_exact(3, 4, 1, 4)
    >>> round(test.p_greater * 70, 9), round(test.p_value * 70, 9)
    (17.0, 34.0)
    """
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    n, m = total1 + total0, e1 + e0
    reason = no_comparison(e1, total1, e0, total0)
    if reason:
        missing = Estimate.not_estimable(reason, contrast=contrast, unit="ratio", n=n)
        return FisherExact(
            p_value=None, p_central=None, p_less=None, p_greater=None, odds_ratio=missing, n=n, reason=reason
        )
    support, log_weights = _hypergeometric(total1, total0, m)
    chance = _chances(support, log_weights, 0.0)
    at = e1 - int(support[0])
    less, greater = float(chance[: at + 1].sum()), float(chance[at:].sum())
    # Relative slack: equally likely tables differ by rounding.
    minlike = float(np.sort(chance[chance <= chance[at] * (1 + 1e-7)]).sum())
    central = _p(2 * min(less, greater))
    return FisherExact(
        p_value=_p(minlike), p_central=central, p_less=_p(less), p_greater=_p(greater),
        odds_ratio=_conditional(support, log_weights, at, level, contrast, n, central), n=n,
    )  # fmt: skip


def no_comparison(e1: int, n1: int, e0: int, n0: int) -> str:
    """Return why two proportions cannot be compared by odds; empty when they can.

    Examples
    --------
    >>> no_comparison(0, 10, 0, 12)
    'no events in either group'
    """
    if n1 == 0 or n0 == 0:
        return "no patients in " + ("either group" if n1 == n0 else "group 1" if n1 == 0 else "group 0")
    if e1 + e0 == 0:
        return "no events in either group"
    return "every patient in both groups had the event" if e1 + e0 == n1 + n0 else ""


def conditional_chances(
    e1: int, n1: int, e0: int, n0: int
) -> tuple[Callable[[float], FloatArray], int, FloatArray]:
    """Return the distribution of events in group 1 given the margins, as a function of the log odds ratio.

    Parameters
    ----------
    e1, n1, e0, n0 : int
        Events and cases of either group.

    Returns
    -------
    chances : callable
        Log odds ratio -> chances of each possible number of events, ndarray of shape (m,).
    at : int
        Position of the number seen.
    support : ndarray, shape (m,)
        The possible numbers.

    Examples
    --------
    >>> chances, at, support = conditional_chances(3, 4, 1, 4)
    >>> (70 * chances(0.0)).round(9).tolist(), at
    ([1.0, 16.0, 36.0, 16.0, 1.0], 3)
    """
    support, log_weights = _hypergeometric(n1, n0, e1 + e0)
    return lambda log_odds: _chances(support, log_weights, log_odds), e1 - int(support[0]), support


def _p(value: float) -> float:
    """Return a p-value between the smallest that means anything and 1."""
    return min(max(value, SMALLEST_P), 1.0)


def _hypergeometric(n1: int, n0: int, m: int) -> tuple[FloatArray, FloatArray]:
    """Return the possible events in group 1 given m in all, and their log weights up to a constant."""
    low, high = max(0, m - n0), min(n1, m)
    x = np.arange(low, high, dtype=np.float64)
    # Ratios of neighbours, not differences of large log-factorials, so that no digits cancel.
    steps = np.log((n1 - x) * (m - x)) - np.log((x + 1) * (n0 - m + x + 1))
    return np.arange(low, high + 1, dtype=np.float64), np.concatenate([[0.0], np.cumsum(steps)])


def _chances(support: FloatArray, log_weights: FloatArray, log_odds: float) -> FloatArray:
    """Return the noncentral hypergeometric distribution at a log odds ratio."""
    tilted = log_weights + (support - support[0]) * log_odds
    return np.asarray(special.softmax(tilted), dtype=np.float64)


def _conditional(
    support: FloatArray, log_weights: FloatArray, at: int, level: float, contrast: str, n: int, p: float
) -> Estimate:
    """Return the conditional odds ratio and the limits that exist."""
    check_level(level)
    tail, last = (1 - level) / 2, support.size - 1

    def mean(theta: float) -> float:
        return float(_chances(support, log_weights, theta) @ support) - float(support[at])

    def upper_tail(theta: float) -> float:
        return float(_chances(support, log_weights, theta)[at:].sum()) - tail

    def lower_tail(theta: float) -> float:
        return tail - float(_chances(support, log_weights, theta)[: at + 1].sum())

    value = 0.0 if at == 0 else None if at == last else math.exp(_root(mean))
    low = 0.0 if at == 0 else math.exp(_root(upper_tail))
    high = None if at == last else math.exp(_root(lower_tail))
    reason = "" if high is not None else "a zero cell: the odds ratio has no finite value or upper limit"
    return Estimate(
        value=value, conf_low=low, conf_high=high, level=level, p_value=p, contrast=contrast,
        unit="ratio", n=n, method="conditional maximum likelihood, central exact interval",
        reason=reason,
    )  # fmt: skip


def _root(increasing: Callable[[float], float]) -> float:
    """Return where an increasing function of a log odds ratio crosses 0."""
    low, high = -1.0, 1.0
    while increasing(low) > 0:
        low *= 2
    while increasing(high) < 0:
        high *= 2
    return float(optimize.brentq(increasing, low, high, xtol=1e-13, rtol=1e-14))
