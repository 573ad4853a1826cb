"""The page: closed to the outside, nothing a user wrote is markup, and readable without seeing it."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from outcomes.reporting.html import render_html
from outcomes.reporting.report import Report, Section, Terms, Text
from outcomes.reporting.tables import Table, data_rows

HOSTILE = '<script>alert(1)</script>"><img src=x onerror=y>&{{ 7*7 }}'
VOID = {"meta", "img", "link", "br", "hr", "input"}


class Page(HTMLParser):
    """Collect tags and check that they nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def text(report: Report) -> str:
    return render_html(report)


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


def test_tags_nest_and_ids_are_unique(page: Page) -> None:
    assert page.open == []
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    links = {str(link["href"])[1:] for link in page.all("a")}
    assert links <= set(ids)


def test_nothing_is_loaded_and_nothing_runs(text: str, page: Page) -> None:
    assert not {"script", "iframe", "object", "embed", "form", "link", "base"} & {tag for tag, _ in page.tags}
    assert all(str(image["src"]).startswith("data:image/svg+xml;base64,") for image in page.all("img"))
    without_images = re.sub(r"base64,[A-Za-z0-9+/=]+", "", text)
    assert not re.search(r"https?://|url\(|@import|javascript:| on[a-z]+=", without_images)
    policy = next(meta for meta in page.all("meta") if meta.get("http-equiv") == "Content-Security-Policy")
    assert policy["content"] == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def test_it_can_be_read_out(page: Page) -> None:
    assert page.all("html")[0]["lang"] == "en-GB"
    assert len(page.all("h1")) == 1
    assert page.all("a")[0]["href"] == "#details"
    assert all(image["alt"] for image in page.all("img"))
    assert all(head.get("scope") for head in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table"))
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_what_users_wrote_is_text(report: Report) -> None:
    front = replace(report.front, study=HOSTILE, sentence=HOSTILE, facts=((HOSTILE, HOSTILE),))
    frame = report.tables()[0].frame
    table = Table(
        key="t", title=HOSTILE, header=(HOSTILE,), rows=data_rows([(HOSTILE,)]), frame=frame, notes=(HOSTILE,)
    )
    blocks = (Text(paragraphs=(HOSTILE,), heading=HOSTILE), Terms(pairs=((HOSTILE, HOSTILE),)), table)
    hostile = replace(report, front=front, sections=(Section(key="s", title=HOSTILE, blocks=blocks),))
    text = render_html(hostile)
    page = Page(text)
    assert page.open == []
    assert page.all("script") == []
    assert all("onerror" not in image for image in page.all("img"))
    assert "{{ 7*7 }}" in text


def test_templates_never_switch_escaping_off() -> None:
    folder = Path(__file__).parents[2] / "outcomes" / "reporting"
    sources = [*folder.glob("*.py"), *(folder / "templates").iterdir()]
    assert len(sources) > 10
    for source in sources:
        found = re.search(
            r"\|\s*safe\b|Markup\(|autoescape\s+false|__html__", source.read_text(encoding="utf-8")
        )
        assert found is None, f"{source.name}: {found}"


def test_colours_are_readable() -> None:
    css = (Path(__file__).parents[2] / "outcomes/reporting/templates/report.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for ink in ("ink", "quiet", "deep", "amber"):
        for paper in (colours["paper"], "#ffffff", "#fbf1e0"):
            light, dark = sorted((luminance(colours[ink]), luminance(paper)), reverse=True)
            # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text.
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, paper)
