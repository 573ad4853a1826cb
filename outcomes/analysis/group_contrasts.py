"""One outcome in one group, and two groups against each other, without adjustment."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.analysis.overlap import patient_codes, strategies_seen
from outcomes.analysis.sample import Measured, StudySample
from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.ranks import hodges_lehmann
from outcomes.stats.numerics.moments import moments
from outcomes.stats.proportions.risks import (
    chi_squared,
    fisher_exact,
    odds_ratio,
    risk_difference,
    risk_ratio,
    wilson,
)
from outcomes.stats.regression.linear import fit_linear, linear_contrast

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
ObjectArray = NDArray[np.object_]

Axis = Literal["strategy", "reduction"]

#: Labels between which reduction is compared; an indeterminate label is described and never compared.
REDUCTION = ("met", "not met")
PERCENTAGE_POINTS: Literal["percentage points"] = "percentage points"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeCases:
    """The eligible cases of one outcome as arrays of equal length.

    Attributes
    ----------
    kind, unit
        Of the outcome.
    values, total_values : ndarray of float, shape (n,)
        NaN where missing. Comparisons that know the reduction use the first, crude totals the second.
    strategy : ndarray of int, shape (n,)
        Position in `strategies`.
    strategies, planned : tuple of str
        All strategies seen, planned ones first; and those the plan wants judged.
    reduction : ndarray of str, shape (n,)
    asked : bool
        Whether the plan asks about reduction.
    patients, clusters : ndarray of int, shape (n,)
        Patient, and cluster by the plan (the patient unless it says otherwise).
    cluster_name : str
        What the clusters are, in words.
    n_two_wrists, n_shared : int
        Patients, and clusters, with more than one eligible case.
    """

    kind: Literal["continuous", "binary"]
    unit: str
    values: FloatArray
    total_values: FloatArray
    strategy: IntArray
    strategies: tuple[str, ...]
    planned: tuple[str, ...]
    reduction: ObjectArray
    asked: bool
    patients: IntArray
    clusters: IntArray
    cluster_name: str
    n_two_wrists: int
    n_shared: int

    @property
    def clustered(self) -> bool:
        """Whether some cluster holds more than one eligible case."""
        return self.n_shared > 0

    def users(self, strategy: str) -> BoolArray:
        """Return which cases were treated by a strategy."""
        return np.asarray(self.strategy == self.strategies.index(strategy))


def outcome_cases(sample: StudySample, measured: Measured) -> OutcomeCases:
    """Gather what comparisons of one outcome need.

    Parameters
    ----------
    sample : StudySample
    measured : Measured
        One of its outcomes.

    Returns
    -------
    OutcomeCases
        The eligible cases, in the order of the frame.
    """
    eligible = sample.frame["eligible"].to_numpy(dtype=bool)
    names, strategy = strategies_seen(sample)
    patients = patient_codes(sample)
    clusters = pd.factorize(sample.frame["cluster"].to_numpy()[eligible])[0]
    return OutcomeCases(
        kind=measured.kind,
        unit=measured.unit,
        values=measured.values[eligible],
        total_values=measured.total_values[eligible],
        strategy=strategy,
        strategies=names,
        planned=sample.study.strategy.judged,
        reduction=sample.frame["reduction"].to_numpy(dtype=object)[eligible],
        asked=sample.study.reduction is not None,
        patients=patients,
        clusters=clusters,
        cluster_name=sample.study.cluster.removesuffix("_id"),
        n_two_wrists=int((np.bincount(patients) > 1).sum()),
        n_shared=int((np.bincount(clusters) > 1).sum()),
    )


def one_cluster(cases: OutcomeCases, rows: BoolArray) -> bool:
    """Return whether these cases (at least one) all share a cluster, which leaves no errors to estimate."""
    clusters = cases.clusters[rows]
    return bool(clusters.min() == clusters.max())


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeSummary:
    """One outcome in one group of cases.

    Attributes
    ----------
    strategy, reduction : str
        The group; empty stands for all.
    n, n_missing : int
        Cases with the outcome and without it.
    n_patients : int
        Patients among the cases with the outcome.
    mean, sd, median, q1, q3 : float or None
        Of a continuous outcome, in its unit; quartiles interpolate linearly between order statistics.
    events : int or None
        Of a binary outcome.
    risk : Estimate or None
        Of a binary outcome: percent with Wilson's interval, which takes cases as independent.
    """

    strategy: str
    reduction: str
    n: int
    n_missing: int
    n_patients: int
    mean: float | None = None
    sd: float | None = None
    median: float | None = None
    q1: float | None = None
    q3: float | None = None
    events: int | None = None
    risk: Estimate | None = None


def summarise(
    cases: OutcomeCases, rows: BoolArray, *, strategy: str, reduction: str, total: bool
) -> OutcomeSummary:
    """Describe one outcome in some cases.

    Parameters
    ----------
    cases : OutcomeCases
    rows : ndarray of bool, shape (n,)
        The cases.
    strategy, reduction : str
        Names of the group; empty stands for all.
    total : bool
        Use `total_values`.

    Returns
    -------
    OutcomeSummary

    Examples
    --------
    >>> y = np.array([20.0, 30, np.nan, 22, 24, 26])
    >>> cases = OutcomeCases(
    ...     kind="continuous", unit="kg", values=y, total_values=y,
    ...     strategy=np.array([0, 0, 0, 1, 1, 1]), strategies=("plate", "pins"), planned=("plate", "pins"),
    ...     reduction=np.array(["met"] * 6, object), asked=True, patients=np.arange(6),
    ...     clusters=np.arange(6), cluster_name="patient", n_two_wrists=0, n_shared=0)
    >>> found = summarise(cases, cases.users("plate"), strategy="plate", reduction="", total=False)
    >>> found.n, found.n_missing, found.mean, found.median
    (2, 1, 25.0, 25.0)
    """
    values = (cases.total_values if total else cases.values)[rows]
    known = ~np.isnan(values)
    present = values[known]
    n_patients = int(np.count_nonzero(np.bincount(cases.patients[rows][known])))
    n, n_missing = int(known.sum()), int((~known).sum())
    if cases.kind == "binary":
        events = int(present.sum())
        name = ", ".join(word for word in (strategy, reduction) if word) or "all"
        risk = replace(wilson(events, n, contrast=name, unit="percent"), n_missing=n_missing)
        return OutcomeSummary(
            strategy=strategy, reduction=reduction, n=n, n_missing=n_missing, n_patients=n_patients,
            events=events, risk=risk,
        )  # fmt: skip
    found = moments(present)
    q1, median, q3 = np.quantile(present, (0.25, 0.5, 0.75)).tolist() if n else (None, None, None)
    return OutcomeSummary(
        strategy=strategy, reduction=reduction, n=n, n_missing=n_missing, n_patients=n_patients,
        mean=found.mean, sd=None if found.variance is None else math.sqrt(found.variance), median=median,
        q1=q1, q3=q3,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """Two groups of cases against each other on one outcome, without adjustment.

    Attributes
    ----------
    axis : {"strategy", "reduction"}
        What differs between the groups.
    groups : tuple of str
        First minus second.
    within : str
        What both share: a reduction label when strategies are compared, a strategy when reduction is; empty
        for crude totals.
    estimate : Estimate
        The reported difference: of means in the outcome's unit, of risks in percentage points. Its `p_value`
        is the one of `test`.
    beside : tuple of Estimate
        Other methods for the same groups: Welch beside a clustered difference, Hodges-Lehmann; Newcombe
        beside a clustered difference, risk ratio, odds ratio.
    test : str
        Test behind the p-value of `estimate`.
    p_holm : float or None
        Adjusted within the declared family; None outside the family. Descriptive, never part of an answer.
    p_exact : float or None
        Fisher's exact p of a binary outcome (cases taken as independent).
    sparse : bool
        An expected count of the two-by-two table is below 5: the exact test is then the reported one.
    """

    axis: Axis
    groups: tuple[str, str]
    within: str
    estimate: Estimate
    beside: tuple[Estimate, ...]
    test: str
    p_holm: float | None = None
    p_exact: float | None = None
    sparse: bool = False


def contrast_groups(
    cases: OutcomeCases,
    first: BoolArray,
    second: BoolArray,
    *,
    axis: Axis,
    groups: tuple[str, str],
    within: str,
    total: bool = False,
) -> Contrast:
    """Compare the outcome of two sets of cases.

    Parameters
    ----------
    cases : OutcomeCases
    first, second : ndarray of bool, shape (n,)
        The two sets, which share no case.
    axis, groups, within
        See :class:`Contrast`.
    total : bool
        Use `total_values`.

    Returns
    -------
    Contrast
        With the methods that :func:`outcomes.analysis.comparison.compare` names.

    Examples
    --------
    >>> y = np.array([20.0, 30, 25, 22, 24, 26])
    >>> cases = OutcomeCases(
    ...     kind="continuous", unit="kg", values=y, total_values=y,
    ...     strategy=np.array([0, 0, 0, 1, 1, 1]), strategies=("plate", "pins"), planned=("plate", "pins"),
    ...     reduction=np.array(["met"] * 6, object), asked=True, patients=np.arange(6),
    ...     clusters=np.arange(6), cluster_name="patient", n_two_wrists=0, n_shared=0)
    >>> found = contrast_groups(cases, cases.users("plate"), cases.users("pins"), axis="strategy",
    ...                         groups=("plate", "pins"), within="met")
    >>> print(found.estimate)
    plate minus pins: 1 kg (95 % CI -9.747 to 11.75; n = 6; Welch t)
    """
    values = cases.total_values if total else cases.values
    rows = first | second
    known = rows & ~np.isnan(values)
    n_missing = int(rows.sum() - known.sum())
    a, b = values[first & known], values[second & known]
    clustered = None
    if cases.clustered:
        scale = 100.0 if cases.kind == "binary" else 1.0
        clustered = _clustered(values[known] * scale, first[known], cases.clusters[known], groups, cases.unit)
    make = _binary if cases.kind == "binary" else _continuous
    made = make(a, b, groups, cases.unit, clustered)
    return replace(
        made, axis=axis, within=within, estimate=replace(made.estimate, n_missing=n_missing),
        beside=tuple(replace(estimate, n_missing=n_missing) for estimate in made.beside),
    )  # fmt: skip


def _continuous(
    a: FloatArray, b: FloatArray, groups: tuple[str, str], unit: str, clustered: Estimate | None
) -> Contrast:
    """Compare means: clustered if given, Welch; Hodges-Lehmann beside."""
    name = f"{groups[0]} minus {groups[1]}"
    welch = mean_difference(a, b, contrast=name, unit=unit)
    shift = hodges_lehmann(a, b, contrast=name, unit=unit)
    reported, beside = (welch, (shift,)) if clustered is None else (clustered, (welch, shift))
    return Contrast(
        axis="strategy", groups=groups, within="", estimate=reported, beside=beside, test=reported.method
    )


def _binary(
    a: FloatArray, b: FloatArray, groups: tuple[str, str], unit: str, clustered: Estimate | None
) -> Contrast:
    """Compare risks: Newcombe, or the clustered difference where the table is not sparse; ratios beside."""
    e1, n1, e0, n0 = int(a.sum()), a.size, int(b.sum()), b.size
    difference, ratio = f"{groups[0]} minus {groups[1]}", f"{groups[0]} over {groups[1]}"
    newcombe = risk_difference(e1, n1, e0, n0, contrast=difference, unit=PERCENTAGE_POINTS)
    ratios = (risk_ratio(e1, n1, e0, n0, contrast=ratio), odds_ratio(e1, n1, e0, n0, contrast=ratio))
    exact = fisher_exact(e1, n1, e0, n0, contrast=ratio)
    pearson = chi_squared([[e1, n1 - e1], [e0, n0 - e0]])
    sparse = pearson.smallest_expected is None or pearson.smallest_expected < 5
    test, p = (exact.method, exact.p_value) if sparse else (pearson.method, pearson.p_value)
    reported, other = newcombe, clustered
    if clustered is not None and not sparse:
        reported, other = clustered, newcombe
        test, p = clustered.method, clustered.p_value
    return Contrast(
        axis="strategy", groups=groups, within="", estimate=replace(reported, p_value=p),
        beside=ratios if other is None else (other, *ratios), test=test, p_exact=exact.p_value, sparse=sparse,
    )  # fmt: skip


def _clustered(
    outcome: FloatArray, first: BoolArray, clusters: IntArray, groups: tuple[str, str], unit: str
) -> Estimate:
    """Return the difference of means with cluster-robust errors."""
    name = f"{groups[0]} minus {groups[1]}"
    method = "linear regression, CR2 cluster-robust"
    n = int(outcome.size)
    sizes = int(first.sum()), int((~first).sum())
    if min(sizes) < 2:
        reason = f"n too small: {sizes[0]} and {sizes[1]} values, at least 2 in each group are needed"
        return Estimate.not_estimable(reason, contrast=name, unit=unit, n=n, method=method)
    design = np.column_stack([np.ones(n), first])
    try:
        fit = fit_linear(design, outcome, names=("mean", "difference"), clusters=clusters)
    except EstimationError as problem:  # fewer than two clusters: kept as the reason
        return Estimate.not_estimable(str(problem), contrast=name, unit=unit, n=n, method=method)
    return linear_contrast(fit, [[0.0, 1.0]], labels=[name], unit=unit)[0]
