"""The report as content: sections of text, tables and figures, before any document format.

Renderers (:mod:`outcomes.reporting.html` now) read it and add nothing, so that every format says the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from outcomes.analysis.sample import FlowStep
from outcomes.reporting.canvas import Picture
from outcomes.reporting.tables import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """Paragraphs, or a list of points.

    Attributes
    ----------
    paragraphs : tuple of str
    kind : {"prose", "points", "caution"}
    heading : str
        Heading above them; empty for none.
    """

    paragraphs: tuple[str, ...]
    kind: Literal["prose", "points", "caution"] = "prose"
    heading: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """Words and what they mean, or labels and what stands under them."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """The participant flow: one line of counts and exclusions, and into what its last count divides."""

    trunk: tuple[FlowStep, ...]
    branches: tuple[FlowStep, ...]


Block = Text | Terms | Flow | Table | Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One part of the report.

    Attributes
    ----------
    key : str
        Anchor.
    title : str
    blocks : tuple of Block
    """

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontPage:
    """Page one: what someone with only the README can read.

    Attributes
    ----------
    banner, study, answer, about, sentence : str
        Who may see it, title of the study, the answer in a few words, the outcome it is about, one sentence.
    facts : tuple of (label, text)
        For whom, by how much, the strongest objection, what was left out, ethics and plan.
    caution : str
    figure : Picture or None
    first : tuple of str
        What must be read before the answer; printed in the banner.
    """

    banner: str
    study: str
    answer: str
    about: str
    sentence: str
    facts: tuple[tuple[str, str], ...]
    caution: str
    figure: Picture | None
    first: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """Every word printed on page one."""
        caption = "" if self.figure is None else self.figure.caption
        facts = [f"{label} {text}" for label, text in self.facts]
        first = [f"Read first. {text}" for text in self.first]
        return "\n".join(
            [
                self.banner,
                *first,
                self.study,
                self.answer,
                self.about,
                self.sentence,
                *facts,
                caption,
                self.caution,
            ]
        )

    @property
    def n_words(self) -> int:
        """Number of words on page one."""
        return len(self.text.split())


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A whole report.

    Attributes
    ----------
    front : FrontPage
    sections : tuple of Section
    made_by : str
        Package and version.
    """

    front: FrontPage
    sections: tuple[Section, ...]
    made_by: str

    def tables(self) -> tuple[Table, ...]:
        """Return every table in the order of the report."""
        return tuple(
            block for section in self.sections for block in section.blocks if isinstance(block, Table)
        )

    def pictures(self) -> tuple[Picture, ...]:
        """Return every figure, that of page one first."""
        front = () if self.front.figure is None else (self.front.figure,)
        rest = [block for section in self.sections for block in section.blocks if isinstance(block, Picture)]
        return (*front, *rest)

    def __repr__(self) -> str:
        """Return the shape only."""
        return f"Report({len(self.sections)} sections, {len(self.tables())} tables, {len(self.pictures())} figures)"
