"""Noncentral t and F, from which the limits of standardised effects and of shares of variation come.

scipy's noncentral t gives NaN where t and noncentrality have opposite signs and the tail is below about 1e-16
(df 58, noncentrality 5.1, t -7.5), which a search for limits passes through; these sums of positive terms do not.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from outcomes.errors import EstimationError

_OUTSIDE = 1e-18  # probability left outside the nodes at either end
_STEP, _STEP_OF_SPREAD, _STEP_OF_T = 0.12, 0.5, 0.5
LARGEST_T = 1e4  # so far out the nodes would be too many
LARGEST_NONCENTRALITY = 1e6


def noncentral_t_below(t: float, df: float, noncentrality: float) -> float:
    """Return P(T <= t) of Student's t with a noncentrality.

    Parameters
    ----------
    t : float
        Between -1e4 and 1e4.
    df : float
        Degrees of freedom, above 0.
    noncentrality : float
        Mean of the normal in the numerator.

    Returns
    -------
    float
        Absolute error below 1e-13.

    Raises
    ------
    EstimationError
        Values that are not finite, df not above 0 or t too far out.

    Notes
    -----
    The mean of Phi(t s - noncentrality) over the distribution of s, the root of an independent chi-squared over
    its degrees of freedom; trapezoidal rule over log s. Source: Johnson NL, Welch BL. Biometrika 1940; 31: 362-389.

    Examples
    --------
    At 0 the spread does not matter, and P = Phi(-1):

    >>> round(noncentral_t_below(0.0, 5, 1.0), 12) == round(float(special.ndtr(-1.0)), 12)
    True
    """
    if not (math.isfinite(t) and math.isfinite(noncentrality) and df > 0 and abs(t) <= LARGEST_T):
        raise EstimationError(
            "noncentral t needs finite values, df above 0 and t within 10,000", code="bad_noncentral"
        )
    half = 0.5 * df
    low = 0.5 * math.log(max(float(special.gammaincinv(half, _OUTSIDE)), 1e-300) / half)
    high = 0.5 * math.log(float(special.gammainccinv(half, _OUTSIDE)) / half)
    # Phi turns within 1 / t of log s, the density within 1 / root(2 df)
    step = min(_STEP, _STEP_OF_SPREAD / math.sqrt(2.0 * df), _STEP_OF_T / max(abs(t) * math.exp(high), 1.0))
    log_s = np.linspace(low, high, max(math.ceil((high - low) / step), 2) + 1)
    log_density = df * log_s - half * np.exp(2.0 * log_s) + half * math.log(half) - special.gammaln(half)
    density = np.exp(log_density)
    # the weights are made to sum to one, which takes off their common rounding
    return float(density @ special.ndtr(t * np.exp(log_s) - noncentrality) / density.sum())


def noncentral_f_below(f: float, df1: float, df2: float, noncentrality: float) -> float:
    """Return P(F <= f) of Fisher's F with a noncentrality.

    Parameters
    ----------
    f : float
        0 or more.
    df1, df2 : float
        Degrees of freedom, above 0.
    noncentrality : float
        0 to 1e6: sum of squared means of the numerator in units of the variance.

    Returns
    -------
    float
        Absolute error below 1e-9, and below 1e-12 for noncentralities below a thousand.

    Raises
    ------
    EstimationError
        Values that are not finite or out of range.

    Notes
    -----
    A mixture of beta distributions with Poisson weights of mean noncentrality / 2. Source: Patnaik PB.
    Biometrika 1949; 36: 202-232.

    Examples
    --------
    Without noncentrality it is F itself; the median of F(1, 1) is 1:

    >>> round(noncentral_f_below(1.0, 1, 1, 0.0), 12)
    0.5
    """
    finite = all(math.isfinite(value) for value in (f, df1, df2, noncentrality))
    if not (finite and f >= 0 and df1 > 0 and df2 > 0 and 0 <= noncentrality <= LARGEST_NONCENTRALITY):
        raise EstimationError(
            "noncentral F needs f of 0 or more, degrees of freedom above 0 and a noncentrality of 0 to a million",
            code="bad_noncentral",
        )
    mean = noncentrality / 2
    reach = 10 * math.sqrt(mean) + 40
    j = np.arange(max(math.floor(mean - reach), 0), math.ceil(mean + reach) + 1)
    weights = np.exp(special.xlogy(j, mean) - mean - special.gammaln(j + 1.0))
    below = special.betainc(df1 / 2 + j, df2 / 2, df1 * f / (df1 * f + df2))
    return float(weights @ below / weights.sum())
