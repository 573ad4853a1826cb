"""Shares of explained variation: how much of R2 goes to each group of columns, whatever the order of entry.

R2 of every subset of groups comes from one centred cross-product matrix, not from fits: after some groups
have been eliminated from it (Cholesky with pivoting), what is left on the diagonal of the outcome is the
residual variation of that sub-model. All 2^k sub-models are eliminated side by side, group by group.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_matrix, check_outcome, check_weights
from outcomes.stats.numerics.rank import rank_check

MAX_GROUPS = 12
"""Groups at most: 2^12 sub-models (this project's choice)."""

# a column of unit length whose squared part outside the others is this small is taken as a combination of
# them: cross-products lose half the digits, so this is 1e-5 in length
_NOTHING = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExplainedShares:
    """Shares of explained variation of groups of columns.

    Attributes
    ----------
    groups : tuple of str, length k
        Groups in order of their first column.
    share : ndarray, shape (k,)
        Shapley (LMG) share of the variation of the outcome, 0 to 1; they add up to `r2`.
    expected : ndarray, shape (k,)
        Mean of `share` when the outcome has nothing to do with any column: its mean over all permutations
        of the outcome. They add up to `df` of all groups over n - 1.
    corrected : ndarray, shape (k,)
        `share` minus `expected`; below 0 when a group explains less than chance would.
    first, last : ndarray, shape (k,)
        R2 of the group alone, and what it adds when it enters last; not corrected.
    first_corrected, last_corrected : ndarray, shape (k,)
        The same minus their means over permutations.
    df : ndarray of int, shape (k,)
        Columns of the group that can be told apart, a constant taken out. 0: the group does not vary.
    df_total : int
        The same of all groups together.
    r2 : float
        Share of the variation around the mean that all groups explain together.
    redundant : tuple of str
        Columns that add nothing, each with the reason.
    n : float
        Sum of the weights; rows, without weights.
    """

    groups: tuple[str, ...]
    share: FloatArray
    expected: FloatArray
    corrected: FloatArray
    first: FloatArray
    last: FloatArray
    first_corrected: FloatArray
    last_corrected: FloatArray
    df: IntArray
    df_total: int
    r2: float
    redundant: tuple[str, ...]
    n: float

    def tidy(self) -> pd.DataFrame:
        """Return one row a group; a group that does not vary has no numbers."""
        table = pd.DataFrame(
            {
                "group": self.groups, "estimate": self.corrected, "uncorrected": self.share,
                "expected": self.expected, "first": self.first, "last": self.last,
                "first_corrected": self.first_corrected, "last_corrected": self.last_corrected,
                "df": self.df, "n": self.n,
            }
        )  # fmt: skip
        numbers = [c for c in table.columns if c not in ("group", "df", "n")]
        table.loc[table["df"] == 0, numbers] = np.nan
        return table

    def __str__(self) -> str:
        """Return the shares as a sentence."""
        parts = [
            f"{g} {100 * c:.1f} % (uncorrected {100 * s:.1f} %, {d} df)"
            if d
            else f"{g} not estimable (constant)"
            for g, c, s, d in zip(self.groups, self.corrected, self.share, self.df, strict=True)
        ]
        left_out = f"; {'; '.join(self.redundant)}" if self.redundant else ""
        return f"R2 {100 * self.r2:.1f} % of the variation (n = {self.n:g}): {', '.join(parts)}{left_out}"


def explained_shares(
    X: Any, y: Any, *, names: Sequence[str], groups: Sequence[str], weights: Any = None
) -> ExplainedShares:
    """Share the explained variation of a linear regression out among groups of columns.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Columns of the design without the intercept, which is always in the model.
    y : array_like, shape (n,)
        Outcome.
    names : sequence of str, length p
        Column names.
    groups : sequence of str, length p
        Group of each column; the dummies of a factor share one. At most 12 groups.
    weights : array_like, shape (n,), optional
        How many times each row counts, >= 0. n of the correction is their sum, so that a whole number acts
        as that many copies of the row.

    Returns
    -------
    ExplainedShares
        Columns that are constant or combinations of others are named in `redundant` and change nothing:
        a factor may be given by all its dummies.

    Raises
    ------
    EstimationError
        Bad input, over 12 groups, an outcome that does not vary, as many columns as rows.

    Notes
    -----
    The share of group j is the mean over all orders of entry of what it adds to R2 (Lindeman, Merenda and
    Gold, Introduction to Bivariate and Multivariate Analysis, 1980, p. 119; Shapley, Contributions to the
    Theory of Games II, 1953; Groemping, J Stat Softw 2006; 17(1)).

    Expected without any effect: let P project on the centred columns of a sub-model, of rank q. Over all
    permutations of the centred outcome e, E[e e'] = (e'e) / (n - 1) (I - 11'/n), so
    E[R2] = E[e'Pe] / e'e = trace(P) / (n - 1) = q / (n - 1). A share is linear in the R2 of sub-models, so
    its expectation is the Shapley value of the ranks over n - 1: df / (n - 1) where groups do not overlap.
    It does not depend on the data. Far from no effect the upward bias of R2 is smaller, about
    (1 - R2) q / (n - 1), and `corrected` is too low by R2 q / (n - 1). Permuting rows takes them as
    independent: with clusters see :func:`outcomes.stats.regression.share_intervals.share_intervals`.

    Own code, because a loop of 2^k fits takes over a thousand times as long at 100,000 rows.

    Examples
    --------
    Two uncorrelated columns, y = 2 a + b + 0.1 c with c outside: 4, 1 and 0.01 parts of 5.01.

    >>> a = [1, 1, 1, 1, -1, -1, -1, -1]
    >>> b = [1, 1, -1, -1, 1, 1, -1, -1]
    >>> c = [1, -1, 1, -1, 1, -1, 1, -1]
    >>> y = 2.0 * np.array(a) + b + 0.1 * np.array(c)
    >>> s = explained_shares(np.column_stack([a, b]), y, names=["a", "b"], groups=["strategy", "reduction"])
    >>> (5.01 * s.share).round(9).tolist(), s.expected.round(4).tolist()
    ([4.0, 1.0], [0.1429, 0.1429])
    >>> print(s)
    R2 99.8 % of the variation (n = 8): strategy 65.6 % (uncorrected 79.8 %, 1 df), \
reduction 5.7 % (uncorrected 20.0 %, 1 df)
    """
    design, columns = check_matrix(X, names)
    outcome = check_outcome(y, design.shape[0])
    weight = check_weights(weights, design.shape[0])
    labels, codes = group_codes(groups, columns)
    scaled, constant = standardise_columns(design, outcome, weight)
    gram = scaled.T @ (scaled * weight[:, None]) if weights is not None else scaled.T @ scaled
    r2, rank = subset_r2(gram[None], codes, len(labels))
    total = int(rank[0, -1])
    n = float(weight.sum())
    if n <= total + 1:
        raise EstimationError(
            f"{n:g} rows for {total} columns and an intercept: any outcome would be explained in full; use "
            "fewer columns",
            code="saturated",
        )
    k = len(labels)
    shapley = shapley_coefficients(k)
    share, expected = r2[0] @ shapley, rank[0] @ shapley / (n - 1.0)
    alone = 1 << np.arange(k)
    first, last = r2[0, alone], r2[0, -1] - r2[0, ~alone]
    df = rank[0, alone]
    return ExplainedShares(
        groups=labels,
        share=share,
        expected=expected,
        corrected=share - expected,
        first=first,
        last=last,
        first_corrected=first - df / (n - 1.0),
        last_corrected=last - (total - rank[0, ~alone]) / (n - 1.0),
        df=df,
        df_total=total,
        r2=float(r2[0, -1]),
        redundant=_redundant(scaled[:, :-1], weight, columns, constant) if total < len(columns) else (),
        n=n,
    )


def group_codes(groups: Sequence[str], columns: tuple[str, ...]) -> tuple[tuple[str, ...], IntArray]:
    """Return the groups in order of first appearance and the number of the group of each column.

    Raises
    ------
    EstimationError
        Not one group a column, or too many groups.

    Examples
    --------
    >>> group_codes(["strategy", "strategy", "age"], ("plate", "wires", "age"))
    (('strategy', 'age'), array([0, 0, 1]))
    """
    labels = tuple(dict.fromkeys(groups))
    if len(groups) != len(columns):
        raise EstimationError(
            f"{len(groups)} groups for {len(columns)} columns; give the group of every column",
            code="bad_groups",
        )
    if len(labels) > MAX_GROUPS:
        raise EstimationError(
            f"{len(labels)} groups; at most {MAX_GROUPS} ({2**MAX_GROUPS} sub-models), so merge some",
            code="too_many_groups",
        )
    return labels, np.array([labels.index(group) for group in groups], dtype=np.int64)


def standardise_columns(
    design: FloatArray, outcome: FloatArray, weight: FloatArray
) -> tuple[FloatArray, list[int]]:
    """Return columns and outcome (last) centred and of unit length under the weights, and which are constant.

    Constant columns become 0.

    Raises
    ------
    EstimationError
        The outcome does not vary.

    Examples
    --------
    >>> columns = np.array([[1.0, 5.0], [3.0, 5.0]])
    >>> z, constant = standardise_columns(columns, np.array([0.0, 4.0]), np.ones(2))
    >>> z.round(3).tolist(), constant
    ([[-0.707, 0.0, -0.707], [0.707, 0.0, 0.707]], [1])
    """
    both = np.column_stack([design, outcome])
    total = weight.sum()
    size = np.sqrt(weight @ both**2)
    both -= weight @ both / total
    both -= weight @ both / total  # what rounding left, where the mean is large beside the spread
    length = np.sqrt(weight @ both**2)
    flat = length <= 1e-12 * size
    if flat[-1]:
        raise EstimationError(
            "the outcome does not vary in the rows used; there is no variation to share",
            code="constant_outcome",
        )
    length[flat] = 1.0
    both /= length
    both[:, flat] = 0.0
    return both, np.flatnonzero(flat).tolist()


def subset_r2(gram: FloatArray, codes: IntArray, n_groups: int) -> tuple[FloatArray, IntArray]:
    """Return R2 and rank of every subset of groups, for a batch of centred cross-product matrices.

    Parameters
    ----------
    gram : ndarray, shape (B, p + 1, p + 1)
        Cross-products of centred columns, the outcome last. Diagonals are compared with 1, so columns are
        to have about unit length.
    codes : ndarray of int, shape (p,)
        Group of each column, 0 to k - 1.
    n_groups : int
        k.

    Returns
    -------
    r2 : ndarray, shape (B, 2^k)
        At position S the sub-model of the groups whose bits are set in S; NaN where the outcome does not
        vary.
    rank : ndarray of int, shape (B, 2^k)

    Notes
    -----
    Source: elimination as in Golub and Van Loan, Matrix Computations, 4th ed. (2013), section 4.2.8
    (Cholesky with diagonal pivoting, within a group). Largest groups go first: the matrices that are left
    are then small when sub-models are many.

    Examples
    --------
    >>> g = np.array([[1.0, 0.0, 0.6], [0.0, 1.0, 0.3], [0.6, 0.3, 1.0]])
    >>> r2, rank = subset_r2(g[None], np.array([0, 1]), 2)
    >>> r2.round(10).tolist(), rank.tolist()
    ([[0.0, 0.36, 0.09, 0.45]], [[0, 1, 1, 2]])
    """
    sizes = np.bincount(codes, minlength=n_groups)
    order = np.argsort(-sizes, kind="stable")
    columns = np.concatenate([np.flatnonzero(codes == g) for g in order] + [[len(codes)]])
    length = np.sqrt(np.maximum(np.diagonal(gram, axis1=1, axis2=2), 0.0))
    length = np.where(length**2 > _NOTHING, length, np.inf)
    # unit diagonals again: a resample changes them, and tolerances are relative
    state = (gram / length[:, :, None] / length[:, None, :])[:, columns[:, None], columns][:, None]
    masks = np.zeros(1, dtype=np.int64)
    rank = np.zeros(state.shape[:2], dtype=np.int64)
    for g in order:
        inside, gained = _eliminate(state, int(sizes[g]))
        state = np.concatenate([state[..., sizes[g] :, sizes[g] :], inside], axis=1)
        masks = np.concatenate([masks, masks | (1 << g)])
        rank = np.concatenate([rank, rank + gained], axis=1)
    place = np.argsort(masks)
    left = state[:, place, 0, 0]
    r2 = np.clip(1.0 - left, 0.0, 1.0)
    r2[~np.isfinite(length[:, -1])] = np.nan
    return r2, rank[:, place]


def shapley_coefficients(n_groups: int) -> FloatArray:
    """Return the matrix that turns values of all subsets into Shapley values.

    Returns
    -------
    ndarray, shape (2^k, k)
        ``values @ matrix`` are the shares.

    Notes
    -----
    A group that joins s others has weight s! (k - s - 1)! / k!. Source: Shapley (1953).

    Examples
    --------
    >>> (np.array([0.0, 3.0, 5.0, 10.0]) @ shapley_coefficients(2)).tolist()
    [4.0, 6.0]
    """
    subset = np.arange(1 << n_groups)
    member = (subset[:, None] >> np.arange(n_groups)) & 1
    size = member.sum(axis=1)[:, None]
    others = np.where(member == 1, size - 1, size)
    weight = np.array([1.0 / (n_groups * comb(n_groups - 1, s)) for s in range(n_groups)] + [0.0])
    return np.asarray(np.where(member == 1, weight[others], -weight[others]), dtype=np.float64)


def _eliminate(state: FloatArray, size: int) -> tuple[FloatArray, IntArray]:
    """Take the first `size` columns out of each matrix; return what is left and the rank taken out."""
    work = state.copy()
    free = np.ones((*state.shape[:2], size), dtype=bool)
    gained = np.zeros(state.shape[:2], dtype=np.int64)
    diagonal = np.arange(size)
    for _ in range(size):
        pivots = np.where(free, work[..., diagonal, diagonal], -1.0)
        chosen = pivots.argmax(axis=-1)[..., None]
        pivot = np.take_along_axis(pivots, chosen, axis=-1)[..., 0]
        usable = pivot > _NOTHING
        row = np.take_along_axis(work, chosen[..., None], axis=-2)[..., 0, :]
        step = row * np.where(usable, 1.0 / np.where(usable, pivot, 1.0), 0.0)[..., None]
        work -= step[..., :, None] * row[..., None, :]
        np.put_along_axis(free, chosen, False, axis=-1)
        gained += usable
    return work[..., size:, size:], gained


def _redundant(
    scaled: FloatArray, weight: FloatArray, names: tuple[str, ...], constant: list[int]
) -> tuple[str, ...]:
    """Name the columns that add nothing, in the order given."""
    found = {j: f"{names[j]} is constant" for j in constant}
    vary = [j for j in range(len(names)) if j not in found]
    if vary:
        report = rank_check(
            scaled[:, vary] * np.sqrt(weight)[:, None], [names[j] for j in vary], tolerance=_NOTHING**0.5
        )
        for name, words in zip(report.culprits, report.explanations, strict=True):
            found[names.index(name)] = f"{words}, up to a constant"
    return tuple(found[j] for j in sorted(found))
