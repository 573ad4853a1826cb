"""A key of an outcome that would change nothing is refused."""

from __future__ import annotations

import pytest

from outcomes.analysis.measurement import EVENTS
from outcomes.analysis.study_checks import EVENT_NAMES
from outcomes.analysis.study_file import read_study
from outcomes.errors import StudyError

GRIP = {
    "name": "grip_share", "visit": "12 months", "role": "primary", "better": "higher", "margin": 10,
    "margin_unit": "percentage points", "margin_source": "declared by the authors: example",
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"window_days": 90}, "window_days of 'grip_share' has no effect"),
        ({"name": "complication"}, "visit of 'complication' has no effect"),
        ({"name": "prwe", "dominance": "ten_percent"}, "dominance of 'prwe' has no effect"),
        ({"margin_id": "grip-share-kim-2014"}, "keep the id, or the margin in full"),
        ({"margin": None}, "margin_source, margin_unit without margin"),
    ],
)
def test_a_key_that_changes_nothing_is_refused(change: dict[str, object], said: str) -> None:
    plan = {
        "format": "outcomes study 1",
        "title": "Invented",
        "declared": "2026-01-15",
        "data_seen_before_plan": "no",
        "strategy": {"judged": ["volar locking plate", "percutaneous pinning"]},
        "outcomes": [{key: value for key, value in {**GRIP, **change}.items() if value is not None}],
    }
    with pytest.raises(StudyError, match=said):
        read_study(plan)


def test_events_are_the_measured_ones() -> None:
    assert set(EVENT_NAMES) == set(EVENTS)
