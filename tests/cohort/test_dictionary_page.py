"""The page about the data dictionary says what the package does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from outcomes.cohort.concepts import components, concepts, times
from outcomes.cohort.dictionary import read_dictionary
from outcomes.cohort.questions import CELL_QUESTIONS, REMARKS, ROW_QUESTIONS

PAGE = (Path(__file__).parents[2] / "docs" / "data_dictionary.md").read_text(encoding="utf-8")


def test_its_example_is_a_dictionary() -> None:
    example = re.search(r"```toml\n(.*?)```", PAGE, re.S)
    assert example is not None
    declared = read_dictionary(tomllib.loads(example[1]))
    assert "component_wires" in declared.names


def test_it_lists_every_concept_time_component_and_code() -> None:
    for name, concept in concepts().items():
        assert re.search(rf"^\| `{name}` \|.*\| {re.escape(concept.meaning)} \|$", PAGE, re.M), name
    for code, words in (ROW_QUESTIONS | CELL_QUESTIONS | REMARKS).items():
        assert f"| `{code}` | {words} |" in PAGE, code
    for word in (*times(), *components()):
        assert word in PAGE
