"""A blank figure at journal size, and the same bytes on every run.

The only importer of matplotlib besides :mod:`outcomes.reporting.figures`. Figures are made by the object
interface, without pyplot and without touching a user's settings; dates, program names and random element
ids are left out of the files, so that a figure of the same numbers is the same file.
"""

from __future__ import annotations

import io
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, cast

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from outcomes.reporting.formatting import number

#: Widths of one and of two columns of a journal page, in millimetres.
COLUMN_MM = {"single": 85.0, "double": 174.0}

INK = "#1d2733"
QUIET = "#5d6873"
BAND = "#e9e4d8"
RULE = "#b9b2a3"
#: Filled and hatched are told apart without colour; the tone only helps.
TONES = {"met": "#8fb4bf"}

_STYLE = {
    "font.family": ["DejaVu Sans"],
    "font.size": 7.5,
    "axes.facecolor": "none",
    "axes.linewidth": 0.6,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.unicode_minus": True,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.5,
    "svg.hashsalt": "outcomes",
    "svg.fonttype": "path",
    # Outlines of the glyphs used: a TrueType subset takes five times as long and shows the same.
    "pdf.fonttype": 3,
    "path.simplify": True,
}

_NO_METADATA: dict[str, dict[str, None]] = {
    "svg": {"Date": None, "Creator": None, "Format": None, "Type": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure as files, with its words and the numbers drawn.

    Attributes
    ----------
    key : str
        Stem of the file names.
    caption, alt : str
        Legend, and the description read out to someone who does not see the figure.
    svg, png, pdf : bytes
    data : DataFrame
        What was drawn.
    """

    key: str
    caption: str
    alt: str
    svg: bytes
    png: bytes
    pdf: bytes
    data: pd.DataFrame

    def __repr__(self) -> str:
        """Return name and size only."""
        return f"Picture({self.key!r}, {len(self.data)} drawn)"


def journal_style() -> AbstractContextManager[None]:
    """Return the settings under which a figure is made and saved; a user's own are put back after it."""
    return mpl.rc_context(cast(Any, _STYLE))


def blank(*, height_mm: float, column: str = "double", left_mm: float = 5.0, right_mm: float = 5.0,
          top_mm: float = 5.0, bottom_mm: float = 11.0) -> tuple[Figure, Axes]:  # fmt: skip
    """Return a figure of journal width with one axes, margins in millimetres."""
    width_mm = COLUMN_MM[column]
    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4))
    FigureCanvasAgg(figure)
    axes = figure.add_axes(
        (
            left_mm / width_mm,
            bottom_mm / height_mm,
            (width_mm - left_mm - right_mm) / width_mm,
            (height_mm - top_mm - bottom_mm) / height_mm,
        )
    )
    return figure, axes


def files_of(figure: Figure, *, png_dpi: int = 300) -> dict[str, bytes]:
    """Return the figure as SVG, PNG and PDF without metadata.

    Returns
    -------
    dict of str to bytes
        Keys ``"svg"``, ``"png"``, ``"pdf"``; identical bytes for identical figures.
    """
    files = {}
    with journal_style():
        for kind, metadata in _NO_METADATA.items():
            buffer = io.BytesIO()
            figure.savefig(buffer, format=kind, metadata=metadata, dpi=png_dpi,
                           facecolor="none" if kind == "svg" else "white")  # fmt: skip
            files[kind] = buffer.getvalue()
    return files


def number_ticks(axes: Axes) -> None:
    """Write tick labels with the package's minus sign and few ticks."""
    axes.xaxis.set_major_locator(MaxNLocator(nbins=7, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(
        FuncFormatter(lambda value, _: number(value, 0 if value == int(value) else 1))
    )
