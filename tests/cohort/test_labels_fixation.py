"""Fixation strategy from components and operation notes. Every note is invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stand_in import Table, notes, table

from outcomes.cohort.concepts import components
from outcomes.cohort.fixation import classify_fixation
from outcomes.cohort.regrouping import group_strategies
from outcomes.cohort.rules import shipped_rules
from outcomes.errors import CohortError, StudyError

PINS = "percutaneous pinning"
AUGMENTED = "bridging external fixation, augmented"
ALONE = "bridging external fixation, unaugmented"
PLATE = "volar locking plate"
CAST = "closed reduction and cast"


def one(note: str) -> tuple[str, str]:
    """Return strategy and rule of one note."""
    labels = classify_fixation(notes(note))
    return labels.strategy[0], labels.rule[0]


@pytest.mark.parametrize(
    ("note", "strategy"),
    [
        ("MUA and POP", CAST),
        ("Closed reduction under haematoma block", CAST),
        ("MUA + K-wires", PINS),
        ("CRPP", PINS),
        ("K-wires x 3, removed at 4/52", PINS),
        ("Bridging ex-fix", ALONE),
        ("Spanning external fixator with K wires", AUGMENTED),
        ("Limited open reduction, bridging exfix", AUGMENTED),
        ("ex fix (bridging) & bone graft", AUGMENTED),
        ("Non-bridging external fixator", "non-bridging external fixation, unaugmented"),
        ("External fixator (non-bridging), kirschner wires", "non-bridging external fixation, augmented"),
        ("ORIF volar locking plate. Backslab", PLATE),
        ("VLP + iliac crest bone graft", PLATE),
        ("Palmar plates", PLATE),
        ("Locking plate via Henry approach", PLATE),
        ("Dorsal plating", "dorsal plate"),
        ("Radial column plate", "radial column plate"),
        ("Fragment-specific fixation incl. radial column plate", "fragment-specific fixation"),
        ("Dorsal bridge plate", "spanning plate"),
        ("IM nail", "intramedullary nail"),
        ("Volar and dorsal plates", "combined"),
        ("VLP with temporary spanning fixator", "combined"),
        ("Spanning fixator with plate", "combined"),
        ("VLP and K-wires", "combined"),
        ("Cannulated screws", "other"),
        ("Plate", "unclear"),
        ("Fracture fixed", "unclear"),
        ("Bone graft", "unclear"),
        ("Bridging and non-bridging fixator", "unclear"),
        ("", "unclear"),
    ],
)
def test_notes_as_written(note: str, strategy: str) -> None:
    assert one(note)[0] == strategy


@pytest.mark.parametrize(
    ("note", "strategy"),
    [
        ("VLP, no graft", PLATE),
        ("Bridging ex-fix, no graft, no wires", ALONE),
        ("Bridging ex fix without K-wires", ALONE),
        ("Bridging ex fix w/o wires or graft", ALONE),
        ("Bridging ex-fix. K-wires not used", ALONE),
        ("Bridging ex-fix, wires - no", ALONE),
        ("Bridging ex-fix; wires: none", ALONE),
        ("Bridging ex-fix without graft with K-wires", AUGMENTED),
        ("No manipulation needed, VLP", PLATE),
        ("Wires were not needed; cast only", CAST),
        # what the denial reaches is open, and it matters
        ("Bridging ex-fix, no wires and graft", "unclear"),
        ("Bridging ex-fix, no wires, graft or screws", "unclear"),
        # what the denial reaches is open, and it does not matter
        ("VLP, no cast and graft", PLATE),
    ],
)
def test_denied_components_are_not_used(note: str, strategy: str) -> None:
    assert one(note)[0] == strategy


@pytest.mark.parametrize(
    ("note", "strategy", "rule"),
    [
        ("VLP. Exfix removed 6/52", PLATE, "volar-plate"),
        ("VLP, for removal of exfix 3/52", PLATE, "volar-plate"),
        ("VLP and remove exfix 3/52", PLATE, "volar-plate"),
        ("Dorsal spanning plate, planned removal", "spanning plate", "spanning-plate"),
        ("Exfix removed 6/52", "unclear", "only-removal"),
        ("VLP + temporary spanning ex-fix, exfix off at 3/52", "combined", "two-or-more"),
        ("Old plate removed and volar plate applied", PLATE, "volar-plate"),
        ("Previous dorsal plate", "unclear", "only-earlier-treatment"),
        # joined to the plate: applied and taken off, or only taken off? it matters, so it is left open
        ("VLP + exfix removed 6/52", "unclear", "doubtful-text"),
    ],
)
def test_planned_removal_adds_no_strategy(note: str, strategy: str, rule: str) -> None:
    assert one(note) == (strategy, rule)


@pytest.mark.parametrize(
    ("note", "strategy"),
    [
        ("Bridging ex-fix, ? K-wires", "unclear"),
        ("Bridging ex-fix, graft if needed", "unclear"),
        ("Wires or plate", "unclear"),
        ("VLP ?graft", PLATE),
        ("Failed MUA, VLP", PLATE),
    ],
)
def test_doubt_matters_only_where_it_changes_the_strategy(note: str, strategy: str) -> None:
    assert one(note)[0] == strategy


@pytest.mark.parametrize(
    ("note", "strategy", "rule"),
    [
        # the index strategy is the first one: a conversion is an event, not the strategy
        ("MUA and cast, converted to VLP at 2/52", CAST, "cast"),
        ("K-wires; subsequently volar plate and graft", PINS, "pinning"),
        ("Converted to VLP", "unclear", "only-later-treatment"),
        ("Failed cast, converted to VLP", "unclear", "doubtful-text"),
    ],
)
def test_a_conversion_is_not_the_index_strategy(note: str, strategy: str, rule: str) -> None:
    labels = classify_fixation(notes(note))
    assert (labels.strategy[0], labels.rule[0]) == (strategy, rule)
    assert "later treatment mentioned" in labels.flags[0]


@pytest.mark.parametrize(
    ("note", "strategy"),
    [
        ("Pins x 2", PINS),
        ("Bridging ex-fix, Schanz pins in 2nd metacarpal", ALONE),
        ("Bridging external fixator pins 2nd metacarpal and radius", ALONE),
        ("Bridging ex-fix, pins", "unclear"),
        ("Bridging ex-fix, pins and graft", AUGMENTED),
        ("Bridging ex-fix with supplementary pins", AUGMENTED),
    ],
)
def test_pins_of_the_fixator_are_not_wires(note: str, strategy: str) -> None:
    assert one(note)[0] == strategy


def test_a_column_settles_whose_pins_they_are() -> None:
    cohort = table(operation_text=["Bridging ex-fix, pins"] * 2, component_wires=[0.0, 1.0])
    assert list(classify_fixation(cohort).strategy) == [ALONE, AUGMENTED]


@pytest.mark.parametrize(
    ("note", "strategy"),
    [
        ("Volar distal radius plate", PLATE),
        ("2.4 mm LCP volar", PLATE),
        ("VLP, provisional K-wires removed", PLATE),
        ("VLP; K-wire used as reduction aid and removed", PLATE),
        ("Ext. fix. bridging with perc. pinning", AUGMENTED),
        ("81 year old lady with VLP", PLATE),
        ("Taken to OR for VLP", PLATE),
    ],
)
def test_ways_of_writing(note: str, strategy: str) -> None:
    assert one(note)[0] == strategy


@pytest.mark.parametrize(
    "note", ["Pin site care taught", "Plaster room appointment", "Skin graft to donor site"]
)
def test_neutral_words_are_no_components(note: str) -> None:
    assert one(note) == ("unclear", "nothing-recorded")


def test_terms_are_whole_words() -> None:
    assert one("Templated; splintered; platelets 200; popliteal block") == ("unclear", "nothing-recorded")


def test_span_not_stated_is_read_by_a_rule_of_its_own() -> None:
    labels = classify_fixation(notes("Ex-fix and K-wires"))
    assert (labels.strategy[0], labels.rule[0]) == (AUGMENTED, "fixator-span-not-stated-augmented")
    assert labels.n_assumed == 1
    assert "not stated" in str(labels)


def test_a_column_that_denies_the_assumed_span_makes_the_case_unclear() -> None:
    labels = classify_fixation(table(operation_text=["Ex-fix"], component_external_fixator_bridging=[0.0]))
    assert (labels.strategy[0], labels.rule[0]) == ("unclear", "column-and-text-disagree")


def test_columns_alone_and_with_text_agree() -> None:
    columns = {f"component_{name}": [0.0, 0.0] for name in components()}
    columns["component_volar_plate"] = [1.0, 1.0]
    columns["component_external_fixator_bridging"] = [0.0, 1.0]
    alone = classify_fixation(table(**columns))
    both = classify_fixation(
        table(**columns, operation_text=["Locking plate", "Plate with ex-fix, ex-fix removed 4/52"])
    )
    assert list(alone.strategy) == list(both.strategy) == [PLATE, "combined"]
    assert both.parts[1] == ("external_fixator_bridging", "volar_plate")
    assert both.matched[0] == ("column volar_plate",)


def test_contradiction_of_column_and_text() -> None:
    labels = classify_fixation(
        table(
            operation_text=["Bridging ex-fix without wires", "Bridging ex-fix with wires", "VLP, no graft"],
            component_wires=[1.0, 0.0, np.nan],
            component_bone_graft=[np.nan, np.nan, 1.0],
        )
    )
    assert list(labels.strategy) == ["unclear", "unclear", PLATE]
    assert list(labels.rule) == ["column-and-text-disagree", "column-and-text-disagree", "volar-plate"]
    assert all("column and text disagree" in flags for flags in labels.flags)


def test_text_fills_what_a_column_does_not_record() -> None:
    labels = classify_fixation(
        table(operation_text=["graft used"], component_external_fixator_bridging=[1.0])
    )
    assert labels.strategy[0] == AUGMENTED


def test_every_label_names_rule_and_evidence() -> None:
    labels = classify_fixation(notes("VLP, no graft"))
    assert labels.matched[0] == ("text: vlp",)
    assert labels.tidy()["says"][0] == "volar plate"


def test_unmatched_phrases_are_counted_and_only_listed_privately() -> None:
    cohort = table(
        operation_text=["VLP, Zebedee technique", "VLP, zebedee  technique", None], source_row=[5, 6, 7]
    )
    labels = classify_fixation(cohort)
    assert labels.n_unmatched == 2
    assert labels.unmatched.to_dict("records") == [
        {"phrase": "zebedee technique", "n_cases": 2, "first_row": 5}
    ]
    shown = repr(labels) + str(labels) + labels._repr_html_() + labels.tidy().to_string()
    assert "zebedee" not in shown.casefold()


def test_index_of_the_table_does_not_matter() -> None:
    cohort = Table(pd.DataFrame({"operation_text": ["VLP", "MUA"]}, index=[7, 7]))
    assert list(classify_fixation(cohort).strategy) == [PLATE, CAST]


def test_no_rows() -> None:
    assert len(classify_fixation(notes()).strategy) == 0


def test_a_table_without_treatment_is_refused() -> None:
    with pytest.raises(CohortError, match="component or operation_text"):
        classify_fixation(table(age=[60.0]))


def test_component_columns_hold_yes_or_no() -> None:
    with pytest.raises(CohortError, match="1 is not: 2"):
        classify_fixation(table(component_wires=[1.0, 2.0]))


@settings(deadline=None)
@given(st.sets(st.sampled_from(components())))
def test_any_set_of_components_gets_one_label(present: set[str]) -> None:
    cohort = table(**{f"component_{name}": [float(name in present)] for name in components()})
    labels = classify_fixation(cohort)
    assert labels.strategy[0] in shipped_rules().strategies
    assert labels.parts[0] == tuple(sorted(present))


@settings(deadline=None)
@given(st.text(max_size=80))
def test_any_text_can_be_read(text: str) -> None:
    assert classify_fixation(notes(text)).strategy[0] in shipped_rules().strategies


@settings(deadline=None)
@given(
    st.lists(st.sampled_from(["VLP", "no graft", "K-wires", "ex-fix", "backslab"]), max_size=5), st.randoms()
)
def test_order_of_phrases_does_not_matter(parts: list[str], random: object) -> None:
    shuffled = list(parts)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    labels = classify_fixation(notes(", ".join(parts), ", ".join(shuffled)))
    assert labels.strategy[0] == labels.strategy[1]


def test_groups_collect_strategies() -> None:
    labels = classify_fixation(notes("VLP", "Dorsal plate", "MUA"))
    grouped = group_strategies(labels, {"plate": [PLATE, "dorsal plate"]})
    assert list(grouped) == ["plate", "plate", CAST]


def test_a_group_may_list_a_strategy_that_does_not_occur() -> None:
    assert list(group_strategies([PLATE], {"plate": [PLATE, "dorsal plate"]})) == ["plate"]


@pytest.mark.parametrize(
    ("groups", "message"),
    [
        ({"plate": ["volar plates"]}, "strategies are"),
        ({"a": [PLATE], "b": [PLATE]}, "in the groups"),
        ({"a": []}, "at least one"),
        ({"dorsal plate": [PLATE]}, "does not collect"),
    ],
)
def test_groups_that_cannot_be_meant_are_refused(groups: dict[str, list[str]], message: str) -> None:
    with pytest.raises(StudyError, match=message):
        group_strategies([PLATE, "dorsal plate"], groups)
