"""The defaults of everything in this room are the pinned ones; each module is named, so that its tests can be found."""

from __future__ import annotations

import outcomes.stats.groups.ancova
import outcomes.stats.groups.anova
import outcomes.stats.groups.balance
import outcomes.stats.groups.effect_size
import outcomes.stats.groups.means
import outcomes.stats.groups.multiple_comparisons
import outcomes.stats.groups.nested
import outcomes.stats.groups.paired
import outcomes.stats.groups.pairs
import outcomes.stats.groups.permutation
import outcomes.stats.groups.rank_trend
import outcomes.stats.groups.ranks
import outcomes.stats.groups.stratified_ranks
import outcomes.stats.groups.summary
import outcomes.stats.groups.trend
import outcomes.stats.groups.two_way


def test_no_default_has_changed(changed_defaults) -> None:
    assert changed_defaults(outcomes.stats.groups) == []
