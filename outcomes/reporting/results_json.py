"""Every number of a run, unrounded, for programs: ``results.json``."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.analysis.answer import Answer, Effect
from outcomes.analysis.run import Analysis
from outcomes.estimates import Estimate, Margin
from outcomes.reporting.manifest import json_bytes

FORMAT = "outcomes results 1"


def results_content(analysis: Analysis) -> dict[str, Any]:
    """Return everything computed as plain numbers, words, lists and dictionaries.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict
        Keys ``format, ledger, flow, tags, comparisons, answers, sensitivity, warnings`` and what describes the
        sample; no NaN, no date, no machine, so that the same input gives the same content.
    """
    sample = analysis.sample
    return {
        "format": FORMAT,
        "title": sample.study.title,
        "plan": {
            "declared": sample.study.declared.isoformat(),
            "sha256": sample.study.plan_hash,
            "seed": sample.study.seed,
        },
        "ledger": ledger_content(analysis),
        "flow": [
            {"label": step.label, "kind": step.kind, "n_cases": step.n_cases, "n_patients": step.n_patients}
            for step in sample.flow
        ],
        "tags": _tags(analysis),
        "baseline": [
            {"by": table.by, "rows": plain(table.tidy())}
            for table in (analysis.baseline_by_strategy, analysis.baseline_by_reduction)
            if table is not None
        ],
        "overlap": [] if analysis.overlap is None else plain(analysis.overlap.tidy()),
        "comparisons": [{"outcome": each.key, "rows": plain(each.tidy())} for each in analysis.comparisons],
        "answers": [answer_content(answer) for answer in analysis.answers],
        "sensitivity": [],
        "warnings": list(dict.fromkeys((*sample.warnings, *analysis.warnings))),
    }


def results_bytes(analysis: Analysis) -> bytes:
    """Return ``results.json``: sorted keys, no NaN, byte-identical for the same input."""
    return json_bytes(results_content(analysis))


def ledger_content(analysis: Analysis) -> dict[str, Any]:
    """Return rows read, used and set aside by reason code, and what became of the cells of every column."""
    ledger = analysis.cohort.ledger
    lines = ledger.tidy()
    return {
        "balanced": bool(ledger.balanced),
        "rows": {"read": ledger.physical_rows, **plain(ledger.rows)},
        "cells": plain(lines[lines["what"] != "rows"]),
    }


def _tags(analysis: Analysis) -> dict[str, Any]:
    """Count labels among the eligible cases."""
    eligible = analysis.sample.eligible
    bounds = analysis.sample.share_met_bounds
    pairs = list(zip(eligible["strategy"].astype(str), eligible["reduction"].astype(str), strict=True))
    return {
        "strategy": _counts(eligible["strategy"]),
        "strategy_rule": _counts(eligible["strategy_rule"]),
        "reduction": _counts(eligible["reduction"]),
        "strategy_by_reduction": [
            {"strategy": strategy, "reduction": reduction, "n": n}
            for (strategy, reduction), n in sorted(Counter(pairs).items())
        ],
        "share_met_bounds": None if bounds is None else list(bounds),
        "criteria_side_by_side": plain(analysis.sample.side_by_side),
    }


def _counts(labels: pd.Series[Any]) -> dict[str, int]:
    return {label: n for label, n in sorted(Counter(labels.astype(str)).items()) if label}


def answer_content(answer: Answer) -> dict[str, Any]:
    """Return one answer in the published structure."""
    reduction = None
    if answer.reduction is not None:
        reduction = {
            **effect_content(answer.reduction),
            "state": answer.reduction.state,
            "axis": answer.reduction_state,
            "by_strategy": [effect_content(effect) for effect in answer.reduction_by_strategy],
        }
    return {
        "outcome": answer.outcome,
        "label": answer.label,
        "unit": answer.unit,
        "role": answer.role,
        "margin": None if answer.margin is None else margin_content(answer.margin),
        "population": answer.population,
        "n": {
            "eligible": answer.n_eligible,
            "used": answer.n_used,
            "outcome_missing": answer.n_outcome_missing,
            "indeterminate": answer.n_indeterminate,
            "covariate_missing": answer.n_covariate_missing,
        },
        "reduction": reduction,
        "strategy": {
            "pairs": [effect_content(effect) for effect in answer.pairs],
            "pairs_not_met": [effect_content(effect) for effect in answer.pairs_not_met],
            "judged": list(answer.judged),
            "not_judged": list(answer.not_judged),
            "state": answer.strategy_state,
        },
        "total": {
            "pairs": [effect_content(effect) for effect in answer.total_pairs],
            "state": answer.total_state,
        },
        "interaction": {
            "pairs": [effect_content(effect) for effect in answer.interaction],
            "state": _family_state(answer.interaction),
        },
        "share_met": {name: estimate_content(share) for name, share in answer.share_met.items()},
        "counted_met": {
            name: {
                "n_met": share.n_met,
                "n_not_met": share.n_not_met,
                "n_indeterminate": share.n_indeterminate,
                "low": finite(share.low),
                "high": finite(share.high),
            }
            for name, share in answer.counted_met.items()
        },
        "shares": None,
        "overall": answer.overall,
        "headline": answer.headline,
        "pathway": answer.pathway,
        "robustness": None,
        "gates": [
            {
                "axis": g.axis,
                "name": g.name,
                "found": finite(g.found),
                "limit": finite(g.limit),
                "remedy": g.remedy,
            }
            for g in answer.gates
        ],
        "unsettled": [
            {
                "contrast": u.contrast,
                "half_width": finite(u.half_width),
                "needed": finite(u.needed),
                "settles_as": u.settles_as,
                "n": u.n,
                "n_needed": u.n_needed,
            }
            for u in answer.unsettled
        ],
        "few_clusters": [estimate_content(estimate) for estimate in answer.few_clusters],
        "outside": [
            {"groups": list(o.groups), "pattern": o.pattern, "n": o.n_cases, "why": o.why}
            for o in answer.outside
        ],
        "by_margin": [{**margin_content(at.margin), "overall": at.overall} for at in answer.by_margin],
        "reversed": answer.reversed,
        "model": answer.model,
        "reasons": list(answer.reasons),
    }


def _family_state(effects: tuple[Effect, ...]) -> str:
    """Return the state of a family of pairs: does not count only when every pair is settled that way."""
    states = {effect.state for effect in effects}
    if states & {"material", "present"}:
        return "counts"
    if states and states <= {"trivial", "absent"}:
        return "does not count"
    return "undetermined"


def effect_content(effect: Effect) -> dict[str, Any]:
    """Return an effect with both intervals."""
    return {
        "estimand": effect.estimand,
        "groups": list(effect.groups),
        "at": effect.at,
        **estimate_content(effect.estimate),
        "conf_low_90": effect.ordinary.conf_low,
        "conf_high_90": effect.ordinary.conf_high,
        "state": effect.state,
        "direction": effect.direction,
        "population": effect.population,
    }


def estimate_content(estimate: Estimate) -> dict[str, Any]:
    """Return an estimate with its interval, n, unit and method."""
    return {
        "estimate": estimate.value,
        "conf_low": estimate.conf_low,
        "conf_high": estimate.conf_high,
        "level": estimate.level,
        "std_error": estimate.std_error,
        "df": finite(estimate.df),
        "p_value": estimate.p_value,
        "unit": estimate.unit,
        "n": estimate.n,
        "n_missing": estimate.n_missing,
        "method": estimate.method,
        "reason": estimate.reason,
    }


def margin_content(margin: Margin) -> dict[str, Any]:
    """Return a margin with its source and its warning."""
    return {
        "value": margin.value,
        "unit": margin.unit,
        "source": margin.source,
        "kind": margin.kind,
        "seen": margin.seen,
        "warning": margin.warning,
    }


def finite(value: float | None) -> float | None:
    """Return a number, or None where it is absent, NaN or infinite.

    Examples
    --------
    >>> finite(float("inf")), finite(2.5)
    (None, 2.5)
    """
    return float(value) if value is not None and math.isfinite(value) else None


def plain(value: Any) -> Any:
    """Return a frame, mapping, sequence or scalar in what JSON has, without NaN."""
    if isinstance(value, pd.DataFrame):
        columns = [str(column) for column in value.columns]
        rows = value.itertuples(index=False, name=None)
        return [{name: plain(cell) for name, cell in zip(columns, row, strict=True)} for row in rows]
    if isinstance(value, Mapping):
        return {str(key): plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(each) for each in (sorted(value) if isinstance(value, set | frozenset) else value)]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return finite(float(value))
    if isinstance(value, dt.datetime | dt.date):
        return None if pd.isna(value) else value.strftime("%Y-%m-%d")
    return None if value is None or value is pd.NA else str(value)
