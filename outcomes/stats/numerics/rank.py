"""Which columns of a design can be told apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import linalg

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_matrix

TOLERANCE = 1e-10
"""A column whose part outside the others is this small, relative to its length, is a combination of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RankReport:
    """Rank of a design and the columns that add nothing.

    Attributes
    ----------
    rank : int
        Number of columns that can be told apart.
    n_columns : int
        Number of columns given.
    culprits : tuple of str
        Columns that are linear combinations of earlier ones, in the order given.
    explanations : tuple of str
        For each culprit, which earlier columns make it up.
    """

    rank: int
    n_columns: int
    culprits: tuple[str, ...]
    explanations: tuple[str, ...]

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        if not self.culprits:
            return f"all {self.n_columns} columns can be told apart"
        return f"rank {self.rank} of {self.n_columns} columns: {'; '.join(self.explanations)}"


def rank_check(X: Any, names: Sequence[str], *, tolerance: float = TOLERANCE) -> RankReport:
    """Find the columns that are linear combinations of others.

    Columns are scaled to unit length first, so that units do not matter; the rank comes from a QR
    decomposition with column pivoting. Only if the rank falls short are the columns gone through
    in the order given to name the later ones that the earlier ones make up.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design.
    names : sequence of str, length p
        Column names.
    tolerance : float
        Relative size under which what is left of a column counts as nothing.

    Returns
    -------
    RankReport

    Raises
    ------
    EstimationError
        The design is not a finite matrix with one name a column.

    Notes
    -----
    Source: Golub and Van Loan, Matrix Computations, 4th ed. (2013), section 5.4.2.

    Examples
    --------
    >>> print(rank_check([[1, 0, 1], [1, 1, 0], [1, 0, 1]], ["intercept", "plate", "no plate"]))
    rank 2 of 3 columns: no plate is a combination of intercept, plate
    """
    design, names = check_matrix(X, names)
    _, r, _, norms = pivoted_qr(design)
    rank = _numerical_rank(r, tolerance)
    if rank == design.shape[1]:
        return RankReport(rank=rank, n_columns=rank, culprits=(), explanations=())
    culprits, explanations = _name_culprits(design / norms, names, tolerance)
    return RankReport(
        rank=design.shape[1] - len(culprits),
        n_columns=design.shape[1],
        culprits=culprits,
        explanations=explanations,
    )


def pivoted_qr(design: FloatArray) -> tuple[FloatArray, FloatArray, IntArray, FloatArray]:
    """Return Q, R, pivot and column lengths of the design with columns scaled to unit length.

    ``design[:, pivot] == Q @ R * lengths[pivot]``. A column of zeros keeps length 1.

    Examples
    --------
    >>> q, r, pivot, lengths = pivoted_qr(np.array([[3.0, 0.0], [4.0, 2.0]]))
    >>> bool(np.allclose(q @ r * lengths[pivot], np.array([[3.0, 0.0], [4.0, 2.0]])[:, pivot]))
    True
    """
    lengths = np.sqrt(np.einsum("ij,ij->j", design, design))
    lengths[lengths == 0.0] = 1.0
    q, r, pivot = linalg.qr(design / lengths, mode="economic", pivoting=True, check_finite=False)
    return q, r, pivot, lengths


def full_rank_qr(
    design: FloatArray, names: tuple[str, ...], *, tolerance: float = TOLERANCE
) -> tuple[FloatArray, FloatArray]:
    """Return an orthonormal basis Q and T with ``design @ T == Q``, or say which columns are at fault.

    Least-squares coefficients are then ``T @ Q.T @ y`` and the inverse cross-product is ``T @ T.T``.

    Raises
    ------
    EstimationError
        The columns are not linearly independent (code ``rank_deficient``); culprits are named.

    Examples
    --------
    >>> q, t = full_rank_qr(np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 3.0]]), ("intercept", "dose"))
    >>> bool(np.allclose(np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 3.0]]) @ t, q))
    True
    """
    n, p = design.shape
    q, r, pivot, lengths = pivoted_qr(design)
    if n < p or _numerical_rank(r, tolerance) < p:
        report = rank_check(design, names, tolerance=tolerance)
        raise EstimationError(
            f"the design has {report}; drop or merge these columns ({n} rows)", code="rank_deficient"
        )
    t = np.empty((p, p))
    t[pivot] = linalg.solve_triangular(r, np.eye(p), check_finite=False)
    return q, t / lengths[:, None]


def _numerical_rank(r: FloatArray, tolerance: float) -> int:
    """Count the pivots of R that are not negligible."""
    pivots = np.abs(np.diagonal(r))
    return int((pivots > tolerance).sum())


def _name_culprits(
    scaled: FloatArray, names: tuple[str, ...], tolerance: float
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Go through the columns in order and explain those that earlier ones make up."""
    kept: list[int] = []
    culprits: list[str] = []
    explanations: list[str] = []
    for j, name in enumerate(names):
        column = scaled[:, j]
        if not column.any():
            culprits.append(name)
            explanations.append(f"{name} is zero in every row")
            continue
        if kept:
            share, *_ = linalg.lstsq(scaled[:, kept], column, check_finite=False)
            if np.linalg.norm(column - scaled[:, kept] @ share) <= tolerance:
                parts = [names[k] for k, s in zip(kept, share, strict=True) if abs(s) > 1e-7]
                culprits.append(name)
                explanations.append(
                    f"{name} is constant"
                    if np.ptp(column) == 0.0
                    else f"{name} is a combination of {', '.join(parts)}"
                )
                continue
        kept.append(j)
    return tuple(culprits), tuple(explanations)
