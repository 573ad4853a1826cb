"""Influence values turned into estimates: by hand, by cluster, by the rows used, and where nothing can be said."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.causal.influence import contrasted, influence_covariance, influence_estimates, thin_level

Y = np.array([1.0, 2.0, 4.0, 9.0, 4.0, 7.0])
INFLUENCE = ((Y - Y.mean()) / 6)[:, None]


def test_a_mean_by_hand_at_two_levels() -> None:
    for level in (0.95, 0.8):
        e = influence_estimates(
            [Y.mean()], INFLUENCE, labels=["mean"], n=[6], level=level, unit="kg", n_missing=2, method="m"
        )[0]
        error = Y.std(ddof=1) / np.sqrt(6)
        assert e.std_error == pytest.approx(error, rel=1e-12)
        half = stats.t.ppf(0.5 + level / 2, 5) * error
        assert (e.conf_low, e.conf_high) == pytest.approx((4.5 - half, 4.5 + half), rel=1e-10)
        assert e.p_value == pytest.approx(2 * stats.t.sf(4.5 / error, 5), rel=1e-10)
        assert (e.df, e.n, e.n_missing, e.unit, e.contrast) == (5.0, 6, 2, "kg", "mean")
        assert e.method == "m, robust errors, t with G - 1 df; unreliable: 6 clusters"


def test_totals_by_cluster() -> None:
    e = influence_estimates([4.5], INFLUENCE, labels=["mean"], n=[6], clusters=list("aabbcc"))[0]
    totals = INFLUENCE[:, 0].reshape(3, 2).sum(axis=1)
    assert e.std_error == pytest.approx(np.sqrt(3 / 2 * totals @ totals), rel=1e-12)
    assert e.df == 2.0
    assert e.method == ", errors by cluster, t with G - 1 df; unreliable: 3 clusters"
    joint = influence_covariance(np.column_stack([INFLUENCE, 2 * INFLUENCE]), list("aabbcc"))
    np.testing.assert_allclose(joint, e.std_error**2 * np.array([[1, 2], [2, 4]]), rtol=1e-12)


def test_only_clusters_used_count() -> None:
    # the second estimate rests on the first four rows: two clusters, so 2 / 1 in place of 3 / 2 and 1 df
    parts = np.column_stack([INFLUENCE[:, 0], np.r_[0.5, -0.2, -0.4, 0.1, 0, 0]])
    used = np.column_stack([np.ones(6, bool), np.arange(6) < 4])
    both = influence_estimates(
        [4.5, 1.0], parts, labels=["a", "b"], n=[6, 4], clusters=list("aabbcc"), used=used
    )
    assert [e.df for e in both] == [2.0, 1.0]
    totals = np.array([0.3, -0.3])
    assert both[1].std_error == pytest.approx(np.sqrt(2 * totals @ totals), rel=1e-12)
    assert "unreliable: 2 clusters" in both[1].method
    # a single cluster leaves one degree of freedom, not none: the reason is the caller's to give
    one = influence_estimates(
        [1.0], parts[:, 1:], labels=["b"], n=[2], clusters=list("aabbcc"), used=(np.arange(6) < 2)[:, None]
    )[0]
    assert one.df == 1.0


def test_ten_clusters_are_not_called_few() -> None:
    parts = np.random.default_rng(1).normal(size=(10, 1))
    assert "unreliable" not in influence_estimates([0.0], parts, labels=["a"], n=[10])[0].method
    assert "unreliable: 9" in influence_estimates([0.0], parts[:9], labels=["a"], n=[9])[0].method


def test_no_spread_and_reasons() -> None:
    flat = influence_estimates([3.0], np.zeros((4, 1)), labels=["a"], n=[4])[0]
    assert (flat.value, flat.conf_low, flat.std_error) == (3.0, None, None)
    assert flat.reason == "no spread is left to judge this value by"
    rounding = influence_estimates([3.0], np.array([[1e-13], [-1e-13]]), labels=["a"], n=[2])[0]
    assert rounding.conf_low is None
    small = influence_estimates([0.0], np.array([[1e-13], [-1e-13]]), labels=["a"], n=[2])[0]
    assert small.std_error == pytest.approx(2e-13)
    # values that cancel by cluster leave rounding only
    cancelled = influence_estimates([0.0], np.array([[1.0], [-1.0], [2.0], [-2.0]]), labels=["a"], n=[4],
                                    clusters=[1, 1, 2, 2])[0]  # fmt: skip
    assert cancelled.conf_low is None
    named = influence_estimates([3.0, 4.0], np.column_stack([INFLUENCE, INFLUENCE]), labels=["a", "b"], n=[6, 6],
                                reasons=["too thin", ""])  # fmt: skip
    assert (named[0].value, named[0].reason, named[1].value) == (None, "too thin", 4.0)


def test_what_is_refused() -> None:
    with pytest.raises(EstimationError, match="1 cluster in 6 rows"):
        influence_covariance(INFLUENCE, np.zeros(6))
    assert influence_covariance([1.0, -1.0]).tolist() == [[4.0]]
    for bad in (np.nan, np.inf):
        with pytest.raises(EstimationError, match="missing or infinite"):
            influence_covariance([1.0, bad, 2.0])


def test_pairs_of_levels() -> None:
    assert contrasted(("a", "b"), None) == ((1, 0),)
    assert contrasted(("a", "b", "c"), [("c", "a"), ("a", "b")]) == ((2, 0), (0, 1))
    for pairs in ([], [("a", "a")], [("a", "z")], [("a", "b", "c")]):
        with pytest.raises(EstimationError) as caught:
            contrasted(("a", "b", "c"), pairs)
        assert caught.value.code == "unknown_group"


def test_a_level_of_one_cluster_is_thin() -> None:
    assert thin_level("cast", np.array([], dtype=int)) != ""
    assert thin_level("cast", np.array([1, 1, 1])) == "fewer than 2 clusters of cases with the level cast"
    assert thin_level("cast", np.array([1, 2])) == ""
