"""Bias analysis for an unmeasured confounder: formulas against tables with the confounder in them."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.bias_analysis import confounder_bias, tipping_effect


def ratio(value: float, low: float | None = None, high: float | None = None) -> Estimate:
    return Estimate(value=value, conf_low=low, conf_high=high, unit="ratio")


def difference(value: float, low: float | None = None, high: float | None = None) -> Estimate:
    return Estimate(value=value, conf_low=low, conf_high=high, unit="kg")


@pytest.mark.parametrize("seed", range(40))
def test_a_confounder_that_is_there_is_removed_exactly(seed: int) -> None:
    """Expected risks and means built with the confounder, seen without it."""
    rng = np.random.default_rng(seed)
    p1, p0 = rng.integers(0, 21, 2) / 20
    base, true, effect = 0.05, 1.0 + rng.integers(0, 20) / 10, 0.2 + rng.integers(0, 40) / 10
    seen = base * true * (1 + p1 * (effect - 1)) / (base * (1 + p0 * (effect - 1)))
    r = confounder_bias(ratio(seen), in_exposed=[p1], in_unexposed=[p0], effects=[effect], measure="ratio")
    assert r.corrected[0].value == pytest.approx(true, rel=1e-12)
    added = 3.0 + effect * p1 - effect * p0
    d = confounder_bias(difference(added), in_exposed=[p1], in_unexposed=[p0], effects=[effect])
    assert d.corrected[0].value == pytest.approx(3.0, rel=1e-12)


@pytest.mark.parametrize("seed", range(40))
def test_the_tipping_effect_tips(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p1, p0 = rng.integers(0, 11, 2) / 10
    value, target = 0.2 + rng.integers(0, 40) / 10, 0.5 + rng.integers(0, 10) / 10
    for make, measure in ((ratio, "ratio"), (difference, "difference")):
        e = make(value, value * 0.9, value * 1.1)
        t = tipping_effect(e, in_exposed=p1, in_unexposed=p0, target=target, measure=measure)
        if t.value is not None:
            r = confounder_bias(e, in_exposed=[p1], in_unexposed=[p0], effects=[t.value], measure=measure)
            assert r.corrected[0].value == pytest.approx(target, rel=1e-9)
        elif value != target:
            # nothing between a tiny and a huge effect reaches the target
            grid = np.geomspace(1e-6, 1e6, 400) if measure == "ratio" else np.linspace(-50, 50, 400)
            r = confounder_bias(
                e, in_exposed=[p1], in_unexposed=[p0], effects=grid, measure=measure, grid=True
            )
            signs = np.sign([c.value - target for c in r.corrected])
            assert (signs == signs[0]).all()


def test_limits_move_along_and_p_is_not_claimed() -> None:
    e = Estimate(
        value=4.0, conf_low=2.0, conf_high=6.0, std_error=1.0, p_value=1e-4, unit="kg", method="Welch"
    )
    c = confounder_bias(e, in_exposed=[0.6], in_unexposed=[0.1], effects=[2.0]).corrected[0]
    assert (c.value, c.conf_low, c.conf_high, c.p_value) == (3.0, 1.0, 5.0, None)
    assert c.method == "Welch; corrected for an assumed confounder"
    r = confounder_bias(
        ratio(2.0, 1.2, 4.0), in_exposed=[0.5], in_unexposed=[0.0], effects=[3.0], measure="ratio"
    ).corrected[0]
    assert (r.value, r.conf_low, r.conf_high) == (1.0, 0.6, 2.0)


def test_of_the_limit() -> None:
    e = difference(4.0, 1.0, 7.0)
    assert tipping_effect(e, in_exposed=0.6, in_unexposed=0.1, of_limit=True).value == pytest.approx(2.0)
    assert tipping_effect(
        difference(-4.0, -7.0, -1.0), in_exposed=0.6, in_unexposed=0.1, of_limit=True
    ).value == pytest.approx(-2.0)
    assert (
        "reaches the target"
        in tipping_effect(difference(1.0, -1.0, 3.0), in_exposed=0.6, in_unexposed=0.1, of_limit=True).reason
    )
    assert (
        "no limit" in tipping_effect(difference(1.0), in_exposed=0.6, in_unexposed=0.1, of_limit=True).reason
    )
    assert "at the target" in tipping_effect(difference(0.0), in_exposed=0.6, in_unexposed=0.1).reason
    assert "no effect" in tipping_effect(difference(1.0), in_exposed=0.3, in_unexposed=0.3).reason
    # with prevalence 1 and 0.9 no confounder makes a ratio of 2
    assert "no effect" in tipping_effect(ratio(2.0), in_exposed=1.0, in_unexposed=0.9, measure="ratio").reason


def test_grid_and_rows() -> None:
    e = difference(1.0, 0.0, 2.0)
    grid = confounder_bias(
        e, in_exposed=[0.1, 0.5], in_unexposed=[0.0, 0.2, 0.3], effects=[1.0, 2.0], grid=True
    )
    assert len(grid.corrected) == 12
    assert (grid.in_exposed[6], grid.in_unexposed[6], grid.effects[6]) == (0.5, 0.0, 1.0)
    assert len(grid.tidy()) == 12
    assert "corrected for 12 strengths" in str(grid)
    rows = confounder_bias(e, in_exposed=[0.1, 0.5], in_unexposed=[0.0, 0.2], effects=[1.0, 2.0])
    assert rows.bias == pytest.approx((0.1, 0.6))


def test_bad_requests_are_refused() -> None:
    good = {"in_exposed": [0.5], "in_unexposed": [0.1], "effects": [2.0]}
    for e, options in (
        (Estimate.not_estimable("no"), good), (ratio(2.0), good), (difference(1.0), good | {"measure": "ratio"}),
        (difference(1.0), good | {"in_exposed": [1.1]}), (difference(1.0), good | {"in_unexposed": [-0.1]}),
        (difference(1.0), good | {"effects": []}), (difference(1.0), good | {"effects": [np.nan]}),
        (difference(1.0), good | {"effects": [1.0, 2.0]}), (ratio(2.0), good | {"effects": [0.0], "measure": "ratio"}),
        (ratio(2.0, -1.0, 3.0), good | {"measure": "ratio"}), (difference(1.0), good | {"measure": "odds"}),
    ):  # fmt: skip
        with pytest.raises(EstimationError):
            confounder_bias(e, **options)
    with pytest.raises(EstimationError, match="target is finite"):
        tipping_effect(ratio(2.0), in_exposed=0.5, in_unexposed=0.1, target=0.0, measure="ratio")
