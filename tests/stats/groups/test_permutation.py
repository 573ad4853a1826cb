"""Permutation tests: counting by hand, Monte Carlo, strata, own statistics, traps, laws, size."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.groups.permutation import permutation_test

A, B = [94.0, 197, 16, 38, 99, 141, 23], [52.0, 104, 146, 10, 51, 30, 40, 27, 46]


@pytest.mark.parametrize(
    ("name", "measure"), [("difference of means", np.mean), ("difference of medians", np.median)]
)
def test_every_arrangement_counted(name, measure) -> None:
    a, b = [3.0, 7.5, 1.0, 4.0], [2.0, 2.5, 0.5, 3.0, 1.5]
    both = np.array(a + b)
    found = [
        measure(both[list(chosen)]) - measure(np.delete(both, chosen)) for chosen in combinations(range(9), 4)
    ]
    seen, near = measure(a) - measure(b), 1e-12
    test = permutation_test(a, b, statistic=name)
    assert test.exact
    assert test.mc_error == 0.0
    assert test.n_arrangements == 126
    assert math.isclose(test.statistic, seen, rel_tol=1e-12)
    assert test.p_greater == np.mean(np.array(found) >= seen - near)
    assert test.p_less == np.mean(np.array(found) <= seen + near)
    assert test.p_value == np.mean(np.abs(found) >= abs(seen) - near)


def test_strata_by_counting_all_products() -> None:
    """Two strata: within them 3 x 3 arrangements; the weights are 2 * 1 / 3 in both."""
    a, b = [5.0, 1.0], [2.0, 3.0, 4.0, 9.0]
    strata = (["x", "y"], ["x", "x", "y", "y"])
    found = [
        ((u[0] - sum(u[1:]) / 2) + (v[0] - sum(v[1:]) / 2)) / 2
        for u in ((5, 2, 3), (2, 5, 3), (3, 5, 2)) for v in ((1, 4, 9), (4, 1, 9), (9, 1, 4))
    ]  # fmt: skip
    test = permutation_test(a, b, strata=strata)
    assert test.n_arrangements == 9
    assert math.isclose(test.statistic, found[0])
    assert math.isclose(test.p_less, np.mean(np.array(found) <= found[0] + 1e-9))
    assert math.isclose(test.p_value, np.mean(np.abs(found) >= abs(found[0]) - 1e-9))
    assert (test.n, test.n_strata, test.n_uninformative) == (6, 2, 0)
    assert "within strata" in test.method


def test_sums_that_differ_by_rounding_only_are_equal() -> None:
    test = permutation_test([0.1, 0.2], [0.3, 0.0])  # 0.1 + 0.2 > 0.3 in floating point
    assert test.p_value == 1.0
    assert test.p_greater == pytest.approx(4 / 6)


def test_random_arrangements_count_the_one_seen() -> None:
    a, b = np.arange(40.0) + 30, np.arange(40.0)
    test = permutation_test(a, b, n_samples=199)
    assert not test.exact
    assert test.n_arrangements == 199
    assert test.p_value == test.p_greater == 1 / 200
    assert test.p_less == 1.0
    assert math.isclose(test.mc_error, math.sqrt(1 / 200 * 199 / 200 / 200))
    assert "Monte Carlo error" in str(test)


def test_random_and_exact_agree_within_their_error() -> None:
    exact = permutation_test(A, B)
    sampled = permutation_test(A, B, largest_exact=0, n_samples=20_000, seed=5)
    for name in ("p_value", "p_greater", "p_less"):
        p = getattr(exact, name)
        assert abs(getattr(sampled, name) - p) < 3.5 * math.sqrt(p * (1 - p) / 20_000)
    assert sampled == permutation_test(A, B, largest_exact=0, n_samples=20_000, seed=5)
    assert sampled.p_value != permutation_test(A, B, largest_exact=0, n_samples=20_000, seed=6).p_value


def test_random_arrangements_stay_within_their_stratum() -> None:
    """The second stratum lies a thousand higher: dealt across strata the difference could not be so small."""
    a, b = [1.0, 2, 3, 1004, 1006], [2.0, 3, 4, 1001, 1002]
    strata = ([0, 0, 0, 1, 1], [0, 0, 0, 1, 1])
    seen = []

    def spy(values, first):
        seen.append((first & (values > 500)).sum(axis=1))
        return first @ values

    permutation_test(a, b, strata=strata, statistic=spy, largest_exact=0, n_samples=500)
    assert all((counts == 2).all() for counts in seen)


def test_an_own_statistic_is_vectorised() -> None:
    def means(values, first):
        return first @ values / first.sum(axis=1) - ~first @ values / (~first).sum(axis=1)

    own, named = permutation_test(A, B, statistic=means), permutation_test(A, B)
    assert own.p_value == named.p_value
    assert "own statistic" in own.method


@pytest.mark.parametrize(
    "bad", [lambda v, f: 1.0, lambda v, f: np.full(len(f), np.nan), lambda v, f: f @ v[:, None]]
)
def test_an_own_statistic_that_gives_something_else(bad) -> None:
    with pytest.raises(EstimationError, match="one finite number"):
        permutation_test([1, 2, 3], [4, 5], statistic=bad)


def test_strata_with_one_group_take_no_part_and_are_counted() -> None:
    plain = permutation_test([5, 1, 2], [3, 4])
    more = permutation_test([5, 1, 2, 9], [3, 4], strata=(["x"] * 3 + ["y"], ["x"] * 2))
    assert (more.n, more.n_strata, more.n_uninformative) == (5, 2, 1)
    assert more.p_value == plain.p_value
    gaps = permutation_test([5, None, 1, 2], [3, 4, 7], strata=(["x"] * 4, ["x", "x", None]))
    assert gaps.n_missing == 2
    assert gaps.p_value == plain.p_value


@pytest.mark.parametrize(
    ("a", "b", "strata", "reason"),
    [
        ([], [1, 2], None, "no values in one group"), ([], [], None, "no values"),
        ([1, 1], [1], None, "no variation"), ([1, 2], [3], (["x", "y"], ["z"]), "no stratum holds"),
        ([1, 5], [1, 5], (["x", "y"], ["x", "y"]), "no variation"),
    ],
)  # fmt: skip
def test_no_p_where_there_is_none(a, b, strata, reason: str) -> None:
    test = permutation_test(a, b, strata=strata)
    assert test.p_value is test.p_greater is test.mc_error is None
    assert reason in test.reason
    assert "no test" in str(test)
    assert len(test.tidy()) == 1


@pytest.mark.parametrize(
    "call",
    [
        lambda: permutation_test([1], [2], statistic="mean"), lambda: permutation_test([1], [2], n_samples=0),
        lambda: permutation_test([1], [2], strata=(["x"],)), lambda: permutation_test([1, 2], [2], strata=(["x"], ["x"])),
        lambda: permutation_test([math.inf], [2]), lambda: permutation_test(["1"], [2]),
        lambda: permutation_test([1], [2], seed=-1), lambda: permutation_test([1], [2], largest_exact=10**9),
    ],
)  # fmt: skip
def test_what_is_no_input_is_refused(call) -> None:
    with pytest.raises(EstimationError):
        call()


def test_swap_units_and_rows() -> None:
    first, second = permutation_test(A, B), permutation_test(B, A)
    assert (first.p_greater, first.p_value) == (second.p_less, second.p_value)
    assert first.statistic == pytest.approx(-second.statistic)
    assert first == permutation_test(A[::-1], [B[i] for i in (3, 0, 8, 5, 1, 7, 2, 6, 4)])
    sampled = permutation_test(A, B, largest_exact=0, n_samples=99)
    assert sampled == permutation_test(A[::-1], B[::-1], largest_exact=0, n_samples=99)
    assert permutation_test(np.multiply(A, 0.1), np.multiply(B, 0.1)).p_value == first.p_value
    assert permutation_test(np.add(A, 1e9), np.add(B, 1e9)).p_value == first.p_value


def test_size_of_the_sampled_test() -> None:
    """1,000 equal groups of 8 and 12: p of at most 0.1 in at most about a tenth."""
    rng = np.random.default_rng(9)
    rejected = sum(
        permutation_test(
            rng.exponential(size=8), rng.exponential(size=12), largest_exact=0, n_samples=99
        ).p_value
        <= 0.1
        for _ in range(1000)
    )
    assert abs(rejected / 1000 - 0.1) < 3 * math.sqrt(0.09 / 1000)


def test_one_random_arrangement_is_the_fewest() -> None:
    test = permutation_test(A, B, largest_exact=0, n_samples=1, seed=3)
    assert test.n_arrangements == 1
    assert test.p_value in (0.5, 1.0)
    assert test.mc_error == pytest.approx(math.sqrt(test.p_value * (1 - test.p_value) / 2))
    with pytest.raises(EstimationError, match="n_samples must be 1 or more"):
        permutation_test(A, B, largest_exact=0, n_samples=0)


def test_exactly_as_many_arrangements_as_allowed_are_counted() -> None:
    # 4 of 9: 126 arrangements
    a, b = [3.0, 7.5, 1.0, 4.0], [2.0, 2.5, 0.5, 3.0, 1.5]
    assert permutation_test(a, b, largest_exact=126).exact
    assert not permutation_test(a, b, largest_exact=125, n_samples=50).exact
    assert permutation_test(a, b, largest_exact=5_000_000).exact
    with pytest.raises(EstimationError, match="must not exceed"):
        permutation_test(a, b, largest_exact=5_000_001)


def test_arrangements_held_a_few_at_a_time_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    strata = [1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2, 2, 1, 1, 2, 2]
    asked = ({"strata": strata}, {"largest_exact": 0, "n_samples": 500, "seed": 2})
    whole = [permutation_test(A, B, **options) for options in asked]
    assert [test.exact for test in whole] == [True, False]
    monkeypatch.setattr("outcomes.stats.groups.permutation._BLOCK", 100)
    assert [permutation_test(A, B, **options) for options in asked] == whole
