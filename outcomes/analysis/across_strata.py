"""The same comparison made in several strata: pooled over them, and whether it is the same in all.

Reduction is compared across strategies, and strategies across reduction. Binary outcomes are pooled by
Mantel-Haenszel; continuous ones by a linear model with a mean for each stratum, in which the interaction
says whether the difference is the same everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from outcomes.analysis.group_contrasts import (
    PERCENTAGE_POINTS,
    REDUCTION,
    Axis,
    BoolArray,
    FloatArray,
    OutcomeCases,
    one_cluster,
)
from outcomes.analysis.joint_tests import JointTest, no_joint_test, of_strata, of_wald
from outcomes.estimates import Estimate
from outcomes.stats.proportions.strata import MantelHaenszel, mantel_haenszel
from outcomes.stats.regression.linear import LinearFit, fit_linear, linear_contrast


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """One comparison pooled over strata.

    Attributes
    ----------
    axis : {"strategy", "reduction"}
        What is compared.
    groups : tuple of str
        First minus second.
    strata : tuple of str
        Strata that have cases of both groups with the outcome.
    estimate : Estimate
        Pooled difference: of means in the outcome's unit, of risks in percentage points.
    beside : tuple of Estimate
        Pooled risk ratio and odds ratio of a binary outcome, and before them the risk difference of a linear
        model with cluster-robust errors when a cluster holds several cases.
    test : JointTest
        Cochran-Mantel-Haenszel test of a binary outcome; the pooled t, as F, of a continuous one.
    homogeneity : JointTest
        Whether the difference (the odds ratio of a binary outcome) is the same in every stratum; when reduction
        is compared, over planned strategies only, so that a stratum of a few cases cannot carry it.
    """

    axis: Axis
    groups: tuple[str, str]
    strata: tuple[str, ...]
    estimate: Estimate
    beside: tuple[Estimate, ...]
    test: JointTest
    homogeneity: JointTest


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoWay:
    """Linear model of a continuous outcome on strategy, reduction and their product.

    Attributes
    ----------
    strategies : tuple of str
        Strategies in the model: planned ones with at least two cases with the outcome at each of met and not
        met.
    left_out : tuple of str
        Strategies seen that are not planned, or too thin on one side.
    interaction : JointTest
        With robust errors, by cluster when a cluster (a patient) has several eligible cases.
    classical : JointTest
        The same with one common variance and independent cases.
    pairs : tuple of Estimate
        Difference in the reduction effect between two planned strategies, first minus second.
    residual_sd : float or None
        In the unit of the outcome.
    """

    strategies: tuple[str, ...]
    left_out: tuple[str, ...]
    interaction: JointTest
    classical: JointTest
    pairs: tuple[Estimate, ...]
    residual_sd: float | None


def pool(
    cases: OutcomeCases,
    first: BoolArray,
    second: BoolArray,
    strata: Sequence[tuple[str, BoolArray]],
    *,
    axis: Axis,
    groups: tuple[str, str],
) -> Pooled:
    """Pool the comparison of two sets of cases over strata.

    Parameters
    ----------
    cases : OutcomeCases
    first, second : ndarray of bool, shape (n,)
    strata : sequence of (name, ndarray of bool)
        Sets that share no case.
    axis, groups
        See :class:`Pooled`.

    Returns
    -------
    Pooled
        Mantel-Haenszel for a binary outcome (cases as independent); for a continuous one the coefficient of a
        linear model with a mean for each stratum, robust errors.

    References
    ----------
    Mantel N, Haenszel W. J Natl Cancer Inst 1959; 22: 719-748. Tarone RE. Biometrika 1985; 72: 91-95. Bell
    RM, McCaffrey DF. Survey Methodology 2002; 28: 169-181.

    Examples
    --------
    Differences of 4 at met and 2 at not met, weighted n1 n0 / n = 1/2 and 1:

    >>> y = np.array([20.0, 30, 34, 16, 30, 30])
    >>> cases = OutcomeCases(
    ...     kind="continuous", unit="kg", values=y, total_values=y,
    ...     strategy=np.array([0, 0, 0, 1, 1, 1]), strategies=("plate", "pins"), planned=("plate", "pins"),
    ...     reduction=np.array(["met", "not met", "not met"] * 2, object), asked=True, patients=np.arange(6),
    ...     clusters=np.arange(6), cluster_name="patient", n_two_wrists=0, n_shared=0)
    >>> strata = [(label, cases.reduction == label) for label in ("met", "not met")]
    >>> found = pool(cases, cases.users("plate"), cases.users("pins"), strata, axis="strategy",
    ...              groups=("plate", "pins"))
    >>> round(found.estimate.value, 10), round((4 / 2 + 2 * 1) / (1 / 2 + 1), 10)
    (2.6666666667, 2.6666666667)
    """
    known = ~np.isnan(cases.values)
    inside = np.any([rows for _, rows in strata], axis=0) & (first | second)
    n_missing = int((inside & ~known).sum())
    used = [(name, rows & known) for name, rows in strata if (rows & known & first).any()]
    used = [(name, rows) for name, rows in used if (rows & second).any()]
    pooled = _pool_binary if cases.kind == "binary" else _pool_continuous
    return pooled(cases, first, second, used, axis, groups, n_missing)


def _compared(
    cases: OutcomeCases, strata: Sequence[tuple[str, BoolArray]], axis: Axis
) -> list[tuple[str, BoolArray]]:
    """Return the strata among which a difference is asked to be the same."""
    return [(name, rows) for name, rows in strata if axis == "strategy" or name in cases.planned]


def _mantel_haenszel(
    cases: OutcomeCases,
    first: BoolArray,
    second: BoolArray,
    strata: Sequence[tuple[str, BoolArray]],
    groups: tuple[str, str],
) -> MantelHaenszel:
    """Pool the two-by-two tables of some strata."""
    event = cases.values == 1
    tables = [
        [[int((rows & g & event).sum()), int((rows & g & ~event).sum())] for g in (first, second)]
        for _, rows in strata
    ]
    return mantel_haenszel(
        tables or np.zeros((1, 2, 2)),  # an empty stratum: every measure says why it is not estimable
        ratio_contrast=f"{groups[0]} over {groups[1]}",
        difference_contrast=f"{groups[0]} minus {groups[1]}",
    )


def _pool_binary(
    cases: OutcomeCases,
    first: BoolArray,
    second: BoolArray,
    strata: Sequence[tuple[str, BoolArray]],
    axis: Axis,
    groups: tuple[str, str],
    n_missing: int,
) -> Pooled:
    """Pool two-by-two tables by Mantel-Haenszel."""
    found = _mantel_haenszel(cases, first, second, strata, groups)
    compared = _mantel_haenszel(cases, first, second, _compared(cases, strata, axis), groups)
    difference = _in_percentage_points(replace(found.risk_difference, n_missing=n_missing))
    beside = [replace(e, n_missing=n_missing) for e in (found.risk_ratio, found.odds_ratio)]
    if cases.clustered:
        clustered, _ = _additive(cases, first, second, strata, groups, n_missing)
        beside.insert(0, _in_percentage_points(clustered))
    question = f"{groups[0]} and {groups[1]} alike, stratum by stratum"
    return Pooled(
        axis=axis, groups=groups, strata=tuple(name for name, _ in strata), estimate=difference,
        beside=tuple(beside),
        test=of_strata(found.test, question, found.n, n_missing),
        homogeneity=of_strata(compared.tarone, _same_everywhere(groups, "odds ratio"), compared.n, n_missing),
    )  # fmt: skip


def _pool_continuous(
    cases: OutcomeCases,
    first: BoolArray,
    second: BoolArray,
    strata: Sequence[tuple[str, BoolArray]],
    axis: Axis,
    groups: tuple[str, str],
    n_missing: int,
) -> Pooled:
    """Pool mean differences by a linear model with a mean for each stratum."""
    estimate, test = _additive(cases, first, second, strata, groups, n_missing)
    compared = _compared(cases, strata, axis)
    model = _cell_means(cases, [(name, rows & first, rows & second) for name, rows in compared])
    question = _same_everywhere(groups, "difference")
    return Pooled(
        axis=axis, groups=groups, strata=tuple(name for name, _ in strata), estimate=estimate, beside=(),
        test=test, homogeneity=_interaction(model, question, estimate.n, n_missing),
    )  # fmt: skip


def _additive(
    cases: OutcomeCases,
    first: BoolArray,
    second: BoolArray,
    strata: Sequence[tuple[str, BoolArray]],
    groups: tuple[str, str],
    n_missing: int,
) -> tuple[Estimate, JointTest]:
    """Return the difference given the stratum, the same in all, and its test."""
    name = f"{groups[0]} minus {groups[1]}"
    question = f"{groups[0]} and {groups[1]} alike, given the stratum"
    masks = [rows & (first | second) for _, rows in strata]
    rows = np.any(masks, axis=0) if masks else np.zeros(len(cases.values), dtype=bool)
    n = int(rows.sum())
    design = np.column_stack([*(mask[rows] for mask in masks), first[rows]]).astype(float)
    if not masks or n <= design.shape[1] or one_cluster(cases, rows):
        reason = "no stratum has cases of both groups to spare"
        none = Estimate.not_estimable(reason, contrast=name, unit=cases.unit, n=n, n_missing=n_missing)
        return none, no_joint_test(question, n, n_missing, reason)
    names = (*(stratum for stratum, _ in strata), name)
    fit = _fit(cases, rows, design, names)
    last = np.eye(len(names))[-1:]
    estimate = linear_contrast(fit, last, labels=[name], unit=cases.unit, n_missing=n_missing)[0]
    return estimate, of_wald(fit, last, question, n_missing)


def two_way(cases: OutcomeCases) -> TwoWay:
    """Fit strategy, reduction and their product to a continuous outcome.

    Parameters
    ----------
    cases : OutcomeCases
        Of a continuous outcome, reduction asked.

    Returns
    -------
    TwoWay
        One mean for each cell, which is the model with both factors and their product.

    References
    ----------
    Joint test: see :func:`outcomes.stats.regression.wald.wald_test`.
    """
    known = ~np.isnan(cases.values)
    met, not_met = (known & (cases.reduction == label) for label in REDUCTION)
    cells = [(name, met & cases.users(name), not_met & cases.users(name)) for name in cases.planned]
    labelled = np.isin(cases.reduction, REDUCTION)
    n_missing = int((labelled & ~known).sum())
    model = _cell_means(cases, cells)
    question = _same_everywhere(REDUCTION, "difference")
    used = () if model is None else model.strata
    n = 0 if model is None else model.fit.n
    return TwoWay(
        strategies=used,
        left_out=tuple(s for s in cases.strategies if s not in used and cases.users(s).any()),
        interaction=_interaction(model, question, n, n_missing),
        classical=_interaction(model, question, n, n_missing, classical=True),
        pairs=_pair_interactions(cases, model, n_missing),
        residual_sd=None if model is None else model.fit.residual_sd,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _CellMeans:
    """A linear model with a mean for each side of each stratum, in the order first, second."""

    strata: tuple[str, ...]
    fit: LinearFit
    classical: LinearFit


def _cell_means(cases: OutcomeCases, cells: Sequence[tuple[str, BoolArray, BoolArray]]) -> _CellMeans | None:
    """Fit a mean to each side of each stratum that has two cases on both; None when none has."""
    cells = [(name, a, b) for name, a, b in cells if a.sum() >= 2 and b.sum() >= 2]
    if not cells:
        return None
    masks = [mask for _, a, b in cells for mask in (a, b)]
    rows = np.any(masks, axis=0)
    if one_cluster(cases, rows):
        return None
    design = np.column_stack([mask[rows] for mask in masks]).astype(float)
    names = [f"{name}, {side}" for name, _, _ in cells for side in ("first", "second")]
    return _CellMeans(
        strata=tuple(name for name, _, _ in cells),
        fit=_fit(cases, rows, design, names),
        classical=fit_linear(design, cases.values[rows], names=names, covariance="classical"),
    )


def _fit(cases: OutcomeCases, rows: BoolArray, design: FloatArray, names: Sequence[str]) -> LinearFit:
    """Fit a linear model with cluster-robust errors, or plain robust ones where no cluster is shared."""
    clusters = cases.clusters[rows] if cases.clustered else None
    return fit_linear(design, cases.values[rows], names=names, clusters=clusters)


def _interaction(
    model: _CellMeans | None, question: str, n: int, n_missing: int, *, classical: bool = False
) -> JointTest:
    """Test whether first minus second is the same in every stratum."""
    if model is None or len(model.strata) < 2:
        reason = "fewer than two strata have two cases of either group"
        return no_joint_test(question, n, n_missing, reason)
    differences = np.kron(np.eye(len(model.strata)), [1.0, -1.0])
    rows = differences[1:] - differences[0]
    return of_wald(model.classical if classical else model.fit, rows, question, n_missing)


def _pair_interactions(cases: OutcomeCases, model: _CellMeans | None, n_missing: int) -> tuple[Estimate, ...]:
    """Return the difference in the reduction effect for every pair of planned strategies in the model."""
    if model is None:
        return ()
    differences = np.kron(np.eye(len(model.strata)), [1.0, -1.0])
    places = [model.strata.index(name) for name in cases.planned if name in model.strata]
    pairs = [(i, j) for at, i in enumerate(places) for j in places[at + 1 :]]
    if not pairs:
        return ()
    labels = [
        f"(met minus not met) with {model.strata[i]} minus (met minus not met) with {model.strata[j]}"
        for i, j in pairs
    ]
    rows = np.array([differences[i] - differences[j] for i, j in pairs])
    return linear_contrast(model.fit, rows, labels=labels, unit=cases.unit, n_missing=n_missing)


def _same_everywhere(groups: tuple[str, ...], measure: str) -> str:
    """Return the question of a homogeneity test."""
    word = "over" if measure == "odds ratio" else "minus"
    where = "with every planned strategy" if groups == REDUCTION else "at met and at not met"
    return f"{measure} of {groups[0]} {word} {groups[1]} the same {where}"


def _in_percentage_points(estimate: Estimate) -> Estimate:
    """Return a difference of proportions in percentage points."""
    value, low, high, error = (
        None if number is None else number * 100.0
        for number in (estimate.value, estimate.conf_low, estimate.conf_high, estimate.std_error)
    )
    return replace(
        estimate, value=value, conf_low=low, conf_high=high, std_error=error, unit=PERCENTAGE_POINTS
    )
