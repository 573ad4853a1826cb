"""What a set of weights is worth."""

from __future__ import annotations

from typing import Any

import numpy as np

from outcomes.stats.numerics.arrays import check_weights


def effective_size(weights: Any) -> float:
    """Return Kish's effective sample size of a set of weights.

    The number of equally weighted cases that would give a mean of the same variance,
    ``(sum w)^2 / sum w^2``; n when all weights are equal, near 1 when one case carries everything.

    Parameters
    ----------
    weights : array_like, shape (n,)
        Finite, at least 0, some above 0.

    Returns
    -------
    float
        Between 1 and n, in cases.

    Raises
    ------
    EstimationError
        Negative, missing or infinite weights, or none above 0.

    Notes
    -----
    Source: Kish, Survey Sampling (1965), section 11.7; Kish (1992) J Official Statistics 8:183-200.

    Examples
    --------
    >>> effective_size([1, 1, 1, 1])
    4.0
    >>> round(effective_size([3, 1, 0]), 12)
    1.6
    """
    w = check_weights(weights, np.size(weights))
    # dividing by the largest first keeps the squares from overflowing and makes the scale irrelevant
    w = w / w.max()
    return float(w.sum() ** 2 / np.square(w).sum())
