"""Reduction met, not met or indeterminate. Measurements are invented; limits come with their source."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stand_in import Table, table

from outcomes.cohort.criteria import UNITS, read_criteria, reading_error_sizes, shipped_criteria
from outcomes.cohort.dictionary import read_dictionary
from outcomes.cohort.near_limit import near_limit
from outcomes.cohort.reduction import OVERALL, PER_CRITERION, grade_all, grade_reduction, share_met_bounds
from outcomes.cohort.table import read_cohort
from outcomes.errors import CohortError, CriteriaError, DictionaryError

POST = "postoperative"


def films(**columns: list[object]) -> Table:
    """Return postoperative films; fracture class C unless given."""
    n = len(next(iter(columns.values())))
    classes = columns.pop("fracture_class", ["2R3C1"] * n)
    return table(fracture_class=classes, **{f"{name}_{POST}": values for name, values in columns.items()})


def overall(cohort: Table, criteria: str = "common-practice") -> list[str]:
    """Return the overall labels on the postoperative film."""
    return list(grade_reduction(cohort, criteria, POST).overall)


def common(**values: object) -> Table:
    """Return one case that meets the common-practice set, with changes."""
    case = {"tilt": 5.0, "shortening": 1.0, "step": 0.0, "druj_congruent": 1.0, **values}
    return films(**{name: [value] for name, value in case.items()})


@pytest.mark.parametrize(
    ("change", "label"),
    [
        ({}, "met"),
        # common practice, no source: shortening < 4 mm, dorsal tilt < 10 degrees, step < 2 mm, congruent joint
        ({"shortening": 3.9}, "met"),
        ({"shortening": 4.0}, "not met"),
        ({"tilt": -9.9}, "met"),
        ({"tilt": -10.0}, "not met"),
        ({"tilt": 45.0}, "met"),
        ({"step": 1.9}, "met"),
        ({"step": 2.0}, "not met"),
        ({"druj_congruent": 0.0}, "not met"),
        ({"step": np.nan}, "indeterminate"),
        ({"druj_congruent": np.nan}, "indeterminate"),
        # one measured failure is enough, whatever else is missing
        ({"step": np.nan, "tilt": -20.0}, "not met"),
    ],
)
def test_common_practice_set(change: dict[str, object], label: str) -> None:
    assert overall(common(**change)) == [label]


@pytest.mark.parametrize(
    ("criteria", "values", "label"),
    [
        # AAOS 2009: operate if shortening > 3 mm, dorsal tilt > 10 degrees or step > 2 mm; the limits are acceptable
        ("aaos-2009", {"shortening": 3.0, "tilt": -10.0, "step": 2.0}, "met"),
        ("aaos-2009", {"shortening": 3.1, "tilt": -10.0, "step": 2.0}, "not met"),
        ("aaos-2009", {"shortening": 3.0, "tilt": -10.1, "step": 2.0}, "not met"),
        ("aaos-2009", {"shortening": 3.0, "tilt": -10.0, "step": 2.1}, "not met"),
        # doi 10.1007/s00068-016-0635-z: step or gap >= 2 mm calls for an operation; 2.0 is no longer acceptable
        ("ectes-2016", {"step": 1.9, "gap": 1.9}, "met"),
        ("ectes-2016", {"step": 2.0, "gap": 0.0}, "not met"),
        ("ectes-2016", {"step": 0.0, "gap": 2.0}, "not met"),
        # PMC1904215: displaced = volar tilt outside -5 to +20 degrees or ulnar variance >= 2 mm, two-sided in tilt
        ("sweden-displaced", {"tilt": -5.0, "ulnar_variance": 1.9}, "met"),
        ("sweden-displaced", {"tilt": -5.1, "ulnar_variance": 1.9}, "not met"),
        ("sweden-displaced", {"tilt": 20.0, "ulnar_variance": 0.0}, "met"),
        ("sweden-displaced", {"tilt": 20.1, "ulnar_variance": 0.0}, "not met"),
        ("sweden-displaced", {"tilt": 0.0, "ulnar_variance": 2.0}, "not met"),
        # PMC3613545: malunion = ulnar variance >= 1 mm and/or dorsal tilt > 10 degrees
        ("brogren-2013", {"tilt": -10.0, "ulnar_variance": 0.9}, "met"),
        ("brogren-2013", {"tilt": -10.0, "ulnar_variance": 1.0}, "not met"),
        # doi 10.1186/s12891-020-3101-3: dorsal angulation <= 10 degrees and shortening <= 2 mm
        ("ef-vlp-over-80", {"tilt": -10.0, "shortening": 2.0}, "met"),
        ("ef-vlp-over-80", {"tilt": -10.0, "shortening": 2.1}, "not met"),
        # Graham 1997, from memory: inclination >= 15, 15 dorsal to 20 volar, shortening <= 5, step <= 2
        ("graham-1997", {"tilt": -15.0, "inclination": 15.0, "shortening": 5.0, "step": 2.0}, "met"),
        ("graham-1997", {"tilt": 20.1, "inclination": 15.0, "shortening": 5.0, "step": 2.0}, "not met"),
        # PubMed 39007798: worse beyond volar tilt >= 25, dorsal > 10, ulnar variance > 7.5, inclination <= 13
        ("women-over-50-2024", {"tilt": 24.9, "inclination": 13.1, "ulnar_variance": 7.5}, "met"),
        ("women-over-50-2024", {"tilt": 25.0, "inclination": 13.1, "ulnar_variance": 7.5}, "not met"),
        ("women-over-50-2024", {"tilt": 0.0, "inclination": 13.0, "ulnar_variance": 7.5}, "not met"),
    ],
)
def test_published_sets_at_their_limits(criteria: str, values: dict[str, float], label: str) -> None:
    assert overall(films(**{name: [value] for name, value in values.items()}), criteria) == [label]


def test_brogren_levels_are_counts_of_failures() -> None:
    cohort = films(tilt=[0.0, -11.0, -11.0], ulnar_variance=[0.0, 0.0, 1.0])
    assert list(grade_reduction(cohort, "brogren-2013", POST).n_failed) == [0, 1, 2]


def test_shortening_never_stands_in_for_ulnar_variance() -> None:
    with pytest.raises(CriteriaError, match="ulnar_variance_postoperative"):
        grade_reduction(films(tilt=[0.0], shortening=[0.0]), "brogren-2013", POST)
    with pytest.raises(CriteriaError, match="shortening_postoperative"):
        grade_reduction(films(tilt=[0.0], ulnar_variance=[0.0]), "ef-vlp-over-80", POST)


@pytest.mark.parametrize(
    ("written", "unit", "limit"),
    [("1.0", "cm", 10.0), ("0.4", "cm", 4.0), ("0.175", "cm", 1.75), ("0.29", "cm", 2.9)],
)
def test_limits_are_exact_in_decimals_after_unit_conversion(written: str, unit: str, limit: float) -> None:
    value = float(Decimal(written) * 10)  # how the reader converts: in decimals, then to the nearest float
    for key, label in (("below", "not met"), ("at_most", "met")):
        criteria = read_criteria(
            own_set({"name": "length", "concept": "shortening", "unit": "mm", key: limit}),
        )
        assert list(grade_reduction(films(shortening=[value]), criteria, POST).overall) == [label], unit


def own_set(*criteria: dict[str, object]) -> dict[str, object]:
    """Return the content of a criteria file with one invented set."""
    words = {key: "invented" for key in ("id", "version", "title", "citation", "scope", "film")}
    return {
        "format": "outcomes criteria 1",
        "set": [{**words, "evidence": "declared by the authors", "criterion": list(criteria)}],
    }


def test_step_and_gap_do_not_apply_to_extra_articular_fractures() -> None:
    cohort = films(
        fracture_class=["2R3A2", "2R3B1", None],
        tilt=[0.0] * 3,
        shortening=[0.0] * 3,
        step=[5.0, np.nan, np.nan],
    )
    grades = grade_reduction(cohort, "aaos-2009", POST)
    assert list(grades.per_criterion["articular step"]) == ["not applicable", "missing", "missing"]
    assert list(grades.overall) == ["met", "indeterminate", "indeterminate"]
    assert np.isnan(grades.distance["articular step"][0])


def test_step_column_is_not_needed_when_no_fracture_has_a_joint_surface() -> None:
    cohort = films(fracture_class=["23-A2", "A3"], tilt=[0.0, 0.0], shortening=[0.0, 4.0])
    assert overall(cohort, "aaos-2009") == ["met", "not met"]


def test_a_case_to_which_nothing_applies_is_not_met_by_default() -> None:
    cohort = films(fracture_class=["2R3A2"], step=[0.0], gap=[0.0])
    assert overall(cohort, "ectes-2016") == ["indeterminate"]


def test_a_criterion_that_is_not_required_can_only_fail() -> None:
    criteria = read_criteria(
        own_set(
            {"name": "tilt", "concept": "tilt", "unit": "degrees", "at_least": -10},
            {"name": "gap", "concept": "gap", "unit": "mm", "at_most": 2, "required": False},
        )
    )
    grades = grade_reduction(films(tilt=[0.0, 0.0], gap=[np.nan, 3.0]), criteria, POST)
    assert list(grades.overall) == ["met", "not met"]
    assert overall_without_gap(criteria) == ["met"]


def overall_without_gap(criteria: object) -> list[str]:
    """Return the label of a table that has no gap column at all."""
    return list(grade_reduction(films(tilt=[0.0]), criteria, POST).overall)  # type: ignore[arg-type]


def test_signed_distance_is_positive_inside() -> None:
    grades = grade_reduction(
        films(tilt=[0.0, 20.0, 21.5, -7.5, np.nan], ulnar_variance=[1.5, 2.0, 2.5, 0.0, 0.0]),
        "sweden-displaced",
        POST,
    )
    np.testing.assert_array_equal(grades.distance["tilt"], [5.0, 0.0, -1.5, -2.5, np.nan])
    np.testing.assert_array_equal(grades.distance["ulnar variance"], [0.5, 0.0, -0.5, 2.0, 2.0])


def test_film_by_case_and_reader() -> None:
    cohort = table(
        tilt_postoperative=[0.0, -20.0, 0.0],
        tilt_post_reduction=[-20.0, 0.0, 0.0],
        ulnar_variance_postoperative=[0.0] * 3,
        ulnar_variance_post_reduction=[0.0] * 3,
        tilt_postoperative_reader2=[-30.0, 0.0, np.nan],
        ulnar_variance_postoperative_reader2=[0.0, 0.0, np.nan],
    )
    by_case = grade_reduction(cohort, "brogren-2013", [POST, "post-reduction", None])
    assert list(by_case.overall) == ["met", "met", "indeterminate"]
    assert by_case.film == "post-reduction or postoperative film, by case"
    second = grade_reduction(cohort, "brogren-2013", POST, reader=2)
    assert list(second.overall) == ["not met", "met", "indeterminate"]
    assert "reader 2" in str(second)


def test_achieved_and_maintained_are_named() -> None:
    cohort = table(tilt_union=[0.0], ulnar_variance_union=[0.0])
    assert "on the union film" in str(grade_reduction(cohort, "brogren-2013", "union"))


def test_missing_films_are_named_all_at_once() -> None:
    with pytest.raises(
        CriteriaError, match=r"shortening_union, tilt_union, step_union, druj_congruent_union"
    ):
        grade_reduction(table(age=[60.0]), "common-practice", "union")


@pytest.mark.parametrize("time", ["at union", "6 month"])
def test_unknown_film_is_refused(time: str) -> None:
    with pytest.raises(CohortError, match="post-reduction"):
        grade_reduction(common(), "common-practice", time)


def test_one_film_a_case() -> None:
    with pytest.raises(CriteriaError, match="2 entries for 1 cases"):
        grade_reduction(common(), "common-practice", [POST, POST])


def test_reader_is_one_or_two() -> None:
    with pytest.raises(CriteriaError, match="use 1 or 2"):
        grade_reduction(common(), "common-practice", POST, reader=3)


def test_reference_of_shortening_must_be_the_one_that_the_set_demands() -> None:
    cohort = films(tilt=[0.0], inclination=[20.0], shortening=[0.0], step=[0.0])
    column = SimpleNamespace(concept="shortening", reference="normal height")
    cohort.dictionary = SimpleNamespace(columns=(column,))
    with pytest.raises(CriteriaError, match="against the other side"):
        grade_reduction(cohort, "graham-1997", POST)
    column.reference = "other side"
    assert overall(cohort, "graham-1997") == ["met"]


def test_sets_from_memory_are_flagged_wherever_they_are_shown() -> None:
    cohort = films(tilt=[0.0], inclination=[20.0], shortening=[0.0], step=[0.0])
    side = grade_all(cohort, POST, ["graham-1997", "aaos-2009", "brogren-2013"])
    assert [grades.criteria.id for grades in side.grades] == ["graham-1997", "aaos-2009"]
    assert "ulnar_variance_postoperative" in side.not_possible["brogren-2013"]
    shown = side.tidy()
    assert "from memory" in shown["caution"][0]
    assert shown["caution"][1] == ""
    assert "from memory" in str(side).splitlines()[0]
    assert "from memory" in side.grades[0].tidy()["caution"][0]


def test_indeterminates_over_count_not_met() -> None:
    # ANSWER section 2: three criteria, each failed by 10 %, each value missing in 20 %, all independent
    fail, gone = 0.1, 0.2
    met_true = (1 - fail) ** 3
    labelled_met = ((1 - fail) * (1 - gone)) ** 3
    failed = 1 - (1 - fail * (1 - gone)) ** 3
    assert 100 * met_true == pytest.approx(72.9)
    share = 100 * labelled_met / (labelled_met + failed)
    assert share == pytest.approx(62.8, abs=0.05)
    rng = np.random.default_rng(3)
    values = np.where(rng.random((3, 40_000)) < fail, 9.0, 0.0)
    values[rng.random(values.shape) < gone] = np.nan
    criteria = read_criteria(
        own_set(
            *(
                {"name": name, "concept": name, "unit": "mm", "at_most": 2}
                for name in ("step", "gap", "shortening")
            )
        )
    )
    cohort = films(step=list(values[0]), gap=list(values[1]), shortening=list(values[2]))
    found = share_met_bounds(grade_reduction(cohort, criteria, POST))
    assert found.labelled_only is not None
    assert 100 * found.labelled_only == pytest.approx(share, abs=1.0)
    assert found.low is not None
    assert found.high is not None
    assert found.low < met_true < found.high


def test_bounds_by_hand() -> None:
    share = share_met_bounds(["met"] * 6 + ["not met"] * 2 + ["indeterminate"] * 2)
    assert (share.low, share.high, share.labelled_only) == (0.6, 0.8, 0.75)
    eligible = np.array([True] * 8 + [False] * 2)
    assert (
        share_met_bounds(["met"] * 6 + ["not met"] * 2 + ["indeterminate"] * 2, where=eligible).high == 0.75
    )
    assert share_met_bounds([]).low is None
    with pytest.raises(CriteriaError, match="must be one of"):
        share_met_bounds(["yes"])


def test_near_limit_uses_published_reading_error() -> None:
    # doi 10.1186/s12880-016-0147-7: tilt 6 to 8 degrees, ulnar variance 2 to 4 mm; the middle is used
    sizes = reading_error_sizes()
    assert (sizes["tilt"].value, sizes["ulnar_variance"].value) == (7.0, 3.0)
    grades = grade_reduction(
        films(tilt=[-3.0, -2.9, np.nan], ulnar_variance=[-2.0, -2.1, 4.0]), "brogren-2013", POST
    )
    near = near_limit(grades)
    assert list(near["dorsal tilt"]) == [True, False, False]
    assert list(near["ulnar variance"]) == [True, False, True]


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.none(), st.floats(-90, 90)),
            st.one_of(st.none(), st.floats(0, 40)),
            st.one_of(st.none(), st.floats(0, 40)),
            st.sampled_from([None, "2R3A3", "23-B1", "C2"]),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_laws_of_the_label(rows: list[tuple[float | None, float | None, float | None, str | None]]) -> None:
    tilt, shortening, step, classes = (list(values) for values in zip(*rows, strict=True))
    cohort = films(
        fracture_class=classes,
        tilt=pd.array(tilt, dtype="Float64").to_numpy(float, na_value=np.nan),  # type: ignore[arg-type]
        shortening=pd.array(shortening, dtype="Float64").to_numpy(float, na_value=np.nan),  # type: ignore[arg-type]
        step=pd.array(step, dtype="Float64").to_numpy(float, na_value=np.nan),  # type: ignore[arg-type]
    )
    grades = grade_reduction(cohort, "aaos-2009", POST)
    words = grades.per_criterion.to_numpy()
    assert set(words.ravel()) <= set(PER_CRITERION)
    for label, row, away in zip(grades.overall, words, grades.distance.to_numpy(), strict=True):
        assert label in OVERALL
        assert (label == "not met") == ("not met" in row)
        assert (label == "met") == ({"met"} <= set(row) <= {"met", "not applicable"})
        for word, distance in zip(row, away, strict=True):
            assert np.isnan(distance) == (word in ("missing", "not applicable"))
            assert not (word == "met" and distance < 0)
            assert not (word == "not met" and distance > 0)
    # to worsen a measurement never turns a case into one that met
    worse = films(
        fracture_class=classes,
        tilt=cohort.data["tilt_postoperative"] - 5,
        shortening=cohort.data["shortening_postoperative"] + 1,
        step=cohort.data["step_postoperative"] + 1,
    )
    after = grade_reduction(worse, "aaos-2009", POST).overall
    assert not np.any((after == "met") & (grades.overall != "met"))


def test_two_row_index_does_not_matter() -> None:
    cohort = common()
    cohort.data.index = pd.Index([41])
    assert overall(cohort) == ["met"]


def test_every_shipped_set_can_be_read_and_says_where_it_is_from() -> None:
    assert shipped_criteria()[0] == "common-practice"
    seen = {name for name in shipped_criteria() if read_criteria(name).seen}
    assert {"aaos-2009", "ectes-2016", "sweden-displaced", "brogren-2013", "ef-vlp-over-80"} <= seen
    assert not {"graham-1997", "dutch-2010", "danish", "norwegian-2015", "common-practice"} & seen
    for name in shipped_criteria():
        criteria = read_criteria(name)
        assert criteria.citation
        assert criteria.scope
        assert criteria.film
        for criterion in criteria.criteria:
            assert criterion.unit == UNITS[criterion.concept]
            assert criterion.intra_articular_only == (criterion.concept in ("step", "gap"))


def test_results_show_counts_and_no_rows() -> None:
    grades = grade_reduction(common(tilt=-77.25), "common-practice", POST)
    shown = repr(grades) + str(grades) + grades._repr_html_() + grades.tidy().to_string()
    assert "77.25" not in shown
    assert grades.tidy().query("outcome == 'reduction' and group == 'not met'")["n"].item() == 1


def test_one_film_column_serves_casts_and_operations(tmp_path: Path) -> None:
    declared = {
        "columns": {
            "No.": {"is": "patient_id"},
            "Tilt": {"is": "tilt", "time": "first after index", "unit": "degrees", "positive": "volar"},
            "UV": {
                "is": "ulnar_variance",
                "time": "first after index",
                "unit": "mm",
                "positive": "ulna longer",
            },
            "Film": {"is": "film_date", "time": "first after index"},
        }
    }
    path = tmp_path / "films.csv"
    path.write_text("No.,Tilt,UV,Film\n1,4,0,2021-02-03\n2,-30,0,2021-02-04\n", encoding="utf-8")
    cohort = read_cohort(path, declared)
    assert {"tilt_first_after_index", "film_date_first_after_index"} <= set(cohort.data.columns)
    one, by_case = (
        grade_reduction(cohort, "brogren-2013", time)
        for time in ("first after index", np.array(["first after index"] * 2, dtype=object))
    )
    assert list(one.overall) == list(by_case.overall) == ["met", "not met"]
    assert one.film == by_case.film == "first film after the index strategy"


def test_only_films_can_be_the_first_after_the_index_strategy() -> None:
    with pytest.raises(DictionaryError, match="time = 'first after index' is not one of 'injury'"):
        read_dictionary(
            {"columns": {"No.": {"is": "patient_id"}, "P": {"is": "prwe", "time": "first after index"}}}
        )


def test_missing_film_columns_are_named_by_film_with_cases_and_the_remedy() -> None:
    films = table(tilt_postoperative=[4.0, 4.0, 4.0], ulnar_variance_postoperative=[0.0, 0.0, 0.0])
    with pytest.raises(CriteriaError) as caught:
        grade_reduction(films, "brogren-2013", ["postoperative", "post-reduction", "post-reduction"])
    message = str(caught.value)
    assert (
        "ulnar_variance_post_reduction, tilt_post_reduction for the post-reduction film of 2 cases."
        in message
    )
    assert "postoperative film" not in message
    assert 'time = "first after index"' in message
    with pytest.raises(CriteriaError, match=r"for the union film of 1 case\. Declare"):
        grade_reduction(films, "brogren-2013", ["union", "injury", "injury"])
