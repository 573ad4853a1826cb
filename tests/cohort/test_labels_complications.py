"""Complications and reoperations per case and per event. Rows are invented unless a source is named."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stand_in import Table, table

from outcomes.cohort.complications import complication_outcomes
from outcomes.cohort.events import case_events, fold, shipped_events
from outcomes.errors import CohortError

SEEN = "2023-12-31"
PLANNED = "planned removal or planned stage"
EARLY = "not later than the film that defines the reduction"


def followed(*slots: dict[str, Any], treated: str = "2023-01-10", **more: Any) -> Table:
    """Return cases with one event slot each, treated on one day and seen at the end of the year."""
    n = len(slots)
    columns = {
        "treatment_date": pd.to_datetime([treated] * n),
        "last_seen_date": pd.to_datetime([SEEN] * n),
        "event_1": [slot.get("event") for slot in slots],
        "event_date_1": pd.to_datetime([slot.get("date") for slot in slots]),
        "event_reason_1": [slot.get("reason") for slot in slots],
        "event_severity_1": [slot.get("grade", np.nan) for slot in slots],
    }
    return table(**{**columns, **more})


@pytest.mark.parametrize(
    "token",
    [
        "removal of K-wires", "Wire removal", "planned removal of fixator", "ex-fix removal", "Removal of spanning plate",
        "bridge plate removal", "planned removal of hardware", "planned second stage",
    ],
)  # fmt: skip
def test_planned_removal_is_neither_complication_nor_reoperation(token: str) -> None:
    found = complication_outcomes(followed({"event": token}))
    assert found.any_complication.tolist() == [0.0]
    assert found.unplanned_reoperation.tolist() == [0.0]
    assert found.excluded[PLANNED] == 1


def test_a_planned_step_done_for_another_reason_was_not_as_planned() -> None:
    found = complication_outcomes(
        followed(
            {"event": "wire removal", "reason": "pin site infection"},
            {"event": "wire removal", "reason": "routine"},
            {"event": "hardware removal", "reason": "planned"},
            {"event": "hardware removal", "reason": "tendon irritation"},
        )
    )
    assert found.unplanned_reoperation.tolist() == [1.0, 0.0, 0.0, 1.0]
    assert found.events["kind"].tolist() == ["early: planned removal of wires", "hardware removal"]
    assert found.events["reason"].tolist() == ["pin-site infection", "tendon irritation"]


def test_each_reoperation_has_a_reason_or_is_counted_as_unknown() -> None:
    found = complication_outcomes(
        followed(
            {"event": "reoperation", "reason": "loss of reduction"},
            {"event": "reoperation"},
            {"event": "carpal tunnel release"},
            {"event": "corrective osteotomy"},
        )
    )
    assert found.events["reason"].tolist() == ["loss of reduction", "unknown", "nerve", "the kind says it"]
    assert found.events["linked_to_reduction"].tolist() == ["yes", "unknown", "no", "yes"]
    assert found.n_unknown_reason == 1


def test_events_linked_to_the_reduction_leave_when_reduction_is_the_exposure() -> None:
    cohort = followed(
        {"event": "loss of reduction"},
        {"event": "malunion"},
        {"event": "conversion", "reason": "redisplacement"},
        {"event": "osteotomy"},
        {"event": "reoperation", "reason": "infection"},
        {"event": "reoperation"},
        {"event": "CTS"},
        {},
    )
    total = complication_outcomes(cohort)
    assert total.any_complication.tolist() == [1, 1, 1, 1, 1, 1, 1, 0]
    assert total.unplanned_reoperation.tolist() == [0, 0, 1, 1, 1, 1, 0, 0]
    under = complication_outcomes(cohort, exclude_reduction_linked=True)
    assert under.any_complication.tolist() == [0, 0, 0, 0, 1, 1, 1, 0]
    assert under.unplanned_reoperation.tolist() == [0, 0, 0, 0, 1, 1, 0, 0]
    # the reoperation of unknown reason, shown both ways
    assert under.any_complication_strict.tolist() == [0, 0, 0, 0, 1, 0, 1, 0]
    assert under.unplanned_reoperation_strict.tolist() == [0, 0, 0, 0, 1, 0, 0, 0]
    assert under.excluded["linked to the reduction"] == 4
    assert "loss of reduction, malunion and operations done for them left out" in under.event_set
    assert any("without a known reason: 1" in note for note in under.notes)


def test_only_events_after_the_film_count() -> None:
    cohort = followed(
        {"event": "CTS", "date": "2023-01-20"},
        {"event": "CTS", "date": "2023-01-21"},
        {"event": "CTS"},
        {},
        film_date_postoperative=pd.to_datetime(["2023-01-20"] * 4),
    )
    found = complication_outcomes(cohort, after="postoperative")
    np.testing.assert_array_equal(found.any_complication, [0, 1, np.nan, 0])
    np.testing.assert_array_equal(found.unplanned_reoperation, [0, 0, 0, 0])
    assert found.excluded[EARLY] == 1
    assert found.missing["an event whose kind or date is not known"] == 1
    by_case = complication_outcomes(cohort, after=cohort.data["film_date_postoperative"])
    np.testing.assert_array_equal(by_case.any_complication, found.any_complication)
    with pytest.raises(CohortError, match="film_date_union"):
        complication_outcomes(cohort, after="union")
    with pytest.raises(CohortError, match="1 dates for 4 cases"):
        complication_outcomes(cohort, after=[pd.Timestamp("2023-01-20")])


def test_window_counts_days_from_treatment() -> None:
    cohort = followed(
        {"event": "CTS", "date": "2023-04-10"},  # day 90
        {"event": "CTS", "date": "2023-04-11"},
        {"event": "CTS", "date": "2023-01-09"},
        {},
        last_seen_date=pd.to_datetime([SEEN, SEEN, SEEN, "2023-03-01"]),
    )
    found = complication_outcomes(cohort, window_days=90)
    assert found.any_complication.tolist() == [1, 0, 0, 0]
    assert (found.excluded["later than the window"], found.excluded["before treatment"]) == (1, 1)
    assert found.n_short_follow_up == 1
    assert "within 90 days of treatment" in str(found)
    with pytest.raises(CohortError, match="treatment_date"):
        complication_outcomes(table(event_1=["CTS"]), window_days=90)


def test_a_case_without_events_counts_only_if_followed() -> None:
    day = pd.to_datetime
    cohort = table(
        treatment_date=day(["2023-01-10"] * 5),
        last_seen_date=day(["2023-01-11", "2023-01-10", None, None, None]),
        grip_injured_12_months=[np.nan, np.nan, 20.0, np.nan, np.nan],
        tilt_postoperative=[0.0] * 5,
        event_1=[None, None, None, "none", None],
    )
    found = complication_outcomes(cohort)
    np.testing.assert_array_equal(found.any_complication, [0, np.nan, 0, 0, np.nan])
    assert found.missing["not followed"] == 2
    assert "last seen after treatment" in found.rule
    assert complication_outcomes(cohort, blank="none").any_complication.tolist() == [0.0] * 5
    with pytest.raises(CohortError, match="none if followed"):
        complication_outcomes(cohort, blank="no")  # type: ignore[arg-type]


def test_words_that_are_not_known_are_refused_with_rows_and_without_the_words() -> None:
    cohort = followed({"event": "CTS"}, {"event": "Zebedee"}, {"event": "reoperation", "reason": "Dougal"})
    cohort.data["source_row"] = [5, 6, 7]
    with pytest.raises(CohortError) as caught:
        complication_outcomes(cohort)
    message = str(caught.value)
    assert "column 'event_1': 1 not known, row 6" in message
    assert "column 'event_reason_1': 1 not known, row 7" in message
    assert "Zebedee" not in message
    assert "Dougal" not in message


def test_words_that_are_not_known_can_be_set_missing() -> None:
    cohort = followed({"event": "Zebedee"}, {"event": "Zebedee"}, {"date": "2023-02-01"}, {})
    cohort.data["event_2"] = [None, "CTS", None, None]
    found = complication_outcomes(cohort, unmapped="query")
    np.testing.assert_array_equal(found.any_complication, [np.nan, 1, np.nan, 0])
    np.testing.assert_array_equal(found.unplanned_reoperation, [np.nan, np.nan, np.nan, 0])
    assert "unmapped" not in set(found.events["kind"])
    with pytest.raises(CohortError, match="refuse, query"):
        case_events(cohort, unmapped="other")  # type: ignore[arg-type]


def test_a_date_without_an_event_is_asked_about() -> None:
    with pytest.raises(CohortError, match="empty, but a date, grade or reason stands beside it, row 1"):
        case_events(followed({"date": "2023-02-01"}))


def test_no_event_column() -> None:
    with pytest.raises(CohortError, match="declared as event"):
        complication_outcomes(table(age=[60.0]))


def test_events_are_listed_with_grade_date_and_family() -> None:
    cohort = followed({"event": "EPL rupture", "date": "2023-03-01", "grade": 3})
    event = case_events(cohort).to_dict("records")[0]
    assert event["family"] == "tendon"
    assert event["severity"] == 3.0
    assert event["date"] == pd.Timestamp("2023-03-01")
    assert event["reason"] == ""


def test_events_per_case_and_per_event() -> None:
    # PMC3092888: 22 events in 21 patients of 92, 96 fractures; spread over rows by us
    first = ["CTS"] * 21 + [None] * 75
    second = ["tendon irritation"] + [None] * 95
    cohort = table(event_1=first, event_2=second)
    found = complication_outcomes(cohort, blank="none")
    assert (len(found.events), found.n_cases_with) == (22, 21)
    assert found.n_events.sum() == 22
    overall = found.tidy().iloc[0]
    assert (overall["n_events"], overall["n_cases_with"], overall["n"]) == (22, 21, 96)
    assert str(found).startswith("22 events in 21 of 96 cases")


def test_printed_share_per_event_and_per_patient() -> None:
    # doi 10.1186/s13018-019-1344-1: 138 events in 131 patients, 1,175 fractures of 1,152 patients; "11.7 %" is 138/1175
    first = ["CTS"] * 131 + [None] * 1021
    second = ["stiffness"] * 7 + [None] * 1145
    found = complication_outcomes(table(event_1=first, event_2=second), blank="none")
    assert len(found.events) == 138
    assert round(100 * len(found.events) / 1175, 1) == 11.7
    assert round(100 * found.n_cases_with / 1152, 1) == 11.4


def test_published_counts_written_as_a_table() -> None:
    # doi 10.1186/s10195-022-00673-4: 9 of 43 operated patients with a complication, its kind not printed by case
    found = complication_outcomes(table(event_1=["complication"] * 9 + ["none"] * 34))
    assert (found.n_cases_with, found.n_events.sum(), len(found.any_complication)) == (9, 9, 43)
    assert set(found.events["linked_to_reduction"]) == {"unknown"}


@pytest.mark.parametrize(
    ("token", "folded"),
    [
        ("Pin-Site  Infections", "pin site infection"),
        ("CRPS", "crps"),
        ("arthritis", "arthritis"),
        ("EPL.", "epl"),
    ],
)
def test_tokens_are_compared_without_case_hyphen_or_plural(token: str, folded: str) -> None:
    assert fold(token) == folded


def test_results_show_counts_and_no_rows() -> None:
    found = complication_outcomes(followed({"event": "CTS", "date": "2023-03-17"}))
    shown = repr(found) + str(found) + found._repr_html_() + found.tidy().to_string()
    assert "2023" not in shown


TOKENS = st.sampled_from(
    [None, "none", "CTS", "malunion", "wire removal", "reoperation", "osteotomy", "stiffness"]
)


@settings(deadline=None)
@given(st.lists(st.tuples(TOKENS, TOKENS), min_size=1, max_size=12))
def test_laws_of_counting(rows: list[tuple[str | None, str | None]]) -> None:
    cohort = table(event_1=[a for a, _ in rows], event_2=[b for _, b in rows])
    total = complication_outcomes(cohort)
    under = complication_outcomes(cohort, exclude_reduction_linked=True)
    assert len(total.events) + sum(total.excluded.values()) == len(case_events(cohort))
    assert len(under.events) + sum(under.excluded.values()) == len(case_events(cohort))
    for found in (total, under):
        np.testing.assert_array_equal(found.any_complication > 0, found.n_events > 0)
        assert np.all(
            (found.unplanned_reoperation <= found.any_complication) | np.isnan(found.any_complication)
        )
        assert np.all(
            (found.any_complication_strict <= found.any_complication) | np.isnan(found.any_complication)
        )
        silent = np.array([a is None and b is None for a, b in rows])
        np.testing.assert_array_equal(np.isnan(found.any_complication), silent)
    assert np.all((under.any_complication <= total.any_complication) | np.isnan(total.any_complication))


def test_every_kind_and_reason_can_be_written_by_its_own_name() -> None:
    events = shipped_events()
    for kind in set(events.kinds.values()):
        assert events.kinds[fold(kind.name)] == kind
    for reason in set(events.reasons.values()):
        assert fold(reason.name) in events.reasons
