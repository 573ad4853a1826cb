"""The true value of every estimand, by potential outcomes, each in its stated population.

For every case of one large world (:mod:`synthetic_cohort.world`) strategy and reduction are set by hand;
all arms meet the same random numbers. With `Y(s, m)` the outcome under strategy `s` and label `m`, `M(s)`
the label under `s`, `S` the chosen strategy:

=====================  ==========================================================================
name in the file       meaning and population
=====================  ==========================================================================
E1                     mean of Y(S, met) - Y(S, not met), all cases
E1_by_strategy         the same among the users of each strategy
E2_met, E2_not_met     mean of Y(a, m) - Y(b, m); users of a or b, in patterns where both are used for
                       at least 2.5 % of the cases ("the pair's population")
E3                     mean of Y(a, M(a)) - Y(b, M(b)), the pair's population
E4                     mean of {Y(a, met) - Y(a, not met)} - {Y(b, met) - Y(b, not met)}, as E2
E6_indirect            mean of Y(a, M(a)) - Y(a, M(b)): the natural indirect effect, as E2
E6_direct              mean of Y(a, M(b)) - Y(b, M(b)): the natural direct effect, as E2
met_share              mean of M(s) over all cases, by strategy
crude_*                differences of means of the chosen, nothing adjusted
as_read_*              the effect that a correctly adjusted analysis of the label *as read* aims at:
                       linear model with strategy x label as read and all covariates, standardised
shares                 E5: Shapley shares of explained variation (R squared) of patient and injury,
                       strategy, reduction; main effects, population value, so no chance correction
=====================  ==========================================================================

The complication is a probability, differences in percentage points. Under E1, E2, E4, E6 it leaves out loss
of reduction, malunion and what was done for them; under E3 it includes them, so that there E6 does not add
up to E3.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from synthetic_cohort import keys
from synthetic_cohort.events import reduction_linked_risk
from synthetic_cohort.function import outcome_value
from synthetic_cohort.levels import Bools, Floats
from synthetic_cohort.named import scenario_named
from synthetic_cohort.observed import as_read_effects, label_as_read, shapley_shares
from synthetic_cohort.scenarios import MARGINS, OUTCOMES, UNITS, Scenario
from synthetic_cohort.world import World, make_world

SUPPORT = 0.025
"""Least share of a pattern's cases that a strategy must hold for the pattern to be comparable."""
JUDGED_MET = 20
REFERENCE_N = 600
"""A strategy is judged when it has at least 20 expected met cases in a cohort of 600."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairTruth:
    """True effects of one pair of strategies, first minus second; None where nothing is comparable."""

    first: str
    second: str
    population_share: float
    values: dict[str, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeTruth:
    """True effects and right answers for one outcome."""

    outcome: str
    unit: str
    margin: float | None
    values: dict[str, float]
    by_strategy: dict[str, float]
    pairs: tuple[PairTruth, ...]
    states: dict[str, str]
    shares: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioTruth:
    """Everything true of one scenario.

    Attributes
    ----------
    scenario, about : str
    n, seed : int
        Size and seed of the world it was computed in.
    judged : tuple of str
        Strategies with at least 20 expected met cases in 600.
    strategy_share, met_share : dict of str to float
        Share of cases; share that would meet the criteria if all had the strategy.
    outcomes : dict of str to OutcomeTruth
    """

    scenario: str
    about: str
    n: int
    seed: int
    judged: tuple[str, ...]
    strategy_share: dict[str, float]
    met_share: dict[str, float]
    outcomes: dict[str, OutcomeTruth]


def compute_truth(scenario: str | Scenario, *, n: int = 400_000, seed: int = 20_26) -> ScenarioTruth:
    """Compute the truth of a scenario by potential outcomes.

    Parameters
    ----------
    scenario : str or Scenario
    n : int
        Cases in the world; the Monte Carlo error of every mean falls as one over its root.
    seed : int

    Returns
    -------
    ScenarioTruth

    Raises
    ------
    ValueError
        When there is no such scenario.

    Examples
    --------
    >>> truth = compute_truth("reduction_only", n=2000)
    >>> round(truth.outcomes["grip_share"].values["E1"], 6)
    15.0
    >>> truth.outcomes["grip_share"].states["overall"]
    'reduction, not strategy'
    """
    plan = scenario_named(scenario) if isinstance(scenario, str) else scenario
    world = make_world(n, plan, seed)
    met = {code: world.met(np.full(n, code)) for code in range(len(plan.strategies))}
    chosen_met = np.choose(world.chosen, list(met.values()))
    met_count = np.bincount(world.chosen[chosen_met], minlength=len(plan.strategies))
    judged = tuple(int(code) for code in np.flatnonzero(met_count / n * REFERENCE_N >= JUDGED_MET))
    labels = label_as_read(world, world.film(world.chosen)) if plan.reading_error else None
    return ScenarioTruth(
        scenario=plan.name,
        about=plan.about,
        n=n,
        seed=seed,
        judged=tuple(plan.strategies[code] for code in judged),
        strategy_share={
            name: float(np.mean(world.chosen == code)) for code, name in enumerate(plan.strategies)
        },
        met_share={name: float(met[code].mean()) for code, name in enumerate(plan.strategies)},
        outcomes={
            name: _outcome_truth(_Outcome(name, world, met, chosen_met), judged, labels) for name in OUTCOMES
        },
    )


class _Outcome:
    """Potential outcomes of one outcome in one world, computed once each."""

    def __init__(self, name: str, world: World, met: dict[int, Bools], chosen_met: Bools) -> None:
        self.name, self.world, self.met, self.chosen_met = name, world, met, chosen_met
        self.fixed = world.baselines()[name]
        self.times = 100.0 if name == "complication" else 1.0
        self.known: dict[tuple[int, str], Floats] = {}

    def of(self, strategy: int, label: bool) -> Floats:
        """Return Y(strategy, label) of every case."""
        key = (strategy, f"label {label}")
        if key not in self.known:
            n, world = self.world.n, self.world
            codes = np.full(n, strategy)
            value = outcome_value(
                self.name,
                self.fixed,
                world.outcome_noise[self.name],
                codes,
                np.full(n, label),
                world.lost(codes),
                world.scenario,
            )
            self.known[key] = self.times * value
        return self.known[key]

    def through(self, strategy: int, reached_by: int) -> Floats:
        """Return Y(strategy, M(reached_by)) of every case."""
        return np.where(self.met[reached_by], self.of(strategy, True), self.of(strategy, False))

    def total(self, strategy: int) -> Floats:
        """Return Y(strategy, M(strategy)), for the complication with the reduction-linked ones."""
        key = (strategy, "total")
        if key not in self.known:
            value = self.through(strategy, strategy)
            if self.name == "complication":
                lost = self.world.lost(np.full(self.world.n, strategy))
                linked = reduction_linked_risk(self.met[strategy], lost)
                value = 100.0 * (1.0 - (1.0 - value / 100.0) * (1.0 - linked))
            self.known[key] = value
        return self.known[key]

    def of_chosen(self, label: bool | None) -> Floats:
        """Return Y(S, label); with the label that came about when None."""
        chosen = self.world.chosen
        value = np.empty(self.world.n)
        for code in range(len(self.world.scenario.strategies)):
            here = chosen == code
            arm = self.through(code, code) if label is None else self.of(code, label)
            value[here] = arm[here]
        return value

    def total_of_chosen(self) -> Floats:
        """Return the outcome that came about, reduction-linked complications included."""
        value = np.empty(self.world.n)
        for code in range(len(self.world.scenario.strategies)):
            here = self.world.chosen == code
            value[here] = self.total(code)[here]
        return value


def comparable(world: World, first: int, second: int) -> Bools:
    """Return the population of a pair: users of either, in patterns where both have support."""
    pattern, chosen = world.cases["pattern"], world.chosen
    keep = np.isin(chosen, (first, second))
    for code in range(6):
        here = chosen[pattern == code]
        if min(np.mean(here == first), np.mean(here == second)) < SUPPORT:
            keep &= pattern != code
    return np.asarray(keep, dtype=np.bool_)


def _outcome_truth(potential: _Outcome, judged: tuple[int, ...], labels: Bools | None) -> OutcomeTruth:
    """Return the truth of one outcome."""
    world, name = potential.world, potential.name
    plan, margin = world.scenario, MARGINS[potential.name]
    effect = potential.of_chosen(True) - potential.of_chosen(False)
    seen = potential.of_chosen(None)
    met = potential.chosen_met
    values = {
        "E1": float(effect.mean()),
        "crude_met_minus_not_met": float(seen[met].mean() - seen[~met].mean()),
    }
    by_strategy = {
        plan.strategies[code]: float(effect[world.chosen == code].mean())
        for code in range(len(plan.strategies))
    }
    read = None
    if labels is not None:
        read = as_read_effects(seen, world.chosen, labels, world.design, len(plan.strategies))
        values["as_read_E1"] = float((read[True] - read[False])[np.arange(world.n), world.chosen].mean())
    pairs = tuple(
        _pair_truth(potential, first, second, seen, read) for first, second in combinations(judged, 2)
    )
    values["monte_carlo_error"] = max(
        float(effect.std() / np.sqrt(world.n)), *(pair.values["monte_carlo_error"] or 0.0 for pair in pairs)
    )
    return OutcomeTruth(
        outcome=name,
        unit=UNITS[name],
        margin=margin,
        values=values,
        by_strategy=by_strategy,
        pairs=pairs,
        states={} if margin is None else _states(values, by_strategy, pairs, margin),
        shares=shapley_shares(seen, world.design, world.chosen, met) if name == "grip_share" else {},
    )


def _pair_truth(
    potential: _Outcome, first: int, second: int, seen: Floats, read: dict[bool, Floats] | None
) -> PairTruth:
    """Return the truth of one pair of strategies."""
    world = potential.world
    names = world.scenario.strategies
    keep = comparable(world, first, second)
    users = np.isin(world.chosen, (first, second))
    arms = {
        "E2_met": potential.of(first, True) - potential.of(second, True),
        "E2_not_met": potential.of(first, False) - potential.of(second, False),
        "E3": potential.total(first) - potential.total(second),
        "E6_indirect": potential.through(first, first) - potential.through(first, second),
        "E6_direct": potential.through(first, second) - potential.through(second, second),
    }
    arms["E4"] = arms["E2_met"] - arms["E2_not_met"]
    if read is not None:
        arms["as_read_E2_met"] = read[True][:, first] - read[True][:, second]
    values: dict[str, float | None] = {
        name: float(arms[name][keep].mean()) if keep.any() else None for name in sorted(arms)
    }
    errors = [float(arm[keep].std() / np.sqrt(keep.sum())) for arm in arms.values() if keep.any()]
    values["monte_carlo_error"] = max(errors, default=None)
    a, b, met = world.chosen == first, world.chosen == second, potential.chosen_met
    total = potential.total_of_chosen()
    values["crude_total"] = float(total[a].mean() - total[b].mean())
    values["crude_met"] = float(seen[a & met].mean() - seen[b & met].mean())
    return PairTruth(
        first=names[first],
        second=names[second],
        population_share=float(keep.sum() / users.sum()),
        values=values,
    )


def _states(
    values: dict[str, float], by_strategy: dict[str, float], pairs: tuple[PairTruth, ...], margin: float
) -> dict[str, str]:
    """Return the right state of each axis and the right answer; also what the crude contrasts would say."""
    judged = {name for pair in pairs for name in (pair.first, pair.second)}
    found = {name: [pair.values[name] for pair in pairs] for name in ("E2_met", "E3", "E4", "crude_met")}
    effects = [effect for name, effect in by_strategy.items() if name in judged]
    reduction, remark = keys.reduction_axis(values["E1"], effects, found["E4"], margin)
    strategy, total = keys.pairs_axis(found["E2_met"], margin), keys.pairs_axis(found["E3"], margin)
    crude = keys.reduction_axis(values["crude_met_minus_not_met"], [], [], margin)[0]
    return {
        "reduction": reduction,
        "reduction_state": keys.state_of(values["E1"], margin),
        "interaction": remark,
        "strategy": strategy,
        "total": total,
        "overall": keys.OVERALL[reduction, strategy],
        "pathway": keys.pathway(total, strategy),
        "crude_overall": keys.OVERALL[crude, keys.pairs_axis(found["crude_met"], margin)],
    }
