"""Plans at the edge of arithmetic: refused, never a division by zero."""

from __future__ import annotations

import pytest

from outcomes.errors import EstimationError
from outcomes.stats.planning.sample_size_survival import share_with_event, size_survival


def test_a_hazard_in_the_wrong_unit_is_refused():
    with pytest.raises(EstimationError, match="unit of time") as error:
        size_survival(2, 1e-9, follow_up=1e-9)
    assert error.value.code == "bad_plan"


def test_small_shares_are_the_hazard_times_the_time_observed():
    # 1 - exp(-x) is x to first order
    assert share_with_event(1e-6, 1.0) == pytest.approx(1e-6, rel=1e-6, abs=0.0)
    assert share_with_event(1e-6, 1.0, accrual=1.0) == pytest.approx(1.5e-6, rel=1e-5, abs=0.0)
