"""Two groups compared across strata: Mantel-Haenszel measures, their test, homogeneity.

A stratum without information (an empty group, one patient, nobody or everybody with the event) takes
no part where it cannot, and is counted; it never turns the pooled result into NaN.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import chi2_p, count_array, normal_quantile, two_sided_p
from outcomes.stats.proportions.score_statistics import expected_events

DifferenceVariance = Literal["Sato", "Greenland-Robins"]

NO_STRATUM = "no stratum in which both groups and both outcomes occur"
NO_SPREAD = "no variation within the strata: no interval, no p"
ROUNDING = 1e-12  # a variance below this share of 1/n is what rounding left of 0


@dataclass(frozen=True, slots=True, kw_only=True)
class StratifiedTest:
    """A chi-squared statistic over strata.

    Attributes
    ----------
    statistic, df, p_value : float or None
        None where `reason` says why.
    n_strata, n_uninformative : int
        Strata given, and those of them that took no part.
    method, reason : str
    """

    statistic: float | None
    df: float | None
    p_value: float | None
    n_strata: int
    n_uninformative: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {"contrast": self.method, "statistic": self.statistic, "df": self.df, "p_value": self.p_value}
        return pd.DataFrame([row | {"n_strata": self.n_strata, "n_uninformative": self.n_uninformative}])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        used = f"{self.n_strata - self.n_uninformative} of {self.n_strata} strata"
        if self.statistic is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason}; {used})"
        return f"{self.method}: chi2({self.df:g}) = {self.statistic:.4g}, p = {self.p_value:.3g} ({used})"


@dataclass(frozen=True, slots=True, kw_only=True)
class MantelHaenszel:
    """Everything pooled from one set of 2 x 2 tables.

    Attributes
    ----------
    odds_ratio, risk_ratio, risk_difference : Estimate
        Pooled measures, group 1 against group 0; `n` counts the cases of the strata that took part.
    test, test_corrected : StratifiedTest
        Cochran-Mantel-Haenszel test without and with continuity correction (half a case; a difference
        of less than half a case becomes 0).
    breslow_day, tarone : StratifiedTest
        Homogeneity of the odds ratios: Breslow-Day, and with Tarone's correction (read this one).
    n, n_strata : int
        All cases and strata given.
    n_uninformative : int
        Strata that took no part in the odds ratio and the tests.
    n_uninformative_ratio, n_uninformative_difference : int
        Strata that took no part in the risk ratio and in the risk difference.
    """

    odds_ratio: Estimate
    risk_ratio: Estimate
    risk_difference: Estimate
    test: StratifiedTest
    test_corrected: StratifiedTest
    breslow_day: StratifiedTest
    tarone: StratifiedTest
    n: int
    n_strata: int
    n_uninformative: int
    n_uninformative_ratio: int
    n_uninformative_difference: int

    def tidy(self) -> pd.DataFrame:
        """Return one row for each measure, with the common column names."""
        rows = [
            {
                "contrast": estimate.contrast, "measure": name, "estimate": estimate.value,
                "std_error": estimate.std_error, "conf_low": estimate.conf_low,
                "conf_high": estimate.conf_high, "p_value": estimate.p_value, "n": estimate.n, "n_missing": 0,
                "n_strata": self.n_strata, "n_uninformative": uninformative, "method": estimate.method,
            }
            for name, estimate, uninformative in (
                ("odds ratio", self.odds_ratio, self.n_uninformative),
                ("risk ratio", self.risk_ratio, self.n_uninformative_ratio),
                ("risk difference", self.risk_difference, self.n_uninformative_difference),
            )
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return (
            f"Mantel-Haenszel over {self.n_strata} strata ({self.n_uninformative} uninformative): odds ratio "
            f"{self.odds_ratio}; {self.test}; {self.tarone}"
        )


def mantel_haenszel(
    tables: ArrayLike,
    level: float = 0.95,
    *,
    ratio_contrast: str = "group 1 over group 0",
    difference_contrast: str = "group 1 minus group 0",
    difference_variance: DifferenceVariance = "Sato",
) -> MantelHaenszel:
    """Pool the comparison of two proportions over strata.

    Parameters
    ----------
    tables : array_like of int, shape (k, 2, 2)
        Each stratum as ``[[events 1, no events 1], [events 0, no events 0]]``.
    level : float
        Confidence level of the limits.
    ratio_contrast, difference_contrast : str
        What is divided by what, and subtracted from what.
    difference_variance : {"Sato", "Greenland-Robins"}
        Of the risk difference. Sato's holds for few large and for many small strata; that of Greenland and
        Robins for few large ones only (in one stratum it is the variance of two observed proportions, in
        one of two patients it is 0). In few small strata the interval of either is too short (88 to 94 % for
        Sato, docs/validation/proportions.md): take
        :func:`outcomes.stats.proportions.stratified_differences.stratified_score_difference`.

    Returns
    -------
    MantelHaenszel
        Odds ratio with the Robins-Breslow-Greenland interval, risk ratio with the Greenland-Robins
        interval (`std_error` of both on the log scale), risk difference (a proportion), tests. A measure
        that the tables do not determine says why.

    Raises
    ------
    EstimationError
        When the shape is not (k, 2, 2), a cell is not a count, or the variance is none of the two.

    References
    ----------
    Mantel N, Haenszel W. J Natl Cancer Inst 1959; 22: 719-748. Robins J, Breslow N, Greenland S.
    Biometrics 1986; 42: 311-323. Greenland S, Robins JM. Biometrics 1985; 41: 55-68. Sato T, Greenland
    S, Robins JM. Biometrics 1989; 45: 1323-1324. Breslow NE, Day NE. Statistical Methods in Cancer
    Research I. IARC 1980, p. 142. Tarone RE. Biometrika 1985; 72: 91-95.

    Examples
    --------
    One stratum gives the plain ratios, 20/80 : 10/90 and 0.2 : 0.1; an empty one changes nothing:

    >>> pooled = mantel_haenszel([[[20, 80], [10, 90]], [[0, 0], [3, 4]]])
    >>> pooled.odds_ratio.value, pooled.risk_ratio.value, pooled.risk_difference.value
    (2.25, 2.0, 0.1)
    >>> pooled.n_uninformative
    1
    """
    check_choice(difference_variance, ("Sato", "Greenland-Robins"), "difference_variance")
    cells = table_cells(tables)
    z = normal_quantile(level)
    informative, both_groups, some_events = _informative(cells)
    k = len(cells)
    odds = _odds_ratio(cells[informative], z, level, ratio_contrast)
    plain, corrected = _cmh(cells, informative)
    breslow_day, tarone = _homogeneity(cells, informative, odds.value)
    return MantelHaenszel(
        odds_ratio=odds,
        risk_ratio=_risk_ratio(cells[both_groups & some_events], z, level, ratio_contrast),
        risk_difference=_risk_difference(
            cells[both_groups], z, level, difference_contrast, difference_variance
        ),
        test=plain, test_corrected=corrected, breslow_day=breslow_day, tarone=tarone,
        n=int(cells.sum()), n_strata=k, n_uninformative=k - int(informative.sum()),
        n_uninformative_ratio=k - int((both_groups & some_events).sum()),
        n_uninformative_difference=k - int(both_groups.sum()),
    )  # fmt: skip


def table_cells(tables: ArrayLike) -> FloatArray:
    """Return the tables as floats of shape (k, 2, 2), sorted by their counts, or refuse them.

    Sums of floating-point numbers depend on their order; that in which the strata are given must move no bit.

    Parameters
    ----------
    tables : array_like of int, shape (k, 2, 2)

    Raises
    ------
    EstimationError
        A shape other than (k, 2, 2), or cells that are no counts.

    Examples
    --------
    >>> table_cells([[[1, 2], [3, 4]]]).shape
    (1, 2, 2)
    """
    cells = count_array(tables, "tables", "(k, 2, 2)", 3)
    if cells.shape[1:] != (2, 2):
        raise EstimationError(f"tables: expected shape (k, 2, 2), got {cells.shape}", code="bad_shape")
    return cells[np.lexsort(cells.reshape(len(cells), 4).T)]


def _informative(cells: FloatArray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return which strata inform the odds ratio, have both groups, and have events."""
    groups, outcomes = cells.sum(axis=2), cells.sum(axis=1)
    both = (groups > 0).all(axis=1)
    return both & (outcomes > 0).all(axis=1), both, outcomes[:, 0] > 0


def _unpack(cells: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return a, b, c, d and the total of each stratum."""
    a, b, c, d = cells[:, 0, 0], cells[:, 0, 1], cells[:, 1, 0], cells[:, 1, 1]
    return a, b, c, d, cells.sum(axis=(1, 2))


def _odds_ratio(cells: FloatArray, z: float, level: float, contrast: str) -> Estimate:
    """Return the Mantel-Haenszel odds ratio with the Robins-Breslow-Greenland interval."""
    method = "Mantel-Haenszel, Robins-Breslow-Greenland"
    a, b, c, d, n = _unpack(cells)
    r, s = a * d / n, b * c / n
    if r.sum() == 0 or s.sum() == 0:
        reason = "the pooled odds ratio is 0" if s.sum() else "the pooled odds ratio has no finite value"
        reason = reason if len(cells) else NO_STRATUM
        return Estimate.not_estimable(reason, contrast=contrast, unit="ratio", n=int(n.sum()), method=method)
    p, q = (a + d) / n, (b + c) / n
    total_r, total_s = r.sum(), s.sum()
    variance = (
        (p * r).sum() / (2 * total_r**2)
        + (p * s + q * r).sum() / (2 * total_r * total_s)
        + (q * s).sum() / (2 * total_s**2)
    )
    return _ratio(float(total_r / total_s), float(variance), z, level, contrast, int(n.sum()), method)


def _risk_ratio(cells: FloatArray, z: float, level: float, contrast: str) -> Estimate:
    """Return the Mantel-Haenszel risk ratio with the Greenland-Robins interval."""
    method = "Mantel-Haenszel, Greenland-Robins"
    a, b, c, d, n = _unpack(cells)
    n1, n0, m1 = a + b, c + d, a + c
    r, s = float((a * n0 / n).sum()), float((c * n1 / n).sum())
    if r == 0 or s == 0:
        where = "either group" if r == s else "group 1" if r == 0 else "group 0"
        reason = f"no events in {where}, over all strata with both groups"
        return Estimate.not_estimable(reason, contrast=contrast, unit="ratio", n=int(n.sum()), method=method)
    variance = float(((m1 * n1 * n0 - a * c * n) / n**2).sum()) / (r * s)
    return _ratio(r / s, variance, z, level, contrast, int(n.sum()), method)


def _risk_difference(
    cells: FloatArray, z: float, level: float, contrast: str, variance_of: DifferenceVariance
) -> Estimate:
    """Return the Mantel-Haenszel risk difference with the standard error asked for."""
    method = f"Mantel-Haenszel, {variance_of}"
    a, b, c, d, n = _unpack(cells)
    if not len(cells):
        return Estimate.not_estimable(
            "no stratum with both groups", contrast=contrast, unit="proportion", method=method
        )
    n1, n0 = a + b, c + d
    weight = float((n1 * n0 / n).sum())
    value = float(((a * n0 - c * n1) / n).sum()) / weight
    if variance_of == "Sato":
        p = (n1**2 * c - n0**2 * a + n1 * n0 * (n0 - n1) / 2) / n**2
        q = (a * (n0 - c) + c * (n1 - a)) / (2 * n)
        variance = (value * float(p.sum()) + float(q.sum())) / weight**2
    else:
        variance = float(((a * b * n0**3 + c * d * n1**3) / (n1 * n0 * n**2)).sum()) / weight**2
    if variance <= ROUNDING / n.sum():
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=level, contrast=contrast, unit="proportion",
            n=int(n.sum()), method=method, reason=NO_SPREAD,
        )  # fmt: skip
    std_error = math.sqrt(variance)
    return Estimate(
        value=value, conf_low=max(value - z * std_error, -1.0), conf_high=min(value + z * std_error, 1.0),
        level=level, std_error=std_error, p_value=two_sided_p(value / std_error), contrast=contrast,
        unit="proportion", n=int(n.sum()), method=method,
    )  # fmt: skip


def _ratio(
    value: float, variance: float, z: float, level: float, contrast: str, n: int, method: str
) -> Estimate:
    """Return a pooled ratio with limits symmetric on the log scale."""
    if variance <= ROUNDING / n:
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=level, contrast=contrast, unit="ratio", n=n,
            method=method, reason=NO_SPREAD,
        )  # fmt: skip
    std_error = math.sqrt(variance)
    return Estimate(
        value=value, conf_low=value * math.exp(-z * std_error), conf_high=value * math.exp(z * std_error),
        level=level, std_error=std_error, p_value=two_sided_p(math.log(value) / std_error), contrast=contrast,
        unit="ratio", n=n, method=method,
    )  # fmt: skip


def _cmh(cells: FloatArray, informative: np.ndarray) -> tuple[StratifiedTest, StratifiedTest]:
    """Return the Cochran-Mantel-Haenszel test without and with continuity correction."""
    names = ("Cochran-Mantel-Haenszel", "Cochran-Mantel-Haenszel with continuity correction")
    k, dropped = len(cells), len(cells) - int(informative.sum())
    if not informative.any():
        return _no_test(names[0], k, dropped, NO_STRATUM), _no_test(names[1], k, dropped, NO_STRATUM)
    a, b, c, d, n = _unpack(cells[informative])
    expected = (a + b) * (a + c) / n
    variance = float(((a + b) * (c + d) * (a + c) * (b + d) / (n**2 * (n - 1))).sum())
    gap = abs(float((a - expected).sum()))
    made = [
        StratifiedTest(
            statistic=distance**2 / variance, df=1, p_value=chi2_p(distance**2 / variance, 1), n_strata=k,
            n_uninformative=dropped, method=name,
        )
        for name, distance in zip(names, (gap, max(gap - 0.5, 0.0)), strict=True)
    ]  # fmt: skip
    return made[0], made[1]


def _homogeneity(
    cells: FloatArray, informative: np.ndarray, odds_ratio: float | None
) -> tuple[StratifiedTest, StratifiedTest]:
    """Return the Breslow-Day test and Tarone's correction of it."""
    names = ("Breslow-Day", "Breslow-Day with Tarone's correction")
    k, used = len(cells), int(informative.sum())
    if used < 2 or odds_ratio is None:
        reason = "fewer than two informative strata" if used < 2 else "no pooled odds ratio"
        return _no_test(names[0], k, k - used, reason), _no_test(names[1], k, k - used, reason)
    a, b, c, d, _ = _unpack(cells[informative])
    n1, n0, m1 = a + b, c + d, a + c
    fitted = expected_events(n1, n0, m1, np.full_like(n1, odds_ratio))
    variance = 1 / (1 / fitted + 1 / (n1 - fitted) + 1 / (m1 - fitted) + 1 / (n0 - m1 + fitted))
    plain = float(((a - fitted) ** 2 / variance).sum())
    tarone = max(plain - float((a - fitted).sum()) ** 2 / float(variance.sum()), 0.0)
    made = [
        StratifiedTest(
            statistic=value, df=used - 1, p_value=chi2_p(value, used - 1), n_strata=k,
            n_uninformative=k - used, method=name,
        )
        for name, value in zip(names, (plain, tarone), strict=True)
    ]  # fmt: skip
    return made[0], made[1]


def _no_test(name: str, n_strata: int, n_uninformative: int, reason: str) -> StratifiedTest:
    """Return the test that says why there is none."""
    return StratifiedTest(
        statistic=None, df=None, p_value=None, n_strata=n_strata, n_uninformative=n_uninformative,
        method=name, reason=reason,
    )  # fmt: skip
