"""The answer on small samples where every number can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.answer import answer_question
from outcomes.analysis.evidence import gather_evidence
from outcomes.analysis.protocol import ReadingError
from outcomes.analysis.sample import StudySample
from outcomes.estimates import Margin

PLATE, PINS = "volar locking plate", "percutaneous pinning"


def with_margin(sample: StudySample, value: float, *, error: ReadingError | None = None) -> StudySample:
    plan = sample.study.outcomes[0]
    unit = sample.outcomes["result"].unit
    margin = Margin(value=value, unit=unit, source="declared by the authors: example")
    reduction = sample.study.reduction
    changed = replace(
        sample.study,
        outcomes=(replace(plan, margin=margin),),
        reduction=None if reduction is None else replace(reduction, reading_error=error),
    )
    return replace(sample, study=changed)


def cells(
    counts: dict[tuple[str, str], int], means: dict[tuple[str, str], float], spread: float, seed: int = 3
):
    """Rows of a strategy x reduction table with exact cell means."""
    rng = np.random.default_rng(seed)
    strategy, reduction, outcome = [], [], []
    for (name, label), n in counts.items():
        noise = rng.normal(0, spread, n)
        strategy += [name] * n
        reduction += [label] * n
        outcome += list(means[name, label] + noise - noise.mean())
    return strategy, reduction, outcome


COUNTS = {(PLATE, "met"): 60, (PLATE, "not met"): 40, (PINS, "met"): 30, (PINS, "not met"): 50}
MEANS = {(PLATE, "met"): 90.0, (PLATE, "not met"): 70.0, (PINS, "met"): 88.0, (PINS, "not met"): 74.0}


@pytest.fixture
def plain(make_sample):
    strategy, reduction, outcome = cells(COUNTS, MEANS, spread=8)
    return with_margin(make_sample(strategy, outcome=outcome, reduction=reduction), 5)


def test_estimands_are_differences_of_cell_means(plain):
    """Without covariates standardisation is arithmetic on the four cell means."""
    answer = answer_question(plain, "result")
    share_plate = 100 / 180
    assert answer.reduction.estimate.value == pytest.approx(
        20 * share_plate + 14 * (1 - share_plate), abs=1e-10
    )
    by_strategy = {effect.groups[0]: effect.estimate.value for effect in answer.reduction_by_strategy}
    assert by_strategy == pytest.approx({PLATE: 20.0, PINS: 14.0}, abs=1e-10)
    assert answer.pairs[0].groups == (PLATE, PINS)
    assert answer.pairs[0].estimate.value == pytest.approx(2.0, abs=1e-10)
    assert answer.pairs_not_met[0].estimate.value == pytest.approx(-4.0, abs=1e-10)
    assert answer.interaction[0].estimate.value == pytest.approx(6.0, abs=1e-10)
    total = (90 * 60 + 70 * 40) / 100 - (88 * 30 + 74 * 50) / 80
    assert answer.total_pairs[0].estimate.value == pytest.approx(total, abs=1e-10)
    assert answer.n_used == 180


def test_e3_is_blind_to_reduction(plain):
    """Shuffling the labels must not move E3: nothing after the strategy enters its model."""
    before = answer_question(plain, "result").total_pairs[0].estimate
    frame = plain.frame.copy()
    frame["reduction"] = np.random.default_rng(1).permutation(frame["reduction"])
    after = answer_question(replace(plain, frame=frame), "result").total_pairs[0].estimate
    assert after == before


def test_e3_uses_cases_without_a_label(plain):
    frame = plain.frame.copy()
    frame.loc[:9, "reduction"] = "indeterminate"
    answer = answer_question(replace(plain, frame=frame), "result")
    assert answer.n_indeterminate == 10
    assert answer.n_used == 170
    evidence = gather_evidence(plain, plain.study.outcomes[0])
    assert evidence.total_usable.sum() == 180


def test_both_axes_in_words(plain):
    answer = answer_question(plain, "result")
    assert answer.reduction_state == "counts"
    assert answer.overall == "these data cannot tell (reduction counts)"
    assert PLATE in answer.headline
    assert not answer.reversed


def test_reversed_effect_is_said(make_sample):
    strategy, reduction, outcome = cells(COUNTS, {key: -value for key, value in MEANS.items()}, spread=8)
    answer = answer_question(
        with_margin(make_sample(strategy, outcome=outcome, reduction=reduction), 5), "result"
    )
    assert answer.reversed
    assert answer.reduction.direction == "worse"
    assert any(reason.startswith("reversed") for reason in answer.reasons)
    assert "against expectation" in answer.headline


def test_effect_that_differs_by_strategy_is_no_single_headline(make_sample):
    means = {**MEANS, (PINS, "met"): 74.0}
    strategy, reduction, outcome = cells({key: 4 * n for key, n in COUNTS.items()}, means, spread=6)
    answer = answer_question(
        with_margin(make_sample(strategy, outcome=outcome, reduction=reduction), 5), "result"
    )
    assert answer.interaction[0].state == "material"
    assert "depends on the strategy" in answer.headline


def test_no_margin_no_answer(make_sample):
    strategy, reduction, outcome = cells(COUNTS, MEANS, spread=8)
    answer = answer_question(make_sample(strategy, outcome=outcome, reduction=reduction), "result")
    assert answer.overall == "no answer: margin not declared"
    assert answer.reduction.estimate.conf_low is not None


def test_reduction_not_asked(make_sample):
    strategy, _, outcome = cells(COUNTS, MEANS, spread=8)
    answer = answer_question(with_margin(make_sample(strategy, outcome=outcome), 5), "result")
    assert answer.reduction_state == "not asked"
    assert answer.reduction is None
    assert answer.pairs == ()
    assert len(answer.total_pairs) == 1
    assert "reduction not asked" in answer.overall


def test_does_not_count_must_survive_declared_misreading(make_sample):
    means = {key: 80.0 for key in MEANS}
    strategy, reduction, outcome = cells({key: 6 * n for key, n in COUNTS.items()}, means, spread=12)
    sample = make_sample(strategy, outcome=outcome, reduction=reduction)
    certain = answer_question(with_margin(sample, 5), "result")
    assert certain.reduction_state == "does not count"
    doubtful = answer_question(
        with_margin(sample, 5, error=ReadingError(retained=0.2, source="example")), "result"
    )
    assert doubtful.reduction_state == "undetermined"
    assert doubtful.strategy_state == certain.strategy_state


def test_rare_strategies_are_named_and_still_count_in_e1(make_sample):
    counts = {**COUNTS, ("intramedullary nail", "met"): 6, ("intramedullary nail", "not met"): 4}
    means = {**MEANS, ("intramedullary nail", "met"): 86.0, ("intramedullary nail", "not met"): 76.0}
    strategy, reduction, outcome = cells(counts, means, spread=8)
    answer = answer_question(
        with_margin(make_sample(strategy, outcome=outcome, reduction=reduction), 5), "result"
    )
    assert answer.not_judged == ("intramedullary nail",)
    assert "intramedullary nail" in answer.headline
    expected = (20 * 100 + 14 * 80 + 10 * 10) / 190
    assert answer.reduction.estimate.value == pytest.approx(expected, abs=1e-10)


def test_judged_strategies_must_cover_the_cases(make_sample):
    counts = {**COUNTS, ("other", "met"): 19, ("other", "not met"): 60}
    means = {**MEANS, ("other", "met"): 86.0, ("other", "not met"): 76.0}
    strategy, reduction, outcome = cells(counts, means, spread=8)
    answer = answer_question(
        with_margin(make_sample(strategy, outcome=outcome, reduction=reduction), 5), "result"
    )
    assert answer.strategy_state == "undetermined"
    gate = next(gate for gate in answer.gates if "held by judged" in gate.name)
    assert gate.found == pytest.approx(180 / 259)
    assert "needs 0.8" in str(gate)


def test_gated_strategy_axis_leaves_the_reduction_axis(make_sample):
    """Patterns in which each strategy has its own fractures: not comparable, said with number and remedy."""
    strategy, reduction, outcome = cells(COUNTS, MEANS, spread=8)
    pattern = ["bending" if name == PLATE else "volar rim shear" for name in strategy]
    sample = make_sample(
        strategy, outcome=outcome, reduction=reduction, pattern="pattern", columns={"pattern": pattern}
    )
    answer = answer_question(with_margin(sample, 5), "result")
    assert answer.strategy_state == "undetermined"
    assert answer.reduction_state == "counts"
    assert answer.overall == "these data cannot tell (reduction counts)"
    assert {row.pattern for row in answer.outside} == {"bending", "volar rim shear"}
    assert all(gate.remedy for gate in answer.gates)


@pytest.mark.parametrize(("column", "limit"), [("reduction", 0.2), ("outcome", 0.4)])
def test_missing_labels_or_outcomes_close_both_axes(plain, column, limit):
    frame = plain.frame.copy()
    n = int(np.floor(limit * len(frame))) + 2
    rows = np.random.default_rng(0).permutation(len(frame))[:n]
    outcomes = dict(plain.outcomes)
    if column == "reduction":
        frame.loc[rows, "reduction"] = "indeterminate"
    else:
        values = outcomes["result"].values.copy()
        values[rows] = np.nan
        outcomes["result"] = replace(outcomes["result"], values=values, total_values=values)
    answer = answer_question(replace(plain, frame=frame, outcomes=outcomes), "result")
    assert answer.overall == "these data cannot tell"
    assert any(gate.axis == "both" for gate in answer.gates)
    assert answer.reduction is not None


def test_simultaneous_intervals_are_wider_and_shared(make_sample):
    counts = {**COUNTS, ("external fixation", "met"): 40, ("external fixation", "not met"): 40}
    means = {**MEANS, ("external fixation", "met"): 89.0, ("external fixation", "not met"): 72.0}
    strategy, reduction, outcome = cells(counts, means, spread=8)
    answer = answer_question(
        with_margin(make_sample(strategy, outcome=outcome, reduction=reduction), 5), "result"
    )
    ratios = {
        round((e.estimate.conf_high - e.estimate.conf_low) / (e.ordinary.conf_high - e.ordinary.conf_low), 2)
        for e in answer.pairs
    }
    assert len(answer.pairs) == 3
    assert len(ratios) == 1
    assert ratios.pop() > 1.96 / 1.645
    assert all("simultaneous" in e.estimate.method for e in answer.pairs)


def test_two_wrists_of_a_patient_are_one_cluster(make_sample):
    """Doubling every row under the same patient must not narrow the interval."""
    strategy, reduction, outcome = cells(COUNTS, MEANS, spread=8)
    patients = [f"p{i}" for i in range(len(strategy))]
    once = answer_question(
        with_margin(make_sample(strategy, outcome=outcome, reduction=reduction, patient=patients), 5),
        "result",
    )
    twice = answer_question(
        with_margin(
            make_sample(strategy * 2, outcome=outcome * 2, reduction=reduction * 2, patient=patients * 2), 5
        ),
        "result",
    )
    width = [a.reduction.estimate.conf_high - a.reduction.estimate.conf_low for a in (once, twice)]
    assert width[1] == pytest.approx(width[0], rel=0.02)


def test_row_order_does_not_matter(plain):
    order = np.random.default_rng(5).permutation(len(plain.frame))
    measured = plain.outcomes["result"]
    shuffled = replace(
        plain,
        frame=plain.frame.iloc[order].reset_index(drop=True),
        outcomes={
            "result": replace(
                measured, values=measured.values[order], total_values=measured.total_values[order]
            )
        },
    )
    first, second = answer_question(plain, "result"), answer_question(shuffled, "result")
    assert first.overall == second.overall
    assert second.reduction.estimate.value == pytest.approx(first.reduction.estimate.value, rel=1e-12)
    assert second.reduction.estimate.conf_low == pytest.approx(first.reduction.estimate.conf_low, rel=1e-9)


RISKS = {
    (PLATE, "met"): (24, 120),
    (PLATE, "not met"): (40, 100),
    (PINS, "met"): (30, 100),
    (PINS, "not met"): (45, 90),
}


class TestBinary:
    """Risk differences in percentage points."""

    def sample(self, make_sample, counts):
        strategy, reduction, outcome = [], [], []
        for (name, label), (events, n) in counts.items():
            strategy += [name] * n
            reduction += [label] * n
            outcome += [1.0] * events + [0.0] * (n - events)
        return with_margin(make_sample(strategy, outcome=outcome, reduction=reduction, kind="binary"), 10)

    def test_saturated_model_gives_raw_risk_differences(self, make_sample):
        answer = answer_question(self.sample(make_sample, RISKS), "result")
        risk = {key: 100 * events / n for key, (events, n) in RISKS.items()}
        share = 220 / 410
        expected = share * (risk[PLATE, "met"] - risk[PLATE, "not met"]) + (1 - share) * (
            risk[PINS, "met"] - risk[PINS, "not met"]
        )
        assert answer.model.startswith("Logistic")
        assert answer.reduction.estimate.value == pytest.approx(expected, abs=1e-8)
        assert answer.pairs[0].estimate.value == pytest.approx(
            risk[PLATE, "met"] - risk[PINS, "met"], abs=1e-8
        )
        assert answer.reduction.direction == "better"  # fewer events, lower is better

    def test_delta_method_error_of_one_cell_pair(self, make_sample):
        """E2 at met in a saturated model: the error is that of two independent proportions (HC2: n - 1)."""
        answer = answer_question(self.sample(make_sample, RISKS), "result")
        p1, n1, p2, n2 = 24 / 120, 120, 30 / 100, 100
        expected = 100 * np.sqrt(p1 * (1 - p1) / (n1 - 1) + p2 * (1 - p2) / (n2 - 1))
        assert answer.pairs[0].estimate.std_error == pytest.approx(expected, rel=1e-6)

    def test_rare_events_fall_back_to_a_penalised_fit(self, make_sample):
        counts = {**RISKS, (PLATE, "met"): (0, 120)}
        answer = answer_question(self.sample(make_sample, counts), "result")
        assert answer.model.startswith("Penalised logistic")
        assert answer.interaction == ()
        assert any("common effect" in reason for reason in answer.reasons)
        assert answer.reduction.estimate.conf_low is not None
        assert "bootstrap" in answer.reduction.estimate.method

    def test_no_events_at_all_is_undetermined_with_a_reason(self, make_sample):
        counts = {key: (0, n) for key, (_, n) in RISKS.items()}
        answer = answer_question(self.sample(make_sample, counts), "result")
        assert answer.overall == "these data cannot tell"
        assert any("not fitted" in reason for reason in answer.reasons)


def test_covariates_are_adjusted_for(make_sample):
    """A confounder that makes up the whole crude difference is taken out."""
    rng = np.random.default_rng(11)
    n = 600
    severity = rng.normal(0, 1, n)
    strategy = np.where(rng.random(n) < 1 / (1 + np.exp(-1.2 * severity)), PLATE, PINS)
    met = rng.random(n) < 0.6
    outcome = 80 - 8 * severity + rng.normal(0, 3, n)
    sample = with_margin(
        make_sample(
            list(strategy), outcome=list(outcome), reduction=list(np.where(met, "met", "not met")),
            covariates=("severity",), columns={"severity": pd.array(severity)},
        ),
        3,
    )  # fmt: skip
    crude = outcome[strategy == PLATE].mean() - outcome[strategy == PINS].mean()
    answer = answer_question(sample, "result")
    assert abs(crude) > 5
    assert abs(answer.total_pairs[0].estimate.value) < 1
    assert answer.strategy_state == "does not count"


def test_answer_is_repeated_over_margins(plain):
    """Larger margins can only turn effects that count into effects that do not."""
    answer = answer_question(plain, "result")
    at = {row.margin.value / 5: row.overall for row in answer.by_margin if "times" in row.margin.source}
    assert set(at) == {0.5, 0.75, 1.0, 1.25, 1.5, 2.0}
    assert at[1.0] == answer.overall
    huge = answer_question(with_margin(plain, 40), "result")
    assert huge.overall == "neither reaches the margin"


def test_surgeons_with_one_strategy_are_counted(make_sample):
    strategy, reduction, outcome = cells(COUNTS, MEANS, spread=8)
    surgeons = ["S1" if name == PLATE else "S2" for name in strategy]
    surgeons[0] = "S2"
    sample = make_sample(strategy, outcome=outcome, reduction=reduction, columns={"surgeon": surgeons})
    answer = answer_question(with_margin(sample, 5), "result")
    assert any(reason.startswith("1 of 2 surgeons") for reason in answer.reasons)


def test_raw_risks_without_covariates_have_newcombe_limits(make_sample):
    """9/43 v 7/42 complications (10.1186/s10195-022-00673-4): 4.3 points, Newcombe -12.6 to 20.8 (recomputed)."""
    sample = make_sample(
        ["operated"] * 43 + ["not operated"] * 42,
        outcome=[1.0] * 9 + [0.0] * 34 + [1.0] * 7 + [0.0] * 35,
        kind="binary",
    )
    answer = answer_question(with_margin(sample, 10), "result")
    estimate = answer.total_pairs[0].estimate
    assert estimate.value == pytest.approx(100 * (9 / 43 - 7 / 42), abs=1e-10)
    assert (estimate.conf_low, estimate.conf_high) == pytest.approx((-12.6, 20.8), abs=0.05)
    assert answer.model.startswith("Raw risks")
    assert answer.overall == "these data cannot tell; reduction not asked"


def test_a_pattern_outside_the_comparison_is_not_modelled_for_that_pair(make_sample):
    """Plates alone treat rim shear: those cases must not move plate minus pins, but stay in for other pairs."""
    third = "external fixation"
    counts = {**COUNTS, (third, "met"): 40, (third, "not met"): 40}
    means = {**MEANS, (third, "met"): 89.0, (third, "not met"): 72.0}
    strategy, reduction, outcome = cells(counts, means, spread=8)
    pattern = ["bending"] * len(strategy)
    extra = 30
    strategy += [PLATE] * extra + [third] * extra
    reduction += ["met", "not met"] * extra
    outcome += [200.0 + i % 7 for i in range(extra)] + [205.0 + i % 5 for i in range(extra)]
    pattern += ["volar rim shear"] * (2 * extra)
    sample = make_sample(
        strategy, outcome=outcome, reduction=reduction, pattern="pattern", covariates=("pattern",),
        columns={"pattern": pattern},
    )  # fmt: skip
    answer = answer_question(with_margin(sample, 5), "result")
    pairs = {effect.groups: effect.estimate for effect in answer.pairs}
    # within bending the cell means give 90 - 88 exactly; the fit without the rim-shear plates keeps the shear fixators
    assert pairs[PLATE, PINS].value == pytest.approx(2.0, abs=1e-9)
    assert pairs[PLATE, PINS].n == 180
    assert {frozenset(row.groups) for row in answer.outside} == {
        frozenset((PLATE, PINS)),
        frozenset((third, PINS)),
    }
    assert all("simultaneous" in estimate.method for estimate in pairs.values())


def test_an_open_axis_says_what_it_would_need(make_sample):
    """Half-widths shrink with the root of n: the named number of cases must settle the effect."""
    counts = {key: n // 2 for key, n in COUNTS.items()} | {(PINS, "met"): 20}
    strategy, reduction, outcome = cells(counts, {key: 80.0 for key in MEANS}, spread=15)
    answer = answer_question(
        with_margin(make_sample(strategy, outcome=outcome, reduction=reduction), 5), "result"
    )
    assert answer.strategy_state == "undetermined"
    need = next(each for each in answer.unsettled if each.contrast == answer.pairs[0].estimate.contrast)
    assert need.settles_as == "inside the margin"
    ordinary = answer.pairs[0].ordinary
    half = (ordinary.conf_high - ordinary.conf_low) / 2
    assert half * np.sqrt(need.n / need.n_needed) < 5 - abs(ordinary.value)
    assert half * np.sqrt(need.n / (need.n_needed - 2)) > 5 - abs(ordinary.value)


@pytest.mark.parametrize(
    ("judged", "words"), [((PLATE,), f"only {PLATE} has enough cases"), (("nail",), "none has")]
)
def test_one_or_no_strategy_to_judge_reads_as_a_sentence(make_sample, judged, words):
    strategy, reduction, outcome = cells(COUNTS, MEANS, spread=8)
    sample = make_sample(strategy, outcome=outcome, reduction=reduction, judged=judged)
    answer = answer_question(with_margin(sample, 5), "result")
    assert f"strategies cannot be compared: {words}" in answer.headline
    assert answer.strategy_state == "undetermined"


def test_answer_as_table_and_for_a_notebook(plain):
    answer = answer_question(plain, "result")
    table = answer.tidy()
    assert table["estimand"].tolist() == ["E1", "E1", "E1", "E2", "E2", "E3", "E4"]
    assert set(table.columns) >= {
        "outcome",
        "group",
        "contrast",
        "estimate",
        "std_error",
        "conf_low",
        "conf_high",
        "n",
    }
    assert table.loc[0, "estimate"] == answer.reduction.estimate.value
    assert "<strong>" in answer._repr_html_()
