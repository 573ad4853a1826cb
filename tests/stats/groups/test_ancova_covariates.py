"""Covariates of an analysis of covariance in every form that a user has them in."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.groups.ancova import ancova


def test_covariates_of_ancova_in_every_form():
    x = [1, 2, 3, 4, 2, 3, 4, 5]
    y = [1.1, 1.9, 2.9, 4.1, 5.1, 5.9, 6.9, 8.1]
    wanted = ancova(y, list("aaaabbbb"), {"x": x})
    for form in (pd.Series(x, name="x"), pd.DataFrame({"x": x})):
        assert str(ancova(y, list("aaaabbbb"), form)) == str(wanted)
    for form in (x, np.array(x), pd.Series(x)):
        found = ancova(y, list("aaaabbbb"), form)
        assert found.differences == wanted.differences
        assert found.slopes[0].contrast == "covariate"
    for wrong in ("x", 3.0, np.ones((8, 2)), [[1, 2]] * 8, None):
        with pytest.raises(EstimationError, match="covariates: give them by name"):
            ancova(y, list("aaaabbbb"), wrong)
    with pytest.raises(EstimationError, match="no covariate given"):
        ancova(y, list("aaaabbbb"), [])
