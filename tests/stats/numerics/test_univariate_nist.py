"""Mean and SD of the univariate data of NIST's Statistical Reference Datasets that a formula defines.

NumAcc1 to NumAcc4 and their certified values are from memory (three numbers, and 1,001 alternating ones: the certified
mean and SD follow by hand). Michelson, Lew, Lottery and Mavro are measured data and in no package installed here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.stats.numerics.moments import moments


def digits(value: float, certified: float) -> float:
    return min(-math.log10(max(abs(value - certified) / abs(certified), 1e-15)), 15.0)


def alternating(first: float, low: float, high: float) -> np.ndarray:
    return np.r_[first, np.tile([low, high], 500)]


@pytest.mark.parametrize(
    ("values", "mean", "sd", "wanted"),
    [
        (np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0, 14),
        (alternating(1.2, 1.1, 1.3), 1.2, 0.1, 14),
        (alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 9),
        (alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 8),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_numerical_accuracy(values: np.ndarray, mean: float, sd: float, wanted: int) -> None:
    found = moments(values)
    assert found.mean is not None
    assert found.variance is not None
    assert digits(found.mean, mean) >= 14
    assert digits(math.sqrt(found.variance), sd) >= wanted
