"""The study file: everything wrong is named at once, nothing is guessed."""

from __future__ import annotations

import copy
import datetime as dt

import pytest

from outcomes.analysis.margins import shipped_margin
from outcomes.analysis.study_file import read_study
from outcomes.errors import StudyError

PLAN = {
    "format": "outcomes study 1",
    "title": "Invented",
    "declared": "2026-01-15",
    "data_seen_before_plan": "no",
    "strategy": {"judged": ["volar locking plate", "percutaneous pinning"]},
    "reduction": {"criteria": "common-practice"},
    "outcomes": [
        {
            "name": "grip_share", "visit": "12 months", "role": "primary", "better": "higher", "margin": 10,
            "margin_unit": "percentage points", "margin_source": "declared by the authors: example",
        }
    ],
}  # fmt: skip


def changed(**changes: object) -> dict[str, object]:
    return {**copy.deepcopy(PLAN), **changes}


def test_reads_a_plan():
    study = read_study(PLAN)
    assert study.declared == dt.date(2026, 1, 15)
    assert study.primary.margin is not None
    assert study.primary.margin.value == 10
    assert len(study.plan_hash) == 64


def test_hash_is_of_the_meaning(tmp_path):
    path = tmp_path / "study.toml"
    text = (
        'format = "outcomes study 1"\ntitle = "Invented"  # a comment\ndeclared = "2026-01-15"\n'
        'data_seen_before_plan = "no"\n'
        '[strategy]\njudged = ["volar locking plate", "percutaneous pinning"]\n[reduction]\ncriteria = "common-practice"\n'
        '[[outcomes]]\nname = "grip_share"\nvisit = "12 months"\nrole = "primary"\nbetter = "higher"\nmargin = 10\n'
        'margin_unit = "percentage points"\nmargin_source = "declared by the authors: example"\n'
    )
    path.write_text("\ufeff" + text, encoding="utf-8")  # a byte-order mark as Windows editors write it
    assert read_study(path).plan_hash == read_study(PLAN).plan_hash
    assert read_study(changed(seed=2)).plan_hash != read_study(PLAN).plan_hash


def test_all_problems_come_in_one_message():
    plan = changed(titel="typo", strategy={"groups": {}})
    plan["outcomes"] = [{"name": "prwe", "better": "smaller", "role": "main"}]
    with pytest.raises(StudyError) as caught:
        read_study(plan)
    text = str(caught.value)
    for part in ("titel", "judged", "smaller", "higher, lower", "main"):
        assert part in text


def test_open_choices_are_named():
    plan = changed(reduction={"criteria": "?"})
    with pytest.raises(StudyError, match=r"reduction\.criteria is still open"):
        read_study(plan)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"format": "outcomes study 2"}, "unknown_format"),
        ({"declared": "15/01/2026"}, "bad_date"),
        ({"reduction": {"criteria": "common-practice", "film": "union"}}, "intermediate_not_declared"),
        ({"reduction": {"criteria": "common-practice", "film": "injury"}}, "film_before_strategy"),
        (
            {"reduction": {"criteria": "x", "film": "union", "intermediate": ["conversion"]}},
            "intermediate_not_supported",
        ),
        ({"limits": {"no_such_limit": 1}}, "unknown_limit"),
        ({"outcomes": [{**PLAN["outcomes"][0], "role": "secondary"}]}, "primary_outcome"),
        (
            {"outcomes": [PLAN["outcomes"][0], {**PLAN["outcomes"][0], "role": "secondary"}]},
            "duplicate_outcome",
        ),
        ({"eligibility": [{"column": "age", "reason": "adults"}]}, "rule_without_condition"),
        ({"seed": "many"}, "wrong_type"),
        ({"outcomes": [{**PLAN["outcomes"][0], "margin": "ten"}]}, "wrong_type"),
        ({"covariates": {"names": ["age"]}}, "study_file"),
        ({"format": "outcomes dictionary 1"}, "dictionary_as_study"),
    ],
)
def test_refusals_have_codes(change, code):
    with pytest.raises(StudyError) as caught:
        read_study(changed(**change))
    assert caught.value.code == code


def test_union_needs_a_statement_about_what_comes_between():
    study = read_study(
        changed(reduction={"criteria": "common-practice", "film": "union", "intermediate": []})
    )
    assert study.reduction is not None
    assert study.reduction.intermediate == ()


@pytest.mark.parametrize("lacking", ["margin_unit", "margin_source"])
def test_margin_needs_unit_and_source(lacking):
    outcome = {key: value for key, value in PLAN["outcomes"][0].items() if key != lacking}
    with pytest.raises(StudyError, match=lacking):
        read_study(changed(outcomes=[outcome]))


def test_margin_by_id_carries_its_source():
    margin = shipped_margin("grip-kg-kim-2014")
    assert margin.value == 6.5  # Kim et al. 2014, PubMed 24817380 (abstract)
    assert "within-patient change" in margin.warning
    with pytest.raises(StudyError, match="grip-kg-kim-2014"):
        shipped_margin("nobody-1900")


def test_windows_path_in_double_quotes_is_explained(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(
        'format = "outcomes study 1"\n[cohort]\nfile = "C:\\Users\\me\\cohort.xlsx"\n', encoding="utf-8"
    )
    with pytest.raises(StudyError, match="single quotes"):
        read_study(path)


def test_backslash_that_became_a_tab_is_refused(tmp_path):
    path = tmp_path / "study.toml"
    text = (
        'format = "outcomes study 1"\ntitle = "x"\ndeclared = 2026-01-15\n[cohort]\nfile = "C:\\temp\\new.xlsx"\n'
        '[strategy]\njudged = ["a"]\n[[outcomes]]\nname = "prwe"\nvisit = "12 months"\nrole = "primary"\n'
        'better = "lower"\n'
    )
    path.write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match="single quotes"):
        read_study(path)


def test_missing_file_is_named_without_its_folder(tmp_path):
    with pytest.raises(StudyError) as caught:
        read_study(tmp_path / "nothing.toml")
    assert "nothing.toml" in str(caught.value)
    assert str(tmp_path) not in str(caught.value)


def test_a_word_where_a_list_is_meant_is_refused():
    plan = changed(strategy={"judged": "volar locking plate"}, covariates={"names": "age"})
    with pytest.raises(StudyError) as caught:
        read_study(plan)
    assert "judged in strategy must be a list" in str(caught.value)
    assert "names in covariates must be a list" in str(caught.value)
