"""CSV files as they come: what is read, what is refused, and that every physical row is accounted for."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_tables import HEADINGS, ROWS, changed, csv_text, dictionary, read_or_code, write_csv

from outcomes.cohort.csv_scan import count_fields, find_records, unify_newlines
from outcomes.cohort.table import read_cohort
from outcomes.errors import CohortError

PLAIN = csv_text(ROWS)


def refused(folder: Path, text: str | bytes, declared: dict[str, object] | None = None) -> CohortError:
    with pytest.raises(CohortError) as caught:
        read_cohort(write_csv(folder, text), declared or dictionary())
    assert str(folder) not in str(caught.value)
    return caught.value


def test_the_plain_table(tmp_path: Path) -> None:
    cohort = read_cohort(write_csv(tmp_path, PLAIN), dictionary())
    assert cohort.data["patient_id"].tolist() == ["007", "008", "009"]
    assert cohort.data["case_id"].tolist() == ["007 left", "008 right", "009 left"]
    assert cohort.data["tilt_union"].tolist() == [-10.0, 4.0, 0.0]
    assert not np.signbit(cohort.data["tilt_union"].iloc[2])
    assert cohort.data["source_row"].tolist() == [2, 3, 4]
    assert str(cohort.data["injury_date"].dtype) == "datetime64[ns]"
    assert cohort.ledger.rows == {"used": 3, "header": 1}
    assert cohort.ledger.balanced
    assert cohort.problems == ()


@pytest.mark.parametrize(
    "text",
    [
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        PLAIN.rstrip("\n"),
        "\ufeff" + PLAIN,
        "\ufeff\ufeff" + PLAIN,
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", "|"),
        PLAIN.encode("utf-16"),
        "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in PLAIN.splitlines()),
        PLAIN.replace("Side", "\u200b Side\u00a0").replace("Grip", "GRIP "),
    ],
    ids=["crlf", "cr", "no end", "bom", "two boms", "semicolon", "tab", "bar", "utf-16", "quoted", "spaces"],
)
def test_the_same_table_in_other_clothes(tmp_path: Path, text: str | bytes) -> None:
    plain = read_cohort(write_csv(tmp_path, PLAIN), dictionary())
    other = read_cohort(write_csv(tmp_path, text, "other.csv"), dictionary())
    assert other.data.equals(plain.data)
    assert other.ledger == plain.ledger


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "empty"),
        ("  \n ", "empty"),
        (csv_text([]), "empty"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"0" * 600, "wrong_format"),
        (b"PK\x03\x04" + b"0" * 600, "broken_workbook"),
        (b"%PDF-1.7 ...", "wrong_format"),
        (b"<html><table></table></html>", "wrong_format"),
        (PLAIN.replace("007", "0\x0007"), "binary_in_text"),
        (PLAIN.replace("007", "Zo\u00eb").encode("cp1252"), "encoding"),
        (PLAIN.replace("007", '"007'), "unterminated_quote"),
        (PLAIN.replace("007", '0"07'), "stray_quote"),
        (PLAIN.replace("Sex", "Side "), "several"),
        (csv_text([[*row, "1"] for row in ROWS * 2]), "width_mismatch"),
        (csv_text(ROWS, [*HEADINGS[:5], "", "Grip"]), "missing_column"),
        (csv_text([["Northmere"] + [""] * 6, HEADINGS, *ROWS], ["x"] * 7), "header_row"),
        (PLAIN.replace(",", "\x01"), "delimiter"),
    ],
)
def test_refused(tmp_path: Path, text: str | bytes, code: str) -> None:
    assert refused(tmp_path, text).code == code


def test_headings_in_another_row_are_named(tmp_path: Path) -> None:
    error = refused(tmp_path, "Register of wrists\n\n" + PLAIN)
    assert error.code == "header_row"
    assert "header_row = 3" in str(error)
    cohort = read_cohort(tmp_path / "wrists.csv", dictionary({"header_row": 3}))
    assert cohort.ledger.rows == {"used": 3, "above_header": 2, "header": 1}
    assert cohort.data["source_row"].tolist() == [4, 5, 6]


def test_missing_headings_come_with_the_nearest_and_all_at_once(tmp_path: Path) -> None:
    error = refused(tmp_path, PLAIN.replace("Tilt", "Tillt").replace("Grip", "Gripp"))
    assert "no heading 'Tilt'" in str(error)
    assert "'Tillt'" in str(error)
    assert "no heading 'Grip'" in str(error)


def test_cells_without_a_heading_are_refused_but_a_trailing_comma_is_not(tmp_path: Path) -> None:
    tail = "\n".join(line + "," for line in PLAIN.splitlines())
    assert read_cohort(write_csv(tmp_path, tail), dictionary()).ledger.used == 3
    error = refused(tmp_path, tail.replace("12.5,", "12.5,left-handed"))
    assert error.code == "empty_header"
    assert "column 8" in str(error)
    assert "left-handed" not in str(error)


def test_a_declared_encoding(tmp_path: Path) -> None:
    text = PLAIN.replace("007", "Zoë-7").encode("cp1252")
    cohort = read_cohort(write_csv(tmp_path, text), dictionary({"encoding": "cp1252"}))
    assert cohort.data["patient_id"].iloc[0] == "Zoë-7"
    assert [problem.code for problem in cohort.problems] == ["encoding"]


def test_short_and_long_rows_are_set_aside_and_counted(tmp_path: Path) -> None:
    lines = PLAIN.splitlines()
    text = "\n".join([*lines[:2], "010,L,f,01/02/2021", lines[2], lines[3] + ",9,9"])
    cohort = read_cohort(write_csv(tmp_path, text), dictionary())
    assert cohort.ledger.rows == {"used": 2, "header": 1, "short_row": 1, "long_row": 1}
    assert cohort.quarantine["source_row"].tolist() == [3, 5]
    assert cohort.data["source_row"].tolist() == [2, 4]
    assert cohort.data["grip_injured_12_months"].tolist() == [12.5, 20.0]


def test_rows_that_are_no_cases(tmp_path: Path) -> None:
    declared = dictionary({"footer": ["total", "mean"]})
    lines = PLAIN.splitlines()
    extra = ["", ",,,,,,", " , ,,,,,", "Total cases,,,,,,", "Mean,,,,,2,21.2", ",,Total:,,,6,63.5", "total"]
    text = "\n".join([*lines[:2], *extra[:3], lines[0], *lines[2:], *extra[3:]])
    cohort = read_cohort(write_csv(tmp_path, text), declared)
    assert cohort.ledger.not_data == {"header": 1, "blank": 3, "footer": 4, "repeated_header": 1}
    assert cohort.ledger.used == 3
    assert cohort.ledger.quarantined == {}


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("Total,,,,,6,63.5", "looks_like_total"),
        ("n = 3,,,,,6,63.5", "looks_like_total"),
        (",L,f,01/02/2021,03/02/2021,10,12.5", "blank_id"),
        ("* measured by the physiotherapist,,,,,,", "only_id"),
    ],
)
def test_what_is_no_patient_is_never_analysed(tmp_path: Path, line: str, code: str) -> None:
    cohort = read_cohort(write_csv(tmp_path, PLAIN + line), dictionary())
    assert cohort.ledger.quarantined == {code: 1}
    assert cohort.ledger.used == 3


def test_an_id_like_n_104_is_a_patient(tmp_path: Path) -> None:
    text = PLAIN.replace("007", "N-104").replace("008", "Min 3").replace("009", "SD4")
    cohort = read_cohort(write_csv(tmp_path, text), dictionary({"footer": ["n", "min:"]}))
    assert cohort.data["patient_id"].tolist() == ["N-104", "Min 3", "SD4"]


def test_line_breaks_in_a_cell_are_one_row(tmp_path: Path) -> None:
    rows = [[*row, '"volar plate,\nthen ""k-wires"""'] for row in ROWS]
    text = csv_text(rows, [*HEADINGS, "Operation"])
    cohort = read_cohort(write_csv(tmp_path, text), dictionary(Operation={"is": "operation_text"}))
    assert cohort.ledger.physical_rows == 4
    assert cohort.data["operation_text"].tolist() == ['volar plate, then "k-wires"'] * 3
    assert cohort.data["source_row"].tolist() == [2, 3, 4]


@pytest.mark.parametrize(
    ("cell", "heading", "code"),
    [
        ("03/25/2021", "Treated", "mixed_date_order"),
        ("12,5", "Grip", "decimal_not_declared"),
    ],
)
def test_meaning_in_doubt_refuses_the_table(tmp_path: Path, cell: str, heading: str, code: str) -> None:
    text = csv_text(changed(1, heading, cell), mark=";")
    error = refused(tmp_path, text)
    assert error.code == code
    assert f"'{heading}', row 3" in str(error)
    assert cell not in str(error)


def test_the_order_of_dates_is_asked_for(tmp_path: Path) -> None:
    declared = dictionary()
    declared["table"] = {}
    error = refused(tmp_path, PLAIN, declared)
    assert error.code == "several"
    assert "'Injured', rows 2, 3, 4" in str(error)
    assert "'Treated'" in str(error)


def test_a_column_of_declared_and_undeclared_codes(tmp_path: Path) -> None:
    rows = [[f"{i:03}", *ROWS[0][1:6], "999" if i % 4 == 0 else "20"] for i in range(40)]
    path = write_csv(tmp_path, csv_text(rows))
    error = refused(tmp_path, csv_text(rows))
    assert error.code == "code_not_declared"
    assert "999" not in str(error)
    cohort = read_cohort(path, dictionary(Grip={"codes": [999]}))
    assert cohort.ledger.cells["grip_injured_12_months"].set_missing == {"missing_code": 10}


def test_words_for_missing_are_counted_one_by_one(tmp_path: Path) -> None:
    text = csv_text(
        [
            changed(0, "Grip", "n/a")[0],
            changed(1, "Grip", " NR ")[1],
            changed(2, "Grip", "nr")[2],
            ["011", "R", "f"] + [""] * 4,
        ]
    )
    cohort = read_cohort(write_csv(tmp_path, text), dictionary({"missing": ["N/A", "NR"]}))
    counts = cohort.ledger.cells["grip_injured_12_months"]
    assert counts.missing_tokens == {"n/a": 1, "nr": 2}
    assert counts.set_missing == {"missing_token": 3}
    assert counts.blank == 1
    assert [problem.code for problem in cohort.problems] == ["all_missing"]


@pytest.mark.parametrize("place", ["https://example.org/wrists.csv", "nowhere.csv", "."])
def test_what_is_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str) -> None:
    monkeypatch.chdir(tmp_path)
    write_csv(tmp_path, PLAIN)
    with pytest.raises(CohortError) as caught:
        read_cohort(place, dictionary())
    assert caught.value.code in ("address", "no_file")


def test_undeclared_columns_are_listed_and_identifiers_named(tmp_path: Path) -> None:
    rows = [[*row, "Jane Invented", "07700", "x"] for row in ROWS]
    text = csv_text(rows, [*HEADINGS, "Patient name", "Mobile", "Theatre"])
    cohort = read_cohort(write_csv(tmp_path, text), dictionary())
    assert {(problem.code, problem.column) for problem in cohort.problems} == {
        ("identifier_column", "Patient name, Mobile"),
        ("not_used", "Theatre"),
    }
    assert "Jane Invented" not in cohort.data.to_csv()


CELLS = st.text(alphabet='ab1 ,;"\n\u00e9|', max_size=6)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.lists(CELLS, min_size=3, max_size=3), min_size=1, max_size=8), st.sampled_from(["\n", "\r\n"])
)
def test_records_and_fields_are_counted_as_the_standard_reader_counts(
    rows: list[list[str]], end: str
) -> None:
    out = io.StringIO()
    csv.writer(out, lineterminator=end).writerows(rows)
    data = unify_newlines(out.getvalue().encode("utf-8"))
    expected = list(csv.reader(io.StringIO(data.decode("utf-8"), newline="")))
    records = find_records(data)
    assert len(records) == len(expected)
    assert count_fields(data, records, ",").tolist() == [len(row) for row in expected]


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_balanced_or_refused(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    path = tmp_path_factory.mktemp("junk") / "wrists.csv"
    path.write_bytes(PLAIN.encode() + junk)
    code, cohort = read_or_code(path, dictionary())
    if cohort is None:
        assert code != "program_fault"
    else:
        assert cohort.ledger.balanced
        assert cohort.data["tilt_union"].iloc[0] == -10.0


def test_a_tick_by_name_is_no_repeated_heading(tmp_path: Path) -> None:
    declared = {
        "columns": {
            "No.": {"is": "patient_id"},
            "Wires": {"is": "component", "component": "wires", "yes": ["wires"], "blank": "no"},
            "Cast": {"is": "component", "component": "cast", "yes": ["cast"], "blank": "no"},
        }
    }
    cohort = read_cohort(
        write_csv(tmp_path, "No.,Wires,Cast\n1,wires,cast\n2,,\n,Wires,Cast\n3,,cast\n"), declared
    )
    assert cohort.ledger.rows == {"used": 2, "only_id": 1, "header": 1, "repeated_header": 1}
