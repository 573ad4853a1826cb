"""The data dictionary: declared, checked in one pass, and written back to the same thing."""

from __future__ import annotations

import datetime
import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from intake_tables import dictionary

from outcomes.cohort.concepts import concepts, internal_name, unit_named, units_of
from outcomes.cohort.dictionary import read_dictionary
from outcomes.cohort.toml_text import toml_value
from outcomes.errors import DictionaryError


def test_internal_names_follow_concept_hand_time_slot_reader() -> None:
    read = read_dictionary(
        {
            "columns": {
                "a": {"is": "patient_id"},
                "b": {"is": "grip", "hand": "other", "time": "3 months", "unit": "lb"},
                "c": {
                    "is": "tilt",
                    "time": "post-reduction",
                    "unit": "degrees",
                    "positive": "volar",
                    "reader": 2,
                },
                "d": {"is": "event_date", "slot": 3},
                "e": {"is": "component", "component": "volar_plate"},
                "f": {"is": "covariate", "name": "Graft cost", "kind": "number", "unit": "pounds"},
                "g": {"is": "film_date", "time": "union"},
            }
        }
    )
    assert read.names == (
        "patient_id",
        "grip_other_3_months",
        "tilt_post_reduction_reader2",
        "event_date_3",
        "component_volar_plate",
        "graft_cost",
        "film_date_union",
    )


def test_every_fault_is_in_one_message() -> None:
    with pytest.raises(DictionaryError) as caught:
        read_dictionary(
            {
                "format": "outcomes dictionary 9",
                "colour": 1,
                "table": {"decimal": "dot", "head": 1},
                "columns": {
                    "A": {"is": "patiant_id"},
                    "B": {"is": "tilt", "time": "union"},
                    "C": {"is": "grip", "hand": "affected", "time": "1 year", "unit": "stone"},
                    "D": {"is": "sex", "levels": {"female": ["f", "x"], "male": ["X"]}},
                    "E": {"is": "shortening", "time": "union", "unit": "mm"},
                    "F": {"is": "covariate", "name": "tilt_union", "kind": "number", "unit": "mm"},
                    "G": {"is": "side", "levels": {"sinister": ["s"]}},
                },
            }
        )
    message = str(caught.value)
    for part in (
        "'outcomes dictionary 9'",
        "unknown key 'colour'",
        "decimal = 'dot'",
        "unknown key 'head'",
        "closest: patient_id",
        "unit must be declared",
        "positive must be declared",
        "reference must be declared",
        "hand = 'affected' is not one of 'injured' (the hand of the fractured wrist), 'other' (the hand that was",
        "'left' (the left hand, whichever wrist was fractured",
        "time = '1 year'",
        "unit = 'stone'",
        "'x' is a spelling of both",
        "name = 'tilt_union'",
        "'sinister' is no level of side",
    ):
        assert part in message


@pytest.mark.parametrize("concept", ["tilt", "ulnar_variance"])
def test_a_sign_has_no_default(concept: str) -> None:
    unit = units_of(concepts()[concept].measure)[0]
    with pytest.raises(DictionaryError, match="positive must be declared"):
        read_dictionary(
            {"columns": {"a": {"is": "patient_id"}, "b": {"is": concept, "time": "union", "unit": unit}}}
        )


@pytest.mark.parametrize(
    "concept", [c.name for c in concepts().values() if c.measure in ("angle", "length", "force")]
)
def test_a_unit_has_no_default_where_two_are_in_use(concept: str) -> None:
    with pytest.raises(DictionaryError, match="unit must be declared"):
        read_dictionary({"columns": {"a": {"is": "patient_id"}, "b": {"is": concept}}})


def test_what_only_shows_across_columns() -> None:
    with pytest.raises(DictionaryError) as caught:
        read_dictionary(
            {
                "columns": {
                    "Age": {"is": "age"},
                    "DOB": {"is": "birth_date"},
                    "Sex": {"is": "sex"},
                    "sex ": {"is": "side"},
                }
            }
        )
    message = str(caught.value)
    assert 'no column is = "patient_id"' in message
    assert "birth_date needs a column" in message
    assert "'DOB' and 'Age' mean the same (age)" in message
    assert "differ only in spaces or case" in message


def test_it_writes_what_it_reads() -> None:
    source = dictionary(
        {
            "sheet": 'A "quoted" sheet',
            "header_row": 4,
            "missing": ["n/a", "—"],
            "footer": ["total"],
            "decimal": "comma",
            "delimiter": "\t",
            "episodes": "all",
            "extract_date": datetime.date(2024, 1, 31),
        },
        Grip={"codes": [999, -9.5], "low": 0.5, "high": 60},
        Open={"is": "open_injury", "yes": ["y"], "no": ["n"], "blank": "no"},
        Class={"is": "fracture_class", "levels": {"A": ["2R3A"], "C": ["2R3C"]}},
        Cost={"is": "covariate", "name": "cost", "kind": "category", "levels": {"low": ["l"], "high": []}},
    )
    read = read_dictionary(source)
    again = read_dictionary(tomllib.loads(read.to_toml()))
    assert again == read
    assert again.to_toml() == read.to_toml()


@given(st.text())
def test_any_text_survives_toml(text: str) -> None:
    if any("\ud800" <= letter <= "\udfff" for letter in text):
        return
    assert tomllib.loads(f"a = {toml_value(text)}")["a"] == text


def test_a_file_with_a_byte_order_mark_and_accents(tmp_path: Path) -> None:
    folder = tmp_path / "Ärzte und Listen"
    folder.mkdir()
    path = folder / "dictionary.toml"
    path.write_text(read_dictionary(dictionary()).to_toml(), encoding="utf-8-sig")
    assert read_dictionary(path) == read_dictionary(str(path)) == read_dictionary(dictionary())


@pytest.mark.parametrize(
    ("content", "code"),
    [(b'sheet = "C:\\Users"', "not_toml"), (b"a = 1\na = 2", "not_toml"), (b"\xff\xfe\x00", "unreadable")],
)
def test_files_that_are_no_toml(tmp_path: Path, content: bytes, code: str) -> None:
    path = tmp_path / "d.toml"
    path.write_bytes(content)
    with pytest.raises(DictionaryError) as caught:
        read_dictionary(path)
    assert caught.value.code == code
    assert str(tmp_path) not in str(caught.value)


def test_units_are_exact() -> None:
    assert unit_named("lb").to_internal(Decimal(1)) == Decimal("0.45359237")
    assert float(unit_named("N").to_internal(Decimal("9.80665"))) == 1.0
    assert float(unit_named("radians").to_internal(Decimal("3.141592653589793238462643383279503"))) == 180.0


def test_readers_and_slots_are_part_of_the_name() -> None:
    assert internal_name("event_severity", slot=2) == "event_severity_2"
    assert internal_name("step", time="6 weeks", reader=2) == "step_6_weeks_reader2"
