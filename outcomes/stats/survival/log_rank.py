"""Log-rank test of two or more groups, plain, stratified and weighted towards early events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.numerics.inputs import chi2_p
from outcomes.stats.survival.survival_times import RiskTable, check_survival, group_labels, risk_table

# eigenvalues of the (unit-diagonal) variance under this are directions without information
_NOTHING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogRankTest:
    """Observed and expected events of each group and the test that the hazards are equal.

    Attributes
    ----------
    groups : tuple of str, length k
    observed, expected : ndarray, shape (k,)
        Events, and events expected if all groups had one hazard; weighted when `rho` is not 0.
    variance : ndarray, shape (k, k)
        Hypergeometric variance of observed minus expected.
    chi_squared, p_value : float or None
        None where `reason` says why.
    df : int
        Groups less one, or fewer where groups were never at risk beside others at an event.
    rho : float
    n_by_group : ndarray of int, shape (k,)
    n_strata, n_uninformative : int
        Strata, and those that tell nothing because no event happened while two groups were at risk.
    n, n_events, n_missing : int
    method, reason : str
    """

    groups: tuple[str, ...]
    observed: FloatArray
    expected: FloatArray
    variance: FloatArray
    chi_squared: float | None
    p_value: float | None
    df: int
    rho: float
    n_by_group: IntArray
    n_strata: int
    n_uninformative: int
    n: int
    n_events: int
    n_missing: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row a group; the test stands in every row."""
        return pd.DataFrame(
            {
                "group": self.groups, "observed": self.observed, "expected": self.expected,
                "statistic": self.chi_squared, "df": self.df, "p_value": self.p_value, "n": self.n_by_group,
                "n_missing": self.n_missing, "method": self.method,
            }
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the test as a sentence."""
        parts = ", ".join(
            f"{g} {o:.4g} events for {e:.4g} expected"
            for g, o, e in zip(self.groups, self.observed, self.expected, strict=True)
        )
        if self.chi_squared is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason}); {parts}"
        silent = (
            f"; {self.n_uninformative} of {self.n_strata} strata tell nothing" if self.n_uninformative else ""
        )
        return (
            f"{self.method}: chi-squared {self.chi_squared:.4g} on {self.df} df, p = {self.p_value:.3g} "
            f"({parts}; n = {self.n}{silent})"
        )


def log_rank(
    time: Any, event: Any, groups: Any, *, strata: Any = None, entry: Any = None, rho: float = 0.0
) -> LogRankTest:
    """Test whether groups have the same hazard of the event.

    Parameters
    ----------
    time, event, entry : array_like, shape (n,)
        As in :func:`outcomes.stats.survival.survival_times.check_survival`.
    groups, strata : array_like, shape (n,)
        Labels. Observed minus expected is taken within strata and added up.
    rho : float
        Events at t weigh S(t-)^rho, S the Kaplan-Meier curve of the stratum with its groups together: 0 log-rank, 1 the
        Peto-Peto form of the Gehan-Wilcoxon test, which looks at early events.

    Returns
    -------
    LogRankTest
        Rows with a missing time, event, group or stratum are left out and counted.

    Raises
    ------
    EstimationError
        Fewer than two groups, bad times, rho below 0.

    Notes
    -----
    Sources: Mantel (1966) Cancer Chemother Rep 50:163; Peto and Peto (1972) J R Stat Soc A 135:185; Harrington and
    Fleming (1982) Biometrika 69:553-566 (rho).

    Examples
    --------
    Two times with one event each: expected in a 2/4 and 1/2; variance 1/4 and 1/4.

    >>> test = log_rank([1, 2, 3, 4], [1, 0, 1, 0], ["a", "b", "a", "b"])
    >>> test.observed.tolist(), test.expected.tolist(), round(test.chi_squared, 12)
    ([2.0, 0.0], [1.0, 1.0], 2.0)
    """
    n_rows = np.size(time)
    codes, labels, no_group = group_labels(groups, n_rows)
    layers, _, no_stratum = group_labels(strata, n_rows, "stratum")
    data = check_survival(time, event, entry=entry, also=no_group | no_stratum)
    codes, layers = codes[data.used], np.unique(layers[data.used], return_inverse=True)[1]
    present = np.bincount(codes, minlength=len(labels))
    if len(labels) < 2 or (present > 0).sum() < 2:
        raise EstimationError(
            f"{int((present > 0).sum())} group with usable rows; a log-rank test compares at least two",
            code="too_few_groups",
        )
    if not (np.isfinite(rho) and rho >= 0.0):
        raise EstimationError("rho is a number, 0 (log-rank) or more (1: Peto-Peto)", code="bad_choice")
    table = risk_table(data, codes, len(labels), layers)
    observed, expected, variance, silent = _sums(table, rho)
    chi_squared, df = _quadratic(observed - expected, variance)
    name = "log-rank test" if rho == 0.0 else f"weighted log-rank test, rho = {rho:g}"
    n_events = int(data.event.sum())
    return LogRankTest(
        groups=labels,
        observed=observed,
        expected=expected,
        variance=variance,
        chi_squared=chi_squared if df else None,
        p_value=chi2_p(chi_squared, df) if df else None,
        df=df,
        rho=rho,
        n_by_group=present,
        n_strata=int(layers.max()) + 1,
        n_uninformative=silent,
        n=len(data.time),
        n_events=n_events,
        n_missing=data.n_missing,
        method=name if strata is None else f"stratified {name}",
        reason=""
        if df
        else "no event"
        if not n_events
        else "no event happened while two groups were at risk",
    )


def _sums(table: RiskTable, rho: float) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """Return weighted observed and expected events, their variance, and how many strata tell nothing."""
    total, deaths = table.at_risk.sum(axis=0), table.events.sum(axis=0)
    use = deaths > 0
    y, d = table.at_risk[:, use].astype(np.float64), deaths[use].astype(np.float64)
    n, owner = total[use].astype(np.float64), table.stratum[use]
    weight = _weights(d, n, owner, rho)
    share = y / n
    observed = table.events[:, use] @ weight
    expected = share @ (weight * d)
    spread = weight**2 * d * (n - d) / np.maximum(n - 1.0, 1.0)
    variance = np.diag(share @ spread) - (share * spread) @ share.T
    mixed = (share < 1.0).all(axis=0) & (d < n)
    informative = len(np.unique(owner[mixed]))
    return observed, expected, variance, int(table.stratum.max()) + 1 - informative


def _weights(d: FloatArray, n: FloatArray, owner: IntArray, rho: float) -> FloatArray:
    """Return S(t-)^rho at the event times, S the curve of each stratum."""
    if rho == 0.0 or not len(d):
        return np.ones(len(d))
    weight = np.ones(len(d))
    for stratum in np.unique(owner):
        rows = np.flatnonzero(owner == stratum)
        weight[rows[1:]] = np.cumprod(1.0 - d[rows] / n[rows])[:-1] ** rho
    return weight


def _quadratic(difference: FloatArray, variance: FloatArray) -> tuple[float, int]:
    """Return the quadratic form in the directions that have a variance, and their number."""
    scale = np.sqrt(np.diag(variance))
    kept = scale > 0.0
    if not kept.any():
        return 0.0, 0
    z = difference[kept] / scale[kept]
    values, vectors = np.linalg.eigh(variance[np.ix_(kept, kept)] / np.outer(scale[kept], scale[kept]))
    real = values > _NOTHING
    return float((np.square(vectors[:, real].T @ z) / values[real]).sum()), int(real.sum())
