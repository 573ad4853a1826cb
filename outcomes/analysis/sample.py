"""From cohort and plan to the study sample: who is in, under which label, with which outcomes.

This is the one place where cohort rows become analysis rows; every row that leaves does so in the
participant flow with a reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.analysis.protocol import Study

FloatArray = NDArray[np.float64]

#: Reason in the participant flow of a case whose strategy the rules could not settle.
STRATEGY_UNCLEAR = "strategy unclear"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowStep:
    """One line of the participant flow.

    Attributes
    ----------
    label : str
        What is counted, e.g. ``"rows in the table"``, ``"excluded: open injury"``, ``"eligible"``.
    n_cases, n_patients : int
        Fractured wrists and patients.
    kind : {"count", "excluded"}
    """

    label: str
    n_cases: int
    n_patients: int
    kind: Literal["count", "excluded"] = "count"


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One outcome measured on every case of the cohort.

    Attributes
    ----------
    key, label, unit : str
        Identifier, words and unit (``"percentage points"`` for risks).
    kind : {"continuous", "binary"}
    values : ndarray of float, shape (n_cases,)
        NaN where missing; 0/1 for binary.
    total_values : ndarray of float, shape (n_cases,)
        What E3 uses: for complications with reduction-linked events kept in; otherwise equal to `values`.
    notes : tuple of str
        Rules applied and counts of values lost, with reasons.
    unplaced : float
        For complications: share of the cases with any event whose event has no known kind or date, so that the case
        is missing. Such cases are missing because they had an event.
    adjust_for : mapping of name to ndarray of float, shape (n_cases,)
        Covariates that belong to the measure itself: grip in kg is adjusted for the other hand's grip and for
        whether the dominant hand is the injured one.
    """

    key: str
    label: str
    unit: str
    kind: Literal["continuous", "binary"]
    values: FloatArray
    total_values: FloatArray
    notes: tuple[str, ...] = ()
    unplaced: float = 0.0
    adjust_for: Mapping[str, FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudySample:
    """The labelled cases of one study.

    Attributes
    ----------
    study : Study
    frame : DataFrame, one row a used cohort case
        ``case_id, patient_id, cluster, source_sheet, source_row, eligible, excluded_because,
        strategy_recorded, strategy_rule, strategy_parts, strategy, reduction, film``, one ``criterion: ...``
        and one ``distance: ...`` column per criterion (metric distance to the limit, positive inside), and
        every cohort column named by the plan.
        `strategy` is the grouped strategy (object), `reduction` is ``"met"``, ``"not met"``,
        ``"indeterminate"`` or
        ``""`` when not asked.
    outcomes : mapping of key to Measured
        Arrays aligned with `frame`.
    flow : tuple of FlowStep
    share_met_bounds : tuple of float or None
        Share met among eligible cases if every indeterminate label were *not met* / *met*.
    side_by_side : DataFrame
        Share met by the criteria sets of the plan, one row a set; empty when not asked.
    warnings : tuple of str
    """

    study: Study
    frame: pd.DataFrame
    outcomes: Mapping[str, Measured]
    flow: tuple[FlowStep, ...]
    share_met_bounds: tuple[float, float] | None
    side_by_side: pd.DataFrame
    warnings: tuple[str, ...] = ()

    @property
    def eligible(self) -> pd.DataFrame:
        """Rows of the eligible cases."""
        return self.frame[self.frame["eligible"]]

    def __repr__(self) -> str:
        """Return shape only, never rows."""
        return f"StudySample({len(self.frame)} cases, {int(self.frame['eligible'].sum())} eligible)"
