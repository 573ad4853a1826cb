"""The report as one HTML file: no script, no address outside it, everything escaped."""

from __future__ import annotations

import base64

from jinja2 import Environment, PackageLoader, StrictUndefined

from outcomes.reporting.canvas import Picture
from outcomes.reporting.formatting import count
from outcomes.reporting.quality_tables import in_words
from outcomes.reporting.report import Block, Flow, Report, Terms, Text
from outcomes.reporting.tables import Table

_KINDS: dict[type, str] = {Text: "text", Terms: "terms", Flow: "flow", Table: "table", Picture: "picture"}


def render_html(report: Report) -> str:
    """Return the report as a self-contained page.

    Parameters
    ----------
    report : Report

    Returns
    -------
    str
        HTML with its figures inside, a content security policy that allows nothing else, and print styles.
    """
    environment = Environment(
        loader=PackageLoader("outcomes.reporting", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    environment.filters.update(data_uri=_data_uri, kind=_kind, whole=count, words=in_words)
    return environment.get_template("report.html.j2").render(report=report)


def _data_uri(picture: Picture) -> str:
    """Return the figure as an address that holds the whole file."""
    return f"data:image/svg+xml;base64,{base64.b64encode(picture.svg).decode('ascii')}"


def _kind(block: Block) -> str:
    """Return which template part draws a block."""
    return _KINDS[type(block)]
