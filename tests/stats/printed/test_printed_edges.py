"""Printed numbers at their edges: limits met exactly, every rule by hand, sizes in every result."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from outcomes.stats.printed.attainable import find_sample, search
from outcomes.stats.printed.fragility import fragility_index
from outcomes.stats.printed.granularity import grim
from outcomes.stats.printed.group_numbers import combine_groups, mean_sd_from_quantiles
from outcomes.stats.printed.percent_counts import fitting_counts, fitting_denominators
from outcomes.stats.printed.printed_comparisons import (
    corrected_chi2_p,
    judge_direction,
    judge_two_counts,
    judge_two_means,
)
from outcomes.stats.printed.printed_intervals import interval_from_p, judge_interval, p_from_interval
from outcomes.stats.printed.printed_tests import judge_statistic, p_from_statistic
from outcomes.stats.printed.printed_text import judge_p, read_printed_p
from outcomes.stats.printed.spread_limits import judge_order, judge_sd, sd_limits
from outcomes.stats.printed.summary_numbers import (
    correlation_from_change,
    sd_from_difference_interval,
    sd_from_difference_se,
    sd_from_interval,
    sd_from_se,
)
from outcomes.stats.proportions.fisher_tables import fisher_p


def test_a_changed_patient_who_meets_alpha_exactly_is_enough():
    found = fragility_index(1, 100, 9, 100, alpha=fisher_p(2, 100, 9, 100))
    assert (found.index, found.reason) == (1, "")
    # back: p of exactly alpha is not yet significant, the next patient is needed
    back = fragility_index(4, 100, 9, 100, alpha=fisher_p(3, 100, 9, 100))
    assert (back.index, back.direction) == (2, "reverse fragility")
    assert back.p_values[1] == back.alpha > back.p_values[2]
    assert fragility_index(1, 100, 9, 100, lost=1).fewer_than_lost is False
    assert fragility_index(1, 100, 9, 100, lost=2).fewer_than_lost is True
    assert fragility_index(1, 100, 9, 100, lost=2).tidy()["n_missing"].tolist() == [2]


def test_groups_with_the_same_events_and_shares():
    assert fragility_index(5, 50, 5, 50).changed_group == 1
    assert fragility_index(5, 50, 5, 60).changed_group == 0
    assert fragility_index(5, 60, 5, 50).changed_group == 1


def test_every_rule_for_the_mean_by_hand():
    """Range 2 to 14, quartiles 4 and 10, median 6, n = 16 (16^0.75 = 8)."""
    ends, quartiles = {"minimum": 2, "maximum": 14}, {"q1": 4, "q3": 10}

    def mean(**given):
        return mean_sd_from_quantiles(16, 6, **given).mean

    assert math.isclose(mean(**ends, mean_method="Wan"), (2 + 2 * 6 + 14) / 4)
    assert math.isclose(mean(**quartiles, mean_method="Wan"), (4 + 6 + 10) / 3)
    assert math.isclose(mean(**ends, **quartiles, mean_method="Wan"), (2 + 8 + 12 + 20 + 14) / 8)
    assert math.isclose(mean(**ends), 4 / 12 * 8 + 8 / 12 * 6)
    assert math.isclose(mean(**quartiles), (0.7 + 0.39 / 16) * 7 + (0.3 - 0.39 / 16) * 6)
    one, two = 2.2 / 10.2, 0.7 - 0.72 / 16**0.55
    assert math.isclose(mean(**ends, **quartiles), one * 8 + two * 7 + (1 - one - two) * 6)


def test_every_rule_for_the_sd_by_hand():
    ends, quartiles = {"minimum": 2, "maximum": 14}, {"q1": 4, "q3": 10}
    by_range = 12 / (2 * stats.norm.ppf((16 - 0.375) / 16.25))
    by_quartiles = 6 / (2 * stats.norm.ppf((12 - 0.125) / 16.25))

    def sd(**given):
        return mean_sd_from_quantiles(16, 6, **given).sd

    assert math.isclose(sd(**ends), by_range)
    assert math.isclose(sd(**quartiles), by_quartiles)
    assert math.isclose(sd(**ends, **quartiles, sd_method="Wan"), (by_range + by_quartiles) / 2)
    share = 1 / (1 + 0.07 * 16**0.6)
    assert math.isclose(sd(**ends, **quartiles), share * by_range + (1 - share) * by_quartiles)
    two = mean_sd_from_quantiles(2, 6, **ends)
    assert math.isclose(two.sd, 12 / (2 * stats.norm.ppf(1.625 / 2.25)))


def test_groups_of_one_patient_and_of_none():
    both = combine_groups([1, 1], [3.0, 5.0], [0.0, 9.0])
    assert (both.n, both.mean) == (2, 4.0)
    assert math.isclose(both.sd, math.sqrt(2))
    same = combine_groups([0, 2], [7.0, 5.0], [1.0, 3.0])
    assert (same.n, same.mean, same.sd) == (2, 5.0, 3.0)


def test_cases_stand_in_every_comparison():
    assert judge_two_counts(9, 43, 7, 42, ".78").n == 85
    assert judge_two_counts(0, 10, 0, 12, "1.0").n == 22
    assert judge_two_means("14", "6", 49, "17", "6", 55, "0.037").n == 104
    assert judge_statistic("r", "0.40", "0.08", n=20).n == 20
    assert judge_statistic("t", "2.2", "0.036", df=28).n == 0
    assert grim("5.19", 28).n == 28


def test_yates_by_hand():
    """6/20 v 2/30, n 50: |6 x 28 - 2 x 14| - 25 = 115; 50 x 115^2 / (8 x 42 x 20 x 30)."""
    p = corrected_chi2_p(6, 20, 2, 30)
    assert math.isclose(p, stats.chi2.sf(50 * 115**2 / (8 * 42 * 20 * 30), 1), rel_tol=1e-12)
    assert math.isclose(corrected_chi2_p(2, 30, 6, 20), p, rel_tol=1e-14)


def test_a_direction_that_touches():
    # 3.4 is 3.35 to 3.45, 3.5 is 3.45 to 3.55: both may be 3.45
    assert judge_direction("3.4", "3.5", "higher").finding == "cannot tell"
    assert judge_direction("3.5", "3.4", "lower").finding == "cannot tell"
    assert judge_direction("3.4", "3.6", "higher").finding == "inconsistent"
    assert judge_direction("3.6", "3.4", "lower").finding == "inconsistent"


def test_a_one_sided_p_is_named_only_where_there_is_one():
    assert judge_interval("2.00", "-1.00", "5.00", "0.096").note == "a one-sided p would agree"
    # not in the middle: the p of the width says nothing more
    odd = judge_interval("2.00", "-1.00", "6.00", "0.131")
    assert (odd.finding, odd.note) == ("inconsistent", "")
    # a score interval shows only a side of 0.05
    aside = judge_interval("2.00", "-1.00", "3.50", "0.03", symmetric=False)
    assert (aside.finding, aside.note) == ("inconsistent", "")


def test_an_estimate_on_the_limit_of_its_interval():
    """1.0 may be 1.05 and 1.1 may be 1.05; 1.2 starts at 1.15."""
    assert judge_interval("1.0", "1.1", "3.0", symmetric=False).finding == "consistent"
    assert (
        judge_interval("1.0", "1.2", "3.0", symmetric=False).reason
        == "the estimate is outside of its interval"
    )
    assert judge_interval("3.1", "1.0", "3.0", symmetric=False).finding == "consistent"
    assert (
        judge_interval("3.2", "1.0", "3.0", symmetric=False).reason
        == "the estimate is outside of its interval"
    )
    assert judge_interval("3.0", "3.1", "3.0", symmetric=False).finding == "consistent"
    assert judge_interval("3.0", "3.2", "3.0", symmetric=False).reason.startswith("the lower limit")


def test_lost_signs_of_limits():
    assert judge_interval("0.5", "-3.0", "-4.0").note == "would agree with 4.0 as upper limit"
    assert judge_interval("0.5", "+3.0", "4.0").note == "would agree with -3.0 as lower limit"
    assert judge_interval("1.5", "3.0", "4.0", scale="ratio").note == ""


def test_a_ratio_by_interval_and_by_p():
    found = p_from_interval(2.0, 1.0, 4.0, scale="ratio")
    error = math.log(2) / stats.norm.ppf(0.975)
    assert math.isclose(found.std_error, error)
    assert (found.unit, found.df) == ("ratio", None)
    assert math.isclose(found.p_value, 0.05)
    back = interval_from_p(2.0, 0.05, scale="ratio", df=9)
    assert math.isclose(back.conf_low, 1.0, rel_tol=1e-9)
    assert (back.unit, back.df) == ("ratio", 9)
    assert interval_from_p(2.0, 0.05).unit == p_from_interval(2.0, 1.0, 3.0).unit == ""
    assert math.isclose(interval_from_p(-2.0, 0.05).conf_high, 0.0, abs_tol=1e-9)


def test_ends_of_statistics():
    assert p_from_statistic("F", 0.0, 1, 5) == p_from_statistic("chi2", 0.0, 2) == 1.0
    assert 0 < p_from_statistic("r", 1.0, 8) < 1e-300
    assert p_from_statistic("r", -1.0, 8) == p_from_statistic("r", 1.0, 8)
    assert math.isclose(p_from_statistic("z", -1.959963984540054), 0.05)
    assert judge_statistic("r", "0.9", ".29", n=3).finding == "consistent"
    # Welch's 0.4 is 0.35 to 0.45 degrees of freedom
    line = judge_statistic("t", "2.00", "0.5", df="0.4")
    assert math.isclose(line.low, 2 * stats.t.sf(2.005, 0.45))
    assert math.isclose(line.high, 2 * stats.t.sf(1.995, 0.35))


def test_counts_at_the_ends():
    assert fitting_counts("0", 10).values == (0,)
    assert fitting_counts("100", 10).values == (10,)
    assert fitting_counts("0.0", 3000).values == (0, 1)
    assert fitting_denominators(0, "0", largest=5).values == (1, 2, 3, 4, 5)
    assert fitting_denominators(3, "100", largest=10).values == (3,)
    assert fitting_denominators(2, "0", largest=600).values == tuple(range(400, 601))
    assert str(fitting_counts("50", 600)) == "50 % of 600: count 297 to 303"
    assert str(fitting_counts("50", 300)) == "50 % of 300: count 149, 150, 151"


def test_ends_that_meet():
    """All values alike; two values; a scale of no width."""
    assert (sd_limits(5, 3, 3).low, sd_limits(5, 3, 3).high) == (0.0, 0.0)
    two = sd_limits(2, 0, 10)
    assert math.isclose(two.low, math.sqrt(50))
    assert math.isclose(two.high, math.sqrt(50))
    # three values, 0 and 10 and one between at mean 5: it is 5; at mean 4: it is 2
    assert math.isclose(sd_limits(3, 0, 10, mean=5).low, 5.0)
    assert math.isclose(sd_limits(3, 0, 10, mean=4).low, math.sqrt((16 + 36 + 4) / 2))
    assert sd_limits(3, 0, 10, mean=5, attained=False).low == 0.0
    assert sd_limits(3, 0, 10, mean=3).low is None
    assert sd_limits(2, 10, 0).reason == "minimum above maximum"


def test_spreads_that_fit_after_a_root_of_n():
    """25 values from 10 to 30: SD 2.74 to 10.7 about mean 20."""
    assert judge_sd("1.2", 25, "10", "30", mean="20").note == "fits if it is a standard error"
    assert judge_sd("30", 25, "10", "30", mean="20").note == "fits if an SD was multiplied by the root of n"
    assert judge_sd("0.1", 25, "10", "30", mean="20").note == ""
    assert judge_sd("90", 25, "10", "30", mean="20").note == ""
    assert judge_sd("5", 25, "10", "30", mean="20").note == ""


def test_order_of_numbers_that_touch():
    # 4 is up to 4.5, 5 from 4.5
    assert judge_order(q1="5", median="4").finding == "consistent"
    assert judge_order(q1="5.0", median="4").finding == "inconsistent"
    assert judge_order(minimum="5", mean="4").finding == "consistent"
    assert judge_order(minimum="5.0", mean="4").reason == "mean below the minimum"
    assert judge_order(maximum="4", mean="5").finding == "consistent"
    assert judge_order(maximum="4", mean="5.0").reason == "mean above the maximum"
    # 4 to 6 may be 4.5 to 5.5, one apart
    assert judge_order(median="4", mean="6", sd="1.0").finding == "consistent"
    assert judge_order(median="6", mean="4", sd="0.9").reason == "mean and median more than one SD apart"


def test_whole_numbers_of_one_value_and_of_items():
    found = find_sample("3.0", "0.0", 4, minimum=3, maximum=3)
    assert [int(value) for value in found.values] == [3, 3, 3, 3]
    assert found.tidy().to_dict("list") == {"value": [3.0], "n": [4]}
    halves = find_sample("2.50", "0.71", 2, items=2)
    assert sorted(float(value) for value in halves.values) == [2.0, 3.0]
    by_n = find_sample("2.00", "1.00", 2, divisor="n")
    assert [int(value) for value in by_n.values] == [3, 1]


def test_grim_of_means_next_to_it():
    found = grim("5.19", 28)
    assert (found.low, found.high) == (145 / 28, 146 / 28)
    # 1/100 is the width of what two decimals stand for
    assert grim("5.19", 100).finding == "cannot tell"
    assert grim("5.19", 99).finding == "consistent"
    assert "2 items" in grim("5.19", 14, items=2).printed
    assert "items" not in found.printed


@pytest.mark.parametrize(("n1", "n0"), [(1, 2), (2, 1)])
def test_smallest_groups_with_a_common_sd(n1, n0):
    assert math.isclose(sd_from_difference_se(1.0, n1, n0).value, 1 / math.sqrt(1.5))
    by_t = sd_from_difference_interval(-1.0, 1.0, n1, n0).value
    assert math.isclose(by_t, 1 / stats.t.ppf(0.975, 1) / math.sqrt(1.5), rel_tol=1e-9)


def test_smallest_group_with_an_sd():
    assert math.isclose(sd_from_se(1.0, 2).value, math.sqrt(2))
    assert math.isclose(
        sd_from_interval(0.0, 2.0, 2).value, math.sqrt(2) / stats.t.ppf(0.975, 1), rel_tol=1e-9
    )
    assert math.isclose(sd_from_interval(0.0, 2.0, 9, 0.9).value, 3 / stats.t.ppf(0.95, 8), rel_tol=1e-9)


def test_correlations_that_only_rounding_puts_beyond_one():
    assert correlation_from_change(0.1, 0.2, 0.30000000000000004).value == -1.0
    assert correlation_from_change(0.3, 0.2, 0.1).value == 1.0
    assert correlation_from_change(3, 4, 7 * (1 + 1e-14)).value == -1.0
    assert correlation_from_change(3, 4, 1 - 1e-12).value == 1.0
    assert correlation_from_change(3, 4, 7.00000001).value is None


def test_p_that_meets_alpha_or_a_limit_exactly():
    """0.04 is 0.035 to 0.045: at alpha 0.045 it may be either; 0.06 from 0.055 is above alpha 0.055."""
    low, high = read_printed_p("0.04"), read_printed_p("0.06")
    assert judge_p(low, 0.01, 0.02, 0.045) == ("inconsistent", "not judged")
    assert judge_p(low, 0.01, 0.02, 0.046) == ("inconsistent", "same")
    assert judge_p(high, 0.07, 0.08, 0.055) == ("inconsistent", "same")
    assert judge_p(high, 0.01, 0.02, 0.055) == ("inconsistent", "reversed")
    # recomputed from or to alpha itself
    assert judge_p(read_printed_p("< .05"), 0.05, 0.06) == ("consistent", "reversed")
    assert judge_p(read_printed_p("< .05"), 0.01, 0.05) == ("consistent", "not judged")
    assert judge_p(read_printed_p("> .05"), 0.01, 0.05)[0] == "consistent"
    # "> .05" at 0.05 is above, "< .05" below
    assert judge_p(read_printed_p("> .05"), 0.2, 0.3) == ("consistent", "same")
    assert judge_p(read_printed_p("< .05"), 0.01, 0.02) == ("consistent", "same")
    assert judge_p(read_printed_p("0.000"), 0.0, 0.0)[0] == "consistent"
    assert judge_p(read_printed_p("1.000"), 1.0, 1.0)[0] == "consistent"


def test_two_values_that_are_both_ends():
    assert search(2, 5, 17, 1, 4, attained=True) == [4, 1]
    assert search(2, 6, 17, 1, 4, attained=True) is None
    assert search(2, 5, 18, 1, 4, attained=True) is None
