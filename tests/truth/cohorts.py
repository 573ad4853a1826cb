"""Synthetic cohorts through the whole main path: generate, read, label, answer."""

from __future__ import annotations

import datetime as dt
import tomllib
from importlib import resources
from typing import Any

import outcomes
import synthetic_cohort

OUTCOME = "grip_share_12_months"
JUDGED = ("volar locking plate", "bridging external fixation, augmented", "percutaneous pinning")

#: Columns of the synthetic table that the plan below uses.
COVARIATES = (
    "age", "sex", "energy", "open_injury", "pattern", "tilt_injury", "shortening_injury", "bone_quality", "diabetes",
    "smoking", "surgeon_experience",
)  # fmt: skip
KEPT = (
    "case_id", "patient_id", "side", "dominant_hand", "fracture_class", "other_hand_impaired", "operation_text",
    "treatment_date", "grip_injured_12_months", "grip_other_12_months", *COVARIATES,
    *(f"{measure}_{film}" for film in ("post_reduction", "postoperative")
      for measure in ("tilt", "shortening", "step", "druj_congruent")),
)  # fmt: skip


def generated(scenario: str) -> str:
    """Return the scenario that is generated; ``", declared"`` changes the plan, not the data."""
    return scenario.removesuffix(", declared")


def truth_of(scenario: str) -> dict[str, Any]:
    """Return the known truth of the primary outcome of a scenario."""
    text = resources.files("synthetic_cohort").joinpath("truth.toml").read_text(encoding="utf-8")
    truth: dict[str, Any] = tomllib.loads(text)["scenarios"][generated(scenario)]["grip_share"]
    return truth


def plan(margin: float, scenario: str = "") -> outcomes.Study:
    """Return the plan under which every scenario is answered: the confounders that were planted, and no others."""
    error: outcomes.ReadingError | None = outcomes.ReadingError(
        retained=1.0, source="films without reading error"
    )
    if scenario == "reading_error":
        error = None
    if scenario == "reading_error, declared":
        error = outcomes.ReadingError(retained=0.44, source="measurement errors published for radiographs")
    return outcomes.Study(
        title="Operating characteristics on synthetic cohorts",
        declared=dt.date(2026, 1, 1),
        data_seen_before_plan="no",
        strategy=outcomes.StrategyPlan(judged=JUDGED),
        reduction=outcomes.ReductionPlan(criteria="common-practice", reading_error=error),
        covariates=(*COVARIATES, "dominant_injured"),
        pattern="pattern",
        outcomes=(
            outcomes.OutcomePlan(
                name="grip_share", visit="12 months", role="primary", better="higher",
                margin=outcomes.Margin(
                    value=margin, unit="percentage points", source="declared by the authors: margin of the scenarios"
                ),
            ),
        ),
    )  # fmt: skip


def dictionary() -> dict[str, Any]:
    """Return the bundled dictionary, cut to the columns that are used."""
    text = resources.files("synthetic_cohort").joinpath("data/dictionary.toml").read_text(encoding="utf-8")
    declared: dict[str, Any] = tomllib.loads(text)
    columns = declared["columns"]
    kept = [name for name in columns if name in KEPT or name.startswith("component_")]
    return {**declared, "columns": {name: columns[name] for name in kept}}


def answer_one(scenario: str, n: int, seed: int) -> outcomes.Answer:
    """Generate one cohort and answer its primary outcome through the main path."""
    declared = dictionary()
    frame = synthetic_cohort.generate(n, generated(scenario), seed=seed)[list(declared["columns"])]
    cohort = outcomes.read_cohort(frame, declared)
    sample = outcomes.assemble(cohort, plan(float(truth_of(scenario)["margin"]), scenario))
    return outcomes.answer_question(sample, OUTCOME)
