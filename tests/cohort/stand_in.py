"""A table with internal columns and nothing else, for tests of the labelling functions."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pandas as pd


@dataclass
class Table:
    """Stands in for a cohort: `data`, and a dictionary where a test needs one."""

    data: pd.DataFrame
    dictionary: Any = field(default_factory=lambda: SimpleNamespace(columns=()))


def table(**columns: Any) -> Table:
    """Return a table of the given columns."""
    return Table(pd.DataFrame(columns))


def notes(*texts: str | None) -> Table:
    """Return a table of operation notes."""
    return table(operation_text=list(texts))
