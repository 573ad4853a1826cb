"""Plans at their edges: unequal groups by hand, the fewest patients, one-sided plans, numbers on their limits, tables."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.planning.margin_planning import check_within, room_to_margin, tost_power
from outcomes.stats.planning.plans import check_plan, largest_effect, round_up, smallest
from outcomes.stats.planning.precision import (
    precision_of_agreement_limits,
    precision_of_icc,
    precision_of_mean,
    precision_of_mean_difference,
    precision_of_proportion,
    precision_of_risk_difference,
)
from outcomes.stats.planning.sample_size_clusters import design_effect, inflate
from outcomes.stats.planning.sample_size_interaction import (
    detectable_interaction_means,
    power_interaction_means,
    power_interaction_proportions,
    size_interaction_means,
    size_interaction_proportions,
)
from outcomes.stats.planning.sample_size_margins import (
    power_equivalence_means,
    power_non_inferiority_means,
    size_equivalence_means,
    size_non_inferiority_means,
)
from outcomes.stats.planning.sample_size_means import (
    power_of_shift,
    power_paired_means,
    power_two_means,
    size_paired_means,
    size_two_means,
)
from outcomes.stats.planning.sample_size_proportions import (
    detectable_two_proportions,
    exact_power,
    power_two_proportions,
    size_two_proportions,
)
from outcomes.stats.planning.sample_size_share_margins import (
    power_equivalence_proportions,
    power_non_inferiority_proportions,
    size_equivalence_proportions,
    size_non_inferiority_proportions,
)
from outcomes.stats.planning.sample_size_survival import (
    detectable_hazard_ratio,
    events_for_hazard_ratio,
    power_survival,
    share_with_event,
    size_survival,
)
from outcomes.stats.planning.simulated_power import simulated_power
from outcomes.stats.proportions.fisher_tables import fisher_p_table

Z = stats.norm.ppf
PHI = stats.norm.cdf


def test_power_of_unequal_shares_by_every_formula():
    """60 and 40 patients, shares 0.3 and 0.5: the formulas written out, both tails."""
    n1, n0, p1, p0, z = 60, 40, 0.3, 0.5, Z(0.975)
    own = math.sqrt(p1 * 0.7 / n1 + p0 * 0.5 / n0)
    common = (18 + 20) / 100
    pooled = math.sqrt(common * (1 - common) * (1 / n1 + 1 / n0))
    angle = abs(2 * math.asin(math.sqrt(p1)) - 2 * math.asin(math.sqrt(p0))) / math.sqrt(1 / n1 + 1 / n0)
    expected = {
        "pooled": PHI((0.2 - z * pooled) / own) + PHI((-0.2 - z * pooled) / own),
        "unpooled": PHI(0.2 / own - z) + PHI(-0.2 / own - z),
        "arcsine": PHI(angle - z) + PHI(-angle - z),
    }
    for method, power in expected.items():
        assert math.isclose(power_two_proportions(n1, n0, p1, p0, method=method).power, power, rel_tol=1e-10)
        one = power_two_proportions(n1, n0, p1, p0, method=method, sided="one", alpha=0.025).power
        assert one < power
    assert math.isclose(
        power_two_proportions(n1, n0, p1, p0, method="unpooled", sided="one", alpha=0.025).power,
        PHI(0.2 / own - z),
    )


def test_sizes_of_unequal_shares_by_every_formula():
    p1, p0, ratio, z = 0.3, 0.5, 1.5, Z(0.975) + Z(0.8)
    own = p1 * 0.7 / ratio + p0 * 0.5
    common = (1.5 * p1 + p0) / 2.5
    plain = (
        Z(0.975) * math.sqrt(common * (1 - common) * (1 + 1 / ratio)) + Z(0.8) * math.sqrt(own)
    ) ** 2 / 0.04
    angle = 2 * math.asin(math.sqrt(0.5)) - 2 * math.asin(math.sqrt(0.3))
    expected = {
        "unpooled": z**2 * own / 0.04,
        "pooled": plain,
        "arcsine": (z / angle) ** 2 * (1 + 1 / ratio),
        "continuity-corrected": plain / 4 * (1 + math.sqrt(1 + 2 * 2.5 / (plain * 1.5 * 0.2))) ** 2,
    }
    for method, n0 in expected.items():
        size = size_two_proportions(p1, p0, ratio=ratio, method=method)
        assert math.isclose(size.unrounded[1], n0, rel_tol=1e-10)
        assert math.isclose(size.unrounded[0], 1.5 * n0, rel_tol=1e-10)
        assert size.groups == (math.ceil(1.5 * n0), math.ceil(n0))
        assert math.isclose(size.effect, -0.2)
        assert size.n == sum(size.groups)


def test_corrected_power_undoes_the_correction_of_the_size():
    size = size_two_proportions(0.3, 0.5, ratio=1.5, method="continuity-corrected")
    plain = size_two_proportions(0.3, 0.5, ratio=1.5, method="pooled")
    # the size before the correction has the power asked for by the pooled formula
    assert size.unrounded[1] > plain.unrounded[1]
    assert 0.8 <= size.power < 0.81
    # so few that the correction takes away the whole difference: 4 x 5 <= 4 / 0.2
    assert power_two_proportions(5, 5, 0.3, 0.5, method="continuity-corrected").power == 0.0
    assert power_two_proportions(6, 6, 0.3, 0.5, method="continuity-corrected").power > 0.0


@pytest.mark.parametrize("test", ["Fisher", "chi-squared"])
def test_exact_power_by_going_through_every_table(test):
    n1, n0, p1, p0, total = 7, 5, 0.2, 0.8, 0.0
    fisher = fisher_p_table(n1, n0)
    for a, c in itertools.product(range(n1 + 1), range(n0 + 1)):
        if test == "Fisher":
            p = fisher[a, c]
        elif a + c in (0, n1 + n0):
            p = 1.0
        else:
            p = stats.chi2_contingency([[a, n1 - a], [c, n0 - c]], correction=False).pvalue
        total += stats.binom.pmf(a, n1, p1) * stats.binom.pmf(c, n0, p0) * (p < 0.05)
    found = exact_power(n1, n0, p1, p0, test=test)
    assert math.isclose(found.power, total, rel_tol=1e-10)
    assert (found.effect, found.groups) == (p1 - p0, (7, 5))
    assert exact_power(n1, n0, 0.0, 1.0, test=test).power == 1.0


def test_smallest_size_for_fisher_with_few_and_with_the_sizes_allowed():
    size = size_two_proportions(0.05, 0.95, method="Fisher")
    first = next(n for n in range(2, 20) if exact_power(n, n, 0.05, 0.95).power >= 0.8)
    assert (size.groups, size.n, size.unrounded) == ((first, first), 2 * first, (first, first))
    with pytest.raises(EstimationError, match="2000"):
        exact_power(2001, 5, 0.1, 0.2)
    assert exact_power(2000, 2, 0.5, 0.5).power < 0.05


def test_detectable_share_in_either_direction():
    for higher in (True, False):
        found = detectable_two_proportions(80, 50, 0.4, higher=higher, method="unpooled")
        assert math.isclose(
            power_two_proportions(80, 50, 0.4 + found.effect, 0.4, method="unpooled").power, 0.8, rel_tol=1e-8
        )
        assert (found.effect > 0) is higher
    with pytest.raises(EstimationError, match="more patients"):
        detectable_two_proportions(4, 4, 0.1, higher=False)


def test_means_by_the_normal_formula_with_unequal_groups():
    """(1.96 + 0.84)^2 (10 / 4)^2 (1 + 1 / 1.5) in group 0."""
    n0 = (Z(0.975) + Z(0.8)) ** 2 * 6.25 * (1 + 1 / 1.5)
    size = size_two_means(4, 10, ratio=1.5, method="z")
    assert math.isclose(size.unrounded[1], n0, rel_tol=1e-12)
    assert size.groups == (math.ceil(1.5 * n0), math.ceil(n0))
    shift = 0.4 / math.sqrt(1 / 30 + 1 / 20)
    assert math.isclose(
        power_two_means(30, 20, 4, 10, method="z").power,
        PHI(shift - Z(0.975)) + PHI(-shift - Z(0.975)),
        rel_tol=1e-12,
    )
    q = stats.t.ppf(0.975, 48)
    by_t = stats.nct.sf(q, 48, shift) + stats.nct.cdf(-q, 48, shift)
    assert math.isclose(power_two_means(30, 20, 4, 10).power, by_t, rel_tol=1e-9)
    assert math.isclose(power_two_means(30, 20, -4, 10).power, by_t, rel_tol=1e-9)
    q = stats.t.ppf(0.975, 19)
    pairs = stats.nct.sf(q, 19, 0.4 * math.sqrt(20)) + stats.nct.cdf(-q, 19, 0.4 * math.sqrt(20))
    assert math.isclose(power_paired_means(20, 4, 10).power, pairs, rel_tol=1e-9)


def test_the_fewest_patients_of_each_plan():
    assert size_two_means(500, 1, method="z").groups == (2, 2)
    assert size_two_means(500, 1, ratio=3).groups == (6, 2)
    assert size_two_means(500, 1, ratio=0.25).groups == (2, 8)
    assert size_paired_means(500, 1, method="z").n == 2
    assert size_two_proportions(0.001, 0.999, method="unpooled").groups == (2, 2)
    assert size_interaction_means(500, 1).groups == (2, 2, 2, 2)
    assert size_interaction_means(500, 1, method="z").n == 8
    assert size_interaction_proportions([0.999, 0.001, 0.001, 0.999]).groups == (2, 2, 2, 2)
    assert size_non_inferiority_means(500, 1, ratio=3).groups == (6, 2)
    assert size_equivalence_means(500, 1, ratio=0.25).groups == (2, 8)
    assert size_equivalence_means(500, 1, method="half beta").groups == (2, 2)
    assert size_non_inferiority_proportions(0.01, 0.01, 0.98, better="lower", ratio=3).groups == (2, 2)


def test_margins_of_means_by_the_normal():
    """Margin 4, SD 10, difference 1 for the better: room 5; and for the worse: room 3."""
    for better, room in (("higher", 5), ("lower", 3)):
        n0 = (Z(0.975) + Z(0.8)) ** 2 * (10 / room) ** 2 * (1 + 1 / 1.5)
        size = size_non_inferiority_means(4, 10, true_difference=1, better=better, ratio=1.5, method="z")
        assert math.isclose(size.unrounded[1], n0, rel_tol=1e-12)
        assert size.groups == (math.ceil(1.5 * n0), math.ceil(n0))
        power = power_non_inferiority_means(60, 40, 4, 10, true_difference=1, better=better, method="z").power
        error = 10 * math.sqrt(1 / 60 + 1 / 40)
        assert math.isclose(power, PHI(room / error - Z(0.975)), rel_tol=1e-12)
        by_t = power_non_inferiority_means(60, 40, 4, 10, true_difference=1, better=better).power
        assert math.isclose(by_t, stats.nct.sf(stats.t.ppf(0.975, 98), 98, room / error), rel_tol=1e-9)
    error = 10 * math.sqrt(1 / 150 + 1 / 100)
    both = PHI((4 - 1) / error - Z(0.95)) - PHI(-(4 + 1) / error + Z(0.95))
    found = power_equivalence_means(150, 100, 4, 10, true_difference=1, method="z")
    assert math.isclose(found.power, both, rel_tol=1e-12)
    assert math.isclose(
        power_equivalence_means(150, 100, 4, 10, true_difference=-1, method="z").power, both, rel_tol=1e-12
    )
    half = size_equivalence_means(4, 10, true_difference=1, ratio=1.5, method="half beta")
    assert math.isclose(half.unrounded[1], ((Z(0.95) + Z(0.9)) * 10 / 3) ** 2 * (1 + 1 / 1.5), rel_tol=1e-12)


def test_margins_of_shares_by_the_normal():
    p1, p0 = 0.35, 0.3
    error = math.sqrt(p1 * 0.65 / 90 + p0 * 0.7 / 60)
    for better, room in (("higher", 0.25), ("lower", 0.15)):
        found = power_non_inferiority_proportions(90, 60, p1, p0, 0.2, better=better)
        assert math.isclose(found.power, PHI(room / error - Z(0.975)), rel_tol=1e-10)
        n0 = ((Z(0.975) + Z(0.8)) / room) ** 2 * (p1 * 0.65 / 1.5 + p0 * 0.7)
        size = size_non_inferiority_proportions(p1, p0, 0.2, better=better, ratio=1.5)
        assert math.isclose(size.unrounded[1], n0, rel_tol=1e-10)
        assert size.groups == (math.ceil(1.5 * n0), math.ceil(n0))
    both = PHI(0.15 / error - Z(0.95)) - PHI(-0.25 / error + Z(0.95))
    assert math.isclose(power_equivalence_proportions(90, 60, p1, p0, 0.2).power, both, rel_tol=1e-10)
    n1, n0 = size_equivalence_proportions(p1, p0, 0.2, ratio=1.5).unrounded
    error = math.sqrt(p1 * 0.65 / n1 + p0 * 0.7 / n0)
    assert math.isclose(PHI(0.15 / error - Z(0.95)) - PHI(-0.25 / error + Z(0.95)), 0.8, rel_tol=1e-8)


def test_two_one_sided_tests_by_integration():
    """Few degrees of freedom: the chance within both margins given s, averaged over s."""
    for df, margin, difference in ((6, 3.0, 0.4), (22, 2.5, -0.8)):
        q = stats.t.ppf(0.95, df)
        s = np.sqrt(stats.chi2.ppf((np.arange(20_000) + 0.5) / 20_000, df) / df)
        inside = np.maximum(PHI(margin - difference - q * s) - PHI(-margin - difference + q * s), 0.0)
        assert tost_power(margin, difference, 1.0, df, 0.05) == pytest.approx(inside.mean(), abs=5e-5)
    assert tost_power(3.0, 0.0, 1.0, 10, 0.5) == pytest.approx(1 - 2 * PHI(-3.0), rel=1e-6)
    assert tost_power(0.001, 0.0, 1.0, 400, 0.05) == 0.0


def test_room_and_margin_on_their_limits():
    assert room_to_margin(2.0, -1.999, "higher") == pytest.approx(0.001)
    assert room_to_margin(2.0, 3.0, "higher") == 5.0
    for difference, better in ((-2.0, "higher"), (2.0, "lower")):
        with pytest.raises(EstimationError, match="as bad as the margin"):
            room_to_margin(2.0, difference, better)
    for difference in (2.0, -2.0):
        with pytest.raises(EstimationError, match="not within"):
            check_within(2.0, difference)


def test_interaction_by_hand():
    """Cells 30, 20, 25, 40 and SD 2: error 2 sqrt(1/30 + 1/20 + 1/25 + 1/40); 111 degrees of freedom."""
    cells = (30, 20, 25, 40)
    shift = 1.5 / (2 * math.sqrt(sum(1 / n for n in cells)))
    q = stats.t.ppf(0.975, 111)
    expected = stats.nct.sf(q, 111, shift) + stats.nct.cdf(-q, 111, shift)
    assert math.isclose(power_interaction_means(cells, 1.5, 2).power, expected, rel_tol=1e-9)
    assert math.isclose(power_interaction_means(cells, -1.5, 2).power, expected, rel_tol=1e-9)
    shares = (0.3, 0.2, 0.1, 0.4)
    total = (Z(0.975) + Z(0.8)) ** 2 * (2 / 1.5) ** 2 * sum(1 / s for s in shares)
    size = size_interaction_means(1.5, 2, shares=shares, method="z")
    assert np.allclose(size.unrounded, [total * s for s in shares], rtol=1e-12)
    assert size.groups == tuple(math.ceil(total * s) for s in shares)
    by_t = size_interaction_means(1.5, 2, shares=shares)
    n = sum(by_t.unrounded)
    moved = math.sqrt(n) * 1.5 / 2 / math.sqrt(sum(1 / s for s in shares))
    assert math.isclose(power_of_shift(moved, n - 4, 0.05), 0.8, rel_tol=1e-9)
    detected = detectable_interaction_means(cells, 2).effect
    assert math.isclose(power_interaction_means(cells, detected, 2).power, 0.8, rel_tol=1e-9)


def test_interaction_of_shares_by_hand():
    p, cells, shares = (0.6, 0.4, 0.35, 0.45), (80, 60, 50, 90), (0.3, 0.2, 0.1, 0.4)
    shift = 0.3 / math.sqrt(sum(a * (1 - a) / n for a, n in zip(p, cells, strict=True)))
    expected = PHI(shift - Z(0.975)) + PHI(-shift - Z(0.975))
    assert math.isclose(power_interaction_proportions(cells, p).power, expected, rel_tol=1e-10)
    variance = sum(a * (1 - a) / s for a, s in zip(p, shares, strict=True))
    total = (Z(0.975) + Z(0.8)) ** 2 * variance / 0.09
    size = size_interaction_proportions(p, shares=shares)
    assert np.allclose(size.unrounded, [total * s for s in shares], rtol=1e-10)
    assert size.n == sum(math.ceil(total * s) for s in shares)
    with pytest.raises(EstimationError, match="interaction"):
        power_interaction_proportions(cells, (0.5, 0.3, 0.4, 0.2))
    with pytest.raises(EstimationError, match="four"):
        power_interaction_means([5, 5, 5], 1, 1)
    with pytest.raises(EstimationError, match="shares"):
        size_interaction_means(1, 1, shares=(1.0, 0.0, 0.0, 0.0))


def test_clusters_on_their_limits():
    assert design_effect(1, 0.5) == 1.0
    assert design_effect(10, 0.0) == 1.0
    assert design_effect(10, 1.0) == 10.0
    assert math.isclose(design_effect(10, 0.1, cv=2.0), 1 + (50 - 1) * 0.1)
    plain = size_two_means(5, 10, ratio=2)
    made = inflate(plain, cluster_size=5, icc=0.1, lost=0.25)
    factor = 1.4 / 0.75
    assert np.allclose(made.unrounded, [x * factor for x in plain.unrounded], rtol=1e-12)
    assert made.groups == tuple(math.ceil(x * factor) for x in plain.unrounded)
    assert (made.n, made.events, made.power) == (sum(made.groups), None, plain.power)
    assert inflate(plain, lost=0.1).assumed[-1] == "10 % lost"
    assert len(inflate(plain, lost=0.1).assumed) == len(plain.assumed) + 1
    # rounding up again never takes back the two of each group
    assert inflate(size_two_means(500, 1)).groups == (2, 2)
    events = size_survival(2, 0.5, follow_up=1)
    assert inflate(events, cluster_size=5, icc=0.1, lost=0.2).events == math.ceil(events.events * 1.4)


def test_events_and_patients_by_hand():
    """Ratio 2, hazard ratio 1.5: (z + z)^2 / (2/9 log(1.5)^2)."""
    events = (Z(0.975) + Z(0.8)) ** 2 / (2 / 9 * math.log(1.5) ** 2)
    assert math.isclose(events_for_hazard_ratio(1.5, ratio=2), events, rel_tol=1e-12)
    shift = math.log(1.5) * math.sqrt(120 * 2 / 9)
    expected = PHI(shift - Z(0.975)) + PHI(-shift - Z(0.975))
    assert math.isclose(power_survival(120, 1.5, ratio=2).power, expected, rel_tol=1e-12)
    found = detectable_hazard_ratio(120, ratio=2).effect
    assert math.isclose(power_survival(120, found, ratio=2).power, 0.8, rel_tol=1e-9)
    # entering evenly over 2, followed 1 longer, lost at 0.1: seen with hazard 0.3
    share = 0.3 / 0.4 * (1 - math.exp(-0.4) * (1 - math.exp(-0.8)) / 0.8)
    assert math.isclose(share_with_event(0.3, 1, accrual=2, loss_hazard=0.1), share, rel_tol=1e-12)
    size = size_survival(1.5, 0.3, follow_up=1, accrual=2, loss_hazard=0.1, ratio=2)
    chance1 = share_with_event(0.45, 1, accrual=2, loss_hazard=0.1)
    n0 = events / (2 * chance1 + share)
    assert np.allclose(size.unrounded, (2 * n0, n0), rtol=1e-12)
    assert size.groups == (math.ceil(2 * n0), math.ceil(n0))
    assert (size.events, size.n) == (math.ceil(events), sum(size.groups))
    seen, part = size.groups[0] * chance1 + size.groups[1] * share, size.groups[0] / size.n
    shift = math.log(1.5) * math.sqrt(seen * part * (1 - part))
    assert math.isclose(size.power, PHI(shift - Z(0.975)) + PHI(-shift - Z(0.975)), rel_tol=1e-12)
    assert size.assumed[1] == f"events in {100 * chance1:.3g} and {100 * share:.3g} %"
    assert share_with_event(1.0, 0.0, accrual=1.0) == pytest.approx(math.exp(-1))
    with pytest.raises(EstimationError, match="both be 0"):
        share_with_event(1.0, 0.0)


def test_widths_at_the_size_and_one_before_it():
    """The size is the first whose interval is narrow enough: the formulas written out."""
    t = stats.t.ppf

    def mean(n):
        return t(0.975, n - 1) * 8 / math.sqrt(n)

    def difference(n0):
        n1 = math.ceil(1.5 * n0)
        return t(0.975, n1 + n0 - 2) * 8 * math.sqrt(1 / n1 + 1 / n0)

    def agreement(n):
        return t(0.975, n - 1) * 8 * math.sqrt(1 / n + Z(0.975) ** 2 / (2 * (n - 1)))

    def wald(n):
        return Z(0.975) * math.sqrt(0.3 * 0.7 / n)

    def wilson(n, p=0.3):
        z = Z(0.975)
        return z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)

    for half, target, found in (
        (mean, 2.0, precision_of_mean(2.0, 8)),
        (difference, 2.5, precision_of_mean_difference(2.5, 8, ratio=1.5)),
        (agreement, 3.0, precision_of_agreement_limits(3.0, 8)),
        (wald, 0.1, precision_of_proportion(0.1, 0.3, method="Wald")),
        (wilson, 0.1, precision_of_proportion(0.1, 0.3)),
    ):
        n = found.groups[-1]
        assert half(n) <= target < half(n - 1)
        assert math.isclose(found.half_width, half(n), rel_tol=1e-9)
        assert found.n == sum(found.groups)
    assert precision_of_mean_difference(2.5, 8, ratio=1.5).groups[0] == math.ceil(
        1.5 * precision_of_mean_difference(2.5, 8, ratio=1.5).groups[1]
    )


def test_width_of_a_correlation_by_hand():
    """Three readings: 8 z^2 (1 - r)^2 (1 + 2 r)^2 / (6 w^2) + 1 with w the whole width."""
    spread = 8 * Z(0.975) ** 2 * 0.3**2 * 2.4**2 / 6
    found = precision_of_icc(0.08, 0.7, readings=3)
    assert found.n == math.ceil(spread / 0.16**2 + 1)
    assert math.isclose(found.half_width, math.sqrt(spread / (found.n - 1)) / 2, rel_tol=1e-12)
    assert precision_of_icc(0.9, 0.99).n == 2


def test_the_fewest_patients_of_an_interval():
    assert precision_of_mean(1e6, 1).n == 2
    assert precision_of_mean_difference(1e6, 1).groups == (2, 2)
    assert precision_of_proportion(0.9, 0.5).n == 1
    assert precision_of_risk_difference(0.99, 0.5, 0.5).groups == (1, 1)
    assert precision_of_risk_difference(0.99, 0.5, 0.5, ratio=0.3).groups == (1, 1)
    assert precision_of_agreement_limits(1e6, 1).n == 2


def test_newcombes_width_with_unequal_groups():
    z = Z(0.975)

    def limits(p, n):
        middle, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)

    found = precision_of_risk_difference(0.12, 0.35, 0.2, ratio=2)
    n1, n0 = found.groups
    (l1, u1), (l0, u0) = limits(0.35, n1), limits(0.2, n0)
    half = (math.hypot(0.35 - l1, u0 - 0.2) + math.hypot(u1 - 0.35, 0.2 - l0)) / 2
    assert n1 == 2 * n0
    assert math.isclose(found.half_width, half, rel_tol=1e-10)
    assert half <= 0.12


def test_solving_and_rounding():
    assert round_up(5.0) == 5
    assert round_up(5.0 + 1e-9) == 6
    # enough at the least size: that size
    assert smallest(lambda n: 0.9, 0.8, 3.0) == 3.0
    assert smallest(lambda n: 0.8, 0.8, 3.0) == 3.0
    assert smallest(lambda n: min(n / 100, 1.0), 0.8, 3.0) == pytest.approx(80.0, rel=1e-9)
    assert largest_effect(lambda d: min(d / 100, 1.0), 0.8, 1.0) == pytest.approx(80.0, rel=1e-9)
    assert largest_effect(lambda d: min(d * 100, 1.0), 0.8, 1.0) == pytest.approx(0.008, rel=1e-9)
    with pytest.raises(EstimationError, match="so few"):
        largest_effect(lambda d: 0.0, 0.8, 1.0)
    for power in (0.05, 1.0):
        with pytest.raises(EstimationError, match="power"):
            check_plan(0.05, "two", power)
    check_plan(0.05, "two", 0.050001)


def test_tables_of_groups_and_percents_not_rounded_up():
    size = size_two_means(5, 10, ratio=2)
    table = size.tidy()
    assert table["n"].tolist() == list(size.groups)
    assert table["unrounded"].tolist() == list(size.unrounded)
    assert size_interaction_means(0.5, 1).tidy()["group"].tolist() == [4, 3, 2, 1]
    assert size_paired_means(5, 10).tidy()["group"].tolist() == [1]
    assert power_two_means(30, 20, 4, 10).tidy()["n"].tolist() == [50]
    from outcomes.stats.planning.plans import _percent

    assert [_percent(p) for p in (0.79999, 0.8, 0.8004, 1.0)] == ["79.9 %", "80.0 %", "80.0 %", "100.0 %"]


def test_simulated_p_of_exactly_alpha_is_not_significant():
    found = simulated_power(lambda g, k: np.full(k, 0.05), seed=1, n_simulations=20)
    assert found.value == 0.0
    below = simulated_power(lambda g, k: np.where(np.arange(k) < 5, 0.049, 1.0), seed=1, n_simulations=20)
    assert (below.value, below.n, below.n_missing) == (0.25, 20, 0)
    assert simulated_power(lambda g, k: np.zeros(k), seed=1, n_simulations=1).value == 1.0


def test_p_just_beyond_0_and_1_is_refused_and_both_are_not():
    assert simulated_power(lambda g, k: np.ones(k), seed=1, n_simulations=10).value == 0.0
    for p in (1.001, -0.001):
        with pytest.raises(EstimationError, match="from 0 to 1"):
            simulated_power(lambda g, k, p=p: np.full(k, p), seed=1, n_simulations=10)


def test_no_difference_is_expected_unless_said():
    for size, power in (
        (size_equivalence_means, power_equivalence_means),
        (size_non_inferiority_means, power_non_inferiority_means),
    ):
        assert size(4, 10) == size(4, 10, true_difference=0.0)
        assert power(50, 60, 4, 10) == power(50, 60, 4, 10, true_difference=0.0)
        assert size(4, 10).groups[0] == size(4, 10).groups[1]
    assert size_non_inferiority_means(4, 10) == size_non_inferiority_means(
        4, 10, better="higher", alpha=0.025
    )
    assert size_equivalence_means(4, 10) == size_equivalence_means(4, 10, alpha=0.05, power=0.8)


def test_power_with_beta_halved_by_hand_and_never_below_0():
    error = 10 * math.sqrt(1 / 90 + 1 / 60)
    found = power_equivalence_means(90, 60, 6, 10, true_difference=-1, method="half beta").power
    assert math.isclose(found, 2 * PHI(5 / error - Z(0.95)) - 1, rel_tol=1e-10)
    assert power_equivalence_means(2, 2, 0.1, 1, method="half beta").power == 0.0


@pytest.mark.parametrize(
    ("call", "wanted"),
    [
        (lambda: inflate(128, cluster_size=20, icc=0.05), "give the result of a sample size"),
        (lambda: inflate(size_two_means(5, 10), lost="0.1"), "lost: give one number"),
        (lambda: size_two_means("10", "20"), "difference: give one number"),
        (lambda: size_two_means(10, None), "sd: give one number"),
        (lambda: size_two_means(10, 20, power="90%"), "power: give one number, such as 0.8"),
        (lambda: size_two_means(10, 20, alpha="0.05"), "alpha: give one number"),
        (lambda: size_two_means(10, 20, ratio=[1]), r"ratio .*: give one number"),
    ],
)
def test_text_in_a_plan_is_refused_by_name(call, wanted):
    with pytest.raises(EstimationError, match=wanted):
        call()
