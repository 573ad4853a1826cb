"""The page about the study file says what the package does: no key, word, id or limit too many or too few."""

from __future__ import annotations

import copy
import re
import tomllib
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import outcomes
from outcomes.analysis import derived, measurement, study_checks
from outcomes.analysis.protocol import FIRST_FILM, Study
from outcomes.analysis.study_file import read_study
from outcomes.cohort.criteria import read_criteria, shipped_criteria
from outcomes.cohort.rules import shipped_rules
from outcomes.reference import load_reference
from outcomes.reporting.methods_text import MANUSCRIPT

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "study_file.md").read_text(encoding="utf-8")

#: Heading of the table of keys -> name of the table in `study_checks.KEYS`.
HEADINGS = {
    "The top of the file": "",
    "`[cohort]`": "cohort",
    "`[[eligibility]]`": "eligibility",
    "`[strategy]`": "strategy",
    "`[reduction]`": "reduction",
    "`[reduction.reading_error]`": "reduction.reading_error",
    "`[[outcomes]]`": "outcomes",
    "`[covariates]`": "covariates",
    "`[clusters]`": "clusters",
}

#: Words that a plan may use besides those of `study_checks.WORDS`.
FILMS = {"film": (FIRST_FILM, "union")}

MINIMAL: dict[str, Any] = {
    "format": "outcomes study 1",
    "title": "Invented",
    "declared": "2026-01-15",
    "data_seen_before_plan": "no",
    "strategy": {"judged": ["volar locking plate", "percutaneous pinning"]},
    "outcomes": [{"name": "grip_kg", "visit": "12 months", "role": "primary", "better": "higher"}],
}


def section(heading: str, page: str = PAGE) -> str:
    """Return the text below a heading, up to the next one."""
    found = re.search(rf"^#+ {re.escape(heading)}$\n(.*?)(?=^#|\Z)", page, re.M | re.S)
    assert found is not None, heading
    return re.sub(r"```.*?```", "", found[1], flags=re.S)


def table(heading: str) -> dict[str, list[str]]:
    """Return the rows of the table below a heading by their first cell, without its code marks."""
    lines = [line for line in section(heading).splitlines() if line.startswith("| `")]
    rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]
    return {row[0].strip("` "): row[1:] for row in rows}


def criteria_rows() -> list[str]:
    """Return the table of criteria sets as the page must print it."""
    rows = []
    for name in shipped_criteria():
        found = read_criteria(name)
        needs = ", ".join(f"`{each.concept}`" for each in found.criteria if each.required)
        needs += "".join(
            f"; `{each.concept}` against the {each.reference}" for each in found.criteria if each.reference
        )
        limits = "; ".join(limit_words(each) for each in found.criteria)
        rows.append(f"| `{name}` | {needs} | {limits} | {found.evidence} |")
    return rows


def limit_words(criterion: Any) -> str:
    """Return a criterion without its name: what, limits, unit."""
    words = str(criterion).partition(": ")[2].partition(" (against")[0]
    return words + (" (articular fractures)" if criterion.intra_articular_only else "")


def margin_rows() -> list[str]:
    """Return the table of published margins as the page must print it."""
    return [
        f"| `{row['id']}` | {row['value']} {row['unit']} | {row['kind']} | {'yes' if row['seen'] else 'from memory'} | "
        f"{row['source']}{'; ' if row['note'] else ''}{row['note']} |"
        for row in load_reference("margins")["margins"]
    ]


def limit_rows() -> list[str]:
    """Return the table of limits as the page must print it."""
    limits = load_reference("limits")["limits"]
    return [f"| `{name}` | {row['value']} | {row['meaning']} |" for name, row in limits.items()]


def outcome_rows() -> list[str]:
    """Return the beginnings of the rows of outcomes."""
    scores = [f"| `{name}` | {words} | {unit} |" for name, (words, unit) in measurement.SCORES.items()]
    return scores + [
        f"| `{name}` | {words} | percentage points |" for name, words in measurement.EVENTS.items()
    ]


def derived_names() -> set[str]:
    """Return every covariate that is made when its columns are there."""
    day = pd.to_datetime(["2026-01-15"])
    columns = {f"{name}_injury": [0.0] for name in derived.BEFORE}
    frame = pd.DataFrame(
        {"side": ["left"], "dominant_hand": ["left"], "injury_date": day, "treatment_date": day}
        | {"strategy_recorded": ["dorsal plate"]}
        | columns
    )
    return set(derived.add_derived(frame)) - set(frame)


@pytest.mark.parametrize(("heading", "name"), HEADINGS.items(), ids=HEADINGS.values())
def test_its_keys_are_the_keys(heading: str, name: str) -> None:
    assert set(table(heading)) == study_checks.KEYS[name]


def test_every_table_of_keys_has_a_heading() -> None:
    assert set(HEADINGS.values()) == set(study_checks.KEYS)


def test_allowed_words_are_the_allowed_words() -> None:
    for where, allowed in (study_checks.WORDS | FILMS).items():
        table_name, _, key = where.rpartition(".")
        named = [
            table(heading)[key]
            for heading, name in HEADINGS.items()
            if key in table(heading) and table_name in ("", name)
        ]
        assert named, where
        for cells in named:
            assert set(re.findall(r'"([^"]+)"', cells[0])) == set(allowed), where


def test_defaults_are_the_defaults() -> None:
    study = read_study({**copy.deepcopy(MINIMAL), "reduction": {"criteria": "common-practice"}})
    assert study.reduction is not None
    plan = study.outcomes[0]
    margin = read_study({**MINIMAL, "outcomes": [{**MINIMAL["outcomes"][0], "margin": 1, "margin_unit": "kg",
                                                  "margin_source": "example"}]}).primary.margin  # fmt: skip
    assert margin is not None
    found = {
        ("The top of the file", "seed"): study.seed,
        ("The top of the file", "road"): study.road,
        ("`[strategy]`", "rules"): study.strategy.rules,
        ("`[reduction]`", "film"): study.reduction.film,
        ("`[reduction]`", "reader"): study.reduction.reader,
        ("`[[outcomes]]`", "role"): read_study(with_secondary()).outcomes[1].role,
        ("`[[outcomes]]`", "dominance"): plan.dominance,
        ("`[[outcomes]]`", "margin_kind"): margin.kind,
        ("`[clusters]`", "by"): study.cluster,
    }
    said = {where: table(where[0])[where[1]][1].strip('`"') for where in found}
    assert said == {where: str(value) for where, value in found.items()}


def with_secondary() -> dict[str, Any]:
    plan = copy.deepcopy(MINIMAL)
    plan["outcomes"].append({"name": "prwe", "visit": "12 months", "better": "lower"})
    return plan


@pytest.mark.parametrize("key", ["title", "declared", "data_seen_before_plan", "strategy", "outcomes"])
def test_what_it_calls_required_is_required(key: str) -> None:
    assert table("The top of the file")[key][1] == "required"
    with pytest.raises(outcomes.OutcomesError, match=key):
        read_study({name: value for name, value in MINIMAL.items() if name != key})


EXAMPLES = [
    (heading, key, cells[-1].strip("`")) for heading in HEADINGS for key, cells in table(heading).items()
]


@pytest.mark.parametrize(("heading", "key", "line"), EXAMPLES, ids=[f"{h}-{k}" for h, k, _ in EXAMPLES])
def test_example_lines_are_read(heading: str, key: str, line: str) -> None:
    written = tomllib.loads(line)
    assert key in written
    plan: dict[str, Any] = copy.deepcopy(MINIMAL)
    plan["reduction"] = {"criteria": "common-practice"}
    name = HEADINGS[heading]
    if name == "":
        plan.update({part: value for part, value in written.items() if value not in ({}, [{}])})
    elif name == "eligibility":
        plan[name] = [{"column": "age", "at_least": 18, "reason": "too young"} | written]
    elif name == "outcomes":
        needed: dict[str, Any] = {
            "window_days": {"name": "complication"},
            "dominance": {"name": "grip_share"},
        }.get(key, {})
        margin = {"margin": 5, "margin_unit": "kg", "margin_source": "example"}
        row = (
            plan[name][0]
            | needed
            | (margin if key.startswith("margin") and key != "margin_id" else {})
            | written
        )
        if row["name"] in study_checks.EVENT_NAMES:
            row.pop("visit")
        plan[name] = [row]
        if written.get("role") == "secondary":
            plan[name].append({"name": "prwe", "visit": "12 months", "better": "lower", "role": "primary"})
    elif name == "reduction.reading_error":
        plan["reduction"]["reading_error"] = {"retained": 0.8, "source": "example"} | written
    else:
        extra = {"why": "example"} if name == "covariates" else {}
        plan[name] = plan.get(name, {}) | extra | written
    assert read_study(plan).plan_hash


BLOCKS = re.findall(r"^```toml\n(.*?)^```", PAGE, re.M | re.S)


@pytest.mark.parametrize("block", BLOCKS, ids=range(len(BLOCKS)))
def test_its_files_are_study_files(block: str, tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    path.write_text(block, encoding="utf-8")
    study = read_study(path)
    assert set(study.strategy.judged) <= set(shipped_rules().strategies) | set(study.strategy.groups)


def test_its_python_twin_is_the_same_plan() -> None:
    (code,) = re.findall(r"^```python\n(.*?)^```", PAGE, re.M | re.S)
    names: dict[str, Any] = {}
    exec(code, names)  # our own page, read from the repository
    twin = names["study"]
    assert isinstance(twin, Study)
    read = read_study(tomllib.loads(BLOCKS[0]))
    differing = {name for name in Study.__dataclass_fields__ if getattr(twin, name) != getattr(read, name)}
    assert differing == {"plan_hash", "cohort_file", "dictionary_file"}


@pytest.mark.parametrize(
    "rows", [criteria_rows, margin_rows, limit_rows], ids=["criteria", "margins", "limits"]
)
def test_tables_of_reference_are_complete(rows: Any) -> None:
    wanted = rows()
    first = {row.split("`")[1] for row in wanted}
    assert [row for row in wanted if row not in PAGE.splitlines()] == []
    heading = {
        "criteria_rows": "Criteria sets",
        "margin_rows": "Published margins",
        "limit_rows": "`[limits]`",
    }
    assert set(table(heading[rows.__name__])) == first


def test_limits_that_nothing_reads_are_named() -> None:
    code = "".join(
        path.read_text(encoding="utf-8")
        for path in (ROOT / "outcomes").rglob("*.py")
        if path.name != "protocol.py"
    )
    unread = {name for name in load_reference("limits")["limits"] if f'"{name}"' not in code}
    said = re.search(r"Read by nothing in this release: (.*?)\.\n", section("`[limits]`"))
    assert set(re.findall(r"`(\w+)`", said[1]) if said else []) == unread


def test_outcomes_and_derived_covariates_are_the_ones_there_are() -> None:
    lines = PAGE.splitlines()
    assert [row for row in outcome_rows() if not any(line.startswith(row) for line in lines)] == []
    assert set(table("Names of outcomes")) == {*measurement.SCORES, *measurement.EVENTS}
    assert set(table("Derived covariates")) == derived_names()


def test_strategies_are_those_of_the_shipped_table() -> None:
    named = re.findall(r'^- `"([^"]+)"`', section("Names of strategies"), re.M)
    assert named == list(shipped_rules().strategies)


def test_statements_with_a_heading_of_their_own_are_named() -> None:
    assert set(table("`[manuscript]`")) == set(MANUSCRIPT)


def test_refusals_exist() -> None:
    sources = [*(ROOT / "outcomes" / "analysis").glob("*.py"), *(ROOT / "outcomes" / "cohort").glob("*.py"),
               ROOT / "outcomes" / "estimates.py", ROOT / "outcomes" / "reporting" / "inputs.py"]  # fmt: skip
    codes = set(re.findall(r'code=f?"(\w+)"', "".join(path.read_text(encoding="utf-8") for path in sources)))
    said = {code for cells in refused() for code in re.findall(r"`(\w+)`", cells[-1])}
    assert said - codes == set()
    plan_files = ("protocol.py", "study_file.py", "time_order.py")
    own = set().union(
        *(re.findall(r'code="(\w+)"', (ROOT / "outcomes/analysis" / name).read_text(encoding="utf-8"))
          for name in plan_files)
    )  # fmt: skip
    assert own - said == set()


def refused() -> list[list[str]]:
    """Return the rows of what is refused."""
    lines = [line for line in section("What is refused, and why").splitlines() if line.startswith("| ")][1:]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]
