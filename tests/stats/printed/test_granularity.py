"""Means, SDs and ranges of whole numbers against every sample there is, and honest samples that may not be flagged."""

from __future__ import annotations

import itertools
from decimal import ROUND_HALF_DOWN, ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction
from math import comb

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.printed.attainable import find_sample, search
from outcomes.stats.printed.granularity import grim, grimmer
from outcomes.stats.printed.spread_limits import judge_order, judge_sd, sd_limits


def printed(value: Fraction, decimals: int, rounding: str) -> str:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    return str(exact.quantize(Decimal(1).scaleb(-decimals), rounding=rounding))


def printed_root(square: Fraction, decimals: int, rounding: str) -> str:
    with localcontext() as context:
        context.prec = 60
        root = (Decimal(square.numerator) / Decimal(square.denominator)).sqrt()
    return str(root.quantize(Decimal(1).scaleb(-decimals), rounding=rounding))


def moments(values: tuple[int, ...], items: int = 1) -> tuple[Fraction, Fraction]:
    n = len(values)
    mean = Fraction(sum(values), n * items)
    return mean, sum((Fraction(v, items) - mean) ** 2 for v in values) / (n - 1)


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_grim_and_grimmer_are_exact_on_a_scale(n: int) -> None:
    """Every mean and SD with one decimal, against all samples from 0 to 4, halves rounded either way."""
    ways = (ROUND_HALF_UP, ROUND_HALF_DOWN)
    means = {printed(Fraction(total, n), 1, way) for total in range(4 * n + 1) for way in ways}
    possible = set()
    for values in itertools.combinations_with_replacement(range(5), n):
        mean, variance = moments(values)
        possible |= {(printed(mean, 1, w), printed_root(variance, 1, v)) for w in ways for v in ways}
    for mean in [f"{m / 10:.1f}" for m in range(41)]:
        assert (grim(mean, n).finding != "inconsistent") == (mean in means)
        for sd in [f"{s / 10:.1f}" for s in range(31)]:
            found = grimmer(mean, sd, n, minimum=0, maximum=4).finding
            assert found == ("consistent" if (mean, sd) in possible else "inconsistent")
            if found == "consistent":
                assert grimmer(mean, sd, n).finding == "consistent"


@pytest.mark.parametrize("n", range(1, 7))
@pytest.mark.parametrize("high", range(5))
def test_search_finds_what_there_is_and_nothing_else(n: int, high: int) -> None:
    there = {
        (sum(values), sum(v * v for v in values))
        for values in itertools.combinations_with_replacement(range(high + 1), n)
    }
    for total in range(n * high + 2):
        for square in range(n * high * high + 2):
            found = search(n, total, square, 0, high)
            assert (found is not None) == ((total, square) in there)
            if found is not None:
                assert (len(found), sum(found), sum(v * v for v in found)) == (n, total, square)
                assert all(0 <= v <= high for v in found)


def test_search_with_negative_numbers_and_both_ends_observed():
    there = {
        (sum(values), sum(v * v for v in values))
        for values in itertools.combinations_with_replacement(range(-2, 3), 4)
        if -2 in values and 2 in values
    }
    for total in range(-9, 10):
        for square in range(18):
            found = search(4, total, square, -2, 2, attained=True)
            assert (found is not None) == ((total, square) in there)
            assert found is None or (max(found), min(found)) == (2, -2)


def test_found_samples_have_the_printed_numbers():
    generator = np.random.default_rng(20)
    for _ in range(300):
        n, high, items = (
            int(generator.integers(2, 90)),
            int(generator.integers(1, 101)),
            int(generator.integers(1, 4)),
        )
        values = generator.binomial(high * items, generator.uniform(0.05, 0.95), n)
        mean, variance = moments(tuple(map(int, values)), items)
        shown = printed(mean, 2, ROUND_HALF_UP), printed_root(variance, 2, ROUND_HALF_UP)
        found = find_sample(*shown, n, minimum=0, maximum=high, items=items)
        assert found.finding == "found"
        again = moments(tuple(int(v * items) for v in found.values), items)
        assert abs(again[0] - Fraction(shown[0])) <= Fraction(1, 200)
        assert abs(float(again[1]) ** 0.5 - float(shown[1])) <= 0.005 + 1e-9
        assert max(found.values) <= high
        assert min(found.values) >= 0
        assert int(found.tidy()["n"].sum()) == n


def test_why_an_sd_is_impossible():
    """Each obstacle, in the order in which they are met."""
    assert grimmer("5.19", "1.00", 28).reason == "no whole total has this mean"
    # n = 5, sum 10: squares about 20 + 4 SD^2; 4 x 1.10^2 = 4.84 is not near a whole number
    assert grimmer("2.00", "1.10", 5).reason == "no whole sum of squares has this SD"
    # 4 x 1.12^2 = 5.02: 25, odd where the sum is even
    assert grimmer("2.00", "1.12", 5).reason == "sum and sum of squares would not be odd or even together"
    assert grimmer("2.00", "2.00", 2).reason == "no whole numbers have this sum and sum of squares"
    assert (
        grimmer("4.0", "3.5", 5, minimum=1, maximum=7).reason == "no sample on the scale has so large an SD"
    )
    assert grimmer("8.0", "1.0", 5, minimum=1, maximum=7).reason == "no sample on the scale has this mean"
    assert grimmer("2.50", "0.24", 10).reason == "every sample has a larger SD"


def test_divisor_items_and_ends():
    assert grimmer("2.00", "1.00", 2, divisor="n").finding == "consistent"  # 1 and 3
    assert grimmer("2.00", "1.00", 2).finding == "inconsistent"
    assert grimmer("2.50", "0.71", 2).finding == "consistent"  # 2 and 3
    assert grimmer("2.25", "0.35", 2).finding == "inconsistent"
    assert grimmer("2.25", "0.35", 2, items=2).finding == "consistent"  # 2 and 2.5
    assert grimmer("4.0", "0.0", 5, minimum=1, maximum=7).finding == "consistent"
    assert grimmer("4.0", "0.0", 5, minimum=1, maximum=7, attained=True).finding == "inconsistent"
    assert grimmer("4.0", "2.1", 5, minimum=1, maximum=7, attained=True).finding == "consistent"


def test_large_samples_end_quickly_and_large_scales_too():
    assert grimmer("3.51", "2.99", 30_000, minimum=1, maximum=7).finding == "inconsistent"
    assert grimmer("4.00", "2.90", 5000, minimum=1, maximum=7).finding == "consistent"
    assert grimmer("50217.33", "9123.42", 120).finding == "consistent"


def test_a_search_that_is_too_long_says_so():
    steps = [3]
    assert search(60, 200, 1000, 0, 10, steps=steps) is None or steps[0] > 0
    assert search(12, 40, 310, 0, 10, steps=[1]) is None


def test_means_with_few_decimals_say_nothing():
    assert grim("3.2", 28).finding == "cannot tell"
    assert grim("3.2", 10).finding == "cannot tell"
    assert grim("3.2", 9).finding == "consistent"
    assert grim("3.45", 20).finding == "consistent"
    found = grim("3.48", 20)
    assert (found.finding, found.low, found.high) == ("inconsistent", 3.45, 3.5)
    assert grim("2.84", 16, items=2).finding == "consistent"
    assert grim("2.84", 16).finding == "inconsistent"
    assert grim("-5.19", 28).finding == "inconsistent"
    # 0.125 lies on the limit of 0.12 and of 0.13: both rules of rounding are accepted
    assert [grim(mean, 8).finding for mean in ("0.12", "0.13", "0.14")] == [
        "consistent",
        "consistent",
        "inconsistent",
    ]


def test_sd_limits_hold_every_sample_and_are_reached():
    for n in (2, 3, 4, 5):
        for values in itertools.combinations_with_replacement(range(7), n):
            mean, variance = moments(values)
            limits = sd_limits(n, min(values), max(values), mean=printed(mean, 3, ROUND_HALF_UP))
            assert limits.low <= float(variance) ** 0.5 + 1e-12
            assert limits.high >= float(variance) ** 0.5 - 1e-12
    # nine at 0.6 and one at 1.4 print as range 1 to 1, mean 0.7
    assert sd_limits(10, "1", "1", mean="0.7").reason == ""
    assert judge_sd("0.25", 10, "1", "1", mean="0.7").finding == "consistent"
    reached = sd_limits(4, 0, 10, mean=5)
    assert abs(reached.high - (100 / 3) ** 0.5) < 1e-12
    assert abs(reached.low - (50 / 3) ** 0.5) < 1e-12
    # mean 2 of 4: the others at -1 would be outside, so they are not reached; a = 2, b = 8, (b - a)^2 / 2
    assert abs(sd_limits(4, 0, 10, mean=3).low - ((9 + 49 + 8) / 3) ** 0.5) < 1e-12
    assert sd_limits(4, 0, 10, mean=5, attained=False).low == 0
    assert sd_limits(4, 0, 10, mean=2).reason == "no values in the range have this mean"
    assert sd_limits(4, 0, 10, mean=2, attained=False).reason == ""
    assert sd_limits(4, 10, 0).reason == "minimum above maximum"
    assert abs(sd_limits(10, 0, 6).high - 3 * (10 / 9) ** 0.5) < 1e-12


def test_a_standard_error_among_sds():
    assert judge_sd("1.2", 25, "10", "30", mean="20").note == "fits if it is a standard error"
    assert judge_sd("6", 25, "10", "30", mean="20").finding == "consistent"
    assert judge_sd("30", 25, "10", "30", mean="20").note == "fits if an SD was multiplied by the root of n"
    assert judge_sd("300", 25, "10", "30", mean="20").note == ""
    assert judge_sd("0.1", 25, "10", "30", mean="20").note == ""
    assert judge_sd("6", 25, "10", "30", mean="40").reason == "no values in the range have this mean"


def test_order():
    assert judge_order(minimum="1", q1="3", median="3", q3="5", maximum="9").finding == "consistent"
    assert judge_order(minimum="1", q1="3", median="2.4", q3="5").reason == "q1 3 above median 2.4"
    assert judge_order(q1="3", median="2.5").finding == "consistent"
    assert judge_order(minimum="5", mean="4.4").reason == "mean below the minimum"
    assert judge_order(maximum="5", mean="5.6").reason == "mean above the maximum"
    assert (
        judge_order(median="10.0", mean="15.0", sd="4.4").reason == "mean and median more than one SD apart"
    )
    assert judge_order(median="10.0", mean="15.0", sd="4.9").finding == "consistent"
    assert judge_order(median="10.0", mean="5.0", sd="4.8").finding == "inconsistent"


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: grim(3.2, 10), "not_text"),
        (lambda: grim(True, 10), "not_text"),
        (lambda: grim("3,2", 10), "not_a_number"),
        (lambda: grim("3.2", 0), "too_few"),
        (lambda: grim("3.2", 10, items=0), "too_few"),
        (lambda: grim("3.2", 10.5), "bad_count"),
        (lambda: grimmer("3.2", "-1", 10), "bad_summary"),
        (lambda: grimmer("3.2", "1", 1), "too_few"),
        (lambda: grimmer("3.2", "1", 10, minimum=5, maximum=1), "bad_limits"),
        (lambda: grimmer("3.2", "1", 10, minimum=0.5), "bad_count"),
        (lambda: grimmer("3.2", "1", 10, attained=True), "bad_limits"),
        (lambda: grimmer("3.2", "1", 10, divisor="n+1"), "bad_choice"),
        (lambda: judge_order(median="3"), "too_few"),
        (lambda: sd_limits(1, 0, 1), "too_few"),
    ],
)
def test_refused(call, code: str) -> None:
    with pytest.raises(EstimationError) as caught:
        call()
    assert caught.value.code == code


def test_number_of_samples_is_not_what_limits_the_search():
    """More samples than could ever be listed, and still a proof in a moment."""
    assert comb(100 + 100, 100) > 10**58
    # 100 values from 0 to 100 with mean 1: at most one is 100, so the SD is at most 10
    assert grimmer("1.00", "10.02", 100, minimum=0, maximum=100).finding == "inconsistent"
    assert grimmer("1.00", "10.00", 100, minimum=0, maximum=100).finding == "consistent"
