"""Figures of the description: the balance plot, and how the outcome spreads by strategy and reduction."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from outcomes.reporting.canvas import (
    BAND,
    INK,
    QUIET,
    RULE,
    TONES,
    Picture,
    blank,
    files_of,
    journal_style,
    number_ticks,
)
from outcomes.reporting.formatting import count, interval, number
from outcomes.reporting.tables import records

#: Differences up to this size are usually called balanced (*common practice, no source*).
SMALL = 0.1
#: Fewer cases than this are counted and not drawn: a quantile of a few cases is a patient.
LEAST_DRAWN = 10
_ROW_MM = 5.0
_BALANCE_ROOM_MM = 44.0
_SPREAD_ROOM_MM = 56.0


def draw_balance(axes: Axes, balance: pd.DataFrame) -> pd.DataFrame:
    """Draw the largest standardised difference of every variable, greatest first.

    Parameters
    ----------
    axes : Axes
    balance : DataFrame
        Columns ``label, std_difference, between``.

    Returns
    -------
    DataFrame
        The same, in the order drawn.
    """
    drawn = balance.sort_values("std_difference", ascending=False, kind="stable").reset_index(drop=True)
    axes.axvspan(0.0, SMALL, facecolor=BAND, edgecolor="none", zorder=0)
    for position, row in enumerate(records(drawn)):
        axes.plot([0.0, row["std_difference"]], [position, position], color=QUIET, linewidth=0.8, zorder=2)
        axes.plot(
            [row["std_difference"]],
            [position],
            marker="o",
            markersize=4.5,
            color=INK,
            linestyle="none",
            zorder=3,
        )
        _left(axes, position, str(row["label"]), _BALANCE_ROOM_MM)
        axes.annotate(
            f"{number(row['std_difference'], 2)}   {_pair(str(row['between']))}", (1.02, position),
            xycoords=axes.get_yaxis_transform(), ha="left", va="center", fontsize=6.2, color=QUIET, linespacing=1.05,
            annotation_clip=False,
        )  # fmt: skip
    axes.set_ylim(len(drawn) - 0.4, -0.6)
    axes.set_xlim(0.0, max(0.4, float(drawn["std_difference"].max()) * 1.08) if len(drawn) else 0.4)
    axes.set_yticks([])
    for side in ("right", "top"):
        axes.spines[side].set_visible(False)
    axes.set_xlabel("largest standardised difference between two compared groups", fontsize=7.2)
    axes.tick_params(axis="x", labelsize=7, length=2.5)
    return drawn


def _pair(between: str) -> str:
    """Break a long pair of strategies after the word between them."""
    return between if len(between) <= 46 else between.replace(" v ", " v\n          ", 1)


def balance_picture(balance: pd.DataFrame, *, by: str) -> Picture:
    """Return the balance plot as files at two-column width."""
    with journal_style():
        figure, axes = blank(
            height_mm=14.0 + 6.0 * max(len(balance), 1),
            left_mm=46.0,
            right_mm=66.0,
            top_mm=3.0,
            bottom_mm=11.0,
        )
        drawn = draw_balance(axes, balance)
    files = files_of(figure)
    told = "; ".join(f"{row['label']} {number(row['std_difference'], 2)}" for row in records(drawn))
    return Picture(
        key=f"balance_by_{by}",
        caption=f"Balance plot by {by}: how far apart the two most different compared groups are, before any adjustment. "
        f"Shaded: up to {SMALL}.",
        alt=f"Balance plot by {by}. Largest standardised differences: {told}.",
        svg=files["svg"],
        png=files["png"],
        pdf=files["pdf"],
        data=drawn,
    )


def draw_spread(axes: Axes, spread: pd.DataFrame, *, label: str, unit: str) -> pd.DataFrame:
    """Draw quartiles of an outcome by strategy, met above not met.

    Parameters
    ----------
    axes : Axes
    spread : DataFrame
        One line a strategy and reduction: ``strategy, reduction, n, median, q1, q3, mean``. Groups under ten
        cases are counted and not drawn.
    label, unit : str
        Of the outcome.

    Returns
    -------
    DataFrame
        What was drawn, values of small groups left out.
    """
    position, drawn = 0.0, list[dict[str, Any]]()
    for strategy, lines in spread.groupby("strategy", sort=False):
        _left(axes, position + 0.5 * (len(lines) - 1), str(strategy), _SPREAD_ROOM_MM)
        for row in records(lines):
            drawn.append(_draw_strip(axes, position, row))
            position += 1.0
        axes.axhline(position - 0.25, color=RULE, linewidth=0.5)
        position += 0.5
    axes.set_ylim(position - 0.5, -0.7)
    axes.set_yticks([])
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    ends = [float(row[name]) for row in drawn for name in ("q1", "q3", "mean") if not pd.isna(row[name])] or [
        0.0,
        1.0,
    ]
    air = 0.08 * ((max(ends) - min(ends)) or 1.0)
    axes.set_xlim(min(ends) - air, max(ends) + air)
    axes.set_xlabel(f"{label} ({unit})" if unit else label, fontsize=7.2)
    axes.tick_params(axis="x", labelsize=7, length=2.5)
    number_ticks(axes)
    return pd.DataFrame(drawn)


def _draw_strip(axes: Axes, position: float, row: dict[str, Any]) -> dict[str, Any]:
    """Draw quartiles as a strip, hatched when the criteria were not met, with median and mean."""
    n, reduction = int(row["n"]), str(row["reduction"])
    axes.annotate(
        f"{reduction or 'all'}  n = {count(n)}", (1.02, position), xycoords=axes.get_yaxis_transform(), ha="left",
        va="center", fontsize=6.8, color=INK, annotation_clip=False,
    )  # fmt: skip
    if n < LEAST_DRAWN or pd.isna(row["median"]):
        axes.annotate(
            f"under {LEAST_DRAWN} cases: not drawn", (0.02, position), xycoords=axes.get_yaxis_transform(), ha="left",
            va="center", fontsize=6.5, color=QUIET,
        )  # fmt: skip
        return {**row, "median": None, "q1": None, "q3": None, "mean": None}
    low, high, middle, mean = (float(row[name]) for name in ("q1", "q3", "median", "mean"))
    met = reduction != "not met"
    axes.barh(
        position, high - low, left=low, height=0.56, facecolor=TONES["met"] if met else "white",
        edgecolor=INK, linewidth=0.7, hatch="" if met else "/////", zorder=2,
    )  # fmt: skip
    axes.plot([middle, middle], [position - 0.4, position + 0.4], color=INK, linewidth=1.8, zorder=4)
    axes.plot([mean], [position], marker="o", markersize=4.0, markerfacecolor="white", markeredgecolor=INK,
              linestyle="none", zorder=5)  # fmt: skip
    return row


def spread_picture(spread: pd.DataFrame, *, key: str, label: str, unit: str) -> Picture:
    """Return the spread of an outcome by strategy and reduction as files at two-column width."""
    n_strategies = spread["strategy"].nunique()
    tall = _ROW_MM * (len(spread) + 0.5 * n_strategies + 0.7)
    with journal_style():
        figure, axes = blank(height_mm=tall + 14.0, left_mm=58.0, right_mm=32.0, top_mm=2.0, bottom_mm=11.0)
        drawn = draw_spread(axes, spread, label=label, unit=unit)
    files = files_of(figure)
    return Picture(
        key=f"spread_{key}",
        caption=f"{label[:1].upper()}{label[1:]} by strategy and reduction. Strip: middle half of the cases; line: median; "
        "circle: mean; filled: criteria met, hatched: not met. As recorded, not adjusted.",
        alt=_spread_alt(drawn, label),
        svg=files["svg"],
        png=files["png"],
        pdf=files["pdf"],
        data=drawn,
    )


def _spread_alt(drawn: pd.DataFrame, label: str) -> str:
    parts = []
    for row in records(drawn):
        who = f"{row['strategy']}, {row['reduction']}" if row["reduction"] else str(row["strategy"])
        if pd.isna(row["median"]):
            parts.append(f"{who}: {count(int(row['n']))} cases, not drawn")
        else:
            middle_half = interval(row["q1"], row["q3"], landmarks=())
            parts.append(f"{who}: median {number(row['median'])}, middle half {middle_half}")
    return f"Spread of {label} by strategy and reduction. {'; '.join(parts)}."


def _left(axes: Axes, position: float, text: str, room_mm: float) -> None:
    """Write the name of a line flush left, in the room beside the axes."""
    axes.annotate(
        text, (0.0, position), xytext=(-room_mm / 25.4 * 72, 0), xycoords=axes.get_yaxis_transform(),
        textcoords="offset points", ha="left", va="center", fontsize=7.5, annotation_clip=False,
    )  # fmt: skip
