"""All pairs of means: identities, the studentised range, traps, laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from outcomes.errors import EstimationError
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.groups.multiple_comparisons import games_howell, tukey_kramer
from outcomes.stats.numerics.student import t_two_sided_p
from outcomes.stats.numerics.studentised_range import studentised_range_p, studentised_range_quantile

steady = settings(deadline=None, derandomize=True, max_examples=30)
values = st.integers(-90, 90).map(lambda tenths: tenths / 10)
families = st.lists(st.lists(values, max_size=8), min_size=2, max_size=4)


@pytest.mark.parametrize(("q", "df"), [(0.3, 1), (4.0, 2.5), (40.0, 3), (9.0, 30), (25.0, 60), (1e5, 1)])
def test_two_groups_are_student(q: float, df: float) -> None:
    assert math.isclose(studentised_range_p(q, 2, df), t_two_sided_p(q / math.sqrt(2), df), rel_tol=1e-10)


@pytest.mark.parametrize(("q", "k"), [(0.5, 3), (3.3, 3), (6.0, 5), (4.5, 12)])
def test_infinite_df_by_numerical_integration(q: float, k: int) -> None:
    """The complement integrand with the tails as such, by an adaptive rule."""

    def tail(z: float) -> float:
        whole, part = stats.norm.cdf(z), stats.norm.cdf(z) - stats.norm.cdf(z - q)
        return k * stats.norm.pdf(z) * (whole ** (k - 1) - part ** (k - 1))

    expected = integrate.quad(tail, -9, q / 2 + 9, epsabs=1e-14, epsrel=1e-11, limit=200)[0]
    assert math.isclose(studentised_range_p(q, k, math.inf), expected, rel_tol=1e-9)


def test_far_tails_are_the_sum_over_pairs() -> None:
    """Far out hardly ever do two pairs reach so far at once: exp(-w^2/3) beside exp(-w^2/4)."""
    for k in (3, 4, 10):
        pairs = k * (k - 1) / 2
        assert math.isclose(
            studentised_range_p(16.0, k, math.inf), pairs * 2 * stats.norm.sf(16 / math.sqrt(2)), rel_tol=1e-7
        )


@pytest.mark.parametrize(
    ("k", "df", "printed"),
    [(3, 10, 3.877), (4, 20, 3.958), (10, 5, 6.995), (6, 60, 4.163), (3, math.inf, 3.314)],
)
def test_printed_quantiles(k: int, df: float, printed: float) -> None:
    """5 % points of published tables (Harter 1960, from memory)."""
    assert abs(studentised_range_quantile(0.95, k, df) - printed) < 1e-3


@pytest.mark.parametrize(("k", "df", "level"), [(2, 3, 0.95), (3, 1, 0.9), (7, 4.4, 0.99), (20, 200, 0.5)])
def test_the_quantile_leaves_its_tail(k: int, df: float, level: float) -> None:
    q = studentised_range_quantile(level, k, df)
    assert math.isclose(studentised_range_p(q, k, df), 1 - level, rel_tol=1e-9)


def test_an_underflow_is_no_zero() -> None:
    assert 0 < studentised_range_p(1e200, 3, 50) < 1e-300
    assert 0 < studentised_range_p(1e200, 3, math.inf) < 1e-300
    assert studentised_range_p(0, 3, 5) == 1.0


@pytest.mark.parametrize("bad", [(-1, 3, 5), (1, 1, 5), (1, 3, 0), (math.nan, 3, 5)])
def test_what_is_no_range_is_refused(bad: tuple[float, int, float]) -> None:
    with pytest.raises(EstimationError, match="2 or more groups"):
        studentised_range_p(*bad)


def test_two_groups_are_the_t_intervals() -> None:
    a, b = [1.0, 4, 2, 8], [3.0, 9, 7]
    for family, pooled in ((tukey_kramer, True), (games_howell, False)):
        pair, d = family([a, b]).estimates[0], mean_difference(a, b, pooled=pooled)
        for name in ("value", "std_error", "df", "conf_low", "conf_high", "p_value"):
            assert math.isclose(getattr(pair, name), getattr(d, name), rel_tol=1e-10), name


def test_interval_excludes_zero_together_with_p() -> None:
    rng = np.random.default_rng(4)
    for _ in range(30):
        groups = [rng.normal(m, s, 6) for m, s in ((0, 1), (1, 1), (2.5, 2))]
        for family in (tukey_kramer, games_howell):
            for e in family(groups, level=0.9).estimates:
                assert (e.p_value < 0.1) == (e.conf_low > 0 or e.conf_high < 0)


def test_adjusted_p_lies_between_plain_and_bonferroni() -> None:
    groups = [[1, 2, 4, 4], [3, 5, 4, 7], [2, 9, 8, 8, 7]]
    for e, (i, j) in zip(games_howell(groups).estimates, ((0, 1), (0, 2), (1, 2)), strict=True):
        plain = mean_difference(groups[i], groups[j]).p_value
        assert plain < e.p_value < min(1, 3 * plain)


def test_a_group_of_one_value_takes_part_with_one_variance_only() -> None:
    family = tukey_kramer([[5], [1, 2, 3], [2, 4, 9]])
    assert all(e.p_value is not None and e.df == 4 for e in family.estimates)
    family = games_howell([[5], [1, 2, 3], [2, 4, 9]], labels=["x", "y", "z"])
    assert family.n_left_out == 1
    assert [e.contrast for e in family.estimates if not e.estimable] == ["x minus y", "x minus z"]
    assert family.estimates[2].p_value == pytest.approx(mean_difference([1, 2, 3], [2, 4, 9]).p_value)


def test_empty_groups_are_counted_and_missing_values_too() -> None:
    family = tukey_kramer([[1, 2, None], [], [4, 6, np.nan]])
    assert (family.n_groups, family.n_left_out, family.n, family.n_missing) == (2, 1, 4, 2)
    assert family.estimates[1].p_value == pytest.approx(mean_difference([1, 2], [4, 6], pooled=True).p_value)
    assert "at least 1" in str(family).split("\n")[0]


@pytest.mark.parametrize("groups", [[[1, 1], [2, 2], [5, 5]], [[1], [2], [4]]])
def test_no_p_without_variation(groups: list[list[float]]) -> None:
    for e in tukey_kramer(groups).estimates:
        assert e.value is not None
        assert e.p_value is e.conf_low is e.std_error is None
        assert "no variation" in e.reason or "n too small" in e.reason


def test_one_flat_pair_leaves_the_others() -> None:
    first, *others = games_howell([[1, 1, 1], [2, 2], [3, 5, 9]]).estimates
    assert first.value == -1
    assert first.p_value is None
    assert all(e.p_value is not None for e in others)


@pytest.mark.parametrize(
    "call", [lambda: tukey_kramer([[1, 2]]), lambda: games_howell([[1], [2]], labels=["a", "a"])]
)
def test_what_cannot_be_compared_is_refused(call) -> None:
    with pytest.raises(EstimationError, match=r"at least 2|1 different"):
        call()


@steady
@given(families, st.randoms(use_true_random=False))
def test_order_of_rows_changes_no_bit(groups, random) -> None:
    shuffled = [random.sample(group, len(group)) for group in groups]
    for family in (tukey_kramer, games_howell):
        assert family(groups) == family(shuffled)


@steady
@given(families)
def test_turned_order_of_groups_turns_the_sign(groups) -> None:
    for family in (tukey_kramer, games_howell):
        first, turned = family(groups).estimates, family(groups[::-1]).estimates[::-1]
        by_pair = {frozenset(e.contrast.split(" minus ")): e for e in first}
        names = [f"group {i + 1}" for i in range(len(groups))][::-1]
        again = family(groups[::-1], labels=names).estimates
        assert len(turned) == len(again)
        for e in again:
            mine = by_pair[frozenset(e.contrast.split(" minus "))]
            assert (mine.p_value is None) == (e.p_value is None)
            if mine.value is not None:
                assert math.isclose(mine.value, -e.value, abs_tol=1e-12)
            if mine.p_value is not None:
                assert math.isclose(mine.p_value, e.p_value, rel_tol=1e-9)
                assert math.isclose(mine.conf_low, -e.conf_high, rel_tol=1e-9, abs_tol=1e-9)


def test_units_rescale() -> None:
    groups = [[1, 2, 4, 4], [3, 5, 4, 7], [2, 9, 8, 8, 7]]
    for family in (tukey_kramer, games_howell):
        for e, f in zip(
            family(groups).estimates,
            family([np.multiply(g, 10.0) + 3 for g in groups]).estimates,
            strict=True,
        ):
            assert math.isclose(f.conf_low, 10 * e.conf_low, rel_tol=1e-9)
            assert math.isclose(f.p_value, e.p_value, rel_tol=1e-9)


def test_a_large_offset_costs_nothing() -> None:
    groups = [[1, 2, 4, 4], [3, 5, 4, 7], [2, 9, 8, 8, 7]]
    moved = tukey_kramer([np.add(group, 2.0**40) for group in groups])
    for e, f in zip(tukey_kramer(groups).estimates, moved.estimates, strict=True):
        assert math.isclose(e.conf_low, f.conf_low, rel_tol=1e-12)


def test_tidy_has_the_common_columns() -> None:
    table = games_howell([[1, 2, 3], [2, 4, 9], [1]]).tidy()
    assert {"contrast", "estimate", "std_error", "conf_low", "conf_high", "p_value", "n", "n_missing"} <= set(
        table
    )
    assert len(table) == 3


def test_the_quantile_against_simulated_ranges() -> None:
    """40,000 ranges of four means over a standard deviation on 9 degrees of freedom."""
    rng = np.random.default_rng(6)
    ranges = np.ptp(rng.normal(size=(40_000, 4)), axis=1) / np.sqrt(rng.chisquare(9, 40_000) / 9)
    beyond = np.mean(ranges > studentised_range_quantile(0.95, 4, 9))
    assert abs(beyond - 0.05) < 3 * math.sqrt(0.05 * 0.95 / 40_000)


def test_familywise_error_of_games_howell(monkeypatch: pytest.MonkeyPatch) -> None:
    """1,000 families of four equal means with unequal spread and size: some pair rejected in about 5 %."""
    # only p is read here; the quantiles of the limits would take most of the time
    monkeypatch.setattr(
        "outcomes.stats.groups.multiple_comparisons.studentised_range_quantile", lambda *_: 1.0
    )
    rng = np.random.default_rng(20261125)
    wrong = 0
    for _ in range(1000):
        unequal = [rng.normal(0, s, n) for s, n in ((1, 10), (2, 15), (4, 20), (3, 12))]
        wrong += min(e.p_value for e in games_howell(unequal).estimates) < 0.05
    assert abs(wrong / 1000 - 0.05) < 3 * math.sqrt(0.05 * 0.95 / 1000)
