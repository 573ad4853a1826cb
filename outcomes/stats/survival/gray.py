"""Gray's test that the cumulative incidence of a cause is the same in every group."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.numerics.inputs import chi2_p
from outcomes.stats.survival.competing_times import competing_times
from outcomes.stats.survival.survival_times import level_codes


@dataclass(frozen=True, slots=True, kw_only=True)
class GrayTest:
    """A test of equal cumulative incidence in k groups.

    Attributes
    ----------
    statistic, p_value : float or None
        Chi-squared; None where `reason` says why.
    df : int or None
        Groups that took part, less one.
    cause : str
    groups : tuple of str
    observed, score : tuple of float
        Events of the cause, and events less those expected of equal incidence, by group.
    n, n_missing, n_strata : int
    reason : str
    """

    statistic: float | None
    df: int | None
    p_value: float | None
    cause: str
    groups: tuple[str, ...]
    observed: tuple[float, ...]
    score: tuple[float, ...]
    n: int
    n_missing: int
    n_strata: int
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {"outcome": self.cause, "contrast": " = ".join(self.groups), "statistic": self.statistic}
        return pd.DataFrame(
            [row | {"df": self.df, "p_value": self.p_value, "n": self.n, "n_missing": self.n_missing}]
        )

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.statistic is None or self.p_value is None:
            return f"Gray's test of {self.cause}: no test ({self.reason}; n = {self.n})"
        return (
            f"Gray's test of {self.cause}: chi2({self.df}) = {self.statistic:.4g}, p = {self.p_value:.3g} "
            f"(n = {self.n})"
        )


def gray_test(
    time: Any,
    event: Any,
    groups: Any,
    *,
    cause: Any,
    strata: Any = None,
    censored: Any = 0,
    causes: Sequence[Any] | None = None,
) -> GrayTest:
    """Test whether the cumulative incidence of a cause is the same in every group (weight rho = 0).

    Parameters
    ----------
    time, event, groups, censored, causes
        As for :func:`outcomes.stats.survival.competing_times.competing_times`.
    cause : label
        The cause tested; the others compete.
    strata : array_like, shape (n,), optional
        Scores and variances are added over strata. Missing strata are refused.

    Returns
    -------
    GrayTest
        Groups that were never at risk together with another at an event take no part and lower the degrees of
        freedom.

    Raises
    ------
    EstimationError
        Bad input, unknown cause, fewer than two groups, missing strata.

    Notes
    -----
    Tied events of the tested cause have the variance correction 1 - (d - 1) / (R - 1) with R the adjusted number at
    risk. Source: Gray RJ. Annals of Statistics 1988; 16: 1141-1154, section 2; the variance with tied events is
    worked out on the methods page.

    Examples
    --------
    Two groups of the same times and events do not differ at all.

    >>> same = gray_test([1, 2, 3, 4] * 2, [1, 2, 1, 0] * 2, list("aaaabbbb"), cause=1)
    >>> same.statistic, same.p_value
    (0.0, 1.0)
    """
    data = competing_times(time, event, censored=censored, causes=causes, groups=groups)
    if len(data.groups) < 2:
        raise EstimationError("groups: fewer than two; a test compares at least two", code="too_few_groups")
    if str(cause) not in data.causes:
        raise EstimationError(f"cause: unknown; allowed: {', '.join(data.causes)}", code="unknown_cause")
    which = data.causes.index(str(cause)) + 1
    kind = np.where(data.cause == which, 1, np.where(data.cause > 0, 2, 0))
    stratum, names = level_codes(strata, np.size(time), "strata")
    stratum = stratum[data.order]
    if (stratum < 0).any():
        raise EstimationError(f"strata: missing in {int((stratum < 0).sum())} rows", code="missing_stratum")
    k = len(data.groups)
    score, variance = np.zeros(k), np.zeros((k, k))
    for s in range(len(names)):
        mine = stratum == s
        if (kind[mine] == 1).any():
            part = _score(data.time[mine], kind[mine], data.group[mine], k)
            score, variance = score + part[0], variance + part[1]
    statistic, df, reason = _quadratic_form(score, variance, float((kind == 1).sum()))
    return GrayTest(
        statistic=statistic, df=df, p_value=None if statistic is None or df is None else chi2_p(statistic, df),
        cause=str(cause), groups=data.groups,
        observed=tuple(float(((kind == 1) & (data.group == g)).sum()) for g in range(k)),
        score=tuple(score.tolist()), n=len(data.time), n_missing=data.n_missing, n_strata=len(names), reason=reason,
    )  # fmt: skip


def _score(time: FloatArray, kind: IntArray, group: IntArray, k: int) -> tuple[FloatArray, FloatArray]:
    """Return scores (k,) and their variance (k, k) of one stratum; kinds 0 censored, 1 tested, 2 competing."""
    distinct, where = np.unique(time, return_inverse=True)
    counts = np.zeros((3, len(distinct), k))
    np.add.at(counts, (kind, where, group), 1.0)
    at_risk = np.cumsum(counts.sum(axis=0)[::-1], axis=0)[::-1]
    some = counts[1:].sum(axis=(0, 2)) > 0
    own, other, r = counts[1][some], counts[2][some], at_risk[some]
    some_risk = r > 0
    free = np.cumprod(1 - np.divide(own + other, r, out=np.zeros_like(r), where=some_risk), axis=0)
    free = np.where(free < 1e-13, 0.0, free)
    before = np.vstack([np.ones(k), free[:-1]])
    rising = np.cumsum(np.divide(before * own, r, out=np.zeros_like(r), where=some_risk), axis=0)
    earlier = np.vstack([np.zeros(k), rising[:-1]])
    h = np.divide(r, before, out=np.zeros_like(r), where=some_risk)
    h_all, weight = h.sum(axis=1), h * (1 - earlier)
    d = own.sum(axis=1)
    score = (own - d[:, None] * weight / weight.sum(axis=1, keepdims=True)).sum(axis=0)
    step = d / h_all
    common = np.cumsum(step)
    common_before = common - step
    a = -h[:, :, None] * h[:, None, :] / h_all[:, None, None]
    a[:, range(k), range(k)] += h
    hazard = np.divide(step, 1 - common_before, out=np.zeros_like(step), where=common_before < 1 - 1e-12)
    c = np.cumsum(a * hazard[:, None, None], axis=0)
    # [j, i, k]: what an event in group k at step j adds to the score of group i
    rest = np.where(
        free > 0, np.divide(1 - common[:, None], free, out=np.zeros_like(free), where=free > 0), 0.0
    )
    by_own = a + (c[-1] - c) * (1 - rest)[:, None, :]
    by_other = (c[-1] - c) * rest[:, None, :]
    adjusted = h_all[:, None] * before - 1
    tied = 1 - np.divide(
        (d - 1)[:, None], adjusted, out=np.zeros_like(adjusted), where=(adjusted > 0) & (d > 1)[:, None]
    )
    spread_own = np.divide(tied * before * step[:, None], r, out=np.zeros_like(r), where=some_risk)
    tied = 1 - np.maximum(other - 1, 0) / np.maximum(r - 1, 1)
    spread_other = np.divide(
        tied * before**2 * other, r**2, out=np.zeros_like(r), where=some_risk & (free > 0)
    )
    variance = np.einsum("jik,jlk,jk->il", by_own, by_own, spread_own) + np.einsum(
        "jik,jlk,jk->il", by_other, by_other, spread_other
    )
    return score, variance


def _quadratic_form(
    score: FloatArray, variance: FloatArray, events: float
) -> tuple[float | None, int | None, str]:
    """Return statistic, degrees of freedom and the reason when there is no test."""
    if events == 0:
        return None, None, "no event of this cause"
    spread = np.diag(variance)
    informed = np.flatnonzero(spread > 1e-10 * max(events, 1.0))
    if len(informed) < 2:
        return None, None, "no event while two groups were at risk"
    values, vectors = np.linalg.eigh(variance[np.ix_(informed, informed)])
    keep = values > 1e-9 * values[-1]  # one dimension is always lost: scores add up to 0
    along = vectors[:, keep].T @ score[informed]
    return float(np.sum(along**2 / values[keep])), int(keep.sum()), ""
