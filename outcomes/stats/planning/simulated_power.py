"""Power by simulation: how often a test of data as planned is significant.

For designs without a formula, and to check the formulas that are approximations.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.inputs import numbers
from outcomes.stats.printed.printed_text import group_size
from outcomes.stats.proportions.risks import wilson

BLOCK = 10_000  # data sets drawn at once, so that memory does not grow with their number


def simulated_power(
    p_values: Callable[[np.random.Generator, int], ArrayLike],
    *,
    alpha: float = 0.05,
    n_simulations: int = 10_000,
    seed: int,
) -> Estimate:
    """Return the share of simulated data sets whose p is below alpha.

    Parameters
    ----------
    p_values : callable
        ``(generator, k) -> p of k data sets``, drawn with the generator, all at once where possible. NaN counts as
        not significant (a data set without a test).
    alpha : float
    n_simulations : int
        Data sets, 1 or more.
    seed : int
        The same seed gives the same share.

    Returns
    -------
    Estimate
        Power with Wilson's interval, which says how many more data sets are needed; `n_missing` counts
        those without a test.

    Raises
    ------
    EstimationError
        When the function does not return k numbers from 0 to 1 or NaN.

    References
    ----------
    Landau S, Stahl D. Statistical Methods in Medical Research 2013; 22: 324-345.

    Examples
    --------
    p of no effect is uniform, so the power is alpha:

    >>> found = simulated_power(lambda generator, k: generator.uniform(size=k), seed=1)
    >>> found.conf_low < 0.05 < found.conf_high
    True
    """
    if not 0 < alpha < 1:
        raise EstimationError("alpha must be between 0 and 1, such as 0.05", code="bad_level")
    wanted = group_size(n_simulations, "n_simulations")
    generator = np.random.default_rng(seed)
    significant = untested = done = 0
    while done < wanted:
        k = min(BLOCK, wanted - done)
        p = numbers(p_values(generator, k), "p_values must return numbers")
        present = p[~np.isnan(p)]
        if p.shape != (k,) or ((present < 0) | (present > 1)).any():
            raise EstimationError(
                "p_values must return one p, from 0 to 1 or NaN, for each data set", code="bad_p"
            )
        significant += int((present < alpha).sum())
        untested += k - present.size
        done += k
    share = wilson(significant, wanted)
    return Estimate(
        value=share.value, conf_low=share.conf_low, conf_high=share.conf_high, contrast="power", n=wanted,
        n_missing=untested, unit="proportion", method="simulation, Wilson",
    )  # fmt: skip
