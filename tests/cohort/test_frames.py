"""Frames and Parquet files give the same cohort as the text they came from."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from intake_tables import HEADINGS, ROWS, csv_text, dictionary, write_csv

from outcomes.cohort.frames import cell_token
from outcomes.cohort.table import read_cohort
from outcomes.errors import CohortError


def typed() -> pd.DataFrame:
    frame = pd.DataFrame(ROWS, columns=HEADINGS)
    for name in ("Injured", "Treated"):
        frame[name] = pd.to_datetime(frame[name], format="%d/%m/%Y")
    frame["Tilt"] = frame["Tilt"].astype(int)
    frame["Grip"] = frame["Grip"].astype(float)
    frame["Sex"] = frame["Sex"].astype("category")
    return frame


def test_a_frame_a_parquet_file_and_text_agree(tmp_path: Path) -> None:
    text = read_cohort(write_csv(tmp_path, csv_text(ROWS)), dictionary()).data.drop(columns="source_row")
    frame = read_cohort(typed(), dictionary())
    typed().to_parquet(tmp_path / "wrists.parquet")
    parquet = read_cohort(tmp_path / "wrists.parquet", dictionary())
    assert frame.data.drop(columns="source_row").equals(text)
    assert parquet.data.equals(frame.data)
    assert frame.data["source_row"].tolist() == [1, 2, 3]
    assert frame.ledger == parquet.ledger


def test_the_frame_is_left_alone() -> None:
    frame = typed()
    before = frame.copy(deep=True)
    read_cohort(frame, dictionary())
    pd.testing.assert_frame_equal(frame, before)


def test_numbers_keep_the_digits_they_print_with() -> None:
    frame = typed()
    frame["Grip"] = [0.1 + 0.2, 1e-5, np.nan]
    data = read_cohort(frame, dictionary(Grip={"unit": "kg"})).data
    assert data["grip_injured_12_months"].tolist()[:2] == [0.1 + 0.2, 1e-5]


@pytest.mark.parametrize(
    ("value", "token"),
    [
        (np.int64(3), ("3", "number")),
        (np.float32(0.5), ("0.5", "number")),
        (Decimal("1.50"), ("1.50", "number")),
        (np.bool_(True), ("true", "boolean")),
        (pd.Timestamp("2021-02-03"), ("2021-02-03", "date")),
        (pd.Timestamp("2021-02-03 04:05", tz="Asia/Tokyo"), ("2021-02-03 04:05:00+09:00", "date")),
        (np.datetime64("2021-02-03"), ("2021-02-03", "date")),
        (pd.NaT, ("", "text")),
        (pd.NA, ("", "text")),
        (float("nan"), ("", "text")),
        (None, ("", "text")),
        ("x", ("x", "text")),
    ],
)
def test_tokens(value: object, token: tuple[str, str]) -> None:
    assert cell_token(value) == token


def test_float_ids_and_booleans() -> None:
    frame = typed()
    frame["No."] = [7.0, 8.0, 9.0]
    frame["Open"] = [True, False, True]
    frame["Wires"] = [1.0, np.nan, 0.0]
    declared = dictionary(
        Open={"is": "open_injury"},
        Wires={"is": "component", "component": "wires", "yes": ["1"], "no": ["0"], "blank": "no"},
    )
    data = read_cohort(frame, declared).data
    assert data["patient_id"].tolist() == ["7", "8", "9"]
    assert data["open_injury"].tolist() == [1.0, 0.0, 1.0]
    assert data["component_wires"].tolist() == [1.0, 0.0, 0.0]


def test_an_index_is_no_row_number() -> None:
    frame = typed()
    frame.index = pd.Index([9, 9, 9])
    assert read_cohort(frame, dictionary()).data["source_row"].tolist() == [1, 2, 3]


def test_refused_frames(tmp_path: Path) -> None:
    for frame, code in (
        (typed().iloc[:0], "empty"),
        (pd.concat([typed(), typed()[["Grip"]]], axis=1), "duplicate_header"),
    ):
        with pytest.raises(CohortError) as caught:
            read_cohort(frame, dictionary())
        assert caught.value.code == code
    path = tmp_path / "broken.parquet"
    path.write_bytes(b"PAR1" + b"x" * 50)
    with pytest.raises(CohortError) as caught:
        read_cohort(path, dictionary())
    assert caught.value.code == "reader_failed"


def test_the_hash_follows_the_cells() -> None:
    one, two = typed(), typed()
    two["Grip"] = two["Grip"] + 1
    declared = dictionary()
    assert read_cohort(one, declared).source.sha256 == read_cohort(typed(), declared).source.sha256
    assert read_cohort(one, declared).source.sha256 != read_cohort(two, declared).source.sha256


def test_mixed_objects_are_not_taken_for_one_another() -> None:
    frame = typed().astype(object)
    frame["Grip"] = pd.Series([True, 1, "1"], dtype=object)
    frame["Sex"] = pd.Series([["f"], {"a": 1}, "f"], dtype=object)
    cohort = read_cohort(frame, dictionary())
    assert cohort.data["grip_injured_12_months"].fillna(-1).tolist() == [-1.0, 1.0, 1.0]
    assert cohort.ledger.cells["sex"].set_missing == {"undeclared_level": 2}
