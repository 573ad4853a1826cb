"""Show a labelling result in a notebook: its sentence and its tidy table, under one screen, never a row."""

from __future__ import annotations

import html

import pandas as pd

_MOST_ROWS = 14


def sentence_and_table(sentence: str, table: pd.DataFrame) -> str:
    """Return a sentence and a short table as HTML."""
    shown = table.head(_MOST_ROWS)
    left = len(table) - len(shown)
    more = f"<p>and {left} more rows in tidy()</p>" if left else ""
    body = shown.to_html(index=False, border=0, na_rep="", float_format=lambda value: f"{value:.3g}")
    return f"<p>{html.escape(sentence)}</p>{body}{more}"
