"""Fleiss' kappa of several raters who need not be the same for every subject.

statsmodels has the value alone; standard errors and interval stand here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_level
from outcomes.stats.numerics.inputs import count_array, two_sided_p
from outcomes.stats.numerics.student import t_quantile


@dataclass(frozen=True, slots=True, kw_only=True)
class FleissKappa:
    """Agreement of several raters beyond chance.

    Attributes
    ----------
    estimate : Estimate
        Limits and `std_error` by the spread of the subjects; p by the variance where raters agree by chance.
    z, std_error_null : float or None
        Kappa over its standard error under no agreement beyond chance.
    raters : int
        Ratings of each subject.
    by_category : tuple of float or None
        Kappa of each category against the others; None for one never or always given.
    """

    estimate: Estimate
    z: float | None
    std_error_null: float | None
    raters: int
    by_category: tuple[float | None, ...]

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        e = self.estimate
        row = {
            "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
            "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing, "z": self.z,
            "raters": self.raters, "method": e.method, "reason": e.reason,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return f"{self.estimate}; {self.raters} raters"


def fleiss_kappa(counts: Any, *, level: float = 0.95, n_missing: int = 0) -> FleissKappa:
    """Return Fleiss' kappa.

    Parameters
    ----------
    counts : array_like of int, shape (n, categories)
        How many raters gave subject i category j, the same number of raters for every subject; see
        :func:`outcomes.stats.agreement.rating_tables.category_counts`.
    level : float
        Confidence level.
    n_missing : int
        Subjects left out, to be carried along.

    Returns
    -------
    FleissKappa
        Interval by t with n - 1 degrees of freedom and Gwet's variance, cut at -1 / (raters - 1) and 1. Not
        estimable with one subject, one rater, or one category only. Without interval where the subjects have no
        spread, as with full agreement in equal shares.

    Raises
    ------
    EstimationError
        When a cell is no count or subjects have different numbers of ratings.

    Notes
    -----
    With two raters it is Scott's pi, not Cohen's kappa: chance is taken from the categories of all raters together.

    References
    ----------
    Fleiss JL. Psychological Bulletin 1971; 76: 378-382. Fleiss JL, Nee JCM, Landis JR. Psychological Bulletin 1979;
    86: 974-977 (p). Gwet KL. Educational and Psychological Measurement 2021; 81: 781-790 (interval).

    Examples
    --------
    Two raters agree on 2 of 4 subjects, categories half and half: (0.5 - 0.5) / (1 - 0.5)

    >>> fleiss_kappa([[2, 0], [0, 2], [1, 1], [1, 1]]).estimate.value
    0.0
    """
    check_level(level)
    table = count_array(counts, "counts", "(subjects, categories)", 2)
    n, k = table.shape
    totals = table.sum(axis=1)
    if (totals != totals[0]).any():
        raise EstimationError(
            f"counts: subjects have {int(totals.min())} to {int(totals.max())} ratings; Fleiss' kappa needs as many for "
            "each, leave out those with fewer and count them",
            code="unequal_raters",
        )
    m = int(totals[0])
    table = table[np.lexsort(table.T)]  # in a fixed order, so that a permutation changes no digit
    share = table.sum(axis=0) / max(1.0, float(totals.sum()))
    shared: dict[str, Any] = {"contrast": "Fleiss' kappa", "n": n, "n_missing": n_missing}
    by_chance = float((share * (1 - share)).sum())  # disagreement
    reason = ""
    if n < 2:
        reason = "one subject: at least 2 are needed"
    elif m < 2:
        reason = "one rater: agreement needs at least 2 ratings of each subject"
    elif by_chance <= 1e-14:
        reason = "one category only was given: chance alone gives full agreement"
    if reason:
        gone = Estimate.not_estimable(reason, **shared)
        return FleissKappa(estimate=gone, z=None, std_error_null=None, raters=m, by_category=(None,) * k)
    missed = (table * (m - table)).sum(axis=1) / (m * (m - 1))
    value = 1 - float(missed.mean()) / by_chance
    # what each subject contributes: its own kappa less its part in what is expected
    own = 1 - missed / by_chance - 2 * (1 - value) * (table @ share / m - float(share @ share)) / by_chance
    error = math.sqrt(float(((own - value) ** 2).sum()) / (n * (n - 1)))
    third = float((share * (1 - share) * (1 - 2 * share)).sum())
    null = math.sqrt(max(0.0, 2 * (by_chance**2 - third)) / (n * m * (m - 1))) / by_chance
    z = value / null if null > 1e-14 else None
    known = error > 1e-12
    half = float(t_quantile((1 + level) / 2, n - 1)) * error
    estimate = Estimate(
        value=value, conf_low=max(-1 / (m - 1), value - half) if known else None,
        conf_high=min(1.0, value + half) if known else None, level=level, std_error=error if known else None,
        df=n - 1 if known else None, p_value=None if z is None else two_sided_p(z), method="Fleiss, Gwet's interval",
        reason="" if known else "the subjects have no spread: no interval", **shared,
    )  # fmt: skip
    pairs = (table * (m - table)).sum(axis=0) / (n * m * (m - 1))
    by_category = tuple(
        None if q * (1 - q) <= 0 else 1 - float(pair) / float(q * (1 - q))
        for pair, q in zip(pairs, share, strict=True)
    )
    return FleissKappa(
        estimate=estimate,
        z=z,
        std_error_null=null if z is not None else None,
        raters=m,
        by_category=by_category,
    )
