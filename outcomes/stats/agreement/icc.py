"""Intraclass correlation: how much of the variation of ratings is between the subjects rated.

The six of Shrout and Fleiss with the intervals of McGraw and Wong, from mean squares; no library that the
package rests on has them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd
from scipy import special

from outcomes.estimates import Estimate
from outcomes.stats.agreement.icc_generalised import generalised_limits
from outcomes.stats.agreement.mean_squares import MeanSquares, mean_squares
from outcomes.stats.numerics.arrays import check_choice, check_level
from outcomes.stats.numerics.inputs import f_p

Agreement = Literal["one-way", "absolute agreement", "consistency"]
AGREEMENTS = ("one-way", "absolute agreement", "consistency")
Unit = Literal["single rating", "mean of ratings"]
UNITS = ("single rating", "mean of ratings")
IccInterval = Literal["McGraw-Wong", "generalised"]
MANY_RATERS = 6  # from here on the limits held their level in simulation
FEW_APART = (
    "; limits may be too short: few raters who differ more than their errors, see interval='generalised'"
)
NUMBERED = {"one-way": 1, "absolute agreement": 2, "consistency": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class IntraclassCorrelation:
    """An intraclass correlation with the test that it is 0.

    Attributes
    ----------
    estimate : Estimate
        From 1 down; below 0 where raters differ more than subjects. `n` counts subjects with every rating,
        `n_missing` those without. Its p is that of `f`.
    f, df1, df2 : float or None
        Variance ratio of subjects against error; None where there is no error to compare with.
    mean_squares : MeanSquares
    k : int
        Raters.
    """

    estimate: Estimate
    f: float | None
    df1: int
    df2: int
    mean_squares: MeanSquares
    k: int

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        e = self.estimate
        row = {
            "contrast": e.contrast, "estimate": e.value, "conf_low": e.conf_low, "conf_high": e.conf_high,
            "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing, "raters": self.k, "f": self.f,
            "df1": self.df1, "df2": self.df2, "method": e.method, "reason": e.reason,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return f"{self.estimate}; {self.k} raters"


def intraclass_correlation(
    ratings: Any,
    *,
    agreement: Agreement = "absolute agreement",
    of: Unit = "single rating",
    interval: IccInterval = "McGraw-Wong",
    level: float = 0.95,
) -> IntraclassCorrelation:
    """Return an intraclass correlation of ratings, each subject rated by each rater once.

    Parameters
    ----------
    ratings : array_like, shape (n, k)
        One row a subject, one column a rater or an occasion; NaN where missing. Subjects with a missing
        rating are left out and counted.
    agreement : {"one-way", "absolute agreement", "consistency"}
        One-way: raters are not the same for all subjects, ICC(1,1) of Shrout and Fleiss. Absolute agreement:
        the same raters, whose different levels count as error, ICC(2,1) or (A,1). Consistency: their
        levels do not count, ICC(3,1) or (C,1). Whether raters are a sample (random) or all there are (fixed)
        changes what is meant and none of these numbers.
    of : {"single rating", "mean of ratings"}
        Reliability of one rating, or of the mean of all k: (1,k), (2,k), (3,k).
    interval : {"McGraw-Wong", "generalised"}
        For absolute agreement only; one-way and consistency have exact limits. With few raters who differ more
        than their errors, McGraw and Wong's hold the truth far less often than they say (78 % of the time with
        two such raters): then take "generalised", as the method of the estimate says where that is seen.
    level : float
        Confidence level.

    Returns
    -------
    IntraclassCorrelation
        Not estimable with one subject, one rater or ratings all the same. Without limits where the ratings
        of every subject agree exactly.

    Raises
    ------
    EstimationError
        When the ratings are not a table of numbers, or an option is unknown.

    Notes
    -----
    Assumes normal subjects and errors. The size depends on how different the subjects are: between like
    subjects a good instrument has a low one. Give the error of measurement beside it.

    References
    ----------
    Shrout PE, Fleiss JL. Psychological Bulletin 1979; 86: 420-428. McGraw KO, Wong SP. Psychological Methods
    1996; 1: 30-46, tables 4 and 7 (limits, with the correction of 1996; 1: 390). Generalised: see
    :mod:`outcomes.stats.agreement.icc_generalised`.

    Examples
    --------
    Mean squares 9 between subjects and 0.5 within: (9 - 0.5) / (9 + 0.5); the raters differ by 1 always:

    >>> ratings = [[1.5, 2.5], [4.5, 5.5]]
    >>> round(intraclass_correlation(ratings, agreement="one-way").estimate.value, 9)
    0.894736842
    >>> intraclass_correlation(ratings, agreement="consistency").estimate.value
    1.0
    """
    check_choice(agreement, AGREEMENTS, "agreement")
    check_choice(of, UNITS, "of")
    check_choice(interval, ("McGraw-Wong", "generalised"), "interval")
    check_level(level)
    ms = mean_squares(ratings)
    n, k = ms.n, ms.k
    df1, df2 = n - 1, n * (k - 1) if agreement == "one-way" else (n - 1) * (k - 1)
    form = f"ICC({NUMBERED[agreement]},{1 if of == 'single rating' else 'k'}), {agreement}, {of}"
    label = "intraclass correlation"
    value = None if ms.reason else _value(ms, agreement, of)
    if value is None:
        reason = (
            ms.reason
            or "the mean ratings of the subjects hardly differ: the ratio has no positive denominator"
        )
        gone = Estimate.not_estimable(reason, contrast=label, n=n, n_missing=ms.n_missing, method=form)
        return IntraclassCorrelation(estimate=gone, f=None, df1=df1, df2=df2, mean_squares=ms, k=k)
    error = ms.within if agreement == "one-way" else ms.residual
    f = ms.subjects / error if error > 0 else None
    some_error = error > 0 or (agreement == "absolute agreement" and ms.raters > 0)
    limits = _limits(ms, agreement, level) if some_error else None
    if interval == "generalised" and agreement == "absolute agreement":
        form += ", generalised limits"
        limits = generalised_limits(ms, level) if error > 0 and value < 1 else limits
    elif agreement == "absolute agreement" and _raters_apart(ms):
        form += FEW_APART
    low, high = (None, None) if limits is None else (_of_unit(limit, k, of) for limit in limits)
    reason = ""
    if limits is None:
        reason = (
            "a limit is out of reach"
            if some_error and value < 1
            else "the ratings leave no error to set limits by"
        )
    if limits is not None and (low is None or high is None):
        low, high, reason = None, None, "a limit of the reliability of the mean is beyond all numbers"
    estimate = Estimate(
        value=value, conf_low=low, conf_high=high, level=level, contrast=label, n=n, n_missing=ms.n_missing,
        p_value=None if f is None else f_p(f, df1, df2), method=form, reason=reason,
    )  # fmt: skip
    return IntraclassCorrelation(estimate=estimate, f=f, df1=df1, df2=df2, mean_squares=ms, k=k)


def _raters_apart(ms: MeanSquares) -> bool:
    """Return whether few raters differ more, by the estimated variances, than their errors."""
    return ms.k < MANY_RATERS and ms.raters - ms.residual > ms.n * ms.residual


def _value(ms: MeanSquares, agreement: str, of: str) -> float | None:
    """Return the correlation, or None where its denominator is 0."""
    n, k = ms.n, ms.k
    if agreement == "one-way":
        top, bottom = ms.subjects - ms.within, ms.subjects + (k - 1) * ms.within
    elif agreement == "consistency":
        top, bottom = ms.subjects - ms.residual, ms.subjects + (k - 1) * ms.residual
    else:
        top = ms.subjects - ms.residual
        bottom = ms.subjects + (k - 1) * ms.residual + k * (ms.raters - ms.residual) / n
    if of == "mean of ratings":
        bottom = ms.subjects
        if agreement == "absolute agreement":
            bottom = ms.subjects + (ms.raters - ms.residual) / n
    return top / bottom if bottom > 0 else None


def _limits(ms: MeanSquares, agreement: str, level: float) -> tuple[float, float] | None:
    """Return the limits for a single rating, or None where there are none."""
    n, k = ms.n, ms.k
    tail = (1 - level) / 2
    if agreement != "absolute agreement":
        error, df = (ms.within, n * (k - 1)) if agreement == "one-way" else (ms.residual, (n - 1) * (k - 1))
        f = ms.subjects / error
        low, high = f / _f_upper(n - 1, df, tail), f * _f_upper(df, n - 1, tail)
        return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)
    value = _value(ms, agreement, "single rating")
    if value is None or value >= 1:
        return None
    # Satterthwaite's degrees of freedom of a MS(raters) + b MS(residual)
    a, b = k * value / (n * (1 - value)), 1 + k * value * (n - 1) / (n * (1 - value))
    spread = (a * ms.raters) ** 2 / (k - 1) + (b * ms.residual) ** 2 / ((n - 1) * (k - 1))
    if spread == 0:  # raters alike and a correlation of -1 / (n k - n - 1): both terms vanish
        return None
    df_error = (a * ms.raters + b * ms.residual) ** 2 / spread
    high_f, low_f = _f_upper(n - 1, df_error, tail), _f_upper(df_error, n - 1, tail)
    if not (math.isfinite(high_f) and math.isfinite(low_f)):
        return None
    rest = k * ms.raters + (k * n - k - n) * ms.residual
    low = n * (ms.subjects - high_f * ms.residual) / (high_f * rest + n * ms.subjects)
    high = n * (low_f * ms.subjects - ms.residual) / (rest + n * low_f * ms.subjects)
    return low, high


def _of_unit(single: float, k: int, of: str) -> float | None:
    """Return the limit for what is asked: by Spearman and Brown for the mean of k ratings."""
    if of == "single rating":
        return single
    bottom = 1 + (k - 1) * single
    return k * single / bottom if bottom > 1e-12 else None


def _f_upper(df1: float, df2: float, tail: float) -> float:
    """Return the upper quantile of F; infinity where there is none, with hardly any degrees of freedom."""
    if min(df1, df2) < 1e-3:
        return math.inf
    # the beta that is small keeps its digits
    x = float(special.betaincinv(df2 / 2, df1 / 2, tail))
    return df2 * (1 - x) / (df1 * x) if x > 0 else math.inf
