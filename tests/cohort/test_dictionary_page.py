"""The page about the data dictionary says what the package does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from outcomes.cohort.concepts import components, concepts, hands, times
from outcomes.cohort.dictionary import read_dictionary
from outcomes.cohort.events import shipped_events
from outcomes.cohort.questions import CELL_QUESTIONS, LABEL_QUESTIONS, REMARKS, ROW_QUESTIONS
from outcomes.reference import load_reference

PAGE = (Path(__file__).parents[2] / "docs" / "data_dictionary.md").read_text(encoding="utf-8")


def examples() -> list[str]:
    return re.findall(r"```toml\n(.*?)```", PAGE, re.S)


def test_its_example_is_a_dictionary() -> None:
    declared = read_dictionary(tomllib.loads(examples()[0]))
    assert "component_wires" in declared.names


@pytest.mark.parametrize("example", examples()[1:])
def test_its_further_examples_are_parts_of_one(example: str) -> None:
    columns = {"No.": {"is": "patient_id"}} | tomllib.loads(example)["columns"]
    assert len(read_dictionary({"columns": columns}).columns) == len(columns)


def test_it_explains_every_allowed_word_with_a_sentence() -> None:
    for word, meaning in (hands() | load_reference("concepts")["times"]).items():
        assert f'| `"{word}"` | {meaning} |' in PAGE, word
    for name, concept in concepts().items():
        for word in (*concept.sign, *concept.references):
            assert re.search(rf'^\| `{name}` \| `"{word}"` \| .{{20,}} \|$', PAGE, re.M), (name, word)


def test_it_lists_every_kind_of_event() -> None:
    names = sorted({kind.name for kind in shipped_events().kinds.values()})
    assert f"Kinds of events: {'; '.join(names)}." in PAGE


def test_its_sections_say_how_to_declare_common_tables() -> None:
    for title in ("Grip by left and right", "One film column for everybody", "Events: words and dates"):
        assert f"\n## {title}\n" in PAGE


def test_it_lists_every_concept_time_component_and_code() -> None:
    for name, concept in concepts().items():
        assert re.search(rf"^\| `{name}` \|.*\| {re.escape(concept.meaning)} \|$", PAGE, re.M), name
    for code, words in (ROW_QUESTIONS | CELL_QUESTIONS | REMARKS | LABEL_QUESTIONS).items():
        assert f"| `{code}` | {words} |" in PAGE, code
    for word in (*times(), *components()):
        assert word in PAGE
