"""How many patients for an interval of a given width, instead of for a test.

Each size is the smallest at which the expected interval, at the planned spread or share, is as narrow as asked. The
interval of the data will be wider about half the time. No library that the package rests on has them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.inputs import normal_quantile
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.planning.plans import LARGEST, check_positive, check_share, round_up
from outcomes.stats.printed.printed_text import group_size

ShareMethod = Literal["Wilson", "Wald"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecisionSize:
    """How many patients an interval of a given half width takes.

    Attributes
    ----------
    quantity : str
        What is estimated.
    groups : tuple of int
        Size of each group, rounded up.
    n : int
        All groups.
    half_width, target : float
        Half the expected width at these sizes, and as asked for.
    level : float
    method : str
    assumed : tuple of str
    """

    quantity: str
    groups: tuple[int, ...]
    n: int
    half_width: float
    target: float
    level: float
    method: str
    assumed: tuple[str, ...] = ()

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "contrast": self.quantity, "n": self.n, "groups": ", ".join(map(str, self.groups)),
            "half_width": self.half_width, "target": self.target, "level": self.level, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a protocol."""
        sizes = f"{self.n}" if len(self.groups) == 1 else f"{' and '.join(map(str, self.groups))}"
        given = f" for {', '.join(self.assumed)}" if self.assumed else ""
        return (
            f"{self.quantity}: {sizes} patients give a {100 * self.level:g} % interval of half width "
            f"{self.half_width:.4g} (asked {self.target:g}){given} ({self.method})"
        )


def precision_of_mean(half_width: float, sd: float, *, level: float = 0.95) -> PrecisionSize:
    """Return the patients whose mean has an interval of a given half width.

    Parameters
    ----------
    half_width, sd : float
        Half the width of the interval and the SD, in one unit.
    level : float

    Returns
    -------
    PrecisionSize
        Student's t at the planned SD.

    References
    ----------
    Student. Biometrika 1908; 6: 1-25.

    Examples
    --------
    1.96 x 10 / sqrt(96.04) = 2 by the normal; t asks for three more:

    >>> precision_of_mean(2, 10).n
    99
    """
    check_positive(half_width, "half_width")
    check_positive(sd, "sd")
    normal_quantile(level)

    def half(n: int) -> float:
        return float(t_quantile((1 + level) / 2, n - 1)) * sd / math.sqrt(n)

    return _smallest("mean", half, half_width, level, "Student's t", (f"SD {sd:g}",), least=2)


def precision_of_mean_difference(
    half_width: float, sd: float, *, ratio: float = 1.0, level: float = 0.95
) -> PrecisionSize:
    """Return the sizes of two groups whose difference of means has an interval of a given half width.

    Parameters
    ----------
    half_width, sd : float
        Half the width of the interval and the SD within groups, in one unit.
    ratio : float
        Size of group 1 over size of group 0.
    level : float

    Returns
    -------
    PrecisionSize
        Pooled t at the planned SD.

    References
    ----------
    As for :func:`precision_of_mean`.

    Examples
    --------
    >>> precision_of_mean_difference(3, 10).groups
    (87, 87)
    """
    check_positive(half_width, "half_width")
    check_positive(sd, "sd")
    check_positive(ratio, "ratio")
    normal_quantile(level)

    def half(n0: int) -> float:
        n1 = _other(n0, ratio)
        return float(t_quantile((1 + level) / 2, n1 + n0 - 2)) * sd * math.sqrt(1 / n1 + 1 / n0)

    return _smallest(
        "difference of means", half, half_width, level, "pooled t", (f"SD {sd:g}",), least=2, ratio=ratio
    )


def precision_of_proportion(
    half_width: float, expected: float, *, level: float = 0.95, method: ShareMethod = "Wilson"
) -> PrecisionSize:
    """Return the patients whose proportion has an interval of a given half width.

    Parameters
    ----------
    half_width : float
        Half the width of the interval, between 0 and 1.
    expected : float
        Share expected, between 0 and 1; 0.5 asks for most.
    level : float
    method : {"Wilson", "Wald"}
        The score interval that is reported here, or the textbook formula ``z^2 p (1 - p) / d^2``.

    Returns
    -------
    PrecisionSize

    References
    ----------
    Wilson EB. J Am Stat Assoc 1927; 22: 209-212.

    Examples
    --------
    >>> precision_of_proportion(0.05, 0.5, method="Wald").n, precision_of_proportion(0.05, 0.5).n
    (385, 381)
    """
    check_choice(method, ("Wilson", "Wald"), "method")
    check_share(half_width, "half_width")
    check_share(expected, "expected")
    z = normal_quantile(level)

    def half(n: int) -> float:
        if method == "Wald":
            return z * math.sqrt(expected * (1 - expected) / n)
        low, high = _wilson(expected, n, z)
        return (high - low) / 2

    return _smallest("proportion", half, half_width, level, method, (f"a share of {expected:g}",))


def precision_of_risk_difference(
    half_width: float, p1: float, p0: float, *, ratio: float = 1.0, level: float = 0.95
) -> PrecisionSize:
    """Return the sizes of two groups whose difference of proportions has an interval of a given half width.

    Parameters
    ----------
    half_width : float
        Half the width of the interval, between 0 and 1.
    p1, p0 : float
        Shares expected, between 0 and 1.
    ratio : float
        Size of group 1 over size of group 0.
    level : float

    Returns
    -------
    PrecisionSize
        Newcombe's interval at the expected shares.

    References
    ----------
    Newcombe RG. Statistics in Medicine 1998; 17: 873-890.

    Examples
    --------
    >>> precision_of_risk_difference(0.1, 0.3, 0.2).groups
    (141, 141)
    """
    check_share(half_width, "half_width")
    check_share(p1, "p1")
    check_share(p0, "p0")
    check_positive(ratio, "ratio")
    z = normal_quantile(level)

    def half(n0: int) -> float:
        (low1, high1), (low0, high0) = _wilson(p1, _other(n0, ratio), z), _wilson(p0, n0, z)
        return (math.hypot(p1 - low1, high0 - p0) + math.hypot(high1 - p1, p0 - low0)) / 2

    return _smallest(
        "difference of proportions", half, half_width, level, "Newcombe", (f"shares of {p1:g} and {p0:g}",),
        ratio=ratio,
    )  # fmt: skip


def precision_of_agreement_limits(
    half_width: float, sd_difference: float, *, level: float = 0.95
) -> PrecisionSize:
    """Return the pairs whose limits of agreement have an interval of a given half width.

    Parameters
    ----------
    half_width, sd_difference : float
        Half the width of the interval of each limit and the SD of the differences, in one unit.
    level : float
        Of the interval; the limits themselves are mean +- 1.96 SD.

    Returns
    -------
    PrecisionSize
        Error of a limit ``SD sqrt(1/n + 1.96^2 / (2 (n - 1)))``, multiplied by t.

    References
    ----------
    Bland JM, Altman DG. Statistical Methods in Medical Research 1999; 8: 135-160.

    Examples
    --------
    sqrt(3 / 100) x 1.96 is about 0.34:

    >>> precision_of_agreement_limits(0.34, 1).n
    101
    """
    check_positive(half_width, "half_width")
    check_positive(sd_difference, "sd_difference")
    normal_quantile(level)
    z2 = normal_quantile(0.95) ** 2

    def half(n: int) -> float:
        error = sd_difference * math.sqrt(1 / n + z2 / (2 * (n - 1)))
        return float(t_quantile((1 + level) / 2, n - 1)) * error

    given = (f"SD of differences {sd_difference:g}",)
    return _smallest("limits of agreement", half, half_width, level, "Bland and Altman", given, least=2)


def precision_of_icc(
    half_width: float, expected: float, *, readings: int = 2, level: float = 0.95
) -> PrecisionSize:
    """Return the patients whose intraclass correlation has an interval of a given half width.

    Parameters
    ----------
    half_width : float
        Half the width of the interval, between 0 and 1.
    expected : float
        Intraclass correlation expected, between 0 and 1.
    readings : int
        Readings of each patient, 2 or more.
    level : float

    Returns
    -------
    PrecisionSize
        ``8 z^2 (1 - r)^2 (1 + (k - 1) r)^2 / (k (k - 1) w^2) + 1``, w the whole width: an approximation.

    References
    ----------
    Bonett DG. Statistics in Medicine 2002; 21: 1331-1335.

    Examples
    --------
    The paper's kind of plan, r = 0.8 within 0.1 by two readings:

    >>> precision_of_icc(0.1, 0.8).n
    51
    """
    check_share(half_width, "half_width")
    check_share(expected, "expected")
    k, z = group_size(readings, "readings", 2), normal_quantile(level)
    spread = 8 * (z * (1 - expected) * (1 + (k - 1) * expected)) ** 2 / (k * (k - 1))
    n = max(round_up(spread / (2 * half_width) ** 2 + 1), 2)
    return PrecisionSize(
        quantity="intraclass correlation", groups=(n,), n=n, half_width=math.sqrt(spread / (n - 1)) / 2,
        target=half_width, level=level, method="Bonett",
        assumed=(f"a correlation of {expected:g}", f"{k} readings"),
    )  # fmt: skip


def _smallest(
    quantity: str,
    half: Callable[[int], float],
    target: float,
    level: float,
    method: str,
    assumed: tuple[str, ...],
    *,
    least: int = 1,
    ratio: float | None = None,
) -> PrecisionSize:
    """Return the smallest size whose half width is small enough; half widths shrink as the size grows."""
    low, high = least - 1, least
    while half(high) > target:
        low, high = high, 2 * high
        if high > LARGEST:
            raise EstimationError("half_width is too small: more than a billion patients", code="too_large")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if half(middle) <= target else (middle, high)
    groups = (high,) if ratio is None else (_other(high, ratio), high)
    return PrecisionSize(
        quantity=quantity, groups=groups, n=sum(groups), half_width=half(high), target=target, level=level,
        method=method, assumed=assumed,
    )  # fmt: skip


def _other(n0: int, ratio: float) -> int:
    """Return the size of group 1 beside group 0."""
    return max(round_up(n0 * ratio), 1)


def _wilson(p: float, n: int, z: float) -> tuple[float, float]:
    """Return Wilson's limits at an expected share, which need not be a whole count of n."""
    z2 = z * z
    half = z * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    return (p + z2 / (2 * n) - half) / (1 + z2 / n), (p + z2 / (2 * n) + half) / (1 + z2 / n)
