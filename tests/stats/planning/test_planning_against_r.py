"""Plans, p values and fragility of 880 random scenarios against R; tests/reference/planning holds its values."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from planning_scenarios import scenarios

from outcomes.stats.planning.precision import (
    precision_of_agreement_limits,
    precision_of_mean,
    precision_of_mean_difference,
    precision_of_proportion,
    precision_of_risk_difference,
)
from outcomes.stats.planning.sample_size_interaction import size_interaction_means
from outcomes.stats.planning.sample_size_margins import power_equivalence_means, power_non_inferiority_means
from outcomes.stats.planning.sample_size_means import (
    detectable_two_means,
    power_two_means,
    size_paired_means,
    size_two_means,
)
from outcomes.stats.planning.sample_size_proportions import (
    exact_power,
    power_two_proportions,
    size_two_proportions,
)
from outcomes.stats.planning.sample_size_survival import (
    events_for_hazard_ratio,
    share_with_event,
    size_survival,
)
from outcomes.stats.printed.fragility import fragility_index
from outcomes.stats.printed.printed_comparisons import (
    corrected_chi2_p,
    judge_two_counts,
    judge_two_means,
)
from outcomes.stats.printed.printed_tests import p_from_statistic
from outcomes.stats.proportions.contingency import chi_squared
from outcomes.stats.proportions.fisher_tables import fisher_p

RESULTS = Path(__file__).parents[2] / "reference" / "planning" / "results.csv"
MADE = scenarios()
EXPECTED = [tuple(map(float, line.split(","))) for line in RESULTS.read_text(encoding="utf-8").splitlines()]
KINDS = sorted({kind for kind, _ in MADE})


def formulas(p1, p0, alpha, power, ratio):
    plan = {"alpha": alpha, "power": power, "ratio": ratio}
    methods = ("pooled", "unpooled", "arcsine", "continuity-corrected")
    return tuple(size_two_proportions(p1, p0, method=m, **plan).unrounded[1] for m in methods)


def interaction(effect, alpha, power, *shares):
    plan = {"alpha": alpha, "power": power, "shares": shares}
    by_t, by_z = (size_interaction_means(effect, 1, method=m, **plan) for m in ("t", "z"))
    return math.fsum(by_t.unrounded), math.fsum(by_z.unrounded)


def precision(half, p1, p0, level, ratio):
    return (
        precision_of_mean(half, 1, level=level).n,
        precision_of_mean_difference(half, 1, ratio=ratio, level=level).groups[1],
        precision_of_proportion(half, p1, level=level).n,
        precision_of_risk_difference(half, p1, p0, ratio=ratio, level=level).groups[1],
        precision_of_agreement_limits(half, 1, level=level).n,
    )


def survival(ratio, hazard, follow_up, accrual, loss):
    time = {"accrual": accrual, "loss_hazard": loss}
    chances = tuple(share_with_event(h, follow_up, **time) for h in (ratio * hazard, hazard))
    size = size_survival(ratio, hazard, follow_up=follow_up, **time)
    return (events_for_hazard_ratio(ratio), *chances, size.unrounded[1])


def p_values(t, df, f, df1, df2, r):
    return (
        p_from_statistic("t", t, df), p_from_statistic("F", f, df1, df2), p_from_statistic("chi2", f, df1),
        p_from_statistic("r", r, df), p_from_statistic("z", t),
    )  # fmt: skip


def means(m1, s1, n1, m0, s0, n0):
    """Numbers printed with so many zeros that rounding is nothing."""
    shown = [f"{value:.12f}" for value in (m1, s1, m0, s0)]
    found = []
    for test in ("pooled", "Welch"):
        line = judge_two_means(*shown[:2], int(n1), *shown[2:], int(n0), "0.5", test=test)
        assert line.low <= line.high <= line.low * (1 + 1e-7) + 1e-10
        found.append((line.low + line.high) / 2)
    return tuple(found)


def counts(e1, n1, e0, n0):
    table = int(e1), int(n1), int(e0), int(n0)
    plain = chi_squared([[e1, n1 - e1], [e0, n0 - e0]]).p_value
    every = fisher_p(*table), plain, corrected_chi2_p(*table)
    line = judge_two_counts(*table, "0.5")
    assert (line.low, line.high) == (min(every), max(every))
    return every


def fragility(e1, n1, e0, n0, alpha):
    table = int(e1), int(n1), int(e0), int(n0)
    by_count = fragility_index(*table, alpha=alpha)
    by_share = fragility_index(*table, alpha=alpha, arm="smaller share")
    index = tuple(-1 if found.index is None else found.index for found in (by_count, by_share))
    return (*index, by_share.p_values[0], by_share.p_values[-1])


def whole(*sizes: float) -> tuple[int, ...]:
    return tuple(map(int, sizes))


COMPUTED: dict[str, Callable[..., tuple[float, ...]]] = {
    "size t": lambda d, a, p: size_two_means(d, 1, alpha=a, power=p).unrounded[:1],
    "power t": lambda n1, n0, d, a, k: (
        power_two_means(*whole(n1, n0), d, 1, alpha=a, sided="one" if k == 1 else "two").power,
    ),
    "size paired": lambda d, a, p: size_paired_means(d, 1, alpha=a, power=p).unrounded,
    "detect t": lambda n, a, p: (detectable_two_means(*whole(n, n), 1, alpha=a, power=p).effect,),
    "size pooled": lambda p1, p0, a, p: size_two_proportions(p1, p0, alpha=a, power=p).unrounded[:1],
    "power pooled": lambda n, p1, p0, a: (power_two_proportions(*whole(n, n), p1, p0, alpha=a).power,),
    "size formulas": formulas,
    "power tost": lambda n1, n0, m, d, a: (
        power_equivalence_means(*whole(n1, n0), m, 1, true_difference=d, alpha=a).power,
    ),
    "power noninferior": lambda n1, n0, m, d, a: (
        power_non_inferiority_means(*whole(n1, n0), m, 1, true_difference=d, alpha=a).power,
    ),
    "survival": survival,
    "interaction": interaction,
    "precision": precision,
    "p": p_values,
    "means": means,
    "counts": counts,
    "fragility": fragility,
    "exact power": lambda n1, n0, p1, p0, a: tuple(
        exact_power(*whole(n1, n0), p1, p0, alpha=a, test=test).power for test in ("Fisher", "chi-squared")
    ),
}


def test_every_scenario_has_its_values() -> None:
    assert len(MADE) == len(EXPECTED) == 880
    assert set(KINDS) == set(COMPUTED)


@pytest.mark.parametrize("kind", KINDS)
def test_agrees_with_r(kind: str) -> None:
    wrong = []
    for (made, values), expected in zip(MADE, EXPECTED, strict=True):
        if made != kind:
            continue
        got = COMPUTED[kind](*values)
        assert len(got) == len(expected)
        wrong += [
            (values, got, expected)
            for one, other in zip(got, expected, strict=True)
            if not math.isclose(one, other, rel_tol=1e-7, abs_tol=1e-10)
        ]
    assert wrong == []
