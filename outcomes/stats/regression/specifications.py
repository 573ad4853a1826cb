"""One coefficient under many linear specifications: sets of covariates, sets of rows, clustered errors.

Every specification of one set of rows is read from the same centred cross-products, so that the cost follows the
rows read and hardly the number of specifications.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy import linalg, stats

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import (
    FloatArray,
    IntArray,
    check_choice,
    check_level,
    check_matrix,
    check_outcome,
    cluster_codes,
)
from outcomes.stats.numerics.inputs import SMALLEST_P

SpecificationCovariance = Literal["CR1", "CR0"]

# squared length, of a column of unit length, outside the others: as in the shares of explained variation
_NOTHING = 1e-10
# share of the outcome's spread, squared, that cross-products cannot tell from rounding
_NO_RESIDUAL = 1e-13
_BLOCK = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Specification:
    """One way to fit: these covariates beside the column of interest, in these rows.

    Attributes
    ----------
    covariates : tuple of str
        Columns in the model beside the column of interest and the intercept.
    rows : str
        Name of a set of rows; ``"all"`` is always there.
    """

    covariates: tuple[str, ...]
    rows: str = "all"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpecificationEstimates:
    """The coefficient of one column under each specification.

    Attributes
    ----------
    column : str
        Column of interest.
    specifications : tuple of Specification, length S
    estimate, std_error, conf_low, conf_high, p_value : ndarray, shape (S,)
        NaN where `reason` says why there is none; p is NaN too where the fit leaves no residual that
        is more than rounding (under 3e-7 of the outcome's spread), with the limits at the estimate.
    df, n, n_clusters : ndarray of int, shape (S,)
        Degrees of freedom of the t limits, rows and clusters.
    left_out : tuple of tuple of str, length S
        Covariates that are combinations of others in these rows; leaving them out changes nothing.
    reason : tuple of str, length S
        Empty where there is an estimate.
    level : float
    unit : str
    method : str
    """

    column: str
    specifications: tuple[Specification, ...]
    estimate: FloatArray
    std_error: FloatArray
    conf_low: FloatArray
    conf_high: FloatArray
    p_value: FloatArray
    df: IntArray
    n: IntArray
    n_clusters: IntArray
    left_out: tuple[tuple[str, ...], ...]
    reason: tuple[str, ...]
    level: float
    unit: str
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a specification, in the order given."""
        return pd.DataFrame(
            {
                "contrast": self.column, "group": [s.rows for s in self.specifications],
                "covariates": [", ".join(s.covariates) for s in self.specifications],
                "estimate": self.estimate, "std_error": self.std_error, "conf_low": self.conf_low,
                "conf_high": self.conf_high, "p_value": self.p_value, "df": self.df, "n": self.n,
                "n_clusters": self.n_clusters, "left_out": [", ".join(names) for names in self.left_out],
                "reason": self.reason,
            }
        )  # fmt: skip

    def __str__(self) -> str:
        """Return how far the estimates lie apart as a sentence."""
        found = self.estimate[np.isfinite(self.estimate)]
        lead = f"{self.column}: {len(found)} of {len(self.estimate)} specifications estimable"
        if not len(found):
            return lead
        unit = f" {self.unit}" if self.unit else ""
        above, below = int((self.conf_low > 0).sum()), int((self.conf_high < 0).sum())
        return (
            f"{lead}; estimates {found.min():.4g} to {found.max():.4g}{unit}, median {np.median(found):.4g}; "
            f"{above} intervals above 0 and {below} below ({self.method})"
        )


def fit_specifications(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    column: str,
    specifications: Sequence[Specification],
    rows: Mapping[str, Any] | None = None,
    clusters: Any = None,
    covariance: SpecificationCovariance = "CR1",
    level: float = 0.95,
    unit: str = "",
) -> SpecificationEstimates:
    """Fit one coefficient under many linear specifications.

    Parameters
    ----------
    X : array_like, shape (n, p)
        All columns that any specification uses, without an intercept, which every model has.
    y : array_like, shape (n,)
        Outcome.
    names : sequence of str, length p
        Their names.
    column : str
        The column whose coefficient is wanted.
    specifications : sequence of Specification, length S
    rows : mapping of str to array_like of bool, shape (n,), optional
        Named sets of rows.
    clusters : array_like, shape (n,), optional
        Cluster of each row; without them errors are the classical ones.
    covariance : {"CR1", "CR0"}
        Clustered errors with, or without, the factor G / (G - 1) (n - 1) / (n - k).
    level : float
        Level of each interval by itself; nothing here is simultaneous.
    unit : str
        Unit of the coefficient.

    Returns
    -------
    SpecificationEstimates
        A specification whose column does not vary or is a combination of its covariates, or with too few rows
        or clusters, has a reason instead of numbers; others are unaffected.

    Raises
    ------
    EstimationError
        Bad input, unknown columns or sets of rows, no specification.

    Notes
    -----
    Sources: Liang and Zeger (1986) Biometrika 73:13-22; Cameron and Miller (2015) J Hum Resour 50:317-372,
    t with G - 1 degrees of freedom. CR1 is too small with few or unequal clusters: the headline fit belongs to
    :func:`outcomes.stats.regression.linear.fit_linear` with CR2; this is for looking at many.

    Own code, because a loop of 500 formula fits with clustered errors takes several hundred times as long at
    100,000 rows. Cross-products square the condition number: columns are centred and of unit length, and a
    covariate with less than 1e-5 of its length outside the others counts as a combination of them.

    Examples
    --------
    y = 2 a + b exactly except for one row in four; a and b are uncorrelated, so b makes no difference to a.

    >>> a, b = [0, 0, 1, 1] * 2, [0, 1, 0, 1] * 2
    >>> y = 2 * np.array(a) + np.array(b) + np.array([0, 0, 0, 0, 1, -1, -1, 1])
    >>> several = [Specification(covariates=()), Specification(covariates=("b",))]
    >>> found = fit_specifications(np.column_stack([a, b]), y, names=["a", "b"], column="a",
    ...                            specifications=several)
    >>> found.estimate.round(9).tolist(), found.df.tolist()
    ([2.0, 2.0], [6, 5])
    """
    design, columns = check_matrix(X, names)
    outcome = check_outcome(y, len(design))
    check_level(level)
    check_choice(covariance, get_args(SpecificationCovariance), "covariance")
    codes, _ = cluster_codes(clusters, len(design))
    masks = _masks(rows, len(design))
    wanted = _positions(specifications, columns, column, masks)
    found = _Numbers(len(specifications))
    for name, mask in masks.items():
        here = [i for i, s in enumerate(specifications) if s.rows == name]
        if here:
            among = (design[mask], outcome[mask], None if clusters is None else codes[mask])
            _fit_rows(among, columns, [wanted[i] for i in here], here, covariance, found)
    quantile = np.asarray(stats.t.ppf(0.5 + level / 2, np.maximum(found.df, 1)))
    half = quantile * found.std_error
    with np.errstate(invalid="ignore", divide="ignore"):
        p = np.asarray(2.0 * stats.t.sf(np.abs(found.estimate / found.std_error), np.maximum(found.df, 1)))
    p = np.where(found.std_error == 0.0, np.nan, np.maximum(p, SMALLEST_P))
    return SpecificationEstimates(
        column=column, specifications=tuple(specifications), estimate=found.estimate,
        std_error=found.std_error, conf_low=found.estimate - half, conf_high=found.estimate + half, p_value=p,
        df=found.df, n=found.n, n_clusters=found.n_clusters, left_out=tuple(found.left_out),
        reason=tuple(found.reason), level=level, unit=unit,
        method="classical errors" if clusters is None else f"{covariance} errors",
    )  # fmt: skip


class _Numbers:
    """The numbers while they are being filled in."""

    def __init__(self, n: int) -> None:
        self.estimate, self.std_error = np.full(n, np.nan), np.full(n, np.nan)
        self.df, self.n, self.n_clusters = (np.zeros(n, dtype=np.int64) for _ in range(3))
        self.left_out: list[tuple[str, ...]] = [()] * n
        self.reason = [""] * n


def _masks(rows: Mapping[str, Any] | None, n: int) -> dict[str, Any]:
    """Return each set of rows as positions."""
    masks = {"all": np.arange(n)}
    for name, mask in (rows or {}).items():
        given = np.asarray(mask)
        if given.shape != (n,) or given.dtype != np.bool_:
            raise EstimationError(f"rows {name!r}: give True or False for each of {n} rows", code="bad_shape")
        masks[name] = np.flatnonzero(given)
    return masks


def _positions(
    specifications: Sequence[Specification], columns: tuple[str, ...], column: str, masks: Mapping[str, Any]
) -> list[IntArray]:
    """Return the columns of each specification, the column of interest last."""
    place = {name: j for j, name in enumerate(columns)}
    if not specifications or column not in place:
        raise EstimationError(
            f"{len(specifications)} specifications of the column {column!r}; give at least one, and one of the "
            f"columns {', '.join(columns)}",
            code="unknown_column",
        )
    found = []
    for i, s in enumerate(specifications):
        unknown = sorted(set(s.covariates) - set(place))
        if unknown or column in s.covariates or len(set(s.covariates)) < len(s.covariates):
            raise EstimationError(
                f"specification {i + 1}: covariates are columns named once each, without {column!r}"
                + (f"; unknown: {', '.join(unknown)}" if unknown else ""),
                code="unknown_column",
            )
        if s.rows not in masks:
            raise EstimationError(
                f"specification {i + 1}: unknown rows {s.rows!r}; declared: {', '.join(masks)}",
                code="unknown_rows",
            )
        found.append(np.array([place[name] for name in (*s.covariates, column)], dtype=np.int64))
    return found


def _fit_rows(
    among: tuple[FloatArray, FloatArray, IntArray | None],
    columns: tuple[str, ...],
    wanted: Sequence[IntArray],
    places: Sequence[int],
    covariance: str,
    found: _Numbers,
) -> None:
    """Fit every specification of one set of rows from its cross-products."""
    design, outcome, codes = among
    n = len(outcome)
    n_clusters = n if codes is None else len(np.unique(codes))
    found.n[places], found.n_clusters[places] = n, n_clusters
    if n < 3 or n_clusters < 2:
        for i in places:
            found.reason[i] = f"{n} rows in {n_clusters} clusters; at least 3 rows and 2 clusters are needed"
        return
    both, length = _unit_columns(design, outcome)
    gram = both.T @ both
    solutions, sensitivities = np.zeros((len(columns), len(places))), np.zeros((len(columns), len(places)))
    rank = np.zeros(len(places), dtype=np.int64)
    for s, (i, chosen) in enumerate(zip(places, wanted, strict=True)):
        kept, found.left_out[i], found.reason[i] = _independent(gram, chosen, columns)
        if not found.reason[i] and n <= len(kept) + 1:
            found.reason[i] = f"{n} rows for {len(kept) + 1} coefficients; use fewer covariates"
        if found.reason[i]:
            continue
        factor = linalg.cho_factor(gram[np.ix_(kept, kept)], lower=True, check_finite=False)
        last = np.zeros(len(kept))
        last[-1] = 1.0
        both_sides = np.column_stack([gram[kept, -1], last])
        solved = linalg.cho_solve(factor, both_sides, check_finite=False)
        solutions[kept, s], sensitivities[kept, s] = solved[:, 0], solved[:, 1]
        rank[s] = len(kept)
    good = rank > 0
    at = np.asarray(places)[good]
    solutions, sensitivities, rank = solutions[:, good], sensitivities[:, good], rank[good]
    interest = wanted[0][-1]
    scale = length[-1] / length[interest]
    found.estimate[at] = solutions[interest] * scale
    left = gram[-1, -1] - gram[-1, :-1] @ solutions
    left[left < _NO_RESIDUAL] = 0.0
    if codes is None:
        found.df[at] = n - rank - 1
        variance = left / found.df[at] * sensitivities[interest]
    else:
        found.df[at] = n_clusters - 1
        variance = _clustered(both, codes, n_clusters, solutions, sensitivities)
        if covariance == "CR1":
            variance *= n_clusters / (n_clusters - 1) * (n - 1) / (n - rank - 1)
        variance[left == 0.0] = 0.0
    found.std_error[at] = np.sqrt(variance) * scale


def _unit_columns(design: FloatArray, outcome: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return columns and outcome (last) centred and of unit length, and their lengths; constant ones are 0."""
    both = np.column_stack([design, outcome])
    size = np.sqrt((both**2).sum(axis=0))
    both -= both.mean(axis=0)
    both -= both.mean(axis=0)  # what rounding left, where the mean is large beside the spread
    length = np.sqrt((both**2).sum(axis=0))
    flat = length <= 1e-12 * size
    both[:, flat] = 0.0
    both /= np.where(flat, 1.0, length)
    return both, np.where(flat, 1.0, length)


def _independent(
    gram: FloatArray, chosen: IntArray, columns: tuple[str, ...]
) -> tuple[IntArray, tuple[str, ...], str]:
    """Return the columns to keep, the covariates left out, and why the column of interest cannot be estimated."""
    covariates, interest = chosen[:-1], chosen[-1]
    if gram[-1, -1] == 0.0:
        return chosen[:0], (), "the outcome does not vary in these rows"
    if gram[interest, interest] == 0.0:
        return chosen[:0], (), f"{columns[interest]} does not vary in these rows"
    kept = covariates
    if len(covariates):
        _, pivots, rank, _ = linalg.lapack.dpstrf(gram[np.ix_(covariates, covariates)], tol=_NOTHING, lower=1)
        kept = covariates[np.sort(pivots[:rank] - 1)]
    out = tuple(columns[j] for j in covariates if j not in set(kept.tolist()))
    if len(kept):
        solved = linalg.solve(
            gram[np.ix_(kept, kept)], gram[kept, interest], assume_a="pos", check_finite=False
        )
        if 1.0 - gram[kept, interest] @ solved < _NOTHING:
            return chosen[:0], out, f"{columns[interest]} is a combination of the covariates in these rows"
    return np.append(kept, interest), out, ""


def _clustered(
    both: FloatArray, codes: IntArray, n_clusters: int, solutions: FloatArray, sensitivities: FloatArray
) -> FloatArray:
    """Return the sum over clusters of the squared cluster totals of influence, for each specification."""
    order = np.argsort(codes, kind="stable")
    starts = np.flatnonzero(np.diff(codes[order], prepend=-1))
    ends = np.append(starts[1:], len(codes))
    b = np.vstack([-solutions, np.ones(solutions.shape[1])])  # residual = rows @ b
    total = np.zeros(solutions.shape[1])
    if n_clusters * both.shape[1] <= len(codes):  # few large clusters: their cross-products hold all there is
        both = both[order]
        for start, end in zip(starts, ends, strict=True):
            part = both[start:end]
            total += (((part[:, :-1].T @ part) @ b) * sensitivities).sum(axis=0) ** 2
        return total
    first = 0
    while first < n_clusters:
        last = max(first + 1, int(np.searchsorted(ends, starts[first] + _BLOCK, side="right")))
        part = both[order[starts[first] : ends[last - 1]]]
        influence = (part @ b) * (part[:, :-1] @ sensitivities)
        total += (np.add.reduceat(influence, starts[first:last] - starts[first], axis=0) ** 2).sum(axis=0)
        first = last
    return total
