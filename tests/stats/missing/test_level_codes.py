"""Codes of levels to be imputed: whole numbers from 0, each way of being none refused by itself."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.missing.imputation import impute
from outcomes.stats.missing.imputation_plan import ColumnModel


@pytest.mark.parametrize("wrong", [-1.0, 1.5], ids=["below 0", "between"])
@pytest.mark.parametrize("kind", ["category", "yes_no"])
def test_a_code_that_is_none_is_refused(kind, wrong):
    values = {"level": [0.0, 1.0, 1.0, 0.0, wrong, np.nan], "age": [1.0, 2, 3, 4, 5, 6]}
    with pytest.raises(EstimationError, match="whole numbers from 0"):
        impute(values, [ColumnModel(name="level", kind=kind)], keys=range(6), seed=1)
