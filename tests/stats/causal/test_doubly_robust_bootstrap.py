"""The batched bootstrap of doubly robust means: each resample equals a fit of its own, and errors agree with theory."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.causal.doubly_robust_bootstrap import bootstrap_doubly_robust
from outcomes.stats.causal.doubly_robust_fit import fit_doubly_robust
from outcomes.stats.numerics.arrays import cluster_codes
from outcomes.stats.resampling.draws import draw_counts
from outcomes.stats.resampling.resampled_logistic import refit_logistic

NAMES = ["one", "age", "size"]


def invented(n=300, n_levels=3, seed=1, binary=False):
    """Patients with one or two cases, an exposure and an outcome that depend on both columns."""
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=n), rng.random(n) < 0.4])
    slopes = np.linspace(0, 1, n_levels)
    odds = np.exp(X[:, 1:2] * slopes + X[:, 2:] * slopes[::-1] / 2)
    codes = (rng.random(n)[:, None] > np.cumsum(odds / odds.sum(axis=1, keepdims=True), axis=1)).sum(axis=1)
    exposure = np.array(["cast", "nail", "plate", "wires"])[codes]
    mean = codes + X[:, 1] + X[:, 2] * (codes == 1)
    y = (rng.random(n) < 1 / (1 + np.exp(-mean + 1))).astype(float) if binary else mean + rng.normal(size=n)
    return X, exposure, y, rng.integers(0, int(0.8 * n), n)


@pytest.mark.parametrize("target_levels", [None, ["cast", "plate"]], ids=["all", "users of two"])
@pytest.mark.parametrize("outcome", ["linear", "logistic"])
@pytest.mark.parametrize("n_levels", [2, 3])
def test_each_resample_equals_a_fit_of_its_own(n_levels, outcome, target_levels):
    X, exposure, y, patient = invented(n_levels=n_levels, binary=outcome == "logistic")
    target_levels = target_levels and target_levels[: n_levels - 1]
    given = {"names": NAMES, "outcome": outcome, "target_levels": target_levels, "floor": 0.2}
    found = bootstrap_doubly_robust(X, exposure, y, clusters=patient, n_boot=400, seed=5, **given)
    codes, n_patients = cluster_codes(patient, len(y))
    counts = draw_counts(np.zeros(n_patients, dtype=np.int64), 400, np.random.default_rng(5))
    for b in range(0, 400, 57):
        rows = np.repeat(np.arange(len(y)), counts[b, codes])
        alone = fit_doubly_robust(X[rows], exposure[rows], y[rows], errors="plug-in", **given)
        np.testing.assert_allclose(found.replicates[b], [m.value for m in alone.means], rtol=1e-7)
    whole = fit_doubly_robust(X, exposure, y, errors="plug-in", clusters=patient, **given)
    assert [c.estimate.value for c in found.contrasts] == [c.value for c in whole.contrasts]
    assert [c.estimate.contrast for c in found.contrasts] == [c.contrast for c in whole.contrasts]
    assert all(m.n_failed == 0 for m in found.means)


def test_exposure_model_of_its_own_and_a_target_by_rows():
    X, exposure, y, _patient = invented(n_levels=2)
    target, own = X[:, 1] > 0, {"X_exposure": X[:, :2], "names_exposure": NAMES[:2]}
    found = bootstrap_doubly_robust(X, exposure, y, names=NAMES, target=target, n_boot=400, seed=2, **own)
    counts = draw_counts(np.zeros(len(y), dtype=np.int64), 400, np.random.default_rng(2))
    rows = np.repeat(np.arange(len(y)), counts[7])
    alone = fit_doubly_robust(
        X[rows], exposure[rows], y[rows], names=NAMES, errors="plug-in", target=target[rows],
        X_exposure=X[rows, :2], names_exposure=NAMES[:2],
    )  # fmt: skip
    np.testing.assert_allclose(found.replicates[7], [m.value for m in alone.means], rtol=1e-7)
    assert (found.target, len(found.tidy())) == ("a subset", 3)
    assert str(found).startswith("doubly robust means for a subset\nnail minus cast: ")


def test_errors_agree_with_the_stacked_ones():
    X, exposure, y, patient = invented(n=1500)
    stacked = fit_doubly_robust(X, exposure, y, names=NAMES, clusters=patient)
    found = bootstrap_doubly_robust(X, exposure, y, names=NAMES, clusters=patient, n_boot=2000, seed=3)
    for ours, theirs in zip(found.contrasts, stacked.contrasts, strict=True):
        assert ours.estimate.std_error == pytest.approx(theirs.std_error, rel=0.07)
        assert ours.estimate.conf_low == pytest.approx(theirs.conf_low, abs=0.3 * theirs.std_error)


def test_strata_keep_the_size_of_each_level():
    _X, exposure, _y, _ = invented(n=200, n_levels=2)
    ones = np.ones((200, 1))
    kept = bootstrap_doubly_robust(
        ones,
        exposure,
        (exposure == "nail").astype(float) * 5,
        names=["one"],
        strata=exposure,
        n_boot=400,
        seed=1,
    )
    assert (
        np.ptp(kept.replicates, axis=0).max() < 1e-9
    )  # no variation within levels, so none between resamples


def test_resamples_that_lose_a_level_or_a_column_fail_and_are_counted():
    X, exposure, y, _ = invented(n=120, n_levels=2)
    rare = np.zeros(120)
    rare[np.flatnonzero(exposure == "cast")[0]] = rare[np.flatnonzero(exposure == "nail")[0]] = 1
    rare[np.flatnonzero(exposure == "cast")[1]] = rare[np.flatnonzero(exposure == "nail")[1]] = 1
    found = bootstrap_doubly_robust(
        np.column_stack([X, rare]), exposure, y, names=[*NAMES, "rare"], n_boot=1000, seed=1
    )
    lost = found.contrasts[0]
    # neither of the two cases of a level is drawn with probability (1 - 2/n)^n, about exp(-2)
    assert 0.1 < lost.n_failed / 1000 < 0.4
    assert lost.estimate.conf_low is None
    assert "replicates failed" in lost.estimate.reason
    assert lost.estimate.value is not None


def test_a_resample_without_a_maximum_fails():
    q = np.column_stack([np.ones(6), [-1.0, -1, 0, 0, 1, 1]]) * [1, 1.5**0.5]
    drawn = np.array([[1.0] * 6, [2, 2, 0, 0, 1, 1], [0, 0, 3, 3, 0, 0], [6, 0, 0, 0, 0, 0]])
    fit = refit_logistic(q, np.array([0, 0, 0, 1, 1, 1]), lambda rows: drawn[:, rows], 4, np.zeros((1, 2)))
    assert fit.converged.tolist() == [False] * 4  # separated by the second column, or a column lost
    overlapping = refit_logistic(
        q, np.array([0, 1, 0, 1, 0, 1]), lambda rows: drawn[:, rows], 4, np.zeros((1, 2))
    )
    assert overlapping.converged.tolist() == [True, True, False, False]
    assert np.isnan(overlapping.coefficients[2:]).all()


def test_laws_of_units_and_levels():
    X, exposure, y, patient = invented()
    given = {"names": NAMES, "clusters": patient, "n_boot": 400, "seed": 4}
    base = bootstrap_doubly_robust(X, exposure, y, **given)
    scaled = bootstrap_doubly_robust(X * [1, 100, 1] + [0, 1000, 0], exposure, 3 - 2 * y, **given)
    np.testing.assert_allclose(scaled.replicates, 3 - 2 * base.replicates, rtol=1e-6, atol=1e-6)
    turned = bootstrap_doubly_robust(X, exposure, y, levels=["plate", "cast", "nail"], **given)
    np.testing.assert_allclose(turned.replicates[:, [1, 2, 0]], base.replicates, rtol=1e-6)
    a, b = (
        base.contrasts[0].estimate,
        bootstrap_doubly_robust(X, exposure, y, pairs=[("cast", "nail")], **given),
    )
    assert b.contrasts[0].estimate.conf_low == pytest.approx(-a.conf_high, rel=1e-9)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"n_boot": 50}, "at least 400 replicates"),
        ({"n_boot": 0}, "0 resamples"),
        ({"outcome": "probit"}, "'linear'"),
        ({"strata": np.arange(300) % 2}, "more than one stratum"),
    ],
)
def test_bad_input_is_named(change, words):
    X, exposure, y, patient = invented()
    with pytest.raises(EstimationError, match=words):
        bootstrap_doubly_robust(
            X, exposure, y, **({"names": NAMES, "clusters": patient, "seed": 1, "n_boot": 400} | change)
        )


@pytest.mark.parametrize("outcome", ["linear", "logistic"])
def test_rows_taken_in_blocks_of_another_size_change_nothing(outcome, monkeypatch):
    X, exposure, y, patient = invented(n=230, binary=outcome == "logistic")
    given = {"names": NAMES, "outcome": outcome, "clusters": patient, "n_boot": 400, "seed": 6}
    whole = bootstrap_doubly_robust(X, exposure, y, **given)
    monkeypatch.setattr("outcomes.stats.resampling.resampled_logistic.BLOCK", 17)
    parts = bootstrap_doubly_robust(X, exposure, y, **given)
    np.testing.assert_allclose(parts.replicates, whole.replicates, rtol=1e-8)
    assert [c.n_failed for c in parts.contrasts] == [c.n_failed for c in whole.contrasts]
    assert not np.isnan(whole.replicates).all()
