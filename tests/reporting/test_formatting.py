"""Rounding happens in one place; what it prints can be read back and never misleads."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates import Estimate
from outcomes.reporting.formatting import (
    MINUS,
    NBSP,
    estimate_cells,
    estimate_text,
    events_of,
    interval,
    number,
    p_value,
    percentage,
    sentence,
)

finite = st.floats(-1e6, 1e6, allow_nan=False, allow_infinity=False)


def back(text: str) -> float:
    """Read a printed number."""
    return float(text.replace(MINUS, "-").replace(",", ""))


@given(finite, st.integers(0, 4))
def test_number_is_within_half_a_unit_and_has_no_hyphen_or_negative_zero(value: float, decimals: int) -> None:
    text = number(value, decimals)
    assert abs(back(text) - value) <= 0.5 * 10.0**-decimals + 1e-9
    assert "-" not in text
    assert not re.fullmatch(rf"{MINUS}0(\.0+)?", text)


@given(st.floats(0, 1))
def test_p_is_never_zero_and_never_one(p: float) -> None:
    text = p_value(p)
    assert text not in ("0", "0.0", "0.00", "0.000", "1.00", "1.000")
    assert ("<" in text) == (p < 0.001)
    if "<" not in text and ">" not in text:
        assert (float(text) < 0.05) == (p < 0.05)


@given(finite, finite)
def test_a_limit_is_never_rounded_onto_zero(a: float, b: float) -> None:
    low, high = sorted((a, b))
    left, right = interval(low, high).split(" to ")
    for printed, value in ((left, low), (right, high)):
        if value == 0 or abs(value) >= 1e-3:
            assert (back(printed) > 0) - (back(printed) < 0) == (value > 0) - (value < 0)


def test_an_interval_that_stops_short_of_the_margin_does_not_print_the_margin() -> None:
    estimate = Estimate(value=6.2, conf_low=2.6, conf_high=9.97, unit="points")
    assert estimate_cells(estimate, margin=10.0)[1] == "2.60 to 9.97"
    assert estimate_cells(estimate)[1] == "2.6 to 10.0"


@pytest.mark.parametrize(
    ("events", "n", "shown"),
    [(9, 28, "32 %"), (1, 3, "33 %"), (9, 280, "3.2 %"), (0, 12, "0 %"), (0, 0, "–")],
)
def test_percentages_follow_their_denominator(events: int, n: int, shown: str) -> None:
    assert percentage(events, n).replace(NBSP, " ") == shown


def test_what_cannot_be_estimated_says_why() -> None:
    assert estimate_text(Estimate.not_estimable("no events")) == "not estimable: no events"
    assert events_of(0, 0) == "no cases"
    assert number(float("nan")) == "–"


def test_sentences_end_once() -> None:
    assert sentence("done.") == "Done."
    assert sentence("") == ""
