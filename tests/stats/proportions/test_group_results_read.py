"""Results of tests: one tidy row in the common vocabulary, and a sentence, made or not."""

from __future__ import annotations

import pytest

from outcomes.stats.groups.anova import one_way_anova
from outcomes.stats.groups.ranks import kruskal_wallis, mann_whitney
from outcomes.stats.proportions.contingency import chi_squared, fisher_exact
from outcomes.stats.proportions.exact_tables import exact_test
from outcomes.stats.proportions.strata import mantel_haenszel

MADE = [
    (one_way_anova([[1, 2, 3], [3, 4, 5]]), "F(1, 4) = 6, p = 0.0705, n = 6"),
    (mann_whitney([4, 5, 6], [1, 2, 3]), "Mann-Whitney, exact: U = 9, p = 0.1, n = 6"),
    (kruskal_wallis([[1, 2], [3, 4]]), "Kruskal-Wallis: H(1) = 2.4, p = 0.121, n = 4"),
    (chi_squared([[15, 5], [5, 15]]), "chi2(1) = 10, p = 0.00157, n = 40"),
    (fisher_exact(3, 4, 1, 4), "Fisher exact: p = 0.486; odds ratio group 1 over group 0: 6.408 ratio"),
    (exact_test([[2, 0], [0, 1], [0, 1]]), "Fisher-Freeman-Halton exact: p = 0.333, n = 4"),
    (mantel_haenszel([[[20, 80], [10, 90]]]).test, "Cochran-Mantel-Haenszel: chi2(1) = 3.902, p = 0.0482"),
]
NOT_MADE = [
    one_way_anova([[1, 2]]),
    mann_whitney([1], [1]),
    kruskal_wallis([[1]]),
    chi_squared([[1, 0]]),
    fisher_exact(0, 4, 0, 4),
    exact_test([[1, 0]]),
    mantel_haenszel([[[0, 0], [1, 1]]]).test,
    mantel_haenszel([[[20, 80], [10, 90]]]).tarone,
]


@pytest.mark.parametrize(("result", "sentence"), MADE)
def test_made(result, sentence):
    assert sentence in str(result)
    tidy = result.tidy()
    assert len(tidy) == 1
    assert tidy["p_value"][0] == result.p_value


@pytest.mark.parametrize("result", NOT_MADE)
def test_not_made(result):
    assert "no test (" in str(result)
    assert result.reason in str(result)
    assert result.tidy()["p_value"][0] is None
