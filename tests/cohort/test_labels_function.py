"""Grip share, grip pair and rotation arc by hand-checkable cases. Values are invented."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stand_in import Table, table

from outcomes.cohort.function import grip_kg, grip_share, rotation_arc
from outcomes.errors import CohortError

YEAR = "12 months"


def grips(injured: list[float], other: list[float], **more: list[Any]) -> Table:
    """Return grip at one year."""
    return table(grip_injured_12_months=injured, grip_other_12_months=other, **more)


def test_share_without_dominance_rule() -> None:
    found = grip_share(grips([20.0, 30.0, 0.0], [25.0, 25.0, 25.0]), YEAR)
    assert found.values.tolist() == [80.0, 120.0, 0.0]
    assert found.rule == "no allowance for dominance"


def test_ten_per_cent_rule() -> None:
    # from memory, no source checked: the dominant hand is 10 % stronger
    cohort = grips(
        [22.0, 20.0, 20.0, 20.0, 20.0],
        [20.0, 22.0, 25.0, 25.0, 25.0],
        side=["right", "left", "left", None, "left"],
        dominant_hand=["right", "right", "both", "right", None],
    )
    found = grip_share(cohort, YEAR, dominance="ten_percent")
    np.testing.assert_allclose(found.values, [100.0, 100.0, 80.0, np.nan, np.nan], rtol=1e-12)
    assert found.reasons == {"side or dominant hand not recorded": 2}
    assert "from memory" in str(found)
    with pytest.raises(CohortError, match="none, ten_percent"):
        grip_share(cohort, YEAR, dominance="10%")  # type: ignore[arg-type]


def test_other_hand_that_is_no_reference() -> None:
    cohort = grips(
        [20.0, 20.0, 20.0, 20.0, np.nan, 20.0],
        [25.0, 0.0, np.nan, 25.0, 25.0, 25.0],
        other_hand_impaired=[np.nan, 0.0, 0.0, 1.0, 0.0, 0.0],
    )
    found = grip_share(cohort, YEAR)
    np.testing.assert_array_equal(found.values, [80, np.nan, np.nan, np.nan, np.nan, 80])
    assert found.reasons == {
        "other hand previously injured or painful": 1,
        "grip of the other hand missing": 1,
        "grip of the other hand is zero": 1,
        "grip of the injured hand missing": 1,
    }
    assert found.n + sum(found.reasons.values()) == 6


def test_patients_with_both_wrists_have_no_reference() -> None:
    cohort = grips(
        [20.0] * 7,
        [25.0] * 7,
        patient_id=["a", "a", "b", "b", "c", "c", None],
        side=["left", "right", "left", "left", "left", None, "left"],
    )
    found = grip_share(cohort, YEAR)
    # b broke the same wrist twice: the other hand stays a reference; c cannot be told
    np.testing.assert_array_equal(found.values, [np.nan, np.nan, 80, 80, np.nan, np.nan, 80])
    assert found.reasons == {
        "patient with both wrists injured": 2,
        "several cases of one patient, side not recorded": 2,
    }


def test_grip_in_kg_with_the_other_hand_beside() -> None:
    cohort = grips(
        [20.0, np.nan, 12.0],
        [25.0, 30.0, 0.0],
        side=["left", "right", "right"],
        dominant_hand=["right", "right", None],
    )
    pair = grip_kg(cohort, YEAR)
    np.testing.assert_array_equal(pair.injured.values, [20, np.nan, 12])
    np.testing.assert_array_equal(pair.other.values, [25, 30, np.nan])
    np.testing.assert_array_equal(pair.injured_dominant, [0, 1, np.nan])
    assert pair.injured.unit == pair.other.unit == "kg"
    assert pair.tidy()["n_missing"].sum() == 2


def test_rotation_arc_needs_both_directions() -> None:
    cohort = table(
        pronation_12_months=[80.0, np.nan, 70.0, np.nan, 110.0],
        supination_12_months=[75.0, 80.0, np.nan, np.nan, 95.0],
    )
    found = rotation_arc(cohort, YEAR)
    np.testing.assert_array_equal(found.values, [155, np.nan, np.nan, np.nan, 205])
    assert found.reasons == {"both directions missing": 1, "pronation missing": 1, "supination missing": 1}
    assert found.queries == {"above 200 degrees, kept": 1}
    assert any("to be asked about" in note for note in found.notes)


@pytest.mark.parametrize("measure", [grip_share, grip_kg, rotation_arc])
def test_missing_columns_and_unknown_visits_are_named(measure: Any) -> None:
    with pytest.raises(CohortError, match="12_months"):
        measure(table(age=[60.0]), YEAR)
    with pytest.raises(CohortError, match="6 months"):
        measure(table(age=[60.0]), "1 year")


def test_text_in_a_number_column_is_refused_without_its_content() -> None:
    with pytest.raises(CohortError, match="must hold numbers") as caught:
        grip_share(table(grip_injured_12_months=["twenty-one"], grip_other_12_months=[20.0]), YEAR)
    assert "twenty-one" not in str(caught.value)


def test_results_show_counts_and_no_rows() -> None:
    found = grip_share(grips([20.0, 21.25], [25.0, 0.0]), YEAR)
    shown = repr(found) + str(found) + found._repr_html_() + found.tidy().to_string()
    assert "21.25" not in shown
    assert "80" not in shown


GRIP = st.one_of(st.just(np.nan), st.integers(0, 800).map(lambda tenths: tenths / 10))


@settings(deadline=None)
@given(st.lists(st.tuples(GRIP, GRIP), min_size=1, max_size=10), st.floats(0.1, 3.0))
def test_share_does_not_depend_on_the_unit_of_force(pairs: list[tuple[float, float]], factor: float) -> None:
    injured, other = np.array(pairs).T
    plain = grip_share(grips(list(injured), list(other)), YEAR)
    scaled = grip_share(grips(list(injured * factor), list(other * factor)), YEAR)
    np.testing.assert_allclose(scaled.values, plain.values, rtol=1e-9)
    assert plain.n + sum(plain.reasons.values()) == len(pairs)
    assert plain.tidy()["n"].sum() == plain.n
