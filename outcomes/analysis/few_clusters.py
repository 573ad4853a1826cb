"""A second interval where clusters are few: the wild cluster bootstrap beside the robust one.

It changes no state and no answer. With a handful of surgeons or hospitals no interval can be trusted; two that
rest on different arguments show how far.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.design import exposure_columns
from outcomes.analysis.estimands import Contrast, reduction_families, strategy_families, total_family
from outcomes.analysis.evidence import Evidence, label_support
from outcomes.analysis.protocol import OutcomePlan, Study
from outcomes.analysis.sample import Measured, StudySample
from outcomes.analysis.standardisation import OutcomeModel, exposure_rows, fit_outcome
from outcomes.estimates import Estimate
from outcomes.stats.regression.wild import wild_cluster_bootstrap

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def few_cluster_intervals(evidence: Evidence, sample: StudySample, plan: OutcomePlan) -> tuple[Estimate, ...]:
    """Return wild cluster bootstrap intervals of E1 and of each pair, where clusters are few.

    Parameters
    ----------
    evidence : Evidence
        Of the outcome, from :func:`outcomes.analysis.evidence.gather_evidence`.
    sample : StudySample
    plan : OutcomePlan

    Returns
    -------
    tuple of Estimate
        E1, then E2 of every pair at met (E3 when the plan does not ask about reduction), each with its own 95 %
        interval, not a simultaneous one; every method says *unreliable*. Empty when clusters reach the limit
        ``few_clusters``, when the outcome is binary (the bootstrap is that of a linear model), or when there is no
        model. The mix of cases that a contrast is averaged over is taken as fixed.

    Notes
    -----
    Cameron, Gelbach and Miller (2008) Rev Econ Stat 90:414-427; Webb (2023) Can J Econ 56:839-858.
    """
    used = evidence.usable if evidence.asked else evidence.total_usable
    model = evidence.model if evidence.asked else evidence.total_model
    if model != "linear" or n_clusters(evidence) >= evidence.limits["few_clusters"]:
        return ()
    measured = sample.outcomes[plan.key]
    rows = sample.frame["eligible"].to_numpy(dtype=bool)
    y = (measured.values if evidence.asked else measured.total_values)[rows]
    common = _fit(evidence, y, used)
    found = []
    without_number = {
        effect.estimate.contrast
        for family in evidence.effects.values()
        for effect in family
        if effect.estimate.value is None
    }
    for contrast in _contrasts(evidence, common):
        if contrast.label in without_number:
            continue
        without = _outside(evidence, contrast, used)
        fitted = _fit(evidence, y, used & ~without) if without.any() else common
        found.append(_interval(fitted, evidence, contrast, measured.unit, sample.study.seed))
    return tuple(found)


def few_cluster_reasons(evidence: Evidence, measured: Measured, study: Study) -> tuple[str, ...]:
    """Say that clusters are few, and what stands beside the intervals for that reason."""
    g, limit = n_clusters(evidence), evidence.limits["few_clusters"]
    if g >= limit or (evidence.model if evidence.asked else evidence.total_model) == "none":
        return ()
    level = {"patient_id": "patients"}.get(study.cluster, f"{study.cluster}s")
    beside = (
        "wild cluster bootstrap intervals stand beside them"
        if measured.kind == "continuous"
        else "for risks there is no wild cluster bootstrap to set beside them"
    )
    return (f"only {g} {level} as clusters, fewer than {limit:g}: intervals are unreliable; {beside}",)


def n_clusters(evidence: Evidence) -> int:
    """Return the clusters among the cases of the model that the answer reads."""
    used = evidence.usable if evidence.asked else evidence.total_usable
    return len(np.unique(evidence.cases.cluster[used]))


def _fit(evidence: Evidence, y: FloatArray, rows: BoolArray) -> OutcomeModel:
    """Fit the model of the answer to some of its cases."""
    met = evidence.cases.met[rows] if evidence.asked else None
    least = int(evidence.limits["judged_not_met_min"])
    return fit_outcome(
        evidence.cases, y, rows, exposure_columns(evidence.cases.strategy[rows], met, least=least)
    )


def _contrasts(evidence: Evidence, model: OutcomeModel) -> Sequence[Contrast]:
    """Return the contrasts of the headline: E1 and E2 at met, or E3."""
    judged, comparable, cases = evidence.judged, evidence.comparable, evidence.cases
    if not evidence.asked:
        return total_family(judged, comparable).contrasts
    supported = label_support(evidence.pattern, cases.met, evidence.usable)
    families = (
        *reduction_families(model.columns, cases.strategy, supported, judged),
        *strategy_families(judged, comparable, with_interaction=False),
    )
    return [each for family in families if family.name in ("E1", "E2") for each in family.contrasts]


def _outside(evidence: Evidence, contrast: Contrast, used: BoolArray) -> BoolArray:
    """Return the users of a pair in patterns outside its comparable set: the pair's own fit leaves them out."""
    if len(contrast.groups) != 2:
        return np.zeros(len(used), dtype=bool)
    first, second = contrast.groups
    inside = evidence.comparable[first, second].cases
    return np.isin(evidence.cases.strategy, contrast.groups) & ~inside & used


def _interval(model: OutcomeModel, evidence: Evidence, contrast: Contrast, unit: str, seed: int) -> Estimate:
    """Return the wild bootstrap estimate of one contrast."""
    row = np.zeros(len(model.fit.names))
    per_case = exposure_rows(model.columns, evidence.cases.strategy[contrast.target], contrast)
    row[: len(model.columns.names)] = per_case.mean(axis=0)
    n = int((contrast.target & model.used).sum())
    estimate = wild_cluster_bootstrap(
        model.fit,
        row,
        seed=seed,
        label=contrast.label,
        unit=unit,
        n=n,
        n_missing=int(contrast.target.sum()) - n,
    ).estimate
    if "unreliable" in estimate.method:
        return estimate
    return replace(estimate, method=f"{estimate.method}; unreliable: {model.fit.n_clusters} clusters")
