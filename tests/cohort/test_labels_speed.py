"""Labelling 10^5 invented cases: the seconds are recorded with the test results, not judged."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pandas as pd
from stand_in import Table, table

from outcomes.cohort.complications import complication_outcomes
from outcomes.cohort.fixation import classify_fixation
from outcomes.cohort.function import grip_share, rotation_arc
from outcomes.cohort.reduction import grade_reduction

N = 100_000
NOTES = [
    "VLP, no graft",
    "MUA and K-wires",
    "Bridging ex-fix with wires",
    "Closed reduction and cast",
    "Dorsal plate",
]


def cohort() -> Table:
    """Return 10^5 cases, every note a text of its own."""
    rng = np.random.default_rng(11)
    day = pd.Timestamp("2020-01-01") + pd.to_timedelta(rng.integers(0, 1000, N), unit="D")
    return table(
        patient_id=[f"P{number}" for number in rng.integers(0, 98_000, N)],
        side=rng.choice(["left", "right"], N),
        fracture_class=rng.choice(["2R3A2", "2R3C1"], N),
        treatment_date=day,
        last_seen_date=day + pd.Timedelta(days=365),
        operation_text=[f"{NOTES[number % len(NOTES)]} theatre list {number}" for number in range(N)],
        tilt_postoperative=rng.normal(0, 8, N),
        shortening_postoperative=np.abs(rng.normal(1, 2, N)),
        step_postoperative=np.abs(rng.normal(0, 1, N)),
        druj_congruent_postoperative=(rng.random(N) < 0.9).astype(float),
        grip_injured_12_months=rng.normal(20, 5, N).clip(0),
        grip_other_12_months=rng.normal(25, 5, N).clip(0),
        pronation_12_months=rng.normal(75, 8, N),
        supination_12_months=rng.normal(70, 10, N),
        event_1=rng.choice(np.array([None, "CTS", "wire removal", "malunion"], dtype=object), N),
    )


def test_seconds_of_labelling(record_property: Callable[[str, object], None]) -> None:
    cases = cohort()
    jobs: dict[str, Callable[[], object]] = {
        "classify_fixation": lambda: classify_fixation(cases),
        "grade_reduction": lambda: grade_reduction(cases, "common-practice", "postoperative"),
        "complication_outcomes": lambda: complication_outcomes(cases),
        "grip_share": lambda: grip_share(cases, "12 months"),
        "rotation_arc": lambda: rotation_arc(cases, "12 months"),
    }
    for name, job in jobs.items():
        start = time.perf_counter()
        assert job() is not None
        record_property(f"{name} seconds for {N} cases", round(time.perf_counter() - start, 3))
