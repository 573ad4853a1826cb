"""Losses beyond the limits of this project stand in the banner and make the exit code 2; closed gates do not."""

from __future__ import annotations

import json
from dataclasses import replace

import pandas as pd
import pytest
from invented import closed_answer, grip_answer
from test_front_page import crowded, study

from outcomes.analysis.run import Analysis
from outcomes.analysis.sample import STRATEGY_UNCLEAR
from outcomes.reporting.build import build_report
from outcomes.reporting.front_page import MOST_WORDS, front_page
from outcomes.reporting.html import render_html
from outcomes.reporting.read_first import LEAST_USED, MOST_SET_ASIDE, MOST_UNCLEAR, losses, read_first
from outcomes.reporting.run_folder import write_run


def set_aside(analysis: Analysis, n: int) -> Analysis:
    rows = pd.DataFrame({"source_row": range(n), "code": "blank_id", "source_sheet": ""})
    return replace(analysis, cohort=replace(analysis.cohort, quarantine=rows))


def unclear(analysis: Analysis, n: int) -> Analysis:
    frame = analysis.sample.frame.copy()
    frame["excluded_because"] = [STRATEGY_UNCLEAR] * n + [""] * (len(frame) - n)
    return replace(analysis, sample=replace(analysis.sample, frame=frame))


def used(analysis: Analysis, n: int) -> Analysis:
    first, *others = analysis.answers
    return replace(analysis, answers=(replace(first, n_used=n), *others))


def said(analysis: Analysis) -> tuple[str, ...]:
    return read_first(analysis.cohort, analysis.sample, analysis.answers)


def test_the_demonstration_needs_no_banner(analysis: Analysis) -> None:
    assert said(analysis) == ()


def test_rows_set_aside(analysis: Analysis) -> None:
    n = len(analysis.cohort)
    most = int(n * MOST_SET_ASIDE / (1 - MOST_SET_ASIDE))
    assert said(set_aside(analysis, most)) == ()
    (text,) = said(set_aside(analysis, most + 1))
    assert f"{most + 1} of {n + most + 1} rows of cases were set aside" in text
    assert "this project's limit is 10\u00a0%" in text


def test_strategies_that_are_not_clear(analysis: Analysis) -> None:
    n = len(analysis.sample.frame)
    most = int(n * MOST_UNCLEAR)
    assert said(unclear(analysis, most)) == ()
    (text,) = said(unclear(analysis, most + 1))
    assert f"{most + 1} of {n} cases were left out because their strategy is unclear" in text


def test_cases_used(analysis: Analysis) -> None:
    n = analysis.answers[0].n_eligible
    least = -int(-n * LEAST_USED // 1)
    assert said(used(analysis, least)) == ()
    (text,) = said(used(analysis, least - 1))
    assert text.startswith(f"only {least - 1} of {n} eligible cases are used for grip")


def test_a_secondary_outcome_with_few_cases_is_no_banner(analysis: Analysis) -> None:
    first, *others = analysis.answers
    changed = replace(analysis, answers=(first, *(replace(each, n_used=1) for each in others)))
    assert said(changed) == ()


def test_a_check_tells_what_it_knows(analysis: Analysis) -> None:
    assert len(losses(set_aside(analysis, 500).cohort)) == 1
    assert len(losses(set_aside(analysis, 500).cohort, unclear(analysis, 300).sample)) == 2


def test_a_closed_gate_or_an_open_answer_alone_is_no_banner(analysis: Analysis) -> None:
    closed = replace(closed_answer(), role="primary")
    assert read_first(analysis.cohort, analysis.sample, [closed]) == ()
    turned = replace(grip_answer(), reversed=True)
    assert "unexpected way" in read_first(analysis.cohort, analysis.sample, [turned])[0]


def test_it_stands_on_page_one_in_the_status_and_in_the_exit_code(analysis: Analysis, tmp_path) -> None:
    poor = set_aside(used(analysis, 10), 300)
    page = render_html(build_report(poor))
    front = page[: page.index('<main id="details">')]
    assert front.index("<b>Read first.</b> 300 of") < front.index("<h1>")
    run = write_run(poor, tmp_path / "run")
    assert run.exit_code == 2
    status = json.loads((run.folder / "status.json").read_text(encoding="utf-8"))
    assert status["exit_code"] == 2
    assert len(status["read_first"]) == 2
    assert run.page_words <= MOST_WORDS


@pytest.mark.parametrize("answer", [grip_answer(), closed_answer(), crowded()])
def test_page_one_still_fits(analysis: Analysis, answer) -> None:
    poor = unclear(set_aside(analysis, 300), 300)
    every = read_first(poor.cohort, poor.sample, [replace(answer, role="primary", n_used=1, reversed=True)])
    assert len(every) == 4
    page = front_page(study(), answer, n_cases=600, figure=None, first=every)
    assert page.n_words <= MOST_WORDS
    assert all(text[1:] in page.text for text in every)
