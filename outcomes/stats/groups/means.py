"""Difference between the means of two groups: Welch, or Student with a pooled variance."""

from __future__ import annotations

import math

from numpy.typing import ArrayLike

from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_level
from outcomes.stats.numerics.inputs import sample, two_sided_p
from outcomes.stats.numerics.moments import Moments, moments, printed_moments
from outcomes.stats.numerics.student import t_quantile


def mean_difference(
    a: ArrayLike,
    b: ArrayLike,
    *,
    level: float = 0.95,
    pooled: bool = False,
    contrast: str = "a minus b",
    unit: str = "",
) -> Estimate:
    """Return the difference between two means with its t interval.

    Parameters
    ----------
    a, b : array_like, shape (n_a,), (n_b,)
        Outcome of each case, in `unit`; NaN or None where missing (left out and counted).
    level : float
        Confidence level of the limits.
    pooled : bool
        False (default): unequal variances, Satterthwaite degrees of freedom (Welch). True: one
        common variance (Student).
    contrast, unit : str
        What is subtracted from what, and the unit of the outcome.

    Returns
    -------
    Estimate
        With standard error, degrees of freedom and p. Not estimable when a group has fewer than two
        values; without limits and p when neither group varies.

    Raises
    ------
    EstimationError
        When a sample is not numeric, not one-dimensional or holds infinite values.

    References
    ----------
    Welch BL. Biometrika 1947; 34: 28-35. Student. Biometrika 1908; 6: 1-25.

    Examples
    --------
    Means 3 and 2; each variance 1, so SE = sqrt(1/3 + 1/3) and df = 4:

    >>> d = mean_difference([2, 3, 4], [1, 2, 3], unit="kg")
    >>> d.value, round(d.std_error ** 2, 12), round(d.df, 12)
    (1.0, 0.666666666667, 4.0)
    >>> print(mean_difference([2, 3, 4], [5], unit="kg"))
    a minus b: not estimable (n too small: 3 and 1 values, at least 2 in each group are needed)
    """
    x, missing_a = sample(a, "a")
    y, missing_b = sample(b, "b")
    missing = missing_a + missing_b
    return _difference(
        moments(x), moments(y), missing, level=level, pooled=pooled, contrast=contrast, unit=unit
    )


def mean_difference_from_summary(
    mean_a: float,
    sd_a: float,
    n_a: int,
    mean_b: float,
    sd_b: float,
    n_b: int,
    *,
    level: float = 0.95,
    pooled: bool = False,
    contrast: str = "a minus b",
    unit: str = "",
) -> Estimate:
    """Return the same as :func:`mean_difference` from printed means, SDs and sizes.

    Parameters
    ----------
    mean_a, sd_a, n_a, mean_b, sd_b, n_b
        As a paper prints them; mean and SD in `unit`.
    level, pooled, contrast, unit
        As for :func:`mean_difference`.

    Returns
    -------
    Estimate
        As for :func:`mean_difference`; only as exact as the printed digits.

    Raises
    ------
    EstimationError
        When a mean is not finite, an SD negative or a size not a whole number.

    References
    ----------
    Welch BL. Biometrika 1947; 34: 28-35.

    Examples
    --------
    >>> d = mean_difference_from_summary(3, 1, 3, 2, 1, 3)
    >>> d.value, round(d.df, 12)
    (1.0, 4.0)
    """
    first = printed_moments(mean_a, sd_a, n_a, "a")
    second = printed_moments(mean_b, sd_b, n_b, "b")
    return _difference(first, second, 0, level=level, pooled=pooled, contrast=contrast, unit=unit)


def _difference(
    a: Moments, b: Moments, n_missing: int, *, level: float, pooled: bool, contrast: str, unit: str
) -> Estimate:
    """Return the t interval of a difference between two groups known by their moments."""
    check_level(level)
    method = "Student t, pooled variance" if pooled else "Welch t"
    n = a.n + b.n
    if a.mean is None or b.mean is None or a.variance is None or b.variance is None:
        reason = f"n too small: {a.n} and {b.n} values, at least 2 in each group are needed"
        return Estimate.not_estimable(
            reason, contrast=contrast, unit=unit, n=n, n_missing=n_missing, method=method
        )
    value = a.mean - b.mean
    if a.variance == 0 and b.variance == 0:
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=level, contrast=contrast, unit=unit, n=n,
            n_missing=n_missing, method=method, reason="no variation within either group: no interval, no p",
        )  # fmt: skip
    std_error, df = _standard_error(a.n, a.variance, b.n, b.variance, pooled)
    half = float(t_quantile((1 + level) / 2, df)) * std_error
    return Estimate(
        value=value, conf_low=value - half, conf_high=value + half, level=level, std_error=std_error, df=df,
        p_value=two_sided_p(value / std_error, df), contrast=contrast, unit=unit, n=n, n_missing=n_missing,
        method=method,
    )  # fmt: skip


def _standard_error(n_a: int, var_a: float, n_b: int, var_b: float, pooled: bool) -> tuple[float, float]:
    """Return the standard error of the difference and its degrees of freedom."""
    if pooled:
        df = n_a + n_b - 2
        common = ((n_a - 1) * var_a + (n_b - 1) * var_b) / df
        return math.sqrt(common * (1 / n_a + 1 / n_b)), float(df)
    part_a, part_b = var_a / n_a, var_b / n_b
    total = part_a + part_b
    # Shares, not squares: squares of variances would underflow or overflow for extreme units.
    share_a, share_b = part_a / total, part_b / total
    return math.sqrt(total), 1 / (share_a**2 / (n_a - 1) + share_b**2 / (n_b - 1))
