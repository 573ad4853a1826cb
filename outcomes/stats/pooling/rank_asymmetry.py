"""Begg's rank test of whether effects of studies go with their variances.

Kendall's correlation is scipy's; here stand the standardised effects that it is made of.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.numerics.inputs import SMALLEST_P
from outcomes.stats.pooling.heterogeneity import check_studies

EXACT_BELOW = 50  # studies; without ties the exact distribution is used below it


@dataclass(frozen=True, slots=True, kw_only=True)
class RankAsymmetry:
    """Kendall's correlation of standardised effects and variances.

    Attributes
    ----------
    tau : float or None
        From -1 to 1; None where `reason` says why. Below 0: larger studies have larger effects.
    p_value : float or None
        Two-sided.
    k : int
    method, reason : str
        Exact, or normal with the variance for ties and without continuity correction.
    """

    tau: float | None
    p_value: float | None
    k: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "contrast": "rank correlation of effect and variance", "estimate": self.tau, "p_value": self.p_value,
            "n": self.k, "n_missing": 0, "method": self.method, "reason": self.reason,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.tau is None or self.p_value is None:
            return f"rank test of asymmetry: no test ({self.reason})"
        return f"rank test of asymmetry: tau = {self.tau:.3g}, p = {self.p_value:.3g} ({self.k} studies; {self.method})"


def rank_asymmetry(values: ArrayLike, std_errors: ArrayLike) -> RankAsymmetry:
    """Test by ranks whether small studies have other effects than large ones.

    Parameters
    ----------
    values, std_errors : array_like, shape (k,)
        Effect of each study and its standard error; for ratios the logs and their errors.

    Returns
    -------
    RankAsymmetry
        No test when all studies have the same effect or the same error.

    Raises
    ------
    EstimationError
        With fewer than 3 studies or an unusable one.

    Notes
    -----
    The effects are taken about the fixed-effect mean and divided by the error of that difference. Weaker
    than Egger's regression, and weak with under 25 studies; the limits named there hold here.

    References
    ----------
    Begg CB, Mazumdar M. Biometrics 1994; 50: 1088-1101.

    Examples
    --------
    The further from the mean, the larger the error: all three pairs in the same order, p = 2 / 3!

    >>> found = rank_asymmetry([0.0, 1.0, 4.0], [1.0, 1.2, 2.0])
    >>> found.tau, round(found.p_value, 9)
    (1.0, 0.333333333)
    """
    y, se = check_studies(values, std_errors)
    k = y.size
    if k < 3:
        raise EstimationError(f"{k} studies: a rank test needs at least 3", code="too_few")
    # in units of the smallest variance and about a middle value, so that neither unit nor offset costs digits
    v = (se / se.min()) ** 2
    centred = y - float(np.median(y))
    weights = 1.0 / v
    deviation = centred - float(weights @ centred) / float(weights.sum())
    rounding = 16 * np.finfo(np.float64).eps * float(np.abs(y).max())
    if float(np.abs(deviation).max()) <= rounding:
        return RankAsymmetry(
            tau=None, p_value=None, k=k, method="Kendall", reason="every study has the same effect"
        )
    if float(v.max()) <= 1 + 1e-12:
        return RankAsymmetry(
            tau=None, p_value=None, k=k, method="Kendall", reason="every study has the same standard error"
        )
    standardised = _merge_rounding(deviation / np.sqrt(v - 1.0 / float(weights.sum())))
    tied = len(np.unique(standardised)) < k or len(np.unique(v)) < k
    exact = not tied and k < EXACT_BELOW
    found = stats.kendalltau(standardised, v, method="exact" if exact else "asymptotic")
    tau = float(found.statistic)
    if not math.isfinite(tau):
        return RankAsymmetry(tau=None, p_value=None, k=k, method="Kendall", reason="every rank is the same")
    return RankAsymmetry(
        tau=tau, p_value=max(float(found.pvalue), SMALLEST_P), k=k,
        method="Kendall, exact" if exact else f"Kendall, normal{', ties' if tied else ''}",
    )  # fmt: skip


def _merge_rounding(values: np.ndarray) -> np.ndarray:
    """Return the values with those that differ by rounding alone made equal, so that they count as ties."""
    order = np.argsort(values, kind="stable")
    ordered = values[order].copy()
    near = 64 * np.finfo(np.float64).eps * float(np.abs(values).max())
    for i in range(1, len(ordered)):
        if ordered[i] - ordered[i - 1] <= near:
            ordered[i] = ordered[i - 1]
    merged = np.empty_like(values)
    merged[order] = ordered
    return merged
