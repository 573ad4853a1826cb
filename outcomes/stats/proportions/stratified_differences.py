"""One risk difference over strata with limits that do not come from a normal approximation of proportions.

Both take Mantel-Haenszel weights, so that the value is the Mantel-Haenszel risk difference. One stratum gives
Newcombe's and Miettinen and Nurminen's interval.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray
from outcomes.stats.numerics.inputs import normal_quantile, two_sided_p
from outcomes.stats.proportions.score_statistics import HALVINGS, score_parts
from outcomes.stats.proportions.strata import table_cells

NO_GROUPS = "no stratum with both groups"
Strata = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]


def stratified_newcombe(
    tables: ArrayLike, level: float = 0.95, *, contrast: str = "group 1 minus group 0"
) -> Estimate:
    """Return the Mantel-Haenszel risk difference with the stratified Newcombe interval.

    Parameters
    ----------
    tables : array_like of int, shape (k, 2, 2)
        Each stratum as ``[[events 1, no events 1], [events 0, no events 0]]``. Strata without one of the
        groups take no part.
    level : float
        Confidence level.
    contrast : str
        What is subtracted from what.

    Returns
    -------
    Estimate
        A proportion; no p. `n` counts the cases of the strata that took part. Not estimable when there are
        none.

    Raises
    ------
    EstimationError
        When the shape is not (k, 2, 2) or a cell is not a count.

    Notes
    -----
    The limits of each group are weighted means of Wilson limits, taken at a quantile that makes them as wide
    as those of a weighted sum. Where all strata of a group have no or only events, the variances of that
    quantile are taken as proportional to 1/n, their limit.

    References
    ----------
    Yan X, Su XG. Stratified Wilson and Newcombe confidence intervals for multiple binomial proportions.
    Statistics in Biopharmaceutical Research 2010; 2: 329-335 (formulas from memory).

    Examples
    --------
    One stratum is Newcombe's interval, 56/70 against 48/80:

    >>> e = stratified_newcombe([[[56, 14], [48, 32]]])
    >>> round(e.value, 4), round(e.conf_low, 4), round(e.conf_high, 4)
    (0.2, 0.0524, 0.3339)
    """
    z = normal_quantile(level)
    method = "stratified Newcombe (Yan-Su)"
    strata = _strata(tables)
    if strata is None:
        return Estimate.not_estimable(NO_GROUPS, contrast=contrast, unit="proportion", method=method)
    x1, n1, x0, n0, w = strata
    low1, high1 = _stratified_wilson(x1, n1, w, z)
    low0, high0 = _stratified_wilson(x0, n0, w, z)
    share1, share0 = float((w**2 / n1).sum()), float((w**2 / n0).sum())
    value = float((w * (x1 / n1 - x0 / n0)).sum())
    down = math.sqrt(share1 * low1 * (1 - low1) + share0 * high0 * (1 - high0))
    up = math.sqrt(share1 * high1 * (1 - high1) + share0 * low0 * (1 - low0))
    return Estimate(
        value=value, conf_low=max(value - z * down, -1.0), conf_high=min(value + z * up, 1.0), level=level,
        contrast=contrast, unit="proportion", n=int((n1 + n0).sum()), method=method,
    )  # fmt: skip


def stratified_score_difference(
    tables: ArrayLike, level: float = 0.95, *, contrast: str = "group 1 minus group 0"
) -> Estimate:
    """Return the Mantel-Haenszel risk difference with Miettinen and Nurminen's stratified interval.

    Parameters
    ----------
    tables, level, contrast
        As for :func:`stratified_newcombe`.

    Returns
    -------
    Estimate
        A proportion, with the p of no difference that belongs to the limits (None when no stratum varies).
        Not estimable when no stratum has both groups.

    Raises
    ------
    EstimationError
        When the shape is not (k, 2, 2) or a cell is not a count.

    Notes
    -----
    The limits are the differences d at which the weighted sum of (difference - d) is the normal quantile
    times its standard error under d, the risks of each stratum estimated under d, with the factor
    N / (N - 1) in each. Mantel-Haenszel weights stay as they are; the paper's own weights change with d.

    References
    ----------
    Miettinen O, Nurminen M. Statistics in Medicine 1985; 4: 213-226.

    Examples
    --------
    One stratum is the plain interval, 56/70 against 48/80:

    >>> e = stratified_score_difference([[[56, 14], [48, 32]]])
    >>> round(e.value, 4), round(e.conf_low, 4), round(e.conf_high, 4)
    (0.2, 0.0528, 0.3382)
    """
    z = normal_quantile(level)
    method = "Miettinen-Nurminen, Mantel-Haenszel weights"
    strata = _strata(tables)
    if strata is None:
        return Estimate.not_estimable(NO_GROUPS, contrast=contrast, unit="proportion", method=method)
    x1, n1, x0, n0, w = strata
    value = float((w * (x1 / n1 - x0 / n0)).sum())
    gap, error = _sum_under(strata, 0.0)
    return Estimate(
        value=value, conf_low=_limit(strata, z, -1.0, value), conf_high=_limit(strata, -z, value, 1.0),
        level=level, p_value=two_sided_p(gap / error) if error > 0 else None, contrast=contrast,
        unit="proportion", n=int((n1 + n0).sum()), method=method,
    )  # fmt: skip


def _strata(tables: ArrayLike) -> Strata | None:
    """Return events and cases of the strata with both groups, and their weights, which add up to 1."""
    cells = table_cells(tables)
    cells = cells[(cells.sum(axis=2) > 0).all(axis=1)]
    if not len(cells):
        return None
    n1, n0 = cells[:, 0].sum(axis=1), cells[:, 1].sum(axis=1)
    weight = n1 * n0 / (n1 + n0)
    return cells[:, 0, 0], n1, cells[:, 1, 0], n0, weight / weight.sum()


def _stratified_wilson(
    events: FloatArray, n: FloatArray, weight: FloatArray, z: float
) -> tuple[float, float]:
    """Return stratified Wilson limits of a weighted proportion."""
    p = events / n
    spread = weight * np.sqrt(p * (1 - p) / n)
    if not spread.any():
        spread = weight / np.sqrt(n)
    own = z * math.sqrt(float((spread**2).sum())) / float(spread.sum())
    centre = (p + own**2 / (2 * n)) / (1 + own**2 / n)
    half = own * np.sqrt(p * (1 - p) / n + own**2 / (4 * n**2)) / (1 + own**2 / n)
    low, high = np.where(events == 0, 0.0, centre - half), np.where(events == n, 1.0, centre + half)
    return float((weight * low).sum()), float((weight * high).sum())


def _sum_under(strata: Strata, effect: float) -> tuple[float, float]:
    """Return the weighted sum of what differs from a difference, and its standard error under it."""
    x1, n1, x0, n0, w = strata
    gap, variance = score_parts("risk difference", x1, n1, x0, n0, np.full_like(w, effect))
    n = n1 + n0
    return float((w * gap).sum()), math.sqrt(float((w**2 * variance * n / (n - 1)).sum()))


def _limit(strata: Strata, z: float, low: float, high: float) -> float:
    """Return the difference between two bounds at which the sum is z standard errors."""
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        gap, error = _sum_under(strata, middle)
        low, high = (middle, high) if gap - z * error > 0 else (low, middle)
    return (low + high) / 2
