"""Paired yes and no: McNemar's test, exact, by mid-p and by chi-squared."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_level
from outcomes.stats.numerics.inputs import SMALLEST_P, chi2_p, complete_pairs, count_array, whole


@dataclass(frozen=True, slots=True, kw_only=True)
class McNemarTest:
    """Paired yes and no: whether cases change more often one way than the other.

    Attributes
    ----------
    p_mid : float or None
        Mid-p of the exact test, the one to read: close to its level without the caution of the exact one.
    p_exact : float or None
        Exact, two-sided: never too small.
    chi_squared, p_chi_squared : float or None
        (b - c)^2 / (b + c) on one degree of freedom; needs some 10 changes.
    chi_squared_corrected, p_corrected : float or None
        (|b - c| - 1)^2 / (b + c), not below 0; close to the exact test.
    odds_ratio : Estimate
        b / c with its exact limits, first over second.
    n_first_only, n_second_only : int
        Cases with yes at the first only (b) and at the second only (c).
    n, n_missing : int
        Pairs; pairs that miss one of the two.
    reason : str
    """

    p_mid: float | None
    p_exact: float | None
    chi_squared: float | None
    p_chi_squared: float | None
    chi_squared_corrected: float | None
    p_corrected: float | None
    odds_ratio: Estimate
    n_first_only: int
    n_second_only: int
    n: int
    n_missing: int
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row for each test, with the common column names."""
        e = self.odds_ratio
        tests = (
            ("McNemar, mid-p", None, self.p_mid), ("McNemar, exact", None, self.p_exact),
            ("McNemar, chi-squared", self.chi_squared, self.p_chi_squared),
            ("McNemar, corrected", self.chi_squared_corrected, self.p_corrected),
        )  # fmt: skip
        rows = [
            {
                "contrast": e.contrast, "estimate": e.value, "conf_low": e.conf_low, "conf_high": e.conf_high,
                "statistic": statistic, "p_value": p, "n": self.n, "n_missing": self.n_missing,
                "method": method,
            }
            for method, statistic, p in tests
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.p_mid is None or self.p_exact is None:
            return f"McNemar: no test ({self.reason})"
        return (
            f"McNemar: {self.n_first_only} and {self.n_second_only} of {self.n} pairs changed, mid-p = "
            f"{self.p_mid:.3g}, exact p = {self.p_exact:.3g}"
        )


def mcnemar(table: ArrayLike, *, level: float = 0.95, n_missing: int = 0) -> McNemarTest:
    """Test whether paired shares differ, from the table of pairs.

    Parameters
    ----------
    table : array_like of int, shape (2, 2)
        ``[[yes at both, first only], [second only, at neither]]``.
    level : float
        Of the limits of the odds ratio.
    n_missing : int
        Pairs left out before; carried along.

    Returns
    -------
    McNemarTest
        Without p when no case changed.

    Raises
    ------
    EstimationError
        When the shape is not (2, 2) or a cell is not a count.

    References
    ----------
    McNemar Q. Psychometrika 1947; 12: 153-157. Edwards AL. Psychometrika 1948; 13: 185-187. Mid-p: Fagerland MW,
    Lydersen S, Laake P. BMC Medical Research Methodology 2013; 13: 91. Limits: Clopper CJ, Pearson ES. 1934.

    Examples
    --------
    One against five: P(at most 1 of 6 fair coins) = 7/64, twice; less the 6/64 of one itself; 16 / 6.

    >>> test = mcnemar([[10, 1], [5, 8]])
    >>> round(test.p_exact * 64, 9), round(test.p_mid * 64, 9), round(test.chi_squared, 6)
    (14.0, 8.0, 2.666667)
    """
    check_level(level)
    counts = _two_by_two(table)
    b, c, n = counts[0][1], counts[1][0], sum(map(sum, counts))
    m, missing = b + c, whole(n_missing, "n_missing")
    ratio = _odds_ratio(b, c, n, missing, level)
    shared: dict[str, Any] = {
        "odds_ratio": ratio,
        "n_first_only": b,
        "n_second_only": c,
        "n": n,
        "n_missing": missing,
    }
    if m == 0:
        return McNemarTest(
            p_mid=None, p_exact=None, chi_squared=None, p_chi_squared=None, chi_squared_corrected=None,
            p_corrected=None, reason="no case changed" if n else "no pairs", **shared,
        )  # fmt: skip
    fewer = min(b, c)
    tail = float(special.bdtr(fewer, m, 0.5))
    log_here = special.gammaln(m + 1) - special.gammaln(fewer + 1) - special.gammaln(m - fewer + 1)
    here = math.exp(float(log_here) - m * math.log(2))
    # half the chance of what is as far from equal as seen: of one number of changes when both are the same
    mid = 1 - here / 2 if b == c else 2 * tail - here
    plain, corrected = (b - c) ** 2 / m, max(abs(b - c) - 1, 0) ** 2 / m
    return McNemarTest(
        p_mid=max(min(1.0, mid), SMALLEST_P), p_exact=max(min(1.0, 2 * tail), SMALLEST_P),
        chi_squared=plain, p_chi_squared=chi2_p(plain, 1), chi_squared_corrected=corrected,
        p_corrected=chi2_p(corrected, 1), **shared,
    )  # fmt: skip


def mcnemar_from_pairs(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> McNemarTest:
    """Return :func:`mcnemar` of two columns of yes and no.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        1 or 0 for each case; NaN or None where missing: the pair is left out and counted.
    level : float
        Of the limits of the odds ratio.

    Returns
    -------
    McNemarTest

    Raises
    ------
    EstimationError
        For values other than 0 and 1 and lengths that differ.

    References
    ----------
    McNemar Q. Psychometrika 1947; 12: 153-157.

    Examples
    --------
    >>> mcnemar_from_pairs([1, 1, 0, None], [0, 1, 0, 1]).n_first_only
    1
    """
    a, b, missing = complete_pairs(first, second)
    if not (np.isin(a, (0, 1)).all() and np.isin(b, (0, 1)).all()):
        raise EstimationError("first and second: every value must be 0, 1 or missing", code="not_binary")
    cells = np.bincount((2 * (1 - a) + (1 - b)).astype(np.int64), minlength=4).reshape(2, 2)
    return mcnemar(cells, level=level, n_missing=missing)


def _two_by_two(table: ArrayLike) -> list[list[int]]:
    """Return a 2 x 2 table of counts, or refuse it."""
    cells = count_array(table, "table", "(2, 2)", 2)
    if cells.shape != (2, 2):
        raise EstimationError(f"table: expected shape (2, 2), got {cells.shape}", code="bad_shape")
    return [[int(cell) for cell in row] for row in cells]


def _odds_ratio(b: int, c: int, n: int, n_missing: int, level: float) -> Estimate:
    """Return b / c with limits from the exact limits of b / (b + c)."""
    method, contrast = "conditional, exact", "first over second"
    if b == 0 or c == 0:
        reason = (
            "no case changed"
            if b == c
            else "the odds ratio is 0"
            if b == 0
            else "the odds ratio has no finite value"
        )
        return Estimate.not_estimable(
            reason, contrast=contrast, unit="ratio", n=n, n_missing=n_missing, method=method
        )
    tail = (1 - level) / 2
    low = float(special.betaincinv(b, c + 1, tail))
    # c's share from its own lower tail, so that neither limit is one minus something near one
    high = float(special.betaincinv(c, b + 1, tail))
    return Estimate(
        value=b / c, conf_low=low / (1 - low), conf_high=(1 - high) / high, level=level, contrast=contrast,
        unit="ratio", n=n, n_missing=n_missing, method=method,
    )  # fmt: skip
