"""Peto's one-step odds ratio over strata or studies with rare events.

Beside the Mantel-Haenszel measures of :mod:`outcomes.stats.proportions.strata`, which take the same tables.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_level
from outcomes.stats.numerics.inputs import chi2_p, count_array
from outcomes.stats.pooling.pooled_effect import effect_estimate
from outcomes.stats.proportions.strata import NO_STRATUM, StratifiedTest


@dataclass(frozen=True, slots=True, kw_only=True)
class Peto:
    """Peto's pooled odds ratio.

    Attributes
    ----------
    odds_ratio : Estimate
        Standard error on the log scale; `n` counts the cases of the strata that took part.
    homogeneity : StratifiedTest
        Test that the odds ratio is the same in all strata.
    n_strata, n_uninformative : int
        Strata given, and those without a comparison (an empty group, nobody or everybody with the event).
    """

    odds_ratio: Estimate
    homogeneity: StratifiedTest
    n_strata: int
    n_uninformative: int

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        e = self.odds_ratio
        row = {
            "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
            "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": 0,
            "n_strata": self.n_strata, "n_uninformative": self.n_uninformative, "method": e.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return f"odds ratio {self.odds_ratio}; {self.homogeneity}"


def peto_odds_ratio(
    tables: ArrayLike, level: float = 0.95, *, contrast: str = "group 1 over group 0"
) -> Peto:
    """Pool odds ratios by observed minus expected events.

    Parameters
    ----------
    tables : array_like of int, shape (k, 2, 2)
        Each stratum as ``[[events 1, no events 1], [events 0, no events 0]]``.
    level : float
        Confidence level of the limits.
    contrast : str
        What is divided by what.

    Returns
    -------
    Peto
        Needs no correction of empty cells. Good for rare events, groups of similar size and odds ratios near
        1; biased otherwise, where :func:`outcomes.stats.proportions.strata.mantel_haenszel` is to be used.

    Raises
    ------
    EstimationError
        When the shape is not (k, 2, 2) or a cell is not a count.

    References
    ----------
    Yusuf S, Peto R, Lewis J, Collins R, Sleight P. Progress in Cardiovascular Diseases 1985; 27: 335-371.

    Examples
    --------
    3 of 10 against 1 of 10: expected 2, variance 10 x 10 x 4 x 16 / (20^2 x 19) = 16/19, log odds ratio 19/16:

    >>> pooled = peto_odds_ratio([[[3, 7], [1, 9]], [[0, 5], [0, 6]]])
    >>> round(math.log(pooled.odds_ratio.value), 12), round(pooled.odds_ratio.std_error ** 2, 12)
    (1.1875, 1.1875)
    >>> pooled.n_uninformative
    1
    """
    check_level(level)
    cells = count_array(tables, "tables", "(k, 2, 2)", 3)
    if cells.shape[1:] != (2, 2):
        raise EstimationError(f"tables: expected shape (k, 2, 2), got {cells.shape}", code="bad_shape")
    k = len(cells)
    cells = cells[np.lexsort(cells.reshape(k, 4).T)]  # the order of the strata moves no bit of a sum
    used = cells[(cells.sum(axis=2) > 0).all(axis=1) & (cells.sum(axis=1) > 0).all(axis=1)]
    dropped = k - len(used)
    method = "Peto one-step"
    if not len(used):
        gone = Estimate.not_estimable(NO_STRATUM, contrast=contrast, unit="ratio", method=method)
        return Peto(
            odds_ratio=gone, homogeneity=_homogeneity(None, 0, k, dropped, NO_STRATUM), n_strata=k,
            n_uninformative=dropped,
        )  # fmt: skip
    n = used.sum(axis=(1, 2))
    n1, m1 = used[:, 0].sum(axis=1), used[:, :, 0].sum(axis=1)
    excess = used[:, 0, 0] - n1 * m1 / n
    variance = n1 * (n - n1) * m1 * (n - m1) / (n**2 * (n - 1))
    total, weight = math.fsum(excess), math.fsum(variance)
    estimate = effect_estimate(
        total / weight, 1 / weight, math.inf, level=level, ratio=True, contrast=contrast, unit="ratio",
        n=int(n.sum()), method=method,
    )  # fmt: skip
    q = float((variance * (excess / variance - total / weight) ** 2).sum())
    reason = "" if len(used) > 1 else "fewer than two informative strata"
    return Peto(
        odds_ratio=estimate, homogeneity=_homogeneity(q, len(used) - 1, k, dropped, reason), n_strata=k,
        n_uninformative=dropped,
    )  # fmt: skip


def _homogeneity(q: float | None, df: int, k: int, dropped: int, reason: str) -> StratifiedTest:
    """Return the test of one odds ratio for all strata, or why there is none."""
    if q is None or reason:
        return StratifiedTest(
            statistic=None, df=None, p_value=None, n_strata=k, n_uninformative=dropped,
            method="Peto heterogeneity", reason=reason,
        )  # fmt: skip
    return StratifiedTest(
        statistic=q, df=df, p_value=chi2_p(q, df), n_strata=k, n_uninformative=dropped,
        method="Peto heterogeneity",
    )  # fmt: skip
