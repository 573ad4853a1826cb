"""How often units are drawn: sizes, strata and refusals."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.resampling.draws import draw_counts


def test_one_resample_of_one_unit_is_enough():
    assert draw_counts(np.zeros(1, dtype=np.int64), 1, np.random.default_rng(1)).tolist() == [[1]]


@pytest.mark.parametrize(("units", "n_boot"), [(3, 0), (0, 3), (3, -1)])
def test_nothing_to_draw_is_refused(units, n_boot):
    with pytest.raises(EstimationError, match="at least 1 of each"):
        draw_counts(np.zeros(units, dtype=np.int64), n_boot, np.random.default_rng(1))


def test_every_stratum_keeps_its_size_in_every_resample():
    strata = np.array([2, 0, 0, 2, 2, 1, 0])
    counts = draw_counts(strata, 500, np.random.default_rng(2))
    assert counts.shape == (500, 7)
    for stratum, size in ((0, 3), (1, 1), (2, 3)):
        assert (counts[:, strata == stratum].sum(axis=1) == size).all()


def test_units_come_as_often_as_a_multinomial_says():
    counts = draw_counts(np.zeros(4, dtype=np.int64), 20_000, np.random.default_rng(3))
    # each count is binomial(4, 1/4): mean 1, variance 3/4, covariance -1/4 with another
    np.testing.assert_allclose(counts.mean(axis=0), 1.0, atol=4 * (0.75 / 20_000) ** 0.5)
    covariance = np.cov(counts.T)
    np.testing.assert_allclose(covariance, np.eye(4) - 0.25, atol=0.035)


def test_resamples_beyond_one_block_are_drawn_too():
    # 40,000 units: more than half of what is drawn at once, so that every resample is a block of its own
    counts = draw_counts(np.zeros(40_000, dtype=np.int64), 3, np.random.default_rng(4))
    assert (counts.sum(axis=1) == 40_000).all()
    assert len({row.tobytes() for row in counts}) == 3
    # a resample leaves about a share 1/e of the units out
    assert (counts == 0).mean() == pytest.approx(np.exp(-1), abs=0.01)
