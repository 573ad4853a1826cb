"""The defaults of everything in this room are the pinned ones; each module is named, so that its tests can be found."""

from __future__ import annotations

import outcomes.stats.regression.clusters
import outcomes.stats.regression.contrasts
import outcomes.stats.regression.delta
import outcomes.stats.regression.firth
import outcomes.stats.regression.firth_profile
import outcomes.stats.regression.firth_resamples
import outcomes.stats.regression.interactions
import outcomes.stats.regression.likelihood
import outcomes.stats.regression.linear
import outcomes.stats.regression.logistic
import outcomes.stats.regression.marginal
import outcomes.stats.regression.ordinal
import outcomes.stats.regression.ordinal_likelihood
import outcomes.stats.regression.ordinal_risks
import outcomes.stats.regression.poisson
import outcomes.stats.regression.proportional_odds
import outcomes.stats.regression.risk_resamples
import outcomes.stats.regression.separation
import outcomes.stats.regression.share_intervals
import outcomes.stats.regression.shares
import outcomes.stats.regression.specifications
import outcomes.stats.regression.splines
import outcomes.stats.regression.standardised
import outcomes.stats.regression.wald
import outcomes.stats.regression.wild


def test_no_default_has_changed(changed_defaults) -> None:
    assert changed_defaults(outcomes.stats.regression) == []
