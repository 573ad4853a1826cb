"""Analysis of variance on NIST's Simon-Lesage sets of every size (the sizes as published: tests/check_values)."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from outcomes.stats.groups.anova import one_way_anova

NIST = Path(__file__).parents[2] / "reference" / "nist"


def nist_groups(name: str) -> list[np.ndarray]:
    """Return the groups of a NIST analysis-of-variance file, whose data start on line 61."""
    lines = (NIST / f"{name}.dat").read_text().splitlines()[60:]
    rows = np.array([line.split() for line in lines if line.strip()], float)
    return [rows[rows[:, 0] == level, 1] for level in np.unique(rows[:, 0])]


@pytest.mark.parametrize("replicates", [21, 201, 2001])
@pytest.mark.parametrize(
    ("base", "digits"), [("SmLs01", 12), ("SmLs04", 9.5), ("SmLs07", 3.5)], ids=["lower", "average", "higher"]
)
def test_nist_simon_lesage_of_every_size(base: str, digits: float, replicates: int):
    """SmLs02/03, 05/06 and 08/09 are 01, 04 and 07 with 201 and 2001 replicates: the pattern goes on.

    Certified (NIST): F = replicates, within-treatment SD 0.1. The floor on digits of F is that of reading
    13 constant leading digits as floating point (Simon and Lesage 1989).
    """
    groups = []
    for short in nist_groups(base):
        first, pair = short[:1], short[1:3]
        assert np.array_equal(short, np.concatenate([first, np.tile(pair, 10)]))
        groups.append(np.concatenate([first, np.tile(pair, (replicates - 1) // 2)]))
    test = one_way_anova(groups)
    assert -math.log10(max(abs(test.f - replicates) / replicates, 1e-16)) >= digits
    assert -math.log10(max(abs(test.residual_sd - 0.1) / 0.1, 1e-16)) >= digits
    assert test.df_within == 9 * (replicates - 1)
