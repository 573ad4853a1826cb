"""Published comparisons of distal radius fracture treatment, recomputed from the numbers they print.

Each test names its source. *Printed* values were seen in the source (abstract level unless said); the rest
is recomputed here from the printed counts or means and SDs, and pinned so that it cannot drift.
"""

from __future__ import annotations

import pytest

from outcomes.estimates import Estimate
from outcomes.stats.groups.means import mean_difference_from_summary
from outcomes.stats.proportions.contingency import chi_squared, fisher_exact
from outcomes.stats.proportions.exact_tables import exact_test
from outcomes.stats.proportions.risks import (
    clopper_pearson,
    odds_ratio,
    risk_difference,
    risk_ratio,
    wilson,
)


def rounded(estimate: Estimate, digits: int) -> tuple[float, float, float]:
    return tuple(round(x, digits) for x in (estimate.value, estimate.conf_low, estimate.conf_high))


def test_volcon_complications():
    """VOLCON, J Orthop Traumatol 2022, doi 10.1186/s10195-022-00673-4: 9/43 plated, 7/42 not operated.

    Printed: 20.9 % and 16.6 % (16.67 truncated), Fisher p = .78.
    """
    plate, cast = (9, 43), (7, 42)
    test = fisher_exact(*plate, *cast)
    assert round(test.p_value, 2) == 0.78
    assert round(test.p_value, 4) == 0.7825
    assert rounded(wilson(*plate, unit="percent"), 1) == (20.9, 11.4, 35.2)
    assert rounded(wilson(*cast, unit="percent"), 1) == (16.7, 8.3, 30.6)
    assert rounded(risk_difference(*plate, *cast, unit="percentage points"), 1) == (4.3, -12.6, 20.8)
    assert rounded(risk_ratio(*plate, *cast), 2) == (1.26, 0.51, 3.06)
    odds = odds_ratio(*plate, *cast)
    assert odds.method == "Woolf log"
    assert rounded(odds, 2) == (1.32, 0.44, 3.96)


def test_wrist_malunion_by_treatment():
    """WRIST trial at 24 months, PubMed 34137830: malunion in cast 26 (59.1 %), others 4 (8.0 %), 8 (17.0 %),
    4 (9.8 %).

    Printed: chi2(3) = 43.6, p < .001. Denominators follow from counts and percentages.
    """
    malunited, cases = (26, 4, 8, 4), (44, 50, 47, 41)
    shares = [round(100 * m / n, 1) for m, n in zip(malunited, cases, strict=True)]
    assert shares == [59.1, 8.0, 17.0, 9.8]
    table = [[m, n - m] for m, n in zip(malunited, cases, strict=True)]
    test = chi_squared(table)
    assert round(test.statistic, 1) == 43.6
    assert round(test.statistic, 2) == 43.62
    assert test.df == 3
    assert test.p_value < 0.001
    assert test.smallest_expected > 5
    assert exact_test(table).p_value < 0.001


def test_saving_reoperation_and_osteoarthritis():
    """Saving et al. 2019, three years after a randomised trial: volar plate against external fixation.

    Printed: reoperation 13/62 (21 %) and 8/56 (14 %); osteoarthritis 25/59 (42 %) and 15/53 (28 %).
    """
    reoperation = (13, 62, 8, 56)
    assert [round(wilson(*arm, unit="percent").value) for arm in ((13, 62), (8, 56))] == [21, 14]
    assert rounded(risk_difference(*reoperation, unit="percentage points"), 1) == (6.7, -7.5, 20.2)
    assert rounded(risk_ratio(*reoperation), 2) == (1.47, 0.66, 3.28)
    assert round(fisher_exact(*reoperation).p_value, 2) == 0.47
    osteoarthritis = (25, 59, 15, 53)
    assert [round(wilson(*arm, unit="percent").value) for arm in ((25, 59), (15, 53))] == [42, 28]
    assert rounded(risk_difference(*osteoarthritis, unit="percentage points"), 1) == (14.1, -3.7, 30.4)
    assert rounded(risk_ratio(*osteoarthritis), 2) == (1.50, 0.89, 2.52)
    assert round(fisher_exact(*osteoarthritis).p_value, 2) == 0.17
    assert round(chi_squared([[25, 34], [15, 38]]).p_value, 2) == 0.12


def test_rozental_complications():
    """Rozental et al. 2009, J Bone Joint Surg Am 91:1837: six of 22 pinned, two of 23 plated."""
    test = fisher_exact(6, 22, 2, 23)
    assert round(test.p_value, 2) == 0.13
    assert round(odds_ratio(6, 22, 2, 23, method="woolf").value, 1) == 3.9
    # An expected count is below 5, so the exact odds ratio is the default.
    assert odds_ratio(6, 22, 2, 23).method.startswith("conditional")


def test_two_plate_sizes():
    """Bone Joint Res 2016, doi 10.1302/2046-3758.16.2000008: complications 11/61 and 8/75 (18 %, 11 %)."""
    assert round(fisher_exact(11, 61, 8, 75).p_value, 2) == 0.32
    assert rounded(risk_ratio(11, 61, 8, 75), 2) == (1.69, 0.73, 3.94)


@pytest.mark.parametrize(
    ("events", "n", "share", "limits", "digits"),
    [
        (12, 65, 18.46, (10.9, 29.6), 1),  # WRIST, complications after plating; printed 18.5 %
        (68, 180, 37.78, (31.0, 45.0), 1),  # PMC6900695, acceptable alignment; printed 37.8 %
        (138, 1175, 11.74, (10.0, 13.7), 1),  # doi 10.1186/s13018-019-1344-1; printed 11.7 %
        (68, 1175, 5.79, (4.6, 7.3), 1),  # the same; printed 5.8 %
    ],
)
def test_single_shares(events: int, n: int, share: float, limits: tuple[float, float], digits: int):
    estimate = wilson(events, n, unit="percent")
    assert round(estimate.value, 2) == share
    assert (round(estimate.conf_low, digits), round(estimate.conf_high, digits)) == limits


def test_exact_interval_of_wrist_complications():
    """WRIST, complications after plating 12/65: exact interval beside Wilson's."""
    assert rounded(clopper_pearson(12, 65, unit="percent"), 1) == (18.5, 9.9, 30.0)


#: source, first and second group as (mean, SD, n), difference with limits, digits, p with digits
MEANS = [
    # Abramo 2009, Acta Orthop, doi 10.3109/17453670903171875; 50 patients, 25 and 25 assumed.
    ("Abramo grip, % of other side", (90, 16, 25), (78, 17, 25), (12.0, 2.6, 21.4), 1, 0.013, 3),
    ("Abramo rotation arc, degrees", (150, 15, 25), (136, 20, 25), (14.0, 3.9, 24.1), 1, 0.0075, 4),
    # Dzaja 2013, PRWE; printed p = .91, which these numbers do not give.
    ("Dzaja PRWE", (16.2, 23.1, 20), (21.5, 23.6, 24), (-5.3, -19.6, 9.0), 1, 0.46, 2),
    # PMC4849219, DASH at 3 months; printed p < .05, which these numbers do not give.
    ("non-invasive fixator DASH", (12.2, 3.1, 25), (14.5, 5.6, 25), (-2.3, -4.9, 0.3), 1, 0.080, 3),
    # PMC5644687, radial deviation; printed p = .037 from unrounded means.
    ("Lameijer radial deviation", (14, 6, 49), (17, 6, 55), (-3.0, -5.3, -0.7), 1, 0.012, 3),
    # DRAFFT2, BMJ 2022, doi 10.1136/bmj-2021-068041; the printed difference, -0.34, is adjusted.
    ("DRAFFT2 PRWE, wire minus cast", (20.7, 22.3, 195), (21.2, 23.1, 200), (-0.5, -4.99, 3.99), 2, 0.83, 2),
]


@pytest.mark.parametrize("row", MEANS, ids=lambda row: row[0])
def test_means_from_printed_summaries(row):
    _, first, second, expected, digits, p, p_digits = row
    difference = mean_difference_from_summary(*first, *second)
    assert rounded(difference, digits) == expected
    assert round(difference.p_value, p_digits) == p
