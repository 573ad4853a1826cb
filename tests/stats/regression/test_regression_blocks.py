"""What is held in memory at once is a matter of speed: other blocks give the same numbers."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.stats.regression.firth_resamples import fit_firth_resamples
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.risk_resamples import bootstrap_risk_contrasts
from outcomes.stats.regression.specifications import Specification, fit_specifications
from outcomes.stats.regression.wild import wild_cluster_bootstrap


def cases(n: int = 90) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    X = np.column_stack([np.ones(n), rng.integers(0, 2, n), rng.normal(size=n)])
    clusters = rng.integers(0, 40, n)
    return X, X @ [1.0, 0.5, 0.3] + rng.normal(size=40)[clusters] + rng.normal(size=n), clusters


def test_wild_patterns(monkeypatch: pytest.MonkeyPatch) -> None:
    X, y, clusters = cases()
    fit = fit_linear(X, y, names=["one", "arm", "x"], clusters=clusters)
    whole = wild_cluster_bootstrap(fit, [0.0, 1.0, 0.0], n_draws=999, seed=1, weights="webb")
    monkeypatch.setattr("outcomes.stats.regression.wild._CHUNK", 1000)
    assert wild_cluster_bootstrap(fit, [0.0, 1.0, 0.0], n_draws=999, seed=1, weights="webb") == whole


def test_specifications(monkeypatch: pytest.MonkeyPatch) -> None:
    X, y, clusters = cases()
    given = {"names": ["arm", "x"], "column": "arm", "specifications": [Specification(covariates=("x",))]}
    whole = fit_specifications(X[:, 1:], y, clusters=clusters, **given)
    monkeypatch.setattr("outcomes.stats.regression.specifications._BLOCK", 7)
    parts = fit_specifications(X[:, 1:], y, clusters=clusters, **given)
    np.testing.assert_allclose(parts.std_error, whole.std_error, rtol=1e-12)


def test_firth_resamples_and_their_risks(monkeypatch: pytest.MonkeyPatch) -> None:
    X, y, clusters = cases()
    event = (y > 1.5) * 1.0
    draws = np.random.default_rng(2).multinomial(90, np.full(90, 1 / 90), size=60)
    names = ["one", "arm", "x"]
    on, off = X.copy(), X.copy()
    on[:, 1], off[:, 1] = 1.0, 0.0
    asked = {"names": names, "clusters": clusters, "n_boot": 400, "seed": 3}
    fits = fit_firth_resamples(X, event, draws, names=names)
    risks = bootstrap_risk_contrasts(X, event, [off, on], [[-1, 1]], **asked)[0].estimate
    monkeypatch.setattr("outcomes.stats.regression.firth_resamples._CHUNK", 1000)
    monkeypatch.setattr("outcomes.stats.regression.risk_resamples.CHUNK", 1000)
    again = fit_firth_resamples(X, event, draws, names=names)
    np.testing.assert_allclose(again.coefficients, fits.coefficients, rtol=1e-8, atol=1e-10)
    other = bootstrap_risk_contrasts(X, event, [off, on], [[-1, 1]], **asked)[0].estimate
    assert (other.conf_low, other.conf_high) == pytest.approx((risks.conf_low, risks.conf_high), rel=1e-8)
    assert other.value == risks.value
