"""Rank methods: Mann-Whitney, the Hodges-Lehmann shift with its interval, Kruskal-Wallis.

Exact and approximate results are named in `method`; so is the presence of ties.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.groups.pairs import pairwise_order_statistics
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import SMALLEST_P, chi2_p, normal_quantile, sample, two_sided_p

RankMethod = Literal["auto", "exact", "normal"]
METHODS: tuple[RankMethod, ...] = ("auto", "exact", "normal")
EXACT_BELOW = 50  # both groups smaller than this and no ties: exact by default
LARGEST_EXACT = 10_000_000  # numbers held while the exact distribution is made: 80 MB


@dataclass(frozen=True, slots=True, kw_only=True)
class RankTest:
    """A rank test of two groups (Mann-Whitney) or of several (Kruskal-Wallis).

    Attributes
    ----------
    statistic : float or None
        U of the first group (pairs in which it is larger, ties counting half), or H.
    df : float or None
        Degrees of freedom of H; None for U.
    p_value : float or None
        Two-sided; None where `reason` says why.
    superiority : float or None
        U / (n_a n_b): chance that a case of the first group exceeds one of the second; None for H.
    n, n_missing : int
    method, reason : str
    """

    statistic: float | None
    df: float | None
    p_value: float | None
    superiority: float | None
    n: int
    n_missing: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {"statistic": self.statistic, "df": self.df, "p_value": self.p_value}
        return pd.DataFrame([row | {"n": self.n, "n_missing": self.n_missing, "method": self.method}])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.statistic is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        name = "U" if self.df is None else f"H({self.df:g})"
        return f"{self.method}: {name} = {self.statistic:.4g}, p = {self.p_value:.3g}, n = {self.n}"


def mann_whitney(a: ArrayLike, b: ArrayLike, *, method: RankMethod = "auto") -> RankTest:
    """Test whether one group tends to larger values than another.

    Parameters
    ----------
    a, b : array_like, shape (n_a,), (n_b,)
        Outcome of each case; NaN or None where missing.
    method : {"auto", "exact", "normal"}
        "exact" needs data without ties. "auto" is exact when both groups are below 50 and nothing
        is tied, else the normal approximation with tie-corrected variance and continuity correction.

    Returns
    -------
    RankTest
        Without p when a group is empty or all values are equal.

    Raises
    ------
    EstimationError
        For samples that are not numeric, and for "exact" with ties.

    References
    ----------
    Mann HB, Whitney DR. Annals of Mathematical Statistics 1947; 18: 50-60. Ties and continuity:
    Lehmann EL. Nonparametrics. Holden-Day 1975, ch. 1.

    Examples
    --------
    All three exceed all three: 1 of the 20 splits, twice for two sides.

    >>> test = mann_whitney([4, 5, 6], [1, 2, 3])
    >>> test.statistic, test.p_value
    (9.0, 0.1)
    """
    x, missing_a = sample(a, "a")
    y, missing_b = sample(b, "b")
    return _mann_whitney(x, y, missing_a + missing_b, method)


def _mann_whitney(x: FloatArray, y: FloatArray, n_missing: int, method: RankMethod) -> RankTest:
    """Return the Mann-Whitney test of two samples without gaps."""
    check_choice(method, METHODS, "method")
    n_a, n_b, n = x.size, y.size, x.size + y.size
    if n_a == 0 or n_b == 0:
        return _no_test("Mann-Whitney", f"no values in one group ({n_a} and {n_b})", n, n_missing)
    both = np.concatenate([x, y])
    ranks, ties = midranks(both)
    if both.min() == both.max():
        return _no_test("Mann-Whitney", "no variation: all values are equal", n, n_missing)
    u = float(ranks[:n_a].sum()) - n_a * (n_a + 1) / 2
    if _is_exact(n_a, n_b, tied=ties.size > 0, method=method):
        cumulative = _u_distribution(min(n_a, n_b), max(n_a, n_b))
        p = min(1.0, 2 * float(cumulative[int(min(u, n_a * n_b - u))]))
        name = "Mann-Whitney, exact"
    else:
        distance = abs(u - n_a * n_b / 2)
        p = two_sided_p(max(distance - 0.5, 0.0) / _u_deviation(n_a, n_b, ties))
        name = "Mann-Whitney, normal approximation" + (" with ties" if ties.size else "")
    return RankTest(
        statistic=u, df=None, p_value=max(p, SMALLEST_P), superiority=u / (n_a * n_b), n=n,
        n_missing=n_missing, method=name,
    )  # fmt: skip


def hodges_lehmann(
    a: ArrayLike,
    b: ArrayLike,
    *,
    level: float = 0.95,
    method: RankMethod = "auto",
    contrast: str = "a minus b",
    unit: str = "",
) -> Estimate:
    """Return the median of all differences between two groups, with its interval.

    Parameters
    ----------
    a, b : array_like, shape (n_a,), (n_b,)
        Outcome of each case, in `unit`; NaN or None where missing.
    level : float
        Confidence level; the exact interval has at least this level.
    method : {"auto", "exact", "normal"}
        As for :func:`mann_whitney`; p is that of the same test. The approximate limits use the
        variance without ties, which makes them wider, not narrower, when there are ties.
    contrast, unit : str
        What is subtracted from what, and the unit of the outcome.

    Returns
    -------
    Estimate
        The shift; `method` says exact or approximate. Limits are None with a reason when the groups
        are too small for the level, when no group varies, or when ties make the limits coincide.
        Uses O(n) memory above a million differences.

    Raises
    ------
    EstimationError
        For samples that are not numeric, and for "exact" with ties.

    References
    ----------
    Hodges JL, Lehmann EL. Annals of Mathematical Statistics 1963; 34: 598-611. Interval: Moses, in
    Hollander M, Wolfe DA. Nonparametric Statistical Methods. Wiley 1973, section 4.3.

    Examples
    --------
    Differences 1, 2, 2, 3, 3, 3, 4, 4, 5 of (4, 5, 6) and (1, 2, 3):

    >>> hodges_lehmann([4, 5, 6], [1, 2, 3], level=0.9, unit="kg").value
    3.0
    >>> print(hodges_lehmann([4, 5, 6], [1, 2, 3], level=0.9, unit="kg"))
    a minus b: 3 kg (90 % CI 1 to 5; n = 6; Hodges-Lehmann, exact)
    """
    check_level(level)
    x, missing_a = sample(a, "a")
    y, missing_b = sample(b, "b")
    n, n_missing = x.size + y.size, missing_a + missing_b
    test = _mann_whitney(x, y, n_missing, method)
    if x.size == 0 or y.size == 0:
        return Estimate.not_estimable(
            test.reason, contrast=contrast, unit=unit, n=n, n_missing=n_missing, method="Hodges-Lehmann"
        )
    name = test.method.replace("Mann-Whitney", "Hodges-Lehmann")
    count, reason = _limit_rank(x, y, level, name)
    total = x.size * y.size
    wanted = [(total + 1) // 2, total // 2 + 1]
    chosen = pairwise_order_statistics(x, y, wanted + ([count, total + 1 - count] if count else []))
    limits: tuple[float | None, float | None] = (None, None)
    if count:
        limits = (chosen[2] + 0.0, chosen[3] + 0.0)
        if chosen[2] == chosen[3]:
            limits, reason = (None, None), "no interval: so many values are tied that its limits coincide"
    return Estimate(
        value=(chosen[0] + chosen[1]) / 2 + 0.0, conf_low=limits[0], conf_high=limits[1], level=level,
        p_value=test.p_value, contrast=contrast, unit=unit, n=n, n_missing=n_missing, method=name,
        reason=reason,
    )  # fmt: skip


def _limit_rank(x: FloatArray, y: FloatArray, level: float, name: str) -> tuple[int, str]:
    """Return which smallest difference is the lower limit; 0 with a reason when there is none."""
    n_a, n_b = x.size, y.size
    if x.min() == x.max() and y.min() == y.max():
        return 0, "no variation within either group: no interval"
    if name.endswith("exact"):
        cumulative = _u_distribution(min(n_a, n_b), max(n_a, n_b))
        count = int(np.searchsorted(cumulative, (1 - level) / 2 * (1 + 1e-12), side="right"))
    else:
        spread = math.sqrt(n_a * n_b * (n_a + n_b + 1) / 12)
        count = math.floor(n_a * n_b / 2 - normal_quantile(level) * spread)
    if count < 1:
        return 0, f"groups of {n_a} and {n_b} are too small for an interval of level {level:g}"
    return count, ""


def kruskal_wallis(groups: Sequence[ArrayLike]) -> RankTest:
    """Test whether several groups have the same distribution, by ranks.

    Parameters
    ----------
    groups : sequence of array_like
        One sample a group; NaN or None where missing. Empty groups take no part.

    Returns
    -------
    RankTest
        H corrected for ties, with chi-squared p. Without p when fewer than two groups have values or
        when all values are equal.

    Raises
    ------
    EstimationError
        For samples that are not numeric.

    References
    ----------
    Kruskal WH, Wallis WA. Journal of the American Statistical Association 1952; 47: 583-621.

    Examples
    --------
    Ranks 1, 2 and 3, 4: H = 12/20 (9/2 + 49/2) - 15 = 2.4.

    >>> round(kruskal_wallis([[1, 2], [3, 4]]).statistic, 12)
    2.4
    """
    cleaned = [sample(group, f"group {i + 1}") for i, group in enumerate(groups)]
    present = [values for values, _ in cleaned if values.size]
    n, n_missing = sum(values.size for values in present), sum(missing for _, missing in cleaned)
    if len(present) < 2:
        return _no_test("Kruskal-Wallis", f"{len(present)} groups with values, 2 are needed", n, n_missing)
    both = np.concatenate(present)
    if both.min() == both.max():
        return _no_test("Kruskal-Wallis", "no variation: all values are equal", n, n_missing)
    ranks, ties = midranks(both)
    sizes = np.array([values.size for values in present], dtype=np.float64)
    means = np.add.reduceat(ranks, np.r_[0, np.cumsum(sizes[:-1])].astype(np.int64)) / sizes
    correction = 1 - float((ties**3 - ties).sum()) / (float(n) ** 3 - n)
    h = 12 / (n * (n + 1)) * float((sizes * (means - (n + 1) / 2) ** 2).sum()) / correction
    df = len(present) - 1
    return RankTest(
        statistic=h, df=df, p_value=chi2_p(h, df), superiority=None, n=n, n_missing=n_missing,
        method="Kruskal-Wallis" + (" with ties" if ties.size else ""),
    )  # fmt: skip


def _no_test(name: str, reason: str, n: int, n_missing: int) -> RankTest:
    """Return the test that says why there is none."""
    return RankTest(
        statistic=None, df=None, p_value=None, superiority=None, n=n, n_missing=n_missing, method=name,
        reason=reason,
    )  # fmt: skip


def _is_exact(n_a: int, n_b: int, *, tied: bool, method: RankMethod) -> bool:
    """Return whether the exact distribution is used; refuse it for ties and for very large groups."""
    if method == "exact" and tied:
        raise EstimationError(
            "method: 'exact' needs values without ties; use 'normal' or 'auto'", code="exact_with_ties"
        )
    if method == "exact" and n_a * n_b * (min(n_a, n_b) + 1) > LARGEST_EXACT:
        raise EstimationError(
            f"method: 'exact' is too large for groups of {n_a} and {n_b}; use 'normal', which is close to it",
            code="exact_too_large",
        )
    return method == "exact" or (method == "auto" and not tied and max(n_a, n_b) < EXACT_BELOW)


def midranks(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the ranks, ties sharing their mean, and the sizes of the tied sets.

    Examples
    --------
    >>> midranks(np.array([5.0, 1.0, 5.0]))
    (array([2.5, 1. , 2.5]), array([2.]))
    """
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    middle = np.cumsum(counts) - (counts - 1) / 2
    return np.asarray(middle[inverse], dtype=np.float64), counts[counts > 1].astype(np.float64)


def _u_deviation(n_a: int, n_b: int, ties: FloatArray) -> float:
    """Return the standard deviation of U given the tied sets."""
    n = n_a + n_b
    tied = float((ties**3 - ties).sum()) / (n * (n - 1))
    return math.sqrt(n_a * n_b / 12 * (n + 1 - tied))


def pair_count_chances(m: int, n: int) -> FloatArray:
    """Return the chances of u = 0 .. m n pairs in which a case of the one group is larger, without ties.

    P(m, n; u) = m/(m+n) P(m-1, n; u-n) + n/(m+n) P(m, n-1; u): sums of positive terms, so no digits
    are lost.

    Examples
    --------
    >>> (pair_count_chances(2, 2) * 6).round(12).tolist()
    [1.0, 1.0, 2.0, 1.0, 1.0]
    """
    size = m * n + 1
    column = [np.eye(1, size)[0] for _ in range(m + 1)]  # n = 0: U is 0
    for j in range(1, n + 1):
        for i in range(1, m + 1):
            mixed = j / (i + j) * column[i]
            mixed[j:] += i / (i + j) * column[i - 1][: size - j]
            column[i] = mixed
    return np.asarray(column[m], dtype=np.float64)


@lru_cache(maxsize=64)
def _u_distribution(m: int, n: int) -> FloatArray:
    """Return P(U <= u) for u = 0 .. m n without ties."""
    cumulative = np.cumsum(pair_count_chances(m, n))
    cumulative.setflags(write=False)
    return cumulative
