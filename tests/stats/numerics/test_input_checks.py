"""What the statistics accept and refuse, one edge at a time."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import (
    check_choice,
    check_level,
    check_matrix,
    check_outcome,
    check_weights,
    cluster_codes,
    clusters_of,
)
from outcomes.stats.numerics.inputs import (
    SMALLEST_P,
    chi2_p,
    complete_pairs,
    count_array,
    events_of,
    f_p,
    normal_quantile,
    numbers,
    sample,
    two_sided_p,
    whole,
)
from outcomes.stats.numerics.moments import moments, printed_moments


def refused(code: str):
    return pytest.raises(EstimationError, check=lambda error: error.code == code)


@pytest.mark.parametrize("shape", [(4,), (0, 2), (2, 0), (2, 2, 2), ()])
def test_a_design_has_rows_and_columns(shape):
    with refused("bad_shape"):
        check_matrix(np.ones(shape), ["a", "b"])


@pytest.mark.parametrize("names", [["a"], ["a", "b", "c"], ["a", "a"], []])
def test_every_column_has_its_own_name(names):
    with refused("bad_names"):
        check_matrix(np.ones((3, 2)), names)


def test_a_design_is_finite_and_its_gaps_are_counted_by_column():
    design = np.ones((3, 3))
    design[0, 1] = design[2, 1] = np.nan
    design[1, 2] = np.inf
    with pytest.raises(EstimationError, match=r"b \(2\), c \(1\);"):
        check_matrix(design, ["a", "b", "c"])
    kept, names = check_matrix(np.arange(6).reshape(3, 2), ("a", "b"))
    assert (kept.dtype, names) == (np.float64, ("a", "b"))


@pytest.mark.parametrize("level", [0.0, 1.0, -0.1, 1.1, math.nan])
def test_a_level_lies_strictly_between_0_and_1(level):
    with refused("bad_level"):
        check_level(level)
    check_level(1e-9)
    check_level(1 - 1e-9)


def test_a_choice_is_one_of_those_listed():
    with pytest.raises(EstimationError, match="kind is 'c'; allowed: 'a', 'b'"):
        check_choice("c", ("a", "b"), "kind")
    check_choice("b", ("a", "b"), "kind")


def test_outcomes_weights_and_clusters_have_one_value_a_row():
    for check in (check_outcome, check_weights, cluster_codes):
        for wrong in (np.ones(2), np.ones(4), np.ones((3, 1))):
            with refused("bad_shape"):
                check(wrong, 3)
    with pytest.raises(EstimationError, match="2 missing or infinite"):
        check_outcome([1.0, np.nan, -np.inf], 3)
    with refused("bad_shape"):
        clusters_of([1, 2], np.array([True, False, True]))
    assert clusters_of(None, np.array([True])) is None


def test_weights_are_finite_not_negative_and_not_all_zero():
    for wrong, said in (
        ([0, 0, 0], "0 weights are"),
        ([1, -1, 2], "1 weights are"),
        ([np.inf, np.nan, -1], "3 weights"),
    ):
        with pytest.raises(EstimationError, match=said):
            check_weights(wrong, 3)
    assert check_weights([0, 0, 1e-300], 3).tolist() == [0, 0, 1e-300]
    assert check_weights(None, 3).tolist() == [1, 1, 1]


def test_clusters_are_numbered_and_none_is_missing():
    with pytest.raises(EstimationError, match="missing in 1 rows"):
        cluster_codes(np.array(["a", None, "a"], dtype=object), 3)
    codes, n = cluster_codes(None, 3)
    assert (codes.tolist(), n) == ([0, 1, 2], 3)


def test_numbers_are_no_text_dates_or_bytes():
    for wrong in (
        ["1"],
        [b"1"],
        [1, "2"],
        np.array(["2020-01-01"], dtype="M8[D]"),
        pd.Series(["1", None]),
        [{}],
    ):
        with pytest.raises(EstimationError, match="said here"):
            numbers(wrong, "said here")
    nullable = pd.Series([1, None, 3], dtype="Int64")
    assert np.array_equal(numbers(nullable, ""), [1, np.nan, 3], equal_nan=True)
    assert numbers([True, False], "").tolist() == [1.0, 0.0]
    assert np.array_equal(numbers([None, 2.5], ""), [np.nan, 2.5], equal_nan=True)


def test_a_sample_has_one_dimension_and_no_infinity():
    with refused("bad_shape"):
        sample(np.ones((2, 2)), "a")
    with refused("infinite"):
        sample([1.0, -np.inf, np.nan], "a")
    present, gone = sample([np.nan, 2.0, None, 4.0], "a")
    assert (present.tolist(), gone) == ([2.0, 4.0], 2)


def test_pairs_are_complete_or_counted():
    first, second = [1, None, 3, None, 5], [1, 2, None, None, 7]
    x, y, gone = complete_pairs(first, second)
    assert (x.tolist(), y.tolist(), gone) == ([1, 5], [1, 7], 3)
    for wrong in (([1, 2], [1]), ([[1, 2]], [[1, 2]])):
        with refused("bad_shape"):
            complete_pairs(*wrong)
    for wrong in (([1, np.inf], [1, 2]), ([1, 2], [-np.inf, 2])):
        with refused("infinite"):
            complete_pairs(*wrong)


@pytest.mark.parametrize("wrong", [-1, -0.5, 0.5, 2.000001, math.nan, math.inf, -math.inf, "5", None, [1]])
def test_a_count_is_whole_and_not_negative(wrong):
    with refused("bad_count"):
        whole(wrong, "n")


def test_counts_may_come_as_any_number():
    assert [whole(n, "n") for n in (0, 3.0, np.int32(4), np.float64(5))] == [0, 3, 4, 5]
    assert all(type(whole(n, "n")) is int for n in (0, 3.0, np.int32(4)))


def test_events_do_not_exceed_cases():
    assert events_of(3, 3) == (3, 3)
    assert events_of(0, 0) == (0, 0)
    with pytest.raises(EstimationError, match=r"events of group 1 \(4\) must not exceed n of group 1 \(3\)"):
        events_of(4, 3, "group 1")


def test_tables_hold_counts_in_the_shape_asked_for():
    for wrong in ([1, 2], np.ones((0, 2)), np.ones((2, 0)), np.ones((1, 1, 1))):
        with refused("bad_shape"):
            count_array(wrong, "table", "(r, c)", 2)
    for cell in (-1, 0.5, np.nan, np.inf, "x"):
        with refused("bad_count"):
            count_array([[1, cell]], "table", "(r, c)", 2)
    assert count_array([[0, 7]], "table", "(r, c)", 2).tolist() == [[0.0, 7.0]]


def test_p_values_are_never_0():
    assert two_sided_p(60.0) == SMALLEST_P == np.finfo(float).tiny
    assert two_sided_p(-60.0) == SMALLEST_P
    assert chi2_p(3000.0, 1) == SMALLEST_P
    assert f_p(1e300, 3, 500.0) == SMALLEST_P
    # far out but not yet 0: Mills' ratio with two terms
    assert two_sided_p(30.0) == pytest.approx(
        2 * math.exp(-450) / math.sqrt(2 * math.pi) / 30 * (1 - 1 / 900 + 3 / 810000), rel=1e-7
    )


def test_tails_in_closed_form():
    assert chi2_p(3.0, 2) == pytest.approx(math.exp(-1.5), rel=1e-14)
    # F with 2 and d: (1 + 2 f / d)^(-d / 2)
    assert f_p(3.0, 2, 6.0) == pytest.approx((1 + 1.0) ** -3.0, rel=1e-13)
    assert f_p(3.0, 2, 5.5) == pytest.approx((1 + 6 / 5.5) ** -2.75, rel=1e-13)
    for level in (0.5, 0.9, 0.99):
        assert math.erf(normal_quantile(level) / math.sqrt(2)) == pytest.approx(level, rel=1e-14)


def test_moments_of_none_one_two_and_equal_values():
    assert (moments(np.array([])).n, moments(np.array([])).mean) == (0, None)
    one = moments(np.array([4.0]))
    assert (one.n, one.mean, one.variance) == (1, 4.0, None)
    two = moments(np.array([-1.0, 2.0]))
    assert (two.n, two.mean, two.variance) == (2, 0.5, 4.5)
    # 0.1 + 0.2 beside 0.3 differ by rounding alone; a difference of 1e-14 of the size is spread
    assert moments(np.array([0.1 + 0.2, 0.3])).variance == 0.0
    assert moments(np.array([1.0, 1.0 + 1e-14])).variance > 0
    # the rounding of a large value, in units of the last place: SD of 7.8 are nothing, of 8.5 something
    step = float(np.finfo(float).eps) * 2**20
    for units, spread in ((11.0, False), (12.0, True)):
        assert (moments(np.array([2.0**20 - units * step, 2.0**20])).variance > 0) is spread


def test_printed_moments_need_a_spread_that_can_be():
    assert printed_moments(1.5, 0, 2, "a").variance == 0.0
    assert printed_moments(1.5, 3, 1, "a").variance is None
    assert printed_moments(-1.5, 3, 2, "a").mean == -1.5
    for mean, sd in ((math.nan, 1), (math.inf, 1), (1, -0.1), (1, math.nan), (1, math.inf)):
        with refused("bad_summary"):
            printed_moments(mean, sd, 5, "a")
    with refused("bad_count"):
        printed_moments(1, 1, 2.5, "a")
