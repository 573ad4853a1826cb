"""Sample size and power to show that means differ by less than a margin: equivalence and non-inferiority.

Equivalence is two one-sided tests, whose exact power by t is an integral over the SD that the sample will have. The
textbook formula with half of beta is a lower limit of the power, exact only for a true difference of 0.
statsmodels has the sizes of neither design.
"""

from __future__ import annotations

import math
from typing import Literal

from scipy import special

from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.planning.margin_planning import check_within, room_to_margin, sized, tost_power
from outcomes.stats.planning.plans import (
    PlannedPower,
    SampleSize,
    check_plan,
    check_positive,
    round_up,
    smallest,
    two_sizes,
    z_of,
)
from outcomes.stats.planning.sample_size_means import power_of_shift
from outcomes.stats.testing.equivalence import Better

MarginMethod = Literal["t", "z"]
EquivalenceMethod = Literal["t", "z", "half beta"]
NAMES = {
    "t": "noncentral t",
    "z": "normal approximation",
    "half beta": "normal approximation, beta halved",
}


def size_non_inferiority_means(
    margin: float,
    sd: float,
    *,
    true_difference: float = 0.0,
    better: Better = "higher",
    power: float = 0.8,
    alpha: float = 0.025,
    ratio: float = 1.0,
    method: MarginMethod = "t",
) -> SampleSize:
    """Return the sizes of two groups that show a mean not to be worse by the margin.

    Parameters
    ----------
    margin, sd : float
        Margin, above 0, and SD within groups, in one unit.
    true_difference : float
        Group 1 minus group 0 as expected.
    better : {"higher", "lower"}
        Which direction of the outcome is better.
    power : float
    alpha : float
        One-sided; 0.025 reads the ordinary 95 % interval.
    ratio : float
        Size of group 1 over size of group 0.
    method : {"t", "z"}

    Returns
    -------
    SampleSize

    Raises
    ------
    EstimationError
        When the expected difference is itself as bad as the margin.

    References
    ----------
    Chow SC, Shao J, Wang H. Sample Size Calculations in Clinical Research, 2003, section 3.2.

    Examples
    --------
    2 (1.645 + 0.842)^2 (0.1 / 0.05)^2 = 49.5:

    >>> size_non_inferiority_means(0.05, 0.1, alpha=0.05, method="z").groups
    (50, 50)
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, "one", power, ratio)
    check_positive(sd, "sd")
    d = room_to_margin(margin, true_difference, better) / sd
    if method == "z":
        n0 = float(((z_of(alpha, "one") + special.ndtri(power)) / d) ** 2 * (1 + 1 / ratio))
    else:
        n0 = smallest(
            lambda n: power_of_shift(d / math.sqrt((1 + 1 / ratio) / n), n * (1 + ratio) - 2, alpha, "one"),
            power,
            2 / min(ratio, 1.0),
        )
    groups = (max(round_up(n0 * ratio), 2), max(round_up(n0), 2))
    reached = power_non_inferiority_means(
        *groups, margin, sd, true_difference=true_difference, better=better, alpha=alpha, method=method
    )
    return sized(reached, groups, (n0 * ratio, n0), power)


def power_non_inferiority_means(
    n1: int,
    n0: int,
    margin: float,
    sd: float,
    *,
    true_difference: float = 0.0,
    better: Better = "higher",
    alpha: float = 0.025,
    method: MarginMethod = "t",
) -> PlannedPower:
    """Return the power of two groups to show a mean not to be worse by the margin.

    Parameters
    ----------
    n1, n0 : int
        Sizes, 2 or more.
    margin, sd, true_difference, better, alpha, method
        As for :func:`size_non_inferiority_means`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_non_inferiority_means`.

    Examples
    --------
    >>> round(power_non_inferiority_means(50, 50, 0.05, 0.1, alpha=0.05).power, 4)
    0.7989
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, "one")
    check_positive(sd, "sd")
    first, second = two_sizes(n1, n0)
    shift = room_to_margin(margin, true_difference, better) / sd / math.sqrt(1 / first + 1 / second)
    df = first + second - 2 if method == "t" else math.inf
    return PlannedPower(
        design="non-inferiority of a mean", solved_for="power", power=power_of_shift(shift, df, alpha, "one"),
        effect=margin, groups=(first, second), alpha=alpha, sided="one", method=NAMES[method],
        assumed=(f"a margin of {margin:g}", f"a true difference of {true_difference:g}", f"SD {sd:g}"),
    )  # fmt: skip


def size_equivalence_means(
    margin: float,
    sd: float,
    *,
    true_difference: float = 0.0,
    power: float = 0.8,
    alpha: float = 0.05,
    ratio: float = 1.0,
    method: EquivalenceMethod = "t",
) -> SampleSize:
    """Return the sizes of two groups that show two means to differ by less than the margin.

    Parameters
    ----------
    margin, sd : float
        Margin, above 0, on either side, and SD within groups, in one unit.
    true_difference : float
        As expected, within the margin.
    power : float
    alpha : float
        Of each one-sided test; 0.05 reads the 90 % interval.
    ratio : float
        Size of group 1 over size of group 0.
    method : {"t", "z", "half beta"}
        Exact power of both tests by t or by the normal; or the textbook formula ``(z_alpha + z_beta/2)^2
        sd^2 (1/n1 + 1/n0) / (margin - |difference|)^2``, which asks for more than is needed unless the true
        difference is 0.

    Returns
    -------
    SampleSize

    Raises
    ------
    EstimationError
        When the expected difference is not within the margin.

    References
    ----------
    Exact: Phillips KF. J Pharmacokinet Biopharm 1990; 18: 137-144. Formula: Chow SC, Shao J, Wang H. Sample
    Size Calculations in Clinical Research, 2003, section 3.2 (its example prints 107, with rounded quantiles).

    Examples
    --------
    2 (1.2816 + 1.6449)^2 (0.1 / 0.04)^2 = 107.05, which is 108 patients:

    >>> plan = {"true_difference": 0.01, "power": 0.9, "alpha": 0.1}
    >>> size_equivalence_means(0.05, 0.1, method="half beta", **plan).groups
    (108, 108)
    >>> size_equivalence_means(0.05, 0.1, **plan).groups
    (85, 85)
    """
    check_choice(method, ("t", "z", "half beta"), "method")
    check_plan(alpha, "one", power, ratio)
    check_within(margin, true_difference)
    check_positive(sd, "sd")
    if method == "half beta":
        z = z_of(alpha, "one") + float(special.ndtri((1 + power) / 2))
        n0 = (z * sd / (margin - abs(true_difference))) ** 2 * (1 + 1 / ratio)
    else:

        def at(n: float) -> float:
            df = n * (1 + ratio) - 2 if method == "t" else math.inf
            return tost_power(margin, true_difference, sd * math.sqrt((1 + 1 / ratio) / n), df, alpha)

        n0 = smallest(at, power, 2 / min(ratio, 1.0))
    groups = (max(round_up(n0 * ratio), 2), max(round_up(n0), 2))
    reached = power_equivalence_means(
        *groups, margin, sd, true_difference=true_difference, alpha=alpha, method=method
    )
    return sized(reached, groups, (n0 * ratio, n0), power)


def power_equivalence_means(
    n1: int,
    n0: int,
    margin: float,
    sd: float,
    *,
    true_difference: float = 0.0,
    alpha: float = 0.05,
    method: EquivalenceMethod = "t",
) -> PlannedPower:
    """Return the power of two groups to show two means to differ by less than the margin.

    Parameters
    ----------
    n1, n0 : int
        Sizes, 2 or more.
    margin, sd, true_difference, alpha, method
        As for :func:`size_equivalence_means`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_equivalence_means`.

    Examples
    --------
    By the normal, with 100 and 100: P(|Z| < 0.05 / 0.01414 - 1.645) = P(|Z| < 1.891):

    >>> round(power_equivalence_means(100, 100, 0.05, 0.1, method="z").power, 4)
    0.9413
    """
    check_choice(method, ("t", "z", "half beta"), "method")
    check_plan(alpha, "one")
    check_within(margin, true_difference)
    check_positive(sd, "sd")
    first, second = two_sizes(n1, n0)
    error = sd * math.sqrt(1 / first + 1 / second)
    if method == "half beta":
        shift = (margin - abs(true_difference)) / error
        found = max(2 * float(special.ndtr(shift - z_of(alpha, "one"))) - 1, 0.0)
    else:
        df = first + second - 2 if method == "t" else math.inf
        found = tost_power(margin, true_difference, error, df, alpha)
    return PlannedPower(
        design="equivalence of means", solved_for="power", power=found, effect=margin, groups=(first, second),
        alpha=alpha, sided="one", method=f"two one-sided tests, {NAMES[method]}",
        assumed=(f"a margin of {margin:g}", f"a true difference of {true_difference:g}", f"SD {sd:g}"),
    )  # fmt: skip
