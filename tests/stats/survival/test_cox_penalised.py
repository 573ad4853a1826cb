"""Firth's penalty in proportional-hazards models: closed form, brute force, laws and refusals.

coxphf (R) is met in the check values (tests/check_values, case coxfirth-ovarian).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import optimize

from outcomes.errors import EstimationError
from outcomes.stats.survival.cox import fit_cox
from outcomes.stats.survival.cox_penalised import cox_profile_interval, fit_firth_cox, information_trend
from outcomes.stats.survival.cox_risk_sets import at_coefficients, make_risk_sets
from outcomes.stats.survival.survival_times import check_survival


def small(seed: int, n: int = 16) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.column_stack([rng.normal(size=n), rng.integers(0, 2, n)])
    return x, rng.integers(1, 8, n).astype(float), (rng.random(n) < 0.6).astype(int), rng.integers(0, 2, n)


def brute(
    x: np.ndarray, time: np.ndarray, event: np.ndarray, stratum: np.ndarray, beta: Any, ties: str
) -> float:
    """Return the penalised likelihood by loops, the information from explicit variances of risk sets."""
    value, information = 0.0, np.zeros((x.shape[1], x.shape[1]))
    for s, t in {(s, t) for s, t, e in zip(stratum, time, event, strict=True) if e}:
        at_risk = (time >= t) & (stratum == s)
        dead = (time == t) & (stratum == s) & (event == 1)
        m = int(dead.sum())
        value += float((x[dead] @ beta).sum())
        for k in range(m):
            r = np.exp(x @ beta) * at_risk * (1 - dead * (k / m if ties == "efron" else 0.0))
            share = r / r.sum()
            value -= math.log(r.sum())
            information += (x * share[:, None]).T @ x - np.outer(share @ x, share @ x)
    return value + 0.5 * float(np.linalg.slogdet(information)[1])


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("seed", range(4))
def test_maximum_and_profile_by_brute_force(seed: int, ties: str) -> None:
    x, time, event, stratum = small(seed)
    fit = fit_firth_cox(x, time, event, names=["x", "z"], strata=stratum, ties=ties)

    def minus(beta: Any) -> float:
        return -brute(x, time, event, stratum, np.asarray(beta), ties)

    found = optimize.minimize(minus, np.zeros(2), method="BFGS", options={"gtol": 1e-7})
    assert np.allclose(fit.coefficients, found.x, atol=2e-6)
    assert np.isclose(fit.penalised_log_likelihood, -found.fun, rtol=1e-10)
    assert np.isclose(fit.penalised_log_likelihood_null, -minus([0, 0]), rtol=1e-10)
    for j, e in enumerate(cox_profile_interval(fit, ratio=False)):
        for end in (e.conf_low, e.conf_high):
            held = optimize.minimize_scalar(
                lambda b, end=end, j=j: minus(np.insert(np.array([b], dtype=float), j, end)), bounds=(-20, 20), method="bounded",
                options={"xatol": 1e-10},
            )  # fmt: skip
            assert np.isclose(2 * (held.fun - found.fun), 3.841458820694124, rtol=1e-6)
        other = optimize.minimize_scalar(
            lambda b, j=j: minus(np.insert(np.array([b], dtype=float), j, 0.0)), bounds=(-20, 20), method="bounded",
            options={"xatol": 1e-10},
        )  # fmt: skip
        ratio = 2 * (other.fun - found.fun)
        assert np.isclose(e.p_value, math.erfc(math.sqrt(ratio / 2)), rtol=1e-5)


def test_trend_is_the_derivative_of_the_log_determinant() -> None:
    x, time, event, stratum = small(9, 30)
    data = check_survival(time, event, entry=np.minimum(time / 3, 1.0))
    weight = np.linspace(0.5, 2, 30)
    for ties in ("efron", "breslow"):
        sets = make_risk_sets(x, data, stratum, weight, ties)
        beta, h = np.array([0.4, -0.6]), 1e-5
        point = at_coefficients(sets, beta)
        numeric = [
            (
                np.linalg.slogdet(at_coefficients(sets, beta + s).information)[1]
                - np.linalg.slogdet(at_coefficients(sets, beta - s).information)[1]
            )
            / (2 * h)
            for s in np.eye(2) * h
        ]
        assert np.allclose(
            information_trend(sets, point, np.linalg.inv(point.information)), numeric, atol=1e-8
        )


def test_two_rows_by_hand() -> None:
    # p = 1 / (1 + r) is the chance of the first event: p^(3/2) (1 - p)^(1/2) is largest at p = 3/4
    fit = fit_firth_cox([[0.0], [1.0]], [1, 2], [1, 1], names=["x"])
    assert np.isclose(fit.coefficients[0], math.log(1 / 3), rtol=1e-9)
    r = 1 / 3
    assert np.isclose(fit.penalised_log_likelihood, math.log(1 / (1 + r)) + 0.5 * math.log(r / (1 + r) ** 2))


def test_finite_where_the_likelihood_is_monotone() -> None:
    x, time, event = [[1.0], [1], [1], [0], [0], [0]], [1, 2, 3, 4, 5, 6], [1, 1, 1, 0, 0, 0]
    with pytest.raises(EstimationError, match="penalised"):
        fit_cox(x, time, event, names=["nail"])
    fit = fit_firth_cox(x, time, event, names=["nail"])
    e = cox_profile_interval(fit, n_missing=2)[0]
    assert e.value is not None
    assert e.conf_low is not None
    assert 1 < e.conf_low < e.value < 1000
    assert e.n_missing == 2
    assert fit.tidy()["estimate"].tolist() == [e.value]
    assert str(fit) == "Firth Cox regression, efron ties: 1 coefficients, 3 events in 6 rows"


def test_units_and_sign() -> None:
    x, time, event, stratum = small(3, 40)
    a = fit_firth_cox(x, time, event, names=["x", "z"], strata=stratum)
    b = fit_firth_cox(x * [10, -1] + 3, time**2, event, names=["x", "z"], strata=stratum)
    assert np.allclose(b.coefficients * [10, -1], a.coefficients, rtol=1e-7)
    one, other = cox_profile_interval(a)[1], cox_profile_interval(b)[1]
    assert np.isclose(one.value * other.value, 1)
    assert np.isclose(one.conf_low * other.conf_high, 1)
    assert np.isclose(one.p_value, other.p_value)
    # the penalty has no part in large samples
    rng = np.random.default_rng(2)
    big = rng.normal(size=(4000, 1))
    t = rng.exponential(np.exp(-0.5 * big[:, 0]))
    plain, penalised = (
        f(big, t, np.ones(4000), names=["x"]).coefficients[0] for f in (fit_cox, fit_firth_cox)
    )
    assert abs(plain - penalised) < 1e-3
    assert plain != penalised


def test_refused() -> None:
    with pytest.raises(EstimationError, match="no events"):
        fit_firth_cox([[1.0], [0]], [1, 2], [0, 0], names=["x"])
    with pytest.raises(EstimationError, match="x, y"):
        fit_firth_cox([[1.0, 1], [0, 0], [2, 2]], [1, 2, 3], [1, 1, 1], names=["x", "y"])
    with pytest.raises(EstimationError, match="ties is 'exact'"):
        fit_firth_cox([[1.0], [0]], [1, 2], [1, 1], names=["x"], ties="exact")
    with pytest.raises(EstimationError, match="did not converge"):
        fit_firth_cox([[1.0], [0], [0.5]], [1, 2, 3], [1, 1, 1], names=["x"], max_iter=1)
