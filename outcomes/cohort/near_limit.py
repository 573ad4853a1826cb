"""Which measurements lie so near a limit that reading error could have put them on its other side."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from outcomes.cohort.criteria import reading_error_sizes
from outcomes.cohort.reduction import ReductionGrades


def near_limit(grades: ReductionGrades, error: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Return which measurements lie so near a limit that a second reading could flip them.

    Parameters
    ----------
    grades : ReductionGrades
    error : mapping of concept to float, optional
        Size of the 95 % error of a reading in the unit of the criterion; default the published sizes
        (:func:`outcomes.cohort.criteria.reading_error_sizes`). Concepts without a size are never flagged.

    Returns
    -------
    DataFrame of bool, shape (n_cases, n_criteria)

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from outcomes.cohort.reduction import grade_reduction
    >>> films = pd.DataFrame({"tilt_union": [-9.0, 8.0], "ulnar_variance_union": [0.0, 0.0]})
    >>> grades = grade_reduction(SimpleNamespace(data=films), "brogren-2013", "union")
    >>> list(near_limit(grades, {"tilt": 7})["dorsal tilt"])
    [True, False]
    """
    published = {name: size.value for name, size in reading_error_sizes().items()}
    sizes = published if error is None else dict(error)
    flags = {}
    for criterion in grades.criteria.criteria:
        distance = grades.distance[criterion.name].to_numpy()
        flags[criterion.name] = np.abs(distance) <= sizes.get(criterion.concept, -1.0)
    return pd.DataFrame(flags)
