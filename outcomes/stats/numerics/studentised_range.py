"""Tail areas and quantiles of the studentised range, which simultaneous comparisons of means rest on.

scipy has both; for the families of tables it takes 20 to 90 ms a number. Here the double integral is one
fixed grid, and the upper tail is summed as such, so that small p keep their digits.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_level
from outcomes.stats.numerics.inputs import SMALLEST_P
from outcomes.stats.numerics.student import t_quantile, t_two_sided_p

# Steps over the log of the standard deviation: at most so wide, and so wide beside its own spread.
_STEP, _STEP_OF_SPREAD = 0.12, 0.5
_END = 1e-17  # what lies outside the grid, relative to the tail
_LARGEST_WIDTH = 76.0  # ranges this wide have no chance that a double can hold


def studentised_range_p(q: float, n_groups: int, df: float) -> float:
    """Return the chance that the range of means over its standard error reaches q, never exactly 0.

    Parameters
    ----------
    q : float
        Range of `n_groups` independent standard normals, divided by an independent estimate of their
        standard deviation; 0 or more.
    n_groups : int
        2 or more.
    df : float
        Degrees of freedom of the standard deviation, above 0; may be fractional or infinite.

    Returns
    -------
    float
        Upper tail. Relative error below 1e-9 down to tails of 1e-100.

    Raises
    ------
    EstimationError
        For q below 0, fewer than two groups or df not above 0.

    Notes
    -----
    With s the standard deviation and w = q s, the tail of the range of k normals is
    k times the integral of phi(z) {Phi(z)^(k-1) - [Phi(z) - Phi(z - w)]^(k-1)}; it is averaged over log s.
    Both integrals by the trapezoidal rule, which converges geometrically for such integrands.
    Sources: Tukey JW. The problem of multiple comparisons. 1953; Copenhaver MD, Holland B. Journal of
    Statistical Computation and Simulation 1988; 30: 1-15.

    Examples
    --------
    For two groups the range is root 2 times |t|, and 12.706 is the 5 % point of |t| on 1 degree of freedom:

    >>> round(studentised_range_p(12.706204736 * 2 ** 0.5, 2, 1), 9)
    0.05
    """
    if not (math.isfinite(q) and q >= 0 and n_groups >= 2 and df > 0):
        raise EstimationError(
            "the studentised range needs q of 0 or more, 2 or more groups and df above 0", code="bad_range"
        )
    if q == 0:
        return 1.0
    if math.isinf(df):
        return max(float(_range_tail(np.array([q]), n_groups)[0]), SMALLEST_P)
    log_s, density = _log_sd_grid(q, df)
    step = float(log_s[1] - log_s[0])
    tail = float(density @ _range_tail(q * np.exp(log_s), n_groups)) * step
    return min(max(tail, SMALLEST_P), 1.0)


def studentised_range_quantile(level: float, n_groups: int, df: float) -> float:
    """Return the range that is not exceeded with probability `level`.

    Parameters
    ----------
    level : float
        Between 0 and 1.
    n_groups, df
        As for :func:`studentised_range_p`.

    Returns
    -------
    float
        Relative error below 1e-10.

    Raises
    ------
    EstimationError
        As for :func:`studentised_range_p`, and for a level outside 0 to 1.

    Notes
    -----
    Source: Tukey JW. The problem of multiple comparisons. 1953.

    Examples
    --------
    Three groups, 27 degrees of freedom; printed tables give 3.51:

    >>> round(studentised_range_quantile(0.95, 3, 27), 4)
    3.5064
    """
    check_level(level)
    alpha = 1.0 - level
    # Two groups from below, Bonferroni over all pairs from above.
    low = math.sqrt(2.0) * float(t_quantile(1.0 - alpha / 2, df))
    if n_groups == 2:
        return low
    pairs = n_groups * (n_groups - 1) / 2
    high = math.sqrt(2.0) * float(t_quantile(1.0 - alpha / pairs / 2, df))
    goal = math.log(alpha)

    def excess(log_q: float) -> float:
        return math.log(studentised_range_p(math.exp(log_q), n_groups, df)) - goal

    root = optimize.brentq(excess, math.log(low) - 1e-6, math.log(high) + 1e-6, xtol=1e-14, rtol=1e-14)
    return math.exp(float(root))


def _log_sd_grid(q: float, df: float) -> tuple[FloatArray, FloatArray]:
    """Return log s on an even grid and its density, out to where neither matters to the tail."""
    # The range of two is the smallest, so its tail bounds ours from below.
    least = max(float(t_two_sided_p(q / math.sqrt(2.0), df)), 1e-280)
    half = 0.5 * df
    outside = max(least * _END, 1e-300)
    low = 0.5 * math.log(max(float(special.gammaincinv(half, outside)), 1e-300) / half)
    high = 0.5 * math.log(float(special.gammainccinv(half, outside)) / half)
    step = min(_STEP, _STEP_OF_SPREAD / math.sqrt(2.0 * df))
    log_s = np.linspace(low, high, max(math.ceil((high - low) / step), 2) + 1)
    log_density = df * log_s - half * np.exp(2.0 * log_s) + half * math.log(half) - special.gammaln(half)
    return log_s, 2.0 * np.exp(log_density)


def _range_tail(widths: FloatArray, k: int) -> FloatArray:
    """Return the chance that the range of k standard normals exceeds each width."""
    w = np.minimum(widths, _LARGEST_WIDTH)
    step = 0.7 / math.sqrt(k)
    z = np.arange(-9.0, float(w.max()) / 2 + 9.0 + step, step)
    log_below = special.log_ndtr(z)
    # Phi(z)^(k-1) - [Phi(z) - Phi(z-w)]^(k-1) without cancellation
    share = np.exp(special.log_ndtr(z[:, None] - w[None, :]) - log_below[:, None])
    with np.errstate(divide="ignore"):  # a width of 0 leaves a share of 1, whose log is -inf: the tail is 1
        lost = -np.expm1((k - 1) * np.log1p(-np.minimum(share, 1.0)))
    outer = np.exp(-0.5 * z * z + (k - 1) * log_below) * (k / math.sqrt(2.0 * math.pi))
    return np.asarray(outer @ lost * step, dtype=np.float64)
