"""A look at a table without a dictionary counts what somebody should settle and shows no cell."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohort.look import TableLook, look_at
from outcomes.errors import CohortError

CANARY = "Quillfeather"


def look(tmp_path: Path, text: str, **options: object) -> TableLook:
    path = tmp_path / "wrists.csv"
    path.write_text(text, encoding="utf-8")
    return look_at(path, **options)  # type: ignore[arg-type]


def found(table: TableLook, heading: str) -> dict[str, int]:
    column = next(column for column in table.columns if column.heading == heading)
    return {what.split(":")[0]: n for what, n in column.findings}


def test_counts_of_kinds_and_findings(tmp_path: Path) -> None:
    lines = [f"{CANARY} {i};{i}0 kg;01/02/24;{'Left' if i % 2 else 'LEFT'};3,5" for i in range(6)]
    lines += ["x;n/a;;left;4,0", "", "total;60;;;"]
    table = look(tmp_path, "Patient name;Grip;Seen;Side;Step\n" + "\n".join(lines) + "\n")
    assert (table.n_rows, table.n_blank_rows, table.header_row) == (9, 1, 1)
    assert found(table, "Seen") == {"dates written as text": 6, "years of two digits": 6}
    assert found(table, "Side") == {"spellings of one word that differ only in case": 3}
    assert found(table, "Step")["a decimal comma"] == 7
    assert found(table, "Grip")["words that probably mean missing"] == 1
    words = " ".join(table.findings)
    assert "look like identifiers of patients: Patient name" in words
    assert "1 row looks like a total" in words
    assert CANARY not in str(table)


def test_units_beside_numbers_are_counted_where_most_cells_are_numbers(tmp_path: Path) -> None:
    table = look(tmp_path, "Grip\n" + "\n".join(["30"] * 5 + ["31 kg", "< 5", "n/a"]) + "\n")
    assert found(table, "Grip")["a unit or a remark in the same cell as a number"] == 1
    assert found(table, "Grip")["words in a column of numbers"] == 1


def test_shifted_repeated_and_doubled(tmp_path: Path) -> None:
    table = look(tmp_path, "A,B,a\n1,2,3\n1,2,3\n1,2\n")
    words = " ".join(table.findings)
    assert "headings that stand twice: A;" in words
    assert "1 row does not have 3 cells" in words
    assert "1 row repeats another row in every cell" in words


def test_a_workbook_names_its_sheets_and_finds_the_headings(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    with pd.ExcelWriter(path) as writer:
        pd.DataFrame({"note": ["x"]}).to_excel(writer, sheet_name="Read me", index=False)
        pd.DataFrame({"id": ["1", "2"], "grip": [30, 31]}).to_excel(
            writer, sheet_name="W", index=False, startrow=3
        )
    table = look_at(path)
    assert (table.sheet, table.header_row, table.n_rows) == ("W", 4, 2)
    assert "other sheets: Read me" in " ".join(table.findings)
    assert look_at(path, sheet="Read me").n_rows == 1
    with pytest.raises(CohortError, match="its sheets are"):
        look_at(path, sheet="Nope")


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("gone.csv", None, "no file"),
        ("empty.csv", b"", "no row 1"),
        ("latin.csv", "a\né".encode("latin-1"), "not utf-8"),
        ("table.parquet", b"PAR1", "check it with a dictionary"),
        (
            "old.csv",
            bytes.fromhex("D0CF11E0A1B11AE1") + b"0" * 600,
            "password-protected or an old Excel file",
        ),
        ("bad.xlsx", b"PK\x03\x04nonsense", "bad.xlsx"),
    ],
)
def test_what_is_no_table_is_refused_with_a_remedy(
    tmp_path: Path, name: str, content: bytes | None, message: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(CohortError, match=message):
        look_at(tmp_path / name)


def test_the_row_of_the_headings_can_be_given(tmp_path: Path) -> None:
    assert look(tmp_path, "title\nA,B\n1,2\n", header_row=2).columns[0].heading == "A"
    with pytest.raises(CohortError, match="no row 9"):
        look(tmp_path, "A,B\n1,2\n", header_row=9)


def test_a_folder_is_called_one_by_the_name_it_was_given(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(CohortError, match=r"^'\.' is a folder"):
        look_at(".")


@pytest.mark.parametrize("header_row", [1, 2])
def test_a_row_of_cells_taken_for_headings_is_not_shown(tmp_path: Path, header_row: int) -> None:
    row = f"MRN700100,{CANARY},03/02/1950,L,-12.5\n"
    table = look(tmp_path, "MRN700099,Oakapple,04/02/1951,L,L\n" + row * 3, header_row=header_row)
    shown = str(table)
    assert "the header row looks like data: is header_row right?" in table.findings
    for cell in (CANARY, "Oakapple", "MRN", "1950", "1951", "'L'"):
        assert cell not in shown
    assert "  (column 2): 3 words" in shown or "  (column 2): 2 words" in shown


def test_one_heading_that_looks_like_a_cell_is_named_by_its_place(tmp_path: Path) -> None:
    table = look(tmp_path, "No.,Side,Tilt,Grip,Sex,03/02/1950,03/02/1950,A,B,C,D\n1,L,2,3,f,4,5,,,,\n")
    assert "headings that stand twice: column 6; rename one of each" in table.findings
    assert "1950" not in str(table)
    assert "'Side': 1 word; 0 blank; 1 distinct" in str(table)
