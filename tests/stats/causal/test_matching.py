"""Matching: search, ties, calipers, balance and errors."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.causal.matched_balance import matched_balance
from outcomes.stats.causal.matched_effect import matched_difference
from outcomes.stats.causal.matching import MatchedSets, logit_score, match_cases, sets_of_pairs


def pairs_of(sets: MatchedSets) -> list[tuple[int, int]]:
    return list(zip(sets.treated_rows.tolist(), sets.control_rows.tolist(), strict=True))


def match(labels: str, score: list[float], **options) -> MatchedSets:
    return match_cases(list(labels), score, **({"treated": "t", "caliper": None} | options))


def random_cases(seed: int, n: int = 60):
    rng = np.random.default_rng(seed)
    score = np.round(rng.standard_normal(n), 1)
    return np.where(rng.standard_normal(n) + score > 0.5, "t", "c"), score, rng.standard_normal(n), rng


def test_order_decides_who_chooses() -> None:
    score = [2.0, 1.0, 1.6, 9.0]
    assert pairs_of(match("ttcc", score)) == [(0, 2), (1, 3)]
    assert pairs_of(match("ttcc", score, order="lowest score")) == [(1, 2), (0, 3)]
    assert pairs_of(match("ttcc", score, order="key", keys=[5, 4, 3, 2])) == [(1, 2), (0, 3)]


def test_ties_go_to_the_smaller_key_else_to_the_earlier_row() -> None:
    assert pairs_of(match("tccc", [1.0, 1.5, 0.5, 1.5])) == [(0, 1)]
    assert pairs_of(match("tccc", [1.0, 1.5, 0.5, 1.5], keys=["d", "c", "b", "a"])) == [(0, 3)]
    # scores that differ in the last bits only are ties
    assert pairs_of(match("tccc", [1.0, 0.3, 0.1 + 0.2, 9.0])) == [(0, 1)]


def test_a_distance_equal_to_the_caliper_is_allowed() -> None:
    score = [0.0, 1.0, 0.0, 1.0, 3.0]
    width = 1.0 / np.std(score, ddof=1)
    assert pairs_of(
        match("tcccc", [0.0, 1.0, 3.0, 0.0 + 9, 1.0], caliper=1.0 / np.std([0.0, 1, 3, 9, 1], ddof=1))
    ) == [(0, 1)]
    with pytest.raises(EstimationError, match="no treated case has a control") as caught:
        match("tcccc", [0.0, 1.0, 3.0, 9.0, 1.0], caliper=0.999 / np.std([0.0, 1, 3, 9, 1], ddof=1))
    assert caught.value.code == "no_match"
    within = np.sqrt((np.var([0.0, 1.0], ddof=1) + np.var([0.0, 1.0, 3.0], ddof=1)) / 2)
    sets = match("ttccc", score, caliper=width, caliper_spread="within groups")
    assert sets.caliper == pytest.approx(width * within)


def test_second_controls_only_after_everybody_had_a_first() -> None:
    sets = match("ttccc", [2.0, 1.0, 1.9, 1.8, 5.0], ratio=2)
    assert pairs_of(sets) == [(0, 2), (1, 3), (0, 4)]
    assert sets.set_ids.tolist() == [0, 1, 0]
    assert (sets.n_sets, sets.n_incomplete) == (2, 1)
    assert sets.weights.tolist() == [1.0, 1.0, 0.5, 1.0, 0.5]


def test_replacement_uses_a_control_again_but_never_twice_in_a_set() -> None:
    sets = match("ttcc", [2.0, 1.0, 1.9, 9.0], replacement=True)
    assert pairs_of(sets) == [(0, 2), (1, 2)]
    assert sets.weights.tolist() == [1.0, 1.0, 2.0, 0.0]
    assert sets.unmatched_controls == (3,)
    twice = match("tcc", [2.0, 1.9, 9.0], replacement=True, ratio=3)
    assert pairs_of(twice) == [(0, 1), (0, 2)]


def test_strata_are_never_crossed_and_the_unmatched_are_listed() -> None:
    sets = match("ttccc", [1.0, 2.0, 1.0, 2.0, 3.0], within=["a", "b", "a", "a", "a"])
    assert pairs_of(sets) == [(0, 2)]
    assert sets.unmatched_treated == (1,)
    assert sets.unmatched_controls == (3, 4)
    assert "1 without a match" in str(sets)


@pytest.mark.parametrize("seed", range(30))
def test_optimal_is_the_best_of_all_assignments(seed: int) -> None:
    rng = np.random.default_rng(seed)
    score = np.round(rng.standard_normal(8), 1)
    if np.ptp(score[:3]) == 0:
        score[0] += 1
    caliper = None if seed % 2 else 0.6
    width = np.inf if caliper is None else caliper * np.std(score, ddof=1) + 1e-9
    best = (0, 0.0)
    for choice in permutations(range(3, 8), 3):
        gaps = [abs(score[t] - score[c]) for t, c in enumerate(choice)]
        kept = [gap for gap in gaps if gap <= width]
        best = min(best, (-len(kept), sum(kept)))
    if best[0] == 0:
        with pytest.raises(EstimationError):
            match("tttccccc", score.tolist(), caliper=caliper, search="optimal")
        return
    sets = match("tttccccc", score.tolist(), caliper=caliper, search="optimal")
    assert -len(sets.distances) == best[0]
    assert sets.distances.sum() == pytest.approx(best[1], abs=1e-7)
    greedy = match("tttccccc", score.tolist(), caliper=caliper)
    assert len(greedy.distances) <= len(sets.distances)


def test_optimal_gives_first_controls_before_second_ones() -> None:
    # both controls are nearer to the first case, which gets one of them only
    sets = match("ttcc", [0.0, 9.0, 0.1, 0.2], ratio=2, search="optimal", caliper=None)
    assert pairs_of(sets) == [(1, 3), (0, 2)]
    more = match("ttccc", [0.0, 9.0, 0.1, 0.2, 0.3], ratio=2, search="optimal", caliper=None)
    assert sorted(np.bincount(more.set_ids).tolist()) == [1, 2]


@pytest.mark.parametrize("search", ["greedy", "optimal"])
def test_rows_in_another_order_give_the_same_sets(search: str) -> None:
    labels, score, y, rng = random_cases(3)
    keys = np.arange(60)
    sets = match_cases(labels, score, treated="t", keys=keys, search=search)
    effect = matched_difference(y, sets)
    for _ in range(5):
        p = rng.permutation(60)
        other = match_cases(labels[p], score[p], treated="t", keys=keys[p], search=search)
        assert list(zip(p[other.treated_rows], p[other.control_rows], strict=True)) == pairs_of(sets)
        again = matched_difference(y[p], other)
        assert (again.value, other.caliper) == (effect.value, sets.caliper)
        assert again.std_error == pytest.approx(effect.std_error, rel=1e-13)


def test_a_score_in_other_units_gives_the_same_sets() -> None:
    labels, score, *_ = random_cases(4)
    sets = match_cases(labels, score, treated="t")
    moved = match_cases(labels, 1e6 + 4.0 * score, treated="t")
    assert pairs_of(moved) == pairs_of(sets)
    assert moved.caliper == pytest.approx(4.0 * sets.caliper)
    assert moved.distances == pytest.approx(4.0 * sets.distances, abs=1e-6)


def test_balance_has_one_divisor_before_and_after() -> None:
    labels, score, y, _ = random_cases(5)
    sets = match_cases(labels, score, treated="t")
    t, c = y[labels == "t"], y[labels == "c"]
    both = matched_balance({"y": y}, sets)[0]
    spread = np.sqrt((t.var(ddof=1) + c.var(ddof=1)) / 2)
    assert both.before.value == pytest.approx((t.mean() - c.mean()) / spread)
    after = y[sets.treated_rows].mean() - y[sets.control_rows].mean()
    assert both.after.value == pytest.approx(after / spread)
    assert both.before.between == ("t", "c")
    own = matched_balance({"y": y}, sets, divisor="treated")[0]
    assert own.after.value == pytest.approx(after / t.std(ddof=1))
    yes_no = (y > 0) * 1.0
    share = matched_balance({"y": yes_no}, sets, kinds={"y": "binary"}, divisor="treated")[0]
    p = yes_no[labels == "t"].mean()
    assert share.before.value == pytest.approx((p - yes_no[labels == "c"].mean()) / np.sqrt(p * (1 - p)))
    flat = matched_balance({"y": np.where(labels == "t", 1.0, y)}, sets, divisor="treated")[0]
    assert flat.before.value is None
    assert flat.before.reason == "the treated do not vary"
    with pytest.raises(EstimationError, match="categorical"):
        matched_balance({"y": labels}, sets, kinds={"y": "categorical"}, divisor="treated")


def test_pairs_by_hand() -> None:
    # differences 2, 4, 9: the paired t interval, its variance times (m - 1) / (m - 2) = 5 / 4 for the rows
    sets = match("tttccc", [1, 2, 3, 1, 2, 3])
    e = matched_difference([12, 14, 19, 10, 10, 10], sets, unit="kg")
    assert e.value == pytest.approx(5)
    assert e.std_error == pytest.approx(np.sqrt(np.var([2, 4, 9], ddof=1) / 3 * 5 / 4))
    assert e.df == 2
    assert e.conf_high - e.value == pytest.approx(4.302652729911275 * e.std_error)
    assert "unreliable: 3 clusters" in e.method


def test_swap_of_labels_and_units() -> None:
    labels, score, y, _ = random_cases(6)
    sets = match_cases(labels, score, treated="t")
    e = matched_difference(y, sets)
    scaled = matched_difference(1e6 + 3 * y, sets)
    assert scaled.value == pytest.approx(3 * e.value, rel=1e-8)
    assert scaled.std_error == pytest.approx(3 * e.std_error, rel=1e-8)
    back = sets_of_pairs(labels, np.column_stack([sets.control_rows, sets.treated_rows]), treated="c")
    assert matched_difference(y, back).value == pytest.approx(-e.value)


def test_patients_in_several_pairs_widen_the_error() -> None:
    rng = np.random.default_rng(1)
    patient_effect = np.repeat(rng.standard_normal(20), 4)
    labels = np.tile(list("ttcc"), 20)
    score = rng.standard_normal(80)
    y = patient_effect + (labels == "t") * np.repeat(rng.standard_normal(20), 4)
    sets = match_cases(labels, score, treated="t", caliper=None)
    alone, shared = (
        matched_difference(y, sets),
        matched_difference(y, sets, clusters=np.repeat(np.arange(20), 4)),
    )
    assert shared.std_error >= alone.std_error
    assert shared.df == 19
    assert "by set and patient" in shared.method


@pytest.mark.parametrize("seed", range(6))
def test_error_by_set_and_patient_is_the_sum_of_two_less_the_third(seed: int) -> None:
    labels, score, y, rng = random_cases(seed)
    patients = rng.integers(0, 25, 60)
    sets = match_cases(labels, score, treated="t", caliper=None)
    rows = np.concatenate([sets.treated_rows, sets.control_rows])
    m, of_set = len(rows), np.tile(np.arange(sets.n_sets), 2)
    treated = np.arange(m) < sets.n_sets
    means = y[rows[treated]].mean(), y[rows[~treated]].mean()
    moved = np.where(treated, y[rows] - means[0], means[1] - y[rows]) / sets.n_sets
    parts = []
    for keys in (of_set.tolist(), patients[rows].tolist(), list(zip(of_set, patients[rows], strict=True))):
        totals = [sum(v for v, k in zip(moved, keys, strict=True) if k == key) for key in set(keys)]
        parts.append(len(totals) / (len(totals) - 1) * sum(t * t for t in totals))
    expected = max(parts[0] + parts[1] - parts[2], parts[0]) * (m - 1) / (m - 2)
    e = matched_difference(y, sets, clusters=patients, n_missing=4)
    assert e.std_error == pytest.approx(np.sqrt(expected))
    assert e.df == min(sets.n_sets, len(set(patients[rows].tolist()))) - 1
    assert e.n_missing == 4


def test_conditional_error_by_plain_loops() -> None:
    labels, score, y, _ = random_cases(8)
    sets = match_cases(labels, score, treated="t", caliper=None, replacement=True, ratio=2)
    e = matched_difference(y, sets, errors="conditional", score=score, n_neighbours=3)
    treated = np.flatnonzero(labels == "t")
    controls = np.flatnonzero(labels == "c")
    gaps, uses, squares = [], dict.fromkeys(controls, 0.0), dict.fromkeys(controls, 0.0)
    for t in treated:
        own = [c for s, c in pairs_of(sets) if s == t]
        gaps.append(y[t] - np.mean(y[own]))
        for c in own:
            uses[c] += 0.5
            squares[c] += 0.25
    total = sum((g - np.mean(gaps)) ** 2 for g in gaps)
    for c in controls:
        near = sorted((abs(score[o] - score[c]), o) for o in controls if o != c)[:3]
        total += (uses[c] ** 2 - squares[c]) * 3 / 4 * (y[c] - np.mean([y[o] for _, o in near])) ** 2
    assert e.value == pytest.approx(np.mean(gaps))
    assert e.std_error == pytest.approx(np.sqrt(total) / len(treated))
    assert e.df == np.inf


def test_degenerate_cases_say_why() -> None:
    one = match("tcc", [1.0, 1.1, 5.0])
    assert matched_difference([1, 2, 3], one).reason == "one matched set shows no spread"
    pair = match("ttcc", [1.0, 2.0, 1.0, 2.0])
    flat = matched_difference([2, 2, 1, 1], pair)
    assert (flat.value, flat.conf_low, flat.reason) == (1.0, None, "no spread is left to judge this value by")
    same = matched_difference([2, 3, 1, 4], pair, clusters=["a"] * 4)
    assert (same.value, same.std_error) == (0.0, None)


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ({"caliper": 0.0}, "bad_caliper"), ({"caliper": -1}, "bad_caliper"), ({"caliper": np.inf}, "bad_caliper"),
        ({"ratio": 0}, "bad_count"), ({"ratio": 1.5}, "bad_count"), ({"treated": "x"}, "bad_levels"),
        ({"search": "best"}, "bad_choice"), ({"order": "random"}, "bad_choice"), ({"caliper_spread": "x"}, "bad_choice"),
        ({"search": "optimal", "replacement": True}, "bad_choice"), ({"keys": [1, 1, 2, 3]}, "bad_keys"),
        ({"keys": [1, 2]}, "bad_keys"), ({"within": ["a", None, "a", "a"]}, "missing_cluster"),
    ],
)  # fmt: skip
def test_bad_requests_are_refused(options: dict, code: str) -> None:
    with pytest.raises(EstimationError) as caught:
        match("ttcc", [1.0, 2.0, 3.0, 4.0], **options)
    assert caught.value.code == code


def test_bad_input_is_refused_without_values() -> None:
    with pytest.raises(EstimationError, match="does not vary"):
        match("ttcc", [7.25] * 4)
    with pytest.raises(EstimationError) as caught:
        match("ttcc", [1.0, 2.0, np.nan, 4.0])
    assert caught.value.code == "not_finite"
    with pytest.raises(EstimationError, match="2 levels"):
        match_cases(list("tcx"), [1, 2, 3], treated="t")
    sets = match("ttcc", [1.0, 2.0, 1.5, 2.5])
    with pytest.raises(EstimationError, match="1 matched cases have no finite outcome"):
        matched_difference([1, np.nan, 2, 3], sets)
    with pytest.raises(EstimationError, match="one value for each"):
        matched_difference([1, 2], sets)
    with pytest.raises(EstimationError, match="'conditional' errors are for"):
        matched_difference([1, 2, 3, 4], sets, errors="conditional", score=[1, 2, 3, 4])
    with pytest.raises(EstimationError, match="allowed"):
        matched_difference([1, 2, 3, 4], sets, errors="plain")


@pytest.mark.parametrize(
    "pairs", [[[0, 9]], [[-1, 2]], [[2, 0]], [[0, 1]], [[0, 2], [0, 2]], [[0, 2, 3]], [[0.5, 2.0]], []]
)
def test_bad_pairs_are_refused(pairs: list) -> None:
    with pytest.raises(EstimationError):
        sets_of_pairs(list("ttcc"), pairs, treated="t")


def test_unmatched_cases_need_no_outcome() -> None:
    sets = match("tccc", [1.0, 1.0, 5.0, 6.0], ratio=1)
    assert sets.unmatched_controls == (2, 3)
    two = match("ttccc", [1.0, 2.0, 1.0, 2.0, 9.0])
    assert matched_difference([3, 5, 1, 2, np.nan], two).value == 2.5


def test_optimal_search_has_a_size(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("outcomes.stats.causal.matching_search.LARGEST", 3)
    with pytest.raises(EstimationError, match="too many for an optimal search"):
        match("ttcc", [1.0, 2.0, 1.0, 2.0], search="optimal")


def test_logit_score_needs_two_levels() -> None:
    from outcomes.stats.causal.exposure_model import fit_exposure

    with pytest.raises(EstimationError, match="3 levels"):
        logit_score(fit_exposure(np.ones((6, 1)), list("aabbcc"), names=["intercept"]))


def test_tables_and_sentences() -> None:
    sets = match("ttcc", [1.0, 2.0, 1.5, 2.5])
    assert list(sets.tidy().columns) == ["set", "treated_row", "control_row", "distance"]
    assert str(sets).startswith("2 of 2 t cases matched to 2 of 2 c cases (greedy, highest score first)")
    assert len(matched_balance({"x": [1, 2, 3, 5]}, sets)[0].tidy()) == 2


def test_the_denominator_of_a_balance_is_named() -> None:
    labels, score, y, _ = random_cases(9)
    sets = match_cases(labels, score, treated="t")
    own = matched_balance({"y": y}, sets, divisor="treated")[0]
    both = matched_balance({"y": y}, sets)[0]
    assert own.before.denominator == own.after.denominator == "spread of the treated"
    assert both.before.denominator != "spread of the treated"
    assert own.before.pairs == (("t", "c", own.before.value),)


def test_a_caliper_of_one_standard_deviation_by_hand() -> None:
    # scores 0, 2, 4, 6 of variance 20/3; within groups {0, 4} and {2, 6} of variance 8 each
    sets = match("ttcc", [0.0, 4.0, 2.0, 6.0], caliper=1.0)
    assert sets.caliper == pytest.approx(np.sqrt(20 / 3), rel=1e-12)
    inside = match("ttcc", [0.0, 4.0, 2.0, 6.0], caliper=1.0, caliper_spread="within groups")
    assert inside.caliper == pytest.approx(np.sqrt(8.0), rel=1e-12)
    with pytest.raises(EstimationError, match="needs 2 cases in each"):
        match("tccc", [0.0, 4.0, 2.0, 6.0], caliper=1.0, caliper_spread="within groups")


def test_two_sets_are_the_fewest_with_an_interval() -> None:
    sets = match("ttcc", [1.0, 2.0, 1.0, 2.0])
    e = matched_difference([3.0, 6.0, 1.0, 2.0], sets, level=0.9)
    # differences 2 and 4: error 1, times the root of (4 - 1) / (4 - 2) for the rows; t on 1 df at 95 %: 6.3138
    assert (e.value, e.df) == (3.0, 1.0)
    assert e.std_error == pytest.approx(np.sqrt(1.5), rel=1e-12)
    assert e.conf_high - 3.0 == pytest.approx(6.313751514675043 * np.sqrt(1.5), rel=1e-9)
    assert e.p_value == pytest.approx(1 - 2 / np.pi * np.arctan(3 / np.sqrt(1.5)), rel=1e-9)
    assert e.contrast == "t minus c"
    assert e.n == 4


def test_ten_sets_are_not_called_few() -> None:
    score = np.arange(10.0)
    y = np.r_[score + np.arange(10) % 3, score]
    sets = match("t" * 10 + "c" * 10, [*score, *score])
    assert "unreliable" not in matched_difference(y, sets).method
    nine = match("t" * 9 + "c" * 9, [*score[:9], *score[:9]])
    assert "unreliable: 9 clusters" in matched_difference(np.r_[y[:9], y[10:19]], nine).method


def test_as_many_controls_as_neighbours_are_too_few() -> None:
    sets = match("ttccc", [1.0, 2.0, 1.0, 2.0, 3.0], replacement=True)
    y = [3.0, 6.0, 1.0, 2.5, 2.0]
    given = {"errors": "conditional", "score": [1.0, 2.0, 1.0, 2.0, 3.0]}
    with pytest.raises(EstimationError, match="3 controls for 3 neighbours") as caught:
        matched_difference(y, sets, n_neighbours=3, **given)
    assert caught.value.code == "too_few"
    e = matched_difference(y, sets, n_neighbours=2, **given)
    # gaps 2 and 3.5; each used once and alone, so that only the spread of the gaps counts
    assert e.std_error == pytest.approx(np.sqrt(2 * 0.75**2) / 2, rel=1e-12)
