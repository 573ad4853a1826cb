"""Support: comparable sets, effective sizes and gates."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from outcomes.analysis.gates import data_gates, reduction_gates, strategy_gates
from outcomes.analysis.support import comparable_set, judged_strategies, limits_of
from outcomes.errors import EstimationError
from outcomes.stats.causal.propensity import fit_propensity

LIMITS = limits_of({})


def words(*counts: tuple[str, int]) -> np.ndarray:
    return np.array([name for name, n in counts for _ in range(n)], dtype=object)


def test_limits_are_the_declared_ones():
    """The limits marked as this project's choices, in one table."""
    assert LIMITS == {
        "judged_met_min": 20, "judged_not_met_min": 10, "judged_cover_min": 0.80, "propensity_min": 0.025,
        "comparable_keep_min": 0.5, "arm_effective_min": 20, "arm_effective_share_min": 0.10,
        "label_effective_min": 20, "indeterminate_max": 0.20, "outcome_missing_max": 0.40,
        "unplaced_events_max": 0.05, "events_per_parameter_min": 10, "few_clusters": 10, "fragile_min": 0.80,
    }  # fmt: skip


def test_a_strategy_is_judged_by_counts_only():
    strategy = words(("plate", 30), ("pins", 30), ("nail", 30))
    met = np.r_[np.repeat([1.0, 0], [20, 10]), np.repeat([1.0, 0], [19, 11]), np.repeat([1.0, 0], [25, 5])]
    judged = judged_strategies(("pins", "plate", "nail"), strategy, met, np.ones(90, bool), LIMITS)
    assert judged.strategies == ("plate", "nail")
    assert judged.for_interaction == ("plate",)
    assert judged.not_judged == ("pins",)
    assert judged.pairs == (("plate", "nail"),)


@pytest.mark.parametrize(("n_pins", "comparable"), [(1, True), (0, False)])
def test_a_pattern_leaves_when_a_strategy_is_hardly_used(n_pins, comparable):
    strategy = words(("plate", 39 - n_pins + 1), ("pins", n_pins), ("plate", 10), ("pins", 10))
    pattern = words(("shear", 40), ("bending", 20))
    found = comparable_set(("plate", "pins"), strategy, pattern, LIMITS)
    assert (found.kept == 1.0) is comparable
    assert [row.pattern for row in found.outside] == ([] if comparable else ["shear"])


def test_a_pattern_leaves_just_under_the_limit():
    """1 of 40 cases is 2.5 % and stays; 1 of 41 is 2.4 % and leaves."""
    for n, stays in ((40, True), (41, False)):
        strategy = words(("plate", n - 1), ("pins", 1))
        found = comparable_set(("plate", "pins"), strategy, words(("shear", n)), LIMITS)
        assert (not found.outside) is stays


def test_separated_strategies_close_the_axis():
    """A covariate that tells the two strategies apart: no case of one resembles a case of the other."""
    strategy = words(("plate", 60), ("pins", 60))
    X = np.r_[np.ones(60), -np.ones(60)][:, None]
    met = np.tile([1.0, 0.0, 1.0], 40)
    judged = judged_strategies(("plate", "pins"), strategy, met, np.ones(120, bool), LIMITS)
    comparable = {judged.pairs[0]: comparable_set(judged.pairs[0], strategy, None, LIMITS)}
    gates = strategy_gates(judged, comparable, strategy, met, X, np.ones(120, bool), LIMITS)
    assert [gate.axis for gate in gates] == ["strategy"]
    assert gates[0].found < 0.5
    assert "leave room" in gates[0].name


def test_good_overlap_opens_every_gate():
    rng = np.random.default_rng(2)
    n = 400
    X = rng.normal(size=(n, 3))
    strategy = np.where(rng.random(n) < 0.5, "plate", "pins").astype(object)
    met = (rng.random(n) < 0.6).astype(float)
    usable = np.ones(n, bool)
    judged = judged_strategies(("plate", "pins"), strategy, met, usable, LIMITS)
    comparable = {judged.pairs[0]: comparable_set(judged.pairs[0], strategy, None, LIMITS)}
    assert strategy_gates(judged, comparable, strategy, met, X, usable, LIMITS) == ()
    assert reduction_gates(strategy, met, X, usable, LIMITS) == ()


def test_few_cases_on_one_side_close_the_reduction_axis():
    strategy = words(("plate", 100))
    met = np.r_[np.ones(90), np.zeros(10)]
    gates = reduction_gates(strategy, met, np.empty((100, 0)), np.ones(100, bool), LIMITS)
    assert [gate.found for gate in gates] == [pytest.approx(10)]
    assert "at least 10 more" in gates[0].remedy


def test_one_side_only_closes_it_with_zero():
    strategy = words(("plate", 100))
    gates = reduction_gates(strategy, np.ones(100), np.empty((100, 0)), np.ones(100, bool), LIMITS)
    assert [(gate.name, gate.found) for gate in gates] == [
        ("effective sample of cases with criteria not met", 0.0)
    ]


def test_missing_data_gates_name_share_and_remedy():
    assert data_gates(100, 20, 40, LIMITS) == ()
    gates = data_gates(100, 21, 41, LIMITS, unplaced=0.06)
    assert [gate.found for gate in gates] == [0.21, 0.41, 0.06]
    assert {gate.axis for gate in gates} == {"both"}


def test_propensity_is_the_penalised_maximum():
    """Against a general-purpose optimiser of the same penalised likelihood (scipy BFGS)."""
    rng = np.random.default_rng(4)
    X = np.column_stack([np.ones(200), rng.normal(size=(200, 2))])
    y = (rng.random(200) < 1 / (1 + np.exp(-X @ [0.3, 1.0, -0.5]))).astype(float)

    def loss(beta):
        eta = X @ beta
        return np.logaddexp(0, eta).sum() - y @ eta + 0.25 * (beta[1:] ** 2).sum()

    found = optimize.minimize(loss, np.zeros(3), method="BFGS", options={"gtol": 1e-9})
    assert fit_propensity(X, y) == pytest.approx(1 / (1 + np.exp(-X @ found.x)), abs=1e-6)


def test_propensity_needs_both_sides():
    with pytest.raises(EstimationError, match="both sides"):
        fit_propensity(np.ones((4, 1)), np.ones(4))
