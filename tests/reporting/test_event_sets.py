"""Under every number of complications stands which events it counts; totals that count others are named so."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outcomes.analysis.answer import answer_question
from outcomes.analysis.assembly import assemble
from outcomes.analysis.measurement import EVENTS
from outcomes.analysis.run import Analysis
from outcomes.reporting.answer_tables import estimand_table, outside_table
from outcomes.reporting.comparison_tables import comparison_tables, event_notes
from outcomes.reporting.formatting import events_of, sentence
from outcomes.reporting.report import Report
from outcomes.reporting.tables import Table


@pytest.fixture
def of_events(report: Report) -> list[Table]:
    """Return every table of the report with numbers of complications."""
    kinds = ("answer", "groups", "differences", "pooled")
    return [table for table in report.tables() if table.key in {f"{kind}_complication" for kind in kinds}]


def test_every_table_of_complications_says_which_events_it_counts(
    analysis: Analysis, of_events: list[Table]
) -> None:
    notes = {sentence(note) for note in analysis.sample.outcomes["complication"].notes}
    assert any(note.startswith("Events: ") for note in notes)
    assert any(note.startswith("Strategies in total (E3): Events: ") for note in notes)
    assert len(of_events) == 4
    for table in of_events:
        assert notes <= set(table.notes)


def test_lines_that_count_every_event_are_named(analysis: Analysis, of_events: list[Table]) -> None:
    groups, differences, pooled = (
        next(table for table in of_events if table.key == f"{kind}_complication")
        for kind in ("groups", "differences", "pooled")
    )
    for table in (groups, differences, pooled):
        assert any("count every event" in note for note in table.notes)
    lines = [row.cells for row in groups.rows if row.kind == "data"]
    totals = [cells for cells in lines if cells[0] == "all, every event"]
    assert totals
    assert all(cells[0] != "all" for cells in lines)
    rows = analysis.sample.frame["eligible"].to_numpy()
    every = analysis.sample.outcomes["complication"].total_values[rows]
    every = every[every == every]
    assert totals[-1][1] == events_of(every.sum(), len(every))
    frame = groups.frame
    assert set(frame.loc[frame["stratum"] == "all", "events_counted"]) == {"every event (set of E3)"}
    assert set(frame.loc[frame["stratum"] != "all", "events_counted"]) == {"set beside the reduction"}
    headings = [row.cells[0] for row in differences.rows if row.kind == "group"]
    assert "Strategies in total, every event" in headings


def test_other_outcomes_and_studies_without_reduction_have_one_set(analysis: Analysis) -> None:
    for comparison in analysis.comparisons:
        measured = analysis.sample.outcomes[comparison.key]
        one_set = replace(comparison, asked=False) if comparison.key in EVENTS else comparison
        for table in comparison_tables(one_set, measured):
            shown = str(table)
            assert "every event" not in shown
            assert "events_counted" not in table.frame
    assert event_notes(analysis.sample.outcomes["grip_share_12_months"]) == ()


def test_n_is_the_cases_used(analysis: Analysis) -> None:
    answer = analysis.answers[0]
    table = estimand_table(answer)
    assert table.header[-1] == "Cases used, n"
    assert answer.reduction is not None
    first = next(row for row in table.rows if row.kind == "data")
    assert first.cells[-1] == str(answer.reduction.estimate.n)
    assert answer.reduction.estimate.n <= answer.n_used
    assert (table.frame["n"] + table.frame["n_missing"] <= answer.n_eligible).all()
    assert any("n is the number of cases that the model used" in note for note in table.notes)


def test_patterns_outside_are_not_modelled_for_their_pair(analysis: Analysis) -> None:
    plan = analysis.sample.study
    study = replace(
        plan,
        eligibility=tuple(rule for rule in plan.eligibility if rule.column != "pattern"),
        outcomes=(plan.primary,),
    )
    sample = assemble(analysis.cohort, study)
    answer = answer_question(sample, plan.primary.key)
    assert answer.outside
    for effect in (*answer.pairs, *answer.total_pairs):
        away = sum(place.n_cases for place in answer.outside if place.groups == effect.groups)
        users = int(sample.eligible["strategy"].isin(effect.groups).sum())
        assert effect.estimate.n + effect.estimate.n_missing == users - away
    assert "not modelled" in outside_table(answer).notes[0]
