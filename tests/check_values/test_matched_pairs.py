"""Where the matches of another program are not the nearest."""

from __future__ import annotations

import case_data
import numpy as np
from values_causal import lalonde

from outcomes.stats.causal.matching import match_cases


def test_matchit_passes_over_a_nearer_control_in_six_of_185() -> None:
    """The pairs that MatchIt 4.5.1 made without a caliper, taken in its own order of treated cases."""
    _, _, exposure, model = lalonde()
    p = model.probabilities[:, 1]
    table = case_data.load("lalonde_matches")
    made = {int(t[3:]) - 1: int(c[4:]) + 184 for t, c in zip(table["treated"], table["control"], strict=True)}
    free = set(np.flatnonzero(exposure == "control").tolist())
    passed = 0
    for t in sorted(made, key=lambda row: (-p[row], row)):
        nearest = min(abs(p[c] - p[t]) for c in free)
        passed += abs(p[made[t]] - p[t]) > nearest + 1e-9
        free.remove(made[t])
    assert passed == 6
    sets = match_cases(exposure, p, treated="treated", caliper=None)
    own = dict(zip(sets.treated_rows.tolist(), sets.control_rows.tolist(), strict=True))
    assert sum(own[t] == c for t, c in made.items()) == 167
    assert sets.distances.sum() < sum(abs(p[c] - p[t]) for t, c in made.items())
