"""Criteria, rule and event tables of a department's own: what is read and what is refused, in one message."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from outcomes.cohort.criteria import read_criteria
from outcomes.cohort.events import read_events
from outcomes.cohort.rules import BUILT_IN, read_rules, shipped_rules
from outcomes.errors import CriteriaError
from outcomes.reference import load_reference, reference_names

OWN = """\
format = "outcomes criteria 1"
[[set]]
id = "northmere"
version = "2"
title = "Northmere hand service (invented)"
citation = "declared by the authors: invented for a test"
evidence = "declared by the authors"
scope = "adults"
film = "postoperative"
[[set.criterion]]
name = "tilt"
concept = "tilt"
unit = "degrees"
at_least = -5
below = 20
"""


def test_a_file_of_ones_own(tmp_path: Path) -> None:
    path = tmp_path / "ours é.toml"
    path.write_text(OWN, encoding="utf-8-sig")
    criteria = read_criteria(path)
    assert str(criteria.criteria[0]) == "tilt: tilt at least -5 and below 20 degrees"
    assert criteria.caution == "declared by the authors"
    assert criteria.columns("12 months", reader=2) == ("tilt_12_months_reader2",)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('format = "outcomes criteria 1"', 'format = "outcomes criteria 2"', "first line"),
        ("at_least = -5", "at_least = -5\nabove = -5", "above or at_least, not both"),
        ("at_least = -5", "at_least = 25", "lower limit must be below"),
        ("at_least = -5\nbelow = 20", "", "one or two of"),
        ("at_least = -5", 'at_least = "-5"', "must be a number"),
        ("at_least = -5", "at_least = nan", "must be a number"),
        ("at_least = -5", "atleast = -5", "unknown keys atleast"),
        ('concept = "tilt"', 'concept = "tilting"', "concept must be one of"),
        ('unit = "degrees"', 'unit = "radians"', 'write unit = "degrees"'),
        ('citation = "declared by the authors: invented for a test"', 'citation = ""', "needs citation"),
        ('evidence = "declared by the authors"', 'evidence = "seen"', "evidence must be one of"),
        ("below = 20", 'reference = "other side"', "reference belongs to shortening"),
        ("below = 20", 'is = "yes"', "needs one or two of"),
        ('film = "postoperative"', 'film = "postoperative"\nyear = 3', "unknown keys year"),
    ],
)
def test_bad_criteria_are_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    path = tmp_path / "ours.toml"
    path.write_text(OWN.replace(old, new), encoding="utf-8")
    with pytest.raises(CriteriaError, match=message) as caught:
        read_criteria(path)
    assert "ours.toml" in str(caught.value)


def test_all_problems_come_in_one_message(tmp_path: Path) -> None:
    path = tmp_path / "ours.toml"
    path.write_text(OWN.replace("degrees", "mm").replace('scope = "adults"', ""), encoding="utf-8")
    with pytest.raises(CriteriaError, match=r"scope.*unit|unit.*scope"):
        read_criteria(path)


def test_not_toml_and_no_file(tmp_path: Path) -> None:
    path = tmp_path / "ours.toml"
    path.write_text("format = ", encoding="utf-8")
    with pytest.raises(CriteriaError, match="not valid TOML"):
        read_criteria(path)
    with pytest.raises(CriteriaError, match="common-practice"):
        read_criteria("commonpractice")


def test_several_sets_in_one_file_need_a_choice(tmp_path: Path) -> None:
    path = tmp_path / "ours.toml"
    second = OWN.split("\n", 1)[1].replace('"northmere"', '"saltby"')
    path.write_text(OWN + second, encoding="utf-8")
    assert read_criteria(path, set_id="saltby").id == "saltby"
    with pytest.raises(CriteriaError, match="northmere, saltby"):
        read_criteria(path)
    path.write_text(OWN + second.replace("saltby", "northmere"), encoding="utf-8")
    with pytest.raises(CriteriaError, match="same id"):
        read_criteria(path, set_id="northmere")


def rules_with(change: Any) -> dict[str, Any]:
    """Return the shipped rule table after `change` has been done to it."""
    content = copy.deepcopy(load_reference("strategy_rules"))
    change(content)
    return content


def test_rules_from_mapping_and_file(tmp_path: Path) -> None:
    assert read_rules(load_reference("strategy_rules")) == shipped_rules() == read_rules("shipped")
    with pytest.raises(CriteriaError, match="no rule table"):
        read_rules(tmp_path / "absent.toml")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda c: c.update(format="outcomes rules 9"), "first line"),
        (lambda c: c.update(extra=1), "unknown keys extra"),
        (lambda c: c["strategies"].remove("unclear"), 'must contain "unclear"'),
        (lambda c: c["rule"][0].update(strategy="plating"), "strategy must be one of"),
        (lambda c: c["rule"][0].update(all=["volar plate"]), "no components of the table"),
        (lambda c: c["rule"][1].update(id=c["rule"][0]["id"]), "stands twice"),
        (lambda c: c["rule"][0].update(id="nothing-recorded"), "reserved"),
        (lambda c: c["rule"][0].pop("all"), "needs a condition"),
        (lambda c: c["rule"][0].update(at_least=2), "goes with of"),
        (lambda c: c["rule"][0].update(assumes="volar"), "no components of the table"),
        (lambda c: c["component"].pop(0), "components without an entry: cast"),
        (lambda c: c["component"][0].update(terms="cast"), "list of texts"),
        (lambda c: c["component"].append({"name": "glue", "terms": ["glue"]}), "cannot be recorded"),
        (lambda c: c["cues"].update(hope=["hopefully"]), "unknown keys hope"),
        (lambda c: c.update(rule=[]), r"no \[\[rule\]\]"),
    ],
)
def test_bad_rules_are_refused(change: Any, message: str) -> None:
    with pytest.raises(CriteriaError, match=message):
        read_rules(rules_with(change))


def test_first_rule_wins_and_every_rule_says_what_it_does() -> None:
    rules = shipped_rules()
    assert rules.decide(frozenset({"volar_plate", "bone_graft", "cast"})) == (
        "volar locking plate",
        "volar-plate",
    )
    assert rules.decide(frozenset({"external_fixator_bridging", "volar_plate"}))[0] == "combined"
    assert rules.decide(frozenset()) == ("unclear", "nothing-recorded")
    assert all(rules.says(each) for each in [*BUILT_IN, *(rule.id for rule in rules.rules)])


def events_with(change: Any) -> dict[str, Any]:
    """Return the shipped event table after `change` has been done to it."""
    content = copy.deepcopy(load_reference("complications"))
    change(content)
    return content


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda c: c.update(format="x"), "first line"),
        (lambda c: c.update(source=""), "source"),
        (lambda c: c["kind"][0].update(colour="red"), "unknown keys colour"),
        (lambda c: c["kind"][0].pop("family"), "lacks a key"),
        (lambda c: c["kind"][0]["tokens"].append("malunion"), "belongs to"),
        (lambda c: c.update(kind=[]), r"no \[\[kind\]\]"),
    ],
)
def test_bad_event_tables_are_refused(change: Any, message: str) -> None:
    with pytest.raises(CriteriaError, match=message):
        read_events(events_with(change))


def test_every_reference_row_has_a_source() -> None:
    for row in load_reference("margins")["margins"]:
        assert row["source"].strip(), row["id"]
        assert isinstance(row["seen"], bool)
        assert ("from memory" in row["source"]) == (not row["seen"]), row["id"]
        assert row["kind"] in ("between groups", "within-patient change", "measurement error")
        assert row["value"] > 0
    for row in load_reference("criteria")["set"]:
        assert row["citation"].strip()
        assert (row["evidence"] == "from memory") == ("from memory" in row["citation"]), row["id"]
    for row in load_reference("criteria")["reading_error"]:
        assert row["source"].strip()
    for name, row in load_reference("limits")["limits"].items():
        assert row["source"] == "this project's choice, not a published value", name
        assert row["meaning"].strip()
    for name in ("strategy_rules", "complications"):
        assert "no source" in load_reference(name)["source"]


def test_ids_of_reference_rows_are_unique() -> None:
    for table, rows in (("margins", "margins"), ("criteria", "set")):
        ids = [row["id"] for row in load_reference(table)[rows]]
        assert len(set(ids)) == len(ids)


def test_the_limits_of_the_answer() -> None:
    limits = {name: row["value"] for name, row in load_reference("limits")["limits"].items()}
    assert limits == {
        "judged_met_min": 20, "judged_not_met_min": 10, "judged_cover_min": 0.80, "propensity_min": 0.025,
        "comparable_keep_min": 0.5, "arm_effective_min": 20, "arm_effective_share_min": 0.10,
        "label_effective_min": 20, "indeterminate_max": 0.20, "outcome_missing_max": 0.40,
        "events_per_parameter_min": 10, "few_clusters": 10, "fragile_min": 0.80, "unplaced_events_max": 0.05,
    }  # fmt: skip


def test_published_margins_as_read_in_their_sources() -> None:
    margins = {row["id"]: row for row in load_reference("margins")["margins"]}
    assert margins["grip-kg-kim-2014"]["value"] == 6.5  # PubMed 24817380
    assert margins["dash-franchignoni"]["value"] == 10.83
    assert margins["quickdash-franchignoni"]["value"] == 15.91
    assert margins["prwe-crossfire-2021"]["value"] == 14  # PMC7807386
    assert not [row for row in margins.values() if row["outcome"] == "rotation_arc"]  # none is accepted


def test_unknown_reference_names_what_there_is() -> None:
    assert {"criteria", "margins", "limits", "strategy_rules", "complications"} <= set(reference_names())
    with pytest.raises(CriteriaError, match="margins"):
        load_reference("margin")
