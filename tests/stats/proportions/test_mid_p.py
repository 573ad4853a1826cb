"""Mid-p of one and of two proportions, and exact limits, in whole-number arithmetic."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from outcomes.errors import EstimationError
from outcomes.stats.proportions.contingency import fisher_exact
from outcomes.stats.proportions.mid_p import mid_p_odds_ratio, mid_p_share
from outcomes.stats.proportions.risks import clopper_pearson

TABLES = {
    "tea": (3, 4, 1, 4),
    "twins": (2, 17, 10, 13),
    "zero cell": (7, 7, 12, 17),
    "uneven": (5, 9, 1, 30),
    "one": (1, 9, 12, 30),
}


def tail(counts, odds: Fraction, *, half: bool, upper: bool) -> Fraction:
    """Chance, at an odds ratio, of the result and beyond; of the result itself half or whole."""
    e1, n1, e0, n0 = counts
    m = e1 + e0
    weight = {
        x: math.comb(n1, x) * math.comb(n0, m - x) * odds**x for x in range(max(0, m - n0), min(n1, m) + 1)
    }
    beyond = sum(w for x, w in weight.items() if (x > e1 if upper else x < e1))
    return (beyond + weight[e1] / (2 if half else 1)) / sum(weight.values())


@pytest.mark.parametrize("name", TABLES)
@pytest.mark.parametrize("half", [True, False], ids=["mid-p", "exact"])
def test_limits_of_the_odds_ratio_in_exact_fractions(name, half):
    """Just inside a limit the tail exceeds 0.025, just outside it does not; R's four digits fail this."""
    counts, alpha = TABLES[name], Fraction(1, 40)
    ratio = mid_p_odds_ratio(*counts) if half else fisher_exact(*counts).odds_ratio
    for limit, upper in ((ratio.conf_low, True), (ratio.conf_high, False)):
        if limit is None:
            assert name == "zero cell"
            continue
        outside, inside = (limit * (1 - 1e-9), limit * (1 + 1e-9))
        if not upper:
            outside, inside = inside, outside
        assert tail(counts, Fraction(outside), half=half, upper=upper) < alpha
        assert tail(counts, Fraction(inside), half=half, upper=upper) > alpha


def test_mid_p_by_counting():
    for e1 in range(5):
        counts = (e1, 4, 5 - e1, 6)
        tails = [tail(counts, Fraction(1), half=True, upper=upper) for upper in (True, False)]
        assert mid_p_odds_ratio(*counts).p_value == pytest.approx(float(min(1, 2 * min(tails))), rel=1e-12)


def test_same_value_as_fisher_and_narrower():
    for counts in TABLES.values():
        mid, exact = mid_p_odds_ratio(*counts), fisher_exact(*counts).odds_ratio
        assert mid.value == (None if exact.value is None else pytest.approx(exact.value, rel=1e-9))
        assert mid.conf_low > exact.conf_low
        assert mid.p_value < exact.p_value
        if exact.conf_high is not None:
            assert mid.conf_high < exact.conf_high


def test_p_and_limits_say_the_same():
    for a in range(8):
        for c in range(10):
            found = mid_p_odds_ratio(a, 7, c, 9)
            if found.p_value is not None:
                high = math.inf if found.conf_high is None else found.conf_high
                assert (found.p_value > 0.05) == (found.conf_low < 1 < high)


def test_swapped_groups_and_events():
    one, two = mid_p_odds_ratio(5, 9, 1, 30), mid_p_odds_ratio(1, 30, 5, 9)
    assert one.conf_low == pytest.approx(1 / two.conf_high, rel=1e-10)
    assert one.p_value == pytest.approx(two.p_value, rel=1e-10)
    other = mid_p_odds_ratio(4, 9, 29, 30)
    assert one.conf_low == pytest.approx(1 / other.conf_high, rel=1e-10)


@pytest.mark.parametrize(("events", "n"), [(0, 9), (1, 9), (4, 9), (9, 9), (81, 263), (1, 1)])
def test_share_limits_in_exact_fractions(events, n):
    found = mid_p_share(events, n)

    def above(p: float) -> Fraction:
        q = Fraction(p)
        chance = [math.comb(n, x) * q**x * (1 - q) ** (n - x) for x in range(n + 1)]
        return sum(chance[events + 1 :], Fraction(0)) + chance[events] / 2

    if events:
        assert above(found.conf_low * (1 - 1e-9)) < Fraction(1, 40) < above(found.conf_low * (1 + 1e-9))
    else:
        assert found.conf_low == 0.0
    if events < n:
        assert above(found.conf_high * (1 - 1e-9)) < Fraction(39, 40) < above(found.conf_high * (1 + 1e-9))
    else:
        assert found.conf_high == 1.0
    exact = clopper_pearson(events, n)
    assert exact.conf_low <= found.conf_low <= found.value <= found.conf_high <= exact.conf_high


def test_share_mirrored_and_in_percent():
    one, two = mid_p_share(2, 11), mid_p_share(9, 11, unit="percent")
    assert one.conf_low == pytest.approx(1 - two.conf_high / 100, rel=1e-12)
    assert two.value == pytest.approx(100 * 9 / 11, rel=1e-12)


def test_what_cannot_be_estimated_says_why():
    assert mid_p_share(0, 0).reason == "no patients"
    assert mid_p_odds_ratio(0, 5, 0, 6).reason == "no events in either group"
    infinite = mid_p_odds_ratio(3, 10, 0, 10)
    assert infinite.value is infinite.conf_high is None
    assert "zero cell" in infinite.reason
    zero = mid_p_odds_ratio(0, 10, 3, 10)
    assert (zero.value, zero.conf_low) == (0.0, 0.0)
    far = mid_p_odds_ratio(400, 400, 0, 400)
    assert far.p_value > 0
    with pytest.raises(EstimationError, match="must not exceed"):
        mid_p_share(3, 2)
    with pytest.raises(EstimationError, match="'percent'"):
        mid_p_share(1, 2, unit="points")
    with pytest.raises(EstimationError, match="level"):
        mid_p_odds_ratio(1, 2, 1, 2, 95)
