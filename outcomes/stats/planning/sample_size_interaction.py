"""Sample size and power for an interaction in a 2 x 2 layout: a difference of two differences.

Four cells of unequal size are the rule when one factor is not under control; the variance is the sum of the four
cell variances, four times that of a main effect in a balanced layout and more in any other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.planning.plans import (
    PlannedPower,
    SampleSize,
    Sided,
    check_effect,
    check_plan,
    check_positive,
    check_share,
    largest_effect,
    round_up,
    smallest,
    z_of,
)
from outcomes.stats.planning.sample_size_means import power_of_shift
from outcomes.stats.printed.printed_text import group_size

MeansMethod = Literal["t", "z"]
NAMES = {"t": "noncentral t, N - 4 degrees of freedom", "z": "normal approximation"}
EVEN = (0.25, 0.25, 0.25, 0.25)


def size_interaction_means(
    interaction: float,
    sd: float,
    *,
    shares: Sequence[float] = EVEN,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: MeansMethod = "t",
) -> SampleSize:
    """Return the size of four cells that detect an interaction of two yes/no factors on a mean.

    Parameters
    ----------
    interaction, sd : float
        ``(m11 - m10) - (m01 - m00)`` to detect and SD within cells, in one unit.
    shares : sequence of 4 float
        Expected shares of the cells 11, 10, 01, 00 in the study; they sum to 1.
    power, alpha, sided, method
        As for :func:`outcomes.stats.planning.sample_size_means.size_two_means`.

    Returns
    -------
    SampleSize
        `groups` in the order of `shares`.

    Raises
    ------
    EstimationError
        An interaction of 0, shares that do not sum to 1.

    References
    ----------
    Brookes ST, Whitely E, Egger M, et al. J Clin Epidemiol 2004; 57: 229-236.

    Examples
    --------
    A difference of half an SD takes 128 patients as a main effect, four times as many as an interaction:

    >>> size_interaction_means(0.5, 1, method="z").n, size_interaction_means(0.5, 1).n
    (504, 508)
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided, power)
    check_effect(interaction, "interaction")
    check_positive(sd, "sd")
    cells = _shares(shares)
    unit = sd / abs(interaction) * math.sqrt(math.fsum(1 / share for share in cells))
    if method == "z":
        total = float(((z_of(alpha, sided) + special.ndtri(power)) * unit) ** 2)
    else:
        total = smallest(lambda n: power_of_shift(math.sqrt(n) / unit, n - 4, alpha, sided), power, 5.0)
    groups = tuple(max(round_up(total * share), 2) for share in cells)
    reached = power_interaction_means(groups, interaction, sd, alpha=alpha, sided=sided, method=method)
    return _sized(reached, groups, tuple(total * share for share in cells), power)


def power_interaction_means(
    groups: Sequence[int],
    interaction: float,
    sd: float,
    *,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: MeansMethod = "t",
) -> PlannedPower:
    """Return the power of four cells to detect an interaction on a mean.

    Parameters
    ----------
    groups : sequence of 4 int
        Sizes of the cells 11, 10, 01, 00, 2 or more each.
    interaction, sd, alpha, sided, method
        As for :func:`size_interaction_means`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_interaction_means`.

    Examples
    --------
    >>> round(power_interaction_means([127, 127, 127, 127], 0.5, 1).power, 4)
    0.8029
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided)
    check_effect(interaction, "interaction")
    check_positive(sd, "sd")
    cells = _cells(groups)
    error = sd * math.sqrt(math.fsum(1 / n for n in cells))
    df = sum(cells) - 4 if method == "t" else math.inf
    return PlannedPower(
        design="interaction of means", solved_for="power", effect=interaction, groups=cells, alpha=alpha,
        power=power_of_shift(abs(interaction) / error, df, alpha, sided), sided=sided, method=NAMES[method],
        assumed=(f"an interaction of {interaction:g}", f"SD {sd:g}"),
    )  # fmt: skip


def detectable_interaction_means(
    groups: Sequence[int],
    sd: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    method: MeansMethod = "t",
) -> PlannedPower:
    """Return the interaction on a mean that four cells detect with a given power.

    Parameters
    ----------
    groups, sd, power, alpha, sided, method
        As for :func:`size_interaction_means` and :func:`power_interaction_means`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_interaction_means`.

    Examples
    --------
    >>> round(detectable_interaction_means([127, 127, 127, 127], 1).effect, 3)
    0.498
    """
    check_choice(method, ("t", "z"), "method")
    check_plan(alpha, sided, power)
    check_positive(sd, "sd")
    cells = _cells(groups)
    df = sum(cells) - 4 if method == "t" else math.inf
    shift = largest_effect(lambda value: power_of_shift(value, df, alpha, sided), power, 1.0)
    return PlannedPower(
        design="interaction of means", solved_for="effect", power=power, groups=cells, alpha=alpha, sided=sided,
        effect=shift * sd * math.sqrt(math.fsum(1 / n for n in cells)), method=NAMES[method],
        assumed=(f"SD {sd:g}",),
    )  # fmt: skip


def size_interaction_proportions(
    proportions: Sequence[float],
    *,
    shares: Sequence[float] = EVEN,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
) -> SampleSize:
    """Return the size of four cells that detect an interaction of two factors on a risk difference.

    Parameters
    ----------
    proportions : sequence of 4 float
        Shares with the event expected in cells 11, 10, 01, 00, between 0 and 1; the interaction is their
        difference of differences, not 0.
    shares : sequence of 4 float
        Expected shares of the cells in the study; they sum to 1.
    power, alpha, sided
        As for :func:`outcomes.stats.planning.sample_size_means.size_two_means`.

    Returns
    -------
    SampleSize
        By the normal approximation with each cell's own variance.

    Raises
    ------
    EstimationError
        No interaction, shares that do not sum to 1.

    References
    ----------
    As for :func:`size_interaction_means`.

    Examples
    --------
    (1.96 + 0.84)^2 x 4 (0.25 + 3 x 0.21) / 0.2^2 = 690.7 patients, 172.7 a cell:

    >>> size_interaction_proportions([0.5, 0.3, 0.3, 0.3]).groups
    (173, 173, 173, 173)
    """
    check_plan(alpha, sided, power)
    risks, cells = _risks(proportions), _shares(shares)
    interaction = _interaction(risks)
    variance = math.fsum(p * (1 - p) / share for p, share in zip(risks, cells, strict=True))
    total = float((z_of(alpha, sided) + special.ndtri(power)) ** 2 * variance / interaction**2)
    groups = tuple(max(round_up(total * share), 2) for share in cells)
    reached = power_interaction_proportions(groups, risks, alpha=alpha, sided=sided)
    return _sized(reached, groups, tuple(total * share for share in cells), power)


def power_interaction_proportions(
    groups: Sequence[int], proportions: Sequence[float], *, alpha: float = 0.05, sided: Sided = "two"
) -> PlannedPower:
    """Return the power of four cells to detect an interaction on a risk difference.

    Parameters
    ----------
    groups : sequence of 4 int
        Sizes of the cells 11, 10, 01, 00, 2 or more each.
    proportions, alpha, sided
        As for :func:`size_interaction_proportions`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`size_interaction_means`.

    Examples
    --------
    >>> round(power_interaction_proportions([173] * 4, [0.5, 0.3, 0.3, 0.3]).power, 4)
    0.8007
    """
    check_plan(alpha, sided)
    risks, cells = _risks(proportions), _cells(groups)
    interaction = _interaction(risks)
    error = math.sqrt(math.fsum(p * (1 - p) / n for p, n in zip(risks, cells, strict=True)))
    return PlannedPower(
        design="interaction of proportions", solved_for="power", effect=interaction, groups=cells, alpha=alpha,
        power=power_of_shift(abs(interaction) / error, math.inf, alpha, sided), sided=sided,
        method="unpooled normal approximation",
        assumed=("shares of " + ", ".join(f"{p:g}" for p in risks),),
    )  # fmt: skip


def _sized(
    reached: PlannedPower, groups: tuple[int, ...], unrounded: tuple[float, ...], target: float
) -> SampleSize:
    """Return the sizes with the power that they reach."""
    return SampleSize(
        design=reached.design, groups=groups, n=sum(groups), unrounded=unrounded, power=reached.power,
        target_power=target, effect=reached.effect, alpha=reached.alpha, sided=reached.sided,
        method=reached.method, assumed=reached.assumed,
    )  # fmt: skip


def _shares(shares: Sequence[float]) -> tuple[float, ...]:
    """Return the shares of four cells."""
    cells = tuple(float(share) for share in shares)
    if len(cells) != 4 or not all(0 < share < 1 for share in cells) or abs(math.fsum(cells) - 1) > 1e-9:
        raise EstimationError(
            "shares: give four numbers above 0 that sum to 1, for the cells 11, 10, 01, 00", code="bad_shares"
        )
    return cells


def _cells(groups: Sequence[int]) -> tuple[int, ...]:
    """Return the sizes of four cells."""
    if len(groups) != 4:
        raise EstimationError("groups: give four sizes, for the cells 11, 10, 01, 00", code="bad_shape")
    return tuple(group_size(n, "groups", 2) for n in groups)


def _risks(proportions: Sequence[float]) -> tuple[float, ...]:
    """Return the proportions of four cells."""
    if len(proportions) != 4:
        raise EstimationError("proportions: give four, for the cells 11, 10, 01, 00", code="bad_shape")
    for p in proportions:
        check_share(p, "proportions")
    return tuple(float(p) for p in proportions)


def _interaction(risks: Sequence[float]) -> float:
    """Return the difference of differences, not 0."""
    value = math.fsum((risks[0], -risks[1], -risks[2], risks[3]))
    check_effect(0.0 if abs(value) < 1e-12 else value, "the interaction of the proportions")
    return value
