"""One chain of chained equations."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.missing.imputation_draws import draw_levels, draw_numbers
from outcomes.stats.missing.imputation_plan import BoolArray, DerivedColumn, ImputationPlan
from outcomes.stats.numerics.arrays import FloatArray


@dataclass(kw_only=True, eq=False)
class Chain:
    """The running state of one imputation.

    Attributes
    ----------
    plan : ImputationPlan
    state : dict of str to ndarray, shape (n,)
        Columns and derived columns with the current imputations.
    blocks : dict of str to ndarray, shape (n, width)
        The same as predictors: standardised, levels as indicators.
    scales : dict of str to tuple
        Mean and SD of the numbers, fixed at the start.
    trace : list of dict
        Mean and SD of the imputed values after each cycle.
    """

    plan: ImputationPlan
    state: dict[str, FloatArray]
    blocks: dict[str, FloatArray] = field(default_factory=dict)
    scales: dict[str, tuple[float, float]] = field(default_factory=dict)
    trace: list[dict[str, tuple[float, float]]] = field(default_factory=list)


def run_chain(plan: ImputationPlan, generator: np.random.Generator, n_cycles: int, n_donors: int) -> Chain:
    """Run one chain: start from observed values at random, then impute every column in turn.

    Parameters
    ----------
    plan : ImputationPlan
    generator : Generator
    n_cycles, n_donors : int

    Returns
    -------
    Chain

    Raises
    ------
    EstimationError
        A column with too few observed values for its predictors, or a draw that cannot be made.

    Notes
    -----
    Source: van Buuren S. Flexible Imputation of Missing Data (2018), section 4.5.

    Examples
    --------
    >>> from outcomes.stats.missing.imputation_plan import ColumnModel, make_plan
    >>> plan = make_plan({"a": [1.0, 2.0, 4.0, None]}, [ColumnModel(name="a")], range(4), (), None)
    >>> chain = run_chain(plan, np.random.default_rng(1), 2, 3)
    >>> len(chain.trace), bool(chain.state["a"][3] in (1.0, 2.0, 4.0))
    (2, True)
    """
    chain = Chain(plan=plan, state={name: column.copy() for name, column in plan.values.items()})
    for name in plan.visits:
        gap, model, column = plan.missing[name], plan.models[name], chain.state[name]
        start = generator.choice(column[~np.isnan(column)], int(gap.sum()))
        column[gap] = np.clip(start, model.low[gap], model.high[gap])
    for name in plan.values:
        _refresh(chain, name)
    for d in plan.derived:
        _derive(chain, d)
    for _ in range(n_cycles):
        for name in plan.visits:
            _impute_column(chain, name, generator, n_donors)
        filled = {name: chain.state[name][plan.missing[name]] for name in plan.visits}
        chain.trace.append({name: (float(v.mean()), float(v.std())) for name, v in filled.items()})
    return chain


def _impute_column(chain: Chain, name: str, generator: np.random.Generator, n_donors: int) -> None:
    """Draw the missing values of a column given all others, level by level if it is imputed within one."""
    plan, model = chain.plan, chain.plan.models[name]
    gap, known = plan.missing[name], plan.applicable[name] & ~plan.missing[name]
    if model.within is None:
        chain.state[name][gap] = _draw(chain, name, known, gap, generator, n_donors)
    else:
        groups = plan.values[model.within]
        for level in np.unique(groups[gap]):
            inside = groups == level
            chain.state[name][gap & inside] = _draw(
                chain, name, known & inside, gap & inside, generator, n_donors
            )
    _refresh(chain, name)
    for d in plan.derived:
        if name in d.parts:
            _derive(chain, d)


def _draw(
    chain: Chain, name: str, known: BoolArray, gap: BoolArray, generator: np.random.Generator, n_donors: int
) -> FloatArray:
    """Draw missing values of a column from the rows where it is known."""
    model = chain.plan.models[name]
    n_known = int(known.sum())
    design = _design(chain, name, known) if n_known else np.empty((chain.plan.n, 1))
    if n_known <= design.shape[1] + 1:
        where = f" in a level of {model.within}" if model.within is not None else ""
        raise EstimationError(
            f"{name}: {n_known} observed values for {design.shape[1]} predictors{where}; name fewer predictors",
            code="too_few_observed",
        )
    observed, shift = chain.state[name][known], model.shift[gap]
    if model.kind == "number":
        low, high = model.low[gap], model.high[gap]
        drawn = draw_numbers(
            design[known], observed, design[gap], low, high, n_donors=n_donors, generator=generator, name=name
        )
        # the shift is an assumption about the missing; limits hold for it too
        return np.where(shift != 0.0, np.clip(drawn + shift, low, high), drawn)
    levels, codes = np.unique(observed.astype(np.int64), return_inverse=True)
    if len(levels) == 1:
        return np.full(int(gap.sum()), float(levels[0]))
    drawn_levels = draw_levels(
        design[known], codes, design[gap], len(levels), shift, generator=generator, name=name
    )
    return np.asarray(levels[drawn_levels], dtype=np.float64)


def _design(chain: Chain, name: str, known: BoolArray) -> FloatArray:
    """Return the predictors of a column: all but itself and what is computed from it, columns that vary."""
    chosen = chain.plan.models[name].predictors
    own = {name} | {d.name for d in chain.plan.derived if name in d.parts}
    blocks = [
        block
        for other, block in chain.blocks.items()
        if other not in own and (chosen is None or other in chosen)
    ]
    others = np.column_stack([np.ones(chain.plan.n), *blocks])
    # a column that is constant where the target is known cannot predict, and must not where it is missing
    varies = np.ptp(others[known], axis=0) > 1e-12
    varies[0] = True
    return others[:, varies]


def _derive(chain: Chain, d: DerivedColumn) -> None:
    """Compute a derived column from its parts as they stand."""
    made = np.asarray(d.compute(*(chain.state[part] for part in d.parts)), dtype=np.float64)
    gone = np.logical_or.reduce([~chain.plan.applicable[part] for part in d.parts])
    if made.shape != (chain.plan.n,) or not np.isfinite(made[~gone]).all():
        raise EstimationError(
            f"{d.name}: its function must give one finite number a row where its parts are applicable",
            code="bad_derived",
        )
    chain.state[d.name] = np.where(gone, np.nan, made)
    _refresh(chain, d.name)


def _refresh(chain: Chain, name: str) -> None:
    """Rebuild the predictors that a column makes: standardised, 0 and flagged where not applicable."""
    column = chain.state[name]
    gone = np.isnan(column)
    model = chain.plan.models.get(name)
    if model is not None and model.kind == "category":
        present = chain.plan.values[name]
        levels = np.unique(present[~np.isnan(present)])[1:]
        parts = [(column == level).astype(np.float64) for level in levels]
    else:
        if name not in chain.scales:
            spread = float(column[~gone].std()) if not gone.all() else 0.0
            chain.scales[name] = (float(column[~gone].mean()) if not gone.all() else 0.0, spread or 1.0)
        centre, spread = chain.scales[name]
        parts = [np.where(gone, 0.0, (column - centre) / spread)]
    if gone.any():
        parts.append(gone.astype(np.float64))
    chain.blocks[name] = np.column_stack(parts) if parts else np.empty((len(column), 0))
