"""Comparison of several means: one-way analysis of variance and Welch's version of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypedDict

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.stats.numerics.arrays import FloatArray
from outcomes.stats.numerics.inputs import f_p, sample
from outcomes.stats.numerics.moments import Moments, moments


class _Counts(TypedDict):
    """The counts that every test carries, made or not."""

    n: int
    n_missing: int
    n_groups: int
    n_empty_groups: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FTest:
    """An F test of equal means.

    Attributes
    ----------
    f, df_between, df_within, p_value : float or None
        None where `reason` says why.
    ss_between, ss_within : float or None
        Sums of squares, squared units of the outcome; None for Welch's test.
    residual_sd : float or None
        Square root of the mean square within, unit of the outcome; None for Welch's test.
    r_squared, omega_squared : float or None
        Share of variation between groups (also called eta squared), and the same corrected for
        degrees of freedom; None for Welch's test.
    n, n_missing, n_groups, n_empty_groups : int
    method, reason : str
    """

    f: float | None
    df_between: float | None
    df_within: float | None
    p_value: float | None
    ss_between: float | None = None
    ss_within: float | None = None
    residual_sd: float | None = None
    r_squared: float | None = None
    omega_squared: float | None = None
    n: int
    n_missing: int
    n_groups: int
    n_empty_groups: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "statistic": self.f, "df_between": self.df_between, "df_within": self.df_within,
            "p_value": self.p_value, "n": self.n, "n_missing": self.n_missing, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.f is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        return (
            f"{self.method}: F({self.df_between:.4g}, {self.df_within:.4g}) = {self.f:.4g}, "
            f"p = {self.p_value:.3g}, n = {self.n}"
        )


def one_way_anova(groups: Sequence[ArrayLike]) -> FTest:
    """Test whether several groups have the same mean, assuming one variance.

    Parameters
    ----------
    groups : sequence of array_like
        One sample a group, in one unit; NaN or None where missing. Empty groups take no part and are
        counted.

    Returns
    -------
    FTest
        Without F and p when fewer than two groups have values, when no degrees of freedom are left
        within groups, or when no group varies.

    Raises
    ------
    EstimationError
        For samples that are not numeric or hold infinite values.

    Notes
    -----
    Values are centred on one of themselves before anything is squared, so leading digits that all
    values share cost no more than reading them as floating point did.

    References
    ----------
    Fisher RA. Statistical Methods for Research Workers. 1925. Omega squared: Hays WL. Statistics for
    Psychologists. 1963.

    Examples
    --------
    Means 2 and 4 about 3: SSB = 6, SSW = 4, F = 6 / (4/4).

    >>> test = one_way_anova([[1, 2, 3], [3, 4, 5]])
    >>> test.ss_between, test.ss_within, test.f
    (6.0, 4.0, 6.0)
    """
    present, counts = _present(groups)
    method = "one-way analysis of variance"
    k, n = len(present), counts["n"]
    if k < 2:
        return _no_test(method, f"{k} groups with values, 2 are needed", counts)
    if n - k < 1:
        return _no_test(method, f"n too small: {n} values in {k} groups leave nothing within groups", counts)
    pivot = float(present[0][0])
    parts = [moments(values - pivot) for values in present]
    spread = [moments(values) for values in present]  # on the raw values, to see what is only rounding
    if all(not part.variance for part in spread):
        return _no_test(method, "no variation within any group", counts)
    within = math.fsum((part.n - 1) * (part.variance or 0.0) for part in parts)
    sizes, means = _sizes_and_means(parts)
    grand = float(sizes @ means) / n
    between = math.fsum(sizes * (means - grand) ** 2)
    mean_square = within / (n - k)
    f = between / (k - 1) / mean_square
    total = between + within
    return FTest(
        f=f, df_between=k - 1, df_within=n - k, p_value=f_p(f, k - 1, n - k), ss_between=between,
        ss_within=within, residual_sd=math.sqrt(mean_square), r_squared=between / total,
        omega_squared=(between - (k - 1) * mean_square) / (total + mean_square), method=method, **counts,
    )  # fmt: skip


def welch_anova(groups: Sequence[ArrayLike]) -> FTest:
    """Test whether several groups have the same mean, whatever their variances.

    Parameters
    ----------
    groups : sequence of array_like
        One sample a group, in one unit; NaN or None where missing. Empty groups take no part and are
        counted.

    Returns
    -------
    FTest
        Without F and p when fewer than two groups have values, or when a group has fewer than two
        values or does not vary (its weight would be infinite).

    Raises
    ------
    EstimationError
        For samples that are not numeric or hold infinite values.

    References
    ----------
    Welch BL. On the comparison of several mean values. Biometrika 1951; 38: 330-336.

    Examples
    --------
    For two groups F is the square of Welch's t, here (1 / sqrt(2/3))^2:

    >>> round(welch_anova([[2, 3, 4], [1, 2, 3]]).f, 12)
    1.5
    """
    present, counts = _present(groups)
    method = "Welch analysis of variance"
    k = len(present)
    if k < 2:
        return _no_test(method, f"{k} groups with values, 2 are needed", counts)
    pivot = float(present[0][0])
    spread = [moments(values) for values in present]
    flat = sum(not part.variance for part in spread)
    if flat:
        return _no_test(method, f"{flat} of {k} groups have fewer than 2 values or no variation", counts)
    sizes, means = _sizes_and_means([moments(values - pivot) for values in present])
    weights = sizes / np.array([part.variance for part in spread], dtype=np.float64)
    share = weights / weights.sum()
    centre = float(share @ means)
    lack = float(((1 - share) ** 2 / (sizes - 1)).sum())
    numerator = float(weights @ (means - centre) ** 2) / (k - 1)
    f = numerator / (1 + 2 * (k - 2) / (k**2 - 1) * lack)
    df_within = (k**2 - 1) / (3 * lack)
    return FTest(
        f=f, df_between=k - 1, df_within=df_within, p_value=f_p(f, k - 1, df_within), method=method, **counts
    )


def _present(groups: Sequence[ArrayLike]) -> tuple[list[FloatArray], _Counts]:
    """Return the non-empty groups without gaps, and the counts every result carries."""
    cleaned = [sample(group, f"group {i + 1}") for i, group in enumerate(groups)]
    present = [np.sort(values) for values, _ in cleaned if values.size]  # the order of rows moves no bit
    return present, {
        "n": sum(values.size for values in present),
        "n_missing": sum(missing for _, missing in cleaned),
        "n_groups": len(present),
        "n_empty_groups": len(cleaned) - len(present),
    }


def _sizes_and_means(parts: Sequence[Moments]) -> tuple[FloatArray, FloatArray]:
    """Return the sizes and means of groups that all have values."""
    sizes = np.array([part.n for part in parts], dtype=np.float64)
    return sizes, np.array([part.mean for part in parts], dtype=np.float64)


def _no_test(method: str, reason: str, counts: _Counts) -> FTest:
    """Return the test that says why there is none."""
    return FTest(
        f=None, df_between=None, df_within=None, p_value=None, method=method, reason=reason, **counts
    )
