"""Robust covariance of regression coefficients when rows of one cluster are not independent.

Everything is done on an orthonormal basis Q of the (weighted) design, in cluster order. With
``design @ T == Q``, residuals e and the block Q_g of cluster g,

* covariance = T [ sum_g a_g a_g' ] T',   a_g = Q_g' A_g e_g,
* CR0: A_g = I;   CR1: the same times G/(G-1) (n-1)/(n-p);   CR2: A_g = (I - Q_g Q_g')^(-1/2);
* CR3: A_g = (I - Q_g Q_g')^(-1), nearly the jackknife over clusters.

With one row a cluster, CR0 to CR3 are HC0 to HC3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import (
    FloatArray,
    IntArray,
    check_choice,
    check_matrix,
    check_outcome,
    check_weights,
    cluster_codes,
    floats,
)
from outcomes.stats.numerics.rank import full_rank_qr

Covariance = Literal["CR0", "CR1", "CR2", "CR3", "HC0", "HC1", "HC2", "HC3", "classical"]
COVARIANCES: tuple[str, ...] = get_args(Covariance)

FEW_CLUSTERS = 10
"""Under this many clusters a robust interval is called unreliable (this project's choice)."""

# an eigenvalue of I - Q_g Q_g' under this is a direction in which the cluster has no residual at all
_NO_RESIDUAL = 1e-10

LEAST_OBSERVED = 0.95
"""Share of a contrast's variance, under equal independent errors, that a CR2 or HC2 estimate must see (this project's
choice). What a single cluster fixes alone leaves no residual in that cluster, so its variance is not seen at all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SandwichPieces:
    """What the covariance and the degrees of freedom of any contrast are made from.

    Attributes
    ----------
    kind : str
        Type of covariance.
    basis : ndarray, shape (n, p)
        Q, rows in cluster order.
    adjusted : ndarray, shape (n, p)
        A_g Q_g, rows in cluster order.
    to_coefficients : ndarray, shape (p, p)
        T, with ``design @ T == Q``.
    order : ndarray of int, shape (n,)
        Row numbers of the design in cluster order.
    starts : ndarray of int, shape (G,)
        First position of each cluster in that order.
    n_clusters : int
        G.
    clustered : bool
        Whether clusters were given (otherwise every row is its own).
    linear : bool
        Whether the model is linear; otherwise types without a small-sample theory use the normal.
    """

    kind: str
    basis: FloatArray
    adjusted: FloatArray
    to_coefficients: FloatArray
    order: IntArray
    starts: IntArray
    n_clusters: int
    clustered: bool
    linear: bool = True

    @property
    def bread(self) -> FloatArray:
        """Inverse of the (weighted) cross-product of the design, shape (p, p)."""
        return self.to_coefficients @ self.to_coefficients.T


def robust_covariance(
    X: Any,
    residuals: Any,
    *,
    names: Sequence[str],
    clusters: Any = None,
    weights: Any = None,
    covariance: Covariance = "CR2",
) -> FloatArray:
    """Return a robust covariance matrix of least-squares coefficients.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design.
    residuals : array_like, shape (n,)
        Residuals of the fit, in units of the outcome.
    names : sequence of str, length p
        Column names, for messages.
    clusters : array_like, shape (n,), optional
        Cluster of each row; without it every row is its own.
    weights : array_like, shape (n,), optional
        Weights of the fit. CR2 takes the working variance to be inversely proportional to them.
    covariance : {"CR0", "CR1", "CR2", "CR3", "HC0", "HC1", "HC2", "HC3", "classical"}
        Type.

    Returns
    -------
    ndarray, shape (p, p)
        In squared units of the coefficients.

    Raises
    ------
    EstimationError
        Rank-deficient design (culprits named), fewer than two clusters, bad input.

    Notes
    -----
    Sources: White (1980) Econometrica 48:817 (HC0); MacKinnon and White (1985) J Econometrics 29:305
    (HC1-HC3); Liang and Zeger (1986) Biometrika 73:13 (CR0); Bell and McCaffrey (2002) Survey
    Methodology 28:169 (CR2, CR3); Pustejovsky and Tipton (2018) J Bus Econ Stat 36:672.

    Examples
    --------
    Two rows a cluster and an intercept only: CR2 is the variance of the G cluster means over G.

    >>> y = np.array([1.0, 3.0, 4.0, 8.0, 5.0, 9.0])
    >>> v = robust_covariance(np.ones((6, 1)), y - y.mean(), names=["mean"], clusters=[1, 1, 2, 2, 3, 3])
    >>> bool(np.isclose(v[0, 0], np.var([2, 6, 7], ddof=1) / 3))
    True
    """
    design, columns = check_matrix(X, names)
    n = design.shape[0]
    errors = check_outcome(residuals, n)
    root = np.sqrt(check_weights(weights, n))
    pieces = sandwich_pieces(design * root[:, None], columns, clusters=clusters, covariance=covariance)
    return covariance_of(pieces, errors * root)


def sandwich_pieces(
    design: FloatArray,
    names: tuple[str, ...],
    *,
    clusters: Any = None,
    covariance: Covariance = "CR2",
    linear: bool = True,
) -> SandwichPieces:
    """Decompose a (weighted) design once for all covariances and contrasts.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Rows already multiplied by the root of their weight.
    names : tuple of str, length p
        Column names, for messages.
    clusters : array_like, shape (n,), optional
        Cluster of each row.
    covariance : str
        Type, as in :func:`robust_covariance`.
    linear : bool
        Whether the model is linear (see :func:`degrees_of_freedom`).

    Returns
    -------
    SandwichPieces

    Raises
    ------
    EstimationError
        Unknown type, a type that would ignore the clusters given, rank-deficient design, fewer than two clusters.

    Notes
    -----
    Cost O(n p^2), whatever the number of clusters. Source: Pustejovsky and Tipton (2018) J Bus
    Econ Stat 36:672, with the adjustment taken in the smaller of rows and columns of each cluster.

    Examples
    --------
    >>> sandwich_pieces(np.ones((4, 1)), ("mean",), clusters=[1, 1, 2, 2]).starts.tolist()
    [0, 2]
    """
    check_choice(covariance, COVARIANCES, "covariance")
    n, _ = design.shape
    own_rows = clusters is None
    if not (own_rows or covariance.startswith("CR")):
        raise EstimationError(
            f"covariance {covariance!r} ignores the clusters; use a CR type with clusters, or leave them out",
            code="bad_choice",
        )
    codes, n_clusters = cluster_codes(clusters, n)
    if n_clusters < 2:
        raise EstimationError(
            f"{n_clusters} cluster in {n} rows; a robust covariance needs at least 2, so cluster at a lower "
            "level",
            code="too_few_clusters",
        )
    if own_rows:
        order = starts = np.arange(n)
    else:
        order = np.argsort(codes, kind="stable")
        sizes = np.bincount(codes, minlength=n_clusters)
        starts = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    basis, to_coefficients = full_rank_qr(design[order], names)
    return SandwichPieces(
        kind=covariance,
        basis=basis,
        adjusted=_adjust(basis, starts, covariance),
        to_coefficients=to_coefficients,
        order=order,
        starts=starts,
        n_clusters=n_clusters,
        clustered=not own_rows,
        linear=linear,
    )


def covariance_of(pieces: SandwichPieces, residuals: FloatArray) -> FloatArray:
    """Return the covariance of the coefficients from pieces and weighted residuals.

    Parameters
    ----------
    pieces : SandwichPieces
        Decomposed design.
    residuals : ndarray, shape (n,)
        Residuals times the root of the weight, in the row order of the design.

    Returns
    -------
    ndarray, shape (p, p)

    Raises
    ------
    EstimationError
        As many coefficients as rows, where the type needs residual degrees of freedom.

    Notes
    -----
    Source: see :func:`robust_covariance`.

    Examples
    --------
    >>> p = sandwich_pieces(np.ones((3, 1)), ("mean",), covariance="HC2")
    >>> covariance_of(p, np.array([-1.0, 0.0, 1.0])).round(12).tolist()
    [[0.333333333333]]
    """
    n, p = pieces.basis.shape
    if n <= p and pieces.kind in ("classical", "CR1", "HC1"):
        raise EstimationError(
            f"{n} rows for {p} coefficients leave nothing to estimate the spread from; use fewer columns",
            code="saturated",
        )
    if pieces.kind == "classical":
        return np.asarray(pieces.bread * (float(residuals @ residuals) / (n - p)))
    score = np.add.reduceat(pieces.adjusted * residuals[pieces.order][:, None], pieces.starts, axis=0)
    root = pieces.to_coefficients @ score.T
    covariance = root @ root.T
    if pieces.kind in ("CR1", "HC1"):
        g = pieces.n_clusters
        covariance *= g / (g - 1) * (n - 1) / (n - p)
    return np.asarray(covariance, dtype=np.float64)


def degrees_of_freedom(pieces: SandwichPieces, C: FloatArray, *, least_observed: float = 0.0) -> FloatArray:
    """Return the degrees of freedom of the t that goes with each contrast.

    CR2 and HC2: Bell and McCaffrey's Satterthwaite value under independent errors of equal
    (working) variance, NaN where the contrast has no variance at all. CR0, CR1 and CR3: G - 1. HC0, HC1,
    HC3 and classical: n - p in a linear model, infinity (the normal) in any other.

    Parameters
    ----------
    pieces : SandwichPieces
        Decomposed design.
    C : ndarray, shape (m, p)
        One contrast a row.
    least_observed : float
        NaN also where the residuals show a smaller share than this of the contrast's working variance, because one
        cluster alone fixes part of it (a strategy that one hospital used, when hospitals are the clusters). Intervals
        use :data:`LEAST_OBSERVED`.

    Returns
    -------
    ndarray, shape (m,)

    Notes
    -----
    With z_g = A_g Q_g l and w_g = Q_g' z_g the needed matrix is diag(z_g'z_g) - (w_g'w_h), so that
    its trace and squared norm cost O(n p + G p^2) a contrast and no n x n matrix is formed.
    Sources: Bell and McCaffrey (2002) Survey Methodology 28:169; Imbens and Kolesar (2016) Rev Econ
    Stat 98:701; Pustejovsky and Tipton (2018) J Bus Econ Stat 36:672.

    Examples
    --------
    Five clusters of equal size and an intercept only: G - 1.

    >>> p = sandwich_pieces(np.ones((10, 1)), ("mean",), clusters=[1, 1, 2, 2, 3, 3, 4, 4, 5, 5])
    >>> degrees_of_freedom(p, np.eye(1)).round(12).tolist()
    [4.0]
    """
    n, p = pieces.basis.shape
    if pieces.clustered and pieces.kind in ("CR0", "CR1", "CR3"):
        return np.full(len(C), float(pieces.n_clusters - 1))
    if pieces.kind not in ("CR2", "HC2"):
        return np.full(len(C), float(n - p) if pieces.linear else np.inf)
    directions = C @ pieces.to_coefficients
    # unit length keeps the "no variance" test below free of the units of the contrast
    norms = np.sqrt(np.einsum("ij,ij->i", directions, directions))
    norms[norms == 0.0] = 1.0
    z_all = pieces.adjusted @ (directions / norms[:, None]).T
    d_all = np.add.reduceat(z_all * z_all, pieces.starts, axis=0)
    df = np.empty(len(C))
    for j in range(len(C)):
        w = pieces.basis * z_all[:, j, None]
        if pieces.clustered:
            w = np.add.reduceat(w, pieces.starts, axis=0)
        d, w2, cross = d_all[:, j], np.einsum("ij,ij->i", w, w), w.T @ w
        trace = float(d.sum() - w2.sum())
        squared_norm = float((d * d).sum() - 2.0 * (d * w2).sum() + (cross * cross).sum())
        # the direction has unit length, so the trace is the share of its working variance that is estimated
        seen = trace > _NO_RESIDUAL and trace >= least_observed and squared_norm > 0.0
        df[j] = trace * trace / squared_norm if seen else np.nan
    return df


def mean_variance(values: Any, clusters: Any = None, *, weights: Any = None) -> FloatArray:
    """Return the cluster-robust variance of the mean of each column.

    What is to be added to the variance of an average over cases when the cases themselves are a
    sample (argument `extra_variance` of the contrasts).

    Parameters
    ----------
    values : array_like, shape (n,) or (n, m)
        One row a case.
    clusters : array_like, shape (n,), optional
        Cluster of each row.
    weights : array_like, shape (n,), optional
        Weights of a weighted mean.

    Returns
    -------
    ndarray, shape (m,)
        In squared units of the values; G/(G-1) times the sum of squared cluster totals of the
        (weighted) deviations, over the squared sum of the weights.

    Raises
    ------
    EstimationError
        Values missing or infinite, wrong lengths, fewer than two clusters.

    Notes
    -----
    Source: Cochran, Sampling Techniques, 3rd ed. (1977), section 9A (ratio-to-size mean of clusters).

    Examples
    --------
    >>> mean_variance([1.0, 2.0, 3.0, 4.0]).round(12).tolist()  # the variance over n
    [0.416666666667]
    """
    table = floats(values, "the values")
    table = table[:, None] if table.ndim == 1 else table
    n = table.shape[0]
    codes, n_clusters = cluster_codes(clusters, n)
    if n_clusters < 2 or not np.isfinite(table).all():
        raise EstimationError(
            f"{n_clusters} clusters and {int((~np.isfinite(table)).sum())} missing or infinite values; "
            "the variance of a mean needs at least 2 clusters and finite values",
            code="too_few_clusters" if n_clusters < 2 else "not_finite",
        )
    w = check_weights(weights, n)
    deviations = w[:, None] * (table - w @ table / w.sum())
    if clusters is not None:
        totals = np.zeros((n_clusters, table.shape[1]))
        np.add.at(totals, codes, deviations)
        deviations = totals
    return np.asarray(n_clusters / (n_clusters - 1) * np.square(deviations).sum(axis=0) / w.sum() ** 2)


def _adjust(basis: FloatArray, starts: IntArray, covariance: str) -> FloatArray:
    """Return A_g Q_g for every cluster."""
    if covariance not in ("CR2", "CR3", "HC2", "HC3"):
        return basis
    n, p = basis.shape
    sizes = np.diff(starts, append=n)
    adjusted = basis.copy()
    single = starts[sizes == 1]
    rest = 1.0 - np.einsum("ij,ij->i", basis[single], basis[single])
    power = 1.0 if covariance in ("HC3", "CR3") else 0.5
    # a row that alone fixes a coefficient has residual 0 whatever it is multiplied by
    factor = np.where(rest > _NO_RESIDUAL, np.maximum(rest, _NO_RESIDUAL) ** -power, 0.0)
    adjusted[single] *= factor[:, None]
    for size in np.unique(sizes[sizes > 1]):
        rows = starts[sizes == size][:, None] + np.arange(size)
        blocks = basis[rows]
        if size <= p:
            adjusted[rows] = _inverse_power(np.eye(size) - blocks @ blocks.transpose(0, 2, 1), power) @ blocks
        else:
            # (I - QQ')^(-1/2) Q = Q (I - Q'Q)^(-1/2): the smaller matrix of the two
            adjusted[rows] = blocks @ _inverse_power(np.eye(p) - blocks.transpose(0, 2, 1) @ blocks, power)
    return adjusted


def _inverse_power(matrices: FloatArray, power: float) -> FloatArray:
    """Return the Moore-Penrose inverse of symmetric matrices, shape (k, s, s), to a power."""
    values, vectors = np.linalg.eigh(matrices)
    inverse = np.where(values > _NO_RESIDUAL, np.maximum(values, _NO_RESIDUAL) ** -power, 0.0)
    return np.asarray((vectors * inverse[:, None, :]) @ vectors.transpose(0, 2, 1))
