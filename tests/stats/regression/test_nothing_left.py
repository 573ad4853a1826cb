"""Fits that leave nothing, contrasts of nothing, and messages that quote no cell."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate, Margin
from outcomes.stats.causal.crossfit import median_of_repeats
from outcomes.stats.causal.doubly_robust import aipw
from outcomes.stats.causal.doubly_robust_fit import fit_doubly_robust
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.influence import influence_covariance
from outcomes.stats.causal.matching import match_cases
from outcomes.stats.missing.pooled_tests import pooled_chi_squared, pooled_likelihood_ratio
from outcomes.stats.missing.pooled_wald import pooled_wald_test
from outcomes.stats.missing.rubin import pool_scalar
from outcomes.stats.missing.tipping_point import find_tipping_point
from outcomes.stats.numerics.inputs import sample
from outcomes.stats.regression.contrasts import linear_contrast
from outcomes.stats.regression.delta import delta_estimates
from outcomes.stats.regression.likelihood import likelihood_ratio_test
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.logistic import fit_logistic
from outcomes.stats.regression.marginal import marginal_contrast
from outcomes.stats.regression.ordinal import fit_ordinal, ordinal_contrast
from outcomes.stats.regression.poisson import fit_poisson
from outcomes.stats.regression.specifications import Specification, fit_specifications
from outcomes.stats.regression.splines import restricted_cubic_spline
from outcomes.stats.regression.wald import wald_test
from outcomes.stats.repeated.mixed import fit_mixed, mixed_contrast
from outcomes.stats.resampling.bca import jackknife
from outcomes.stats.resampling.bootstrap import percentile_interval
from outcomes.stats.resampling.totals_bootstrap import bootstrap_totals
from outcomes.stats.testing.equivalence import non_inferiority, tost
from outcomes.stats.testing.simultaneous import max_t_quantile

CELL = "Zzmith"
FIT = fit_linear([[1, 0], [1, 1], [1, 2], [1, 3]], [1, 2, 4, 3], names=["one", "x"])
GRADED = fit_ordinal(np.arange(8.0)[:, None], [0, 1, 0, 1, 1, 0, 1, 1], names=["x"], levels=[0, 1])
MIXED = fit_mixed(
    np.column_stack([np.ones(8), np.tile([0.0, 1.0], 4)]), [20, 25, 24, 30, 31, 34, 25, 31], names=["a", "b"],
    subjects=np.repeat(range(4), 2),
)  # fmt: skip


@pytest.mark.parametrize("clusters", [None, np.repeat(np.arange(10), 3)])
def test_a_specification_without_residual_has_no_p(clusters: Any) -> None:
    """The rounding of cross-products is no residual: once it gave p = 2e-138."""
    rng = np.random.default_rng(1)
    x, z = rng.normal(size=30).round(2), rng.normal(size=30).round(2)
    found = fit_specifications(
        np.column_stack([x, z]), 2 * x + z, names=["x", "z"], column="x", clusters=clusters,
        specifications=[Specification(covariates=("z",)), Specification(covariates=())],
    )  # fmt: skip
    assert (found.std_error[0], np.isnan(found.p_value[0])) == (0.0, True)
    assert found.std_error[1] > 0.01
    assert 0 < found.p_value[1] < 1
    # a residual of a ten-thousandth of the spread is one
    noisy = fit_specifications(
        np.column_stack([x, z]), 2 * x + z + 1e-4 * rng.normal(size=30), names=["x", "z"], column="x",
        clusters=clusters, specifications=[Specification(covariates=("z",))],
    )  # fmt: skip
    assert noisy.std_error[0] == pytest.approx(1e-4 / (30**0.5 * x.std()), rel=0.6)


@pytest.mark.parametrize("fit", [fit_logistic, fit_poisson])
def test_whole_weights_are_copies_in_their_cluster_and_one_row_for_hc(fit: Callable[..., Any]) -> None:
    rng = np.random.default_rng(1)
    x, w, clusters = rng.normal(size=40), rng.integers(1, 4, 40), np.arange(40) // 2
    X, copies = np.column_stack([np.ones(40), x]), np.repeat(np.arange(40), w)
    y = rng.integers(0, 2, 40).astype(float) if fit is fit_logistic else rng.poisson(2.0, 40).astype(float)
    for kind in ("classical", "CR0", "CR2", "HC0"):
        groups = clusters if kind.startswith("CR") else None
        weighted = fit(X, y, names=["one", "x"], weights=w, covariance=kind, clusters=groups)
        copied = fit(
            X[copies], y[copies], names=["one", "x"], covariance=kind,
            clusters=None if groups is None else groups[copies],
        )  # fmt: skip
        assert weighted.coefficients == pytest.approx(copied.coefficients, rel=1e-9)
        ratio = weighted.covariance / copied.covariance
        assert (np.abs(ratio - 1).max() < 1e-9) == (kind != "HC0")
    alone = fit(X, y, names=["one", "x"], weights=w, covariance="CR0", clusters=np.arange(40))
    assert fit(X, y, names=["one", "x"], weights=w, covariance="HC0").covariance == pytest.approx(
        alone.covariance
    )


def test_no_contrast_is_refused() -> None:
    for ask in (wald_test, linear_contrast):
        with pytest.raises(EstimationError) as caught:
            ask(FIT, np.empty((0, 2)))
        assert caught.value.code == "bad_shape"


@pytest.mark.parametrize(
    ("value", "error", "low", "high", "reason"),
    [
        (0.0, 1.0, True, True, ""),
        (0.0, 500.0, False, False, "the limits are too small and too large for a number"),
        (300.0, 250.0, True, False, "the upper limit is too large for a number"),
        (-300.0, 250.0, False, True, "the lower limit is too small for a number"),
    ],
)
def test_a_ratio_has_no_limit_of_0_and_none_beyond_numbers(
    value: float, error: float, low: bool, high: bool, reason: str
) -> None:
    e = delta_estimates([value], [error], ratio=True)[0]
    assert (e.conf_low is not None, e.conf_high is not None, e.reason) == (low, high, reason)
    assert e.conf_low is None or e.conf_low > 0.0


def test_repeats_without_any_error_have_no_interval() -> None:
    same = Estimate(value=1.0, conf_low=1.0, conf_high=1.0, std_error=0.0, df=9.0)
    found = median_of_repeats([same, same, same])
    assert (found.value, found.conf_low, found.p_value) == (1.0, None, None)
    assert found.reason == "no spread is left to judge this value by"


@pytest.mark.parametrize("alpha", [0.0, 0.5, 0.7, 5.0])
def test_an_alpha_that_is_none_is_called_alpha(alpha: float) -> None:
    d = Estimate(value=0.0, conf_low=-1.0, conf_high=1.0, std_error=0.5, unit="kg")
    margin = Margin(value=2, unit="kg", source="declared by the authors: example")
    with pytest.raises(EstimationError, match=r"^alpha is .* between 0 and 0\.5"):
        tost(d, margin, alpha)
    with pytest.raises(EstimationError, match=r"^alpha is "):
        non_inferiority(d, margin, alpha, better="higher")


def test_an_error_of_0_is_read_against_no_margin() -> None:
    sure = Estimate(value=0.0, conf_low=0.0, conf_high=0.0, std_error=0.0, unit="kg")
    with pytest.raises(EstimationError) as caught:
        tost(sure, Margin(value=2, unit="kg", source="declared by the authors: example"))
    assert caught.value.code == "no_spread"


def test_a_tipping_point_of_nothing_says_so() -> None:
    found = find_tipping_point(lambda _: Estimate.not_estimable("no cases"), [-1.0, 0.0, 1.0])
    assert found.start == "not estimable"
    assert str(found) == "no reading to change: not estimable at the shift nearest to 0 (shifts from -1 to 1)"


def test_levels_may_be_an_array() -> None:
    y, X = np.array([0, 1, 2, 1, 0, 2, 1, 2, 0]), np.arange(9.0)[:, None]
    given: dict[str, Any] = {"names": ["x"], "drop": ["x"], "model": "proportional odds"}
    levels: Any = np.arange(3)
    assert likelihood_ratio_test(X, y, levels=levels, **given) == likelihood_ratio_test(
        X, y, levels=[0, 1, 2], **given
    )


@pytest.mark.parametrize(
    "call",
    [
        lambda: wald_test(FIT, [[CELL, 1]]),
        lambda: ordinal_contrast(GRADED, [[CELL]]),
        lambda: mixed_contrast(MIXED, [[CELL, 1]]),
        lambda: delta_estimates([CELL], [1.0]),
        lambda: marginal_contrast(FIT, [[1, CELL]], [[1, 0]], link="identity"),
        lambda: delta_estimates([1.0], [CELL]),
        lambda: restricted_cubic_spline([1.0, 2.0], [1, 2, CELL]),
        lambda: pool_scalar([1.0, CELL], [1.0, 1.0]),
        lambda: pool_scalar([1.0, 2.0], [1.0, CELL]),
        lambda: pooled_wald_test([[CELL], [1.0]], [[[1.0]], [[1.0]]]),
        lambda: pooled_chi_squared([CELL, 1.0], 1),
        lambda: pooled_likelihood_ratio([CELL, 1.0], [1.0, 1.0], 1),
        lambda: jackknife([CELL, 1.0, 2.0]),
        lambda: percentile_interval([CELL] * 500, 1.0),
        lambda: bootstrap_totals([[CELL], [1.0]], lambda t: t[:, 0], seed=1),
        lambda: influence_covariance([CELL, 1.0]),
        lambda: max_t_quantile([[1.0, CELL], [0.0, 1.0]], 5),
        lambda: aipw(list("ab"), [1.0, 2.0], [[CELL, 1.0], [1.0, 1.0]], np.full((2, 2), 0.5)),
        lambda: sample(CELL, "a"),
    ],
)  # fmt: skip
def test_text_among_numbers_is_refused_unquoted(call: Callable[[], Any]) -> None:
    with pytest.raises(EstimationError) as caught:
        call()
    assert caught.value.code == "not_numeric"
    assert CELL not in str(caught.value)


def test_levels_that_nobody_declared_are_not_quoted() -> None:
    """A wrong column given as the exposure holds cells, not names of levels."""
    exposure = [CELL, "a", "b", "a", "b", "a", "b", "a", "b", "a"]
    X = np.column_stack([np.ones(10), [0.0, 1, 1, 0, 0, 2, 2, 1, 1, 0]])
    y = np.arange(10.0)
    for call in (
        lambda: match_cases(exposure, y, treated="a"),
        lambda: match_cases(exposure[1:], y[1:], treated="c"),
        lambda: aipw(exposure, y, np.zeros((10, 2)), np.full((10, 2), 0.5)),
        lambda: fit_doubly_robust(X, exposure, y, names=["one", "x"]),
    ):
        with pytest.raises(EstimationError) as caught:
            call()
        assert CELL not in str(caught.value)
    with pytest.raises(EstimationError, match="outcome model of the level c:"):
        fit_doubly_robust(
            X, ["c", *exposure[1:]], y, names=["one", "x"], levels=["a", "b", "c"], X_exposure=np.ones((10, 1)),
            names_exposure=["one"],
        )  # fmt: skip
    apart = [0.0] * 5 + [1.0] * 5
    with pytest.raises(EstimationError, match=r"separation .*level 3 of 3") as caught:
        fit_exposure(
            np.column_stack([np.ones(10), apart]), list("aabba") + [CELL.lower()] * 5, names=["one", "x"]
        )
    assert CELL.lower() not in str(caught.value)


def test_no_sample_at_all_is_refused() -> None:
    with pytest.raises(EstimationError) as caught:
        sample(None, "a")  # type: ignore[arg-type]
    assert caught.value.code == "bad_shape"
