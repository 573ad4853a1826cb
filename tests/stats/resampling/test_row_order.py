"""The order of rows reaches no replicate of a bootstrap of totals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from outcomes.stats.resampling.totals_bootstrap import bootstrap_totals

ROWS = np.random.default_rng(5).normal(size=40)
CLUSTERS = np.repeat(np.arange(20), 2)
STRATA = np.repeat(["b", "a"], 20)


@pytest.mark.parametrize(
    "given",
    [{}, {"strata": STRATA}, {"strata": STRATA.astype(object)}, {"clusters": CLUSTERS},
     {"clusters": CLUSTERS, "strata": STRATA}],
)  # fmt: skip
def test_shuffled_rows_give_the_same_interval(given: dict[str, Any]) -> None:
    def interval(order: np.ndarray) -> Any:
        return bootstrap_totals(
            np.column_stack([ROWS, np.ones(40)])[order], lambda t: t[:, 0] / t[:, 1], seed=1, n_boot=500,
            **{name: values[order] for name, values in given.items()},
        )  # fmt: skip

    plain = interval(np.arange(40))
    for seed in range(5):
        assert interval(np.random.default_rng(seed).permutation(40)) == plain


def test_strata_that_differ_keep_their_own_numbers() -> None:
    """Drawing within strata of equal values leaves nothing to vary."""
    found = bootstrap_totals(
        np.column_stack([np.repeat([3.0, 5.0], [10, 30]), np.ones(40)]), lambda t: t[:, 0] / t[:, 1],
        strata=np.repeat(["z", "a"], [10, 30]), seed=1, n_boot=500, interval="percentile",
    )  # fmt: skip
    assert (found.estimate.value, found.estimate.conf_low, found.estimate.conf_high) == (4.5, 4.5, 4.5)
