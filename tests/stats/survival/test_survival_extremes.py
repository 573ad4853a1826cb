"""Labels and times that numpy or pandas would take for something else: refused or missing, never quoted."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import cluster_codes, clusters_of
from outcomes.stats.survival.competing_times import competing_times
from outcomes.stats.survival.cox import cox_contrast, fit_cox
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.recurrent_events import mean_cumulative_count
from outcomes.stats.survival.subdistribution import fit_subdistribution
from outcomes.stats.survival.survival_times import check_horizons, check_survival, check_time, group_labels

CANARY = "Canary 1961"
TIME, EVENT = [1, 2, 3, 4], [1, 1, 1, 1]


@pytest.mark.parametrize("missing", [math.nan, None, pd.NA, np.nan])
@pytest.mark.parametrize("wrap", [list, pd.Series, tuple, lambda x: np.array(x, dtype=object)])
def test_a_missing_label_among_text_is_missing(missing, wrap):
    labels = wrap(["a", "b", missing, "b"])
    codes, names, absent = group_labels(labels, 4)
    assert codes.tolist() == [0, 1, -1, 1]
    assert names == ("a", "b")
    assert absent.tolist() == [False, False, True, False]
    test = log_rank(TIME, EVENT, labels)
    assert (test.groups, test.n, test.n_missing) == (("a", "b"), 3, 1)


@pytest.mark.parametrize("missing", [math.nan, None])
def test_a_missing_cluster_in_a_list_is_refused(missing):
    with pytest.raises(EstimationError) as error:
        cluster_codes(["a", "b", missing], 3)
    assert error.value.code == "missing_cluster"
    kept = clusters_of(["a", missing, "b"], np.array([True, True, False]))
    with pytest.raises(EstimationError):
        cluster_codes(kept, 2)
    with pytest.raises(EstimationError):
        fit_cox([[1], [0], [1], [0]], TIME, EVENT, names=["x"], clusters=["a", "b", missing, "c"])


def test_labels_are_named_alike_everywhere():
    # a column of whole numbers with gaps is stored as decimals
    assert group_labels([2.0, 1.0, math.nan], 3)[1] == ("1", "2")
    assert group_labels(pd.Categorical(["b", "a"], categories=["b", "c", "a"]), 2)[1] == ("b", "a")
    assert group_labels(pd.array([2, None, 1], dtype="Int64"), 3)[0].tolist() == [1, -1, 0]
    with pytest.raises(EstimationError) as error:
        group_labels(["a", 1], 2)
    assert error.value.code == "bad_labels"


def test_row_order_of_an_index_plays_no_part():
    shuffled = [pd.Series(column, index=[3, 1, 0, 2]) for column in (TIME, EVENT, list("abab"))]
    assert log_rank(*shuffled).chi_squared == log_rank(TIME, EVENT, list("abab")).chi_squared


@pytest.mark.parametrize(("event", "censored"), [(["0", "1", "2"], 0), ([0, 1, 2], "0")])
def test_the_censored_label_as_text_is_not_taken_for_a_cause(event, censored):
    with pytest.raises(EstimationError, match="censored") as error:
        competing_times([1, 2, 3], event, censored=censored)
    assert error.value.code == "censored_as_cause"
    found = competing_times([1, 2, 3], event, censored=event[0])
    assert found.causes == ("1", "2")


@pytest.mark.parametrize(
    "call",
    [
        lambda: mean_cumulative_count([5, 5], [1, 2], [0, 1], at=[5], died=[CANARY, 0]),
        lambda: mean_cumulative_count([5, 5], [1, 2], [CANARY, 1], at=[5]),
        lambda: mean_cumulative_count([5, CANARY], [1, 2], [0, 1], at=[5]),
        lambda: cumulative_incidence([1, 2], [1, 0], at=[CANARY]),
        lambda: check_survival([1, CANARY], [1, 0]),
        lambda: log_rank(CANARY, EVENT, list("abab")),
    ],
)
def test_text_is_refused_and_never_quoted(call):
    with pytest.raises(EstimationError) as error:
        call()
    assert CANARY not in str(error.value)
    assert "1961" not in str(error.value)


def test_one_check_of_times_for_all():
    assert check_time([0.0, -0.0, None]).tolist()[:2] == [0.0, 0.0]
    assert not np.signbit(check_time([-0.0])).any()
    for wrong, code in (([-1.0], "negative_time"), ([math.inf], "infinite")):
        with pytest.raises(EstimationError) as error:
            check_time(wrong, "end")
        assert error.value.code == code
        assert "values of end" in str(error.value)
    assert check_horizons(12) == check_horizons([12]) == (12.0,)
    for wrong in ([], [math.nan], [-1], [math.inf], [[1, 2]]):
        with pytest.raises(EstimationError) as error:
            check_horizons(wrong)
        assert error.value.code == "bad_time"


def test_a_hazard_ratio_beyond_numbers_says_which_limit_is_missing():
    fit = fit_cox([[1], [0], [1]], [1, 2, 3], [1, 1, 1], names=["x"])
    found = cox_contrast(fit, [[700]], labels=["x"])[0]
    assert found.conf_high is None
    assert "too large" in found.reason


def test_few_clusters_are_named_and_one_is_refused():
    X, time, event = [[1], [0], [1], [0], [1], [0]], [1, 2, 3, 4, 5, 6], [1, 1, 2, 1, 1, 1]
    found = fit_subdistribution(time, event, X, names=["b"], cause=1, clusters=list("aabbcc"))
    assert "unreliable: 3 clusters" in found.method
    assert all("unreliable: 3 clusters" in ratio.method for ratio in found.ratios)
    assert "unreliable" not in fit_subdistribution(time, event, X, names=["b"], cause=1).method
    with pytest.raises(EstimationError) as error:
        fit_subdistribution(time, event, X, names=["b"], cause=1, clusters=["a"] * 6)
    assert error.value.code == "too_few_clusters"


def test_few_clusters_are_named_in_curves_and_counts():
    clusters = list("aabbcc")
    curve = cumulative_incidence([1, 2, 3, 4, 5, 6], [1, 2, 0, 1, 1, 0], at=[4], clusters=clusters)
    assert all("unreliable: 3 clusters" in row.estimate.method for row in curve.rows)
    count = mean_cumulative_count([5] * 6, [1, 2, 2], [0, 1, 3], at=[4], clusters=clusters)
    assert "unreliable: 3 clusters" in count.rows[0].estimate.method
    many = mean_cumulative_count([5] * 12, [1, 2, 2], [0, 1, 3], at=[4], clusters=range(12))
    assert many.rows[0].estimate.method.endswith("by cluster")
    plain = mean_cumulative_count([5] * 6, [1, 2, 2], [0, 1, 3], at=[4])
    assert "cluster" not in plain.rows[0].estimate.method


@pytest.mark.parametrize("covariance", ["model", "CR0", "CR1"])
@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_row_order_leaves_no_trace_in_a_cox_model(ties, covariance):
    rng = np.random.default_rng(20261125)
    n = 80
    x = np.column_stack([rng.integers(0, 2, n), rng.normal(size=n).round(1)])
    end, event = rng.integers(2, 9, n), rng.random(n) < 0.6
    entry, strata, clusters = rng.integers(0, 2, n), rng.integers(0, 2, n), rng.integers(0, 12, n)
    weights = rng.integers(1, 4, n) / 3.0

    def fitted(rows):
        fit = fit_cox(
            x[rows], end[rows], event[rows], names=["nail", "age"], entry=entry[rows], strata=strata[rows],
            weights=weights[rows], ties=ties, covariance=covariance,
            clusters=clusters[rows] if covariance == "CR1" else None,
        )  # fmt: skip
        return fit.coefficients.tobytes(), fit.covariance.tobytes(), fit.log_likelihood

    first = fitted(np.arange(n))
    for _ in range(10):
        assert fitted(rng.permutation(n)) == first
