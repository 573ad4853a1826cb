"""Generalised limits of the intraclass correlation for absolute agreement, which hold with few raters too.

The usual limits (McGraw and Wong) fall far below their level when two raters differ more than their errors; see
docs/validation/agreement.md. These are made of exact pivots and integrated, not drawn.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy import optimize, special

from outcomes.stats.agreement.mean_squares import MeanSquares
from outcomes.stats.numerics.arrays import FloatArray

NODES = 64
LOWEST, HIGHEST = -3.0, 40.0  # of -log(1 - ICC): from -19 to 1 less the last digit


def generalised_limits(ms: MeanSquares, level: float) -> tuple[float, float] | None:
    """Return limits of the correlation of single ratings, absolute agreement.

    Parameters
    ----------
    ms : MeanSquares
        Of subjects by raters; residual above 0.
    level : float
        Confidence level.

    Returns
    -------
    tuple of float or None
        Quantiles of the generalised pivotal quantity: each mean square is divided by a chi-squared over its
        degrees of freedom and put into the correlation. None where a limit lies below -19.

    References
    ----------
    Gamage J, Mathew T, Weerahandi S. Journal of Statistical Planning and Inference 2013; 143: 1162-1173. Ionan AC,
    Polley MYC, McShane LM, Dobbin KK. BMC Medical Research Methodology 2014; 14: 121.

    Examples
    --------
    >>> from outcomes.stats.agreement.mean_squares import mean_squares
    >>> ratings = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> [round(limit, 3) for limit in generalised_limits(mean_squares(ratings), 0.95)]
    [0.027, 0.745]
    """
    residual, raters, weight = _draws(ms)
    n, k = ms.n, ms.k
    apart = raters / n + residual * (1 - 1 / n)

    def below(place: float) -> float:
        """Return the probability that the correlation is under 1 - exp(-place)."""
        top = residual + k * math.expm1(place) * apart  # what the variance of subjects must stay under
        reached = special.chdtrc(n - 1, (n - 1) * ms.subjects / np.where(top > 0, top, 1.0))
        return float(weight @ np.where(top > 0, reached, 0.0))

    found = []
    for probability in ((1 - level) / 2, (1 + level) / 2):
        if below(LOWEST) >= probability or below(HIGHEST) <= probability:
            return None
        place = optimize.brentq(lambda p, goal=probability: below(p) - goal, LOWEST, HIGHEST, xtol=1e-11)
        found.append(-math.expm1(-float(place)))
    return found[0], found[1]


def _draws(ms: MeanSquares) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return pairs of residual and rater mean squares over chi-squared quantiles, with the weight of each."""
    node, weight = leggauss(NODES)
    # u = v^2 (3 - 2 v) crowds the nodes towards both ends, where the quantiles change fastest
    v = (node + 1) / 2
    u, weight = v**2 * (3 - 2 * v), weight / 2 * 6 * v * (1 - v)
    df_raters, df_residual = ms.k - 1, (ms.n - 1) * (ms.k - 1)
    residual = ms.residual * df_residual / special.chdtri(df_residual, u)
    raters = ms.raters * df_raters / special.chdtri(df_raters, u)
    pairs = np.meshgrid(residual, raters, indexing="ij")
    return pairs[0].ravel(), pairs[1].ravel(), np.outer(weight, weight).ravel()
