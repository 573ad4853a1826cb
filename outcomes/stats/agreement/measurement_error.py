"""Error of measurement in the unit of the measurement: its SD, the smallest change beyond it, its share.

Closed formulas on mean squares; no library that the package rests on has them.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np
from scipy import special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.agreement.icc import AGREEMENTS, Agreement
from outcomes.stats.agreement.mean_squares import check_ratings, mean_squares
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import normal_quantile, whole
from outcomes.stats.numerics.student import t_quantile

CvMethod = Literal["logarithms", "root mean square"]
LABEL = "standard error of measurement"
LARGEST_LOG = 700.0  # beyond it an exponential is no finite number


def standard_error_of_measurement(
    ratings: Any, *, agreement: Agreement = "absolute agreement", level: float = 0.95, unit: str = ""
) -> Estimate:
    """Return the SD of repeated measurements of one subject.

    Parameters
    ----------
    ratings : array_like, shape (n, k)
        One row a subject, one column a rater or an occasion; NaN where missing. One-way: every subject with
        two ratings takes part. Otherwise subjects with a missing rating are left out. Those left out are
        counted.
    agreement : {"one-way", "absolute agreement", "consistency"}
        One-way: root of the mean square within subjects. Absolute agreement: root of residual variance plus
        variance of raters, (MS(raters) + (n - 1) MS(residual)) / n. Consistency: root of the residual mean
        square.
    level : float
        Confidence level.
    unit : str
        Of the ratings.

    Returns
    -------
    Estimate
        Chi-squared limits; for absolute agreement those of Graybill and Wang for a sum of two mean squares,
        which with two raters are wide because their levels differ by chance. Equals SD x root(1 - ICC) with the
        matching correlation and total variance.

    Raises
    ------
    EstimationError
        When the ratings are not a table of numbers, or an option is unknown.

    References
    ----------
    Bland JM, Altman DG. BMJ 1996; 313: 744. de Vet HCW, Terwee CB, Knol DL, Bouter LM. J Clin Epidemiol 2006;
    59: 1033-1039. Limits: Graybill FA, Wang CM. J Am Stat Assoc 1980; 75: 869-873.

    Examples
    --------
    Pairs 1, 3 and 4, 8: variances 2 and 8, mean 5; 2 degrees of freedom:

    >>> sem = standard_error_of_measurement([[1, 3], [4, 8]], agreement="one-way")
    >>> round(sem.value ** 2, 9), sem.df
    (5.0, 2.0)
    """
    check_choice(agreement, AGREEMENTS, "agreement")
    check_level(level)
    if agreement == "one-way":
        variances, sizes, n_missing = _within(check_ratings(ratings))
        parts, label = _pooled_part(variances, sizes), f"{LABEL}, one-way"
        n, reason = len(sizes), "" if parts else "no subject with two ratings"
    else:
        ms = mean_squares(ratings)
        n, n_missing, reason, label = ms.n, ms.n_missing, ms.reason, f"{LABEL}, {agreement}"
        df = float((n - 1) * (ms.k - 1))
        parts = [(ms.residual, df)]
        if agreement == "absolute agreement":
            parts = [(ms.raters / max(n, 1), float(ms.k - 1)), (ms.residual * (n - 1) / max(n, 1), df)]
    if reason:
        return Estimate.not_estimable(reason, contrast=label, unit=unit, n=n, n_missing=n_missing)
    value = math.fsum(part for part, _ in parts)
    if value <= 0:
        return Estimate(
            value=0.0, conf_low=None, conf_high=None, level=level, contrast=label, unit=unit, n=n,
            n_missing=n_missing, reason="all ratings of every subject are the same: no error to set limits by",
        )  # fmt: skip
    low, high = variance_limits(parts, level)
    return Estimate(
        value=math.sqrt(value), conf_low=math.sqrt(low), conf_high=math.sqrt(high), level=level, contrast=label,
        unit=unit, n=n, n_missing=n_missing, df=parts[0][1] if len(parts) == 1 else None,
        method="chi-squared" if len(parts) == 1 else "Graybill-Wang",
    )  # fmt: skip


def sem_from_reliability(sd: float, reliability: Estimate, *, unit: str = "") -> Estimate:
    """Return the standard error of measurement from an SD between subjects and a reliability.

    Parameters
    ----------
    sd : float
        Total SD of single measurements, above 0, taken as known.
    reliability : Estimate
        An intraclass correlation with its limits.
    unit : str

    Returns
    -------
    Estimate
        SD x root(1 - reliability); limits from those of the reliability alone, so too narrow by what is unknown
        about the SD. Prefer :func:`standard_error_of_measurement` when there are ratings.

    Raises
    ------
    EstimationError
        When the SD is not above 0 or the reliability above 1.

    References
    ----------
    Weir JP. Journal of Strength and Conditioning Research 2005; 19: 231-240.

    Examples
    --------
    >>> icc = Estimate(value=0.84, conf_low=0.75, conf_high=0.91, n=40)
    >>> print(sem_from_reliability(10, icc, unit="degrees"))
    standard error of measurement: 4 degrees (95 % CI 3 to 5; n = 40; SD x root(1 - reliability), SD as known)
    """
    if not (math.isfinite(sd) and sd > 0):
        raise EstimationError("sd must be finite and above 0", code="bad_summary")
    shared = {"contrast": LABEL, "unit": unit, "n": reliability.n, "n_missing": reliability.n_missing}
    method = "SD x root(1 - reliability), SD as known"
    if reliability.value is None:
        return Estimate.not_estimable(reliability.reason, method=method, **shared)  # type: ignore[arg-type]
    if max(reliability.value, reliability.conf_high or 0.0) > 1:
        raise EstimationError("a reliability is at most 1", code="bad_reliability")

    def scaled(value: float | None) -> float | None:
        return None if value is None else sd * math.sqrt(1 - value)

    return Estimate(
        value=sd * math.sqrt(1 - reliability.value), conf_low=scaled(reliability.conf_high),
        conf_high=scaled(reliability.conf_low), level=reliability.level, method=method,
        reason=reliability.reason, **shared,  # type: ignore[arg-type]
    )  # fmt: skip


def smallest_detectable_change(sem: Estimate, *, n: int = 1, certainty: float = 0.95) -> Estimate:
    """Return the smallest change between two measurements that error alone seldom makes.

    Parameters
    ----------
    sem : Estimate
        Standard error of measurement.
    n : int
        1 for a change of one subject; the number of subjects for the mean change of a group.
    certainty : float
        Two-sided: 0.95 takes 1.96, 0.90 takes 1.645.

    Returns
    -------
    Estimate
        z x root 2 x SEM / root n, with the limits of the SEM scaled likewise. A change beyond it is unlikely to
        be error; that says nothing of whether it matters to anyone.

    Raises
    ------
    EstimationError
        When `sem` is no Estimate, n is below 1 or the certainty not between 0 and 1.

    References
    ----------
    de Vet HCW, Terwee CB, Knol DL, Bouter LM. J Clin Epidemiol 2006; 59: 1033-1039.

    Examples
    --------
    >>> sem = Estimate(value=2.0, conf_low=1.5, conf_high=3.0, unit="kg", n=30)
    >>> print(smallest_detectable_change(sem))
    smallest detectable change of one subject: 5.544 kg (95 % CI 4.158 to 8.315; n = 30; 1.96 x root 2 x SEM)
    """
    if not isinstance(sem, Estimate):
        raise EstimationError(
            "sem: give the Estimate of a standard error of measurement, or Estimate(value=..., conf_low=None, "
            "conf_high=None, unit=...) for a printed one, not a bare number",
            code="bad_sem",
        )
    group = whole(n, "n")
    if group < 1:
        raise EstimationError("n must be 1 or more subjects", code="bad_count")
    z = normal_quantile(certainty)
    factor = z * math.sqrt(2.0 / group)
    of = "one subject" if group == 1 else f"the mean of {group} subjects"
    label = f"smallest detectable change of {of}"
    method = f"{z:.3g} x root 2 x SEM" + ("" if group == 1 else " / root n")
    if sem.value is None:
        return Estimate.not_estimable(
            sem.reason, contrast=label, unit=sem.unit, n=sem.n, n_missing=sem.n_missing, method=method
        )
    return Estimate(
        value=factor * sem.value, conf_low=None if sem.conf_low is None else factor * sem.conf_low,
        conf_high=None if sem.conf_high is None else factor * sem.conf_high, level=sem.level, contrast=label,
        unit=sem.unit, n=sem.n, n_missing=sem.n_missing, method=method, reason=sem.reason,
    )  # fmt: skip


def within_subject_cv(ratings: Any, *, method: CvMethod = "logarithms", level: float = 0.95) -> Estimate:
    """Return the within-subject coefficient of variation: error in percent of what is measured.

    Parameters
    ----------
    ratings : array_like, shape (n, k)
        One row a subject, one column a measurement; all above 0; NaN where missing. Subjects with two or more
        take part.
    method : {"logarithms", "root mean square"}
        Root(exp(s^2) - 1), s^2 the variance within subjects of the logs, with limits from chi-squared; or root of
        the mean of (SD / mean)^2 of the subjects, with limits from Student's t of that mean.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        In percent. Meaningful when the error grows in proportion to the size.

    Raises
    ------
    EstimationError
        When a rating is 0 or less, or an option is unknown.

    References
    ----------
    Quan H, Shih WJ. Biometrics 1996; 52: 1195-1203. Bland JM, Altman DG. BMJ 1996; 313: 106 (logarithms).

    Examples
    --------
    SD over mean is root 2 / 2 in one pair and root 8 / 6 in the other; squares 0.5 and 8/36:

    >>> cv = within_subject_cv([[1, 3], [4, 8]], method="root mean square")
    >>> round(cv.value ** 2 / 1e4, 9), round((0.5 + 8 / 36) / 2, 9)
    (0.361111111, 0.361111111)
    """
    check_choice(method, ("logarithms", "root mean square"), "method")
    check_level(level)
    table = check_ratings(ratings)
    wrong = int((table <= 0).sum())
    if wrong:
        raise EstimationError(
            f"ratings: {wrong} are 0 or less; a coefficient of variation needs numbers above 0",
            code="not_positive",
        )
    label = "within-subject coefficient of variation"
    logs = method == "logarithms"
    variances, sizes, n_missing = _within(np.log(table) if logs else table)
    n = len(sizes)
    shared: dict[str, Any] = {
        "contrast": label, "unit": "percent", "n": n, "n_missing": n_missing, "method": method,
    }  # fmt: skip
    if n < (1 if logs else 2):
        return Estimate.not_estimable(f"{n} subjects with two ratings", **shared)
    if logs:
        parts = _pooled_part(variances, sizes)
        value, limits = parts[0][0], variance_limits(parts, level)
        if value > LARGEST_LOG:
            return Estimate.not_estimable("the ratings of one subject differ beyond all numbers", **shared)
        square, low, high = math.expm1(value), math.expm1(limits[0]), math.expm1(min(limits[1], LARGEST_LOG))
        endless = limits[1] > LARGEST_LOG
    else:
        means = np.array([row[~np.isnan(row)].mean() for row in table if (~np.isnan(row)).sum() > 1])
        shares = np.sort(variances / means**2)
        square = float(shares.mean())
        half = float(t_quantile((1 + level) / 2, n - 1)) * float(shares.std(ddof=1)) / math.sqrt(n)
        low, high, endless = max(0.0, square - half), square + half, False
    if square <= 0:
        reason = "all ratings of every subject are the same: no error to set limits by"
        return Estimate(value=0.0, conf_low=None, conf_high=None, level=level, reason=reason, **shared)
    return Estimate(
        value=100 * math.sqrt(square), conf_low=100 * math.sqrt(low),
        conf_high=None if endless else 100 * math.sqrt(high), level=level,
        reason="the upper limit is beyond all numbers" if endless else "", **shared,
    )  # fmt: skip


def variance_limits(parts: list[tuple[float, float]], level: float) -> tuple[float, float]:
    """Return limits of a sum of independent variances, each with its degrees of freedom.

    Parameters
    ----------
    parts : list of (float, float)
        Estimates, 0 or more, each of a multiple of a chi-squared with that many degrees of freedom.
    level : float
        Confidence level.

    Returns
    -------
    tuple of float
        Exact for one part; for several the distances of the single limits, added in squares.

    References
    ----------
    Graybill FA, Wang CM. J Am Stat Assoc 1980; 75: 869-873.

    Examples
    --------
    One variance of 1 with 10 degrees of freedom: 10 / 20.483 and 10 / 3.247:

    >>> [round(limit, 4) for limit in variance_limits([(1.0, 10.0)], 0.95)]
    [0.4882, 3.0798]
    """
    tail = (1 - level) / 2
    total = math.fsum(part for part, _ in parts)
    down = [part * (1 - df / float(special.chdtri(df, tail))) for part, df in parts]
    up = [part * (df / float(special.chdtri(df, 1 - tail)) - 1) for part, df in parts]
    return max(0.0, total - math.hypot(*down)), total + math.hypot(*up)


def _within(table: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Return variance and size of each subject with two ratings or more, and how many have fewer."""
    variances, sizes = [], []
    for row in table:
        present = np.sort(row[~np.isnan(row)])
        if present.size > 1:
            sizes.append(float(present.size))
            same = float(np.ptp(present)) <= 8 * np.finfo(np.float64).eps * float(np.abs(present).max())
            variances.append(0.0 if same else float((present - present[0]).var(ddof=1)))
    return np.array(variances), np.array(sizes), len(table) - len(sizes)


def _pooled_part(variances: FloatArray, sizes: FloatArray) -> list[tuple[float, float]]:
    """Return the variance within subjects and its degrees of freedom, or nothing without subjects."""
    df = float((sizes - 1).sum())
    if df < 1:
        return []
    return [(math.fsum((sizes - 1) * variances) / df, df)]
