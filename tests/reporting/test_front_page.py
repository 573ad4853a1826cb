"""Page one: 250 words, one figure, no word that the glossary lacks, nothing left unsaid."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace

import pandas as pd
import pytest
from invented import CAST, FIXATOR, PINS, PLATE, closed_answer, effect, grip_answer

from outcomes.analysis.protocol import OutcomePlan, StrategyPlan, Study
from outcomes.analysis.unsettled import Unsettled
from outcomes.reporting.build import FRONT_CAPTION
from outcomes.reporting.canvas import Picture
from outcomes.reporting.front_page import BANNER, CAUTION, MOST_WORDS, NO_RECORD, front_page
from outcomes.reporting.report import Report

MANY = tuple(
    f"{name}, variant {k}, of the longer kind" for name in (CAST, PINS, FIXATOR, PLATE) for k in range(3)
)


def study(**changes: object) -> Study:
    plan = Study(
        title="Invented study",
        declared=dt.date(2026, 1, 15),
        strategy=StrategyPlan(judged=(CAST, PLATE)),
        outcomes=(OutcomePlan(name="grip_share", visit="12 months", better="higher", role="primary"),),
    )
    return replace(plan, **changes)  # type: ignore[arg-type]


def crowded() -> object:
    """Return the worst case: twelve strategies with long names and a headline that lists every pair."""
    pairs = [(a, b) for i, a in enumerate(MANY) for b in MANY[i + 1 :]]
    told = "; ".join(f"{a} and {b} within the margin (absent)" for a, b in pairs)
    return replace(
        grip_answer(),
        headline=f"Met did better; these data cannot tell (settled: {told}). Not judged: {', '.join(MANY)}.",
        pairs=tuple(effect("E2", pair, 1.0, 4.0, at="met", state="absent") for pair in pairs),
        judged=MANY,
        not_judged=MANY,
        population="eligible cases " * 20,
        gates=(replace(closed_answer().gates[0], remedy="group strategies, " * 15),),
    )


@pytest.mark.parametrize(
    "answer", [grip_answer(), closed_answer(), crowded()], ids=["plain", "gated", "crowded"]
)
def test_page_one_has_at_most_250_words(answer) -> None:
    nothing = pd.DataFrame()
    figure = Picture(key="f", caption=FRONT_CAPTION, alt="", svg=b"", png=b"", pdf=b"", data=nothing)
    page = front_page(study(), answer, n_cases=600, n_set_aside=3, figure=figure)
    assert page.n_words <= MOST_WORDS
    assert page.answer.lower() == answer.overall


def test_the_demonstration_fits_with_its_figure(report: Report) -> None:
    assert report.front.figure is not None
    assert report.front.n_words <= MOST_WORDS


def test_nothing_is_left_unsaid(report: Report) -> None:
    labels = [label for label, _ in report.front.facts]
    assert labels == ["By how much", "For whom", "Strongest objection", "Left out", "Ethics and plan"]
    assert all(text for _, text in report.front.facts)
    assert report.front.banner == BANNER
    assert report.front.caution == CAUTION
    assert NO_RECORD in report.front.text
    assert "margin" in report.front.text


def test_a_missing_ethics_statement_is_said() -> None:
    without = front_page(study(), grip_answer(), n_cases=600, figure=None).text
    given = front_page(study(manuscript={"ethics": "approved"}), grip_answer(), n_cases=600, figure=None).text
    assert "No ethics statement was given" in without
    assert "An ethics statement was given." in given


def test_strategies_too_rare_are_named() -> None:
    answer = replace(grip_answer(), headline="Met did better. Not judged: spanning plate.")
    assert "Not judged: spanning plate" in front_page(study(), answer, n_cases=600, figure=None).sentence


def test_a_gate_is_the_strongest_objection() -> None:
    facts = dict(front_page(study(), closed_answer(), n_cases=600, figure=None).facts)
    assert "14.2, needs 20: group plates together" in facts["Strongest objection"]


def unsettled(contrast: str, n: int, n_needed: int) -> Unsettled:
    return Unsettled(
        contrast=contrast, half_width=10, needed=8, n=n, n_needed=n_needed, settles_as="inside the margin"
    )


def test_too_few_cases_are_said_of_the_contrast_that_needs_most() -> None:
    open_ = (unsettled("pins minus plate", 200, 210), unsettled("cast minus plate", 100, 157))
    answer = replace(grip_answer(), unsettled=open_)
    facts = dict(front_page(study(), answer, n_cases=600, figure=None).facts)
    assert facts["Strongest objection"] == (
        "Too few cases to settle cast minus plate: about 157 such cases instead of 100 would, if the estimate stays; 1 "
        "other contrast is open too."
    )
    alone = replace(grip_answer(), unsettled=open_[1:])
    facts = dict(front_page(study(), alone, n_cases=600, figure=None).facts)
    assert facts["Strongest objection"].endswith("would, if the estimate stays.")


def test_a_long_list_of_open_contrasts_fits() -> None:
    nothing = pd.DataFrame()
    figure = Picture(key="f", caption=FRONT_CAPTION, alt="", svg=b"", png=b"", pdf=b"", data=nothing)
    many = tuple(unsettled(f"{a} minus {b}", 40, 12_345) for a in MANY for b in MANY if a < b)
    page = front_page(
        study(), replace(crowded(), gates=(), unsettled=many), n_cases=600, n_set_aside=3, figure=figure
    )
    assert page.n_words <= MOST_WORDS
    assert "about 12,345 such cases instead of 40" in page.text


def test_reversed_is_said() -> None:
    facts = dict(front_page(study(), replace(grip_answer(), reversed=True), n_cases=600, figure=None).facts)
    assert "nobody expected" in facts["Strongest objection"]


def test_no_margin_no_answer() -> None:
    answer = replace(grip_answer(), margin=None)
    facts = dict(front_page(study(), answer, n_cases=600, figure=None).facts)
    assert "no margin was declared" in facts["By how much"]


def test_no_symbols_of_the_methods_on_page_one(report: Report) -> None:
    technical = (
        r"\b(E[1-6]|CR2|SD|CI|OR|RR|p ?[<=]|alpha|Welch|Holm|sandwich|regression|degrees of freedom|TOST)\b"
    )
    assert re.findall(technical, report.front.text) == []
