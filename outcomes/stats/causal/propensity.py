"""Fitted probabilities of a two-way choice, for diagnostics of support and for weights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from outcomes.errors import EstimationError

FloatArray = NDArray[np.float64]


def fit_propensity(X: FloatArray, y: FloatArray, *, penalty: float = 0.5, max_iter: int = 60) -> FloatArray:
    """Logistic probabilities of ``y = 1`` by Newton steps, with a weak ridge and without standard errors.

    Made for diagnostics (support, effective sizes) that are computed for every pair of strategies. The ridge
    keeps the fit finite when the covariates tell the two sides apart, so that separation shows as
    probabilities near 0 and 1 instead of a failed fit; with a hundred cases it moves probabilities in the
    third decimal. For inference use :func:`outcomes.stats.regression.logistic.fit_logistic`.

    Parameters
    ----------
    X : ndarray of float, shape (n, p)
        Design with its intercept in the first column; other columns on a scale near unit SD.
    y : ndarray of float, shape (n,)
        0 or 1, both present.
    penalty : float
        Ridge weight on half the squared coefficients; the intercept is free.
    max_iter : int
        Newton steps allowed.

    Returns
    -------
    ndarray of float, shape (n,)

    Raises
    ------
    EstimationError
        When only one side is present, or the fit does not settle.

    Examples
    --------
    Without covariates the fitted probability is the observed share.

    >>> round(float(fit_propensity(np.ones((5, 1)), np.array([1.0, 1, 1, 0, 0]))[0]), 6)
    0.6

    References
    ----------
    le Cessie S, van Houwelingen JC (1992), Applied Statistics 41:191-201.
    """
    n, p = X.shape
    if n == 0 or y.min() == y.max():
        raise EstimationError("a propensity needs cases on both sides", code="one_sided")
    ridge = np.full(p, penalty)
    ridge[0] = 0.0
    beta = np.zeros(p)
    probability = np.full(n, 0.5)
    for _ in range(max_iter):
        weight = np.maximum(probability * (1 - probability), 1e-10)
        hessian = (X * weight[:, None]).T @ X + np.diag(ridge + 1e-9)
        step = np.linalg.solve(hessian, X.T @ (y - probability) - ridge * beta)
        largest = float(np.abs(X @ step).max())
        beta = beta + step * min(1.0, 8.0 / largest if largest > 0 else 1.0)
        probability = 1 / (1 + np.exp(-np.clip(X @ beta, -700, 700)))
        if largest < 1e-8:
            return probability
    raise EstimationError(f"the propensity did not converge in {max_iter} steps", code="no_convergence")
