"""Sample size, power and detectable difference for two proportions: four formulas and the exact power of Fisher's test.

The formulas differ by what stands for the variance under no difference; none is exact. `exact_power` counts
all tables. No library that the package rests on has the pooled, corrected and exact versions.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from scipy import special, stats

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.planning.plans import (
    PlannedPower,
    SampleSize,
    Sided,
    check_plan,
    check_share,
    largest_effect,
    round_up,
    sides,
    two_sizes,
    z_of,
)
from outcomes.stats.proportions.fisher_tables import fisher_p_table

SharesMethod = Literal["pooled", "unpooled", "arcsine", "continuity-corrected", "Fisher"]
METHODS = ("pooled", "unpooled", "arcsine", "continuity-corrected", "Fisher")
LARGEST_EXACT = 2000  # patients in a group whose tables are all gone through
EXACT_TESTS = ("Fisher", "chi-squared")


def size_two_proportions(
    p1: float,
    p0: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    ratio: float = 1.0,
    method: SharesMethod = "pooled",
) -> SampleSize:
    """Return the sizes of two groups that detect a difference of proportions.

    Parameters
    ----------
    p1, p0 : float
        Shares expected in groups 1 and 0, different and strictly between 0 and 1.
    power, alpha : float
    sided : {"one", "two"}
        "Fisher" is two-sided only.
    ratio : float
        Size of group 1 over size of group 0; 1 for "Fisher".
    method : {"pooled", "unpooled", "arcsine", "continuity-corrected", "Fisher"}
        "pooled" matches chi-squared, "continuity-corrected" the corrected chi-squared and, nearly, Fisher's
        test; "Fisher" is the smallest size whose exact power is enough (a few patients more can have a
        little less, because counts are whole).

    Returns
    -------
    SampleSize

    Raises
    ------
    EstimationError
        Equal shares, shares of 0 or 1, an option that "Fisher" does not have.

    References
    ----------
    Pooled, corrected: Fleiss JL, Tytun A, Ury HK. Biometrics 1980; 36: 343-346. Unpooled: Chow SC, Shao J, Wang
    H. Sample Size Calculations in Clinical Research, 2003, section 4.2. Arcsine: Cohen J. Statistical Power
    Analysis for the Behavioral Sciences, 1988, chapter 6.

    Examples
    --------
    (1.96 + 0.84)^2 (0.65 x 0.35 + 0.85 x 0.15) / 0.2^2 = 69.7:

    >>> size_two_proportions(0.65, 0.85, method="unpooled").groups, size_two_proportions(0.65, 0.85).groups
    ((70, 70), (73, 73))
    """
    check_choice(method, METHODS, "method")
    check_plan(alpha, sided, power, ratio)
    _check_shares(p1, p0)
    if method == "Fisher":
        return _fisher_size(p1, p0, power, alpha, sided, ratio)
    n0 = _formula(p1, p0, power, alpha, sided, ratio, method)
    unrounded = (n0 * ratio, n0)
    groups = (max(round_up(unrounded[0]), 2), max(round_up(n0), 2))
    reached = power_two_proportions(*groups, p1, p0, alpha=alpha, sided=sided, method=method)
    return SampleSize(
        design="two proportions", groups=groups, n=sum(groups), unrounded=unrounded, power=reached.power,
        target_power=power, effect=p1 - p0, alpha=alpha, sided=sided, method=reached.method,
        assumed=reached.assumed,
    )  # fmt: skip


def power_two_proportions(
    n1: int,
    n0: int,
    p1: float,
    p0: float,
    *,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: SharesMethod = "pooled",
) -> PlannedPower:
    """Return the power of two groups to detect a difference of proportions.

    Parameters
    ----------
    n1, n0 : int
        Sizes, 2 or more.
    p1, p0, alpha, sided, method
        As for :func:`size_two_proportions`; a two-sided power counts both tails.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_two_proportions`.

    Examples
    --------
    >>> round(power_two_proportions(73, 73, 0.65, 0.85).power, 4)
    0.8033
    """
    check_choice(method, METHODS, "method")
    check_plan(alpha, sided)
    _check_shares(p1, p0)
    first, second = two_sizes(n1, n0)
    if method == "Fisher":
        _check_fisher(sided)
        found = exact_power(first, second, p1, p0, alpha=alpha).power
    else:
        found = _power(first, second, p1, p0, alpha, sided, method)
    return PlannedPower(
        design="two proportions", solved_for="power", power=found, effect=p1 - p0, groups=(first, second),
        alpha=alpha, sided=sided, method=_name(method), assumed=(f"shares of {p1:g} and {p0:g}",),
    )  # fmt: skip


def detectable_two_proportions(
    n1: int,
    n0: int,
    p0: float,
    *,
    higher: bool = True,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: SharesMethod = "pooled",
) -> PlannedPower:
    """Return the share of group 1 that two groups tell from the share of group 0 with a given power.

    Parameters
    ----------
    n1, n0 : int
        Sizes, 2 or more.
    p0 : float
        Share expected in group 0.
    higher : bool
        Whether the share of group 1 lies above.
    power, alpha, sided, method
        As for :func:`size_two_proportions`.

    Returns
    -------
    PlannedPower
        `effect` is the difference p1 - p0.

    Raises
    ------
    EstimationError
        When even a share of 0 or 1 in group 1 would not be detected.

    References
    ----------
    As for :func:`size_two_proportions`.

    Examples
    --------
    >>> round(detectable_two_proportions(73, 73, 0.65).effect, 3)
    0.199
    """
    check_choice(method, METHODS, "method")
    check_plan(alpha, sided, power)
    check_share(p0, "p0")
    first, second = two_sizes(n1, n0)
    room = (1 - p0 if higher else p0) * (1 - 1e-9)

    def at(distance: float) -> float:
        p1 = p0 + min(distance, room) * (1 if higher else -1)
        return power_two_proportions(first, second, p1, p0, alpha=alpha, sided=sided, method=method).power

    if at(room) < power:
        raise EstimationError(
            "even a share of 0 or 1 in group 1 is not detected; take more patients", code="too_few"
        )
    effect = largest_effect(lambda d: at(d) if d > 0 else 0.0, power, room)
    return PlannedPower(
        design="two proportions", solved_for="effect", power=power, effect=effect if higher else -effect,
        groups=(first, second), alpha=alpha, sided=sided, method=_name(method),
        assumed=(f"a share of {p0:g} in group 0",),
    )  # fmt: skip


def exact_power(
    n1: int,
    n0: int,
    p1: float,
    p0: float,
    *,
    alpha: float = 0.05,
    test: Literal["Fisher", "chi-squared"] = "Fisher",
) -> PlannedPower:
    """Return the exact power of a two-sided test of two proportions, summed over all tables.

    Parameters
    ----------
    n1, n0 : int
        Sizes, 2 to 2,000.
    p1, p0 : float
        Shares, from 0 to 1; equal shares give the true size of the test.
    alpha : float
        Significant means p below alpha.
    test : {"Fisher", "chi-squared"}
        Fisher's exact test or Pearson's chi-squared without correction.

    Returns
    -------
    PlannedPower

    Raises
    ------
    EstimationError
        Shares out of range, groups too large.

    References
    ----------
    Bennett BM, Hsu P. Biometrika 1960; 47: 393-398.

    Examples
    --------
    With 4 and 4 only all against none is significant (p = 2/70): the chance is 2 / 2^8 at 0.5:

    >>> round(exact_power(4, 4, 0.5, 0.5).power, 12), 2 / 2**8
    (0.0078125, 0.0078125)
    """
    check_choice(test, EXACT_TESTS, "test")
    check_plan(alpha, "two")
    first, second = two_sizes(n1, n0)
    if max(first, second) > LARGEST_EXACT:
        raise EstimationError(
            "n1 and n0 must not exceed 2000 for an exact power; use 'pooled'", code="too_large"
        )
    if not (0 <= p1 <= 1 and 0 <= p0 <= 1):
        raise EstimationError("p1 and p0 must be from 0 to 1", code="bad_plan")
    rejected = (fisher_p_table(first, second) if test == "Fisher" else _chi2_table(first, second)) < alpha
    chance1 = stats.binom.pmf(np.arange(first + 1), first, p1)
    chance0 = stats.binom.pmf(np.arange(second + 1), second, p0)
    return PlannedPower(
        design="two proportions", solved_for="power", power=float(chance1 @ rejected @ chance0), effect=p1 - p0,
        groups=(first, second), alpha=alpha, sided="two", method=f"exact, {test}",
        assumed=(f"shares of {p1:g} and {p0:g}",),
    )  # fmt: skip


def _formula(
    p1: float, p0: float, power: float, alpha: float, sided: Sided, ratio: float, method: str
) -> float:
    """Return the unrounded size of group 0."""
    za, zb = z_of(alpha, sided), float(special.ndtri(power))
    d = abs(p1 - p0)
    if method == "arcsine":
        return ((za + zb) / _arcsine(p1, p0)) ** 2 * (1 + 1 / ratio)
    own = p1 * (1 - p1) / ratio + p0 * (1 - p0)
    if method == "unpooled":
        return (za + zb) ** 2 * own / d**2
    common = (ratio * p1 + p0) / (1 + ratio)
    plain = (za * math.sqrt(common * (1 - common) * (1 + 1 / ratio)) + zb * math.sqrt(own)) ** 2 / d**2
    if method == "pooled":
        return plain
    return plain / 4 * (1 + math.sqrt(1 + 2 * (1 + ratio) / (plain * ratio * d))) ** 2


def _power(n1: float, n0: float, p1: float, p0: float, alpha: float, sided: Sided, method: str) -> float:
    """Return the power by a formula."""
    za, d, ratio = z_of(alpha, sided), abs(p1 - p0), n1 / n0
    if method == "continuity-corrected":
        # the correction of the size, undone
        c = 2 * (1 + ratio) / (ratio * d)
        if 4 * n0 <= c:
            return 0.0
        n0 = (4 * n0 - c) ** 2 / (16 * n0)
        n1 = n0 * ratio
    if method == "arcsine":
        shift, scale = _arcsine(p1, p0) / math.sqrt(1 / n1 + 1 / n0), 1.0
    else:
        own = math.sqrt(p1 * (1 - p1) / n1 + p0 * (1 - p0) / n0)
        common = (n1 * p1 + n0 * p0) / (n1 + n0)
        pooled = math.sqrt(common * (1 - common) * (1 / n1 + 1 / n0))
        shift, scale = d / own, 1.0 if method == "unpooled" else pooled / own
    tails = special.ndtr(shift - za * scale) + (special.ndtr(-shift - za * scale) if sides(sided) == 2 else 0)
    return float(tails)


def _fisher_size(p1: float, p0: float, power: float, alpha: float, sided: Sided, ratio: float) -> SampleSize:
    """Return the smallest equal groups whose exact power by Fisher's test is enough."""
    _check_fisher(sided)
    if ratio != 1:
        raise EstimationError(
            "ratio must be 1 for 'Fisher'; use exact_power for given sizes", code="bad_ratio"
        )
    # Fisher's test rejects less often than chi-squared, so a fifth below its size is not enough
    n = max(math.floor(0.8 * _formula(p1, p0, power, alpha, sided, 1.0, "pooled")), 2)
    while (reached := exact_power(n, n, p1, p0, alpha=alpha)).power < power:
        n += 1
    return SampleSize(
        design="two proportions", groups=(n, n), n=2 * n, unrounded=(float(n), float(n)), power=reached.power,
        target_power=power, effect=p1 - p0, alpha=alpha, sided=sided, method=reached.method,
        assumed=reached.assumed,
    )  # fmt: skip


def _chi2_table(n1: int, n0: int) -> FloatArray:
    """Return p of chi-squared for every table; 1 where there are no events or only events."""
    e1, e0 = np.arange(n1 + 1.0)[:, None], np.arange(n0 + 1.0)[None, :]
    m, n = e1 + e0, float(n1 + n0)
    product = m * (n - m) * n1 * n0
    apart = (e1 * n0 - e0 * n1) ** 2 * n
    statistic = np.divide(apart, product, out=np.zeros_like(apart), where=product > 0)
    return np.asarray(special.chdtrc(1, statistic), dtype=np.float64)


def _arcsine(p1: float, p0: float) -> float:
    """Return the distance of two shares on Cohen's angular scale."""
    return 2 * abs(math.asin(math.sqrt(p1)) - math.asin(math.sqrt(p0)))


def _check_shares(p1: float, p0: float) -> None:
    """Refuse shares that make no plan."""
    check_share(p1, "p1")
    check_share(p0, "p0")
    if p1 == p0:
        raise EstimationError(
            "p1 and p0 must differ: no number of patients detects no difference; for a margin use "
            "size_equivalence_proportions or size_non_inferiority_proportions",
            code="bad_plan",
        )


def _check_fisher(sided: Sided) -> None:
    """Refuse a one-sided plan for Fisher's test."""
    if sides(sided) != 2:
        raise EstimationError("'Fisher' is planned two-sided only; use sided='two'", code="bad_choice")


def _name(method: str) -> str:
    """Return what a method is called in a sentence."""
    return "exact, Fisher" if method == "Fisher" else f"{method} normal approximation"
