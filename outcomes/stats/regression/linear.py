"""Linear regression with robust errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import (
    FloatArray,
    check_matrix,
    check_outcome,
    check_same_order,
    check_weights,
    clusters_of,
)
from outcomes.stats.numerics.extended import refine_least_squares
from outcomes.stats.regression.clusters import Covariance, SandwichPieces, covariance_of, sandwich_pieces
from outcomes.stats.regression.contrasts import (
    at_level,
    contrast_covariance,
    covariance_method,
    linear_contrast,
    tidy_coefficients,
)

__all__ = ["LinearFit", "at_level", "contrast_covariance", "fit_linear", "linear_contrast"]


# relative error of a coefficient by rounding of the design, above which a fit is refused: seven digits, as asked of the
# harder reference data of NIST
_LARGEST_ERROR = 1e-7
# enlargement above which the cross-products are summed without rounding
_REFINED = 1e2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinearFit:
    """A fitted linear regression.

    Attributes
    ----------
    names : tuple of str, length p
        Columns of the design.
    coefficients : ndarray, shape (p,)
        In units of the outcome per unit of the column.
    covariance : ndarray, shape (p, p)
        Covariance of the coefficients, of the type `pieces.kind`.
    bread : ndarray, shape (p, p)
        Inverse of the (weighted) cross-product of the design.
    pieces : SandwichPieces
        Per-cluster pieces for the degrees of freedom of any contrast.
    residuals : ndarray, shape (n_rows,)
        Outcome minus fitted value, one a row given (rows of weight 0 too).
    residual_sd : float
        In units of the outcome.
    r2 : float
        Share of the variation around the mean that is explained.
    df_residual : int
        n - p.
    n, n_clusters : int
        Rows of weight above 0, and clusters among them.
    model : str
        ``"linear regression"``.
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    bread: FloatArray
    pieces: SandwichPieces
    residuals: FloatArray
    residual_sd: float
    r2: float
    df_residual: int
    n: int
    n_clusters: int
    model: str = "linear regression"

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient."""
        return tidy_coefficients(self)

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        return (
            f"{covariance_method(self)}: {len(self.names)} coefficients, n = {self.n}, "
            f"residual SD {self.residual_sd:.4g}, R2 {self.r2:.3f}"
        )


def fit_linear(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    clusters: Any = None,
    weights: Any = None,
    covariance: Covariance = "CR2",
) -> LinearFit:
    """Fit a linear regression by least squares.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design, with its intercept column if it is to have one.
    y : array_like, shape (n,)
        Outcome.
    names : sequence of str, length p
        Column names.
    clusters : array_like, shape (n,), optional
        Cluster of each row (the patient, when patients have two wrists).
    weights : array_like, shape (n,), optional
        Weights >= 0. A whole number acts as that many copies of the row in its cluster (CR0 exactly,
        n aside). CR2 takes the working variance to be inversely proportional to the weight.
    covariance : {"CR2", "CR1", "CR0", "HC0", "HC1", "HC2", "HC3", "classical"}
        Type of covariance; with clusters a CR type.

    Returns
    -------
    LinearFit

    Raises
    ------
    EstimationError
        Rank-deficient design, or one so near to it that fewer than 7 digits of a coefficient would be right (code
        ``ill_conditioned``); the columns are named. Fewer than two clusters, no residual degrees of freedom, missing
        values.

    Notes
    -----
    QR decomposition with column pivoting of the design with columns scaled to unit length, and one
    step of iterative refinement; where columns are nearly combinations of one another, refinement with sums that are not
    rounded (:mod:`outcomes.stats.numerics.extended`). Sources: Golub and Van Loan (2013) section 5.3;
    Bell and McCaffrey (2002) Survey Methodology 28:169 for CR2.

    Examples
    --------
    >>> x = np.array([0.0, 0.0, 1.0, 1.0, 0.0, 1.0])
    >>> y = np.array([20.0, 22.0, 25.0, 27.0, 24.0, 29.0])
    >>> fit = fit_linear(np.column_stack([np.ones(6), x]), y, names=["intercept", "met"])
    >>> fit.coefficients.round(10).tolist()
    [22.0, 5.0]
    >>> print(linear_contrast(fit, [[0, 1]], labels=["met minus not met"], unit="kg")[0])
    met minus not met: 5 kg (95 % CI 0.4661 to 9.534; n = 6; linear regression, HC2 robust, Satterthwaite t; \
unreliable: 6 clusters)
    """
    check_same_order(X=X, y=y, clusters=clusters, weights=weights)
    design, columns = check_matrix(X, names)
    n_rows, p = design.shape
    outcome = check_outcome(y, n_rows)
    weight = check_weights(weights, n_rows)
    used = weight > 0.0
    labels = clusters_of(clusters, used)
    root = np.sqrt(weight[used])
    design_w, outcome_w = design[used] * root[:, None], outcome[used] * root
    n = len(root)
    if n <= p:
        raise EstimationError(
            f"{n} rows for {p} coefficients leave nothing to estimate the spread from; use fewer columns",
            code="saturated",
        )
    pieces = sandwich_pieces(design_w, columns, clusters=labels, covariance=covariance)
    enlarged = _enlargement(pieces, design_w, columns)
    coefficients = _solve(pieces, design_w, outcome_w)
    if enlarged > _REFINED:
        basis = pieces.basis[np.argsort(pieces.order)]
        coefficients = refine_least_squares(design_w, outcome_w, basis, pieces.to_coefficients, coefficients)
    residuals_w = outcome_w - design_w @ coefficients
    rss = float(residuals_w @ residuals_w)
    return LinearFit(
        names=columns,
        coefficients=coefficients,
        covariance=covariance_of(pieces, residuals_w),
        bread=pieces.bread,
        pieces=pieces,
        residuals=outcome - design @ coefficients,
        residual_sd=float(np.sqrt(rss / (n - p))),
        r2=_explained(pieces, root, outcome_w, rss),
        df_residual=n - p,
        n=n,
        n_clusters=pieces.n_clusters,
    )


def _enlargement(pieces: SandwichPieces, design: FloatArray, names: tuple[str, ...]) -> float:
    """Return by how much the design enlarges rounding; raise when it leaves few digits of some coefficients."""
    lengths = np.sqrt(np.einsum("ij,ij->j", design, design))
    # length of a column over the length of what the others leave of it: by so much its rounding is enlarged
    enlarged = lengths * np.sqrt(np.einsum("ij,ij->i", pieces.to_coefficients, pieces.to_coefficients))
    if enlarged.max() * np.finfo(np.float64).eps > _LARGEST_ERROR:
        culprits = [name for name, e in zip(names, enlarged, strict=True) if e > 0.1 * enlarged.max()]
        raise EstimationError(
            f"the design is ill-conditioned: {', '.join(culprits)} are so nearly combinations of the other columns that "
            "fewer than 7 digits of their coefficients would be right; centre the column that powers are taken of, use "
            "a spline, or drop some",
            code="ill_conditioned",
        )
    return float(enlarged.max())


def _solve(pieces: SandwichPieces, design: FloatArray, outcome: FloatArray) -> FloatArray:
    """Return the least-squares coefficients, refined once."""
    coefficients = np.zeros(design.shape[1])
    for _ in range(2):
        left = (outcome - design @ coefficients)[pieces.order]
        coefficients = coefficients + pieces.to_coefficients @ (pieces.basis.T @ left)
    return coefficients


def _explained(pieces: SandwichPieces, root: FloatArray, outcome: FloatArray, rss: float) -> float:
    """Return R2, around the mean when the columns can make up a constant, else around 0."""
    one = root[pieces.order]
    left = one - pieces.basis @ (pieces.basis.T @ one)
    total = outcome
    if float(left @ left) < 1e-16 * float(one @ one):
        total = outcome - root * (float(root @ outcome) / float(root @ root))
    tss = float(total @ total)
    return 1.0 - rss / tss if tss > 0.0 else 0.0
