"""Mean squares of a table of ratings, one row a subject and one column a rater.

What the intraclass correlations and the errors of measurement are made of.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray
from outcomes.stats.numerics.inputs import numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquares:
    """Mean squares of subjects by raters without gaps.

    Attributes
    ----------
    subjects, within, raters, residual : float
        Between subjects (n - 1 degrees of freedom), within subjects (n (k - 1)), between raters (k - 1) and
        what is left (subjects by raters, (n - 1)(k - 1)); exactly 0 when they hold nothing but rounding, and
        when `reason` says that there are none.
    n, k : int
        Subjects and raters.
    n_missing : int
        Subjects left out because a rating was missing.
    reason : str
    """

    subjects: float
    within: float
    raters: float
    residual: float
    n: int
    k: int
    n_missing: int
    reason: str = ""


def mean_squares(ratings: Any) -> MeanSquares:
    """Return the mean squares of subjects by raters.

    Parameters
    ----------
    ratings : array_like, shape (n, k)
        Numbers, NaN where missing. A subject with a missing rating is left out and counted.

    Returns
    -------
    MeanSquares
        With a `reason` and zeros for fewer than 2 subjects, fewer than 2 raters, or ratings all the same.

    Raises
    ------
    EstimationError
        When the ratings are not a table of numbers.

    Examples
    --------
    Subject means 2 and 5, rater means 3 and 4, nothing else:

    >>> found = mean_squares([[1.5, 2.5], [4.5, 5.5]])
    >>> found.subjects, found.within, found.raters, found.residual
    (9.0, 0.5, 1.0, 0.0)
    """
    given = check_ratings(ratings)
    complete = given[~np.isnan(given).any(axis=1)]
    n, k = complete.shape
    n_missing = len(given) - n
    reason = ""
    if k < 2:
        reason = "one rater: agreement needs at least 2 ratings of each subject"
    elif n < 2:
        reason = f"{n} subjects with every rating: at least 2 are needed"
    elif (complete == complete[0, 0]).all():
        reason = "all ratings are the same: there is nothing to tell subjects apart by"
    if reason:
        return MeanSquares(
            subjects=0.0, within=0.0, raters=0.0, residual=0.0, n=n, k=k, n_missing=n_missing, reason=reason
        )
    # in a fixed order, so that a permutation of subjects changes no digit
    centred = complete[np.lexsort(complete.T[::-1])] - complete.min()
    level = float(centred.mean())
    of_subjects, of_raters = centred.mean(axis=1) - level, centred.mean(axis=0) - level
    left = centred - level - of_subjects[:, None] - of_raters[None, :]
    squares = (
        k * float((of_subjects**2).sum()) / (n - 1),
        float(((centred - centred.mean(axis=1)[:, None]) ** 2).sum()) / (n * (k - 1)),
        n * float((of_raters**2).sum()) / (k - 1),
        float((left**2).sum()) / ((n - 1) * (k - 1)),
    )
    # 0.1 + 0.2 beside 0.3 is rounding, not disagreement
    rounding = (16 * np.finfo(np.float64).eps * float(np.abs(complete).max())) ** 2 * max(n, k)
    subjects, within, raters, residual = (0.0 if square <= rounding else square for square in squares)
    return MeanSquares(
        subjects=subjects, within=within, raters=raters, residual=residual, n=n, k=k, n_missing=n_missing
    )


def check_ratings(ratings: Any) -> FloatArray:
    """Return ratings as a table of floats with NaN where missing, or refuse them.

    Raises
    ------
    EstimationError
        What is not a table of numbers; infinite ratings.

    Examples
    --------
    >>> check_ratings([[1, 2], [3, None]])
    array([[ 1.,  2.],
           [ 3., nan]])
    """
    given = ratings.to_numpy(dtype=object) if hasattr(ratings, "columns") else ratings
    try:
        table = np.array([numbers(row, "text") for row in given], dtype=np.float64)
    except (EstimationError, TypeError, ValueError):
        # "from None": the original message could quote a rating
        raise EstimationError(
            "ratings: give a table of numbers, one row a subject, one column a rater, NaN where missing",
            code="not_numeric",
        ) from None
    if table.ndim != 2 or 0 in table.shape:
        raise EstimationError(
            f"ratings: expected shape (subjects, raters), got {table.shape}", code="bad_shape"
        )
    if np.isinf(table).any():
        raise EstimationError(
            "ratings: holds infinite values; set them to NaN and count them as missing", code="infinite"
        )
    return table
