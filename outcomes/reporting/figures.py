"""Draw results on given axes; every function hands back the data it drew.

Nothing is computed here beyond positions. Marks differ by shape and by lightness, never by colour alone, and
no mark stands for a single patient.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import pandas as pd
from matplotlib.axes import Axes

from outcomes.analysis.answer import Answer, Effect
from outcomes.reporting.answer_tables import contrast_words, effects_frame, families
from outcomes.reporting.canvas import (
    BAND,
    INK,
    QUIET,
    RULE,
    Picture,
    blank,
    files_of,
    journal_style,
    number_ticks,
)
from outcomes.reporting.formatting import estimate_cells, number
from outcomes.reporting.tables import records

Better = Literal["higher", "lower"]
#: Families of the main forest plot, and of the one drawn beside it.
MAIN = ("E1", "E1(s)", "E2")
TOTAL = ("E3",)

_HEADINGS = {
    "E1": "Meeting the criteria",
    "E1(s)": "Meeting the criteria, by strategy",
    "E2": "Strategies, once the criteria are met",
    "E3": "Strategies in total",
}
_MARKS: dict[str, dict[str, object]] = {
    "E1": {"marker": "o", "markersize": 6.0, "markerfacecolor": INK},
    "E1(s)": {"marker": "o", "markersize": 4.6, "markerfacecolor": "white"},
    "E2": {"marker": "s", "markersize": 4.4, "markerfacecolor": INK},
    "E3": {"marker": "D", "markersize": 4.2, "markerfacecolor": "white"},
}
_ROW_MM = 5.2
#: Height of a second line of text, as a share of a row; pairs longer than this are broken before *minus*.
_LINE = 0.65
_LONGEST = 46


def draw_forest(
    axes: Axes, answer: Answer, *, better: Better, which: Sequence[str] = MAIN, label_mm: float = 63.0
) -> pd.DataFrame:
    """Draw effects against the margin band.

    Parameters
    ----------
    axes : Axes
        Row names are written left of it and numbers right of it; leave room.
    answer : Answer
    better : {"higher", "lower"}
        Which way is good for the patient.
    which : sequence of str
        Families to draw, e.g. ``("E1", "E1(s)", "E2")``.
    label_mm : float
        Room for the row names, left of the axes.

    Returns
    -------
    DataFrame
        The effects drawn: thick bar 90 %, thin bar 95 % interval.
    """
    rows = list(_rows(answer, which))
    margin = None if answer.margin is None else answer.margin.value
    _draw_band(axes, margin)
    bottom = 0.0
    for estimand, text, effect in rows:
        lines = 1 + text.count("\n")
        middle = bottom + _ROW_MM * (0.5 + _LINE * (lines - 1) / 2)
        _row_name(axes, middle, text, heading=effect is None, label_mm=label_mm)
        if effect is not None:
            _draw_effect(axes, middle, estimand, effect, margin)
        bottom += _ROW_MM * (1 + _LINE * (lines - 1))
    if not rows:
        bottom = _ROW_MM
        _row_name(axes, bottom / 2, "nothing could be estimated", heading=False, label_mm=label_mm)
    axes.set_ylim(bottom, 0.0)
    axes.set_yticks([])
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    _set_range(axes, [effect for *_, effect in rows if effect is not None], margin)
    number_ticks(axes)
    _label_forest(axes, answer, better)
    frame = effects_frame(answer)
    if frame.empty:
        return frame
    return frame[frame["estimand"].isin(list(which)) & (frame["at"] != "not met")].reset_index(drop=True)


def _rows(answer: Answer, which: Sequence[str]) -> Iterable[tuple[str, str, Effect | None]]:
    """Yield family, text and effect (None for a heading) from top to bottom."""
    for estimand, at, _, effects in families(answer):
        if estimand in which and at != "not met" and effects:
            yield estimand, _HEADINGS[estimand], None
            long = any(len(contrast_words(effect)) > _LONGEST for effect in effects)
            for effect in effects:
                yield estimand, _row_text(effect, broken=long), effect


def _row_text(effect: Effect, *, broken: bool) -> str:
    """Return the name of a row; pairs stand on two lines when one of the family is long."""
    if not effect.groups:
        return "met minus not met, all strategies"
    return (
        f"{effect.groups[0]}\nminus {effect.groups[1]}"
        if broken and len(effect.groups) == 2
        else contrast_words(effect)
    )


def _draw_band(axes: Axes, margin: float | None) -> None:
    if margin is not None:
        axes.axvspan(-margin, margin, facecolor=BAND, edgecolor="none", zorder=0)
        for side in (-margin, margin):
            axes.axvline(side, color=RULE, linewidth=0.8, linestyle=(0, (3, 2)), zorder=1)
    axes.axvline(0.0, color=QUIET, linewidth=0.7, zorder=1)


def _row_name(axes: Axes, position: float, text: str, *, heading: bool, label_mm: float) -> None:
    indent = 0.0 if heading else 3.0
    axes.annotate(
        text, (0.0, position), xytext=(-(label_mm - indent) / 25.4 * 72, 0), xycoords=axes.get_yaxis_transform(),
        textcoords="offset points", ha="left", va="center", fontweight="bold" if heading else "normal",
        fontsize=7.5, linespacing=1.15, annotation_clip=False,
    )  # fmt: skip


def _draw_effect(axes: Axes, position: float, estimand: str, effect: Effect, margin: float | None) -> None:
    value, limits = estimate_cells(effect.estimate, margin=margin)
    middle = effect.estimate.value
    known = middle is not None
    axes.annotate(
        f"{value}  ({limits})" if known else value, (1.03, position), xycoords=axes.get_yaxis_transform(),
        ha="left", va="center", fontsize=7.5, annotation_clip=False, color=INK if known else QUIET,
    )  # fmt: skip
    if middle is None:
        return
    _bar(axes, position, effect.estimate.conf_low, effect.estimate.conf_high, width=0.9, capped=True)
    _bar(axes, position, effect.ordinary.conf_low, effect.ordinary.conf_high, width=2.6, capped=False)
    axes.plot(
        middle, position, linestyle="none", markeredgecolor=INK, markeredgewidth=1.0, zorder=4,
        **_MARKS[estimand],  # type: ignore[arg-type]
    )  # fmt: skip


def _bar(
    axes: Axes, position: float, low: float | None, high: float | None, *, width: float, capped: bool
) -> None:
    if low is None or high is None:
        return
    axes.plot([low, high], [position, position], color=INK, linewidth=width, solid_capstyle="butt", zorder=3)
    if capped:
        axes.plot([low, low, high, high], [position] * 4, color=INK, linestyle="none", marker="|", markersize=4.5,
                  markeredgewidth=0.9, zorder=3)  # fmt: skip


def _set_range(axes: Axes, effects: Iterable[Effect], margin: float | None) -> None:
    """Show zero, the margin band and every interval, with a little air."""
    ends = [0.0] + ([] if margin is None else [-margin, margin])
    for effect in effects:
        ends += [end for end in (effect.estimate.conf_low, effect.estimate.conf_high, effect.estimate.value)
                 if end is not None]  # fmt: skip
    low, high = min(ends), max(ends)
    air = 0.06 * ((high - low) or 1.0)
    axes.set_xlim(low - air, high + air)


def _label_forest(axes: Axes, answer: Answer, better: Better) -> None:
    axes.annotate(
        f"{answer.unit}\n(95\u00a0% interval)", (1.03, 1.0), xytext=(0, 2), xycoords="axes fraction",
        textcoords="offset points", ha="left", va="bottom", fontsize=6.8, color=QUIET, annotation_clip=False,
    )  # fmt: skip
    axes.tick_params(axis="x", labelsize=7, length=2.5)
    right = "first is better" if better == "higher" else "first is worse"
    left = "first is worse" if better == "higher" else "first is better"
    for x, ha, text in (
        (0.0, "left", f"\N{LEFTWARDS ARROW} {left}"),
        (1.0, "right", f"{right} \N{RIGHTWARDS ARROW}"),
    ):
        axes.annotate(text, (x, 0), xytext=(0, -17), xycoords="axes fraction", textcoords="offset points", ha=ha,
                      va="top", fontsize=6.8, color=QUIET)  # fmt: skip
    if answer.margin is not None:
        axes.annotate(
            f"within the margin of {answer.margin.value:g}", (0.0, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom", fontsize=6.8, color=QUIET, annotation_clip=False,
        )  # fmt: skip


def forest_picture(
    answer: Answer, *, better: Better, which: Sequence[str] = MAIN, key: str = "forest"
) -> Picture:
    """Return the forest plot of one outcome as files at two-column width."""
    rows = list(_rows(answer, which))
    second_lines = sum(text.count("\n") for _, text, _ in rows)
    tall = _ROW_MM * (max(len(rows), 1) + _LINE * second_lines)
    with journal_style():
        figure, axes = blank(height_mm=tall + 18.0, left_mm=66.0, right_mm=36.0, top_mm=8.0, bottom_mm=10.0)  # fmt: skip
        drawn = draw_forest(axes, answer, better=better, which=which)
    files = files_of(figure)
    return Picture(
        key=f"{key}_{answer.outcome}",
        caption=_forest_caption(answer, which),
        alt=_forest_alt(answer, drawn),
        svg=files["svg"],
        png=files["png"],
        pdf=files["pdf"],
        data=drawn,
    )


def _forest_caption(answer: Answer, which: Sequence[str]) -> str:
    what = "Strategies in total" if tuple(which) == TOTAL else "Effects"
    bars = "Thin bar: 95 % interval; thick bar: 90 % interval"
    inside = "" if answer.margin is None else "; a thick bar inside the shading is smaller than the margin"
    return f"{what} on {answer.label}. {bars}{inside}."


def _forest_alt(answer: Answer, drawn: pd.DataFrame) -> str:
    """Describe the plot by its numbers."""
    lines = []
    for row in records(drawn):
        name = "meeting the criteria, all strategies" if row["estimand"] == "E1" else str(row["contrast"])
        if pd.isna(row["estimate"]):
            lines.append(f"{name}: not estimable")
        else:
            low, high = number(row["conf_low"]), number(row["conf_high"])
            lines.append(f"{name}: {number(row['estimate'])} ({low} to {high})")
    margin = "" if answer.margin is None else f" Margin {answer.margin.value:g}."
    return f"Forest plot, difference in {answer.label} in {answer.unit}.{margin} {'; '.join(lines)}."
