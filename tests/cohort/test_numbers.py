"""Numbers in cells: what is read, what is converted, what is never read."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.cohort.dictionary import read_dictionary
from outcomes.cohort.judgement import Judgement
from outcomes.cohort.numbers import number_judge, number_rule

ENTRIES = {
    "tilt volar": {"is": "tilt", "time": "union", "unit": "degrees", "positive": "volar"},
    "tilt dorsal": {"is": "tilt", "time": "union", "unit": "degrees", "positive": "dorsal"},
    "tilt radians": {"is": "tilt", "time": "union", "unit": "radians", "positive": "volar"},
    "variance": {"is": "ulnar_variance", "time": "union", "unit": "mm", "positive": "ulna longer"},
    "variance minus": {"is": "ulnar_variance", "time": "union", "unit": "mm", "positive": "ulna shorter"},
    "step": {"is": "step", "time": "union", "unit": "mm"},
    "step cm": {"is": "step", "time": "union", "unit": "cm"},
    "grip": {"is": "grip", "hand": "injured", "time": "12 months", "unit": "kg", "codes": [99]},
    "grip lb": {"is": "grip", "hand": "injured", "time": "12 months", "unit": "lb"},
    "age": {"is": "age"},
    "grade": {"is": "event_severity", "slot": 1},
    "cost": {"is": "covariate", "name": "cost", "kind": "number", "unit": "pounds"},
    "thickness": {"is": "covariate", "name": "thickness", "kind": "number", "unit": "cm"},
}


def judged(column: str, token: str, kind: str = "text", **more: object) -> Judgement:
    declared = read_dictionary({"columns": {"No.": {"is": "patient_id"}, "X": ENTRIES[column] | more}})
    return number_judge(number_rule(declared.columns[1], declared.table))(token, kind)


@pytest.mark.parametrize(
    ("column", "token", "value", "reason"),
    [
        ("step", "3.5", 3.5, ""),
        ("step", "3mm", 3.0, "unit_in_cell"),
        ("step", "3 mm", 3.0, "unit_in_cell"),
        ("step", "0.3cm", 3.0, "other_unit_in_cell"),
        ("step cm", "1.00", 10.0, "declared_unit_or_sign"),
        ("step cm", "10.0 mm", 10.0, "other_unit_in_cell"),
        ("grip", "12 kg", 12.0, "unit_in_cell"),
        ("grip", "27.5 lb", 12.473790175, "other_unit_in_cell"),
        ("grip lb", "27.5", 12.473790175, "declared_unit_or_sign"),
        ("tilt volar", "15°", 15.0, "unit_in_cell"),
        ("tilt volar", "\u22125", -5.0, "spelling"),
        ("tilt volar", "\u20135", -5.0, "spelling"),
        ("tilt volar", "10 dorsal", -10.0, "direction_in_cell"),
        ("tilt dorsal", "10 dorsal", -10.0, "direction_in_cell"),
        ("tilt dorsal", "10", -10.0, "declared_unit_or_sign"),
        ("tilt dorsal", "0", 0.0, "declared_unit_or_sign"),
        ("tilt dorsal", "-10 (volar)", 10.0, "direction_in_cell"),
        ("tilt volar", "v10", 10.0, "direction_in_cell"),
        ("tilt volar", "d 10°", -10.0, "direction_in_cell"),
        ("tilt volar", "10° dorsal", -10.0, "direction_in_cell"),
        ("variance", "2 minus", -2.0, "direction_in_cell"),
        ("variance", "ulnar plus 2 mm", 2.0, "direction_in_cell"),
        ("variance minus", "2", -2.0, "declared_unit_or_sign"),
        ("age", "61 years", 61.0, "unit_in_cell"),
        ("cost", "12 pounds", 12.0, "unit_in_cell"),
        ("thickness", "5 mm", 0.5, "other_unit_in_cell"),
        ("age", " 61\u00a0", 61.0, ""),
    ],
)
def test_read(column: str, token: str, value: float, reason: str) -> None:
    judgement = judged(column, token)
    assert (judgement.value, judgement.reason) == (value, reason)
    assert str(judgement.value) != "-0.0"


@pytest.mark.parametrize(
    ("column", "token", "reason"),
    [
        ("step", "<2", "censored"),
        ("step", "≥5", "censored"),
        ("step", "~15", "censored"),
        ("step", "about 3", "censored"),
        ("step", "2/3", "fraction"),
        ("step", "½", "fraction"),
        ("step", "5 1/2", "fraction"),
        ("step", "10-15", "range"),
        ("step", "10–15", "range"),
        ("step", "10 to 15 mm", "range"),
        ("step", "2026-03-02", "date_in_numeric"),
        ("step", "02/03/2026", "date_in_numeric"),
        ("step", "inf", "non_finite"),
        ("step", "-Infinity", "non_finite"),
        ("step", "nan", "non_finite"),
        ("cost", "1e400", "non_finite"),
        ("step", "１２", "not_a_number"),
        ("step", "١٢", "not_a_number"),
        ("step", "1_000", "not_a_number"),
        ("step", "1.2.3", "not_a_number"),
        ("step", "12:30", "not_a_number"),
        ("step", "three", "not_a_number"),
        ("step", "--", "missing_like"),
        ("step", "3 kg", "wrong_unit"),
        ("step", "3 in", "unknown_unit"),
        ("step", "40.1", "impossible"),
        ("step", "-1", "impossible"),
        ("grip", "500", "impossible"),
        ("grip", "99", "missing_code"),
        ("age", "-3", "impossible"),
        ("age", "150", "impossible"),
        ("grade", "2.5", "not_whole"),
        ("tilt volar", "300°", "impossible"),
        ("tilt volar", "-10 volar", "contradicting_direction"),
        ("tilt dorsal", "-10 dorsal", "contradicting_direction"),
        ("tilt volar", "+10 dorsal", "contradicting_direction"),
        ("tilt volar", "10 ulnar", "unknown_unit"),
        ("step", "3 dorsal", "unknown_unit"),
        ("step", "3,5", "decimal_not_declared"),
    ],
)
def test_never_read(column: str, token: str, reason: str) -> None:
    judgement = judged(column, token)
    assert (judgement.value, judgement.outcome, judgement.reason) == (None, "missing", reason)


@pytest.mark.parametrize(
    ("decimal", "token", "value", "reason"),
    [
        ("comma", "3,5", 3.5, "spelling"),
        ("comma", "3,5 mm", 3.5, "unit_in_cell"),
        ("comma", "3.5", None, "point_in_number"),
        ("comma", "1.200,5", None, "point_in_number"),
        ("comma", "12", 12.0, ""),
        ("point", "3,5", None, "comma_in_number"),
        ("point", "1,200", None, "comma_in_number"),
    ],
)
def test_the_decimal_mark_is_the_declared_one(
    decimal: str, token: str, value: float | None, reason: str
) -> None:
    judgement = judged("step", token, decimal=decimal)
    assert (judgement.value, judgement.reason) == (value, reason)


def test_a_number_typed_by_the_file_keeps_its_point_under_a_comma() -> None:
    assert judged("step", "3.5", "number", decimal="comma").value == 3.5


def test_a_real_date_in_a_column_of_numbers_is_no_number() -> None:
    assert judged("step", "2026-03-02", "date").reason == "date_in_numeric"


def test_plausible_limits_are_declared_in_the_unit_and_sign_of_the_table() -> None:
    assert judged("tilt dorsal", "31", high=30).remark == "implausible"
    assert judged("tilt dorsal", "-80", high=30).remark == ""
    assert judged("grip lb", "100", high=99).remark == "implausible"
    assert judged("grip lb", "98", high=99).remark == ""


@given(st.decimals(min_value=0, max_value=4, places=3))
def test_centimetres_and_millimetres_give_the_same_float(value: Decimal) -> None:
    """A limit compared with either must not depend on the unit that was written."""
    assert judged("step cm", f"{value:f}").value == judged("step", f"{value.scaleb(1):f}").value


@given(st.text(alphabet="0123456789.,-+/ eEmckglb°<>≤~–½①٣", max_size=12))
def test_no_token_becomes_a_number_by_accident(token: str) -> None:
    """Whatever is read as a number has the digits of the cell, in their order, and nothing else."""
    judgement = judged("cost", token, decimal="point")
    if judgement.value is not None and judgement.outcome == "verbatim":
        assert float(token.strip()) == judgement.value
