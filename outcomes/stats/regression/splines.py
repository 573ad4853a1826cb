"""Restricted cubic splines: smooth curves that are straight beyond the outer knots."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, floats
from outcomes.stats.numerics.inputs import sample
from outcomes.stats.regression.contrasts import RegressionFit
from outcomes.stats.regression.wald import WaldTest, wald_test

KNOT_QUANTILES: dict[int, tuple[float, ...]] = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
    6: (0.05, 0.23, 0.41, 0.59, 0.77, 0.95),
    7: (0.025, 0.1833, 0.3417, 0.50, 0.6583, 0.8167, 0.975),
}
"""Where the knots stand, by their number (Harrell, Regression Modeling Strategies, 2015, table 2.3; from memory)."""


def spline_knots(values: Any, n_knots: int = 4) -> FloatArray:
    """Return knots at quantiles of the values.

    Parameters
    ----------
    values : array_like, shape (n,)
        Numbers; NaN where missing (left out).
    n_knots : int
        3 to 7.

    Returns
    -------
    ndarray, shape (n_knots,)
        Strictly increasing.

    Raises
    ------
    EstimationError
        Another number of knots, or so many equal values that knots fall on one another (the largest number of knots
        that do not is said).

    Notes
    -----
    Quantiles by linear interpolation. Source: Harrell, Regression Modeling Strategies, 2nd ed. (2015), section 2.4.

    Examples
    --------
    >>> spline_knots(range(101), 3).tolist()
    [10.0, 50.0, 90.0]
    """
    if n_knots not in KNOT_QUANTILES:
        raise EstimationError(f"{n_knots} knots; give 3, 4, 5, 6 or 7", code="bad_choice")
    present, _ = sample(values, "values of the spline")
    if not present.size:
        raise EstimationError("values of the spline: none is present", code="empty_group")
    fitting = [k for k in KNOT_QUANTILES if _apart(np.quantile(present, KNOT_QUANTILES[k]))]
    if n_knots not in fitting:
        raise EstimationError(
            f"{n_knots} knots fall on equal values ({np.unique(present).size} different values); "
            + (f"use {max(k for k in fitting)} knots" if fitting else "use a straight line or groups"),
            code="tied_knots",
        )
    return np.quantile(present, KNOT_QUANTILES[n_knots])


def restricted_cubic_spline(values: Any, knots: Any) -> FloatArray:
    """Return the columns of a restricted cubic spline.

    Parameters
    ----------
    values : array_like, shape (n,)
        Numbers, none missing.
    knots : array_like, shape (k,)
        At least 3, strictly increasing.

    Returns
    -------
    ndarray, shape (n, k - 1)
        The values themselves, then k - 2 curved terms; all in units of the values.

    Raises
    ------
    EstimationError
        Fewer than 3 knots, knots that do not increase, missing values.

    Notes
    -----
    The truncated power basis over the square of the distance of the outer knots. Worked in that distance from the
    first knot, and as the straight line it is beyond the last, where the cubes would cancel; so a shift or change of
    units of values and knots changes the curved terms by the unit only, and far tails keep their digits.
    Sources: Stone and Koo (1985) Proc Am Stat Assoc, Statistical Computing Section, 45-48; Harrell, Regression
    Modeling Strategies, 2nd ed. (2015), section 2.4.5.

    Examples
    --------
    Knots 0, 1, 2: the curved term at 2 is (8 - 2 * 1) / 4 = 1.5, and from there a line of slope (12 - 6) / 4.

    >>> restricted_cubic_spline([0.0, 1.0, 2.0, 4.0], [0.0, 1.0, 2.0])[:, 1].tolist()
    [0.0, 0.25, 1.5, 4.5]
    """
    x, n_missing = sample(values, "values of the spline")
    if n_missing:
        raise EstimationError(
            f"values of the spline: {n_missing} missing; leave those rows out first and count them",
            code="not_finite",
        )
    t = check_knots(knots)
    span = float(t[-1] - t[0])
    u, s = (x - t[0]) / span, (t - t[0]) / span
    inside, beyond = np.minimum(u, 1.0), np.maximum(u - 1.0, 0.0)
    last, before = s[-1], s[-2]
    curved = []
    for knot in s[:-2]:
        right, left = (last - knot) / (last - before), (before - knot) / (last - before)
        term = _cubed(inside - knot) - right * _cubed(inside - before)
        slope = 3.0 * (1.0 - knot) ** 2 - 3.0 * right * (1.0 - before) ** 2
        curved.append(span * (term + left * _cubed(inside - last) + slope * beyond))
    return np.column_stack([x, *curved])


def nonlinearity_test(fit: RegressionFit, columns: Sequence[str], *, n_missing: int = 0) -> WaldTest:
    """Test that the curved terms of a spline are all 0.

    Parameters
    ----------
    fit : LinearFit, LogisticFit or PoissonFit
        Fit whose design holds a spline.
    columns : sequence of str
        Names of its curved terms (all columns of the spline but the first).
    n_missing : int
        Carried along.

    Returns
    -------
    WaldTest

    Raises
    ------
    EstimationError
        Names that are not columns of the fit.

    Notes
    -----
    Source: Harrell, Regression Modeling Strategies, 2nd ed. (2015), section 2.4.

    Examples
    --------
    >>> from outcomes.stats.regression.linear import fit_linear
    >>> x = np.arange(12.0)
    >>> S = restricted_cubic_spline(x, [1.0, 5.0, 10.0])
    >>> y = 2 * x + np.tile([0.1, -0.1], 6)
    >>> fit = fit_linear(np.column_stack([np.ones(12), S]), y, names=["one", "x", "x'"], covariance="classical")
    >>> nonlinearity_test(fit, ["x'"]).p_value > 0.5
    True
    """
    wrong = [name for name in columns if name not in fit.names]
    if wrong or not len(columns):
        raise EstimationError(
            f"not columns of the fit: {', '.join(wrong) or 'none named'}; columns: {', '.join(fit.names)}",
            code="unknown_columns",
        )
    rows = np.eye(len(fit.names))[[fit.names.index(name) for name in columns]]
    return wald_test(fit, rows, n_missing=n_missing)


def check_knots(knots: Any) -> FloatArray:
    """Return knots as an increasing vector, or refuse them.

    Raises
    ------
    EstimationError
        Fewer than 3, or not strictly increasing.

    Examples
    --------
    >>> check_knots([1, 2, 4]).tolist()
    [1.0, 2.0, 4.0]
    """
    t = floats(knots, "the knots")
    if t.ndim != 1 or len(t) < 3 or not np.isfinite(t).all() or not _apart(t):
        raise EstimationError(
            f"{t.size} knots; give at least 3 finite numbers, each clearly above the one before",
            code="tied_knots",
        )
    return t


def _apart(t: FloatArray) -> bool:
    """Return whether knots increase by more than rounding."""
    return bool((np.diff(t) > 1e-9 * max(float(t[-1] - t[0]), 1e-300)).all())


def _cubed(values: FloatArray) -> FloatArray:
    """Return the cube of what is above 0."""
    return np.maximum(values, 0.0) ** 3
