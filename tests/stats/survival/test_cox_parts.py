"""Parts of proportional-hazards fits on their own: input, rank, monotone likelihoods by search, Newton's steps, clusters."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.cox import cox_contrast, fit_cox
from outcomes.stats.survival.cox_errors import robust_cox_covariance, score_residuals
from outcomes.stats.survival.cox_input import checked_rows, in_given_rows, prepare_cox, subset_of_times
from outcomes.stats.survival.cox_maximum import check_cox_rank, maximise_cox
from outcomes.stats.survival.cox_penalised import _limit, cox_profile_interval, fit_firth_cox
from outcomes.stats.survival.cox_residuals import cox_residuals, schoenfeld_residuals
from outcomes.stats.survival.cox_risk_sets import at_coefficients, make_risk_sets
from outcomes.stats.survival.cox_separation import certified_finite, monotone_columns
from outcomes.stats.survival.survival_times import check_survival


def small(seed, n=7, late=False):
    rng = np.random.default_rng(seed)
    x = rng.integers(-1, 2, (n, 2)).astype(float)
    time = rng.integers(2, 6, n).astype(float)
    entry = np.minimum(rng.integers(0, 4, n), time - 1).astype(float) if late else np.zeros(n)
    return (
        x,
        time,
        (rng.random(n) < 0.5).astype(int),
        entry,
        rng.integers(0, 2, n) if seed % 3 == 0 else np.zeros(n, int),
    )


def rises(direction, x, time, event, entry, stratum, exact):
    """Return whether every event has the largest value at risk along a direction, and some event a larger one."""
    value, strictly = x @ direction, False
    for i in np.flatnonzero(event):
        there = (stratum == stratum[i]) & (entry < time[i]) & (time[i] <= time)
        if exact:
            there &= ~((event == 1) & (time == time[i]))
        if (value[there] > value[i] + 1e-9).any():
            return False
        strictly |= bool((value[there] < value[i] - 1e-9).any())
    return strictly


@pytest.mark.parametrize("exact", [False, True])
@pytest.mark.parametrize("late", [False, True])
def test_monotone_likelihoods_by_search_over_all_directions(exact, late):
    """Values of -1, 0, 1: the normals of all differences and the directions between them are all there are."""
    angles = sorted(
        {math.atan2(b, a) + math.pi / 2 * k for a in range(-2, 3) for b in range(-2, 3) for k in range(4)}
    )
    angles = sorted({round(a % (2 * math.pi), 9) for a in angles})
    angles += [(a + b) / 2 for a, b in itertools.pairwise([*angles, angles[0] + 2 * math.pi])]
    directions = [np.array([math.cos(a), math.sin(a)]) for a in angles]
    seen = []
    for seed in range(27):
        x, time, event, entry, stratum = small(seed, late=late)
        if not event.any():
            continue
        data = check_survival(time, event, entry=entry if late else None)
        sets = make_risk_sets(x, data, stratum, np.ones(len(x)), "exact" if exact else "efron")
        given = (x, time, event, entry, stratum, exact)
        expected = any(rises(d, *given) for d in directions)
        found = monotone_columns(sets, ("x", "z"), exact=exact)
        assert bool(found) == expected
        if len(found) == 1:
            axis = np.eye(2)[("x", "z").index(found[0])]
            assert rises(axis, *given) or rises(-axis, *given)
        seen.append(expected)
    assert 3 < sum(seen) < len(seen) - 3


def test_a_point_proves_a_finite_maximum_only_near_it():
    x, time, event, *_ = small(4, 40)
    data = check_survival(time, event)
    sets = make_risk_sets(x, data, np.zeros(40, int), np.ones(40), "efron")
    null = at_coefficients(sets, np.zeros(2))
    beta, point, inverse, steps = maximise_cox(sets, null, at_coefficients, ("x", "z"), "efron", 50)
    assert certified_finite(sets, point, inverse, 1e-20)
    assert not certified_finite(sets, point, inverse, 10.0)
    longest = max(float(row @ inverse @ row) for row in sets.x)
    # twice step times longest difference: 1/2 is the bound
    assert certified_finite(sets, point, inverse, 0.99 / 16 / longest)
    assert not certified_finite(sets, point, inverse, 1.01 / 16 / longest)
    # the score is 0 there, and Newton's method takes few steps
    assert np.allclose(point.score, 0.0, atol=1e-10)
    assert np.allclose(inverse, np.linalg.inv(point.information), rtol=1e-10)
    assert np.allclose(at_coefficients(sets, beta).score, 0.0, atol=1e-10)
    assert steps <= 6


def test_a_range_of_hazards_that_numbers_do_not_hold():
    """One unit a row over 1,500 rows: hazards differ by e^1500; the maximum is there, but out of reach."""
    rng = np.random.default_rng(1)
    x = np.arange(1500.0)
    log_time = -x + np.log(rng.exponential(size=1500))
    with pytest.raises(EstimationError) as refused:
        fit_cox(x[:, None], np.argsort(np.argsort(log_time)) + 1.0, np.ones(1500), names=["x"])
    assert refused.value.code == "not_converged"


def test_too_few_steps_are_said():
    x, time, event, *_ = small(4, 40)
    steps = fit_cox(x, time, event, names=["x", "z"]).n_iterations
    assert fit_cox(x, time, event, names=["x", "z"], max_iter=steps).n_iterations == steps
    with pytest.raises(EstimationError, match="did not converge in 2 steps"):
        fit_cox(x, time, event, names=["x", "z"], max_iter=2)


def test_only_the_columns_at_fault_are_named():
    with pytest.raises(EstimationError) as refused:
        check_cox_rank(np.array([[1.0, 1, 0], [1, 1, 0], [0, 0, 1]]), ("a", "b", "c"), 5)
    assert refused.value.code == "rank_deficient"
    assert "a, b; drop one" in str(refused.value)
    with pytest.raises(EstimationError, match="together: b; drop"):
        check_cox_rank(np.diag([1.0, 0.0, 2.0]), ("a", "b", "c"), 5)
    check_cox_rank(np.array([[1.0, 0.999], [0.999, 1.0]]), ("a", "b"), 5)
    check_cox_rank(np.diag([1e-4, 1.0]), ("a", "b"), 5)


def test_weights_with_exact_ties():
    time, event = [1, 1, 2, 3], [1, 1, 1, 0]
    for weights in (None, [1, 1, 1, 0], [0.5] * 4):
        assert checked_rows(time, event, None, None, weights, 4, "exact")[2].shape == (4,)
    for weights in ([0.05, 1, 1, 1], [0.05, 0.05, 1, 0]):
        with pytest.raises(EstimationError, match="exact ties take no weights"):
            checked_rows(time, event, None, None, weights, 4, "exact")
        assert checked_rows(time, event, None, None, weights, 4, "efron")[2].tolist() == weights
    with pytest.raises(EstimationError, match=r"missing in 1 rows and the stratum in 1"):
        checked_rows([1, None, 2], [1, 1, 1], None, [0, 0, None], None, 3, "efron")
    with pytest.raises(EstimationError) as refused:
        checked_rows([1, 2], [1, 1], None, None, None, 3, "efron")
    assert refused.value.code == "bad_shape"


def test_rows_of_a_fit_among_those_given():
    names, sets, n = prepare_cox(
        [[1.0], [0], [1], [0], [2]],
        [1, 2, 3, 4, 5],
        [1, 1, 1, 0, 1],
        ["x"],
        None,
        None,
        [1, 0, 1, 1, 1],
        "efron",
    )
    assert (names, n) == (("x",), 4)
    assert sorted(sets.rows.tolist()) == [0, 2, 3, 4]
    data = check_survival([1, 2, 3], [1, 0, 1], entry=[0, 1, 2])
    part = subset_of_times(data, np.array([True, False, True]))
    assert (part.time.tolist(), part.entry.tolist(), part.n_missing) == ([1, 3], [0, 2], 0)
    assert subset_of_times(check_survival([1, 2], [1, 0]), np.array([True, True])).entry is None
    assert in_given_rows(sets, np.ones(5, dtype=bool)) is sets
    for weights in ([1, 0, 1, 1, 1], None):
        made = prepare_cox(
            [[1.0], [0], [1], [0], [2]], [1, 2, 3, 4, 5], [1, 1, 1, 0, 1], ["x"], None, None, weights, "efron"
        )
        assert made[2] == (4 if weights else 5)


def test_robust_errors_of_two_clusters_and_by_summing():
    x, time, event, *_ = small(4, 40)
    data = check_survival(time, event)
    weight = np.linspace(0.5, 2, 40)
    sets = make_risk_sets(x, data, np.zeros(40, int), weight, "efron")
    point = at_coefficients(sets, np.array([0.3, -0.2]))
    inverse = np.linalg.inv(point.information)
    clusters = np.arange(len(sets.rows)) % 2
    u = score_residuals(sets, point) * sets.weight[:, None]
    totals = np.array([u[clusters == c].sum(axis=0) for c in (0, 1)])
    expected = inverse @ totals.T @ totals @ inverse
    assert np.allclose(robust_cox_covariance(sets, point, inverse, clusters, 2, "CR0"), expected, rtol=1e-10)
    assert np.allclose(
        robust_cox_covariance(sets, point, inverse, clusters, 2, "CR1"), 2 * expected, rtol=1e-10
    )
    with pytest.raises(EstimationError, match="at least 2"):
        robust_cox_covariance(sets, point, inverse, np.zeros(len(sets.rows), int), 1, "CR0")
    fit = fit_cox(x, time, event, names=["x", "z"], clusters=np.arange(40) % 2)
    assert (fit.n_clusters, fit.kind) == (2, "CR1")


def test_nothing_missing_unless_said():
    fit = fit_cox([[1.0], [0], [1], [0]], [1, 2, 3, 4], [1, 1, 1, 1], names=["x"])
    nothing, one = cox_contrast(fit, [[0.0], [1.0]])
    assert (one.n_missing, one.reason, one.contrast) == (0, "", "")
    assert nothing.reason == "no spread is left to judge this contrast by"
    assert fit.rows_used.all()
    assert (fit.n, fit.n_events, fit.n_strata, fit.n_uninformative) == (4, 4, 1, 0)
    penalised = fit_firth_cox([[1.0], [0], [1], [0]], [1, 2, 3, 4], [1, 1, 1, 1], names=["x"])
    made = cox_profile_interval(penalised)[0]
    assert (made.n_missing, made.n, made.reason, made.unit) == (0, 4, "", "ratio")
    assert cox_profile_interval(penalised, ratio=False)[0].unit == "log hazard ratio"
    # the standard error is that of the unpenalised information
    assert math.isclose(made.std_error, math.sqrt(penalised.covariance[0, 0]), rel_tol=1e-12)


def test_tied_events_are_compared_unless_told_otherwise():
    """Both events at 1, x 1 and 0, and x 0 later: of two tied events only the exact likelihood lets one be smaller."""
    sets = make_risk_sets(
        np.array([[1.0], [0], [-1]]),
        check_survival([1, 1, 2], [1, 1, 0]),
        np.zeros(3, int),
        np.ones(3),
        "exact",
    )
    assert monotone_columns(sets, ("x",)) == ()
    assert monotone_columns(sets, ("x",), exact=True) == ("x",)


def test_profile_limits_far_out():
    assert _limit(lambda d: d * d, 10.0, 2500.0) == pytest.approx(50.0)
    assert _limit(lambda d: d * d, -10.0, 2500.0) == pytest.approx(-50.0)
    assert _limit(lambda d: d * d, 10.0, 50.0) == pytest.approx(math.sqrt(50))
    assert _limit(lambda d: 0.0, 1.0, 1.0) is None
    assert _limit(lambda d: d / 26.0, 1.0, 1.0) == pytest.approx(26.0)
    # x in units in which the upper limit is e^954, the lower e^-388
    fit = fit_firth_cox(np.array([[1.0], [0], [1], [0]]) / 300, [1, 2, 3, 4], [1, 1, 1, 1], names=["x"])
    plain = fit_firth_cox([[1.0], [0], [1], [0]], [1, 2, 3, 4], [1, 1, 1, 1], names=["x"])
    far, logs = cox_profile_interval(fit)[0], cox_profile_interval(plain, ratio=False)[0]
    assert far.conf_high is None
    assert far.reason
    assert math.log(far.value) == pytest.approx(300 * logs.value, rel=1e-6)
    assert math.log(far.conf_low) == pytest.approx(300 * logs.conf_low, rel=1e-6)


def test_residuals_of_events_in_strata():
    """Sorted by stratum, time and row; Schoenfeld's are the columns less their mean among those at risk."""
    x, time, event = np.array([[3.0], [1], [2], [5], [4], [0]]), [2, 1, 3, 1, 2, 2], [1, 1, 0, 1, 1, 0]
    strata = [0, 0, 0, 1, 1, 1]
    fit = fit_cox(x, time, event, names=["x"], strata=strata, ties="breslow")
    residuals, times, rows = schoenfeld_residuals(fit)
    assert times.tolist() == [1, 2, 1, 2]
    assert rows.tolist() == [1, 0, 3, 4]
    r = np.exp(fit.coefficients[0] * x[:, 0])
    for value, t, i in zip(residuals[:, 0], times, rows, strict=True):
        there = [j for j in range(6) if strata[j] == strata[i] and time[j] >= t]
        assert math.isclose(value, x[i, 0] - np.average(x[there, 0], weights=r[there]), abs_tol=1e-9)
    made = cox_residuals(fit)
    for i in range(6):
        met = sum(
            1 / sum(r[k] for k in range(6) if strata[k] == strata[i] and time[k] >= time[j])
            for j in range(6)
            if event[j] and strata[j] == strata[i] and time[j] <= time[i]
        )
        assert math.isclose(made.martingale[i], event[i] - r[i] * met, abs_tol=1e-9)
    assert made.score[:, 0].sum() == pytest.approx(0.0, abs=1e-9)
