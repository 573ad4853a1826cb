"""Text, dates and other values that are no numbers: refused by position, and never quoted."""

from __future__ import annotations

import datetime
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_matrix, check_outcome, check_weights, floats

CANARY = "Canary 1961"


def refused(function, *arguments, code="not_numeric") -> str:
    with pytest.raises(EstimationError) as caught:
        function(*arguments)
    assert caught.value.code == code
    shown = str(caught.value)
    assert CANARY not in shown
    assert "1961" not in shown
    # neither may a traceback that prints the cause
    assert caught.value.__cause__ is None
    assert caught.value.__suppress_context__ or caught.value.__context__ is None
    return shown


def test_text_in_a_design_names_row_and_column_only() -> None:
    rows = [[1.0, 2.0], [1.0, 3.0], [1.0, CANARY], [1.0, CANARY]]
    message = "the design: 2 values are not numbers, the first in row 3 of column age; convert the column to numbers first"
    for given in (rows, np.array(rows, dtype=object), np.array(rows), pd.DataFrame(rows)):
        shown = refused(check_matrix, given, ["intercept", "age"])
        # an array of text holds no numbers at all: its first cell is the first at fault
        assert shown == message or (isinstance(given, np.ndarray) and given.dtype.kind == "U")
    assert "row 3 of column 2" in refused(check_matrix, pd.DataFrame(rows), ["intercept"])


@pytest.mark.parametrize(("check", "what"), [(check_outcome, "outcome"), (check_weights, "weights")])
def test_text_in_outcome_and_weights(check, what) -> None:
    for given in ([1.0, CANARY], pd.Series([1.0, CANARY]), np.array([1.0, CANARY], dtype=object)):
        assert refused(check, given, 2) == (
            f"the {what}: 1 values are not numbers, the first in row 2; convert the column to numbers first"
        )


@pytest.mark.parametrize(
    "cell",
    ["12", b"12", "", datetime.date(1961, 1, 1), pd.Timestamp(1961, 1, 1), np.datetime64("1961-01-01"), 1j,
     [1961], {"a": 1961}],
)  # fmt: skip
def test_what_is_no_number_is_refused_even_where_it_looks_like_one(cell) -> None:
    cells = np.empty(2, dtype=object)
    cells[:] = [1.0, 0.0]
    cells[1] = cell
    assert "row 2" in refused(check_outcome, cells, 2)


def test_dates_are_no_numbers() -> None:
    assert "2 values" in refused(check_outcome, np.array(["1961-01-01", "1961-01-02"], dtype="M8[D]"), 2)


def test_rows_of_unequal_length() -> None:
    assert "rectangle" in refused(check_matrix, [[1, 2], [1]], ["a", "b"], code="bad_shape")


def test_what_is_missing_is_counted_as_missing() -> None:
    for given in ([1.0, None], pd.Series([1, None], dtype="Int64"), pd.Series([1.0, np.nan])):
        assert "1 missing or infinite outcome" in refused(check_outcome, given, 2, code="not_finite")
    frame = pd.DataFrame({"a": pd.Series([1, None], dtype="Int64"), "b": [True, False]})
    assert "the design: a (1)" in refused(check_matrix, frame, ["a", "b"], code="not_finite")


def test_numbers_of_every_kind_pass() -> None:
    given = np.array([1, 2.5, True, Decimal("0.1"), Fraction(1, 4), np.int8(3)], dtype=object)
    assert floats(given, "the outcome").tolist() == [1.0, 2.5, 1.0, 0.1, 0.25, 3.0]
