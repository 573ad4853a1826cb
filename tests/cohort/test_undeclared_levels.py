"""A column without declared spellings is one question about the dictionary, not one about every cell."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from intake_tables import dictionary

from outcomes.cohort.table import Cohort, read_cohort

N = 30


def cohort(words: list[str | None], entry: dict[str, Any]) -> Cohort:
    frame = pd.DataFrame(
        {"No.": [str(100 + i) for i in range(len(words))], "Word": words, "Grip": ["20"] * len(words)}
    )
    declared = dictionary(Side=None, Sex=None, Injured=None, Treated=None, Tilt=None, Word=entry)
    return read_cohort(frame, declared)


@pytest.mark.parametrize(
    ("entry", "remedy"),
    [
        ({"is": "sex"}, "declare levels = { female = [...], male = [...] }."),
        ({"is": "diabetes"}, "declare yes = [...] and no = [...]."),
        ({"is": "diabetes", "blank": "no"}, "declare yes = [...] and no = [...]."),
        ({"is": "pattern"}, 'bending = [...], "metaphyseal comminution" = [...]'),
    ],
)
def test_one_problem_a_column_with_count_and_remedy(entry: dict[str, Any], remedy: str) -> None:
    words = ["Quill", "Feather", "Quill"] * (N // 3)
    read = cohort([*words, None], entry)
    asked = [problem for problem in read.problems if problem.column == "Word" and problem.severity == "ask"]
    assert [(problem.code, problem.row, problem.action) for problem in asked] == [
        ("levels_not_declared", None, "set missing")
    ]
    assert f"{N} of {N} cells: declare" in asked[0].asked
    assert remedy in asked[0].asked
    assert not [word for word in words if word in str(read.problems)]
    name = read.dictionary.names[-1]
    assert read.ledger.cells[name].set_missing == {"undeclared_level": N}


def test_the_private_list_has_one_line_a_word_with_its_cells() -> None:
    read = cohort(["Feather", "Quill", "Quill", *["Quill"] * 6, "female", None], {"is": "sex"})
    queries = read.query_list()
    lines = queries[queries["column"] == "Word"]
    assert lines[["row", "code", "value"]].to_numpy().tolist() == [
        [2, "levels_not_declared", "Quill"],
        [1, "levels_not_declared", "Feather"],
    ]
    assert "8 cells, the first in row 2:" in lines["asked"].iloc[0]
    assert "1 cell, the first in row 1:" in lines["asked"].iloc[1]
    assert "9 of 10 cells" in next(p.asked for p in read.problems if p.code == "levels_not_declared")


@pytest.mark.parametrize(
    ("words", "entry"),
    [
        (["x"] * 5 + ["female"] * 20, {"is": "sex"}),
        (["x"] * 20, {"is": "sex", "levels": {"female": ["f"]}}),
        (["x"] * 20, {"is": "diabetes", "yes": ["y"]}),
        (["x"] * 20, {"is": "covariate", "name": "ward", "kind": "category", "levels": {"a": [], "b": []}}),
    ],
)
def test_few_words_or_declared_spellings_are_asked_about_cell_by_cell(
    words: list[str | None], entry: dict[str, Any]
) -> None:
    read = cohort(words, entry)
    asked = [problem for problem in read.problems if problem.code == "undeclared_level"]
    assert len(asked) == words.count("x")
    assert "levels_not_declared" not in {problem.code for problem in read.problems}
