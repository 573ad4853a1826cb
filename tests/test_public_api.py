"""The public names: what a user's code may rely on between versions. A change here is a change of the interface."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

import outcomes

ROOT = Path(__file__).parents[1]

PUBLIC = [
    "Analysis",
    "Answer",
    "Cohort",
    "Comparison",
    "DataDictionary",
    "EligibilityRule",
    "Estimate",
    "Margin",
    "OutcomePlan",
    "OutcomesError",
    "OutcomesWarning",
    "ReadingError",
    "ReductionPlan",
    "StrategyPlan",
    "Study",
    "analyse",
    "answer_question",
    "assemble",
    "baseline_table",
    "classify_fixation",
    "compare",
    "complication_outcomes",
    "grade_reduction",
    "overlap_table",
    "read_cohort",
    "read_criteria",
    "read_dictionary",
    "read_study",
    "shipped_criteria",
    "shipped_margin",
    "verify_run",
    "write_run",
]


def test_public_names_are_pinned() -> None:
    assert outcomes.__all__ == PUBLIC
    assert set(PUBLIC) <= set(dir(outcomes))


@pytest.mark.parametrize("name", PUBLIC)
def test_public_name_loads_and_is_documented(name: str) -> None:
    assert getattr(outcomes, name).__doc__


def test_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        outcomes.nothing  # noqa: B018


def test_type_checkers_and_users_find_the_same_names() -> None:
    tree = ast.parse((ROOT / "outcomes/__init__.py").read_text(encoding="utf-8"))
    (block,) = [node for node in tree.body if isinstance(node, ast.If)]
    seen = {
        alias.name: node.module
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert seen == outcomes._HOMES


def test_version_is_the_project_s() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert outcomes.__version__ == project["version"]
