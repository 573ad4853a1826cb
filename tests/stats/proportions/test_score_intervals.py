"""Score tests and intervals of two proportions: closed forms, printed values, laws, empty cells."""

from __future__ import annotations

import itertools
import json
import math
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from outcomes.errors import EstimationError
from outcomes.stats.proportions.contingency import chi_squared
from outcomes.stats.proportions.score_intervals import (
    score_difference,
    score_odds_ratio,
    score_risk_ratio,
    score_test,
)
from outcomes.stats.proportions.score_statistics import risks_under, score_parts

Z2 = stats.norm.ppf(0.975) ** 2
#: Newcombe 1998 (Statistics in Medicine 17: 873-890) table II, from memory: method 5 (Mee), 6 (Miettinen-Nurminen).
NEWCOMBE = {
    (56, 70, 48, 80): ("0.0533", "0.3377", "0.0528", "0.3382"),
    (9, 10, 3, 10): ("0.1821", "0.8370", "0.1700", "0.8406"),
    (6, 7, 2, 7): ("0.0544", "0.8478", "0.0342", "0.8534"),
    (5, 56, 0, 29): ("-0.0313", "0.1926", "-0.0326", "0.1933"),
    (0, 10, 0, 20): ("-0.1611", "0.2775", "-0.1658", "0.2844"),
    (0, 10, 0, 10): ("-0.2775", "0.2775", "-0.2879", "0.2879"),
    (10, 10, 0, 20): ("0.7225", "1", "0.7156", "1"),
    (10, 10, 0, 10): ("0.6777", "1", "0.6636", "1"),
}
CASES = Path(__file__).parents[2] / "check_values" / "cases.json"
FUNCTIONS = {
    "risk difference": score_difference,
    "risk ratio": score_risk_ratio,
    "odds ratio": score_odds_ratio,
}
TABLES = [
    (a, n1, c, n0)
    for n1, n0 in ((1, 1), (1, 7), (4, 9), (12, 12))
    for a, c in itertools.product(sorted({0, 1, n1 // 2, n1}), sorted({0, 1, n0 // 2, n0}))
]


@pytest.mark.parametrize("counts", NEWCOMBE)
def test_table_of_newcombe(counts):
    mee, mn = score_difference(*counts, variance="plain"), score_difference(*counts)
    for value, text in zip(
        (mee.conf_low, mee.conf_high, mn.conf_low, mn.conf_high), NEWCOMBE[counts], strict=True
    ):
        assert abs(Decimal(value) - Decimal(text)) <= Decimal("0.00005")


def test_disputed_values_of_the_table_are_miettinen_and_nurminens():
    """The check values called Mee's have the factor N/(N-1): ours with it agrees to the tolerance of the case."""
    cases = [c for c in json.loads(CASES.read_text())["cases"] if c["id"].startswith("newcombe-")]
    assert len(cases) == 8
    for case in cases:
        d = score_difference(*(case["inputs"][name] for name in ("x1", "n1", "x2", "n2")))
        assert d.conf_low == pytest.approx(case["expected"]["mee_lo"], rel=2e-5)
        assert d.conf_high == pytest.approx(case["expected"]["mee_hi"], rel=2e-5)


def test_risk_ratio_of_koopman():
    """Koopman 1984, 36 of 40 against 16 of 80: 2.94 to 7.15 (from memory)."""
    ratio = score_risk_ratio(36, 40, 16, 80, variance="plain")
    assert ratio.value == 4.5
    assert (round(ratio.conf_low, 2), round(ratio.conf_high, 2)) == (2.94, 7.15)


@pytest.mark.parametrize("variance", ["N/(N-1)", "plain"])
@pytest.mark.parametrize(("n1", "n0"), [(10, 20), (10, 10), (1, 3), (200, 5)])
def test_no_events_and_all_events_in_closed_form(n1, n0, variance):
    n = n1 + n0
    f = n / (n - 1) if variance == "N/(N-1)" else 1.0
    none = score_difference(0, n1, 0, n0, variance=variance)
    assert math.isclose(none.conf_high, f * Z2 / (f * Z2 + n1), rel_tol=1e-9)
    assert math.isclose(none.conf_low, -f * Z2 / (f * Z2 + n0), rel_tol=1e-9)
    assert (none.value, none.p_value) == (0.0, None)
    everybody = score_difference(n1, n1, n0, n0, variance=variance)
    # the cubic loses three digits where groups are very unequal
    assert math.isclose(everybody.conf_low, -none.conf_high, rel_tol=1e-9)
    ratio = score_risk_ratio(n1, n1, n0, n0, variance=variance)
    assert math.isclose(ratio.conf_low, n1 / (n1 + f * Z2), rel_tol=1e-12)
    assert math.isclose(ratio.conf_high, (n0 + f * Z2) / n0, rel_tol=1e-12)
    assert ratio.p_value is None


def test_values_are_the_observed_ones_and_lie_between_the_limits():
    for a, n1, c, n0 in TABLES:
        d = score_difference(a, n1, c, n0)
        assert d.value == a / n1 - c / n0
        assert d.conf_low <= d.value <= d.conf_high
        risk, odds = score_risk_ratio(a, n1, c, n0), score_odds_ratio(a, n1, c, n0)
        assert risk.value == (pytest.approx(a * n0 / (n1 * c), rel=1e-14) if c else None)
        if odds.value is not None:
            assert odds.value == pytest.approx(a * (n0 - c) / (c * (n1 - a)), rel=1e-14)
        for ratio in (risk, odds):
            if ratio.value and ratio.conf_high:
                assert ratio.conf_low <= ratio.value <= ratio.conf_high


def test_limits_at_one_are_exact():
    assert score_difference(10, 10, 0, 20).conf_high == 1.0
    assert score_difference(0, 10, 20, 20).conf_low == -1.0
    assert score_difference(10, 10, 0, 20, unit="percentage points").conf_high == 100.0
    inner = score_difference(9, 10, 0, 20)
    assert inner.conf_high < 1


@pytest.mark.parametrize("measure", FUNCTIONS)
@pytest.mark.parametrize("variance", ["N/(N-1)", "plain"])
@pytest.mark.parametrize("level", [0.5, 0.95, 0.999])
def test_z_at_the_limits_is_the_quantile(measure, variance, level):
    z = stats.norm.ppf((1 + level) / 2)
    checked = 0
    for counts in TABLES:
        found = FUNCTIONS[measure](*counts, level, variance=variance)
        for limit, goal in ((found.conf_low, z), (found.conf_high, -z)):
            if limit is None or abs(limit) == 1 or limit == 0:
                continue
            test = score_test(*counts, limit, measure=measure, variance=variance)
            assert test.statistic == pytest.approx(goal, rel=1e-7)
            checked += 1
    assert checked >= 44


@pytest.mark.parametrize("measure", FUNCTIONS)
def test_z_falls_as_the_effect_rises(measure):
    """So the interval is one stretch and halving finds its ends."""
    grid = np.linspace(-0.999, 0.999, 401) if measure == "risk difference" else np.geomspace(1e-4, 1e4, 401)
    rng = np.random.default_rng(5)
    sizes = rng.integers(1, 60, (2, 300))
    events = rng.integers(0, sizes + 1)
    tables = [*TABLES, *zip(events[0], sizes[0], events[1], sizes[1], strict=True)]
    for counts in tables:
        gap, variance = score_parts(measure, *(np.full(grid.shape, float(count)) for count in counts), grid)
        varies = variance > 0
        assert (np.diff(gap[varies] / np.sqrt(variance[varies])) < 1e-6).all()


@pytest.mark.parametrize("measure", FUNCTIONS)
def test_swapped_groups(measure):
    for a, n1, c, n0 in TABLES:
        one, two = FUNCTIONS[measure](a, n1, c, n0), FUNCTIONS[measure](c, n0, a, n1)
        if measure == "risk difference":
            assert one.conf_low == pytest.approx(-two.conf_high, rel=1e-10, abs=1e-12)
            assert one.conf_high == pytest.approx(-two.conf_low, rel=1e-10, abs=1e-12)
        else:
            for mine, yours in ((one.conf_low, two.conf_high), (two.conf_low, one.conf_high)):
                if yours is None:
                    assert mine in (None, 0.0)
                else:
                    assert mine == pytest.approx(1 / yours, rel=1e-10)
        assert one.p_value == pytest.approx(two.p_value, rel=1e-9) if one.p_value else two.p_value is None


def test_events_counted_the_other_way_round():
    """Cases without the event: the difference changes its sign, the odds ratio is inverted."""
    for a, n1, c, n0 in TABLES:
        d, other = score_difference(a, n1, c, n0), score_difference(n1 - a, n1, n0 - c, n0)
        assert d.conf_low == pytest.approx(-other.conf_high, rel=1e-10, abs=1e-12)
        odds, other = score_odds_ratio(a, n1, c, n0), score_odds_ratio(n1 - a, n1, n0 - c, n0)
        if odds.conf_low and other.conf_high:
            assert odds.conf_low == pytest.approx(1 / other.conf_high, rel=1e-10)


@pytest.mark.parametrize("measure", FUNCTIONS)
def test_p_and_limits_say_the_same(measure):
    null = 0 if measure == "risk difference" else 1
    for a in range(8):
        for c in range(10):
            found = FUNCTIONS[measure](a, 7, c, 9)
            if found.p_value is not None and found.conf_low is not None:
                high = math.inf if found.conf_high is None else found.conf_high
                assert (found.p_value > 0.05) == (found.conf_low <= null <= high)


def test_test_of_no_effect_is_pearsons_for_every_measure():
    for a, n1, c, n0 in ((20, 100, 10, 100), (1, 4, 5, 9), (0, 12, 3, 12)):
        pearson = chi_squared([[a, n1 - a], [c, n0 - c]]).statistic
        for measure, null in (("risk difference", 0.0), ("risk ratio", 1.0), ("odds ratio", 1.0)):
            plain = score_test(a, n1, c, n0, null, measure=measure, variance="plain").statistic ** 2
            assert math.isclose(plain, pearson, rel_tol=1e-10)
            n = n1 + n0
            corrected = score_test(a, n1, c, n0, null, measure=measure).statistic ** 2
            assert math.isclose(corrected, pearson * (n - 1) / n, rel_tol=1e-10)


def likelihood(risks, counts):
    a, n1, c, n0 = counts
    p1, p0 = risks
    return stats.binom.logpmf(a, n1, p1) + stats.binom.logpmf(c, n0, p0)


@pytest.mark.parametrize("counts", [(3, 9, 1, 14), (0, 6, 2, 5), (7, 7, 3, 8), (1, 30, 0, 4)])
def test_risks_under_an_effect_are_the_likeliest(counts):
    """Against a search of the likelihood along the risks that have the effect."""
    table = [np.array([float(x)]) for x in counts]
    links = {
        "risk difference": (lambda p, d: p + d, (-0.8, -0.3, 0.05, 0.4)),
        "risk ratio": (lambda p, r: p * r, (0.1, 0.7, 1.3, 6.0)),
        "odds ratio": (lambda p, o: o * p / (1 - p + o * p), (0.1, 0.7, 1.0, 1.3, 6.0)),
    }
    for measure, (other, effects) in links.items():
        for effect in effects:
            p1, p0 = (float(p[0]) for p in risks_under(measure, *table, np.array([effect])))
            assert other(p0, effect) == pytest.approx(p1, abs=1e-12)
            low = max(0.0, -effect) if measure == "risk difference" else 0.0
            high = {"risk difference": min(1.0, 1 - effect), "risk ratio": min(1.0, 1 / effect)}.get(
                measure, 1.0
            )
            best = optimize.minimize_scalar(
                lambda p, other=other, effect=effect: -likelihood((other(p, effect), p), counts),
                bounds=(low, high), method="bounded", options={"xatol": 1e-12},
            )  # fmt: skip
            assert likelihood((p1, p0), counts) >= -best.fun - 1e-9


def test_non_inferiority_by_farrington_and_manning():
    """82 of 100 against 80 of 100, margin 0.1: the risks under -0.1 are between, their difference the margin."""
    test = score_test(82, 100, 80, 100, -0.1, variance="plain")
    assert test.risk1 - test.risk0 == pytest.approx(-0.1, abs=1e-12)
    se = math.sqrt((test.risk1 * (1 - test.risk1) + test.risk0 * (1 - test.risk0)) / 100)
    assert test.statistic == pytest.approx(0.12 / se, rel=1e-12)
    assert test.p_greater == pytest.approx(stats.norm.sf(test.statistic), rel=1e-10)
    assert test.p_less == pytest.approx(stats.norm.cdf(test.statistic), rel=1e-10)
    assert test.p_value == pytest.approx(2 * test.p_greater, rel=1e-10)


def test_what_cannot_be_estimated_says_why():
    for function in FUNCTIONS.values():
        empty = function(0, 0, 3, 9)
        assert not empty.estimable
        assert empty.reason == "no patients in group 1"
    assert score_risk_ratio(0, 5, 0, 9).reason == "no events in either group"
    assert score_odds_ratio(5, 5, 9, 9).reason == "every patient in both groups had the event"
    infinite = score_risk_ratio(3, 10, 0, 10)
    assert infinite.value is infinite.conf_high is None
    assert infinite.conf_low > 0
    assert "no finite value or upper limit" in infinite.reason
    zero = score_risk_ratio(0, 10, 3, 10)
    assert (zero.value, zero.conf_low) == (0.0, 0.0)
    nothing = score_test(0, 5, 0, 6, 0.0)
    assert nothing.statistic is None
    assert nothing.reason == "no variation under the effect tested"
    assert "no test" in str(nothing)
    assert score_test(0, 0, 1, 5, 0.1).reason == "no patients in group 1"


def test_nothing_is_infinite_or_zero_in_extreme_tables():
    for counts in ((1, 10**6, 2, 10), (10**6, 10**6, 1, 3), (10**8, 10**8, 0, 10**8), (5, 10**9, 5, 10**9)):
        for function in FUNCTIONS.values():
            found = function(*counts)
            assert found.p_value is None or found.p_value > 0


def test_refusals():
    with pytest.raises(EstimationError, match="plain"):
        score_difference(1, 2, 1, 2, variance="wald")
    with pytest.raises(EstimationError, match="percentage points"):
        score_difference(1, 2, 1, 2, unit="percent")
    with pytest.raises(EstimationError, match="between -1 and 1"):
        score_test(1, 2, 1, 2, 1.0)
    with pytest.raises(EstimationError, match="above 0"):
        score_test(1, 2, 1, 2, 0.0, measure="risk ratio")
    with pytest.raises(EstimationError, match="odds ratio"):
        score_test(1, 2, 1, 2, 0.0, measure="hazard ratio")
    with pytest.raises(EstimationError, match="must not exceed"):
        score_odds_ratio(3, 2, 1, 2)


def test_what_is_printed():
    test = score_test(20, 100, 10, 100, 0.0)
    assert str(test).startswith("Miettinen-Nurminen test of a risk difference of 0: z = 1.9")
    assert test.tidy()["p_value"][0] == test.p_value
    assert "Koopman" in str(score_risk_ratio(20, 100, 10, 100, variance="plain"))
