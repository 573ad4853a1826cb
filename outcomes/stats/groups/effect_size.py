"""Effects in units of the spread: Cohen's d, Hedges' g, partial eta and omega squared, with exact intervals.

The limits are those noncentralities under which the statistic seen would lie at the end of its distribution.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_choice, check_level
from outcomes.stats.numerics.inputs import f_p, sample, two_sided_p
from outcomes.stats.numerics.moments import Moments, moments, printed_moments
from outcomes.stats.numerics.noncentral import (
    LARGEST_NONCENTRALITY,
    LARGEST_T,
    noncentral_f_below,
    noncentral_t_below,
)

Over = Literal["total", "residual"]


def hedges_g(
    a: ArrayLike,
    b: ArrayLike,
    *,
    corrected: bool = True,
    level: float = 0.95,
    contrast: str = "a minus b",
) -> Estimate:
    """Return the difference of two means in units of their pooled standard deviation.

    Parameters
    ----------
    a, b : array_like, shape (n_a,), (n_b,)
        Outcome of each case; NaN or None where missing.
    corrected : bool
        True (default): Hedges' g, which is unbiased. False: Cohen's d, which is too far from 0 in small
        groups.
    level : float
        Confidence level.
    contrast : str
        What is subtracted from what.

    Returns
    -------
    Estimate
        Unit "SD". The limits of d hold exactly for normal outcomes of one variance; those of g are the same
        limits times the correction, so that both exclude 0 together with the p of Student's test. Not
        estimable when a group has fewer than two values or when neither varies.

    Raises
    ------
    EstimationError
        For samples that are not numeric, not one-dimensional or infinite.

    Notes
    -----
    d = (mean a - mean b) / s, g = J d with the exact J = Gamma(m/2) / {sqrt(m/2) Gamma((m-1)/2)} and
    m = n_a + n_b - 2. A t of noncentrality delta sqrt(n_a n_b / (n_a + n_b)) gives the limits.

    References
    ----------
    Hedges LV. Journal of Educational Statistics 1981; 6: 107-128. Limits: Steiger JH, Fouladi RT, in
    Harlow LL et al. What if there were no significance tests? 1997, ch. 9.

    Examples
    --------
    Means 3 and 2, SD 1; J for 4 degrees of freedom is Gamma(2) / (sqrt(2) Gamma(1.5)) = 0.797885:

    >>> hedges_g([2, 3, 4], [1, 2, 3], corrected=False).value
    1.0
    >>> round(hedges_g([2, 3, 4], [1, 2, 3]).value, 6)
    0.797885
    """
    (x, missing_a), (y, missing_b) = sample(a, "a"), sample(b, "b")
    # Sorted, so that the order of rows does not reach the last digit.
    first, second = moments(np.sort(x)), moments(np.sort(y))
    return _standardised(first, second, missing_a + missing_b, corrected, level, contrast)


def hedges_g_from_summary(
    mean_a: float, sd_a: float, n_a: int, mean_b: float, sd_b: float, n_b: int,
    *, corrected: bool = True, level: float = 0.95, contrast: str = "a minus b",
) -> Estimate:  # fmt: skip
    """Return the same as :func:`hedges_g` from printed means, SDs and sizes.

    Parameters
    ----------
    mean_a, sd_a, n_a, mean_b, sd_b, n_b
        As a paper prints them.
    corrected, level, contrast
        As for :func:`hedges_g`.

    Returns
    -------
    Estimate
        As for :func:`hedges_g`; only as exact as the printed digits.

    Raises
    ------
    EstimationError
        When a mean is not finite, an SD negative or a size not a whole number.

    References
    ----------
    Hedges LV. Journal of Educational Statistics 1981; 6: 107-128.

    Examples
    --------
    >>> hedges_g_from_summary(3, 1, 3, 2, 1, 3, corrected=False).value
    1.0
    """
    first = printed_moments(mean_a, sd_a, n_a, "a")
    second = printed_moments(mean_b, sd_b, n_b, "b")
    return _standardised(first, second, 0, corrected, level, contrast)


def partial_eta_squared(
    f: float,
    df_effect: float,
    df_residual: float,
    *,
    level: float = 0.95,
    over: Over = "total",
    contrast: str = "",
) -> Estimate:
    """Return the share of variation that an effect explains of what the other effects leave, from its F.

    Parameters
    ----------
    f : float
        F of the effect, 0 or more; for one factor the share is plain eta squared.
    df_effect, df_residual : float
        Degrees of freedom, above 0.
    level : float
        Confidence level; the limits are two-sided.
    over : {"total", "residual"}
        How a noncentrality L becomes a share: L / (L + df_effect + df_residual + 1), the share in a
        population of that size (default), or L / (L + df_residual), which some programs print.
    contrast : str
        Name of the effect.

    Returns
    -------
    Estimate
        F df_effect / (F df_effect + df_residual). A lower limit of 0 means that no effect at all is not
        excluded. Without limits when F is so small that even no effect would give a larger one
        nearly always.

    Raises
    ------
    EstimationError
        For F below 0, degrees of freedom not above 0, or a choice that does not exist.

    Notes
    -----
    The estimate is too large on average; :func:`partial_omega_squared` is corrected.

    References
    ----------
    Steiger JH. Psychological Methods 2004; 9: 164-182. Smithson M. Educational and Psychological
    Measurement 2001; 61: 605-632.

    Examples
    --------
    Sums of squares 6 between and 4 within (4 degrees of freedom): F = 6, share 6/10.

    >>> partial_eta_squared(6, 1, 4).value
    0.6
    """
    _check_f(f, df_effect, df_residual, level, over)
    return _share(f * df_effect / (f * df_effect + df_residual), f, df_effect, df_residual, level, over, contrast,
                  "partial eta squared")  # fmt: skip


def partial_omega_squared(
    f: float,
    df_effect: float,
    df_residual: float,
    *,
    n: int | None = None,
    level: float = 0.95,
    over: Over = "total",
    contrast: str = "",
) -> Estimate:
    """Return the share of variation that an effect explains, corrected for chance, from its F.

    Parameters
    ----------
    f, df_effect, df_residual, level, over, contrast
        As for :func:`partial_eta_squared`.
    n : int, optional
        Cases; without it df_effect + df_residual + 1, right for one factor.

    Returns
    -------
    Estimate
        df_effect (F - 1) / {df_effect (F - 1) + n}; below 0 when F is below 1. The limits are those
        of :func:`partial_eta_squared`: both estimate the same share.

    Raises
    ------
    EstimationError
        As for :func:`partial_eta_squared`, and for n of no more than the residual degrees of freedom.

    References
    ----------
    Hays WL. Statistics for Psychologists. 1963. Keren G, Lewis C. Educational and Psychological
    Measurement 1979; 39: 119-128.

    Examples
    --------
    F = 6 on 1 and 4 degrees of freedom, 6 cases: (6 - 1) / (6 - 1 + 6).

    >>> round(partial_omega_squared(6, 1, 4).value, 12) == round(5 / 11, 12)
    True
    """
    _check_f(f, df_effect, df_residual, level, over)
    size = df_effect + df_residual + 1 if n is None else n
    if not (math.isfinite(size) and size > df_residual):
        raise EstimationError("n must exceed the residual degrees of freedom", code="bad_count")
    value = df_effect * (f - 1) / (df_effect * (f - 1) + size)
    return _share(value, f, df_effect, df_residual, level, over, contrast, "partial omega squared")


def _standardised(
    a: Moments, b: Moments, n_missing: int, corrected: bool, level: float, contrast: str
) -> Estimate:
    """Return d or g of two groups known by their moments."""
    check_level(level)
    n, method = a.n + b.n, f"{'Hedges g' if corrected else 'Cohen d'}, noncentral t"
    if a.mean is None or b.mean is None or a.variance is None or b.variance is None:
        reason = f"n too small: {a.n} and {b.n} values, at least 2 in each group are needed"
        return Estimate.not_estimable(
            reason, contrast=contrast, unit="SD", n=n, n_missing=n_missing, method=method
        )
    df = n - 2
    pooled = ((a.n - 1) * a.variance + (b.n - 1) * b.variance) / df
    if pooled == 0:
        return Estimate.not_estimable(
            "no variation within either group", contrast=contrast, unit="SD", n=n, n_missing=n_missing,
            method=method,
        )  # fmt: skip
    d = (a.mean - b.mean) / math.sqrt(pooled)
    root = math.sqrt(a.n / n * b.n)
    factor = _unbiasing(df) if corrected else 1.0
    low, high = _t_limits(d * root, df, level)
    found = low is not None and high is not None
    return Estimate(
        value=factor * d, conf_low=factor * low / root if low is not None and found else None,
        conf_high=factor * high / root if high is not None and found else None, level=level, df=float(df),
        p_value=two_sided_p(d * root, df), contrast=contrast, unit="SD", n=n, n_missing=n_missing,
        method=method,
        reason="" if found else "so far from 0 that the noncentral distribution has no limits in double precision",
    )  # fmt: skip


def _unbiasing(df: float) -> float:
    """Return J, by which d is multiplied to be unbiased."""
    return math.exp(special.gammaln(df / 2) - special.gammaln((df - 1) / 2)) / math.sqrt(df / 2)


def _t_limits(t: float, df: float, level: float) -> tuple[float | None, float | None]:
    """Return the noncentralities at which t lies at the upper and at the lower end."""
    if abs(t) > LARGEST_T / 2:
        return None, None
    tail = (1 - level) / 2
    # The far side mirrored: both tails are computed as the small probabilities they are.
    low = _where(lambda nc: noncentral_t_below(-t, df, -nc) - tail, t)
    high = _where(lambda nc: tail - noncentral_t_below(t, df, nc), t)
    return low, high


def _where(rising: Callable[[float], float], start: float) -> float:
    """Return where a rising function of the noncentrality crosses 0, searched from a start outwards."""
    width = 4.0 + abs(start)
    low, high = start - width, start + width
    while rising(low) > 0:
        low -= width
    while rising(high) < 0:
        high += width
    return float(optimize.brentq(rising, low, high, xtol=1e-13, rtol=1e-13))


def _check_f(f: float, df_effect: float, df_residual: float, level: float, over: str) -> None:
    """Refuse an F or degrees of freedom that do not exist."""
    check_level(level)
    check_choice(over, ("total", "residual"), "over")
    if not (math.isfinite(f) and f >= 0):
        raise EstimationError("f must be a finite number, 0 or more", code="bad_f")
    if not all(math.isfinite(df) and df > 0 for df in (df_effect, df_residual)):
        raise EstimationError("degrees of freedom must be finite and above 0", code="bad_df")


def _share(
    value: float, f: float, df1: float, df2: float, level: float, over: Over, contrast: str, name: str
) -> Estimate:
    """Return a share of variation with the limits that noncentral F gives."""
    base = df2 if over == "residual" else df1 + df2 + 1
    low, high = _f_limits(f, df1, df2, level)
    limits = [None if nc is None else nc / (nc + base) for nc in (low, high)]
    reason = ""
    if None in limits:
        limits = [None, None]
        reason = (
            "F is smaller than no effect at all would nearly always give"
            if high is None and f < 1
            else "F is so large that its noncentral distribution has no limits in double precision"
        )
    return Estimate(
        value=value, conf_low=limits[0], conf_high=limits[1], level=level, p_value=f_p(f, df1, df2),
        contrast=contrast, unit="share", n=round(df1 + df2 + 1), method=f"{name}, noncentral F",
        reason=reason,
    )  # fmt: skip


def _f_limits(f: float, df1: float, df2: float, level: float) -> tuple[float | None, float | None]:
    """Return the noncentralities at which F lies at the upper (0 when none) and at the lower end."""
    tail = (1 - level) / 2
    below = float(special.fdtr(df1, df2, f))
    if below < tail:
        return 0.0, None
    low = 0.0 if below <= 1 - tail else _noncentrality(f, df1, df2, 1 - tail)
    return low, _noncentrality(f, df1, df2, tail)


def _noncentrality(f: float, df1: float, df2: float, below: float) -> float | None:
    """Return the noncentrality under which F stays below the one seen with this probability."""
    high = 10.0 + 2 * f * df1
    while high <= LARGEST_NONCENTRALITY and noncentral_f_below(f, df1, df2, high) > below:
        high *= 2
    if high > LARGEST_NONCENTRALITY:
        return None
    return float(
        optimize.brentq(
            lambda nc: noncentral_f_below(f, df1, df2, nc) - below, 0.0, high, xtol=1e-13, rtol=1e-13
        )
    )
