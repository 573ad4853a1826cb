"""A picture cannot be read back, so what it shows is kept beside it and must be what the demonstration says."""

from __future__ import annotations

from pathlib import Path

from outcomes.reporting.report import Report

IMAGES = Path(__file__).parents[2] / "docs" / "images"


def test_the_picture_of_the_readme_shows_the_answer_of_the_demonstration(report: Report) -> None:
    front = report.front
    shown = (IMAGES / "report.txt").read_text(encoding="utf-8").splitlines()
    how_much = dict(front.facts)["By how much"]
    assert shown == [front.study, front.answer, front.about, front.sentence, how_much], (
        "the demonstration answers otherwise than the picture of the README: run make looks, look, and commit both"
    )


def test_the_readme_shows_that_picture() -> None:
    readme = (IMAGES.parents[1] / "README.md").read_text(encoding="utf-8")
    assert "(docs/images/report.png)" in readme
    assert (IMAGES / "report.png").read_bytes().startswith(b"\x89PNG")
