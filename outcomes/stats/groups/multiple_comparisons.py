"""All pairs of several means with intervals that hold together: Tukey-Kramer and Games-Howell."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_level
from outcomes.stats.numerics.inputs import sample
from outcomes.stats.numerics.moments import Moments, moments
from outcomes.stats.numerics.studentised_range import studentised_range_p, studentised_range_quantile

NO_SPREAD = "no variation within the groups that this rests on: no interval, no p"


@dataclass(frozen=True, slots=True, kw_only=True)
class PairwiseComparisons:
    """Differences of all pairs of groups.

    Attributes
    ----------
    estimates : tuple of Estimate
        One for each pair in the order given, "first minus second"; limits hold for all pairs together with
        probability `level`, p is adjusted for all pairs.
    statistics : tuple of float or None
        Studentised range of each pair: root 2 times the absolute t.
    n_groups : int
        Groups that make up the family.
    n_left_out : int
        Groups too small to take part; their pairs are not estimable.
    n, n_missing : int
    method : str
    """

    estimates: tuple[Estimate, ...]
    statistics: tuple[float | None, ...]
    n_groups: int
    n_left_out: int
    n: int
    n_missing: int
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return one row for each pair, with the common column names."""
        rows = [
            {
                "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error,
                "conf_low": e.conf_low, "conf_high": e.conf_high, "statistic": q, "df": e.df,
                "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing, "method": e.method,
            }
            for e, q in zip(self.estimates, self.statistics, strict=True)
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return one sentence a pair."""
        return "\n".join(str(e) if e.p_value is None else f"{e}, p = {e.p_value:.3g}" for e in self.estimates)


def tukey_kramer(
    groups: Sequence[ArrayLike],
    *,
    labels: Sequence[str] | None = None,
    level: float = 0.95,
    unit: str = "",
) -> PairwiseComparisons:
    """Compare all pairs of means, assuming one variance.

    Parameters
    ----------
    groups : sequence of array_like
        One sample a group, in `unit`; NaN or None where missing. Empty groups take no part and are
        counted; a group of one value takes part, its variance coming from the others.
    labels : sequence of str, optional
        Names of the groups; "group 1", "group 2", ... otherwise.
    level : float
        Probability that all intervals hold together: exact for equal sizes, more for unequal ones.
    unit : str
        Unit of the outcome.

    Returns
    -------
    PairwiseComparisons
        A pair with an empty group is not estimable; without limits and p when no group varies.

    Raises
    ------
    EstimationError
        For fewer than two groups, labels that do not fit, samples that are not numeric.

    References
    ----------
    Tukey JW. The problem of multiple comparisons. 1953. Kramer CY. Biometrics 1956; 12: 307-310.
    Hayter AJ. Annals of Statistics 1984; 12: 61-75 (the level holds for unequal sizes).

    Examples
    --------
    With two groups it is Student's interval: difference 1, SE sqrt(2/3), 4 degrees of freedom:

    >>> pair = tukey_kramer([[2, 3, 4], [1, 2, 3]], labels=["a", "b"], unit="kg")
    >>> print(pair)
    a minus b: 1 kg (95 % CI -1.267 to 3.267; n = 6; Tukey-Kramer, simultaneous), p = 0.288
    """
    parts, spread, names, gone = _read(groups, labels, level)
    method = "Tukey-Kramer, simultaneous"
    used = [part.n > 0 for part in parts]
    k, n = sum(used), sum(part.n for part in parts)
    df = n - k
    flat = all(not part.variance for part in spread)
    within = math.fsum((part.n - 1) * (part.variance or 0.0) for part in parts if part.n)
    square = 0.0 if flat or df < 1 else within / df
    critical = studentised_range_quantile(level, k, df) if square > 0 and k >= 2 else None
    estimates, statistics = [], []
    for i, j in _pairs(parts):
        contrast = f"{names[i]} minus {names[j]}"
        if not (used[i] and used[j]):
            estimate, q = _missing_pair(parts[i], parts[j], 1, contrast, unit, method), None
        else:
            error = math.sqrt(square * (1 / parts[i].n + 1 / parts[j].n))
            reason = NO_SPREAD if df >= 1 else f"n too small: {n} values in {k} groups leave nothing within"
            estimate, q = _pair(
                parts[i], parts[j], error, float(df), k, critical, reason, level, contrast, unit, method
            )
        estimates.append(replace(estimate, n_missing=gone[i] + gone[j]))
        statistics.append(q)
    return PairwiseComparisons(
        estimates=tuple(estimates), statistics=tuple(statistics), n_groups=k, n_left_out=len(parts) - k, n=n,
        n_missing=sum(gone), method=method,
    )  # fmt: skip


def games_howell(
    groups: Sequence[ArrayLike],
    *,
    labels: Sequence[str] | None = None,
    level: float = 0.95,
    unit: str = "",
) -> PairwiseComparisons:
    """Compare all pairs of means, whatever their variances.

    Parameters
    ----------
    groups : sequence of array_like
        One sample a group, in `unit`; NaN or None where missing. Groups of fewer than two values take no
        part and are counted.
    labels, level, unit
        As for :func:`tukey_kramer`; the level holds approximately.

    Returns
    -------
    PairwiseComparisons
        Each pair has its own standard error and Welch's degrees of freedom. A pair with a group of fewer
        than two values is not estimable; a pair in which neither group varies has no limits and no p.

    Raises
    ------
    EstimationError
        As for :func:`tukey_kramer`.

    References
    ----------
    Games PA, Howell JF. Journal of Educational Statistics 1976; 1: 113-125.

    Examples
    --------
    With two groups it is Welch's interval:

    >>> from outcomes.stats.groups.means import mean_difference
    >>> a, b = [1, 2, 6], [3, 9, 4, 5]
    >>> round(games_howell([a, b]).estimates[0].conf_low - mean_difference(a, b).conf_low, 9)
    0.0
    """
    parts, spread, names, gone = _read(groups, labels, level)
    method = "Games-Howell, simultaneous"
    used = [part.n > 1 for part in parts]
    k = sum(used)
    estimates, statistics = [], []
    for i, j in _pairs(parts):
        contrast = f"{names[i]} minus {names[j]}"
        if not (used[i] and used[j]):
            estimate, q = _missing_pair(parts[i], parts[j], 2, contrast, unit, method), None
        else:
            error, df = _welch(spread[i], spread[j])
            critical = studentised_range_quantile(level, k, df) if error > 0 else None
            estimate, q = _pair(
                parts[i], parts[j], error, df, k, critical, NO_SPREAD, level, contrast, unit, method
            )
        estimates.append(replace(estimate, n_missing=gone[i] + gone[j]))
        statistics.append(q)
    return PairwiseComparisons(
        estimates=tuple(estimates), statistics=tuple(statistics), n_groups=k, n_left_out=len(parts) - k,
        n=sum(part.n for part in parts), n_missing=sum(gone), method=method,
    )  # fmt: skip


def _read(
    groups: Sequence[ArrayLike], labels: Sequence[str] | None, level: float
) -> tuple[list[Moments], list[Moments], list[str], list[int]]:
    """Return the moments about a common value, the raw moments, the names and how many are missing in each."""
    check_level(level)
    if len(groups) < 2:
        raise EstimationError(f"{len(groups)} groups given; pairs need at least 2", code="too_few_groups")
    names = [f"group {i + 1}" for i in range(len(groups))] if labels is None else list(labels)
    if len(names) != len(groups) or len(set(names)) != len(names):
        raise EstimationError(
            f"{len(names)} labels ({len(set(names))} different) for {len(groups)} groups; give one for each",
            code="bad_names",
        )
    cleaned = [sample(group, f"group {i + 1}") for i, group in enumerate(groups)]
    # The order of rows must not reach the last digit of a sum.
    present = [np.sort(values) for values, _ in cleaned]
    pivot = next((float(values[0]) for values in present if values.size), 0.0)
    about = [moments(values - pivot) for values in present]
    return about, [moments(values) for values in present], names, [missing for _, missing in cleaned]


def _pairs(parts: Sequence[Moments]) -> Iterator[tuple[int, int]]:
    """Return the pairs of groups in order."""
    return combinations(range(len(parts)), 2)


def _welch(a: Moments, b: Moments) -> tuple[float, float]:
    """Return the standard error of a difference and Welch's degrees of freedom."""
    part_a, part_b = (a.variance or 0.0) / a.n, (b.variance or 0.0) / b.n
    total = part_a + part_b
    if total == 0:
        return 0.0, math.nan
    return math.sqrt(total), 1 / ((part_a / total) ** 2 / (a.n - 1) + (part_b / total) ** 2 / (b.n - 1))


def _missing_pair(a: Moments, b: Moments, least: int, contrast: str, unit: str, method: str) -> Estimate:
    """Return the comparison that a group too small leaves impossible."""
    reason = f"n too small: {a.n} and {b.n} values, at least {least} in each group are needed"
    return Estimate.not_estimable(reason, contrast=contrast, unit=unit, n=a.n + b.n, method=method)


def _pair(
    a: Moments, b: Moments, error: float, df: float, k: int, critical: float | None, reason: str,
    level: float, contrast: str, unit: str, method: str,
) -> tuple[Estimate, float | None]:  # fmt: skip
    """Return the difference of a pair with its simultaneous interval and its studentised range."""
    value = (a.mean or 0.0) - (b.mean or 0.0)
    n = a.n + b.n
    if critical is None:
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=level, contrast=contrast, unit=unit, n=n,
            method=method, reason=reason,
        ), None  # fmt: skip
    q = abs(value) / error * math.sqrt(2.0)
    half = critical / math.sqrt(2.0) * error
    return Estimate(
        value=value, conf_low=value - half, conf_high=value + half, level=level, std_error=error, df=df,
        p_value=studentised_range_p(q, k, df), contrast=contrast, unit=unit, n=n, method=method,
    ), q  # fmt: skip
