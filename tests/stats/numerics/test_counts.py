"""What passes for a count."""

from __future__ import annotations

import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.numerics.inputs import events_of, whole
from outcomes.stats.proportions.risks import wilson


@pytest.mark.parametrize(
    "value",
    [-1, 0.5, math.nan, math.inf, -math.inf, 10**400, 2**53 + 1, "5", None, np.nan, np.bool_(True), [5], 5j],
)
def test_what_is_no_count_is_refused(value):
    with pytest.raises(EstimationError, match="events: must be a whole number, 0 or more") as error:
        whole(value, "events")
    assert error.value.code == "bad_count"


@pytest.mark.parametrize("value", [0, 5, 5.0, np.int64(5), np.float32(5), np.uint8(5), 2**53])
def test_whole_numbers_of_every_kind_are_counts(value):
    assert whole(value, "n") == int(value)
    assert type(whole(value, "n")) is int


def test_events_do_not_exceed_cases():
    assert events_of(9, 9) == (9, 9)
    with pytest.raises(EstimationError) as error:
        wilson(10**401, 10**400)
    assert error.value.code == "bad_count"
