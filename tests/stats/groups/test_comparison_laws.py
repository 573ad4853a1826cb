"""Laws that hold for any data: swapping groups, shuffling rows, changing units."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.estimates import Estimate
from outcomes.stats.groups.anova import one_way_anova, welch_anova
from outcomes.stats.groups.balance import standardised_difference
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.ranks import hodges_lehmann, kruskal_wallis
from outcomes.stats.proportions.risks import (
    fisher_exact,
    odds_ratio,
    risk_difference,
    risk_ratio,
    wilson,
)
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.testing.multiplicity import holm

# Recorded values: kilograms and degrees to one decimal.
values = st.integers(-900, 900).map(lambda tenths: tenths / 10)
groups = st.lists(values, min_size=0, max_size=25)
counts = st.tuples(st.integers(0, 40), st.integers(0, 40)).map(lambda pair: (min(pair), max(pair)))
tables = st.lists(
    st.lists(st.lists(st.integers(0, 25), min_size=2, max_size=2), min_size=2, max_size=2),
    min_size=1,
    max_size=5,
)
fields = ("value", "conf_low", "conf_high")
# No deadline: a busy machine is no counterexample. Derandomised: a failure can be seen again.
steady = settings(deadline=None, derandomize=True, max_examples=100)


def close(a: float | None, b: float | None, slack: float = 1e-9) -> bool:
    if a is None or b is None:
        return a is b
    return math.isclose(a, b, rel_tol=slack, abs_tol=slack)


def mirrored(a: Estimate, b: Estimate) -> bool:
    """Say whether b is a with the sign turned."""
    turned = [None if x is None else -x for x in (b.value, b.conf_high, b.conf_low)]
    return all(map(close, (a.value, a.conf_low, a.conf_high), turned)) and close(a.p_value, b.p_value)


@steady
@given(groups, groups)
def test_swapping_groups_turns_the_sign(a, b):
    for method in (mean_difference, hodges_lehmann):
        assert mirrored(method(a, b), method(b, a))
    first, second = standardised_difference([a, b]), standardised_difference([b, a])
    assert close(first.value, None if second.value is None else -second.value)


@steady
@given(counts, counts)
def test_swapping_proportions(first, second):
    (e1, n1), (e0, n0) = first, second
    assert mirrored(risk_difference(e1, n1, e0, n0), risk_difference(e0, n0, e1, n1))
    one, other = fisher_exact(e1, n1, e0, n0), fisher_exact(e0, n0, e1, n1)
    assert close(one.p_value, other.p_value)
    assert close(one.p_less, other.p_greater)
    for method in (risk_ratio, odds_ratio):
        a, b = method(e1, n1, e0, n0), method(e0, n0, e1, n1)
        for mine, theirs in ((a.value, b.value), (a.conf_low, b.conf_high)):
            assert not mine or not theirs or math.isclose(mine * theirs, 1, rel_tol=1e-8)


@steady
@given(counts)
def test_counting_the_other_outcome(share):
    events, n = share
    if n:
        a, b = wilson(events, n), wilson(n - events, n)
        assert close(a.conf_low, 1 - b.conf_high)
        assert a.conf_low <= a.value <= a.conf_high


@steady
@given(groups, groups, st.randoms(use_true_random=False))
def test_shuffling_rows_changes_nothing(a, b, random):
    shuffled_a, shuffled_b = random.sample(a, len(a)), random.sample(b, len(b))
    for method in (mean_difference, hodges_lehmann):
        first, second = method(a, b), method(shuffled_a, shuffled_b)
        assert all(close(getattr(first, name), getattr(second, name)) for name in fields)
        assert close(first.p_value, second.p_value)


@steady
@given(groups, groups, st.sampled_from([2.0, 10.0, 0.25, 100.0]), st.sampled_from([0.0, 5.0, -64.0]))
def test_changing_units_scales_differences_and_leaves_p(a, b, factor, offset):
    other_a, other_b = [x * factor + offset for x in a], [x * factor + offset for x in b]
    first, second = mean_difference(a, b), mean_difference(other_a, other_b)
    for name in fields:
        value = getattr(first, name)
        assert close(None if value is None else value * factor, getattr(second, name), 1e-8)
    assert close(first.p_value, second.p_value, 1e-7)
    assert close(
        standardised_difference([a, b]).value, standardised_difference([other_a, other_b]).value, 1e-7
    )


@steady
@given(groups, groups, st.sampled_from([2.0, 4.0, 0.5]))
def test_powers_of_two_scale_ranks_exactly(a, b, factor):
    first, second = hodges_lehmann(a, b), hodges_lehmann([x * factor for x in a], [x * factor for x in b])
    for name in fields:
        value = getattr(first, name)
        assert getattr(second, name) == (None if value is None else value * factor)
    assert first.p_value == second.p_value


@steady
@given(st.lists(groups, min_size=2, max_size=5), st.randoms(use_true_random=False))
def test_the_order_of_groups_does_not_matter(samples, random):
    shuffled = random.sample(samples, len(samples))
    for method in (one_way_anova, welch_anova):
        first, second = method(samples), method(shuffled)
        assert close(first.f, second.f, 1e-7)
        assert first.reason == second.reason
    assert close(kruskal_wallis(samples).statistic, kruskal_wallis(shuffled).statistic)


@steady
@given(groups, groups, st.lists(st.none(), max_size=4))
def test_missing_values_are_only_counted(a, b, gaps):
    first, second = mean_difference(a, b), mean_difference([*gaps, *a], [*b, *gaps])
    assert all(close(getattr(first, name), getattr(second, name)) for name in fields)
    assert second.n_missing == first.n_missing + 2 * len(gaps)
    assert second.n == first.n


@steady
@given(tables, st.randoms(use_true_random=False))
def test_strata_in_any_order_and_groups_swapped(strata, random):
    first, shuffled = mantel_haenszel(strata), mantel_haenszel(random.sample(strata, len(strata)))
    for name in ("odds_ratio", "risk_ratio", "risk_difference"):
        assert all(
            close(getattr(getattr(first, name), f), getattr(getattr(shuffled, name), f)) for f in fields
        )
    swapped = mantel_haenszel([[control, treated] for treated, control in strata])
    assert mirrored(first.risk_difference, swapped.risk_difference)
    assert close(first.test.p_value, swapped.test.p_value)
    assert close(first.tarone.statistic, swapped.tarone.statistic, 1e-6)
    for name in ("odds_ratio", "risk_ratio"):
        a, b = getattr(first, name).value, getattr(swapped, name).value
        assert (a is None) == (b is None)
        assert a is None or math.isclose(a * b, 1, rel_tol=1e-8)


@steady
@given(tables)
def test_nothing_that_is_printed_is_nan_or_infinite(strata):
    pooled = mantel_haenszel(strata)
    for test in (pooled.test, pooled.test_corrected, pooled.breslow_day, pooled.tarone):
        assert (test.p_value is None) == bool(test.reason)
        assert test.p_value is None or 0 < test.p_value <= 1
        assert test.statistic is None or math.isfinite(test.statistic)
    for estimate in (pooled.odds_ratio, pooled.risk_ratio, pooled.risk_difference):
        assert (estimate.conf_low is None) == bool(estimate.reason)


@steady
@given(st.lists(st.one_of(st.none(), st.floats(0, 1)), max_size=12))
def test_holm_is_monotone_and_never_smaller(p_values):
    adjusted = holm(p_values)
    pairs = sorted((p, q) for p, q in zip(p_values, adjusted, strict=True) if p is not None and q is not None)
    assert len(pairs) == sum(p is not None for p in p_values)
    assert all(p <= q <= 1 for p, q in pairs)
    assert [q for _, q in pairs] == sorted(q for _, q in pairs)


def test_p_is_uniform_without_a_difference():
    """2,000 Welch tests of unequal groups with one mean: 5 % below 0.05 within three Monte Carlo errors."""
    rng = np.random.default_rng(10)
    p = [mean_difference(rng.normal(0, 1, 12), rng.normal(0, 2, 18)).p_value for _ in range(2000)]
    assert abs(np.mean(np.array(p) < 0.05) - 0.05) <= 3 * math.sqrt(0.05 * 0.95 / 2000)
    assert stats.kstest(p, "uniform").pvalue > 0.001
