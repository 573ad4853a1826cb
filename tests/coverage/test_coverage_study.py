"""The committed study of coverage is whole, its page says what its file says, and a part of it comes out the same again."""

from __future__ import annotations

import json
import math

import coverage_page
import numpy as np
import pytest
from coverage_notes import NOTES
from coverage_study import PAGE, RESULTS, SCENARIOS
from measuring import (
    CHANCE,
    FULL,
    SEED,
    Seen,
    bar,
    draw_seed,
    happened,
    interval,
    missed,
    null_test,
    run,
    summary,
)
from scipy import stats

from outcomes.estimates import Estimate

STUDY = json.loads(RESULTS.read_text(encoding="utf-8"))
FOUND = {scenario["key"]: scenario for scenario in STUDY["scenarios"]}
#: Quick ones from every family that has some.
AGAIN = {
    "two normal groups": 400, "two normal groups, unequal spread": 400, "pairs": 300, "at the margin": 400,
    "five independent outcomes": 200, "two wrists in 20 of 80": 200, "12 clusters": 100, "many events": 100,
    "eight strata, none": 200, "one curve, 30": 200, "two equal curves": 100, "two ratings": 200,
    "two ways to measure": 300, "6 studies, tau2 0.1": 40, "confounded": 20, "imputed covariates": 10,
}  # fmt: skip


def test_every_scenario_is_in_the_file_with_its_repetitions() -> None:
    assert list(FOUND) == list(SCENARIOS)
    assert STUDY["seed"] == SEED
    assert STUDY["repetitions"] == FULL
    for key, found in FOUND.items():
        assert found["repetitions"] == round(FULL * SCENARIOS[key].share)
        assert (found["data"], found["family"]) == (SCENARIOS[key].data, SCENARIOS[key].family)
    assert sum(found["repetitions"] == FULL for found in FOUND.values()) >= 24


def test_the_page_is_the_one_of_the_file() -> None:
    assert PAGE.read_text(encoding="utf-8") == coverage_page.page(STUDY)


def test_what_misses_a_bar_is_explained_and_nothing_else() -> None:
    checks = {(key, check["name"]): check for key, found in FOUND.items() for check in found["checks"]}
    assert {place: check["missed"] for place, check in checks.items()} == {
        place: missed(check) for place, check in checks.items()
    }
    assert {place for place, check in checks.items() if check["missed"]} == set(NOTES)
    assert all(len(note) > 40 for note in NOTES.values())


@pytest.mark.parametrize("key", AGAIN)
def test_a_short_run_agrees_with_the_file(key: str) -> None:
    n = AGAIN[key]
    again = run(SCENARIOS[key], n if SCENARIOS[key].share == 1 else round(n / SCENARIOS[key].share), seed=1)
    for old, new in zip(FOUND[key]["checks"], again["checks"], strict=True):
        assert (old["name"], old["kind"]) == (new["name"], new["kind"])
        count = round(new["percent"] * new["n"] / 100)
        # no check of the file is exactly 0 or 100 % but the null shares, so a little is added to both ends
        share = min(max(old["percent"] / 100, 0.0005), 0.9995)
        assert stats.binomtest(count, new["n"], share).pvalue > 1e-4, old["name"]
        if "bias" in old and new["n"] >= 100:
            apart = abs(new["bias"] - old["bias"]) / math.hypot(
                old["spread"] / math.sqrt(old["n"]), new["spread"] / math.sqrt(new["n"])
            )
            assert apart < 4


@pytest.mark.simulation
@pytest.mark.parametrize("key", SCENARIOS)
def test_the_file_is_made_again(key: str) -> None:
    again, found = run(SCENARIOS[key], FULL), FOUND[key]
    assert (again["repetitions"], again["refused"]) == (found["repetitions"], found["refused"])
    for old, new in zip(found["checks"], again["checks"], strict=True):
        # another processor may round one data set in a thousand across a limit
        assert new["percent"] == pytest.approx(old["percent"], abs=0.11)
        for name in ("bias", "spread", "error_ratio"):
            if name in old:
                assert new[name] == pytest.approx(old[name], rel=0.01, abs=0.01 * old["spread"])


# counting ------------------------------------------------------------------------------------------------------


def estimate(low: float | None, high: float | None, value: float = 1.0, unit: str = "") -> Estimate:
    return Estimate(value=value, conf_low=low, conf_high=high, std_error=0.5, p_value=0.2, unit=unit)


def test_limits_hold_at_their_ends_and_without_an_end() -> None:
    assert [interval("", estimate(0, 2), truth).held for truth in (0, 2, -0.1, 2.1)] == [1, 1, 0, 0]
    assert [interval("", estimate(None, 2), truth).held for truth in (-9, 2.1)] == [1, 0]
    assert math.isnan(interval("", estimate(None, None), 0.0).held)
    assert math.isnan(interval("", Estimate.not_estimable("no events"), 0.0).held)


def test_ratios_are_off_on_the_log_scale_and_p_is_kept_at_the_null_only() -> None:
    seen = interval("", estimate(0.5, 4, value=2.0, unit="ratio"), 1.0)
    assert (seen.off, seen.p_value) == (math.log(2), 0.2)
    assert math.isnan(interval("", estimate(0.5, 4, value=2.0, unit="ratio"), 2.0).p_value)
    assert interval("", estimate(-1, 3), 0.0).p_value == 0.2


def test_a_summary_by_hand() -> None:
    seen = [
        Seen("a", "interval", held, off, 1.0, p)
        for held, off, p in ((1, 1.0, 0.3), (1, -1.0, 0.04), (0, 3.0, 0.7))
    ]
    seen.append(Seen("a", "interval", math.nan))
    found = summary("a", seen)
    assert (found["n"], found["without"], found["percent"], found["rejected"]) == (3, 1, 66.67, 33.33)
    assert found["mc_error"] == round(100 * math.sqrt(2 / 27), 2)
    assert (found["bias"], found["spread"], found["error_ratio"]) == (1.0, 2.0, 0.5)
    assert found["bias_in_mc_errors"] == round(math.sqrt(3) / 2, 2)


def test_bars() -> None:
    assert bar(0.95, 10_000) == pytest.approx((94, 96))
    assert bar(0.95, 2_000) == pytest.approx((93.54, 96.46), abs=0.01)
    assert bar(0.05, 10_000) == pytest.approx((4, 6))
    assert bar(0.025, 10_000) == pytest.approx((2, 3))
    check = {"kind": "interval", "expected": 0.95, "n": 10_000, "percent": 95.0}
    assert missed({**check, "percent": 93.9}) == ["too low"]
    assert missed({**check, "percent": 96.1}) == ["too high"]
    assert missed({**check, "bias_in_mc_errors": -3.6}) == ["bias"]
    assert missed({**check, "error_ratio": 0.94}) == ["error"]
    assert missed({**check, "rejected": 6.1, "ks_p": 0.0009}) == ["size", "p-values"]
    assert (
        missed({**check, "bias_in_mc_errors": 3.4, "error_ratio": 1.04, "rejected": 4.1, "ks_p": 0.002}) == []
    )


def test_tests_and_chances() -> None:
    assert [null_test("", p).held for p in (0.05, 0.051)] == [1, 0]
    assert math.isnan(null_test("", None).held)
    assert (happened("", True, 0.05).kind, happened("", True, 0.05).held) == (CHANCE, 1.0)
    assert draw_seed(np.random.default_rng(1)) == draw_seed(np.random.default_rng(1)) < 2**31


def test_a_scenario_added_moves_no_other() -> None:
    one = run(SCENARIOS["kappa, 50"], 50)
    run(SCENARIOS["kappa, 200"], 5)
    again = run(SCENARIOS["kappa, 50"], 50)
    assert {**one, "seconds": 0} == {**again, "seconds": 0}
