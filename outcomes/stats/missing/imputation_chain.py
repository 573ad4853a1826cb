"""Chains of chained equations, run side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.missing.imputation_levels import draw_levels, fit_levels
from outcomes.stats.missing.imputation_numbers import draw_coefficients, match_donors
from outcomes.stats.missing.imputation_plan import BoolArray, DerivedColumn, ImputationPlan
from outcomes.stats.missing.imputation_predictors import Predictors, make_predictors, refresh
from outcomes.stats.missing.imputation_visits import Visit, active_predictors, make_visits
from outcomes.stats.numerics.arrays import FloatArray, IntArray

Generators = Sequence[np.random.Generator]


@dataclass(kw_only=True, eq=False)
class Chains:
    """The running state of m imputations.

    Attributes
    ----------
    state : dict of str to ndarray, shape (m, n)
        Columns and derived columns with the current imputations.
    trace_mean, trace_sd : dict of str to list of ndarray, shape (m,)
        Mean and SD of the imputed values after each cycle.
    modes : dict of int to ndarray
        Logistic coefficients of a visit, from which the next cycle starts.
    """

    state: dict[str, FloatArray]
    trace_mean: dict[str, list[FloatArray]] = field(default_factory=dict)
    trace_sd: dict[str, list[FloatArray]] = field(default_factory=dict)
    modes: dict[int, FloatArray] = field(default_factory=dict)


def run_chains(plan: ImputationPlan, generators: Generators, n_cycles: int, n_donors: int) -> Chains:
    """Run chains: start from observed values at random, then impute every column in turn.

    Parameters
    ----------
    plan : ImputationPlan
    generators : sequence of Generator
        One a chain. What a chain gives does not depend on the chains beside it.
    n_cycles, n_donors : int

    Returns
    -------
    Chains

    Raises
    ------
    EstimationError
        A column with too few observed values for its predictors, or a draw that cannot be made.

    Notes
    -----
    Chains go side by side because the work of one, at a thousand rows, is too small to be done well by itself.
    Source: van Buuren S. Flexible Imputation of Missing Data (2018), section 4.5.

    Examples
    --------
    >>> from outcomes.stats.missing.imputation_plan import ColumnModel, make_plan
    >>> plan = make_plan({"a": [1.0, 2.0, 4.0, None]}, [ColumnModel(name="a")], range(4), (), None)
    >>> chains = run_chains(plan, [np.random.default_rng(i) for i in range(2)], 2, 3)
    >>> len(chains.trace_mean["a"]), bool(np.isin(chains.state["a"][:, 3], (1.0, 2.0, 4.0)).all())
    (2, True)
    """
    chains = Chains(state=_start(plan, generators))
    for d in plan.derived:
        chains.state[d.name] = _derived(plan, chains.state, d)
    predictors = make_predictors(plan, chains.state)
    visits = make_visits(plan, predictors)
    for _ in range(n_cycles):
        for i, visit in enumerate(visits):
            active = active_predictors(predictors, visit)
            if visit.model.kind == "number":
                drawn = _numbers(predictors, visit, active, generators, n_donors)
            else:
                drawn = _levels(chains, i, predictors, visit, active, generators)
            chains.state[visit.name][:, visit.gap] = drawn
            refresh(predictors, visit.name, chains.state[visit.name])
            for d in plan.derived:
                if visit.name in d.parts:
                    chains.state[d.name] = _derived(plan, chains.state, d)
                    refresh(predictors, d.name, chains.state[d.name])
        for name in plan.visits:
            # rows that lie one after another are summed in the same order whatever chains are beside
            filled = np.compress(plan.missing[name], chains.state[name], axis=1)
            chains.trace_mean.setdefault(name, []).append(filled.mean(axis=1))
            chains.trace_sd.setdefault(name, []).append(filled.std(axis=1))
    return chains


def _start(plan: ImputationPlan, generators: Generators) -> dict[str, FloatArray]:
    """Return the columns of all chains, observed values drawn for missing ones."""
    state = {name: np.broadcast_to(column, (len(generators), plan.n)) for name, column in plan.values.items()}
    for name in plan.visits:
        gap, model, column = plan.missing[name], plan.models[name], state[name].copy()
        present = plan.values[name][~np.isnan(plan.values[name])]
        drawn = np.array([g.choice(present, int(gap.sum())) for g in generators])
        column[:, gap] = np.clip(drawn, model.low[gap], model.high[gap])
        state[name] = column
    return state


def _numbers(
    predictors: Predictors, visit: Visit, active: BoolArray, generators: Generators, n_donors: int
) -> FloatArray:
    """Draw missing numbers of a column by predictive mean matching."""
    design, target = predictors.design, predictors.places[visit.name].start
    if len(visit.others) < len(visit.known):
        rest = design.take(visit.others, axis=2)
        moments = predictors.cross - rest @ rest.transpose(0, 2, 1)
    else:
        rows = design.take(visit.known, axis=2)
        moments = rows @ rows.transpose(0, 2, 1)
    wanted = np.append(visit.columns, target)
    moments = moments[:, wanted[:, None], wanted]
    coefficients = np.zeros((len(design), 2, design.shape[1]))
    coefficients[:, 0, visit.columns], coefficients[:, 1, visit.columns] = draw_coefficients(
        moments, active, len(visit.known), generators
    )
    predicted = coefficients @ design
    uniform = np.array([g.random(len(visit.gap)) for g in generators])
    drawn = match_donors(
        predicted[:, 0, visit.known], predicted[:, 1, visit.gap], visit.observed, visit.donors, uniform, n_donors
    )  # fmt: skip
    # the shift is an assumption about the missing; limits hold for it too
    return np.where(visit.shift != 0.0, np.clip(drawn + visit.shift, visit.low, visit.high), drawn)


def _levels(
    chains: Chains,
    number: int,
    predictors: Predictors,
    visit: Visit,
    active: BoolArray,
    generators: Generators,
) -> FloatArray:
    """Draw missing levels of a column by logistic models."""
    levels = visit.levels
    if len(levels) == 1:
        return np.full((len(active), len(visit.gap)), levels[0])
    codes: IntArray = np.searchsorted(levels, visit.observed)
    modes, factors = fit_levels(
        _part(predictors, visit.columns, visit.known),
        codes,
        len(levels),
        active,
        visit.name,
        chains.modes.get(number),
    )
    chains.modes[number] = modes
    target = _part(predictors, visit.columns, visit.gap)
    return np.asarray(levels[draw_levels(modes, factors, active, target, visit.shift, generators)])


def _part(predictors: Predictors, columns: IntArray, rows: IntArray) -> FloatArray:
    """Return columns and rows of the design, in one pass and laid out row by row."""
    m, _, n = predictors.design.shape
    places = (columns[:, None] * n + rows).ravel()
    part: FloatArray = predictors.design.reshape(m, -1).take(places, axis=1)
    return part.reshape(m, len(columns), len(rows))


def _derived(plan: ImputationPlan, state: Mapping[str, FloatArray], d: DerivedColumn) -> FloatArray:
    """Compute a derived column from its parts as they stand, one chain at a time as its function expects."""
    m = len(next(iter(state.values())))
    made = [np.asarray(d.compute(*(state[part][i] for part in d.parts)), dtype=np.float64) for i in range(m)]
    gone = np.logical_or.reduce([~plan.applicable[part] for part in d.parts])
    for column in made:
        if column.shape != (plan.n,) or not np.isfinite(column[~gone]).all():
            raise EstimationError(
                f"{d.name}: its function must give one finite number a row where its parts are applicable",
                code="bad_derived",
            )
    return np.where(gone, np.nan, np.array(made))
