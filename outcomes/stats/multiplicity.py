"""Adjustment of p-values for a family of tests."""

from __future__ import annotations

import math
from collections.abc import Sequence

from outcomes.errors import EstimationError


def holm(p_values: Sequence[float | None]) -> tuple[float | None, ...]:
    """Return Holm's adjusted p-values, which hold the chance of any false claim in the family.

    Parameters
    ----------
    p_values : sequence of float or None
        One for each test of the declared family. None (or NaN) marks a test that could not be made:
        it keeps its place as None and does not count in the family.

    Returns
    -------
    tuple of float or None
        In the order given; never smaller than the p-value given, at most 1.

    Raises
    ------
    EstimationError
        When a p-value lies outside 0 to 1.

    References
    ----------
    Holm S. A simple sequentially rejective multiple test procedure. Scandinavian Journal of
    Statistics 1979; 6: 65-70.

    Examples
    --------
    Smallest times 3, next times 2 (not below the one before), last times 1; the None is not counted:

    >>> holm([0.01, None, 0.04, 0.03])
    (0.03, None, 0.06, 0.06)
    """
    made = [(float(p), i) for i, p in enumerate(p_values) if p is not None and not math.isnan(p)]
    if any(not 0 <= p <= 1 for p, _ in made):
        raise EstimationError("p_values: each must lie between 0 and 1, or be None", code="bad_p_value")
    adjusted: list[float | None] = [None] * len(p_values)
    running = 0.0
    for rank, (p, i) in enumerate(sorted(made)):
        running = max(running, min(1.0, (len(made) - rank) * p))
        adjusted[i] = running
    return tuple(adjusted)
