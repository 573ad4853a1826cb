"""Kaplan-Meier curves, log-rank tests and restricted means: by hand, laws, lifelines, and what is refused."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.concordance import concordance
from outcomes.stats.survival.kaplan_meier import (
    follow_up,
    kaplan_meier,
    number_at_risk,
    survival_at,
    survival_quantile,
)
from outcomes.stats.survival.log_rank import log_rank
from outcomes.stats.survival.restricted_mean import (
    common_horizon,
    restricted_mean,
    restricted_mean_difference,
    restricted_mean_ratio,
)
from outcomes.stats.survival.survival_times import check_survival, group_labels, risk_table

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from lifelines import KaplanMeierFitter
    from lifelines.statistics import multivariate_logrank_test
    from lifelines.utils import restricted_mean_survival_time

# six times by hand: at 2 two events of 6 at risk, at 3 a censoring, at 4 an event and a censoring of 3, at 5 censored
TIME, EVENT = [2, 2, 3, 4, 4, 5], [1, 1, 0, 1, 0, 0]


def sample(seed: int, n: int = 60) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "time": rng.integers(1, 15, n).astype(float), "event": rng.integers(0, 2, n), "group": rng.integers(0, 3, n),
            "stratum": rng.integers(0, 3, n),
        }
    )  # fmt: skip


class TestCurve:
    def test_by_hand(self) -> None:
        curve = kaplan_meier(TIME, EVENT, label="all")
        assert curve.time.tolist() == [2, 3, 4, 5]
        assert curve.n_risk.tolist() == [6, 4, 3, 1]
        assert curve.n_event.tolist() == [2, 0, 1, 0]
        assert curve.n_censored.tolist() == [0, 1, 1, 1]
        assert np.allclose(curve.survival, [4 / 6, 4 / 6, 4 / 9, 4 / 9], rtol=1e-14)
        variance = (4 / 9) ** 2 * (2 / (6 * 4) + 1 / (3 * 2))
        assert np.isclose(curve.std_error[2], np.sqrt(variance), rtol=1e-14)
        assert (curve.n, curve.n_events, curve.n_missing) == (6, 3, 0)
        assert (
            str(curve)
            == "all: 3 events in 6 cases; Kaplan-Meier share free of the event 0.444 at 5 (1 at risk)"
        )

    @pytest.mark.parametrize("limits", ["log-log", "log", "plain"])
    def test_limits_by_formula(self, limits: str) -> None:
        curve = kaplan_meier(TIME, EVENT, limits=limits, level=0.9)
        s, root, z = 4 / 9, np.sqrt(2 / (6 * 4) + 1 / (3 * 2)), 1.6448536269514722
        low, high = {
            "plain": (max(s - z * s * root, 0), s + z * s * root),
            "log": (s * np.exp(-z * root), min(s * np.exp(z * root), 1)),
            "log-log": (s ** np.exp(z * root / -np.log(s)), s ** np.exp(-z * root / -np.log(s))),
        }[limits]
        assert np.isclose(curve.conf_low[2], low, rtol=1e-13)
        assert np.isclose(curve.conf_high[2], high, rtol=1e-13)
        assert ((curve.conf_low >= 0) & (curve.conf_high <= 1)).all()

    def test_lifelines(self) -> None:
        for seed in range(40):
            d = sample(seed)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                other = KaplanMeierFitter().fit(d["time"], d["event"])
            curve = kaplan_meier(d["time"], d["event"])
            theirs = other.survival_function_at_times(curve.time).to_numpy()
            assert np.allclose(curve.survival, theirs, rtol=1e-10)
            low, high = other.confidence_interval_survival_function_.loc[curve.time].to_numpy().T
            inside = np.isfinite(curve.conf_low)
            assert np.allclose(curve.conf_low[inside], low[inside], rtol=1e-9)
            assert np.allclose(curve.conf_high[inside], high[inside], rtol=1e-9)

    def test_readings(self) -> None:
        curve = kaplan_meier(TIME, EVENT)
        before, at, after, last, beyond = survival_at(curve, [0, 2, 3.9, 5, 5.01])
        assert (before.value, before.conf_low, before.std_error) == (1.0, None, None)
        assert before.reason == "no limits: no event so far"
        assert at.value == after.value == pytest.approx(4 / 6)
        assert last.estimable
        assert not beyond.estimable
        all_dead = kaplan_meier([1, 2], [1, 1])
        zero = survival_at(all_dead, 7)[0]
        assert (zero.value, zero.conf_high, zero.reason) == (
            0.0,
            None,
            "no limits: everyone at risk had the event",
        )
        with pytest.raises(EstimationError, match="0 or more"):
            survival_at(curve, [-1])

    def test_quantiles(self) -> None:
        curve = kaplan_meier(TIME, EVENT)
        assert survival_quantile(curve).value == 4
        assert survival_quantile(curve, 0.3).value == 2
        # level exactly at one half from 2 to 3: the middle
        assert survival_quantile(kaplan_meier([1, 2, 3, 4], [1, 1, 1, 1])).value == 2.5
        # level at one half to the end of follow-up
        assert survival_quantile(kaplan_meier([1, 2, 6, 8], [1, 1, 0, 0])).value == 5
        high = survival_quantile(kaplan_meier([1, 2, 3, 4], [1, 0, 0, 0]))
        assert high.value is None
        assert high.reason == "not reached: the curve stays above 0.5; lower limit 1"
        with pytest.raises(EstimationError, match="between 0 and 1"):
            survival_quantile(curve, 1.0)

    def test_limits_of_the_median_after_everyone_had_the_event(self) -> None:
        e = survival_quantile(kaplan_meier([1, 2, 3], [0, 0, 1]))
        assert (e.value, e.conf_low, e.conf_high) == (3, 3, None)
        assert e.reason == "no upper limit: the limits of the curve do not reach the level"

    def test_follow_up(self) -> None:
        # at 4 the event comes before the end of follow-up: of 2 at risk one ends
        curve = follow_up(TIME, EVENT)
        assert curve.n_risk.tolist() == [4, 4, 2, 1]
        assert np.allclose(curve.survival, [1, 3 / 4, 3 / 8, 0])
        assert survival_quantile(curve).value == 4
        exchanged = follow_up(TIME, EVENT, events_first=False)
        assert np.allclose(exchanged.survival, kaplan_meier(TIME, 1 - np.array(EVENT)).survival)
        assert not np.allclose(exchanged.survival, curve.survival)

    def test_number_at_risk(self) -> None:
        table = number_at_risk({"a": kaplan_meier(TIME, EVENT)}, [0, 2, 2.5, 4, 6])
        assert table["n_risk"].tolist() == [6, 6, 4, 3, 0]
        assert table["events"].tolist() == [0, 0, 2, 2, 3]
        assert table["censored"].tolist() == [0, 0, 0, 1, 3]

    def test_late_entry(self) -> None:
        # entries at 0, 0, 1, 2: at 2 the last is not yet at risk
        curve = kaplan_meier([1, 2, 4, 4], [1, 1, 1, 0], entry=[0, 0, 1, 2])
        assert curve.n_risk.tolist() == [2, 2, 2]
        assert np.allclose(curve.survival, [1 / 2, 1 / 4, 1 / 8])
        with pytest.raises(EstimationError, match="others enter later") as refused:
            kaplan_meier([1, 4], [1, 1], entry=[0, 2])
        assert refused.value.code == "empty_risk_set"

    def test_order_and_scale_of_time(self) -> None:
        d = sample(1)
        a = kaplan_meier(d["time"], d["event"])
        mixed = d.sample(frac=1, random_state=1)
        b = kaplan_meier(mixed["time"] * 7, mixed["event"])
        assert a.survival.tobytes() == b.survival.tobytes()
        assert a.conf_low.tobytes() == b.conf_low.tobytes()
        assert survival_quantile(b).value == 7 * survival_quantile(a).value

    def test_censoring_without_events(self) -> None:
        curve = kaplan_meier([1, 2], [0, 0])
        assert curve.survival.tolist() == [1, 1]
        assert not survival_quantile(curve).estimable
        assert curve.tidy()["conf_low"].isna().all()


class TestTimes:
    @pytest.mark.parametrize(
        ("time", "event", "code"),
        [
            ([-1, 2], [1, 1], "negative_time"), ([1, np.inf], [1, 1], "infinite"), ([1, 2], [1, 2], "bad_event"),
            ([1, 2], [1], "bad_shape"), (["a", "b"], [1, 1], "not_numeric"), ([np.nan], [1], "no_rows"),
            ([[1, 2]], [1, 1], "bad_shape"),
        ],
    )  # fmt: skip
    def test_refused(self, time: list[float], event: list[int], code: str) -> None:
        with pytest.raises(EstimationError) as refused:
            check_survival(time, event)
        assert refused.value.code == code

    def test_messages_give_positions_not_values(self) -> None:
        with pytest.raises(
            EstimationError, match=r"1 values of time are below 0.*positions from 0: 2"
        ) as refused:
            check_survival([1, 2, -98765], [0, 0, 0])
        assert "98765" not in str(refused.value)

    @pytest.mark.parametrize(
        ("entry", "code"), [([2.0], "bad_entry"), ([3.0], "bad_entry"), ([-1.0], "negative_time")]
    )
    def test_entry(self, entry: list[float], code: str) -> None:
        with pytest.raises(EstimationError) as refused:
            check_survival([2.0], [1], entry=entry)
        assert refused.value.code == code

    def test_missing_counted(self) -> None:
        data = check_survival([1, np.nan, 3, 4], [1, 1, np.nan, True], entry=[0, 0, 0, None])
        assert (data.n_missing, data.used.tolist()) == (3, [True, False, False, False])
        assert kaplan_meier([1, None], [1, 1]).n_missing == 1

    def test_time_0_is_allowed(self) -> None:
        assert kaplan_meier([0, 1], [1, 0]).survival.tolist() == [0.5, 0.5]

    def test_risk_table_of_strata_and_late_entry(self) -> None:
        data = check_survival([1, 2, 2, 3], [1, 1, 0, 1], entry=[0, 1, 0, 2.5])
        table = risk_table(data, np.array([0, 1, 0, 1]), 2, np.array([0, 0, 1, 1]))
        assert table.time.tolist() == [1, 2, 2, 3]
        assert table.stratum.tolist() == [0, 0, 1, 1]
        assert table.at_risk.tolist() == [[1, 0, 1, 0], [0, 1, 0, 1]]

    def test_labels(self) -> None:
        with pytest.raises(EstimationError, match="give one label for each row"):
            group_labels(["a"], 3)


class TestLogRank:
    def test_by_hand_with_ties(self) -> None:
        # at 1: 2 events, 4 at risk, 2 of them in a; at 2: 1 event of 2 at risk, 1 in a
        test = log_rank([1, 1, 2, 2], [1, 1, 1, 0], ["a", "b", "a", "b"])
        assert np.allclose(test.expected, [1 + 0.5, 1 + 0.5])
        variance = 2 * 0.5 * 0.5 * (4 - 2) / (4 - 1) + 0.25
        assert np.isclose(test.variance[0, 0], variance)
        assert np.isclose(test.chi_squared, 0.25 / variance)
        assert str(test).startswith(
            "log-rank test: chi-squared 0.4286 on 1 df, p = 0.513 (a 2 events for 1.5 expected"
        )

    def test_weights_by_hand(self) -> None:
        # S(t-) is 1 at 1 and 1/2 at 2
        test = log_rank([1, 1, 2, 2], [1, 1, 1, 0], ["a", "b", "a", "b"], rho=1)
        assert np.allclose(test.observed, [1.5, 1])
        assert np.allclose(test.expected, [1.25, 1.25])
        assert np.isclose(test.variance[0, 0], 1 / 3 + 0.25 / 4)

    def test_lifelines(self) -> None:
        for seed in range(30):
            d = sample(seed)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                theirs = multivariate_logrank_test(d["time"], d["group"], d["event"])
            ours = log_rank(d["time"], d["event"], d["group"])
            assert np.isclose(ours.chi_squared, theirs.test_statistic, rtol=1e-9)
            assert np.isclose(ours.p_value, theirs.p_value, rtol=1e-8)

    def test_strata_add_up(self) -> None:
        d = sample(5)
        whole = log_rank(d["time"], d["event"], d["group"], strata=d["stratum"], rho=0.5)
        parts = [log_rank(s["time"], s["event"], s["group"], rho=0.5) for _, s in d.groupby("stratum")]
        assert np.allclose(whole.observed - whole.expected, sum(p.observed - p.expected for p in parts))
        assert np.allclose(whole.variance, sum(p.variance for p in parts))
        assert whole.method == "stratified weighted log-rank test, rho = 0.5"

    def test_uninformative_strata_are_counted(self) -> None:
        d = pd.DataFrame(
            {"t": [1, 2, 3, 4, 1, 2, 1, 2], "e": [1, 0, 1, 0, 1, 1, 0, 0], "g": list("ababaaab")}
        )
        strata = [0, 0, 0, 0, 1, 1, 2, 2]  # one group only; no event
        test = log_rank(d["t"], d["e"], d["g"], strata=strata)
        assert (test.n_strata, test.n_uninformative) == (3, 2)
        assert np.isclose(test.chi_squared, 2.0)
        assert "2 of 3 strata tell nothing" in str(test)

    def test_swap_order_and_labels(self) -> None:
        d = sample(2)
        a = log_rank(d["time"], d["event"], d["group"])
        m = d.sample(frac=1, random_state=3)
        b = log_rank(m["time"] ** 2, m["event"], 2 - m["group"])
        assert np.isclose(a.chi_squared, b.chi_squared, rtol=1e-12)
        assert np.allclose(a.observed, b.observed[::-1])
        assert np.allclose(a.expected, b.expected[::-1])
        assert np.isclose(a.observed.sum(), a.expected.sum())

    def test_no_test(self) -> None:
        none = log_rank([1, 2, 3], [0, 0, 0], ["a", "b", "b"])
        assert (none.chi_squared, none.p_value, none.reason) == (None, None, "no event")
        apart = log_rank([1, 2, 3], [0, 0, 1], ["a", "b", "b"])
        assert apart.reason == "no event happened while two groups were at risk"
        assert "no test" in str(apart)
        # three groups of which one leaves before any event: two are compared
        fewer = log_rank([1, 2, 3, 4], [0, 1, 1, 0], ["a", "b", "c", "c"])
        assert fewer.df == 1

    def test_refused(self) -> None:
        with pytest.raises(EstimationError, match="at least two"):
            log_rank([1, 2], [1, 1], ["a", "a"])
        with pytest.raises(EstimationError, match="rho"):
            log_rank([1, 2], [1, 1], ["a", "b"], rho=-1)

    def test_missing_groups_and_strata_are_counted(self) -> None:
        test = log_rank([1, 2, 3, 4, 5], [1, 0, 1, 0, 1], ["a", "b", "a", "b", None], strata=[1, 1, 1, 1, 1])
        assert (test.n, test.n_missing) == (4, 1)
        assert np.isclose(test.chi_squared, 2.0)


class TestRestrictedMean:
    def test_by_hand(self) -> None:
        # 1 to 2, 2/3 to 4, 4/9 to 5
        e = restricted_mean(TIME, EVENT, tau=5, label="all", unit="months")
        area = 2 + 2 * 2 / 3 + 4 / 9
        variance = (2 * 2 / 3 + 4 / 9) ** 2 * 2 / (6 * 4) + (4 / 9) ** 2 * 1 / (3 * 2)
        assert np.isclose(e.value, area, rtol=1e-14)
        assert np.isclose(e.std_error, np.sqrt(variance), rtol=1e-14)
        assert np.isclose(e.conf_high - e.value, 1.959963984540054 * np.sqrt(variance))
        assert e.p_value is None
        assert e.contrast == "all: mean time free of the event up to 5"

    def test_lifelines(self) -> None:
        for seed in range(20):
            d = sample(seed)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                other = KaplanMeierFitter().fit(d["time"], d["event"])
                theirs = restricted_mean_survival_time(other, t=8)
            assert np.isclose(restricted_mean(d["time"], d["event"], tau=8).value, theirs, rtol=1e-9)

    def test_difference_and_ratio(self) -> None:
        a, b = sample(1), sample(2)
        four = (a["time"], a["event"], b["time"], b["event"])
        one, two = restricted_mean(*four[:2], tau=9), restricted_mean(*four[2:], tau=9)
        difference, back = (
            restricted_mean_difference(*order, tau=9) for order in (four, (*four[2:], *four[:2]))
        )
        assert np.isclose(difference.value, one.value - two.value)
        assert np.isclose(difference.std_error, np.hypot(one.std_error, two.std_error))
        assert np.isclose(difference.conf_low, -back.conf_high)
        assert difference.p_value == back.p_value
        ratio, other = (restricted_mean_ratio(*order, tau=9) for order in (four, (*four[2:], *four[:2])))
        assert np.isclose(ratio.value * other.value, 1)
        assert np.isclose(ratio.conf_low * other.conf_high, 1)
        assert np.isclose(ratio.std_error, np.hypot(one.std_error / one.value, two.std_error / two.value))

    def test_horizon(self) -> None:
        open_, closed = kaplan_meier([1, 5], [1, 0]), kaplan_meier([2, 3], [0, 1])
        assert common_horizon([open_, closed]) == 5
        assert common_horizon([closed]) == 3
        assert restricted_mean([1, 5], [1, 0]).contrast.endswith("5")
        assert restricted_mean_difference([1, 5], [1, 0], [2, 9], [1, 0]).contrast.endswith("up to 5")
        # a curve at 0 is known for ever
        assert restricted_mean([2, 3], [0, 1], tau=10).value == 3
        with pytest.raises(EstimationError, match="beyond the longest follow-up"):
            restricted_mean([1, 5], [1, 0], tau=5.5)
        with pytest.raises(EstimationError, match="above 0"):
            restricted_mean([1, 5], [1, 0], tau=0)

    def test_no_spread(self) -> None:
        e = restricted_mean([5, 6], [0, 0], tau=4)
        assert (e.value, e.conf_low, e.std_error) == (4, None, None)
        assert e.reason.startswith("no limits")
        ratio = restricted_mean_ratio([5, 6], [0, 0], [5, 6], [0, 0], tau=4)
        assert (ratio.value, ratio.conf_low, ratio.p_value) == (1, None, None)
        assert not restricted_mean_ratio([0, 0], [1, 1], [5, 6], [0, 0], tau=4).estimable


class TestConcordance:
    def test_against_all_pairs(self) -> None:
        for seed in range(20):
            d = sample(seed, 35)
            score = np.random.default_rng(seed).integers(0, 6, 35) * 0.1
            t, e, g = (d[c].to_numpy() for c in ("time", "event", "stratum"))
            first = (t[:, None] < t) | ((t[:, None] == t) & (e == 0))
            pair = (e[:, None] == 1) & first & (g[:, None] == g)
            counts = [
                int((pair & with_).sum())
                for with_ in (score[:, None] > score, score[:, None] < score, score[:, None] == score)
            ]
            found = concordance(t, e, score, strata=g)
            assert [found.concordant, found.discordant, found.tied] == counts
            assert found.value == pytest.approx((counts[0] + counts[2] / 2) / sum(counts))

    def test_no_pairs(self) -> None:
        found = concordance([1, 2], [0, 0], [1, 2])
        assert found.value is None
        assert "not estimable" in str(found)
        assert concordance([1, 2], [1, 0], [0.1 + 0.2, 0.3]).tied == 1
        with pytest.raises(EstimationError, match="may not be missing"):
            concordance([1, None], [1, 1], [1, 2])
