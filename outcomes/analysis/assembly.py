"""Make the study sample: label every case, measure every outcome, apply eligibility, keep the flow."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.analysis.derived import CAST, add_derived
from outcomes.analysis.measurement import measure_outcome
from outcomes.analysis.named_columns import check_judged, check_levels, check_named_columns
from outcomes.analysis.protocol import FIRST_FILM, EligibilityRule, ReductionPlan, StrategyPlan, Study
from outcomes.analysis.sample import STRATEGY_UNCLEAR, FlowStep, StudySample
from outcomes.analysis.time_order import check_time_order
from outcomes.cohort.criteria import read_criteria
from outcomes.cohort.fixation import classify_fixation
from outcomes.cohort.reduction import grade_all, grade_reduction, share_met_bounds
from outcomes.cohort.regrouping import group_strategies
from outcomes.cohort.table import Cohort
from outcomes.errors import StudyError

ObjectArray = NDArray[np.object_]

UNCLEAR = "unclear"


def assemble(cohort: Cohort, study: Study) -> StudySample:
    """Label, measure and select the cases of a study.

    Parameters
    ----------
    cohort : Cohort
    study : Study

    Returns
    -------
    StudySample
        One row a used cohort row; nothing is dropped, cases that are not eligible carry the reason.

    Raises
    ------
    StudyError
        The plan names a column, level or film that the cohort does not have, or a covariate from after the
        strategy.
    CriteriaError
        The criteria need measurements that the cohort does not have.
    """
    data = cohort.data
    frame = data.copy()
    warnings: list[str] = []
    if "case_id" not in frame:
        frame["case_id"] = [f"row {row}" for row in frame["source_row"]]
    check_named_columns(study, cohort.dictionary.data_columns)
    check_levels(study, cohort.dictionary.columns)
    frame["cluster"] = _clusters(frame, study, warnings)
    _add_strategy(frame, cohort, study.strategy)
    warnings += check_time_order(study, cohort.dictionary.data_columns, frame["strategy_recorded"].tolist())
    frame = add_derived(frame)
    _check_pattern(frame, study.pattern)
    frame["film"] = _films(frame, study.reduction)
    bounds, side_by_side = None, pd.DataFrame()
    frame["reduction"] = ""
    if study.reduction is not None:
        side_by_side = _add_reduction(frame, cohort, study.reduction)
    excluded = _exclusions(frame, study)
    frame["excluded_because"] = excluded
    frame["eligible"] = excluded == ""
    if not frame["eligible"].any():
        raise StudyError(
            "no case is eligible; the participant flow is: "
            + "; ".join(f"{step.label} {step.n_cases}" for step in _flow(cohort, frame, study)),
            code="nobody_eligible",
        )
    if study.reduction is not None:
        share = share_met_bounds(
            frame["reduction"].to_numpy(dtype=object), where=frame["eligible"].to_numpy()
        )
        bounds = None if share.low is None or share.high is None else (share.low, share.high)
    outcomes = {plan.key: measure_outcome(cohort, frame, plan, study) for plan in study.outcomes}
    return StudySample(
        study=study, frame=frame, outcomes=outcomes, flow=_flow(cohort, frame, study), share_met_bounds=bounds,
        side_by_side=side_by_side, warnings=tuple(warnings),
    )  # fmt: skip


def _clusters(frame: pd.DataFrame, study: Study, warnings: list[str]) -> NDArray[np.int64]:
    """Return cluster codes; cases without the clustering column are clustered by patient."""
    if study.cluster not in frame:
        raise StudyError(f"clusters by {study.cluster!r}: the cohort has no such column", code="no_cluster")
    codes, levels = pd.factorize(frame[study.cluster], sort=True)
    missing = codes < 0
    codes = codes.astype(np.int64)
    if missing.any():
        own = frame["patient_id"] if "patient_id" in frame else frame["source_row"]
        codes[missing] = len(levels) + pd.factorize(own[missing])[0]
        warnings.append(
            f"{int(missing.sum())} cases without {study.cluster} are clustered by patient, apart from every {study.cluster}"
        )
    if study.cluster != "patient_id" and "patient_id" in frame:
        joined = _join_patients(codes, pd.factorize(frame["patient_id"])[0])
        n_joined = len(np.unique(codes)) - len(np.unique(joined))
        if n_joined:
            warnings.append(
                f"patients with wrists in more than one {study.cluster} join those into one cluster, so that clusters "
                f"contain patients: {n_joined} clusters fewer"
            )
        codes = joined
    return codes


def _join_patients(codes: NDArray[np.int64], patients: NDArray[np.int64]) -> NDArray[np.int64]:
    """Join clusters that share a patient, until every patient lies in one.

    Examples
    --------
    >>> _join_patients(np.array([0, 1, 1, 2]), np.array([5, 5, 6, 7])).tolist()
    [0, 0, 0, 2]
    """
    joined = codes.copy()
    while True:
        least = pd.Series(joined).groupby(patients).transform("min").to_numpy()
        least = pd.Series(least).groupby(joined).transform("min").to_numpy()
        if (least == joined).all():
            return joined
        joined = least.astype(np.int64)


def _check_pattern(frame: pd.DataFrame, pattern: str) -> None:
    """Refuse a pattern that is no column, or that is a number: support is judged within levels."""
    if not pattern:
        return
    if pattern not in frame:
        raise StudyError(
            f"pattern column {pattern!r} is not in this cohort; it has {', '.join(sorted(map(str, frame.columns)))}",
            code="no_pattern_column",
        )
    column = frame[pattern]
    numeric = pd.api.types.is_numeric_dtype(column) and not column.dropna().isin((0.0, 1.0)).all()
    if numeric or pd.api.types.is_datetime64_any_dtype(column):
        raise StudyError(
            f"pattern column {pattern!r} holds numbers or dates; name a category or a yes/no column, or leave pattern out",
            code="pattern_not_category",
        )


def _add_strategy(frame: pd.DataFrame, cohort: Cohort, plan: StrategyPlan) -> None:
    """Add recorded strategy, rule, parts and grouped strategy."""
    if plan.recorded_column:
        recorded = frame[plan.recorded_column].astype(object)
        labels = np.array(
            [UNCLEAR if value is None or value != value else str(value) for value in recorded], object
        )
        rule = np.where(labels == UNCLEAR, "nothing recorded", f"as recorded in {plan.recorded_column}")
        parts = labels.copy()
        column = next(each for each in cohort.dictionary.columns if each.name == plan.recorded_column)
        possible = [level for level, _ in column.levels]
    else:
        found = classify_fixation(cohort, None if plan.rules == "shipped" else plan.rules)
        labels, rule, parts = found.strategy, found.rule, found.parts
        possible = list(found.rules.strategies)
    members = {member for group in plan.groups.values() for member in group}
    check_judged(plan.judged, [*plan.groups, *(name for name in possible if name not in members)])
    frame["strategy_recorded"] = labels
    frame["strategy_rule"] = rule
    frame["strategy_parts"] = [part if isinstance(part, str) else ", ".join(part) for part in parts]
    frame["strategy"] = group_strategies(labels, plan.groups) if plan.groups else labels


def _films(frame: pd.DataFrame, plan: ReductionPlan | None) -> ObjectArray:
    """Return the film that defines reduction for every case.

    A table with one set of columns for the first film after the strategy, whatever the treatment, declares them so;
    otherwise a cast is judged on the post-reduction film and an operation on the postoperative one.
    """
    strategy = frame["strategy_recorded"].to_numpy(dtype=object)
    if plan is None:
        return np.full(len(strategy), "", dtype=object)
    if plan.film != FIRST_FILM:
        return np.full(len(strategy), plan.film, dtype=object)
    if any(str(name).endswith("_first_after_index") for name in frame.columns):
        return np.full(len(strategy), FIRST_FILM, dtype=object)
    return np.where(strategy == CAST, "post-reduction", "postoperative").astype(object)


def _add_reduction(frame: pd.DataFrame, cohort: Cohort, plan: ReductionPlan) -> pd.DataFrame:
    """Add labels and distances by the plan's criteria; return the share met by every set of the plan."""
    films = frame["film"].to_numpy(dtype=object)
    grades = grade_reduction(cohort, read_criteria(plan.criteria), films, reader=plan.reader)
    frame["reduction"] = grades.overall
    for name in grades.per_criterion.columns:
        frame[f"criterion: {name}"] = grades.per_criterion[name].to_numpy()
    for name in grades.distance.columns:
        frame[f"distance: {name}"] = grades.distance[name].to_numpy()
    sets = grade_all(cohort, films, (plan.criteria, *plan.also), reader=plan.reader)
    return sets.tidy()


def _exclusions(frame: pd.DataFrame, study: Study) -> ObjectArray:
    """Return why each case is not eligible, first rule first; empty for eligible cases."""
    reasons = np.full(len(frame), "", dtype=object)
    for rule in study.eligibility:
        passes, unknown = _passes(frame, rule)
        open_ = reasons == ""
        reasons[open_ & unknown] = f"{rule.column} not recorded"
        reasons[open_ & ~unknown & ~passes] = rule.reason
    unclear = (reasons == "") & (frame["strategy_recorded"].to_numpy() == UNCLEAR)
    reasons[unclear] = STRATEGY_UNCLEAR
    return reasons


def _passes(frame: pd.DataFrame, rule: EligibilityRule) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which cases pass a rule, and for which it cannot be told."""
    if rule.column not in frame:
        raise StudyError(
            f"eligibility rule on {rule.column!r}: no such column; the cohort has "
            f"{', '.join(sorted(map(str, frame.columns)))}",
            code="no_rule_column",
        )
    column = frame[rule.column]
    unknown = column.isna().to_numpy(dtype=bool)
    passes = np.ones(len(frame), dtype=bool)
    for limit, low in ((rule.at_least, True), (rule.at_most, False)):
        if limit is None:
            continue
        bound = pd.Timestamp(limit) if isinstance(limit, dt.date) else limit
        with_values = column.to_numpy()
        known = ~unknown
        try:
            inside = with_values[known] >= bound if low else with_values[known] <= bound
        except TypeError:
            raise StudyError(
                f"eligibility rule on {rule.column!r}: its limit has another type than the column",
                code="rule_type",
            ) from None
        passes[known] &= np.asarray(inside, dtype=bool)
    if rule.one_of:
        passes &= np.isin(_words(column), rule.one_of)
    return passes, unknown


def _words(column: pd.Series[Any]) -> ObjectArray:
    """Return a column as words; yes/no columns as yes and no."""
    if pd.api.types.is_numeric_dtype(column):
        return np.where(column == 1, "yes", np.where(column == 0, "no", "")).astype(object)
    return column.astype(object).fillna("").to_numpy()


def _flow(cohort: Cohort, frame: pd.DataFrame, study: Study) -> tuple[FlowStep, ...]:
    """Return the participant flow from the rows of the table to the eligible cases by label."""

    def step(label: str, rows: pd.DataFrame) -> FlowStep:
        return FlowStep(label=label, n_cases=len(rows), n_patients=rows["patient_id"].nunique())

    def left(label: str, n: int, n_patients: int) -> FlowStep:
        return FlowStep(label=label, n_cases=n, n_patients=n_patients, kind="excluded")

    set_aside = cohort.quarantine
    steps = [FlowStep(label="case rows in the table", n_cases=len(frame) + len(set_aside),
                      n_patients=frame["patient_id"].nunique())]  # fmt: skip
    for code, rows in set_aside.groupby("code", sort=True) if len(set_aside) else ():
        steps.append(left(f"row set aside: {code}", len(rows), 0))
    steps.append(step("cases read", frame))
    reasons = [rule.reason for rule in study.eligibility]
    found = frame.loc[frame["excluded_because"] != "", "excluded_because"]
    order = [reason for reason in dict.fromkeys([*reasons, *found]) if (found == reason).any()]
    for reason in order:
        rows = frame[frame["excluded_because"] == reason]
        steps.append(left(f"not eligible: {reason}", len(rows), rows["patient_id"].nunique()))
    eligible = frame[frame["eligible"]]
    steps.append(step("eligible", eligible))
    for word in ("met", "not met", "indeterminate") if study.reduction is not None else ():
        steps.append(step(f"eligible, criteria {word}", eligible[eligible["reduction"] == word]))
    return tuple(steps)
