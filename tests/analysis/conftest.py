"""A small hand-made study sample, for tests of what analyses say about a sample."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.protocol import OutcomePlan, ReductionPlan, StrategyPlan, Study
from outcomes.analysis.sample import Measured, StudySample

MakeSample = Callable[..., StudySample]


def hand_made_sample(
    strategy: Sequence[str],
    *,
    outcome: Sequence[float],
    reduction: Sequence[str] | None = None,
    kind: str = "continuous",
    total: Sequence[float] | None = None,
    patient: Sequence[str] | None = None,
    eligible: Sequence[bool] | None = None,
    judged: tuple[str, ...] | None = None,
    covariates: tuple[str, ...] = (),
    pattern: str = "",
    columns: Mapping[str, object] | None = None,
    limits: Mapping[str, float] | None = None,
) -> StudySample:
    """Return a sample as `assemble` would make it, from plain lists."""
    n = len(strategy)
    patients = list(patient) if patient is not None else [f"patient {i + 1}" for i in range(n)]
    frame = pd.DataFrame(
        {
            "case_id": [f"case {i + 1}" for i in range(n)],
            "patient_id": patients,
            "cluster": pd.factorize(np.array(patients, dtype=object))[0],
            "eligible": list(eligible) if eligible is not None else [True] * n,
            "strategy": pd.array(list(strategy), dtype=object),
            "reduction": pd.array(list(reduction) if reduction is not None else [""] * n, dtype=object),
            **dict(columns or {}),
        }
    )
    plan = OutcomePlan(name="result", better="higher" if kind == "continuous" else "lower", role="primary")
    study = Study(
        title="hand-made",
        declared=dt.date(2026, 1, 1),
        strategy=StrategyPlan(judged=judged or tuple(dict.fromkeys(strategy))),
        outcomes=(plan,),
        reduction=None if reduction is None else ReductionPlan(criteria="common_practice"),
        covariates=covariates,
        pattern=pattern,
        limits=dict(limits or {}),
    )
    values = np.asarray(outcome, dtype=np.float64)
    measured = Measured(
        key="result",
        label="result",
        unit="kg" if kind == "continuous" else "percentage points",
        kind="continuous" if kind == "continuous" else "binary",
        values=values,
        total_values=values if total is None else np.asarray(total, dtype=np.float64),
    )
    return StudySample(
        study=study,
        frame=frame,
        outcomes={"result": measured},
        flow=(),
        share_met_bounds=None,
        side_by_side=pd.DataFrame(),
    )


@pytest.fixture
def make_sample() -> MakeSample:
    """Return the maker of small samples."""
    return hand_made_sample
