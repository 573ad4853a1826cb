"""The glossary explains what the first page of a report may say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from outcomes.analysis import states
from outcomes.cohort.rules import read_rules
from outcomes.reporting.build import ABBREVIATIONS

GLOSSARY = " ".join(
    (Path(__file__).parents[1] / "docs/glossary.md").read_text(encoding="utf-8").lower().split()
)

WORDS = [
    "bounds", "case", "confounding by indication", "counts", "covariate", "criteria", "eligible", "gate", "incomplete record",
    "indeterminate", "interaction", "interval", "label", "margin", "not estimable", "not judged", "pattern",
    "percentage points", "plan", "reversed", "set aside", "standardised", "strategy", "strongest objection", "undetermined",
]  # fmt: skip


@pytest.mark.parametrize("word", WORDS)
def test_word_is_explained(word: str) -> None:
    assert word in GLOSSARY


def test_every_answer_is_explained() -> None:
    phrases = {re.sub(r" \(.*\)", "", phrase) for phrase in states.ANSWERS.values()}
    assert len(phrases) == 5
    assert {phrase for phrase in phrases if phrase not in GLOSSARY} == set()


def test_every_strategy_is_explained() -> None:
    names = {name.partition(",")[0] for name in read_rules().strategies}
    simple = {re.sub(r"^(non-)?bridging ", "", name) for name in names}
    assert {name for name in simple if name not in GLOSSARY} == set()


def test_words_of_the_report_are_in_the_glossary() -> None:
    terms = {term.lower() for term, _ in ABBREVIATIONS}
    technical = {"sd", "cr2", "n"}  # in the report's own list; page one does not use them
    short = {re.sub(r"^\d+ % | met, .*", "", term) for term in terms - technical}
    assert {term for term in short if f"**{term}" not in GLOSSARY and f"[{term}]" not in GLOSSARY} == set()
