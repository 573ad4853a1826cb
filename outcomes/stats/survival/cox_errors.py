"""Robust and clustered errors of proportional-hazards coefficients from score residuals.

The score residual of a row is its own contribution to the score: (event) (x - m) less what its relative hazard met of
(x - m) over the event times that it lived through. Both parts are running sums over event times, so all residuals
cost O(n p): programs that go through every pair of row and event time take O(n^2 p).
"""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.survival.cox_risk_sets import CoxPoint, RiskSets, cumulated

CoxCovariance = Literal["model", "CR0", "CR1"]
COVARIANCES: tuple[str, ...] = get_args(CoxCovariance)


def score_residuals(sets: RiskSets, point: CoxPoint) -> FloatArray:
    """Return the score residual of each ordered row, shape (n, p), without its weight, in scaled columns.

    Parameters
    ----------
    sets : RiskSets
    point : CoxPoint
        Efron's or Breslow's likelihood.

    Returns
    -------
    ndarray, shape (n, p)
        Multiplied by the weights they add up to the score.

    Notes
    -----
    Efron's shares enter as they do in the score: an event tied with others counts less in the later terms of its
    own time. Sources: Cain and Lange (1984) Biometrics 40:493-499; Therneau and Grambsch, Modeling Survival Data
    (2000), sections 4.2 and appendix E.

    Examples
    --------
    Six rows, Breslow's score residuals at 0: 5/12, -1/12, 7/24, -1/24, 5/24, 5/24.

    >>> from outcomes.stats.survival.cox_risk_sets import at_coefficients, make_risk_sets
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1])
    >>> x = np.array([[1.0], [1], [1], [0], [0], [0]])
    >>> sets = make_risk_sets(x, data, np.zeros(6, int), np.ones(6), "breslow")
    >>> residuals = np.empty(6)
    >>> residuals[sets.rows] = score_residuals(sets, at_coefficients(sets, np.zeros(1)))[:, 0] * sets.scale
    >>> (24 * residuals).round(9).tolist()
    [10.0, -2.0, 7.0, -1.0, 5.0, 5.0]
    """
    inverse = sets.mean_weight / point.denominator
    both = cumulated(sets, np.column_stack([inverse, point.mean * inverse[:, None]]))
    residuals = -point.risk[:, None] * (sets.x * both[:, :1] - both[:, 1:])
    starts = sets.term_starts
    tied = np.diff(starts, append=len(sets.term))
    average = np.add.reduceat(point.mean, starts, axis=0) / tied[:, None]
    residuals[sets.event] += sets.x[sets.event] - average[sets.term]
    return np.asarray(residuals)


def robust_cox_covariance(
    sets: RiskSets, point: CoxPoint, inverse: FloatArray, clusters: IntArray, n_clusters: int, kind: str
) -> FloatArray:
    """Return the sandwich covariance of the coefficients of the scaled columns.

    Parameters
    ----------
    sets : RiskSets
    point : CoxPoint
        At the estimate.
    inverse : ndarray, shape (p, p)
        Inverse information.
    clusters : ndarray of int, shape (n,)
        Cluster of each ordered row.
    n_clusters : int
        G, counting clusters whose rows are never at risk.
    kind : {"CR0", "CR1"}
        CR0 as it is; CR1 times G / (G - 1).

    Returns
    -------
    ndarray, shape (p, p)

    Raises
    ------
    EstimationError
        Fewer than two clusters.

    Notes
    -----
    Inverse information times the sum over clusters of the squared sum of weighted score residuals, times inverse
    information. Sources: Lin and Wei (1989) J Am Stat Assoc 84:1074-1078; Lee, Wei and Amato (1992) in Survival
    Analysis: State of the Art, 237-247 (clusters).

    Examples
    --------
    >>> from outcomes.stats.survival.cox_risk_sets import at_coefficients, make_risk_sets
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2, 3], [1, 1, 1])
    >>> sets = make_risk_sets(np.array([[0.0], [1.0], [0.0]]), data, np.zeros(3, int), np.ones(3), "efron")
    >>> point = at_coefficients(sets, np.zeros(1))
    >>> rows = np.arange(3)
    >>> a, b = (robust_cox_covariance(sets, point, np.eye(1), rows, 3, kind) for kind in ("CR0", "CR1"))
    >>> round(float(b[0, 0] / a[0, 0]), 12)
    1.5
    """
    if n_clusters < 2:
        raise EstimationError(
            f"{n_clusters} cluster; a robust covariance needs at least 2, so cluster at a lower level",
            code="too_few_clusters",
        )
    weighted = score_residuals(sets, point) * sets.weight[:, None]
    # by first row, which is in a fixed order; clusters of several rows by their totals, for equal first rows
    numbered = np.unique(clusters, return_index=True, return_inverse=True)
    place = np.argsort(np.argsort(numbered[1]))[numbered[2]]
    totals = np.column_stack([np.bincount(place, column, n_clusters) for column in weighted.T])
    totals = totals[np.lexsort(totals.T)] if len(numbered[1]) < len(clusters) else totals
    root = totals @ inverse
    factor = n_clusters / (n_clusters - 1) if kind == "CR1" else 1.0
    return np.asarray(factor * (root.T @ root))
