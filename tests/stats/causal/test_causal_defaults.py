"""The defaults of everything in this room are the pinned ones; each module is named, so that its tests can be found."""

from __future__ import annotations

import outcomes.stats.causal.bias_analysis
import outcomes.stats.causal.crossfit
import outcomes.stats.causal.doubly_robust
import outcomes.stats.causal.doubly_robust_bootstrap
import outcomes.stats.causal.doubly_robust_fit
import outcomes.stats.causal.evalue
import outcomes.stats.causal.exposure_model
import outcomes.stats.causal.indirect_product
import outcomes.stats.causal.influence
import outcomes.stats.causal.matched_balance
import outcomes.stats.causal.matched_effect
import outcomes.stats.causal.matching
import outcomes.stats.causal.matching_search
import outcomes.stats.causal.mediation
import outcomes.stats.causal.mediation_models
import outcomes.stats.causal.mediation_sensitivity
import outcomes.stats.causal.negative_control
import outcomes.stats.causal.propensity
import outcomes.stats.causal.weighting


def test_no_default_has_changed(changed_defaults) -> None:
    assert changed_defaults(outcomes.stats.causal) == []
