"""Two groups compared by ranks within strata: van Elteren's test."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.stats.groups.ranks import midranks
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.inputs import numbers, two_sided_p

StratumWeights = Literal["stratum size", "equal"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StratifiedRankTest:
    """A rank test of two groups within strata.

    Attributes
    ----------
    statistic : float or None
        Standard normal deviate; above 0 when the first group tends to larger values.
    p_value : float or None
        Two-sided; None where `reason` says why.
    superiority : float or None
        Chance that a case of the first group exceeds one of the second of the same stratum, ties
        counting half; mean over strata weighted by pairs times the weight of the stratum.
    n, n_missing : int
        Cases of the strata that take part; cases left out because something was missing.
    n_strata, n_uninformative : int
        Strata given, and those of them that hold one group only or do not vary, and take no part.
    method, reason : str
    """

    statistic: float | None
    p_value: float | None
    superiority: float | None
    n: int
    n_missing: int
    n_strata: int
    n_uninformative: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "statistic": self.statistic, "p_value": self.p_value, "superiority": self.superiority,
            "n": self.n, "n_missing": self.n_missing, "n_strata": self.n_strata,
            "n_uninformative": self.n_uninformative, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        used = f"{self.n_strata - self.n_uninformative} of {self.n_strata} strata"
        if self.statistic is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason}; {used})"
        return f"{self.method}: z = {self.statistic:.4g}, p = {self.p_value:.3g}, n = {self.n} ({used})"


def van_elteren(
    a: ArrayLike,
    b: ArrayLike,
    strata: tuple[Any, Any],
    *,
    weights: StratumWeights = "stratum size",
) -> StratifiedRankTest:
    """Test whether one group tends to larger values than another within strata.

    Parameters
    ----------
    a, b : array_like, shape (n_a,), (n_b,)
        Outcome of each case; NaN or None where missing.
    strata : pair of array_like, shape (n_a,), (n_b,)
        Stratum of each case; missing: left out and counted.
    weights : {"stratum size", "equal"}
        Of the rank sum of each stratum: 1 / (N + 1), most powerful for one shift in all strata (default), or
        the same for all.

    Returns
    -------
    StratifiedRankTest
        Normal approximation with variance corrected for ties, without continuity correction. Without p when no
        stratum holds both groups and varies.

    Raises
    ------
    EstimationError
        For samples that are not numeric and strata of another length.

    Notes
    -----
    z = sum w (R - n_a (N + 1) / 2) / root of sum w^2 n_a n_b / 12 {N + 1 - sum(t^3 - t) / (N (N - 1))}, R the
    rank sum of the first group in its stratum.

    References
    ----------
    van Elteren P. Bulletin of the International Statistical Institute 1960; 37: 351-361. Lehmann EL.
    Nonparametrics. Holden-Day 1975, section 3.3.

    Examples
    --------
    Two strata of 3 and 1: R = 2 + 3 beside 4, variance 2 * 1 / 12 * 4, in both; z = 2 / sqrt(4/3).

    >>> test = van_elteren([2, 3, 20, 30], [1, 10], (["x", "x", "y", "y"], ["x", "y"]))
    >>> round(test.statistic, 12) == round(2 / (4 / 3) ** 0.5, 12), test.superiority
    (True, 1.0)
    """
    check_choice(weights, ("stratum size", "equal"), "weights")
    parts = [
        numbers(values, f"{name}: every value must be a number, NaN or None")
        for values, name in ((a, "a"), (b, "b"))
    ]
    labels = [np.asarray(part, dtype=object) for part in strata]
    if len(labels) != 2 or any(
        label.shape != part.shape or part.ndim != 1 for label, part in zip(labels, parts, strict=False)
    ):
        raise EstimationError(
            "strata: give a pair, one stratum for each case of each group", code="bad_shape"
        )
    values, stratum = np.concatenate(parts), pd.Series(np.concatenate(labels))
    if np.isinf(values).any():
        raise EstimationError("infinite values; set them to NaN and count them as missing", code="infinite")
    first = np.arange(values.size) < parts[0].size
    present = ~np.isnan(values) & stratum.notna().to_numpy()
    codes, found = pd.factorize(stratum[present].astype(str), sort=True)
    pieces = [
        _stratum(values[present][codes == code], first[present][codes == code]) for code in range(len(found))
    ]
    method = "van Elteren" if weights == "stratum size" else "rank sums of strata, equal weights"
    kept = [piece for piece in pieces if piece is not None]
    n, n_missing, n_strata = sum(size for *_, size in kept), int((~present).sum()), len(found)
    if not kept:
        return StratifiedRankTest(
            statistic=None, p_value=None, superiority=None, n=0, n_missing=n_missing, n_strata=n_strata,
            n_uninformative=n_strata, method=method,
            reason="no stratum holds both groups and values that differ",
        )  # fmt: skip
    w = [1 / (size + 1) if weights == "stratum size" else 1.0 for *_, size in kept]
    excess = math.fsum(weight * piece[0] for weight, piece in zip(w, kept, strict=True))
    variance = math.fsum(weight**2 * piece[1] for weight, piece in zip(w, kept, strict=True))
    pairs = math.fsum(weight * piece[2] for weight, piece in zip(w, kept, strict=True))
    z = excess / math.sqrt(variance)
    return StratifiedRankTest(
        statistic=z, p_value=two_sided_p(z), superiority=0.5 + excess / pairs, n=n, n_missing=n_missing,
        n_strata=n_strata, n_uninformative=n_strata - len(kept), method=method,
    )  # fmt: skip


def _stratum(values: np.ndarray, first: np.ndarray) -> tuple[float, float, float, int] | None:
    """Return rank sum above its mean, its variance, pairs and size of a stratum; None when it informs nothing."""
    size, n_a = values.size, int(first.sum())
    if not 0 < n_a < size or values.min() == values.max():
        return None
    ranks, ties = midranks(values)
    tied = float((ties**3 - ties).sum()) / (size * (size - 1))
    excess = float(ranks[first].sum()) - n_a * (size + 1) / 2
    pairs = float(n_a * (size - n_a))
    return excess, pairs / 12 * (size + 1 - tied), pairs, size
