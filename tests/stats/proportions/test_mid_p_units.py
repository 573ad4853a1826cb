"""Mid-p intervals in per cent are a hundred times those in shares."""

from __future__ import annotations

import pytest

from outcomes.stats.proportions.mid_p import mid_p_share


def test_per_cent_is_a_hundred_times_the_share():
    share, percent = mid_p_share(7, 40), mid_p_share(7, 40, unit="percent")
    assert (percent.value, percent.conf_low, percent.conf_high) == pytest.approx(
        (100 * share.value, 100 * share.conf_low, 100 * share.conf_high), rel=1e-12
    )
    assert 0 < share.conf_low < share.value < share.conf_high < 1
