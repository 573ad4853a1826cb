"""Proportional-hazards models: closed forms of Therneau and Grambsch, brute force, laws, other packages, refusals.

Closed forms: Therneau TM, Grambsch PM. Modeling Survival Data (2000), appendix E; seen second-hand in the validation
vignette of the R package survival, formulas derived again by hand below.
"""

from __future__ import annotations

import itertools
import math
import warnings
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.cox import cox_contrast, cox_method, fit_cox
from outcomes.stats.survival.cox_errors import score_residuals
from outcomes.stats.survival.cox_exact import at_coefficients_exact
from outcomes.stats.survival.cox_proportionality import proportionality_test
from outcomes.stats.survival.cox_residuals import cox_residuals
from outcomes.stats.survival.cox_risk_sets import at_coefficients, make_risk_sets
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.survival_times import check_survival

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from lifelines import CoxPHFitter
    from statsmodels.duration.hazard_regression import PHReg

# data set 1: six rows, one tied time of two events
TIME1, EVENT1, X1 = [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], np.array([[1.0], [1], [1], [0], [0], [0]])
# data set 2: ten rows with late entry
START2, STOP2 = [1, 2, 5, 2, 1, 7, 3, 4, 8, 8], [2, 3, 6, 7, 8, 9, 9, 9, 14, 17]
EVENT2, X2 = [1, 1, 1, 1, 1, 1, 1, 0, 0, 0], np.array([1.0, 0, 0, 1, 0, 1, 1, 1, 0, 0])[:, None]
BETAS = [-1.3, 0.0, 0.7, math.log(2)]


def point_at(x: Any, time: Any, event: Any, beta: float, ties: str, entry: Any = None) -> tuple[Any, Any]:
    """Return ordered design and likelihood at a coefficient of the unscaled column."""
    data = check_survival(time, event, entry=entry)
    n = len(data.time)
    sets = make_risk_sets(x, data, np.zeros(n, dtype=int), np.ones(n), ties)
    evaluate = at_coefficients_exact if ties == "exact" else at_coefficients
    return sets, evaluate(sets, np.array([beta]) * sets.scale)


def close(a: Any, b: Any, tolerance: float = 1e-12) -> bool:
    return bool(np.allclose(a, b, rtol=tolerance, atol=tolerance))


class TestClosedForms:
    @pytest.mark.parametrize("beta", BETAS)
    def test_breslow(self, beta: float) -> None:
        r = math.exp(beta)
        sets, point = point_at(X1, TIME1, EVENT1, beta, "breslow")
        assert close(point.log_likelihood, 2 * beta - math.log(3 * r + 3) - 2 * math.log(r + 3))
        assert close(point.score * sets.scale, (-(r**2) + 3 * r + 6) / ((r + 1) * (r + 3)))
        assert close(point.information * sets.scale**2, r / (r + 1) ** 2 + 6 * r / (r + 3) ** 2)

    @pytest.mark.parametrize("beta", BETAS)
    def test_efron(self, beta: float) -> None:
        r = math.exp(beta)
        sets, point = point_at(X1, TIME1, EVENT1, beta, "efron")
        assert close(point.log_likelihood, 2 * beta - math.log((3 * r + 3) * (r + 3) * (r + 5) / 2))
        assert close(point.score * sets.scale, 2 - r / (r + 1) - r / (r + 3) - r / (r + 5))
        information = r / (r + 1) ** 2 + 3 * r / (r + 3) ** 2 + 5 * r / (r + 5) ** 2
        assert close(point.information * sets.scale**2, information)

    @pytest.mark.parametrize("beta", BETAS)
    def test_exact(self, beta: float) -> None:
        r = math.exp(beta)
        sets, point = point_at(X1, TIME1, EVENT1, beta, "exact")
        assert close(point.log_likelihood, 2 * beta - 2 * math.log(3 * r + 3))
        assert close(point.score * sets.scale, 2 / (r + 1))
        assert close(point.information * sets.scale**2, 2 * r / (r + 1) ** 2)

    @pytest.mark.parametrize("beta", BETAS)
    def test_late_entry(self, beta: float) -> None:
        r = math.exp(beta)
        shared = 4 * beta - math.log((r + 1) * (r + 2) * (3 * r + 2) * (3 * r + 1) ** 2 * (3 * r + 2))
        for ties, last in (("breslow", 3 * r + 2), ("efron", 2 * r + 2)):
            _, point = point_at(X2, STOP2, EVENT2, beta, ties, START2)
            assert close(point.log_likelihood, shared - math.log(last))

    def test_estimates(self) -> None:
        breslow = fit_cox(X1, TIME1, EVENT1, names=["x"], ties="breslow").coefficients[0]
        efron = fit_cox(X1, TIME1, EVENT1, names=["x"]).coefficients[0]
        assert close(breslow, math.log((3 + math.sqrt(33)) / 2))
        angle = math.acos(45 / 23 * math.sqrt(3 / 23)) / 3
        assert close(efron, math.log(2 * math.sqrt(23 / 3) * math.cos(angle)))
        # the exact score 2 / (r + 1) is never 0
        with pytest.raises(EstimationError, match="along x") as refused:
            fit_cox(X1, TIME1, EVENT1, names=["x"], ties="exact")
        assert refused.value.code == "separation"

    def test_residuals_at_0(self) -> None:
        # Efron, by hand: means 1/2; 1/4 and 1/6 at 6, where the two events count half in the second term of hazard 1/3;
        # rows at risk to 6 meet (x - 1/2) / 6 + (x - 1/4) / 4 + (x - 1/6) / 3, the events half of the last
        middle = 5 / 24

        def met(x: float, last: float) -> float:
            return (x - 1 / 2) / 6 + (x - 1 / 4) / 4 + last * (x - 1 / 6) / 3

        efron = [
            1 / 2 - 1 / 12, -1 / 12, 1 - middle - met(1, 0.5), -middle - met(0, 0.5), -met(0, 1), -met(0, 1)
        ]  # fmt: skip
        for ties, expected in {
            "breslow": [5 / 12, -1 / 12, 7 / 24, -1 / 24, 5 / 24, 5 / 24],
            "efron": efron,
        }.items():
            sets, point = point_at(X1, TIME1, EVENT1, 0.0, ties)
            residuals = np.empty(6)
            residuals[sets.rows] = score_residuals(sets, point)[:, 0] * sets.scale
            assert close(residuals, expected)
            assert close(residuals.sum(), (point.score * sets.scale)[0])

    def test_martingale_of_breslow(self) -> None:
        fit = fit_cox(X1, TIME1, EVENT1, names=["x"], ties="breslow")
        r = math.exp(fit.coefficients[0])
        first, second = 1 / (3 * r + 3), 1 / (3 * r + 3) + 2 / (r + 3)
        expected = [1 - r * first, -r * first, 1 - r * second, 1 - second, -second, 0 - second]
        assert close(cox_residuals(fit).martingale, expected)


def brute_log_likelihood(d: pd.DataFrame, beta: Any, ties: str) -> float:
    """Return the partial likelihood by loops over event times, risk sets and sets of events."""
    eta = d[["x", "z"]].to_numpy() @ beta
    total = 0.0
    for (_, t), dead in d[d["event"] == 1].groupby(["stratum", "time"]):
        s = dead["stratum"].iloc[0]
        at_risk = d[(d["stratum"] == s) & (d["time"] >= t) & (d["entry"] < t)]
        r = at_risk["weight"] * np.exp(eta[at_risk.index])
        own = (dead["weight"] * np.exp(eta[dead.index])).sum()
        total += float(dead["weight"] @ eta[dead.index])
        m = len(dead)
        if ties == "exact":
            total -= math.log(sum(math.prod(c) for c in itertools.combinations(r, m)))
        else:
            shares = [k / m if ties == "efron" else 0.0 for k in range(m)]
            total -= dead["weight"].mean() * sum(math.log(r.sum() - f * own) for f in shares)
    return total


def messy(seed: int, n: int = 24, *, weighted: bool = True) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    time = rng.integers(2, 7, n).astype(float)
    return pd.DataFrame(
        {
            "time": time, "event": (rng.random(n) < 0.6).astype(int), "x": rng.normal(size=n),
            "z": rng.integers(0, 2, n).astype(float), "stratum": rng.integers(0, 2, n),
            "entry": np.minimum(rng.integers(0, 4, n), time - 1), "cluster": rng.integers(0, 8, n),
            "weight": rng.integers(1, 4, n) / 2.0 if weighted else 1.0,
        }
    )  # fmt: skip


@pytest.mark.parametrize("ties", ["efron", "breslow", "exact"])
@pytest.mark.parametrize("seed", range(4))
def test_likelihood_and_derivatives_by_brute_force(ties: str, seed: int) -> None:
    d = messy(seed, 14, weighted=ties != "exact")
    data = check_survival(d["time"], d["event"], entry=d["entry"])
    sets = make_risk_sets(
        d[["x", "z"]].to_numpy(), data, d["stratum"].to_numpy(), d["weight"].to_numpy(), ties
    )
    evaluate = at_coefficients_exact if ties == "exact" else at_coefficients
    beta, h = np.array([0.6, -0.8]), 1e-5

    def value(b: Any) -> float:
        return evaluate(sets, b * sets.scale).log_likelihood

    assert math.isclose(value(beta), brute_log_likelihood(d, beta, ties), rel_tol=1e-12)
    point = evaluate(sets, beta * sets.scale)
    steps = np.eye(2) * h
    gradient = [(value(beta + s) - value(beta - s)) / (2 * h) for s in steps]
    assert np.allclose(point.score * sets.scale, gradient, atol=1e-8)
    curvature = [
        (evaluate(sets, (beta + s) * sets.scale).score - evaluate(sets, (beta - s) * sets.scale).score)
        / (2 * h)
        for s in steps
    ]
    assert np.allclose(point.information * sets.scale[:, None], -np.array(curvature), atol=1e-7)


def fit_messy(d: pd.DataFrame, **options: Any) -> Any:
    given = {"weights": d["weight"], "strata": d["stratum"], "entry": d["entry"]} | options
    return fit_cox(d[["x", "z"]], d["time"], d["event"], names=["x", "z"], **given)


class TestLaws:
    def test_order_units_and_time(self) -> None:
        d = messy(11, 80)
        a = fit_messy(d, clusters=d["cluster"], covariance="CR0")
        m = d.sample(frac=1, random_state=1).reset_index(drop=True)
        m[["time", "entry"]] = m[["time", "entry"]] ** 3
        m["x"] = 10 * m["x"] + 1e3
        m["z"] = -m["z"]
        m["cluster"] = m["cluster"].astype(str)
        b = fit_messy(m, clusters=m["cluster"], covariance="CR0")
        units = np.array([10.0, -1.0])
        assert np.allclose(b.coefficients * units, a.coefficients, rtol=1e-10)
        assert np.allclose(b.covariance * np.outer(units, units), a.covariance, rtol=1e-9)
        assert np.isclose(b.log_likelihood, a.log_likelihood, rtol=1e-12)

    def test_weights_are_copies_with_breslow(self) -> None:
        d = messy(3, 60).assign(weight=lambda t: 2 * t["weight"])
        copies = d.loc[d.index.repeat(d["weight"].astype(int))].reset_index(drop=True)
        one = fit_messy(d, ties="breslow", clusters=d["cluster"], covariance="CR0")
        two = fit_messy(copies, ties="breslow", weights=None, clusters=copies["cluster"], covariance="CR0")
        assert np.allclose(one.coefficients, two.coefficients, rtol=1e-9)
        assert np.allclose(one.covariance, two.covariance, rtol=1e-9)
        assert np.allclose(one.model_covariance, two.model_covariance, rtol=1e-9)

    def test_rows_of_weight_0_are_no_rows(self) -> None:
        d = messy(4, 60)
        d.loc[::5, "weight"] = 0.0
        kept = d[d["weight"] > 0]
        one, two = fit_messy(d, clusters=d["cluster"]), fit_messy(kept, clusters=kept["cluster"])
        assert np.allclose(one.covariance, two.covariance, rtol=1e-12)
        assert (one.n, one.n_events) == (two.n, two.n_events)
        a, b = cox_residuals(one), cox_residuals(two)
        assert np.isnan(a.martingale[::5]).all()
        assert np.allclose(a.martingale[d["weight"] > 0], b.martingale)
        assert np.allclose(a.score[d["weight"] > 0], b.score)
        assert d.index[d["weight"] > 0][b.schoenfeld_row].tolist() == a.schoenfeld_row.tolist()

    def test_clusters(self) -> None:
        d = messy(5, 60)
        single = fit_messy(d, covariance="CR0")
        assert np.allclose(single.covariance, fit_messy(d, clusters=range(60), covariance="CR0").covariance)
        plain, corrected = (fit_messy(d, clusters=d["cluster"], covariance=k) for k in ("CR0", "CR1"))
        assert np.allclose(corrected.covariance, plain.covariance * 8 / 7)
        assert fit_messy(d, clusters=d["cluster"]).kind == "CR1"
        assert fit_messy(d).kind == "model"
        assert np.allclose(fit_messy(d).covariance, plain.model_covariance)
        e0, e1 = (cox_contrast(f, [[1, 0]], labels=["x"], ratio=False)[0] for f in (plain, corrected))
        assert e0.df is None
        assert e1.df == 7
        assert np.isclose(e1.conf_high - e1.value, 2.364624251592784 * e1.std_error)  # t of 7 df
        assert np.isclose(e0.conf_high - e0.value, 1.959963984540054 * e0.std_error)
        assert "CR1 cluster-robust, t with G - 1 df; unreliable: 8 clusters" in cox_method(corrected)
        assert "stratified, efron ties, HC0 robust, normal" in cox_method(single)

    def test_identities_of_residuals(self) -> None:
        d = messy(6, 60)
        fit = fit_messy(d)
        r = cox_residuals(fit)
        assert np.isclose(d["weight"] @ r.martingale, 0, atol=1e-10)
        assert np.allclose(d["weight"] @ r.score, 0, atol=1e-9)
        assert np.allclose(d["weight"].to_numpy()[r.schoenfeld_row] @ r.schoenfeld, 0, atol=1e-9)
        assert r.tidy().shape == (fit.n_events, 4)
        assert "events: x, z" in str(r)

    def test_ties_agree_without_ties(self) -> None:
        d = messy(7, 40, weighted=False).assign(time=lambda t: t["time"] + np.arange(40) / 100)
        fits = [fit_messy(d, ties=ties, weights=None) for ties in ("efron", "breslow", "exact")]
        for other in fits[1:]:
            assert np.allclose(other.coefficients, fits[0].coefficients, rtol=1e-9)

    def test_score_test_of_exact_ties_is_the_log_rank_test(self) -> None:
        d = messy(8, 60)
        groups = fit_cox(d[["z"]], d["time"], d["event"], names=["z"], strata=d["stratum"], ties="exact")
        assert np.isclose(
            groups.score_statistic, log_rank(d["time"], d["event"], d["z"], strata=d["stratum"]).chi_squared
        )

    def test_each_stratum_apart_adds_up(self) -> None:
        d = messy(9, 60)
        whole = fit_messy(d)
        parts = [s for _, s in d.groupby("stratum")]
        at = whole.coefficients
        assert np.isclose(sum(brute_log_likelihood(p, at, "efron") for p in [d]), whole.log_likelihood)
        assert (whole.n_strata, whole.n_uninformative) == (2, 0)
        parts[0].loc[:, "event"] = 0
        assert fit_messy(pd.concat(parts).sort_index()).n_uninformative == 1

    def test_proportionality_does_not_depend_on_units(self) -> None:
        d = messy(10, 80)
        a = proportionality_test(fit_messy(d), transform="identity")
        scaled = d.assign(x=5 * d["x"] - 2, time=3 * d["time"], entry=3 * d["entry"])
        b = proportionality_test(fit_messy(scaled), transform="identity")
        assert np.allclose(a.chi_squared, b.chi_squared, rtol=1e-9)
        both = proportionality_test(fit_messy(d), transform="identity", terms=["s", "s"])
        assert both.terms == ("s", "all")
        assert np.allclose(both.chi_squared, a.chi_squared[-1])
        assert both.df == (2, 2)
        assert a.tidy()["contrast"].tolist() == ["x", "z", "all"]


def test_the_transform_km_is_the_curve_just_before() -> None:
    # 8 cases, events at 1, 3, 4, 7: one minus the curve just before is 0, 1/8, 1/8 + 7/8 x 1/6, then 1 - 7/8 x 5/6 x 4/5
    event = np.array([1, 0, 1, 1, 0, 0, 1, 0])
    before = [0.0, 0.05, 0.125, 0.125 + 0.875 / 6, 0.28, 0.29, 1 - 0.875 * (5 / 6) * (4 / 5), 0.9]
    x = np.array([[0.4], [1.0], [-0.3], [0.8], [0.1], [-1.2], [0.5], [0.2]])
    km = proportionality_test(fit_cox(x, range(1, 9), event, names=["x"]), transform="km")
    same = proportionality_test(fit_cox(x, before, event, names=["x"]), transform="identity")
    assert km.chi_squared[0] is not None
    assert np.isclose(km.chi_squared[0], same.chi_squared[0], rtol=1e-9)


class TestOtherPackages:
    @pytest.mark.parametrize("seed", range(3))
    def test_lifelines_and_statsmodels(self, seed: int) -> None:
        # without ties: with them lifelines' clustered errors leave Efron's shares out (R's and these do not)
        d = messy(seed + 20, 150, weighted=False).assign(time=lambda t: t["time"] + np.arange(150) / 1000)
        fit = fit_cox(
            d[["x", "z"]], d["time"], d["event"], names=["x", "z"], clusters=d["cluster"], covariance="CR0"
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            table = d[["time", "event", "x", "z", "cluster"]]
            theirs = CoxPHFitter().fit(
                table, "time", "event", cluster_col="cluster", fit_options={"precision": 1e-12}
            )
            plain = CoxPHFitter().fit(
                table.drop(columns="cluster"), "time", "event", fit_options={"precision": 1e-12}
            )
            other = PHReg(d["time"], d[["x", "z"]], d["event"], ties="efron").fit()
        assert np.allclose(fit.coefficients, theirs.params_, rtol=1e-6)
        assert np.allclose(np.sqrt(np.diag(fit.covariance)), theirs.standard_errors_, rtol=1e-6)
        assert np.allclose(np.sqrt(np.diag(fit.model_covariance)), plain.standard_errors_, rtol=1e-6)
        assert np.allclose(fit.coefficients, other.params, rtol=1e-6)
        assert np.isclose(fit.log_likelihood, other.llf, rtol=1e-9)


def refused(code: str, **changes: Any) -> str:
    given: dict[str, Any] = {
        "X": [[1.0], [0], [1], [0], [1], [0]], "time": [1, 2, 3, 4, 5, 6], "event": [1, 1, 1, 1, 1, 0], "names": ["nail"],
    } | changes  # fmt: skip
    with pytest.raises(EstimationError) as error:
        fit_cox(given.pop("X"), given.pop("time"), given.pop("event"), **given)
    assert error.value.code == code
    return str(error.value)


class TestRefused:
    def test_no_events(self) -> None:
        assert (
            refused("no_events", event=[0] * 6) == "no events in 6 rows; a hazard ratio cannot be estimated"
        )
        refused("no_events", weights=[0, 0, 0, 0, 0, 1])

    def test_no_variation(self) -> None:
        assert "nail" in refused("rank_deficient", X=[[1.0]] * 6)
        # varies, but never among those at risk together
        message = refused("rank_deficient", X=[[1.0], [1], [1], [0], [0], [0]], strata=[1, 1, 1, 2, 2, 2])
        assert "within strata): nail" in message
        twice = np.column_stack([[1.0, 0, 1, 0, 1, 0]] * 2)
        message = refused("rank_deficient", X=twice, names=["nail", "again"])
        assert "nail, again" in message

    def test_monotone_likelihood(self) -> None:
        message = refused("separation", X=[[1.0], [1], [1], [0], [0], [0]], event=[1, 1, 1, 0, 0, 0])
        assert "along nail" in message
        # a group without events beside a column that is fine
        x = np.column_stack([[0.3, -1, 0.5, 1.2, -0.4, 0.9], [0, 0, 0, 0, 1, 1]])
        message = refused("separation", X=x, names=["age", "cast"], event=[1, 1, 1, 0, 0, 0])
        assert "along cast" in message
        assert "age" not in message

    def test_monotone_likelihood_with_late_entry(self) -> None:
        message = refused(
            "separation",
            X=[[1.0], [1], [1], [0], [0], [0]],
            event=[1, 1, 1, 0, 0, 0],
            entry=[0, 0, 0, 0, 0.5, 1],
        )
        assert "along nail" in message

    def test_convergence(self) -> None:
        assert "max_iter" in refused("not_converged", max_iter=1)

    def test_input(self) -> None:
        refused("negative_time", time=[-1, 2, 3, 4, 5, 6])
        refused("bad_event", event=[1, 2, 1, 1, 1, 0])
        refused("not_finite", time=[np.nan, 2, 3, 4, 5, 6])
        refused("not_finite", strata=[None, 1, 1, 1, 1, 1])
        refused("not_finite", X=[[np.nan], [0], [1], [0], [1], [0]])
        refused("bad_shape", time=[1, 2], event=[1, 1])
        refused("bad_choice", ties="discrete")
        refused("bad_choice", covariance="CR2")
        refused("bad_choice", ties="exact", weights=[1, 2, 1, 1, 1, 1])
        refused("bad_choice", ties="exact", covariance="CR0")
        refused("too_few_clusters", clusters=[1] * 6)
        refused("missing_cluster", clusters=[1, None, 1, 2, 2, 2])
        refused("bad_weights", weights=[-1, 1, 1, 1, 1, 1])

    def test_too_many_ties_for_the_exact_likelihood(self) -> None:
        n = 1060
        x = np.random.default_rng(1).normal(size=(n, 1))
        message = refused("too_many_ties", X=x, time=[1] * n, event=[1, 0] * (n // 2), ties="exact")
        assert "ties='efron'" in message

    def test_residuals_and_tests_of_exact_ties(self) -> None:
        fit = fit_cox(
            [[1.0], [0], [1], [0], [1]], [1, 1, 2, 3, 4], [1, 1, 1, 1, 0], names=["x"], ties="exact"
        )
        for function in (cox_residuals, proportionality_test):
            with pytest.raises(EstimationError, match="Efron's and Breslow's"):
                function(fit)
        fit = fit_cox([[1.0], [0], [1]], [0, 1, 2], [1, 1, 1], names=["x"])
        with pytest.raises(EstimationError, match="time 0"):
            proportionality_test(fit, transform="log")
        with pytest.raises(EstimationError, match="one for each"):
            proportionality_test(fit, terms=["a", "b"])

    def test_contrasts(self) -> None:
        fit = fit_cox([[1.0], [0], [1], [0]], [1, 2, 3, 4], [1, 1, 1, 1], names=["x"])
        with pytest.raises(EstimationError, match=r"shape \(m, 1\)"):
            cox_contrast(fit, [[1, 2]], labels=["x"])
        with pytest.raises(EstimationError, match="level"):
            cox_contrast(fit, [[1]], labels=["x"], level=1.5)
        zero = cox_contrast(fit, [[0]], labels=["nothing"])[0]
        assert (zero.value, zero.p_value, zero.conf_low) == (1.0, None, None)
        large, limit = cox_contrast(fit, [[1e6], [500]], labels=["x", "y"])
        assert not large.estimable
        assert limit.value is not None
        assert limit.conf_high is None


def test_single_event_time_tells_nothing_about_change() -> None:
    fit = fit_cox([[1.0], [0], [1], [0], [0.5]], [1, 1, 2, 2, 2], [1, 1, 0, 0, 0], names=["x"])
    test = proportionality_test(fit)
    assert test.chi_squared == (None, None)
    assert "no change with time can be told" in str(test)


def test_tables_and_sentences() -> None:
    d = messy(2, 60)
    fit = fit_messy(d)
    table = fit.tidy()
    assert table["contrast"].tolist() == ["x", "z"]
    assert np.allclose(table["estimate"], fit.coefficients)
    assert np.allclose(table["std_error"], np.sqrt(np.diag(fit.covariance)))
    ratio = cox_contrast(fit, np.eye(2), labels=fit.names, n_missing=3)[0]
    assert np.isclose(ratio.value, np.exp(fit.coefficients[0]))
    assert np.isclose(np.log(ratio.conf_low), table["conf_low"][0])
    assert ratio.n_missing == 3
    assert str(fit).startswith("Cox regression stratified, efron ties, model errors, normal: 2 coefficients")
    assert np.isclose(fit.lr_statistic, 2 * (fit.log_likelihood - fit.log_likelihood_null))


def test_wide_relative_hazards_keep_their_digits() -> None:
    # a far column, and one whose hazards span e^12
    rng = np.random.default_rng(4)
    x = rng.normal(size=400) * 3 + 1e6
    time = rng.exponential(np.exp(-2 * (x - 1e6)))
    fit = fit_cox(x[:, None], time, np.ones(400), names=["x"])
    near = fit_cox((x - 1e6)[:, None], time, np.ones(400), names=["x"])
    assert np.isclose(fit.coefficients[0], near.coefficients[0], rtol=1e-9)
    assert 1.7 < fit.coefficients[0] < 2.3
