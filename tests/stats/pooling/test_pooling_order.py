"""The order in which studies are given changes no digit of what they say together."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.stats.pooling.heterogeneity import TAU_METHODS
from outcomes.stats.pooling.meta_regression import egger, meta_regression
from outcomes.stats.pooling.pooled_effect import pool


@pytest.mark.parametrize("tau2", TAU_METHODS)
def test_order_of_studies_leaves_no_trace(tau2):
    rng = np.random.default_rng(1961)
    y, se, x = rng.normal(0.1, 1, 9), rng.uniform(0.1, 1, 9), rng.normal(size=9)
    first = pool(y, se, tau2=tau2)
    line = meta_regression(y, se, x, tau2=tau2)
    for _ in range(10):
        rows = rng.permutation(9)
        again = pool(y[rows], se[rows], tau2=tau2)
        assert (again.estimate, again.heterogeneity) == (first.estimate, first.heterogeneity)
        assert again.prediction_low == first.prediction_low
        # weights and names stay with their studies
        assert again.weights == tuple(first.weights[i] for i in rows)
        assert meta_regression(y[rows], se[rows], x[rows], tau2=tau2) == line
        assert egger(y[rows], se[rows]) == egger(y, se)
