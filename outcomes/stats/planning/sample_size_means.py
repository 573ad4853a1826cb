"""Sample size, power and detectable difference for two means and for paired means.

By the noncentral t (exact when values are normal with one SD) or by the normal formula of the textbooks.
statsmodels solves the same t equation, but only for a standardised effect and without the other tail's choice
of rounding; here both tails count and sizes are rounded up.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from scipy import special

from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.planning.plans import (
    PlannedPower,
    SampleSize,
    Sided,
    check_effect,
    check_plan,
    check_positive,
    largest_effect,
    round_up,
    sides,
    smallest,
    two_sizes,
    z_of,
)
from outcomes.stats.printed.printed_text import group_size

MeansMethod = Literal["t", "z"]
METHODS = {"t": "t test, noncentral t", "z": "normal approximation"}


def size_two_means(
    difference: float,
    sd: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    ratio: float = 1.0,
    method: MeansMethod = "t",
) -> SampleSize:
    """Return the sizes of two groups that detect a difference of means.

    Parameters
    ----------
    difference, sd : float
        Difference to detect, not 0, and SD within groups, in one unit.
    power, alpha : float
    sided : {"one", "two"}
    ratio : float
        Size of group 1 over size of group 0.
    method : {"t", "z"}
        Noncentral t, or the normal formula ``(z_alpha + z_beta)^2 sd^2 (1/n1 + 1/n0)``.

    Returns
    -------
    SampleSize

    Raises
    ------
    EstimationError
        A difference of 0, an SD of 0, power not above alpha.

    References
    ----------
    Chow SC, Shao J, Wang H. Sample Size Calculations in Clinical Research, 2003, section 3.2.

    Examples
    --------
    Half an SD: 2 (1.96 + 0.84)^2 / 0.25 = 62.8 by the normal formula, 63.8 by t:

    >>> size_two_means(0.05, 0.1, method="z").groups, size_two_means(0.05, 0.1).groups
    ((63, 63), (64, 64))
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided, power, ratio)
    check_effect(difference, "difference")
    check_positive(sd, "sd")
    d = abs(difference) / sd
    if method == "z":
        n0 = float(((z_of(alpha, sided) + special.ndtri(power)) / d) ** 2 * (1 + 1 / ratio))
    else:
        n0 = smallest(
            lambda n: power_of_shift(d / math.sqrt((1 + 1 / ratio) / n), n * (1 + ratio) - 2, alpha, sided),
            power,
            # two in each group, so that each has a spread
            2 / min(ratio, 1.0),
        )
    unrounded = (n0 * ratio, n0)
    groups = (max(round_up(unrounded[0]), 2), max(round_up(unrounded[1]), 2))
    reached = power_two_means(*groups, difference, sd, alpha=alpha, sided=sided, method=method)
    return SampleSize(
        design="two means", groups=groups, n=sum(groups), unrounded=unrounded, power=reached.power,
        target_power=power, effect=difference, alpha=alpha, sided=sided, method=METHODS[method],
        assumed=reached.assumed,
    )  # fmt: skip


def power_two_means(
    n1: int,
    n0: int,
    difference: float,
    sd: float,
    *,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: MeansMethod = "t",
) -> PlannedPower:
    """Return the power of two groups to detect a difference of means.

    Parameters
    ----------
    n1, n0 : int
        Sizes, 2 or more.
    difference, sd, alpha, sided, method
        As for :func:`size_two_means`; a two-sided power counts both tails.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_two_means`.

    Examples
    --------
    >>> round(power_two_means(64, 64, 5, 10).power, 4)
    0.8015
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided)
    check_effect(difference, "difference")
    check_positive(sd, "sd")
    first, second = two_sizes(n1, n0)
    shift = abs(difference) / sd / math.sqrt(1 / first + 1 / second)
    found = power_of_shift(shift, first + second - 2 if method == "t" else math.inf, alpha, sided)
    return PlannedPower(
        design="two means", solved_for="power", power=found, effect=difference, groups=(first, second),
        alpha=alpha, sided=sided, method=METHODS[method], assumed=_words(difference, sd),
    )  # fmt: skip


def detectable_two_means(
    n1: int,
    n0: int,
    sd: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: MeansMethod = "t",
) -> PlannedPower:
    """Return the difference of means that two groups detect with a given power.

    Parameters
    ----------
    n1, n0, sd, power, alpha, sided, method
        As for :func:`size_two_means` and :func:`power_two_means`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_two_means`.

    Examples
    --------
    >>> round(detectable_two_means(64, 64, 10).effect, 3)
    4.991
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided, power)
    check_positive(sd, "sd")
    first, second = two_sizes(n1, n0)
    df = first + second - 2 if method == "t" else math.inf
    shift = largest_effect(lambda value: power_of_shift(value, df, alpha, sided), power, 1.0)
    effect = shift * sd * math.sqrt(1 / first + 1 / second)
    return PlannedPower(
        design="two means", solved_for="effect", power=power, effect=effect, groups=(first, second),
        alpha=alpha, sided=sided, method=METHODS[method], assumed=(f"SD {sd:g}",),
    )  # fmt: skip


def size_paired_means(
    difference: float,
    sd_difference: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: MeansMethod = "t",
) -> SampleSize:
    """Return the number of pairs that detect a mean difference.

    Parameters
    ----------
    difference, sd_difference : float
        Mean difference to detect and SD of the differences (:func:`outcomes.stats.printed.summary_numbers.sd_of_change`
        gives it from both SDs and a correlation).
    power, alpha, sided, method
        As for :func:`size_two_means`.

    Returns
    -------
    SampleSize
        One group: the pairs.

    References
    ----------
    Chow SC, Shao J, Wang H. Sample Size Calculations in Clinical Research, 2003, section 3.1.

    Examples
    --------
    >>> size_paired_means(5, 10).n
    34
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided, power)
    check_effect(difference, "difference")
    check_positive(sd_difference, "sd_difference")
    d = abs(difference) / sd_difference
    if method == "z":
        n = float(((z_of(alpha, sided) + special.ndtri(power)) / d) ** 2)
    else:
        n = smallest(lambda size: power_of_shift(d * math.sqrt(size), size - 1, alpha, sided), power, 2.0)
    pairs = max(round_up(n), 2)
    reached = power_paired_means(pairs, difference, sd_difference, alpha=alpha, sided=sided, method=method)
    return SampleSize(
        design="paired means", groups=(pairs,), n=pairs, unrounded=(n,), power=reached.power, target_power=power,
        effect=difference, alpha=alpha, sided=sided, method=reached.method, assumed=reached.assumed,
    )  # fmt: skip


def power_paired_means(
    n: int,
    difference: float,
    sd_difference: float,
    *,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: MeansMethod = "t",
) -> PlannedPower:
    """Return the power of n pairs to detect a mean difference.

    Parameters
    ----------
    n : int
        Pairs, 2 or more.
    difference, sd_difference, alpha, sided, method
        As for :func:`size_paired_means`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_paired_means`.

    Examples
    --------
    >>> round(power_paired_means(34, 5, 10).power, 4)
    0.8078
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided)
    check_effect(difference, "difference")
    check_positive(sd_difference, "sd_difference")
    pairs = group_size(n, "n", 2)
    df = pairs - 1 if method == "t" else math.inf
    found = power_of_shift(abs(difference) / sd_difference * math.sqrt(pairs), df, alpha, sided)
    return PlannedPower(
        design="paired means", solved_for="power", power=found, effect=difference, groups=(pairs,), alpha=alpha,
        sided=sided, method=METHODS[method], assumed=_words(difference, sd_difference, " of differences"),
    )  # fmt: skip


def detectable_paired_means(
    n: int,
    sd_difference: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: MeansMethod = "t",
) -> PlannedPower:
    """Return the mean difference that n pairs detect with a given power.

    Parameters
    ----------
    n, sd_difference, power, alpha, sided, method
        As for :func:`size_paired_means`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_paired_means`.

    Examples
    --------
    >>> round(detectable_paired_means(34, 10).effect, 3)
    4.95
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided, power)
    check_positive(sd_difference, "sd_difference")
    pairs = group_size(n, "n", 2)
    df = pairs - 1 if method == "t" else math.inf
    shift = largest_effect(lambda value: power_of_shift(value, df, alpha, sided), power, 1.0)
    return PlannedPower(
        design="paired means", solved_for="effect", power=power, effect=shift * sd_difference / math.sqrt(pairs),
        groups=(pairs,), alpha=alpha, sided=sided, method=METHODS[method],
        assumed=(f"SD of differences {sd_difference:g}",),
    )  # fmt: skip


def power_of_shift(shift: float, df: float, alpha: float, sided: Sided = "two") -> float:
    """Return the power of a t test whose statistic is moved by `shift` standard errors.

    Parameters
    ----------
    shift : float
        Effect over its standard error, in the direction of the alternative.
    df : float
        Degrees of freedom, infinity for the normal; need not be whole.
    alpha : float
    sided : {"one", "two"}

    Returns
    -------
    float

    References
    ----------
    Johnson NL, Welch BL. Biometrika 1940; 31: 362-389.

    Examples
    --------
    Without an effect it is alpha:

    >>> round(power_of_shift(0.0, 10, 0.05), 12)
    0.05
    """
    beyond = float(-t_quantile(alpha / sides(sided), df))
    if math.isinf(df):
        upper, lower = float(special.ndtr(shift - beyond)), float(special.ndtr(-shift - beyond))
    else:
        # the upper tail is the lower tail of the mirrored distribution: no digits lost to 1 - p
        # and where a tail is below 4e-16, less than the last digit of a power, scipy gives NaN
        upper, lower = (float(np.nan_to_num(special.nctdtr(df, moved, -beyond))) for moved in (-shift, shift))
    return min(upper + (lower if sides(sided) == 2 else 0.0), 1.0)


def _words(difference: float, sd: float, of: str = "") -> tuple[str, str]:
    """Return what was planned for, in words."""
    return f"a difference of {difference:g}", f"SD{of} {sd:g}"
