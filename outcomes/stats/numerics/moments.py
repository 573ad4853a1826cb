"""Mean and variance of a sample, stable under a large common offset.

The values are centred on one of themselves before anything is squared, so constants have a
variance of exactly 0 and ten leading digits in common cost nothing (NIST NumAcc, SmLs).
Chan, Golub & LeVeque, The American Statistician 1983; 37: 242-247 (two passes, shifted data).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray
from outcomes.stats.numerics.inputs import whole
from outcomes.stats.numerics.one_number import check_number


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Size, mean and variance of one group.

    Attributes
    ----------
    n : int
        Values present.
    mean : float or None
        None when `n` is 0.
    variance : float or None
        With divisor n - 1; None when `n` is below 2; exactly 0 when the values do not vary beyond
        rounding.
    """

    n: int
    mean: float | None
    variance: float | None


def moments(present: FloatArray) -> Moments:
    """Return n, mean and variance of values without gaps.

    Parameters
    ----------
    present : ndarray, shape (n,)
        Finite values, in any order: it changes no bit of the result.

    Examples
    --------
    >>> round(moments(np.array([10000000.2, 10000000.1, 10000000.3])).variance, 9)
    0.01
    >>> moments(np.array([0.1, 0.1, 0.1])).variance
    0.0
    """
    n = present.size
    if n == 0:
        return Moments(n=0, mean=None, variance=None)
    ordered = np.sort(
        present
    )  # sums of floating-point numbers depend on their order; that of the rows is nobody's
    pivot = float(ordered[n // 2])
    centred = ordered - pivot
    shift = float(centred.mean())
    mean = pivot + shift
    if n == 1:
        return Moments(n=1, mean=mean, variance=None)
    residual = centred - shift
    variance = float(residual @ residual) / (n - 1)
    scale = float(np.abs(present).max())
    if math.sqrt(variance) <= 8 * np.finfo(np.float64).eps * scale:
        variance = 0.0  # 0.1 + 0.2 beside 0.3 is rounding, not spread
    return Moments(n=n, mean=mean, variance=variance)


def printed_moments(mean: float, sd: float, n: float, name: str) -> Moments:
    """Return the moments of a group known only by its printed mean, SD and n.

    Raises
    ------
    EstimationError
        A mean that is not finite, an SD below 0, a size that is not whole.

    Examples
    --------
    >>> printed_moments(90, 16, 25, "plate").variance
    256.0
    """
    check_number(mean, f"mean of {name}")
    check_number(sd, f"SD of {name}")
    if not (math.isfinite(mean) and math.isfinite(sd) and sd >= 0):
        raise EstimationError(f"{name}: mean must be finite and SD 0 or more", code="bad_summary")
    size = whole(n, f"n of {name}")
    return Moments(n=size, mean=float(mean), variance=float(sd) ** 2 if size >= 2 else None)
