"""Generalised estimating equations for repeated measures, with small-sample errors.

With the rows of each cluster multiplied by the inverse root of their working covariance the equations are those of
least squares, so that the covariances and degrees of freedom of :mod:`outcomes.stats.regression.clusters` apply as they stand:
CR0 is the robust covariance of Liang and Zeger, CR2 that of Kauermann and Carroll, CR3 that of Mancl and DeRouen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy import linalg, special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import (
    FloatArray,
    IntArray,
    check_choice,
    check_matrix,
    check_outcome,
    cluster_codes,
)
from outcomes.stats.numerics.rank import full_rank_qr
from outcomes.stats.regression.clusters import SandwichPieces, covariance_of, sandwich_pieces
from outcomes.stats.regression.contrasts import covariance_method, tidy_coefficients
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.marginal import Link
from outcomes.stats.regression.poisson import fit_poisson

Working = Literal["exchangeable", "independence"]
GeeCovariance = Literal["CR0", "CR2", "CR3"]
Divisor = Literal["n - p", "n"]

# largest change of a coefficient, in units of its model error, and of the correlation between two rounds
_CONVERGED = 1e-11


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GeeFit:
    """Fitted generalised estimating equations.

    Attributes
    ----------
    names : tuple of str, length p
        Columns of the design.
    coefficients : ndarray, shape (p,)
        On the scale of the link.
    covariance : ndarray, shape (p, p)
        Of the type `pieces.kind`.
    pieces : SandwichPieces
        Per-cluster pieces on the working scale.
    link : str
    working : str
        Working correlation.
    correlation : float or None
        Moment estimate of the correlation of two rows of a cluster (of their Pearson residuals), whether the working
        correlation uses it or not; None when no cluster has two rows.
    scale : float
        Moment estimate of the variance beside what the link implies.
    fitted : ndarray, shape (n,)
        Fitted means.
    n, n_clusters, largest, n_iterations : int
        Rows, clusters, rows of the largest cluster, rounds.
    model : str
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    pieces: SandwichPieces
    link: str
    working: str
    correlation: float | None
    scale: float
    fitted: FloatArray
    n: int
    n_clusters: int
    largest: int
    n_iterations: int
    model: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, on the scale of the link."""
        return tidy_coefficients(self)

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        within = "" if self.correlation is None else f", within-cluster correlation {self.correlation:.3f}"
        return (
            f"{covariance_method(self)}: {len(self.names)} coefficients, n = {self.n} rows of {self.n_clusters} "
            f"clusters of up to {self.largest}{within}"
        )


def fit_gee(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    clusters: Any,
    link: Link = "identity",
    working: Working = "exchangeable",
    covariance: GeeCovariance = "CR2",
    divisor: Divisor = "n - p",
    max_iter: int = 200,
) -> GeeFit:
    """Fit generalised estimating equations.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design, with its intercept column. One row a cluster and visit that was measured.
    y : array_like, shape (n,)
        Outcome; 0/1 for the logit link, at least 0 for the log link.
    names : sequence of str, length p
        Column names.
    clusters : array_like, shape (n,)
        Cluster (patient) of each row.
    link : {"identity", "logit", "log"}
        With constant variance, variance m (1 - m) and variance m.
    working : {"exchangeable", "independence"}
        Working correlation within a cluster.
    covariance : {"CR2", "CR3", "CR0"}
        CR2 (Kauermann and Carroll, Satterthwaite t) and CR3 (Mancl and DeRouen, t with G - 1 degrees of freedom) are
        for small numbers of clusters; CR0 is too small with fewer than about 40.
    divisor : {"n - p", "n"}
        Whether scale and correlation are divided by numbers less the coefficients (Liang and Zeger) or not.
    max_iter : int
        Rounds before giving up.

    Returns
    -------
    GeeFit
        Contrasts by :func:`outcomes.stats.regression.contrasts.linear_contrast`, joint tests by
        :func:`outcomes.stats.regression.wald.wald_test`, risks by :func:`outcomes.stats.regression.marginal.marginal_contrast`.

    Raises
    ------
    EstimationError
        Whatever the fit to independent rows refuses (rank, separation), fewer than two clusters, a correlation
        outside what clusters of this size can have, no convergence.

    Notes
    -----
    Fisher scoring alternated with moment estimates, to 1e-11 of a standard error. Own code: the CR2 errors and their
    degrees of freedom are not in statsmodels, whose ``GEE`` is a second reference in the tests. Rows that are missing
    must be missing completely at random (given the columns). Sources: Liang and Zeger (1986) Biometrika 73:13-22;
    Mancl and DeRouen (2001) Biometrics 57:126-134; Kauermann and Carroll (2001) JASA 96:1387-1396; Pan and Wall
    (2002) Stat Med 21:1429-1441 (degrees of freedom).

    Examples
    --------
    Two visits of four patients, identity link: the mean change and the error of the paired t test.

    >>> before, after = np.array([20.0, 24, 31, 25]), np.array([25.0, 30, 34, 31])
    >>> X = np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)])
    >>> fit = fit_gee(
    ...     X, np.r_[before, after], names=["before", "change"], clusters=np.tile(range(4), 2), divisor="n"
    ... )
    >>> bool(np.isclose(fit.covariance[1, 1] ** 0.5, (after - before).std(ddof=1) / 2))
    True
    >>> round(float(fit.coefficients[1]), 9)
    5.0
    """
    check_choice(link, get_args(Link), "link")
    check_choice(working, get_args(Working), "working")
    check_choice(covariance, get_args(GeeCovariance), "covariance")
    check_choice(divisor, get_args(Divisor), "divisor")
    design, columns = check_matrix(X, names)
    outcome = check_outcome(y, len(design))
    codes, n_clusters = cluster_codes(clusters, len(design))
    sizes = np.bincount(codes, minlength=n_clusters)
    lost = design.shape[1] if divisor == "n - p" else 0
    n_pairs = float((sizes * (sizes - 1) / 2).sum())
    if len(design) <= lost or (working == "exchangeable" and n_pairs <= lost):
        raise EstimationError(
            f"{len(design)} rows in {n_clusters} clusters make {n_pairs:.0f} pairs for {len(columns)} coefficients; too "
            "few to measure a correlation by: use working='independence' or fewer columns",
            code="too_few_pairs",
        )
    start, n_rounds = _start(design, outcome, columns, link), 0
    # on an orthonormal basis the units and offsets of columns cost no digits
    basis, to_coefficients = full_rank_qr(design, columns)
    beta = basis.T @ (design @ start)
    mean, root, slope, scale, pairs = _moments(basis, outcome, beta, codes, link, lost, n_pairs)
    converged = working == "independence"
    while not converged and n_rounds < max_iter:
        n_rounds += 1
        _check_correlation(pairs, int(sizes.max()))
        x, r = _whiten(basis * (slope / root)[:, None], (outcome - mean) / root, codes, sizes, pairs)
        information = x.T @ x
        step = linalg.solve(information, x.T @ r, assume_a="pos")
        beta = beta + step
        mean, root, slope, scale, after = _moments(basis, outcome, beta, codes, link, lost, n_pairs)
        moved = np.abs(step) * np.sqrt(np.diag(information)) / np.sqrt(scale)
        if not np.isfinite(beta).all() or not np.isfinite(mean).all():
            break
        converged = bool(moved.max() < _CONVERGED) and abs(after - pairs) < _CONVERGED
        pairs = after
    if not converged:
        raise EstimationError(
            f"the estimating equations did not converge in {n_rounds} rounds; use working='independence' or fewer "
            "columns",
            code="not_converged",
        )
    alpha = pairs if working == "exchangeable" else 0.0
    x, r = _whiten(design * (slope / root)[:, None], (outcome - mean) / root, codes, sizes, alpha)
    pieces = sandwich_pieces(x, columns, clusters=clusters, covariance=covariance, linear=link == "identity")
    return GeeFit(
        names=columns, coefficients=to_coefficients @ beta, covariance=covariance_of(pieces, r), pieces=pieces, link=link,
        working=working, correlation=float(pairs) if n_pairs > lost else None, scale=scale, fitted=mean,
        n=len(design), n_clusters=n_clusters, largest=int(sizes.max()), n_iterations=n_rounds,
        model=f"estimating equations, {link} link, {working} working correlation",
    )  # fmt: skip


def _start(design: FloatArray, outcome: FloatArray, names: tuple[str, ...], link: str) -> FloatArray:
    """Return the coefficients under independence, with all the guards of that fit."""
    if link == "identity":
        return fit_linear(design, outcome, names=names, covariance="HC0").coefficients
    if link == "logit":
        return fit_logistic(design, outcome, names=names, covariance="HC0").coefficients
    return fit_poisson(design, outcome, names=names, covariance="HC0").coefficients


def _moments(
    design: FloatArray,
    outcome: FloatArray,
    beta: FloatArray,
    codes: IntArray,
    link: str,
    lost: int,
    n_pairs: float,
) -> tuple[FloatArray, FloatArray, FloatArray, float, float]:
    """Return means, root variances, slopes of the inverse link, scale and the correlation within clusters."""
    eta = design @ beta
    if link == "identity":
        mean, root, slope = eta, np.ones_like(eta), np.ones_like(eta)
    elif link == "logit":
        mean = special.expit(eta)
        slope = mean * special.expit(-eta)
        root = np.sqrt(slope)
    else:
        with np.errstate(over="ignore"):
            mean = np.exp(eta)
        slope, root = mean, np.sqrt(mean)
    with np.errstate(invalid="ignore", divide="ignore"):
        pearson = (outcome - mean) / root
        total = float(pearson @ pearson)
        sums = np.bincount(codes, weights=pearson)
        products = 0.5 * (float(sums @ sums) - total)
    scale = total / (len(eta) - lost)
    if not scale > 1e-20 * max(float(np.square(outcome / root).max()), 1e-300):
        raise EstimationError(
            "the residuals have no spread; nothing to estimate errors from", code="no_variation"
        )
    return mean, root, slope, scale, products / scale / (n_pairs - lost) if n_pairs > lost else 0.0


def _check_correlation(alpha: float, largest: int) -> None:
    """Refuse a correlation that no cluster of this size can have."""
    lowest = -1.0 / (largest - 1)
    if not lowest + 1e-6 < alpha < 1.0 - 1e-6:
        raise EstimationError(
            f"the moment estimate of the within-cluster correlation is {alpha:.3f}, outside {lowest:.3f} to 1 of "
            f"clusters of {largest} rows; use working='independence'",
            code="bad_correlation",
        )


def _whiten(
    x: FloatArray, r: FloatArray, codes: IntArray, sizes: IntArray, alpha: float
) -> tuple[FloatArray, FloatArray]:
    """Return rows and residuals times the inverse root of an exchangeable correlation."""
    size = sizes[codes].astype(np.float64)
    spread, level = 1.0 / np.sqrt(1.0 - alpha), 1.0 / np.sqrt(1.0 + (size - 1.0) * alpha)
    table = np.column_stack([x, r])
    totals = np.zeros((len(sizes), table.shape[1]))
    np.add.at(totals, codes, table)
    means = totals[codes] / size[:, None]
    done = spread * (table - means) + level[:, None] * means
    return done[:, :-1], done[:, -1]
