"""Printed p, statistics, groups, intervals and fragility: limits, notes, laws, refusals, brute force."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.groups.means import mean_difference_from_summary
from outcomes.stats.printed.fragility import fragility_index
from outcomes.stats.printed.percent_counts import (
    common_denominators,
    fitting_counts,
    fitting_denominators,
    judge_percent,
)
from outcomes.stats.printed.printed_comparisons import (
    corrected_chi2_p,
    judge_direction,
    judge_two_counts,
    judge_two_means,
)
from outcomes.stats.printed.printed_intervals import interval_from_p, judge_interval, p_from_interval
from outcomes.stats.printed.printed_tests import judge_statistic, p_from_statistic
from outcomes.stats.printed.printed_text import judge_p, read_printed, read_printed_p
from outcomes.stats.proportions.contingency import fisher_exact
from outcomes.stats.proportions.fisher_tables import fisher_p, fisher_p_table


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("3.20", 3.195, 3.205), ("3.2", 3.15, 3.25), ("3", 2.5, 3.5), (".5", 0.45, 0.55), ("-0.4", -0.45, -0.35),
        ("\u22120.4", -0.45, -0.35), ("0\u00b74", 0.35, 0.45), ("1.3e-10", 1.25e-10, 1.35e-10), ("+2", 1.5, 2.5),
        (4, 3.5, 4.5), ("1e2", 50, 150), (" 7 ", 6.5, 7.5),
    ],
)  # fmt: skip
def test_what_a_number_stands_for(text, low, high):
    number = read_printed(text)
    assert (float(number.low), float(number.high)) == (low, high)


def test_cut_off_digits():
    assert [
        float(x)
        for x in (read_printed("16.6", truncated=True).low, read_printed("16.6", truncated=True).high)
    ] == [16.6, 16.7]
    assert float(read_printed("-1.5", truncated=True).low) == -1.6
    assert float(read_printed("-1.5", truncated=True).high) == -1.5


@pytest.mark.parametrize(
    ("text", "relation", "low", "high"),
    [
        ("0.037", "=", 0.0365, 0.0375), ("p = .04", "=", 0.035, 0.045), ("P<0.001", "<", 0, 0.001),
        ("> .2", ">", 0.2, 1), ("\u2264.05", "<", 0, 0.05), ("0.000", "=", 0, 0.0005), ("1.0", "=", 0.95, 1),
        ("\u2265 0.1", ">", 0.1, 1), ("p=.5", "=", 0.45, 0.55),
    ],
)  # fmt: skip
def test_what_a_p_stands_for(text, relation, low, high):
    p = read_printed_p(text)
    assert p.relation == relation
    assert math.isclose(p.low, low, abs_tol=1e-15)
    assert math.isclose(p.high, high)


def test_finding_and_decision_at_their_limits():
    below, above, exact = read_printed_p("<.05"), read_printed_p(">.05"), read_printed_p("0.04")
    assert judge_p(below, 0.01, 0.02) == ("consistent", "same")
    assert judge_p(below, 0.0501, 0.06) == ("inconsistent", "reversed")
    assert judge_p(below, 0.04, 0.06) == ("consistent", "not judged")
    assert judge_p(above, 0.01, 0.02) == ("inconsistent", "reversed")
    assert judge_p(above, 0.06, 0.07) == ("consistent", "same")
    assert judge_p(exact, 0.0451, 0.06) == ("inconsistent", "not judged")
    assert judge_p(exact, 0.045, 0.06) == ("consistent", "not judged")
    assert judge_p(exact, 0.01, 0.035) == ("consistent", "same")
    assert judge_p(exact, 0.01, 0.0349) == ("inconsistent", "same")
    # 0.05 may be 0.045 or 0.055
    assert judge_p(read_printed_p("0.05"), 0.06, 0.07) == ("inconsistent", "not judged")
    assert judge_p(read_printed_p("0.2"), 0.0001, 0.001, 0.01) == ("inconsistent", "reversed")


def test_limits_of_p_are_the_p_of_the_limits():
    line = judge_statistic("t", "2.2", "0.036", df=28)
    assert math.isclose(line.low, 2 * stats.t.sf(2.25, 28))
    assert math.isclose(line.high, 2 * stats.t.sf(2.15, 28))
    line = judge_statistic("t", "0.0", "1.0", df="12.4")
    assert math.isclose(line.low, 2 * stats.t.sf(0.05, 12.45))
    assert line.high == 1
    line = judge_statistic("F", "4.35", "0.017", df=2, df2=57)
    assert math.isclose(line.low, stats.f.sf(4.355, 2, 57))
    line = judge_statistic("chi2", "0.00", "1.0", df=1)
    assert math.isclose(line.low, stats.chi2.sf(0.005, 1))
    line = judge_statistic("r", "-1.00", "< .001", n=10)
    assert line.finding == "consistent"
    assert line.low > 0
    assert judge_statistic("z", "40", "< .001").low > 0
    assert math.isclose(
        judge_statistic("r", "0.40", "0.08", n=20).high,
        stats.t.sf(0.395 * math.sqrt(18 / (1 - 0.395**2)), 18) * 2,
    )


def test_a_p_of_one_side_is_named():
    line = judge_statistic("t", "1.80", ".041", df=28)
    assert (line.finding, line.note) == ("inconsistent", "a one-sided p would agree")
    assert judge_statistic("chi2", "3.84", ".025", df=1).note == ""
    assert "p from the printed numbers" in str(line)
    assert line.tidy()["finding"][0] == "inconsistent"


def test_means_hold_every_p_of_their_corners_and_inside():
    """Means and SDs anywhere within their rounding give a p within the limits, by both tests."""
    g = np.random.default_rng(3)
    for _ in range(60):
        n = g.integers(2, 40, 2)
        m, s = g.uniform(0, 10, 2).round(1), g.uniform(0.1, 6, 2).round(1)
        for test, equal in (("pooled", True), ("Welch", False)):
            line = judge_two_means(
                f"{m[0]:.1f}",
                f"{s[0]:.1f}",
                int(n[0]),
                f"{m[1]:.1f}",
                f"{s[1]:.1f}",
                int(n[1]),
                "0.5",
                test=test,
            )
            near = g.uniform(-0.05, 0.05, (40, 4))
            near[:16] = list(itertools.product((-0.05, 0.05), repeat=4))
            p = stats.ttest_ind_from_stats(
                m[0] + near[:, 0],
                np.abs(s[0] + near[:, 1]),
                n[0],
                m[1] + near[:, 2],
                np.abs(s[1] + near[:, 3]),
                n[1],
                equal_var=equal,
            ).pvalue
            assert (p >= line.low * (1 - 1e-9)).all()
            assert (p <= line.high * (1 + 1e-9)).all()


def test_means_whose_spreads_are_standard_errors():
    # SD 10, n 25 each, difference 6: p .039; the errors are 2
    assert (
        judge_two_means("56.0", "2.0", 25, "50.0", "2.0", 25, ".039").note
        == "would agree if the SDs are standard errors"
    )
    assert judge_two_means("56.0", "10.0", 25, "50.0", "10.0", 25, ".039").finding == "consistent"
    p = mean_difference_from_summary(56, 10, 25, 50, 10, 25, pooled=True).p_value
    line = judge_two_means("56.000", "10.000", 25, "50.000", "10.000", 25, ".039", test="pooled")
    assert line.low < p < line.high
    assert judge_two_means("5", "0", 10, "7", "0", 10, "< .001").finding == "consistent"
    assert judge_two_means("5", "0.0", 10, "5", "0.0", 10, "1.0").finding == "consistent"
    assert judge_two_means("5.0", "1.0", 10, "5.0", "1.0", 10, "0.5").finding == "inconsistent"
    either = judge_two_means("5.00", "1.00", 5, "7.00", "5.00", 60, "0.5")
    assert either.low <= judge_two_means("5.00", "1.00", 5, "7.00", "5.00", 60, "0.5", test="Welch").low
    assert either.high >= judge_two_means("5.00", "1.00", 5, "7.00", "5.00", 60, "0.5", test="pooled").high


def test_counts_agree_by_one_test_or_none():
    assert judge_two_counts(9, 43, 7, 42, ".615").reason == "agrees with chi-squared"
    assert judge_two_counts(9, 43, 7, 42, ".822").reason == "agrees with chi-squared with Yates' correction"
    between = judge_two_counts(9, 43, 7, 42, ".70")
    assert between.finding == "inconsistent"
    assert between.low < 0.70 < between.high
    assert judge_two_counts(0, 10, 0, 12, "1.0").finding == "cannot tell"
    assert judge_two_counts(10, 10, 12, 12, "1.0").finding == "cannot tell"
    with pytest.raises(EstimationError):
        corrected_chi2_p(0, 10, 0, 12)
    assert corrected_chi2_p(5, 10, 6, 12) == 1


def test_direction():
    assert judge_direction("4", "3.4", "higher").finding == "consistent"
    assert judge_direction("3.4", "3", "lower").finding == "cannot tell"
    assert judge_direction("3.0", "3.0", "equal").finding == "consistent"
    assert judge_direction("3.1", "3.0", "equal").finding == "cannot tell"
    assert judge_direction("3.1", "2.0", "equal").finding == "inconsistent"


def test_percentages_by_counting():
    for n in range(1, 60, 3):
        for tenth in range(0, 1001, 7):
            text = f"{tenth / 10:.1f}"
            fits = tuple(k for k in range(n + 1) if abs(100 * k * 10 - tenth * n) * 2 <= n)
            assert fitting_counts(text, n).values == fits
            assert (judge_percent(text, n).finding == "consistent") == bool(fits)
    for count, text in itertools.product(range(12), ("0.0", "4.3", "33.3", "50", "100")):
        share = float(text)
        half = 0.5 if "." not in text else 0.05
        fits = tuple(
            n
            for n in range(max(count, 1), 301)
            if share - half - 1e-9 <= 100 * count / n <= share + half + 1e-9
        )
        assert fitting_denominators(count, text, largest=300).values == fits


def test_percentage_with_its_sign_and_words():
    assert judge_percent("34.8 %", 23, count=8).finding == "consistent"
    assert judge_percent("34.8", 23, count=7).reason == "7/23 is 30.43 %"
    assert judge_percent("100", 23, count=23).finding == "consistent"
    assert str(fitting_counts("50", 500)) == "50 % of 500: count 248 to 252"
    assert fitting_counts("33", 3).tidy()["count"].tolist() == [1]
    with pytest.raises(EstimationError, match="at least one"):
        common_denominators([])
    for bad in (
        lambda: judge_percent("101", 3),
        lambda: judge_percent("50", 0),
        lambda: judge_percent("50", 3, count=4),
    ):
        with pytest.raises(EstimationError):
            bad()


@given(
    value=st.floats(-50, 50), error=st.floats(0.1, 20), level=st.sampled_from([0.9, 0.95, 0.99]),
    df=st.sampled_from([4.0, 30.0, math.inf]),
)  # fmt: skip
def test_interval_p_and_error_give_one_another(value: float, error: float, level: float, df: float) -> None:
    q = stats.norm.ppf((1 + level) / 2) if math.isinf(df) else stats.t.ppf((1 + level) / 2, df)
    found = p_from_interval(value, value - q * error, value + q * error, level=level, df=df)
    assert math.isclose(found.std_error, error, rel_tol=1e-9)
    if abs(value) > 1e-3 and 1e-12 < found.p_value < 1 - 1e-3:
        back = interval_from_p(value, found.p_value, level=level, df=df)
        assert math.isclose(back.conf_low, value - q * error, rel_tol=1e-6, abs_tol=1e-6)
    ratio = p_from_interval(
        math.exp(value / 20),
        math.exp((value - q * error) / 20),
        math.exp((value + q * error) / 20),
        level=level,
        df=df,
        scale="ratio",
    )
    assert math.isclose(ratio.p_value, found.p_value, rel_tol=1e-7, abs_tol=1e-300)


def test_interval_from_p_of_a_ratio():
    """Altman and Bland 2011 (BMJ 343: d2090): ratio 0.81, P = 0.03; limits by hand."""
    found = interval_from_p(0.81, 0.03, scale="ratio")
    error = abs(math.log(0.81)) / stats.norm.isf(0.015)
    assert math.isclose(found.std_error, error)
    assert math.isclose(found.conf_high, 0.81 * math.exp(stats.norm.isf(0.025) * error))
    assert interval_from_p(0.0, 0.5).value is None
    assert interval_from_p(1.0, 0.5, scale="ratio").reason.startswith("no effect")


def test_interval_findings():
    assert judge_interval("2.0", "1.0", "3.0").finding == "consistent"
    assert judge_interval("2.0", "1.0", "3.4").reason == "the estimate is not in the middle of its interval"
    assert judge_interval("2.0", "1.0", "3.4", symmetric=False).finding == "consistent"
    assert judge_interval("2.0", "1.0", "3.1").finding == "consistent"  # 1.05 to 3.05 has 2.05
    # an estimate that may be 0 has a p up to 1; one that may be 1 has not
    assert judge_interval("0.0", "-1.0", "1.0", "1.00").high == 1
    assert judge_interval("1.0", "0.0", "2.0", "0.05").high < 0.1
    # log scale: 2 is the middle of 1 and 4
    assert judge_interval("2.0", "1.0", "4.0", scale="ratio").finding == "consistent"
    assert judge_interval("2.0", "1.0", "4.0").finding == "inconsistent"
    assert judge_interval("2.00", "1.00", "3.00", "0.2").finding == "inconsistent"
    assert judge_interval("2.00", "-1.00", "5.00", "0.191").finding == "consistent"
    assert judge_interval("2.00", "-1.00", "5.00", "< .05").decision == "reversed"
    outside, inside = ("2.00", "1.00", "3.50"), ("2.00", "-1.00", "3.50")
    assert judge_interval(*outside, "> .05", symmetric=False).decision == "reversed"
    assert judge_interval(*inside, "< .05", symmetric=False).decision == "reversed"
    assert judge_interval(*inside, "< .05", symmetric=False).finding == "inconsistent"
    assert judge_interval(*outside, "> .05", symmetric=False).finding == "inconsistent"
    assert judge_interval(*inside, ".05", symmetric=False).finding == "consistent"
    assert judge_interval("2.00", "1.00", "3.50", ".02", symmetric=False).finding == "consistent"
    assert (
        judge_interval("2.00", "0.0", "3.50", ".2", symmetric=False).finding == "consistent"
    )  # 0.0 may be below 0
    # a lower limit printed as 0.00 has no smallest logarithm: nothing can be said against it
    assert judge_interval("0.02", "0.00", "0.10", ".03", scale="ratio").finding == "consistent"
    assert judge_interval("2", "2", "2", "< .001").finding == "consistent"
    # t with 4 df: half the width is 2.776 errors
    p = 2 * stats.t.sf(2 / (3 / stats.t.ppf(0.975, 4)), 4)
    assert judge_interval("2.000", "-1.000", "5.000", f"{p:.3f}", df=4).finding == "consistent"
    assert judge_interval("2.000", "-1.000", "5.000", f"{p:.3f}").finding == "inconsistent"


@pytest.mark.parametrize(
    "call",
    [
        lambda: read_printed(1.5), lambda: read_printed("1,175"), lambda: read_printed("abc"), lambda: read_printed(""),
        lambda: read_printed_p(0.05), lambda: read_printed_p("1.2"), lambda: read_printed_p("ns"),
        lambda: read_printed_p("< < 0.1"), lambda: p_from_statistic("t", 2.0), lambda: p_from_statistic("z", 2.0, 3),
        lambda: p_from_statistic("F", 2.0, 3), lambda: p_from_statistic("F", -2.0, 3, 4), lambda: p_from_statistic("r", 1.2, 3),
        lambda: p_from_statistic("t", math.nan, 3), lambda: p_from_statistic("t", 1, 0), lambda: p_from_statistic("w", 1, 3),
        lambda: judge_statistic("t", "2", "0.1", n=20), lambda: judge_statistic("r", "0.2", "0.1", n=2),
        lambda: judge_statistic("r", "1.2", "0.1", n=20), lambda: judge_statistic("F", "-1", "0.1", df=1, df2=3),
        lambda: judge_statistic("t", "1", "0.1", df=0), lambda: judge_two_means("1", "-1", 3, "2", "1", 3, ".5"),
        lambda: judge_two_means("1", "1", 1, "2", "1", 3, ".5"), lambda: judge_two_counts(5, 4, 1, 3, ".5"),
        lambda: judge_p(read_printed_p(".05"), 0.1, 0.2, 1.5), lambda: judge_interval("1", "-1", "2", scale="ratio"),
        lambda: judge_interval("1", "0", "2", df=0), lambda: judge_interval("1", "0", "2", level=95),
        lambda: p_from_interval(1, 2, 1), lambda: p_from_interval(1, 0, 2, scale="ratio"), lambda: interval_from_p(1, 0),
        lambda: interval_from_p(-1, 0.5, scale="ratio"), lambda: interval_from_p(1, 0.5, df=0),
        lambda: judge_direction("1", "2", "more"), lambda: fragility_index(1, 0, 3, 4), lambda: fragility_index(1, 3, 3, 4, alpha=5),
        lambda: fragility_index(1, 3, 3, 4, arm="both"), lambda: fragility_index(1, 3, 3, 4, lost=-1),
    ],
)  # fmt: skip
def test_refused(call) -> None:
    with pytest.raises(EstimationError):
        call()


def test_fisher_p_is_that_of_the_full_test():
    g = np.random.default_rng(5)
    for _ in range(200):
        n1, n0 = (int(n) for n in g.integers(1, 30, 2))
        e1, e0 = int(g.integers(0, n1 + 1)), int(g.integers(0, n0 + 1))
        full = fisher_exact(e1, n1, e0, n0).p_value
        assert math.isclose(fisher_p(e1, n1, e0, n0), 1.0 if full is None else full, rel_tol=1e-10)
        assert math.isclose(fisher_p(e1, n1, e0, n0), fisher_p(e0, n0, e1, n1), rel_tol=1e-10)
    table = fisher_p_table(7, 9)
    for i, j in itertools.product(range(8), range(10)):
        assert math.isclose(table[i, j], fisher_p(i, 7, j, 9), rel_tol=1e-10)


def test_fragility_is_the_smallest_number_by_brute_force():
    """Every number of changed patients, not step by step, with the p of scipy."""
    g = np.random.default_rng(6)
    directions = set()
    for _ in range(80):
        n1, n0 = (int(n) for n in g.integers(5, 40, 2))
        e1, e0 = int(g.integers(0, n1 + 1)), int(g.integers(0, n0 + 1))
        found = fragility_index(e1, n1, e0, n0, arm="smaller share")
        counts = [[e1, n1], [e0, n0]]
        arm = 0 if e1 * n0 <= e0 * n1 else 1
        step = 1 if found.direction == "fragility" else -1

        def p(k: int, counts=counts, arm=arm, step=step) -> float:
            moved = [row.copy() for row in counts]
            moved[arm][0] += step * k
            return stats.fisher_exact([[e, n - e] for e, n in moved]).pvalue

        room = counts[arm][1] - counts[arm][0] if step == 1 else counts[arm][0]
        enough = [k for k in range(room + 1) if (p(k) >= 0.05) == (step == 1)]
        assert found.index == (enough[0] if enough else None)
        assert found.changed_group == 1 - arm
        directions.add((found.direction, found.index is None))
        if found.index is not None:
            assert found.quotient == found.index / (n1 + n0)
            assert len(found.p_values) == found.index + 1
    assert len(directions) == 3


def test_fragility_in_words_and_at_its_edges():
    found = fragility_index(1, 100, 9, 100, lost=1)
    assert found.fewer_than_lost is False
    assert fragility_index(1, 100, 9, 100).fewer_than_lost is None
    assert fragility_index(9, 100, 1, 100).changed_group == 0
    assert fragility_index(9, 100, 1, 100).index == 1
    apart = fragility_index(5, 10, 10, 100)
    assert apart.index is None
    assert "smaller share" in apart.reason
    assert fragility_index(5, 10, 10, 100, arm="smaller share").index == 11
    never = fragility_index(1, 20, 2, 20)
    assert (never.index, never.direction) == (None, "reverse fragility")
    assert "not significant even without an event" in str(never)
    assert fragility_index(2, 22, 6, 23).direction == "reverse fragility"
    assert fragility_index(10, 20, 10, 100, alpha=0.001, arm="smaller share").n == 120
    assert "larger share" in fragility_index(10, 20, 11, 100).reason
    assert fragility_index(10, 20, 10, 100).changed_group == 0  # as many events: the smaller share
    assert fragility_index(1, 100, 9, 100).tidy()["estimate"][0] == 1
    # p of exactly alpha is not significant
    exact = fisher_p(3, 3, 0, 3)
    assert fragility_index(3, 3, 0, 3, alpha=exact).direction == "reverse fragility"
