"""Standardised differences between groups: how unlike they are, in units of their own spread.

The denominator is part of the number and is always named. For two groups the sign is that of the first
minus the second; for more, the largest pair is the headline and all pairs are kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.stats.groups.summary import GroupSummary, LevelSummary, NumberSummary
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import sample
from outcomes.stats.numerics.moments import moments

Kind = Literal["continuous", "binary", "categorical"]
Spread = Literal["unweighted", "weighted"]
DENOMINATORS: dict[str, str] = {
    "continuous": "square root of the mean of the two variances (divisor n - 1)",
    "binary": "square root of the mean of the two p (1 - p)",
    "categorical": "Mahalanobis distance with the mean of the two multinomial covariances",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardisedDifference:
    """How far apart groups lie on one variable, in units of spread.

    Attributes
    ----------
    name : str
    kind : {"continuous", "binary", "categorical"}
    value : float or None
        First minus second for two groups; with the largest absolute value among several. Never
        negative for categories. None where `reason` says why.
    between : tuple of str
        The pair it stands for; empty when there is none.
    pairs : tuple of (str, str, float or None)
        Every pair.
    denominator : str
        What the difference is divided by.
    n, n_missing : int
    reason : str
    """

    name: str
    kind: Kind
    value: float | None
    between: tuple[str, ...]
    pairs: tuple[tuple[str, str, float | None], ...]
    denominator: str
    n: int
    n_missing: int
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row for each pair, with the common column names."""
        rows = [
            {
                "outcome": self.name, "contrast": f"{first} minus {second}", "estimate": value, "n": self.n,
                "n_missing": self.n_missing, "denominator": self.denominator,
            }
            for first, second, value in self.pairs
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        lead = f"{self.name}: " if self.name else ""
        if self.value is None:
            return f"{lead}no standardised difference ({self.reason})"
        largest = "" if len(self.pairs) == 1 else ", the largest of all pairs"
        return f"{lead}standardised difference {self.value:.3f} ({' v '.join(self.between)}{largest})"


def standardised_difference(
    groups: Sequence[ArrayLike],
    *,
    kind: Kind = "continuous",
    weights: Sequence[ArrayLike] | None = None,
    spread: Spread = "unweighted",
    labels: Sequence[str] | None = None,
    name: str = "",
) -> StandardisedDifference:
    """Return the standardised difference of one variable between two or more groups.

    Parameters
    ----------
    groups : sequence of array_like
        Values of each group: numbers; 0 and 1 for "binary"; labels for "categorical". NaN or None
        where missing (left out and counted).
    kind : {"continuous", "binary", "categorical"}
        Decides the denominator, see ``denominator`` of the result.
    weights : sequence of array_like, optional
        One weight for each value, 0 or more.
    spread : {"unweighted", "weighted"}
        With weights, whether the denominator is that of the cases as they are (default, so that before
        and after weighting are in the same units) or of the weighted ones.
    labels : sequence of str, optional
        Names of the groups; "group 1", "group 2", ... otherwise.
    name : str
        Name of the variable.

    Returns
    -------
    StandardisedDifference
        Without a value when no pair of groups varies or has enough values.

    Raises
    ------
    EstimationError
        For values that do not fit `kind`, and for weights that are negative or of another length.

    References
    ----------
    Austin PC. Statistics in Medicine 2009; 28: 3083-3107. Weighted: Austin PC, Stuart EA. Statistics in
    Medicine 2015; 34: 3661-3679. Categorical: Yang D, Dalton JE. A unified approach to measuring the
    effect size between two groups. 2012, paper 335.

    Examples
    --------
    Means 3 and 2, variances 1 and 1; shares 0.5 and 0.2, mean p(1 - p) = 0.205:

    >>> standardised_difference([[2, 3, 4], [1, 2, 3]]).value
    1.0
    >>> share = standardised_difference([[1, 0], [1, 0, 0, 0, 0]], kind="binary")
    >>> round(share.value, 6), round(0.3 / 0.205 ** 0.5, 6)
    (0.662589, 0.662589)
    """
    check_choice(kind, ("continuous", "binary", "categorical"), "kind")
    check_choice(spread, ("unweighted", "weighted"), "spread")
    names = tuple(labels) if labels is not None else tuple(f"group {i + 1}" for i in range(len(groups)))
    weighted = _weights(groups, weights, names)
    denominator = DENOMINATORS[kind] + (f", {spread}" if weights is not None else "")
    if kind == "categorical":
        shares, n, missing = _weighted_shares(groups, weighted)
        plain, _, _ = _weighted_shares(groups, [np.ones_like(w) for w in weighted])
        values = _categorical_pairs(shares, plain if spread == "unweighted" else shares)
    else:
        centres, spreads, n, missing = _weighted_moments(groups, weighted, kind, spread)
        values = _scalar_pairs(centres, spreads)
    return _of_pairs(name, kind, names, values, denominator, n, missing)


def standardised_differences(
    summary: GroupSummary, among: Sequence[str] | None = None
) -> tuple[StandardisedDifference, ...]:
    """Return the standardised difference of every summarised column, without reading the data again.

    Parameters
    ----------
    summary : GroupSummary
        As :func:`outcomes.stats.groups.summary.summarise_groups` returns it.
    among : sequence of str, optional
        Groups to compare; all (but "overall") otherwise.

    Returns
    -------
    tuple of StandardisedDifference
        In the order of the columns; n and missing are those of the groups compared.

    Raises
    ------
    EstimationError
        When `among` names an unknown group.

    References
    ----------
    As for :func:`standardised_difference`.

    Examples
    --------
    >>> from outcomes.stats.groups.summary import summarise_groups
    >>> summary = summarise_groups({"grip": [2, 3, 4, 1, 2, 3]}, list("aaabbb"))
    >>> print(standardised_differences(summary)[0])
    grip: standardised difference 1.000 (a v b)
    """
    known = summary.groups[:-1] if summary.has_overall else summary.groups
    names = tuple(known if among is None else among)
    unknown = [name for name in names if name not in known]
    if unknown:
        raise EstimationError(
            f"among: no group named {', '.join(unknown)}; the groups are {', '.join(known)}",
            code="unknown_group",
        )
    at = [known.index(name) for name in names]
    return tuple(_of_column(column, names, at) for column in summary.columns)


def _of_column(
    column: NumberSummary | LevelSummary, names: tuple[str, ...], at: list[int]
) -> StandardisedDifference:
    """Return the standardised difference of one summarised column."""
    n, missing = sum(column.n[i] for i in at), sum(column.n_missing[i] for i in at)
    kind: Kind
    if isinstance(column, NumberSummary):
        kind = "continuous"
        centres = [column.mean[i] for i in at]
        values = _scalar_pairs(centres, [None if sd is None else sd**2 for sd in (column.sd[i] for i in at)])
    elif column.levels == ("yes",):
        kind = "binary"
        shares = [column.counts[i][0] / column.n[i] if column.n[i] else None for i in at]
        values = _scalar_pairs(shares, [None if p is None else p * (1 - p) for p in shares])
    else:
        kind = "categorical"
        counts = [np.array(column.counts[i], dtype=np.float64) for i in at]
        levels = [count / count.sum() if count.sum() else None for count in counts]
        values = _categorical_pairs(levels, levels)
    return _of_pairs(column.name, kind, names, values, DENOMINATORS[kind], n, missing)


def _of_pairs(
    name: str,
    kind: Kind,
    names: tuple[str, ...],
    values: list[float | None],
    denominator: str,
    n: int,
    n_missing: int,
) -> StandardisedDifference:
    """Return the result whose headline is the largest pair."""
    if len(names) < 2:
        raise EstimationError(f"{len(names)} groups; a difference needs 2 or more", code="too_few_groups")
    pairs = tuple(
        (first, second, value) for (first, second), value in zip(combinations(names, 2), values, strict=True)
    )
    made = [pair for pair in pairs if pair[2] is not None]
    largest = max(made, key=lambda pair: abs(pair[2] or 0.0), default=None)
    return StandardisedDifference(
        name=name, kind=kind, value=largest[2] if largest else None, between=largest[:2] if largest else (),
        pairs=pairs, denominator=denominator, n=n, n_missing=n_missing,
        reason="" if largest else "no variation, or too few values, in every pair of groups",
    )  # fmt: skip


def _scalar_pairs(centres: Sequence[float | None], spreads: Sequence[float | None]) -> list[float | None]:
    """Return (centre_i - centre_j) / sqrt of the mean spread for every pair."""
    made: list[float | None] = []
    for i, j in combinations(range(len(centres)), 2):
        first, second, spread_i, spread_j = centres[i], centres[j], spreads[i], spreads[j]
        if first is None or second is None or spread_i is None or spread_j is None:
            made.append(None)
        else:
            mean = (spread_i + spread_j) / 2
            made.append((first - second) / math.sqrt(mean) if mean > 0 else None)
    return made


def _categorical_pairs(
    shares: Sequence[FloatArray | None], spread_shares: Sequence[FloatArray | None]
) -> list[float | None]:
    """Return the Mahalanobis distance of the level shares for every pair."""
    made: list[float | None] = []
    for i, j in combinations(range(len(shares)), 2):
        first, second, spread_i, spread_j = shares[i], shares[j], spread_shares[i], spread_shares[j]
        if first is None or second is None or spread_i is None or spread_j is None:
            made.append(None)
            continue
        used = (spread_i + spread_j) > 0
        gap = (first - second)[used][1:]
        covariance = sum(np.diag(p[used]) - np.outer(p[used], p[used]) for p in (spread_i, spread_j)) / 2
        inner = np.asarray(covariance)[1:, 1:]
        if not gap.size or np.linalg.matrix_rank(inner) < gap.size:  # one level, or no level in common
            made.append(None)
        else:
            made.append(math.sqrt(float(gap @ np.linalg.solve(inner, gap))))
    return made


def _weights(
    groups: Sequence[ArrayLike], weights: Sequence[ArrayLike] | None, names: tuple[str, ...]
) -> list[FloatArray]:
    """Return one weight for each value of each group, or refuse them."""
    if len(names) != len(groups) or (weights is not None and len(weights) != len(groups)):
        raise EstimationError("labels and weights: one entry for each group is needed", code="bad_length")
    if weights is None:
        return [np.ones(len(np.asarray(group, dtype=object))) for group in groups]
    made = []
    for name, group, given in zip(names, groups, weights, strict=True):
        present, n_missing = sample(given, f"weights of {name}")
        if n_missing or present.size != len(np.asarray(group, dtype=object)) or (present < 0).any():
            raise EstimationError(
                f"weights of {name}: one weight of 0 or more for each value is needed", code="bad_weights"
            )
        made.append(present)
    return made


def _weighted_moments(
    groups: Sequence[ArrayLike], weights: Sequence[FloatArray], kind: Kind, spread: Spread
) -> tuple[list[float | None], list[float | None], int, int]:
    """Return weighted means, the spread that divides them, n and missing."""
    centres: list[float | None] = []
    spreads: list[float | None] = []
    n = missing = 0
    for i, (group, weight) in enumerate(zip(groups, weights, strict=True)):
        present, n_missing = sample(group, f"group {i + 1}")
        if kind == "binary" and not np.isin(present, (0.0, 1.0)).all():
            raise EstimationError(f"group {i + 1}: 'binary' needs 0, 1 or missing", code="not_binary")
        w = weight[~np.isnan(np.asarray(group, dtype=np.float64))]
        order = np.lexsort((w, present))  # sums in an order that is not that of the rows
        present, w = present[order], w[order]
        n, missing = n + present.size, missing + n_missing
        plain, total = moments(present), float(w.sum())
        mean = float(w @ (present - present[0])) / total + float(present[0]) if total > 0 else None
        centre = plain.mean if spread == "unweighted" else mean
        if kind == "binary":
            spreads.append(None if centre is None else centre * (1 - centre))
        elif spread == "unweighted" or mean is None or plain.variance == 0:
            spreads.append(plain.variance)
        else:
            lost = total - float(w @ w) / total  # sum of weights less its part lost to the mean
            spreads.append(float(w @ (present - mean) ** 2) / lost if lost > 1e-12 * total else None)
        centres.append(mean)
    return centres, spreads, n, missing


def _weighted_shares(
    groups: Sequence[ArrayLike], weights: Sequence[FloatArray]
) -> tuple[list[FloatArray | None], int, int]:
    """Return the weighted share of each level in each group, n and missing."""
    stacked: Any = np.concatenate([np.asarray(group, dtype=object) for group in groups])
    codes, found = pd.factorize(stacked)
    sizes = [len(weight) for weight in weights]
    made: list[FloatArray | None] = []
    for part, weight in zip(np.split(codes, np.cumsum(sizes)[:-1]), weights, strict=True):
        known = part >= 0
        total = np.bincount(part[known], weight[known], minlength=len(found))
        made.append(total / total.sum() if total.sum() > 0 else None)
    return made, int((codes >= 0).sum()), int((codes < 0).sum())
