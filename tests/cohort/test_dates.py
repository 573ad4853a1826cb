"""Dates in cells: real days, in the declared order, never shifted."""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.cohort.dates import date_judge

DAY = datetime.date(2021, 4, 3)


@pytest.mark.parametrize(
    ("order", "token", "kind"),
    [
        ("day-month-year", "03/04/2021", "text"),
        ("day-month-year", "3.4.2021", "text"),
        ("month-day-year", "04/03/2021", "text"),
        ("year-month-day", "2021/4/3", "text"),
        ("", "2021-04-03", "text"),
        ("month-day-year", "2021-04-03", "text"),
        ("", "2021-04-03", "date"),
        ("", "2021-04-03 00:00:00", "text"),
        ("", "2021-04-03T00:30:00+02:00", "text"),
        ("day-month-year", "03/04/2021 23:59", "text"),
        ("", "3 Apr 2021", "text"),
        ("", "3rd April 2021", "text"),
        ("", "April 3, 2021", "text"),
        ("", "03-APR-2021", "text"),
    ],
)
def test_read(order: str, token: str, kind: str) -> None:
    assert date_judge(order)(token, kind).value == DAY


@pytest.mark.parametrize(
    ("order", "token", "kind", "reason"),
    [
        ("", "03/04/2021", "text", "date_order_not_declared"),
        ("", "25/04/2021", "text", "date_order_not_declared"),
        ("day-month-year", "03/25/2021", "text", "mixed_date_order"),
        ("month-day-year", "25/03/2021", "text", "mixed_date_order"),
        ("year-month-day", "03/04/2021", "text", "other_date_order"),
        ("day-month-year", "2021/04/03", "text", "other_date_order"),
        ("day-month-year", "03/04/21", "text", "two_digit_year"),
        ("", "3-Apr-21", "text", "two_digit_year"),
        ("day-month-year", "29/02/2021", "text", "impossible_date"),
        ("day-month-year", "31/04/2021", "text", "impossible_date"),
        ("day-month-year", "00/00/2019", "text", "partial_date"),
        ("day-month-year", "2019", "text", "partial_date"),
        ("day-month-year", "03/2019", "text", "partial_date"),
        ("day-month-year", "Mar 2019", "text", "partial_date"),
        ("day-month-year", "44197", "text", "serial_date"),
        ("day-month-year", "44197", "number", "serial_date"),
        ("day-month-year", "01/01/1900", "text", "placeholder_date"),
        ("", "1970-01-01", "text", "placeholder_date"),
        ("", "3 Xyz 2021", "text", "not_a_date"),
        ("", "unknown", "text", "not_a_date"),
        ("", "?", "text", "missing_like"),
        ("day-month-year", "03/04/0021", "text", "impossible_date"),
        ("day-month-year", "٣/٤/٢٠٢١", "text", "not_a_date"),
    ],
)
def test_never_read(order: str, token: str, kind: str, reason: str) -> None:
    judgement = date_judge(order)(token, kind)
    assert (judgement.value, judgement.outcome, judgement.reason) == (None, "missing", reason)


@given(st.dates(min_value=datetime.date(1901, 1, 2), max_value=datetime.date(2100, 1, 1)))
def test_every_day_comes_back_in_every_order(day: datetime.date) -> None:
    if day == datetime.date(1970, 1, 1):
        return
    forms = {
        "day-month-year": "%d/%m/%Y",
        "month-day-year": "%m/%d/%Y",
        "year-month-day": "%Y/%m/%d",
        "": "%d %b %Y",
    }
    for order, form in forms.items():
        assert date_judge(order)(day.strftime(form), "text").value == day
