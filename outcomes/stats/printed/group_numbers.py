"""Mean and SD of a group: from its median with quartiles or range, or from its subgroups.

Closed formulas; no library that the package rests on has them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.inputs import whole
from outcomes.stats.printed.summary_numbers import DerivedGroup

MeanMethod = Literal["Luo", "Wan"]
SdMethod = Literal["Shi", "Wan"]


def mean_sd_from_quantiles(
    n: int,
    median: float,
    *,
    minimum: float | None = None,
    q1: float | None = None,
    q3: float | None = None,
    maximum: float | None = None,
    mean_method: MeanMethod = "Luo",
    sd_method: SdMethod = "Shi",
) -> DerivedGroup:
    """Return mean and SD of a group that a paper describes by its median.

    Parameters
    ----------
    n : int
        Size of the group, 2 or more.
    median : float
    minimum, maximum : float, optional
        The range; both or neither.
    q1, q3 : float, optional
        The quartiles; both or neither. Range or quartiles or both must be given.
    mean_method : {"Luo", "Wan"}
        Luo 2018 weighs the summary numbers by n and has the smaller error; Wan 2014 is the older rule.
    sd_method : {"Shi", "Wan"}
        Matters only when range and quartiles are both given: Shi 2020 weighs them by n, Wan 2014 halves.

    Returns
    -------
    DerivedGroup

    Raises
    ------
    EstimationError
        When half a pair is given, nothing beside the median, or the numbers are not in order.

    Notes
    -----
    Authors give a median when values are skewed, and the formulas assume they are not: read the result as
    a guess to be left out in a sensitivity analysis.

    References
    ----------
    Wan X, Wang W, Liu J, Tong T. BMC Medical Research Methodology 2014; 14: 135. Luo D, Wan X, Liu J,
    Tong T. Statistical Methods in Medical Research 2018; 27: 1785-1805. Shi J, Luo D, Weng H, et al.
    Research Synthesis Methods 2020; 11: 641-654.

    Examples
    --------
    Symmetric quartiles: the mean is the median, the SD their distance over 2 z((0.75 n - 0.125)/(n + 0.25)):

    >>> group = mean_sd_from_quantiles(1000, 50, q1=43.255, q3=56.745)
    >>> round(group.mean, 6), round(group.sd, 2)
    (50.0, 10.01)
    """
    check_choice(mean_method, ("Luo", "Wan"), "mean_method")
    check_choice(sd_method, ("Shi", "Wan"), "sd_method")
    size = whole(n, "n")
    if size < 2:
        raise EstimationError("n must be 2 or more for an SD to exist", code="too_few")
    given = _given(median, minimum, q1, q3, maximum)
    middle = given["median"]
    # about the median, so that a large offset costs no digits
    ends = (given["minimum"] - middle, given["maximum"] - middle) if "minimum" in given else None
    quartiles = (given["q1"] - middle, given["q3"] - middle) if "q1" in given else None
    shift = (_luo if mean_method == "Luo" else _wan)(size, ends, quartiles)
    both = ends is not None and quartiles is not None
    sd = _sd(size, ends, quartiles, shi=sd_method == "Shi")
    if not (math.isfinite(middle + shift) and math.isfinite(sd)):
        raise EstimationError("the numbers given are too large for arithmetic", code="bad_summary")
    shown = ", ".join(f"{name} {value:g}" for name, value in given.items())
    return DerivedGroup(
        n=size, mean=middle + shift, sd=sd,
        steps=(
            f"from {shown}", f"mean by {'Luo 2018' if mean_method == 'Luo' else 'Wan 2014'}",
            f"SD by {'Shi 2020' if both and sd_method == 'Shi' else 'Wan 2014'}",
        ),
        assumed=("values roughly normal, not skewed",), source="Wan 2014; Luo 2018; Shi 2020",
    )  # fmt: skip


def combine_groups(n: Sequence[int], mean: Sequence[float], sd: Sequence[float]) -> DerivedGroup:
    """Return the size, mean and SD that several groups have together.

    Parameters
    ----------
    n, mean, sd : sequence of int, float, float
        One value a group, at least one group. SD with divisor n - 1; of a group of 1 it is not used.

    Returns
    -------
    DerivedGroup
        Exactly what one would compute from all patients at once.

    Raises
    ------
    EstimationError
        When the lengths differ, there are fewer than 2 patients, or a number is not what it must be.

    References
    ----------
    Cochrane Handbook, chapter 6, table 6.5.a.

    Examples
    --------
    Values 1, 3 and 5, 7 have means 2 and 6; together 4 with SD sqrt(20/3):

    >>> both = combine_groups([2, 2], [2, 6], [2 ** 0.5, 2 ** 0.5])
    >>> both.mean, round(both.sd ** 2, 12)
    (4.0, 6.666666666667)
    """
    if not (len(n) == len(mean) == len(sd) > 0):
        raise EstimationError(
            f"n, mean and sd have {len(n)}, {len(mean)} and {len(sd)} values; give one of each for every group",
            code="bad_shape",
        )
    sizes = [whole(value, f"n of group {k}") for k, value in enumerate(n, 1)]
    for k, (centre, spread) in enumerate(zip(mean, sd, strict=True), 1):
        if not (math.isfinite(centre) and math.isfinite(spread) and spread >= 0):
            raise EstimationError(f"group {k}: mean must be finite and SD 0 or more", code="bad_summary")
    total = sum(sizes)
    if total < 2:
        raise EstimationError("the groups have fewer than 2 patients together", code="too_few")
    pivot = next(float(centre) for size, centre in zip(sizes, mean, strict=True) if size)
    # about one of the means, so that a large common offset costs no digits
    shift = math.fsum(size * (centre - pivot) for size, centre in zip(sizes, mean, strict=True)) / total
    within = math.fsum(max(size - 1, 0) * spread**2 for size, spread in zip(sizes, sd, strict=True))
    between = math.fsum(
        size * (centre - pivot - shift) ** 2 for size, centre in zip(sizes, mean, strict=True)
    )
    shown = ", ".join(
        f"{centre:g} (SD {spread:g}, n = {size})"
        for size, centre, spread in zip(sizes, mean, sd, strict=True)
    )
    return DerivedGroup(
        n=total, mean=pivot + shift, sd=math.sqrt((within + between) / (total - 1)),
        steps=(f"{len(sizes)} groups combined: {shown}", "squares within and between groups / (n - 1)"),
        source="Cochrane Handbook table 6.5.a",
    )  # fmt: skip


Pair = tuple[float, float] | None


def _given(
    median: float, minimum: float | None, q1: float | None, q3: float | None, maximum: float | None
) -> dict[str, float]:
    """Return the numbers that were given, in order, or refuse them."""
    if (minimum is None) != (maximum is None) or (q1 is None) != (q3 is None):
        raise EstimationError("give minimum and maximum together, and q1 and q3 together", code="half_a_pair")
    if minimum is None and q1 is None:
        raise EstimationError(
            "give the range, the quartiles or both beside the median", code="missing_argument"
        )
    named = {"minimum": minimum, "q1": q1, "median": median, "q3": q3, "maximum": maximum}
    given = {name: float(value) for name, value in named.items() if value is not None}
    values = list(given.values())
    if not all(map(math.isfinite, values)):
        raise EstimationError("every number given must be finite", code="bad_summary")
    if values != sorted(values):
        raise EstimationError(
            f"{', '.join(given)} must not decrease in this order; check which is which", code="bad_order"
        )
    return given


def _middle(pair: Pair) -> float:
    """Return the middle of a pair, 0 without one."""
    return 0.0 if pair is None else (pair[0] + pair[1]) / 2


def _luo(n: int, ends: Pair, quartiles: Pair) -> float:
    """Return mean minus median by Luo 2018: equations 7, 11 and 15."""
    if ends is None:
        return (0.7 + 0.39 / n) * _middle(quartiles)
    if quartiles is None:
        return 4 / (4 + math.pow(n, 0.75)) * _middle(ends)
    share = 2.2 / (2.2 + math.pow(n, 0.75))
    return share * _middle(ends) + (0.7 - 0.72 / math.pow(n, 0.55)) * _middle(quartiles)


def _wan(n: int, ends: Pair, quartiles: Pair) -> float:
    """Return mean minus median by Wan 2014: (a + 2m + b)/4, (q1 + m + q3)/3, (a + 2q1 + 2m + 2q3 + b)/8."""
    if ends is None:
        return 2 * _middle(quartiles) / 3
    if quartiles is None:
        return _middle(ends) / 2
    return (_middle(ends) + 2 * _middle(quartiles)) / 4


def _sd(n: int, ends: Pair, quartiles: Pair, *, shi: bool) -> float:
    """Return the SD: range and quartile distance over what they are for n normal values."""
    z_range = float(special.ndtri((n - 0.375) / (n + 0.25)))
    z_quartile = float(special.ndtri((0.75 * n - 0.125) / (n + 0.25)))
    by_range = (ends[1] - ends[0]) / (2 * z_range) if ends else None
    by_quartiles = (quartiles[1] - quartiles[0]) / (2 * z_quartile) if quartiles else None
    if by_range is None or by_quartiles is None:
        return (by_range or 0.0) + (by_quartiles or 0.0)
    if not shi:
        return (by_range + by_quartiles) / 2
    root = math.pow(n, 0.6)
    return by_range / (1 + 0.07 * root) + by_quartiles / (1 + 1 / (0.07 * root))
