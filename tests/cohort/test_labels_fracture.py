"""Extra-articular or articular by the letter of the AO/OTA class."""

from __future__ import annotations

import pandas as pd
import pytest

from outcomes.cohort.fracture import articular


@pytest.mark.parametrize(
    ("code", "letter"),
    [
        ("23-A2", "A"), ("23A3", "A"), ("23 A3", "A"), ("2R3A2.1", "A"), ("2R3-A3", "A"), ("a2", "A"),
        ("23-B1", "B"), ("2R3B3.2", "B"), ("B", "B"), ("23-C3", "C"), ("2r3c1", "C"), ("AO 23-C2", "C"),
        ("AO/OTA 2R3C2.3*(5a)", "C"), ("AO type C", "C"),
    ],
)  # fmt: skip
def test_letter_in_both_editions(code: str, letter: str) -> None:
    found = articular([code])
    assert found.letter[0] == letter
    assert found.label[0] == ("extra-articular" if letter == "A" else "articular")


@pytest.mark.parametrize("code", ["2U3A1", "22-A2", "Frykman II", "23-D1", "A7", "", "23", "Barton"])
def test_other_codes_are_unknown_and_counted(code: str) -> None:
    found = articular([code, None])
    assert list(found.label) == ["unknown", "unknown"]
    assert (found.n_unreadable, found.n_missing) == (1, 1)


def test_old_a1_is_an_isolated_fracture_of_the_ulna() -> None:
    # from memory, AO/OTA compendium: 23-A1 of the old edition is not 2R3A1 of 2018
    found = articular(["23-A1", "23-A1.2", "2R3A1", "A1"])
    assert list(found.letter) == ["A"] * 4
    assert "2 cases with the old code 23-A1" in found.warnings[0]
    assert "1 case with A1 without edition" in found.warnings[1]
    assert not articular(["2R3A1"]).warnings


def test_counts() -> None:
    found = articular(["2R3A2", "2R3C1", "2R3B1", None])
    assert found.tidy()["n"].tolist() == [1, 2, 1]
    assert "1 extra-articular and 2 articular" in str(found)
    assert len(articular([]).label) == 0


def test_categories_as_the_reader_makes_them() -> None:
    found = articular(pd.Categorical(["2R3A2", None, "2R3C1"]))
    assert list(found.label) == ["extra-articular", "unknown", "articular"]
