"""The defaults of everything in this room are the pinned ones; each module is named, so that its tests can be found."""

from __future__ import annotations

import outcomes.stats.missing.imputation
import outcomes.stats.missing.imputation_plan
import outcomes.stats.missing.missing_bounds
import outcomes.stats.missing.observation_weights
import outcomes.stats.missing.pooled_tests
import outcomes.stats.missing.pooled_wald
import outcomes.stats.missing.rubin
import outcomes.stats.missing.tipping_point


def test_no_default_has_changed(changed_defaults) -> None:
    assert changed_defaults(outcomes.stats.missing) == []
