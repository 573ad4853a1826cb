"""Check values of resampling."""

from __future__ import annotations

from typing import Any

import numpy as np
from case_data import load

from outcomes.stats.resampling.bca import bca_interval, bias_correction, jackknife
from outcomes.stats.resampling.bootstrap import percentile_interval


def law_school(case: dict[str, Any]) -> dict[str, Any]:
    """Correlation of 15 pairs from the totals of x, y, their squares and their product."""
    x, y = load("law").to_numpy(float)[:, -2:].T
    columns = np.column_stack([np.ones(15), x, y, x * x, y * y, x * y])

    def correlation(t: np.ndarray) -> np.ndarray:
        n, sx, sy, xx, yy, xy = t.T
        return (n * xy - sx * sy) / np.sqrt((n * xx - sx**2) * (n * yy - sy**2))

    total = columns.sum(axis=0)
    value = float(correlation(total[None])[0])
    units = jackknife(correlation(total - columns))
    counts = np.random.default_rng(1).multinomial(15, np.full(15, 1 / 15), 200_000)
    with np.errstate(invalid="ignore", divide="ignore"):
        replicates = correlation(counts @ columns)
    bca, plain = bca_interval(replicates, value, units), percentile_interval(replicates, value)
    return {
        "r": value, "jack_se": units.std_error, "accel": units.acceleration, "boot_se": plain.estimate.std_error,
        "z0": bias_correction(replicates, value), "bca_lo": bca.estimate.conf_low,
        "bca_hi": bca.estimate.conf_high, "perc_lo": plain.estimate.conf_low, "perc_hi": plain.estimate.conf_high,
    }  # fmt: skip


COMPUTED = {"bca-law": law_school}
