"""The defaults of everything in this room are the pinned ones; each module is named, so that its tests can be found."""

from __future__ import annotations

import outcomes.stats.repeated.gee
import outcomes.stats.repeated.mixed
import outcomes.stats.repeated.mixed_likelihood
import outcomes.stats.repeated.visits


def test_no_default_has_changed(changed_defaults) -> None:
    assert changed_defaults(outcomes.stats.repeated) == []
