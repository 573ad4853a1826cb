"""Published values and shipped rule tables, each row with its source, as TOML files beside this module."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Any

from outcomes.errors import CriteriaError


def reference_names() -> tuple[str, ...]:
    """Return the names that :func:`load_reference` knows.

    Examples
    --------
    >>> "criteria" in reference_names()
    True
    """
    files = resources.files(__name__).iterdir()
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in files if entry.name.endswith(".toml")))


def load_reference(name: str) -> dict[str, Any]:
    """Read one shipped reference table.

    Parameters
    ----------
    name : str
        File name without its ending, e.g. ``"margins"``.

    Returns
    -------
    dict
        The content of the TOML file, a fresh copy on every call.

    Raises
    ------
    CriteriaError
        When there is no such table; the message lists those there are.

    Examples
    --------
    >>> load_reference("limits")["limits"]["judged_met_min"]["value"]
    20
    """
    if name not in reference_names():
        raise CriteriaError(
            f"no reference table {name!r}; there are: {', '.join(reference_names())}",
            code="unknown_reference",
        )
    return tomllib.loads((resources.files(__name__) / f"{name}.toml").read_text(encoding="utf-8"))
