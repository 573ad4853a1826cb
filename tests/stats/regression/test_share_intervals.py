"""Intervals for shares: resamples against refits, coverage with and without effects, degenerate input."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import outcomes.stats.regression.share_intervals as module
from outcomes.errors import EstimationError
from outcomes.stats.regression.share_intervals import share_intervals
from outcomes.stats.regression.shares import explained_shares
from outcomes.stats.resampling.bootstrap import cluster_resamples, percentile_interval


def load() -> ModuleType:
    """Return the script of the committed coverage table."""
    path = Path(__file__).parents[2] / "reference" / "shares" / "coverage.py"
    spec = importlib.util.spec_from_file_location("share_coverage", path)
    script = importlib.util.module_from_spec(spec)
    sys.modules["share_coverage"] = script
    spec.loader.exec_module(script)
    return script


COVERAGE = load()
BY_NAME = {(s.name, s.n): s for s in COVERAGE.SCENARIOS}
KNOWN = {"names": COVERAGE.NAMES, "groups": COVERAGE.GROUPS}
PAIRED = BY_NAME["strategy and reduction, two wrists, ICC 0.7", 400]


def limits(r) -> np.ndarray:
    return np.array([(i.estimate.conf_low, i.estimate.conf_high) for i in (*r.intervals, *r.differences)])


def test_resamples_are_refits():
    X, y, patient = COVERAGE.draw(PAIRED, np.random.default_rng(1))
    X, y, patient = X[:80], y[:80], patient[:80]
    r = share_intervals(X, y, **KNOWN, clusters=patient, differences=[COVERAGE.PAIR], n_boot=400, seed=5)
    weights = cluster_resamples(patient, 400, seed=5)
    refits = np.array([explained_shares(X, y, **KNOWN, weights=w).share for w in weights])
    refits = np.column_stack([refits, refits[:, 1] - refits[:, 0]])
    own = explained_shares(X, y, **KNOWN)
    share, value = (np.append(v, v[1] - v[0]) for v in (own.share, own.corrected))
    for j, found in enumerate((*r.intervals, *r.differences)):
        draws = refits[:, j] - 2 * (refits[:, j].mean() - share[j])
        expected = percentile_interval(draws, value[j]).estimate
        assert found.estimate.value == pytest.approx(value[j], abs=1e-12)
        assert found.estimate.conf_low == pytest.approx(expected.conf_low, abs=1e-11)
        assert found.estimate.conf_high == pytest.approx(expected.conf_high, abs=1e-11)
        assert found.estimate.std_error == pytest.approx(expected.std_error, abs=1e-11)
    assert (r.n_clusters, r.intervals[0].estimate.n, r.intervals[0].n_failed) == (40, 80, 0)


def test_laws():
    X, y, patient = COVERAGE.draw(PAIRED, np.random.default_rng(2))
    call = {"n_boot": 400, "seed": 7}
    pair, back = [("reduction", "strategy")], [("strategy", "reduction")]
    base = share_intervals(X, y, **KNOWN, clusters=patient, differences=pair, **call)
    again = share_intervals(X, y, **KNOWN, clusters=patient, differences=pair, **call)
    np.testing.assert_array_equal(limits(base), limits(again))
    swapped = share_intervals(X, y, **KNOWN, clusters=patient, differences=back, **call)
    np.testing.assert_allclose(limits(swapped)[3], -limits(base)[3][::-1], atol=1e-12)
    units = share_intervals(100 * X + 7, -2.5 * y - 1, **KNOWN, clusters=patient, differences=pair, **call)
    np.testing.assert_allclose(limits(units), limits(base), atol=1e-10)
    # copies of a row in its own cluster are a weight; labels and other order of rows within patients do nothing
    copies = np.random.default_rng(3).integers(1, 3, len(y))
    weighted = share_intervals(X, y, **KNOWN, clusters=patient, weights=copies, differences=pair, **call)
    rows = np.repeat(np.arange(len(y)), copies)
    repeated = share_intervals(X[rows], y[rows], **KNOWN, clusters=patient[rows], differences=pair, **call)
    np.testing.assert_allclose(limits(weighted), limits(repeated), atol=1e-11)
    turned = np.arange(len(y)).reshape(-1, 2)[:, ::-1].ravel()
    labels = np.array([f"p{k}" for k in patient], dtype=object)
    other = share_intervals(X[turned], y[turned], **KNOWN, clusters=labels[turned], differences=pair, **call)
    np.testing.assert_allclose(limits(other), limits(base), atol=1e-11)


def test_blocks_of_resamples_are_one_run(monkeypatch: pytest.MonkeyPatch):
    X, y, patient = COVERAGE.draw(PAIRED, np.random.default_rng(17))
    call = {"clusters": patient, "differences": [COVERAGE.PAIR], "n_boot": 401, "seed": 8}
    base = limits(share_intervals(X, y, **KNOWN, **call))
    monkeypatch.setattr(module, "_BLOCK", 7 * 200)
    np.testing.assert_allclose(limits(share_intervals(X, y, **KNOWN, **call)), base, atol=1e-12)


def test_truth_of_the_simulation_is_what_a_large_sample_shows():
    for name in ("strategy and reduction", "large effects, R2 0.6"):
        s = BY_NAME[name, 400]
        big = COVERAGE.Scenario(s.name, s.strategy, s.met, s.age, 200_000)
        X, y, _ = COVERAGE.draw(big, np.random.default_rng(4))
        np.testing.assert_allclose(explained_shares(X, y, **KNOWN).share, COVERAGE.truth(s), atol=0.006)
    assert COVERAGE.truth(BY_NAME["no effect at all", 400]).tolist() == [0, 0, 0]


@pytest.mark.parametrize(
    "name", ["no effect at all", "strategy and reduction", "no effect, two wrists, ICC 0.7"]
)
def test_coverage(name: str):
    # 120 data sets: at least 95 % minus three Monte Carlo errors; the larger study is in docs/validation/shares.md
    r = COVERAGE.run(BY_NAME[name, 400], 120, 400, seed=11)
    assert (r["covered"] >= 0.95 - 3 * (0.95 * 0.05 / 120) ** 0.5).all()
    if "wrists" not in name:
        # within sampling error, and the remaining bias R2 df / (n - 1)
        assert (np.abs(r["mean"] - r["truth"]) < 3.5 * r["error"] + 0.25 * 5 / 399).all()


def test_uncorrected_limits_never_cover_no_effect():
    # why limits of plain resampled shares are not offered: with no effect they all lie above 0
    X, y, _ = COVERAGE.draw(BY_NAME["no effect at all", 400], np.random.default_rng(12))
    weights = cluster_resamples(np.arange(400), 400, seed=1)
    plain = np.array([explained_shares(X, y, **KNOWN, weights=w).share for w in weights])
    assert (np.quantile(plain, 0.025, axis=0) > 0).all()
    found = limits(share_intervals(X, y, **KNOWN, n_boot=400, seed=1))
    assert (found[:, 0] < 0).all()
    assert (found[:, 1] > 0).all()


def test_a_level_lost_in_a_resample_is_no_failure():
    rng = np.random.default_rng(13)
    X = np.column_stack([np.arange(60) == 0, np.arange(60) % 2, rng.normal(size=60)]).astype(float)
    r = share_intervals(
        X, rng.normal(size=60), names=list("abc"), groups=["s", "s", "age"], n_boot=500, seed=2
    )
    assert [i.n_failed for i in r.intervals] == [0, 0]
    assert np.isfinite(limits(r)).all()


def test_resamples_without_variation_are_counted():
    y = np.zeros(12)
    y[0] = 1.0
    r = share_intervals(np.arange(12.0)[:, None], y, names=["a"], groups=["a"], n_boot=500, seed=2)
    (found,) = r.intervals
    # the one event is left out of (11/12)^12 = 35 % of the resamples
    assert 125 < found.n_failed < 225
    assert found.estimate.value is not None
    assert found.estimate.conf_low is None
    assert "bootstrap replicates failed" in found.estimate.reason


def test_a_constant_group_is_not_estimable_and_leaves_the_others_alone():
    X, y, _ = COVERAGE.draw(BY_NAME["strategy and reduction", 150], np.random.default_rng(14))
    call = {"n_boot": 400, "seed": 3}
    base = share_intervals(X, y, **KNOWN, differences=[COVERAGE.PAIR], **call)
    r = share_intervals(
        np.column_stack([X, np.ones(150)]), y, names=[*KNOWN["names"], "graft"],
        groups=[*KNOWN["groups"], "graft"], differences=[COVERAGE.PAIR, ("graft", "age")], **call,
    )  # fmt: skip
    reason = "not estimable (graft does not vary in the rows used)"
    assert str(r.intervals[3]) == f"share of graft: {reason}"
    assert str(r.differences[1]) == f"share of graft minus share of age: {reason}"
    kept = [*r.intervals[:3], r.differences[0]]
    np.testing.assert_allclose(
        [(i.estimate.conf_low, i.estimate.conf_high) for i in kept], limits(base), atol=1e-11
    )


def test_results_read():
    X, y, _ = COVERAGE.draw(BY_NAME["strategy and reduction", 150], np.random.default_rng(15))
    r = share_intervals(
        X, y, **KNOWN, clusters=np.arange(150) % 8, differences=[COVERAGE.PAIR], n_boot=400, seed=4
    )
    table = r.tidy()
    assert table["contrast"].tolist() == [
        "share of strategy", "share of reduction", "share of age", "share of reduction minus share of strategy",
    ]  # fmt: skip
    assert table.index.tolist() == [0, 1, 2, 3]
    assert table["p_value"].isna().all()
    assert len(str(r).splitlines()) == 4
    assert "unreliable: 8 clusters; cluster bootstrap, percentile interval, 400 replicates" in str(r)
    text = str(r.shares)
    assert "(n = 150): strategy " in text
    assert "4 df" in text


def test_bad_input_is_refused():
    X, y, _ = COVERAGE.draw(BY_NAME["strategy and reduction", 150], np.random.default_rng(16))
    with pytest.raises(EstimationError, match="1 clusters"):
        share_intervals(X, y, **KNOWN, clusters=np.zeros(150), seed=1)
    with pytest.raises(EstimationError, match="0 resamples"):
        share_intervals(X, y, **KNOWN, n_boot=0, seed=1)
    with pytest.raises(EstimationError, match="at least 400 replicates"):
        share_intervals(X, y, **KNOWN, n_boot=100, seed=1)
    with pytest.raises(EstimationError, match="level is 95"):
        share_intervals(X, y, **KNOWN, level=95, seed=1)
    for pair in (("reduction", "plate"), ("age", "age")):
        with pytest.raises(EstimationError, match="groups: strategy, reduction, age"):
            share_intervals(X, y, **KNOWN, differences=[pair], seed=1)
