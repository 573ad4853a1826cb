"""Published numbers: the misprints that a check must find, and the honest ones that it must not flag.

The numbers were seen in the sources named; what they were recomputed to stands in the assertions.
"""

from __future__ import annotations

import pytest

from outcomes.stats.printed.percent_counts import (
    common_denominators,
    fitting_counts,
    fitting_denominators,
    judge_percent,
)
from outcomes.stats.printed.printed_comparisons import judge_direction, judge_two_counts, judge_two_means
from outcomes.stats.printed.printed_intervals import judge_interval
from outcomes.stats.printed.printed_tests import judge_statistic

# estimate, limits, p, options: none may be flagged
HONEST_INTERVALS = {
    "adjusted difference, BMJ 2022; 376: e068041": ("-0.34", "-4.33", "3.66", ".87", {}),
    "wire and plate at 5 years, PMC6681675": ("-3.0", "-6.99", "0.99", ".139", {}),
    "same with 196 degrees of freedom": ("-3.0", "-6.99", "0.99", ".139", {"df": 196}),
    "first year of the same trial, BMJ 2014; 349: g4807": ("-1.3", "-4.5", "1.8", ".40", {}),
    "odds ratio by an exact method, BMJ 2022; 376: e068041": (
        "0.02", "0.001", "0.10", "<.05", {"scale": "ratio", "symmetric": False},
    ),
    "review, 3 months, 10.1186/s12891-021-04312-7": ("-10.43", "-15.77", "-5.08", None, {}),
    "review, 6 months, same": ("-3.48", "-6.37", "-0.59", ".02", {}),
    "review, 12 months, same": ("-4.13", "-6.94", "-1.33", "<.01", {}),
    "complications, PMC7362482": ("1.05", "0.51", "2.19", ".89", {"scale": "ratio"}),
    "strength, PMC7362482": ("10.52", "6.19", "14.86", "<.0001", {}),
    "all criteria, J Hand Surg 2018 S0363-5023(18)30613-0": ("4.15", "0.26", "8.04", "<.05", {}),
    "one criterion, same": ("5.38", "1.69", "9.07", "<.05", {}),
    "another criterion, same": ("6.72", "2.16", "11.29", "<.05", {}),
    "three arms at 12 months, 97.5 %": ("-0.14", "-9.2", "8.9", None, {"level": 0.975}),
    "score with limits in whole points, PubMed 34137830": ("88", "83", "92", None, {}),
    "the same, second arm": ("83", "78", "88", None, {}),
    "the same, third arm": ("85", "79", "90", None, {}),
}  # fmt: skip

HONEST_TESTS = {
    "chi2(3), PubMed 34137830": ("chi2", "1.44", ".70", {"df": 3}),
    "pain, same": ("chi2", "2.64", ".45", {"df": 3}),
    "four arms, same trial": ("chi2", "43.6", "< .001", {"df": 3}),
    "paired t, 10.1080/09638288.2020.1753247": ("t", "-7.5", "<.001", {"df": 72}),
    "quoted with Nuijten 2016": ("t", "2.2", "< .05", {"df": 28}),
}

HONEST_PERCENTAGES = {
    "10.1186/s10195-022-00673-4": (9, 43, "20.9"),
    "PMC6484535": (12, 65, "18.5"),
    "PMC6900695": (68, 180, "37.8"),
    "10.1186/s13018-019-1344-1": (138, 1175, "11.7"),
    "10.1186/s13018-019-1344-1, second": (68, 1175, "5.8"),
    "retrospective series, 11/39": (11, 39, "28.2"),
    "fixator at 3 years, reoperation": (8, 56, "14"),
    "plate at 3 years, reoperation": (13, 62, "21"),
    "plate at 3 years, arthritis": (25, 59, "42"),
    "fixator at 3 years, arthritis": (15, 53, "28"),
    "10.1302/2046-3758.16.2000008": (11, 61, "18"),
    "10.1302/2046-3758.16.2000008, second": (8, 75, "11"),
}


@pytest.mark.parametrize("name", HONEST_INTERVALS)
def test_honest_interval(name: str) -> None:
    *numbers, options = HONEST_INTERVALS[name]
    found = judge_interval(*numbers, **options)
    assert found.finding == "consistent"
    assert found.decision != "reversed"
    assert found.note == ""


@pytest.mark.parametrize("name", HONEST_TESTS)
def test_honest_statistic(name: str) -> None:
    kind, value, p, options = HONEST_TESTS[name]
    assert judge_statistic(kind, value, p, **options).finding == "consistent"


@pytest.mark.parametrize("name", HONEST_PERCENTAGES)
def test_honest_percentage(name: str) -> None:
    count, n, percent = HONEST_PERCENTAGES[name]
    assert judge_percent(percent, n, count=count).finding == "consistent"
    assert count in fitting_counts(percent, n).values
    assert n in fitting_denominators(count, percent).values


def test_rounded_means_are_allowed_for():
    """PMC5644687: 14 (SD 6, n 49) and 17 (SD 6, n 55), p 0.037; at face value p is 0.0124."""
    found = judge_two_means("14", "6", 49, "17", "6", 55, "0.037")
    assert found.finding == "consistent"
    assert found.low < 0.0124 < 0.037 < found.high
    assert judge_two_means("14.0", "6.0", 49, "17.0", "6.0", 55, "0.037").finding == "inconsistent"


def test_counts_of_a_trial():
    """10.1186/s10195-022-00673-4: 9/43 and 7/42, p = .78 by Fisher's test; 16.6 % is cut off, not rounded."""
    found = judge_two_counts(9, 43, 7, 42, ".78")
    assert found.finding == "consistent"
    assert found.reason == "agrees with Fisher's exact test"
    assert judge_percent("16.6", 42, count=7).finding == "cannot tell"
    assert judge_percent("16.7", 42, count=7).finding == "consistent"


def test_denominators_of_four_arms():
    """Malunion by arm, PubMed 34137830: 26 (59.1 %), 4 (8.0), 8 (17.0), 4 (9.8) give 44, 50, 47, 41, 182 in all."""
    printed = [(26, "59.1"), (4, "8.0"), (8, "17.0"), (4, "9.8")]
    assert [fitting_denominators(*pair).values for pair in printed] == [(44,), (50,), (47,), (41,)]
    assert common_denominators(printed).values == ()
    assert common_denominators([(11, "28.2"), (4, "10.3")]).values == (39,)


def test_secondary_findings_of_one_trial_are_not_flagged():
    """PMC4849219, 1 year: 3.5 (0.7) and 11.2 (4.4), 25 each, p < .05; JBJS 91: 1837: 6/22 and 2/23."""
    assert judge_two_means("3.5", "0.7", 25, "11.2", "4.4", 25, "<.05").finding == "consistent"
    assert judge_two_counts(6, 22, 2, 23, ".13").finding == "consistent"


def test_lost_sign_of_an_upper_limit():
    """PMC7362482: -1.67 (-3.58 to -0.24), P = .09; with +0.24 the middle is right and p .087."""
    found = judge_interval("-1.67", "-3.58", "-0.24", ".09")
    assert found.finding == "inconsistent"
    assert found.note == "would agree with 0.24 as upper limit"
    mended = judge_interval("-1.67", "-3.58", "0.24", ".09")
    assert mended.finding == "consistent"
    assert mended.low < 0.087 < mended.high


def test_lost_sign_of_a_lower_limit():
    """Three arms at 12 months (omicsdi S-EPMC7255928): 3, 97.5 % CI 6.0 to 11.5."""
    found = judge_interval("3", "6.0", "11.5", level=0.975)
    assert found.finding == "inconsistent"
    assert found.reason == "the estimate is outside of its interval"
    assert found.note == "would agree with -6.0 as lower limit"


def test_limits_in_the_wrong_order():
    """10.1302/2633-1462.52.BJO-2023-0149: -4.13, CI printed 5.82 to -2.45."""
    found = judge_interval("-4.13", "5.82", "-2.45")
    assert (found.finding, found.reason) == ("inconsistent", "the lower limit is above the upper one")
    assert found.note == "would agree with -5.82 as lower limit"


def test_significance_that_is_not_there_and_the_wrong_direction():
    """PMC4849219, 3 months: 12.2 (3.1) and 14.5 (5.6), 25 each, p < .05: p is .080. At 1 year "greater" for lower."""
    found = judge_two_means("12.2", "3.1", 25, "14.5", "5.6", 25, "p<.05")
    assert (found.finding, found.decision) == ("inconsistent", "reversed")
    assert found.low < 0.080 < found.high
    assert judge_direction("3.5", "11.2", "higher").finding == "inconsistent"


def test_p_that_does_not_fit_its_means():
    """Can J Surg 2013; 56: 378: 16.2 (23.1), n 20, and 21.5 (23.6), n 24, p = .91: p is .46."""
    found = judge_two_means("16.2", "23.1", 20, "21.5", "23.6", 24, ".91")
    assert (found.finding, found.decision) == ("inconsistent", "same")
    assert found.low < 0.46 < found.high


def test_impossible_percentage():
    """Retrospective series: complications 28.2 % of 39 and 34.5 % of 23; 8/23 is 34.8 %."""
    found = judge_percent("34.5", 23)
    assert (found.finding, found.reason) == ("inconsistent", "7/23 is 30.43 %, 8/23 is 34.78 %")


def test_correlation_of_another_n():
    """PMC6900695: r = 0.071 with P = .546, n 180; about 68 would fit, and no n near 180 does."""
    assert judge_statistic("r", "0.071", ".546", n=180).finding == "inconsistent"
    assert judge_statistic("r", "0.071", ".340", n=180).finding == "consistent"
    fits = [n for n in range(10, 181) if judge_statistic("r", "0.071", ".546", n=n).finding == "consistent"]
    assert fits == list(range(min(fits), max(fits) + 1))
    assert 65 < min(fits) < max(fits) < 80
