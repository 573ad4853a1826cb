"""Cox fits with something missing: each by itself is refused and counted."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.cox import fit_cox

X = np.array([[0.0], [1.0], [0.0], [1.0], [0.0], [1.0]])
EVENT = [1, 1, 0, 1, 1, 0]


@pytest.mark.parametrize(
    ("time", "strata", "words"),
    [
        ([1, 2, 3, 4, 5, np.nan], ["a"] * 6, "missing in 1 rows and the stratum in 0"),
        ([1, 2, 3, 4, 5, 6], ["a", "a", "b", "b", "b", None], "missing in 0 rows and the stratum in 1"),
    ],
    ids=["time", "stratum"],
)
def test_one_missing_thing_is_enough_to_refuse(time, strata, words):
    with pytest.raises(EstimationError, match=words):
        fit_cox(X, time, EVENT, names=["x"], strata=strata)
