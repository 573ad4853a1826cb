"""Figures: the same bytes each time, nothing about whoever made them, and only what the results say."""

from __future__ import annotations

import re
import sys
from dataclasses import replace

import matplotlib as mpl
import pandas as pd
import pytest
from invented import effect, grip_answer

from outcomes.reporting.canvas import COLUMN_MM, Picture, blank
from outcomes.reporting.figures import TOTAL, draw_forest, forest_picture
from outcomes.reporting.figures_description import LEAST_DRAWN, draw_spread, spread_picture


@pytest.fixture(scope="module")
def forest() -> Picture:
    return forest_picture(grip_answer(), better="higher")


def spread_of(n: int) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "strategy": ["plate", "plate"],
            "reduction": ["met", "not met"],
            "n": [40, n],
            "median": [80.0, 64.25],
            "q1": [70.0, 61.5],
            "q3": [90.0, 66.125],
            "mean": [79.0, 63.0],
        }
    )


def test_same_results_same_bytes(forest: Picture) -> None:
    again = forest_picture(grip_answer(), better="higher")
    assert (forest.svg, forest.png, forest.pdf) == (again.svg, again.png, again.pdf)


def test_files_say_nothing_about_when_and_with_what(forest: Picture) -> None:
    assert b"<dc:date>" not in forest.svg
    assert not re.search(rb"/(CreationDate|ModDate|Creator|Producer|Author)\b", forest.pdf)
    assert {chunk for chunk in (b"tEXt", b"iTXt", b"zTXt", b"tIME", b"eXIf") if chunk in forest.png} == set()


def test_width_is_that_of_a_journal_page(forest: Picture) -> None:
    match = re.search(rb'<svg[^>]* width="([\d.]+)pt"', forest.svg)
    assert match is not None
    assert float(match[1]) / 72 * 25.4 == pytest.approx(COLUMN_MM["double"], abs=0.1)


def test_the_data_drawn_are_the_effects_of_the_answer(forest: Picture) -> None:
    answer = grip_answer()
    wanted = [answer.reduction, *answer.reduction_by_strategy, *answer.pairs]
    assert forest.data["estimate"].astype(float).tolist() == pytest.approx(
        [float("nan") if e.estimate.value is None else e.estimate.value for e in wanted], nan_ok=True
    )
    assert "not estimable" in forest.alt
    total = forest_picture(answer, better="higher", which=TOTAL)
    assert set(total.data["estimand"]) == {"E3"}


def test_which_side_is_better_follows_the_outcome() -> None:
    for better, right in (("higher", "first is better →"), ("lower", "first is worse →")):
        _, axes = blank(height_mm=80.0, left_mm=60.0, right_mm=30.0)
        draw_forest(axes, grip_answer(), better=better)
        assert right in [text.get_text() for text in axes.texts]


def test_every_interval_and_the_margin_are_inside_the_picture() -> None:
    wide = replace(grip_answer(), pairs=(effect("E2", ("a", "b"), -40.0, 25.0, at="met"),))
    _, axes = blank(height_mm=80.0)
    draw_forest(axes, wide, better="higher")
    low, high = axes.get_xlim()
    assert low < -65
    assert high > 15.2


def test_an_answer_without_any_estimate_is_drawn_and_says_so() -> None:
    none = effect("E1", (), None, 0)
    empty = replace(grip_answer(), reduction=none, reduction_by_strategy=(), pairs=(), margin=None)
    assert forest_picture(empty, better="lower").data["estimate"].isna().all()


def test_a_group_of_few_is_counted_and_not_drawn() -> None:
    few = spread_of(LEAST_DRAWN - 1)
    picture = spread_picture(few, key="x", label="grip", unit="kg")
    assert picture.data.loc[1, ["median", "q1", "q3", "mean"]].isna().all()
    assert "64" not in picture.alt
    _, axes = blank(height_mm=60.0)
    draw_spread(axes, few, label="grip", unit="kg")
    assert len(axes.patches) == 1
    enough = spread_picture(spread_of(LEAST_DRAWN), key="x", label="grip", unit="kg")
    assert enough.data["median"].notna().all()


def test_no_settings_are_changed_and_no_window_is_opened(forest: Picture) -> None:
    before = dict(mpl.rcParams)
    forest_picture(grip_answer(), better="higher")
    assert dict(mpl.rcParams) == before
    assert "outcomes.reporting.figures" in sys.modules
    assert not any("pyplot" in str(getattr(sys.modules[name], "__dict__", {}).get("plt", ""))
                   for name in sys.modules if name.startswith("outcomes.reporting"))  # fmt: skip
