"""Whether the effect of one set of columns depends on another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, get_args

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_matrix
from outcomes.stats.regression.clusters import Covariance
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.poisson import fit_poisson
from outcomes.stats.regression.wald import WaldTest, wald_test

InteractionModel = Literal["linear", "logistic", "Poisson"]


def product_columns(
    X: Any, *, names: Sequence[str], first: Sequence[str], second: Sequence[str]
) -> tuple[FloatArray, tuple[str, ...]]:
    """Return the products of two sets of columns and their names.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design.
    names : sequence of str, length p
        Column names.
    first, second : sequence of str
        Columns multiplied with one another (dummies of a factor, terms of a spline, one number).

    Returns
    -------
    products : ndarray, shape (n, len(first) * len(second))
    names : tuple of str
        ``"a x b"``.

    Raises
    ------
    EstimationError
        Names that are not columns, or that stand in both sets.

    Notes
    -----
    Source: Cox (1984) Int Stat Rev 52:1-24.

    Examples
    --------
    >>> product_columns([[1, 2, 3]], names=["one", "a", "b"], first=["a"], second=["b"])
    (array([[6.]]), ('a x b',))
    """
    design, columns = check_matrix(X, names)
    left, right = tuple(first), tuple(second)
    wrong = sorted((set(left) | set(right)) - set(columns)) + sorted(set(left) & set(right))
    if wrong or not left or not right:
        raise EstimationError(
            f"not columns, or in both sets: {', '.join(wrong) or 'an empty set'}; columns: {', '.join(columns)}",
            code="unknown_columns",
        )
    at = {name: design[:, j] for j, name in enumerate(columns)}
    products = np.column_stack([at[a] * at[b] for a in left for b in right])
    return products, tuple(f"{a} x {b}" for a in left for b in right)


def interaction_test(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    first: Sequence[str],
    second: Sequence[str],
    model: InteractionModel = "linear",
    clusters: Any = None,
    weights: Any = None,
    covariance: Covariance = "CR2",
    n_missing: int = 0,
) -> WaldTest:
    """Test that the effects of one set of columns are the same whatever the other.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design with an intercept column and both sets, without their products.
    y : array_like, shape (n,)
        Outcome.
    names : sequence of str, length p
        Column names.
    first, second : sequence of str
        The two sets.
    model : {"linear", "logistic", "Poisson"}
        On which scale effects are compared: differences, odds ratios, ratios. No interaction on one scale is
        interaction on another.
    clusters, weights, covariance
        As in :func:`outcomes.stats.regression.linear.fit_linear`.
    n_missing : int
        Carried along.

    Returns
    -------
    WaldTest
        Joint test of all products. For independent rows :func:`outcomes.stats.regression.likelihood.likelihood_ratio_test` with
        :func:`product_columns` is the likelihood-ratio version.

    Raises
    ------
    EstimationError
        A combination of levels without cases makes the products dependent (columns named); whatever the fit refuses.

    Notes
    -----
    Source: Cox (1984) Int Stat Rev 52:1-24; for the reference distribution see
    :func:`outcomes.stats.regression.wald.wald_test`.

    Examples
    --------
    Four cells of two with means 1, 2, 3, 6 and variance 1/2 each: the interaction is 6 - 3 - 2 + 1 = 2, F is 4.

    >>> a, b = np.repeat([0.0, 0, 1, 1], 2), np.repeat([0.0, 1, 0, 1], 2)
    >>> y = np.repeat([1.0, 2, 3, 6], 2) + np.tile([-0.5, 0.5], 4)
    >>> X = np.column_stack([np.ones(8), a, b])
    >>> test = interaction_test(X, y, names=["one", "a", "b"], first=["a"], second=["b"], covariance="classical")
    >>> round(test.f, 10), test.df_within
    (4.0, 4.0)
    """
    check_choice(model, get_args(InteractionModel), "model")
    design, columns = check_matrix(X, names)
    products, added = product_columns(design, names=columns, first=first, second=second)
    full, everything = np.hstack([design, products]), (*columns, *added)
    rows = np.eye(len(everything))[len(columns) :]
    if model == "linear":
        fit: Any = fit_linear(
            full, y, names=everything, clusters=clusters, weights=weights, covariance=covariance
        )
    else:
        fitter = fit_logistic if model == "logistic" else fit_poisson
        fit = fitter(full, y, names=everything, clusters=clusters, weights=weights, covariance=covariance)
    return wald_test(fit, rows, n_missing=n_missing)
