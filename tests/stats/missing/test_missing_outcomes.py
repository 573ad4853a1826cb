"""Weights for being observed, bounds, pooled tests and tipping points: laws and hand calculations."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.exposure_model import fit_exposure
from outcomes.stats.causal.weighting import exposure_weights, weighted_difference
from outcomes.stats.groups.means import mean_difference
from outcomes.stats.missing.imputation import ColumnModel, completed, impute
from outcomes.stats.missing.missing_bounds import difference_bounds, share_bounds
from outcomes.stats.missing.observation_weights import observation_weights, observed_difference
from outcomes.stats.missing.pooled_tests import pooled_chi_squared, pooled_likelihood_ratio
from outcomes.stats.missing.rubin import pool_estimates
from outcomes.stats.missing.tipping_point import find_tipping_point, shifted_analysis


def cohort(seed: int = 1, n: int = 300):
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(n)
    a = (x + rng.standard_normal(n) > 0) * 1.0
    y = a + x + rng.standard_normal(n)
    seen = (1.0 + x - 0.5 * a + rng.standard_normal(n) > 0) * 1.0
    X = np.column_stack([np.ones(n), x, a])
    return X, a, y, seen, np.where(a == 1, "plate", "cast"), rng


NAMES = ["intercept", "x", "a"]


def test_everybody_observed_is_no_weighting() -> None:
    X, _, y, _, labels, _ = cohort()
    w = observation_weights(X, np.ones(300), names=NAMES)
    assert w.model is None
    e = observed_difference(y, labels, w)[0]
    assert e.value == pytest.approx(y[labels == "plate"].mean() - y[labels == "cast"].mean())
    model = fit_exposure(X[:, :2], labels, names=NAMES[:2])
    weights = exposure_weights(model)
    both = observed_difference(y, labels, w, weights=weights, exposure_model=model)[0]
    plain = weighted_difference(y, weights, model=model)[0]
    assert (both.value, both.std_error) == (pytest.approx(plain.value), pytest.approx(plain.std_error))


def test_weights_sum_to_everybody_and_balance_what_is_modelled() -> None:
    X, _, _, seen, *_ = cohort(2)
    w = observation_weights(X, seen, names=NAMES)
    assert w.values[seen == 0].sum() == 0
    # the score equations of the model of not being observed hold for its weights only on average
    assert w.values.sum() == pytest.approx(300, rel=0.05)
    assert w.values[seen == 1] == pytest.approx(1 / w.model.probabilities[seen == 1, 1])


def test_saturated_weights_are_standardisation() -> None:
    _, a, y, seen, labels, rng = cohort(3)
    z = rng.integers(0, 2, 300)
    X = np.column_stack([np.ones(300), z, a, z * a])
    w = observation_weights(X, seen, names=["i", "z", "a", "za"])
    expected = []
    for v in (1.0, 0.0):
        own = [(a == v) & (z == s) for s in (0, 1)]
        expected.append(sum(y[part & (seen == 1)].mean() * part.sum() for part in own) / (a == v).sum())
    e = observed_difference(np.where(seen == 1, y, np.nan), labels, w)[0]
    assert e.value == pytest.approx(expected[0] - expected[1])
    assert (e.n, e.n_missing) == (int(seen.sum()), int((1 - seen).sum()))


def test_stacked_error_of_saturated_weights_is_that_of_strata() -> None:
    """Influence values of a mean standardised to the strata of its exposure, written out."""
    _, a, y, seen, labels, rng = cohort(8)
    z = rng.integers(0, 2, 300)
    w = observation_weights(np.column_stack([np.ones(300), z, a, z * a]), seen, names=["i", "z", "a", "za"])
    influence = np.zeros(300)
    for v, sign in ((1.0, 1.0), (0.0, -1.0)):
        own = a == v
        means = np.array([y[own & (z == s) & (seen == 1)].mean() for s in (0, 1)])
        whole = sum((own & (z == s)).sum() * means[s] for s in (0, 1)) / own.sum()
        part = (means[z] - whole) + seen * w.values * (y - means[z])
        influence += sign * own * part / own.sum()
    e = observed_difference(np.where(seen == 1, y, np.nan), labels, w)[0]
    assert e.std_error == pytest.approx(np.sqrt(300 / 299 * influence @ influence))


def test_truncation_is_counted_and_takes_the_quantile() -> None:
    X, _, _, seen, *_ = cohort(4)
    full, cut = (
        observation_weights(X, seen, names=NAMES),
        observation_weights(X, seen, names=NAMES, truncate=0.9),
    )
    most = np.quantile(full.values[seen == 1], 0.9)
    assert cut.values.max() == pytest.approx(most)
    assert cut.n_truncated == (full.values > most).sum() > 0
    assert (cut.slopes[full.values > most] == 0).all()
    assert cut.effective > full.effective
    assert "weights truncated" in str(cut)


def test_row_order_swap_units_and_patients() -> None:
    X, _, y, seen, labels, rng = cohort(5)
    w = observation_weights(X, seen, names=NAMES)
    e = observed_difference(y, labels, w)[0]
    p = rng.permutation(300)
    moved = observed_difference(y[p], labels[p], observation_weights(X[p], seen[p], names=NAMES))[0]
    assert (moved.value, moved.std_error) == (pytest.approx(e.value), pytest.approx(e.std_error))
    back = observed_difference(y, labels, w, pairs=[("cast", "plate")])[0]
    assert back.value == pytest.approx(-e.value)
    scaled = observed_difference(10 * y + 7, labels, w)[0]
    assert scaled.std_error == pytest.approx(10 * e.std_error)
    X2, y2, s2, l2 = np.vstack([X, X]), np.tile(y, 2), np.tile(seen, 2), np.tile(labels, 2)
    twice = observed_difference(
        y2, l2, observation_weights(X2, s2, names=NAMES), clusters=np.tile(np.arange(300), 2)
    )[0]
    assert (twice.std_error, twice.df) == (pytest.approx(e.std_error), 299.0)


def test_thin_levels_and_bad_input() -> None:
    X, a, y, seen, labels, _ = cohort(6, 40)
    few = seen.copy()
    few[a == 1] = 0
    few[np.flatnonzero(a == 1)[0]] = 1
    w = observation_weights(X[:, :2], few, names=NAMES[:2])
    assert "fewer than 2 clusters" in observed_difference(y, labels, w)[0].reason
    for bad, code in (
        ([0] * 40, "empty_group"),
        ([0.5] * 40, "not_binary"),
        ([1.0, np.nan] * 20, "not_binary"),
    ):
        with pytest.raises(EstimationError) as caught:
            observation_weights(X, bad, names=NAMES)
        assert caught.value.code == code
    for quantile in (0.5, 1.0):
        with pytest.raises(EstimationError, match="truncate"):
            observation_weights(X, seen, names=NAMES, truncate=quantile)
    assert observation_weights(X, seen, names=NAMES, truncate=0.55).n_truncated > 0
    w = observation_weights(X, seen, names=NAMES)
    gap = y.copy()
    gap[np.flatnonzero(seen)[0]] = np.nan
    with pytest.raises(EstimationError, match="1 cases declared observed"):
        observed_difference(gap, labels, w)
    model = fit_exposure(X[:, :2], labels, names=NAMES[:2])
    with pytest.raises(EstimationError, match="exposure model"):
        observed_difference(y, labels, w, exposure_model=model)
    with pytest.raises(EstimationError, match="other cases"):
        observed_difference(y, labels[::-1], w, weights=exposure_weights(model))


def test_share_bounds_hold_every_completion() -> None:
    b = share_bounds(3, 7, 4)
    assert (b.lowest.value, b.highest.value, b.observed.value) == (3 / 11, 7 / 11, 3 / 7)
    assert b.conf_low < b.lowest.value < b.observed.value < b.highest.value < b.conf_high
    none = share_bounds(3, 7, 0)
    assert none.lowest.value == none.highest.value == none.observed.value
    percent = share_bounds(3, 7, 4, unit="percent")
    assert percent.highest.value == pytest.approx(700 / 11)
    assert "whatever the 4 missing" in str(b)
    empty = share_bounds(0, 0, 3)
    assert (empty.lowest.value, empty.highest.value, empty.observed.value) == (0.0, 1.0, None)
    assert "no bounds" in str(share_bounds(0, 0, 0))


@pytest.mark.parametrize("seed", range(20))
def test_difference_bounds_are_the_extremes_of_all_completions(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, gone = rng.integers(1, 8, 2), rng.integers(0, 5, 2)
    e = [int(rng.integers(0, v + 1)) for v in n]
    b = difference_bounds(e[0], n[0], gone[0], e[1], n[1], gone[1])
    every = [
        (e[0] + i) / (n[0] + gone[0]) - (e[1] + j) / (n[1] + gone[1])
        for i in range(gone[0] + 1)
        for j in range(gone[1] + 1)
    ]
    assert b.lowest.value == pytest.approx(min(every))
    assert b.highest.value == pytest.approx(max(every))
    swapped = difference_bounds(e[1], n[1], gone[1], e[0], n[0], gone[0])
    assert swapped.conf_low == pytest.approx(-b.conf_high)
    assert b.n_missing == gone.sum()
    assert len(b.tidy()) == 3


def test_bounds_refuse() -> None:
    for bad in ((8, 7, 1), (-1, 7, 1), (1, 7, 1.5)):
        with pytest.raises(EstimationError):
            share_bounds(*bad)
    with pytest.raises(EstimationError, match="without any case"):
        difference_bounds(0, 0, 0, 1, 2, 0)


def test_pooled_statistics_by_hand_and_at_their_edges() -> None:
    same = pooled_chi_squared([6.0, 6.0, 6.0], 2)
    assert (same.f, same.df_within) == (3.0, None)
    assert same.p_value == pytest.approx(np.exp(-3.0))
    assert pooled_chi_squared([0.0, 0.0], 1).p_value == 1.0
    lr = pooled_likelihood_ratio([12.0, 10.0, 14.0], [9.0, 9.0, 9.0], 2)
    # r = 4 / (2 * 2) * 3 = 3, F = 9 / (2 * 4), t = 4: 4 * 1.5 * (4 / 3)^2 / 2
    assert (lr.f, lr.df_within) == (pytest.approx(1.125), pytest.approx(16 / 3))
    long = pooled_likelihood_ratio([12.0] * 6, [9.0] * 6, 2)
    r = 7 / 10 * 3
    assert long.df_within == pytest.approx(4 + 6 * (1 + 0.8 / r) ** 2)
    assert pooled_likelihood_ratio([5.0, 5.0], [6.0, 6.0], 1).f == pytest.approx(6.0)
    assert pooled_likelihood_ratio([1.0, 1.0], [-1.0, -1.0], 1).p_value == 1.0
    assert "D3" in str(lr)
    for call in (
        lambda: pooled_chi_squared([1.0], 1), lambda: pooled_chi_squared([1.0, -1.0], 1),
        lambda: pooled_chi_squared([1.0, np.nan], 1), lambda: pooled_chi_squared([1.0, 2.0], 0),
        lambda: pooled_likelihood_ratio([1.0], [1.0], 1), lambda: pooled_likelihood_ratio([1.0, 2.0], [1.0], 1),
        lambda: pooled_likelihood_ratio([1.0, np.inf], [1.0, 1.0], 1),
    ):  # fmt: skip
        with pytest.raises(EstimationError):
            call()


def line(slope: float, half: float = 1.0, start: float = 3.0):
    def analyse(shift: float) -> Estimate:
        value = start + slope * shift
        return Estimate(value=value, conf_low=value - half, conf_high=value + half)

    return analyse


def test_tipping_points_of_a_line() -> None:
    found = find_tipping_point(line(0.5), [-10, -5, 0, 5], tolerance=1e-6)
    assert found.below == pytest.approx(-4.0, abs=1e-6)
    # the point is the far end of the last step: there the reading has changed
    assert found.below <= -4.0
    assert found.states == ("below", "holds", "above", "above")
    value = find_tipping_point(line(0.5), [-10, 0, 10], reading="estimate", tolerance=1e-6)
    assert value.below == pytest.approx(-6.0, abs=1e-5)
    margin = find_tipping_point(line(-0.5), [0, 2, 8], target=1.0, tolerance=1e-6)
    assert (margin.above, margin.below) == (pytest.approx(2.0, abs=1e-6), None)
    stays = find_tipping_point(line(0.0), [-1, 1])
    assert "stays the same" in str(stays)
    assert "changes at a shift of -4" in str(found)
    assert list(found.tidy()["state"]) == list(found.states)


def test_a_curve_is_called_one() -> None:
    def hump(shift: float) -> Estimate:
        value = 1.0 - shift**2
        return Estimate(value=value, conf_low=value - 0.1, conf_high=value + 0.1)

    found = find_tipping_point(hump, [-2, -1, 0, 1, 2], tolerance=1e-5)
    assert not found.monotone
    assert found.below == pytest.approx(-np.sqrt(0.9), abs=1e-4)
    assert found.above == pytest.approx(np.sqrt(0.9), abs=1e-4)

    def silent(shift: float) -> Estimate:
        return Estimate.not_estimable("no spread") if shift > 1 else line(0.0)(shift)

    lost = find_tipping_point(silent, [0, 2], tolerance=1e-5)
    assert lost.states == ("above", "not estimable")
    assert lost.above == pytest.approx(1.0, abs=1e-4)


def test_tipping_points_refuse() -> None:
    for shifts, options in (([0.0], {}), ([0.0, 0.0], {}), ([0, np.inf], {}), ([0, 1], {"tolerance": 0}),
                            ([0, 1], {"reading": "p"}), ([0, 1], {"target": np.nan})):  # fmt: skip
        with pytest.raises(EstimationError):
            find_tipping_point(line(1.0), shifts, **options)


def incomplete(seed: int = 1, n: int = 60):
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(n)
    arm = (np.arange(n) % 2).astype(float)
    y = 10 + 2 * arm + x + rng.standard_normal(n)
    gap = rng.standard_normal(n) > 0.8
    return {"x": x, "arm": arm, "y": np.where(gap, np.nan, y)}, arm, gap


def test_shift_by_group_moves_by_its_share_of_missing() -> None:
    values, arm, gap = incomplete()
    columns = [ColumnModel(name="y"), ColumnModel(name="arm", kind="yes_no")]

    def analyse(c: dict) -> Estimate:
        return mean_difference(c["y"][arm == 1], c["y"][arm == 0])

    run = shifted_analysis(
        values, columns, "y", analyse, keys=range(60), seed=3, groups=np.where(arm == 1, "plate", "cast"),
        multiples={"plate": 1.0, "cast": -0.5}, n_imputations=5,
    )  # fmt: skip
    plain = impute(values, columns, keys=range(60), seed=3, n_imputations=5)
    expected = pool_estimates([analyse(completed(plain, i)) for i in range(5)])
    assert run(0.0).estimate.value == expected.estimate.value
    shares = [gap[arm == 1].mean(), gap[arm == 0].mean()]
    moved = run(-2.0).estimate.value - expected.estimate.value
    assert moved == pytest.approx(-2.0 * shares[0] - 1.0 * shares[1])
    one = shifted_analysis(
        values, columns, "y", analyse, keys=range(60), seed=3, groups=np.where(arm == 1, "plate", "cast"),
        multiples={"plate": 1.0}, n_imputations=5,
    )  # fmt: skip
    assert one(-2.0).estimate.value - expected.estimate.value == pytest.approx(-2.0 * shares[0])
    found = find_tipping_point(lambda d: run(d).estimate, [-20, 0], reading="estimate", tolerance=1e-4)
    # the value is a line in the shift, so the point is known
    assert found.below == pytest.approx(-expected.estimate.value / (shares[0] + 0.5 * shares[1]), abs=2e-4)


def test_shift_of_everybody_and_on_top_of_a_shift() -> None:
    values, _, gap = incomplete(2)

    def mean(c: dict) -> Estimate:
        return Estimate(value=float(c["y"].mean()), conf_low=None, conf_high=None, std_error=0.1)

    run = shifted_analysis(
        values, [ColumnModel(name="y", shift=1.0)], "y", mean, keys=range(60), seed=1, n_imputations=3
    )
    assert run(2.0).estimate.value - run(0.0).estimate.value == pytest.approx(2.0 * gap.mean())
    bare = shifted_analysis(
        values, [ColumnModel(name="y")], "y", mean, keys=range(60), seed=1, n_imputations=3
    )
    assert run(0.0).estimate.value == pytest.approx(bare(1.0).estimate.value)


def test_shifted_analysis_refuses() -> None:
    values, arm, _ = incomplete()
    columns = [ColumnModel(name="y")]
    common = {"keys": range(60), "seed": 1}
    with pytest.raises(EstimationError, match="no ColumnModel"):
        shifted_analysis(values, columns, "x", lambda c: c, **common)
    with pytest.raises(EstimationError, match="one for each of 60"):
        shifted_analysis(values, columns, "y", lambda c: c, groups=arm[:5], multiples={1.0: 1.0}, **common)
    with pytest.raises(EstimationError, match="1 groups have no rows"):
        shifted_analysis(values, columns, "y", lambda c: c, groups=arm, multiples={7.0: 1.0}, **common)
    with pytest.raises(EstimationError, match="multiples are finite"):
        shifted_analysis(values, columns, "y", lambda c: c, groups=arm, multiples={1.0: np.nan}, **common)


def test_small_steps_count_as_steps() -> None:
    def along(values: dict[float, float]):
        return lambda shift: Estimate(value=values[shift], conf_low=-9.0, conf_high=9.0)

    rising = find_tipping_point(along({0.0: 0.0, 1.0: 0.01, 2.0: 0.02}), [0, 1, 2])
    flat_then_rising = find_tipping_point(along({0.0: 0.0, 1.0: 0.0, 2.0: 0.02}), [0, 1, 2])
    falling = find_tipping_point(along({0.0: 0.02, 1.0: 0.01, 2.0: 0.01}), [0, 1, 2])
    back = find_tipping_point(along({0.0: 0.0, 1.0: 0.01, 2.0: 0.0}), [0, 1, 2])
    assert [found.monotone for found in (rising, flat_then_rising, falling, back)] == [
        True,
        True,
        True,
        False,
    ]
